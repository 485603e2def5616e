"""What twelve chosen points gain over twelve balanced ones, after sixty; writes sample_maps/map_followup.md.

Worlds as in map_quality.py, half with a border effect; threshold: the density 75 % of the area stays below; cost 3 for
a missed hot share of the area, 1 for a needless one. Run: python tests/benchmarks/map_followup.py --surveys 400 --write
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from bench import ask, in_samples
from map_peers import SETTINGS, fit_ours, ours
from map_quality import cost_of
from map_worlds import World, make_world, split_truth, turf_of

from geosample.density.followup import CANDIDATES, Prospect, expect_cost, pick_places
from geosample.density.laplace import predict_jointly
from geosample.design import draw_spread

FIRST, SECOND, FEW, MISS_COST = 60, 12, 3, 3.0
CHOSEN = "chosen"
FORETOLD = {f"foretold {FEW}": f"the first {FEW} of them", f"foretold {SECOND}": CHOSEN}
DOUBT = (0.05, 0.6)
"""Chances between which a plug may turn the decision, whose line is 1/4 (own choice)."""


def add_bags(world: World, cells: np.ndarray, rng: np.random.Generator) -> World:
    """Return the world with bags pulled in more cells; the covariance is no longer that of its points."""
    turf, expected = world.turf, world.truth[cells]
    count = rng.poisson(rng.gamma(world.k, expected / world.k)).astype(float)
    return replace(
        world,
        points=np.vstack([world.points, turf.places[cells]]),
        edge_m=np.concatenate([world.edge_m, turf.edge_m[cells]]),
        kind=np.concatenate([world.kind, turf.kind[cells]]),
        count=np.concatenate([world.count, count]),
    )


def keep_bags(world: World, number: int) -> World:
    """Return the world with its first bags alone."""
    some = slice(number)
    return replace(
        world, points=world.points[some], edge_m=world.edge_m[some], kind=world.kind[some], count=world.count[some]
    )


def spread_in_doubt(world: World, threshold: float, rng: np.random.Generator) -> np.ndarray:
    """Return as many cells, balanced over the ground whose chance of being above is neither plain nor near one."""
    chance = ours(world).over(threshold)[len(world.count) :]
    doubt = world.turf.share * ((chance > DOUBT[0]) & (chance < DOUBT[1]))
    doubt = doubt if (doubt > 0).sum() > SECOND else world.turf.share
    return draw_spread(world.turf.places, SECOND * doubt / doubt.sum(), rng)


def choose(world: World, threshold: float, rng: np.random.Generator) -> tuple[np.ndarray, list[float]]:
    """Return the cells the program would choose, in order, and the saving foretold of the first few and of all."""
    fitted, basis, level = fit_ours(world)
    mean, covariance = predict_jointly(fitted, world.turf.places, basis[len(world.count) :])
    noise = 1 / np.exp(mean + level) + 1 / fitted.lead.hyper.k
    prospect = Prospect(mean + level - np.log(threshold), covariance * SETTINGS.widen**2, world.turf.share, noise)
    free = rng.permutation(len(world.turf.places))[:CANDIDATES]
    now = float(prospect.share @ expect_cost(prospect.mean, *2 * [np.diag(prospect.covariance)], MISS_COST))
    picked = [pick_places(prospect, free, number, MISS_COST) for number in (FEW, SECOND)]
    return picked[-1][0], [now * saved for _, saved in picked]


def run_one(survey: int) -> dict[str, float]:
    """Return the cost after the first round, after twelve balanced and after twelve chosen."""
    rng = np.random.default_rng([13, survey])
    world = make_world(turf_of(survey), FIRST, rng, border=bool(survey % 2))
    if world.count.sum() < 5:
        return {}
    threshold = split_truth(world, 0.75)
    balanced = draw_spread(world.turf.places, SECOND * world.turf.share, rng)
    rounds = {"no second round": world, "balanced": add_bags(world, balanced, rng)}
    rounds["balanced in doubtful ground"] = add_bags(world, spread_in_doubt(world, threshold, rng), rng)
    cells, foretold = choose(world, threshold, rng)
    rounds[CHOSEN] = add_bags(world, cells, rng)
    rounds[f"the first {FEW} of them"] = keep_bags(rounds[CHOSEN], FIRST + FEW)
    costs = {name: _cost(one, threshold) for name, one in rounds.items()}
    return {**costs, **dict(zip(FORETOLD, foretold, strict=True))}


def _cost(world: World, threshold: float) -> float:
    chance = ours(world).over(threshold)[len(world.count) :]
    return cost_of(world, chance > 1 / (1 + MISS_COST), threshold)


def main() -> None:
    """Run the surveys and write the table."""
    asked = ask(__doc__, in_samples(__file__), surveys=(40, 2))
    costs = pd.DataFrame([row for row in map(run_one, range(asked.surveys)) if row])
    lines = ["# What a second round of twelve points gains", "", *(__doc__ or "").splitlines()[2:4], ""]
    lines += ["| second round | cost | saved by it (± s.e.) |", "|---|---|---|"]
    for name in costs.columns.drop(list(FORETOLD)):
        saved = costs["no second round"] - costs[name]
        lines.append(f"| {name} | {costs[name].mean():.4f} | {saved.mean():+.4f} ± {saved.sem():.4f} |")
    for name in ("balanced", "balanced in doubtful ground"):
        extra = costs[name] - costs[CHOSEN]
        lines += ["", f"Chosen beside {name}: {extra.mean():+.4f} ± {extra.sem():.4f} saved, {len(costs)} surveys."]
    for said, name in FORETOLD.items():
        saved = costs["no second round"] - costs[name]
        lines += ["", f"Of {name}: {costs[said].mean():.4f} foretold, {saved.mean():.4f} ± {saved.sem():.4f} saved."]
    asked.publish("\n".join(lines))


if __name__ == "__main__":
    main()
