"""Does it matter that distance runs straight across rough, not along the turf? Writes sample_maps/map_limbs.md.

A hairpin fairway: two limbs 30 m wide and 120 m long, a gap of 10 m of rough between them, joined by a half ring.
Larvae follow a field along the turf (the hairpin unrolled), the case in which straight distance is wrong, or a field
that takes no notice of the gap. Each survey is mapped with straight distances, as the program does, and with
distances along the turf. Run: python tests/benchmarks/map_limbs.py --surveys 200 --write
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from bench import ask, in_samples
from map_peers import Answer
from map_worlds import correlate
from scipy.spatial.distance import cdist

from geosample.density.laplace import Priors, Sites, fit_counts, predict_log

WIDTH_M, LENGTH_M, GAP_M = 30.0, 120.0, 10.0
CELL_M = 4.0


def unroll(along: np.ndarray, across: np.ndarray) -> np.ndarray:
    """Return straight coordinates of places given by metres along the hairpin's middle and across it."""
    radius = (WIDTH_M + GAP_M) / 2
    bend = np.pi * radius
    angle = np.clip((along - LENGTH_M) / radius, 0, np.pi)
    east = np.where(along <= LENGTH_M, along, LENGTH_M - np.maximum(along - LENGTH_M - bend, 0))
    east = east + (radius + across) * np.sin(angle)
    return np.column_stack([east, (radius + across) * np.cos(angle)])


def make_cells() -> np.ndarray:
    """Return cells as metres along and across."""
    total = 2 * LENGTH_M + np.pi * (WIDTH_M + GAP_M) / 2
    along, across = np.meshgrid(np.arange(2, total, CELL_M), np.arange(2 - WIDTH_M / 2, WIDTH_M / 2, CELL_M))
    return np.column_stack([along.ravel(), across.ravel()])


def run_one(points: int, survey: int, *, turf_field: bool) -> list[dict[str, float | str | bool]]:
    """Return a row a way of measuring distance."""
    rng = np.random.default_rng([11, points, survey, int(turf_field)])
    cells = make_cells()
    chosen = cells[rng.choice(len(cells), points, replace=False)] + rng.uniform(-2, 2, (points, 2))
    along = np.vstack([chosen, cells])
    straight = unroll(*along.T)
    range_m, spread, k = float(np.exp(rng.uniform(np.log(15), np.log(60)))), rng.uniform(0.5, 1.2), rng.uniform(0.5, 2)
    distance = cdist(along, along) if turf_field else cdist(straight, straight)
    factor = np.linalg.cholesky(correlate(distance / range_m, smooth=False) + 1e-8 * np.eye(len(along)))
    density = 1.5 * np.exp(spread * factor @ rng.standard_normal(len(along)))
    count = rng.poisson(rng.gamma(k, density[:points] / k)).astype(float)
    if count.sum() < 5:
        return []
    same = {"points": points, "survey": survey, "turf_field": turf_field}
    ways = {"straight": straight, "along the turf": along}
    return [{**same, "way": way, **_score(at, count, density)} for way, at in ways.items()]


def _score(places: np.ndarray, count: np.ndarray, density: np.ndarray) -> dict[str, float]:
    number, level = len(count), float(np.log(count.mean()))
    sites = Sites(places[:number], np.full((number, 1), 4.0), count, np.full(number, level))
    mean, spread = predict_log(fit_counts(sites, Priors()), places[number:], np.full((len(places) - number, 1), 4.0))
    answer = Answer(mean + level, spread * 1.15)
    truth = density[number:]
    hot, chance = truth > 2, answer.over(2.0)
    treat = chance > 0.25
    safe = np.clip(chance, 1e-3, 1 - 1e-3)
    return {
        "log_score": float(-np.where(hot, np.log(safe), np.log1p(-safe)).mean()),
        "cost": float((3 * (hot & ~treat) + (~hot & treat)).mean()),
        "coverage": float(answer.holds(truth).mean()),
    }


def main() -> None:
    """Run the surveys and write the table."""
    asked = ask(__doc__, in_samples(__file__), surveys=(40, 1))
    cases = [(points, turf) for points in (40, 80) for turf in (True, False)]
    rows = pd.DataFrame(
        [
            row
            for points, turf in cases
            for survey in range(asked.surveys)
            for row in run_one(points, survey, turf_field=turf)
        ]
    )
    head = "# Straight distance or distance along the turf, on a hairpin fairway"
    lines = [head, "", *(__doc__ or "").splitlines()[2:6]]
    lines += [
        "",
        "| larvae follow | bags | log score straight, along | cost straight, along | cost straight less along |",
    ]
    lines += ["|---|---|---|---|---|"]
    for (turf, points), group in rows.groupby(["turf_field", "points"]):
        wide = group.pivot(index="survey", columns="way", values=["log_score", "cost"])
        mean, extra = wide.mean(), wide["cost"]["straight"] - wide["cost"]["along the turf"]
        lines.append(
            f"| {'the turf' if turf else 'no gap'} | {points} | {mean['log_score']['straight']:.3f}, "
            f"{mean['log_score']['along the turf']:.3f} | {mean['cost']['straight']:.3f}, "
            f"{mean['cost']['along the turf']:.3f} | {extra.mean():+.3f} ± {extra.sem():.3f} |"
        )
    asked.publish("\n".join(lines))


if __name__ == "__main__":
    main()
