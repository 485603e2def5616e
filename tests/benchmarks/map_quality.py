"""How good the density map is on simulated larvae, beside its peers and the oracle; writes sample_maps/map_quality.md.

Run: python tests/benchmarks/map_quality.py --surveys 400 --workers 2 --write [BAGS ...]
The truths are of the map's own family (log-Gaussian, negative binomial): a home advantage to keep in mind. Held-out
counts of real sets are in map_webworms.py.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import pandas as pd
from bench import ask, in_samples
from map_peers import PEERS, Answer, oracle, ours
from map_worlds import World, make_world, split_truth, turf_of

OURS, ORACLE = "geosample density", "oracle (knows all but the surface)"
METHODS = {OURS: ours, "geosample density, no edge term": lambda world: ours(world, edge=False), **PEERS}
FIXED = 1.5
MISS_COST = 3.0
SCORES = ("log_score", "misclassified", "cost")
_CLIP = 1e-3


def score(world: World, answer: Answer, threshold: float) -> dict[str, float]:
    """Return the exceedance log score (nats), misclassified area (share) and decision cost of one answer."""
    hot, share = world.truth > threshold, world.turf.share
    chance = answer.over(threshold)
    safe = np.clip(chance, _CLIP, 1 - _CLIP)
    treat = chance > 1 / (1 + MISS_COST)
    return {
        "log_score": float(-share @ np.where(hot, np.log(safe), np.log1p(-safe))),
        "misclassified": float(share @ ((chance > 0.5) != hot)),
        "cost": float(share @ (MISS_COST * (hot & ~treat) + (~hot & treat))),
    }


def score_known(world: World, answer: Answer, threshold: float) -> dict[str, float]:
    """Return how much ground is called known, and how often it and the rest are wrongly decided and held."""
    if answer.known is None:
        return {}
    wrong = (answer.over(threshold) > 1 / (1 + MISS_COST)) != (world.truth > threshold)
    held, missed = (
        answer.holds(world.truth),
        (answer.over(threshold) <= 1 / (1 + MISS_COST)) & (world.truth > threshold),
    )
    found = {"known": float(world.turf.share @ answer.known)}
    for name, where in (("known", answer.known), ("unknown", ~answer.known)):
        share = world.turf.share * where
        found |= {f"{name} {what}": float(share @ value) for what, value in
                  (("area", where), ("wrong", wrong), ("missed", missed), ("held", held))}  # fmt: skip
    return found


def run_one(task: tuple[int, int, bool]) -> list[dict[str, float | str]]:
    """Return a row a method and threshold for one survey."""
    number, survey, border = task
    rng = np.random.default_rng([7, number, survey, int(border)])
    world = make_world(turf_of(survey), number, rng, border=border)
    if world.count.sum() < 5:
        return []
    rows: list[dict[str, float | str]] = []
    for name, method in {**METHODS, ORACLE: oracle}.items():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore" if name in PEERS else "error")
            answer = method(world)
        cover = float(world.turf.share @ answer.holds(world.truth))
        for rule, threshold in (("fixed", FIXED), ("quantile", split_truth(world, 0.75))):
            same = {"points": number, "border": border, "survey": survey, "hectares": world.turf.hectares}
            rows.append({**same, "method": name, "rule": rule, "coverage": cover, **score(world, answer, threshold),
                         **score_known(world, answer, threshold)})  # fmt: skip
    return rows


def tabulate(rows: pd.DataFrame) -> Iterable[str]:
    """Yield the lines of the report."""
    for (border, number, rule), group in rows.groupby(["border", "points", "rule"]):
        surveys, hectares = group["survey"].nunique(), group["hectares"].mean()
        what = "with" if border else "without"
        yield f"\n## {number} bags on {hectares:.2f} ha, {what} a border effect, threshold {rule}, {surveys} surveys\n"
        yield "| method | log score | misclassified | cost 3 : 1 | cost above ours (± s.e.) | 90 % interval holds |"
        yield "|---|---|---|---|---|---|"
        wide = group.pivot(index="survey", columns="method", values="cost")
        for name in [*METHODS, ORACLE]:
            mean = group[group["method"] == name][[*SCORES, "coverage"]].mean()
            extra = wide[name] - wide[OURS]
            yield (
                f"| {name} | {mean['log_score']:.3f} | {mean['misclassified']:.3f} | {mean['cost']:.3f} | "
                f"{extra.mean():+.3f} ± {extra.sem():.3f} | {mean['coverage']:.3f} |"
            )


def conclude(rows: pd.DataFrame) -> Iterable[str]:
    """Yield how the map stands beside the best peer and the oracle, for every number of bags."""
    yield "| border effect | threshold | bags | cost beside the best peer | best peer | cost beside the oracle |"
    yield "|---|---|---|---|---|---|"
    for (border, rule, number), group in rows.groupby(["border", "rule", "points"]):
        wide = group.pivot(index="survey", columns="method", values="cost")
        best = wide[list(PEERS)].mean().idxmin()
        extra = wide[OURS] - wide[best]
        gain, error = extra.mean() / wide[best].mean(), extra.sem() / wide[best].mean()
        beyond = wide[OURS].mean() / wide[ORACLE].mean() - 1
        yield (
            f"| {'yes' if border else 'no'} | {rule} | {number} | {gain:+.1%} ± {error:.1%} | {best} | {beyond:+.1%} |"
        )


def tell_known(rows: pd.DataFrame) -> Iterable[str]:
    """Yield what "known enough" means: the share of such ground, and what is decided wrongly there and elsewhere."""
    yield "| border effect | threshold | bags | known | wrong: known, rest | missed: known, rest | held: known, rest |"
    yield "|---|---|---|---|---|---|---|"
    for (border, rule, number), group in rows[rows["method"] == OURS].groupby(["border", "rule", "points"]):
        total = group[[column for column in group if column.startswith(("known", "unknown"))]].mean()
        pairs = [
            ", ".join(f"{total[f'{one} {what}'] / max(total[f'{one} area'], 1e-9):.1%}" for one in ("known", "unknown"))
            for what in ("wrong", "missed", "held")
        ]
        yield f"| {'yes' if border else 'no'} | {rule} | {number} | {total['known']:.0%} | {' | '.join(pairs)} |"


def main() -> None:
    """Run the surveys and write the table."""
    asked = ask(
        __doc__,
        in_samples(__file__),
        words="numbers of bags, each a table",
        surveys=(40, 1),
        workers=(1, 1),
    )
    numbers = [int(word) for word in asked.words] or ([30] if asked.smallest else [30, 60, 120, 300])
    tasks = [
        (number, survey, border) for number in numbers for border in (True, False) for survey in range(asked.surveys)
    ]
    start = time.monotonic()
    with ProcessPoolExecutor(asked.workers) as pool:
        rows = pd.DataFrame([row for found in pool.map(run_one, tasks, chunksize=5) for row in found])
    lines = [
        "# How good the density map is, on simulated larvae", "",
        *(__doc__ or "").splitlines()[3:5], "",
        f"Thresholds: {FIXED} insects a bag (fixed), or the density that 75 % of the area stays below (quantile).",
        f"Cost: {MISS_COST:g} for a missed hot share of the area, 1 for a needless one; treated where the probability",
        "passes 1/4. Differences are paired by survey. The map's priors on border effect and kinds, and its two",
        "widenings, were chosen on other surveys of the same kind of world.", "",
        *conclude(rows), "",
        "What \"known enough\" is worth: shares of the known ground and of the rest that are decided wrongly either",
        "way, that are hot and left, and that lie inside the 90 % interval.", "",
        *tell_known(rows), *tabulate(rows),
    ]  # fmt: skip
    asked.publish("\n".join(lines))
    print(f"{time.monotonic() - start:.0f} s")


if __name__ == "__main__":
    main()
