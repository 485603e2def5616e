"""Is a map better for the bags of the visit before it? Held-out score and cost of the plan, with and without, on pairs.

Run: python tests/benchmarks/map_last.py [--pairs N] [--write]
Ground: holes of a real course, else of the invented one. Two visits of so many bags each, at points of their own; the
second's field is the first's (same), partly (correlation 0.6), or another (other), at any level; each has an edge
effect or none, both the same one but for the row ``unrelated``, where spread, range and edge are the second's own. In
the row ``treated`` the field is the same, and where the first visit's map says to treat, a share of the insects is gone
since; in the row below it the first visit's bags from that ground are left out. Every number of the model is invented.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import joblib
import numpy as np
import pandas as pd
from bench import as_markdown, ask, beside
from map_worlds import KS, Turf, correlate, turf_of
from scipy.spatial import KDTree
from scipy.spatial.distance import cdist
from scipy.stats import norm

from geosample.density.field import CountField
from geosample.density.laplace import MixedField, foretell, predict_latent
from geosample.design import draw_spread

SEED, MISS_COST, KILLED = 29, 3.0, 0.8
ALIKE = {"same": 1.0, "partly": 0.6, "other": 0.0, "unrelated": 0.0, "treated": 1.0, "spots treated": 1.0}
TREATED = {"treated": 0.25, "spots treated": 0.6}
"""From which chance of more than the mean ground was treated."""
CLEARED = ", its bags out"
SIZES = (30, 60)
HELD_OUT = 200


@dataclass(frozen=True)
class Visit:
    """One visit: where its bags were pulled, how near the edge, and what was in them."""

    places: np.ndarray
    edge: np.ndarray
    count: np.ndarray

    def only(self, rows: np.ndarray) -> Visit:
        """Return some of its bags."""
        return Visit(self.places[rows], self.edge[rows], self.count[rows])


def draw_fields(places: np.ndarray, away_m: np.ndarray, kind: str, rng: np.random.Generator) -> np.ndarray:
    """Return two visits' log densities at places before either has a level, shape (n, 2)."""
    apart, alike, drawn = cdist(places, places), ALIKE[kind], []
    for _ in range(2 if kind == "unrelated" else 1):
        spread, range_m = rng.uniform(0.5, 1.2), float(np.exp(rng.uniform(np.log(10), np.log(80))))
        covariance = spread**2 * correlate(apart / range_m, smooth=False)
        fields = np.linalg.cholesky(covariance + 1e-8 * np.eye(len(places))) @ rng.standard_normal((len(places), 2))
        fields[:, 1] = alike * fields[:, 0] + np.sqrt(1 - alike**2) * fields[:, 1]
        border = (rng.uniform(0.5, 2) if rng.random() < 0.5 else 0.0) * np.exp(-away_m / 4.0)
        drawn.append(fields + border[:, None])
    return np.column_stack([drawn[0][:, 0], drawn[-1][:, 1]])


def level_out(log_density: np.ndarray, turf: Turf, rng: np.random.Generator) -> np.ndarray:
    """Return densities at a mean drawn anew, insects a bag; the cells stand last."""
    density = np.exp(log_density)
    return np.asarray(
        density * np.exp(rng.uniform(np.log(0.4), np.log(4))) / (turf.share @ density[-len(turf.share) :])
    )


def look(field: CountField, turf: Turf) -> np.ndarray:
    """Return the cells as the field's models take them: level, edge, and no earlier visit."""
    columns = [np.ones(len(turf.edge_m)), np.exp(-turf.edge_m / 4.0), np.zeros(len(turf.edge_m))]
    return np.column_stack(columns)[:, : 1 + len(field.covariate_sds)] * [field.level_sd, *field.covariate_sds]


def pass_chance(field: CountField, fitted: MixedField, turf: Turf, threshold: float) -> np.ndarray:
    """Return each cell's chance of more than a threshold."""
    latent = predict_latent(fitted, turf.places, look(field, turf), precise=True).shift(float(np.log(field.rate_)))
    return np.asarray(norm.cdf((latent.mean - np.log(threshold)) / latent.spread))


def judge(
    field: CountField, fitted: MixedField, turf: Turf, truth: np.ndarray, held: tuple[np.ndarray, np.ndarray]
) -> list[float]:
    """Return the mean log probability of held-out bags, and the cost of the plan at the mean as threshold."""
    cells, count = held
    told = foretell(fitted, turf.places[cells], look(field, turf)[cells], np.full(len(cells), np.log(field.rate_)))
    threshold = float(turf.share @ truth)
    treat, hot = pass_chance(field, fitted, turf, threshold) > 1 / (1 + MISS_COST), truth > threshold
    cost = turf.share @ (MISS_COST * (hot & ~treat) + (~hot & treat))
    return [-float(told.log_score(count).mean()), float(cost)]


