"""Does the ratio between two visits keep its word? Coverage, and changes called where there is none.

Run: python tests/benchmarks/season_change.py [--surveys N] [--write]
Ground: the tests' invented hole (green, collar, fairway). A field is drawn once a survey; the second visit's insects
are 0.5, 1, 2 or 4 times as many everywhere, its bags drawn anew, at points of its own or with half of them kept. The
truth is that factor. Counts are simulated by ``geosample.rehearsal.worlds``; every number of the model is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import joblib
import numpy as np
import pandas as pd
from bench import as_markdown, ask, beside
from conftest import make_hole
from visit_case import count_visit

from geosample.counts import Counts
from geosample.design import Design, draw_design
from geosample.estimate import Estimates
from geosample.estimate.bags import gather_bags
from geosample.estimate.means import estimate_domains
from geosample.ground import Ground
from geosample.rehearsal.worlds import SimulationModel, Truth, count_bags, draw_truth
from geosample.season.change import compare_means, pair_bags
from geosample.survey.findings import Findings

SEED, DESIGNS = 23, 4
GROWTHS, KEPT, SIZES = (0.5, 1.0, 2.0, 4.0), (0.0, 0.5), (30, 60)
MODEL = SimulationModel(mean_per_m2=215.0, border_ratio=2.5, field_sd=0.8, k=1.5)


@dataclass(frozen=True)
class Pair:
    """Two designs, the second with a share of the first's points or none."""

    first: Design
    second: Design


def draw_pairs(ground: Ground, size: int, keep: float, designs: int) -> list[Pair]:
    """Return pairs of balanced designs of so many points."""
    asked = {"points": size, "border_m": 4.572, "reserve": 0.0}
    pairs = []
    for seed in range(designs):
        first = draw_design(ground, visit="2026-05-04", seed=seed, **asked)
        beside = {"keep": keep, "last": first} if keep else {}
        pairs.append(Pair(first, draw_design(ground, visit="2026-05-25", seed=100 + seed, **asked, **beside)))
    return pairs


def count(design: Design, shell: Counts, truth: Truth, rng: np.random.Generator) -> Counts:
    """Return the bags of one visit under a truth."""
    rows = count_bags(design, truth, rng).rename(columns={"point_id": "sample_id"})
    rows = rows.melt("sample_id", var_name="stage", value_name="count")
    return replace(shell, counts=rows.assign(visit=design.visit.visit, pest=design.visit.pest))


def survey(
    ground: Ground, pair: Pair, shells: tuple[Counts, Counts], growth: float, rng: np.random.Generator
) -> list[list[float]]:
    """Return for each domain: covered, called, called the wrong way, and how wide the interval is."""
    truth = draw_truth(ground, rng, MODEL, waves=400)
    later = replace(truth, model=replace(MODEL, mean_per_m2=growth * MODEL.mean_per_m2))
    counts = [count(d, s, t, rng) for d, s, t in zip((pair.first, pair.second), shells, (truth, later), strict=True)]
    designs = (pair.first, pair.second)
    found = []
    for one, design in zip(counts, designs, strict=True):
        table = estimate_domains(gather_bags(one, design), ("kind",))
        found.append(Estimates(one.visit, one.pest, table, Findings(one.visit, one.pest, ())))
    pairs = pair_bags((counts[0], designs[0]), (counts[1], designs[1]), counts[0].pest)
    told = []
    for change in compare_means(*found, pairs, domains=("all", "kind")):
        right = {"grew": growth > 1, "fell": growth < 1}.get(change.verdict, True)
        covered = change.ratio.low <= growth <= change.ratio.high
        wide = change.ratio.high / change.ratio.low if change.ratio.low > 0 else np.inf
        told.append([covered, change.verdict != "unclear", not right, wide])
    return told


def run_cell(ground: Ground, size: int, keep: float, growth: float, surveys: int, designs: int) -> dict[str, object]:
    """Return one row: shares in per cent."""
    pairs = draw_pairs(ground, size, keep, designs)
    shells = [(count_visit(pair.first, ground), count_visit(pair.second, ground)) for pair in pairs]
    rng = np.random.default_rng([SEED, size, int(10 * keep), int(10 * growth)])
    rows = [survey(ground, pairs[n % designs], shells[n % designs], growth, rng) for n in range(surveys)]
    whole = np.array([row[0] for row in rows], dtype=float)
    every = np.array([one for row in rows for one in row], dtype=float)
    shares = {
        "covers, whole": 100 * whole[:, 0].mean(),
        "covers, all rows": 100 * every[:, 0].mean(),
        "called a change, whole": 100 * whole[:, 1].mean(),
        "called a change, all rows": 100 * every[:, 1].mean(),
        "called wrongly": 100 * every[:, 2].mean(),
        "high / low, whole": float(np.median(whole[:, 3])),
    }
    return {"points": size, "kept": f"{keep:.0%}", "growth": growth, **{k: round(v, 1) for k, v in shares.items()}}


def main() -> None:
    """Print the table, and write it where asked."""
    asked = ask(__doc__, beside(__file__), surveys=(400, 2))
    ground = make_hole()
    sizes, growths, kept = ((30,), (1.0,), (0.5,)) if asked.smallest else (SIZES, GROWTHS, KEPT)
    designs = 1 if asked.smallest else DESIGNS
    work = [joblib.delayed(run_cell)(ground, *cell, asked.surveys, designs) for cell in product(sizes, kept, growths)]
    table = pd.DataFrame(joblib.Parallel(n_jobs=asked.jobs)(work))
    error = 100 * np.sqrt(0.95 * 0.05 / asked.surveys)
    lines = [
        "# How well a change between two visits is told",
        "",
        f"{asked.surveys} simulated surveys a row, 95 % intervals; "
        f"standard error of a share of the whole about {error:.1f}.",
        "Where growth is 1, a change called is a false one.",
        "",
        as_markdown(table),
    ]
    asked.publish("\n".join(lines))


if __name__ == "__main__":
    main()
