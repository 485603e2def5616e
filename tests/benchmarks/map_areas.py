"""How often the intervals of areas, means and shares of all insects, hold the truth; writes sample_maps/map_areas.md.

Worlds as in map_quality.py, half with a border effect. Areas: all the turf, the border (15 ft), the greens, the western
half. The draws are of the joint posterior, widened as the program does; other widenings are shown beside it.
Run: python tests/benchmarks/map_areas.py --surveys 200 --workers 2 --write
"""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import pandas as pd
from bench import ask, in_samples
from map_peers import BORDER_M, SETTINGS, fit_ours
from map_worlds import World, make_world, turf_of

from geosample.density.laplace import predict_jointly
from geosample.distributions import normal_reach

WIDENINGS = (SETTINGS.widen, SETTINGS.widen_interval)
EDGE = "density at the edge over far inside"
DRAWS, LEVEL = 600, 0.9


def areas_of(world: World) -> dict[str, np.ndarray]:
    """Return the areas as shares of the turf, by name."""
    turf = world.turf
    west = turf.places[:, 0] < np.median(turf.places[:, 0])
    parts = {
        "all": np.ones(len(west), bool),
        "border": turf.edge_m <= BORDER_M,
        "greens": turf.kind == "green",
        "west": west,
    }
    return {name: turf.share * part for name, part in parts.items() if part.sum() > 2}


def run_one(task: tuple[int, int, bool]) -> list[dict[str, float | str]]:
    """Return whether each interval held the truth, for one survey."""
    number, survey, border = task
    rng = np.random.default_rng([17, number, survey, int(border)])
    world = make_world(turf_of(survey), number, rng, border=border)
    if world.count.sum() < 5:
        return []
    fitted, basis, level = fit_ours(world)
    mean, covariance = predict_jointly(fitted.patchy, world.turf.places, basis[number:])
    root = np.linalg.cholesky(covariance + 1e-6 * np.eye(len(mean)))
    around = root @ rng.standard_normal((len(mean), DRAWS))
    rows: list[dict[str, float | str]] = []
    effect, doubt = (SETTINGS.edge_sd * value for value in fitted.fits[0].effect(1))
    for widen in WIDENINGS:
        held = abs(effect - world.shape.effect) <= normal_reach(LEVEL) * widen * doubt
        same = {"bags": number, "widen": widen, "border": border, "chance": fitted.chance_of(1)}
        rows.append({**same, "what": EDGE, "held": float(held)})
        draws = np.exp(mean[:, None] + level + widen * around)
        everything, true = world.turf.share @ draws, world.turf.share @ world.truth
        for name, share in areas_of(world).items():
            asked = {f"mean of {name}": (share @ draws / share.sum(), share @ world.truth / share.sum())}
            if name != "all":
                asked[f"share in {name}"] = (share @ draws / everything, share @ world.truth / true)
            for what, (drawn, truth) in asked.items():
                low, high = np.quantile(drawn, [0.5 - LEVEL / 2, 0.5 + LEVEL / 2])
                rows.append({**same, "what": what, "held": float(low <= truth <= high)})
    return rows


def tabulate(rows: pd.DataFrame) -> Iterable[str]:
    """Yield the lines of the table: a row an area and number of bags, a column a widening."""
    yield f"| bags | interval of | surveys | {' | '.join(f'{widen:g}' for widen in WIDENINGS)} |"
    yield f"|{'---|' * (3 + len(WIDENINGS))}"
    for (bags, what), group in rows.groupby(["bags", "what"]):
        held = group.groupby("widen")["held"]
        shown = " | ".join(f"{held.mean()[widen]:.3f}" for widen in WIDENINGS)
        yield f"| {bags} | {what} | {held.size().iloc[0]} | {shown} |"


def tell_edge(rows: pd.DataFrame) -> Iterable[str]:
    """Yield how often there was an edge effect, by the chance that the map gave it; half of the worlds have one."""
    once = rows[(rows["what"] == EDGE) & (rows["widen"] == WIDENINGS[0])]
    yield "| bags | chance of an edge effect said | surveys | said | there was one (± s.e.) |"
    yield "|---|---|---|---|---|"
    for (bags, part), group in once.groupby(["bags", pd.cut(once["chance"], [0, 0.25, 0.5, 0.75, 1])], observed=True):
        true = group["border"].astype(float)
        yield (
            f"| {bags} | {part.left:g} to {part.right:g} | {len(group)} | {group['chance'].mean():.3f} | "
            f"{true.mean():.3f} ± {true.sem():.3f} |"
        )


def main() -> None:
    """Run the surveys and write the table."""
    asked = ask(__doc__, in_samples(__file__), surveys=(40, 1), workers=(1, 1))
    tasks = [
        (bags, survey, border)
        for bags in ((30,) if asked.smallest else (30, 60, 120))
        for border in (True, False)
        for survey in range(asked.surveys)
    ]
    with ProcessPoolExecutor(asked.workers) as pool:
        rows = pd.DataFrame([row for found in pool.map(run_one, tasks, chunksize=5) for row in found])
    each = rows.groupby(["bags", "what", "widen"]).size().min()
    lines = ["# How often the intervals of areas hold the truth", "", *(__doc__ or "").splitlines()[2:5], ""]
    lines += [f"90 % intervals; the standard error of a share near 0.9 is at most {np.sqrt(0.09 / each):.3f}.", ""]
    lines += [
        f"The program takes {SETTINGS.widen_interval:g} for areas and shares, {SETTINGS.widen:g} for the edge's.",
        "",
        *tabulate(rows),
        "",
        *tell_edge(rows),
    ]
    asked.publish("\n".join(lines))


if __name__ == "__main__":
    main()