def map_both(first: Visit, second: Visit) -> CountField:
    """Return the second visit's field, the first one's bags taken in as far as they are believed."""
    column = np.repeat([0.0, 1.0], [len(second.count), len(first.count)])
    asked = {"covariate_sds": [1.5, 4.0], "doubtful": [0], "allow_even": True, "earlier": 1}
    return CountField(**asked).fit(
        np.vstack([second.places, first.places]),
        np.concatenate([second.count, first.count]),
        covariates=np.column_stack([np.concatenate([second.edge, first.edge]), column]),
    )


def run_pair(number: int, kind: str, pair: int) -> list[list[float]]:
    """Return score and cost alone, and with both visits' bags, and the weight: a row, or two where it was treated."""
    rng, turf = np.random.default_rng([SEED, number, list(ALIKE).index(kind), pair]), turf_of(pair)
    drawn = [draw_spread(turf.fine, number * turf.fine_share, rng) for _ in range(2)]
    places = np.vstack([turf.fine[drawn[0]], turf.fine[drawn[1]], turf.places])
    away_m = np.concatenate([turf.fine_edge_m[drawn[0]], turf.fine_edge_m[drawn[1]], turf.edge_m])
    logs, k = draw_fields(places, away_m, kind, rng), float(np.exp(rng.uniform(*np.log(KS))))

    def count(density: np.ndarray, rows: slice) -> Visit:
        found = rng.poisson(rng.gamma(k, density[rows] / k)).astype(float)
        return Visit(places[rows], np.exp(-away_m[rows] / 4.0), found)

    then = level_out(logs[:, 0], turf, rng)
    first, treated = count(then, slice(0, number)), np.zeros(len(places), dtype=bool)
    if not first.count.any():
        return []
    if kind in TREATED:
        planned = CountField(covariate_sds=[1.5], doubtful=[0], allow_even=True)
        planned.fit(first.places, first.count, covariates=first.edge[:, None])
        chance = pass_chance(planned, planned.field_, turf, float(turf.share @ then[2 * number :]))
        treated = (chance > TREATED[kind])[KDTree(turf.places).query(places)[1]]
    now = level_out(logs[:, 1] + np.log(1 - KILLED) * treated, turf, rng)
    second, truth = count(now, slice(number, 2 * number)), now[2 * number :]
    if not second.count.any():
        return []
    cells = rng.choice(len(truth), HELD_OUT, p=turf.share / turf.share.sum())
    held = (cells, rng.poisson(rng.gamma(k, truth[cells] / k)).astype(float))
    rows = []
    for before in [first, *([first.only(~treated[:number])] if kind in TREATED else [])]:
        both = map_both(before, second)
        fitted = both.field_
        told = [judge(both, one, turf, truth, held) for one in (fitted.alone, fitted)]
        rows.append([*told[0], *told[1], fitted.same_pattern])
    return rows


def tell_cell(number: int, kind: str, found: list[list[float]]) -> dict[str, object]:
    """Return one row of the table from its pairs."""
    rows = np.array(found)
    told: dict[str, object] = {"bags": number, "second visit": kind, "pairs": len(rows)}
    told |= {"score": f"{rows[:, 0].mean():.3f}", "cost": f"{rows[:, 1].mean():.3f}"}
    gain = rows[:, 2:4] - rows[:, :2]
    error = gain.std(axis=0, ddof=1) / np.sqrt(len(gain))
    for name, one, sd in zip(("score", "cost"), gain.mean(axis=0), error, strict=True):
        told[f"{name}, added"] = f"{one:+.4f} ({sd:.4f})"
    return {**told, "weight": f"{rows[:, 4].mean():.2f}"}


def main() -> None:
    """Print the table, and write it where asked."""
    asked = ask(__doc__, beside(__file__), pairs=(60, 2))
    sizes, kinds = ((30,), ("treated",)) if asked.smallest else (SIZES, tuple(ALIKE))
    work = [(*cell, pair) for cell in product(sizes, kinds) for pair in range(asked.pairs)]
    found = joblib.Parallel(n_jobs=asked.jobs)(joblib.delayed(run_pair)(*one) for one in work)
    table = []
    for cell in product(sizes, kinds):
        pairs = [rows for one, rows in zip(work, found, strict=True) if one[:2] == cell and rows]
        names = [cell[1], *([cell[1] + CLEARED] if cell[1] in TREATED else [])]
        table += [tell_cell(cell[0], name, [rows[place] for rows in pairs]) for place, name in enumerate(names)]
    lines = [
        "# Whether a map is better for the bags of the visit before it",
        "",
        f"{HELD_OUT} held-out bags a pair. Score: mean log predictive probability of a bag of the later visit, nats,",
        "by its own bags alone; higher is better. Cost of the plan: 1 for treating all needlessly, "
        f"{MISS_COST:g} for leaving all that should be; lower is better.",
        "Beside them what the earlier visit's bags add (standard error), and their weight on average. Where it was",
        f"treated in between, {KILLED:.0%} of the insects are gone there.",
        "",
        as_markdown(pd.DataFrame(table)),
    ]
    asked.publish("\n".join(lines))


if __name__ == "__main__":
    main()
