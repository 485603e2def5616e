"""What the plan costs and whether the map's chances hold, beside its peers; writes sample_maps/map_quality.md.

Run: python tests/benchmarks/map_quality.py --surveys 300 --deciding 500 --workers 2 --write
Five kinds of world (map_worlds.py) on the holes of a real course; the mean density is drawn log-uniformly from an
eighth of the threshold to eight times it. Every peer is fitted as well as it can be (map_peers.py).
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import pandas as pd
from bench import ask, in_samples
from map_peers import PEERS, Answer, everything, nothing, oracle, ours
from map_worlds import KINDS, World, make_world, turf_of

from geosample.ground import draw_squares
from geosample.treat.model import TreatSettings
from geosample.treat.zoning import OpenGround, draw_surface

PLAN, OURS, NO_EDGE, ORACLE = "the plan's zones", "our cells", "our cells, no edge term", "oracle"
REST = {"leave all": nothing, "treat all": everything}
THRESHOLD, MISS_COST, LEVELS = 1.5, 3.0, 8.0
DECIDING = 60
"""Bags at which the plan is held against its peers."""
SEED, PILOT_SEED, PILOT = 21, 8, 60
TENTHS, LEAST_SURE, FEWEST_INSECTS = 10, 0.02, 5


def cost_of(world: World, treated: np.ndarray, threshold: float = THRESHOLD) -> float:
    """Return the cost as a share of the area: 3 for what is hot and left, 1 for what is treated needlessly."""
    hot, share = world.truth > threshold, world.turf.share
    return float(share @ (MISS_COST * hot * (1 - treated) + ~hot * treated))


def draw_plan(world: World, answer: Answer, chance: np.ndarray) -> np.ndarray:
    """Return the share of each cell inside the zones that the program draws."""
    turf, settings = world.turf, TreatSettings(THRESHOLD, miss_cost=MISS_COST)
    known = np.ones(len(chance), dtype=bool) if answer.known is None else answer.known[len(world.count) :]
    side_m = float(turf.cells["area_m2"].max() ** 0.5)
    squares = draw_squares(turf.cells["column"], turf.cells["row"], side_m)
    cells = turf.cells.assign(probability=chance, known=known).set_geometry(squares, crs=turf.cells.crs)
    treated = np.zeros(len(cells))
    for row in turf.surfaces.itertuples():
        mine = (cells["surface_id"] == row.surface_id).to_numpy()
        whole = OpenGround(row.surface_id, None, row.kind, row.geometry, row.geometry, row.geometry)
        treated[mine] = draw_surface(whole, cells[mine], side_m, settings).cells["treated"]
    return treated


def tell_tenths(said: np.ndarray, hot: np.ndarray, weight: np.ndarray, name: str) -> dict[str, float]:
    """Return weight, chance said and truth by tenth of the chance said."""
    tenth = np.minimum((said * TENTHS).astype(int), TENTHS - 1)
    return {
        f"{name} {what} {number}": value
        for what, values in (("weight", weight), ("said", weight * said), ("true", weight * hot))
        for number, value in enumerate(np.bincount(tenth, values, TENTHS))
    }


def run_one(task: tuple[int, int, int, str]) -> list[dict[str, float | str]]:
    """Return a row a method for one survey."""
    seed, number, survey, kind = task
    rng = np.random.default_rng([seed, number, survey, list(KINDS).index(kind)])
    world = make_world(turf_of(survey), number, rng, what=kind, levels=(THRESHOLD / LEVELS, THRESHOLD * LEVELS))
    if world.count.sum() < FEWEST_INSECTS:
        return []
    share, hot = world.turf.share, world.truth > THRESHOLD
    own = {OURS: ours, NO_EDGE: lambda world: ours(world, edge=False), ORACLE: oracle} if seed != PILOT_SEED else {}
    same = {"bags": number, "survey": survey, "kind": kind, "level": world.mean, "edge": world.shape.effect > 0}
    rows: list[dict[str, float | str]] = []
    for name, method in {**own, **PEERS, **REST}.items():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore" if name in PEERS else "error")
            answer = method(world)
        chance = answer.over(THRESHOLD)
        here, cells = chance[:number], chance[number:]
        row: dict[str, float | str] = {**same, "method": name, "cost": cost_of(world, cells > 1 / (1 + MISS_COST)),
               "said": float(share @ cells), "true": float(share @ hot)}  # fmt: skip
        if name == OURS:
            row["held"] = float(share @ answer.of(slice(number, None)).holds(world.truth))
            row |= tell_tenths(cells, hot, share, "area") | tell_tenths(
                here, world.here > THRESHOLD, np.full(number, 1 / number), "plugs"
            )
            if number == DECIDING:
                rows.append({**same, "method": PLAN, "cost": cost_of(world, draw_plan(world, answer, cells))})
        rows.append(row)
    return rows


def best_peer(rows: pd.DataFrame) -> str:
    """Return the peer whose cell rule costs least."""
    return str(rows[rows["method"].isin(PEERS)].groupby("method")["cost"].mean().idxmin())


def third(level: pd.Series) -> pd.Series:
    """Return which third of the levels each is in."""
    ends = THRESHOLD * LEVELS ** np.array([-1, -1 / 3, 1 / 3, 1])
    return pd.cut(level, ends, labels=["T/8 to T/2", "T/2 to 2T", "2T to 8T"], include_lowest=True)


def compare(rows: pd.DataFrame, pilot: pd.DataFrame, by: str) -> Iterable[str]:
    """Yield what the plan costs, by kind of world or level, beside our cells and the peers, with paired errors."""
    names = [PLAN, OURS, *PEERS, *REST, ORACLE]
    yield f"| {by} | surveys | {' | '.join(names)} | best peer on other seeds | plan less it (± s.e.) |"
    yield f"|{'---|' * (len(names) + 4)}"
    groups = [("all", rows, pilot), ("own family", rows[rows["kind"] == "own"], pilot[pilot["kind"] == "own"])]
    groups = groups[: 2 if by == "world" else 1]
    column = rows["kind"] if by == "world" else third(rows["level"])
    other = pilot["kind"] if by == "world" else third(pilot["level"])
    groups += [(name, rows[column == name], pilot[other == name]) for name in pd.unique(column.dropna())]
    for name, group, before in groups:
        if group.empty or before.empty or (by == "world" and name == "own"):
            continue
        wide = group.pivot(index=["kind", "survey"], columns="method", values="cost")
        best = best_peer(before)
        extra = wide[PLAN] - wide[best]
        shown = " | ".join(f"{wide[one].mean():.3f}" for one in names)
        yield f"| {name} | {len(wide)} | {shown} | {best} | {extra.mean():+.4f} ± {extra.sem():.4f} |"


def tell_edge(rows: pd.DataFrame) -> Iterable[str]:
    """Yield what the edge term costs where there is no edge effect, and saves where there is one."""
    yield "| bags | edge effect in truth | surveys | cost | without the edge term | more, % (± s.e.) |"
    yield "|---|---|---|---|---|---|"
    some = rows[rows["method"].isin([OURS, NO_EDGE])].assign(hot=rows["edge"] | (rows["kind"] == "hot edges"))
    for (bags, hot), group in some.groupby(["bags", "hot"]):
        wide = group.pivot(index=["kind", "survey"], columns="method", values="cost")
        extra, base = wide[OURS] - wide[NO_EDGE], wide[NO_EDGE].mean()
        yield (
            f"| {bags} | {'yes' if hot else 'no'} | {len(wide)} | {wide[OURS].mean():.4f} | {base:.4f} | "
            f"{100 * extra.mean() / base:+.1f} ± {100 * extra.sem() / base:.1f} |"
        )


def tell_reliability(rows: pd.DataFrame) -> Iterable[str]:
    """Yield said against true by tenths of the chance, over all worlds; s.e. from survey to survey."""
    yield f"| bags | where | what | {' | '.join(f'{n / 10:.1f}-{(n + 1) / 10:.1f}' for n in range(TENTHS))} |"
    yield f"|{'---|' * (TENTHS + 3)}"
    for bags, group in rows[rows["method"] == OURS].groupby("bags"):
        for where in ("area", "plugs"):
            weight, said, true = (
                group[[f"{where} {what} {n}" for n in range(TENTHS)]].to_numpy() for what in ("weight", "said", "true")
            )
            total = np.maximum(weight.sum(axis=0), 1e-12)
            rate = true.sum(axis=0) / total
            error = np.sqrt(((true - rate * weight) ** 2).sum(axis=0)) / total
            for what, values in (("said", said.sum(axis=0) / total), ("true", rate), ("s.e.", error)):
                yield f"| {bags} | {where} | {what} | {' | '.join(f'{value:.3f}' for value in values)} |"


def tell_worlds(rows: pd.DataFrame) -> Iterable[str]:
    """Yield the hot share said and true, and how often the 90 % interval of a cell holds, by world and by level."""
    yield "| bags | worlds | surveys | hot share said | true | said - true (± s.e.) | 90 % interval holds |"
    yield "|---|---|---|---|---|---|---|"
    own = rows[rows["method"] == OURS]
    for bags, group in own.groupby("bags"):
        parts = [("all", group), *group.groupby("kind"), *group.groupby(third(group["level"]), observed=True)]
        for name, part in parts:
            off = part["said"] - part["true"]
            yield (
                f"| {bags} | {name} | {len(part)} | {part['said'].mean():.3f} | {part['true'].mean():.3f} | "
                f"{off.mean():+.3f} ± {off.sem():.3f} | {part['held'].mean():.3f} |"
            )


def report(rows: pd.DataFrame, pilot: pd.DataFrame) -> str:
    """Return the whole text."""
    deciding, kinds = rows[rows["bags"] == DECIDING], ", ".join(KINDS)
    return "\n".join([
        "# What the plan costs, and whether the map's chances hold, on simulated larvae", "",
        *(__doc__ or "").splitlines()[3:5], "",
        f"Kinds of world: {kinds}. Threshold {THRESHOLD:g} insects a bag. Cost, as a share of the area:",
        f"{MISS_COST:g} where hot ground is left, 1 where other ground is treated; each method treats where its own",
        "chance of being hot passes 1/4, the plan by its zones. Differences are paired by survey. The best peer was",
        "chosen on other seeds.", "",
        f"## Cost at {DECIDING} bags, by kind of world", "", *compare(deciding, pilot, "world"), "",
        "## The same by level (mean density, T the threshold)", "", *compare(deciding, pilot, "level"), "",
        "## What the edge term costs", "", *tell_edge(rows), "",
        "## Said against true", "",
        "Chance said and share truly above the threshold, by tenths of the chance, all worlds together.", "",
        *tell_reliability(rows), "", "## By kind of world and by level", "", *tell_worlds(rows),
    ])  # fmt: skip


def main() -> None:
    """Run the surveys and write the table."""
    asked = ask(__doc__, in_samples(__file__), surveys=(60, 2), deciding=(60, 2), pilot=(PILOT, 2), workers=(1, 1))
    numbers = {DECIDING: asked.deciding} if asked.smallest else {DECIDING: asked.deciding, 30: asked.surveys,
                                                               120: asked.surveys}  # fmt: skip
    tasks = [
        (SEED, number, survey, kind) for number, surveys in numbers.items() for survey in range(surveys)
        for kind in KINDS
    ]  # fmt: skip
    before = [(PILOT_SEED, DECIDING, survey, kind) for survey in range(asked.pilot) for kind in KINDS]
    start = time.monotonic()
    with ProcessPoolExecutor(asked.workers) as pool:
        rows, pilot = (
            pd.DataFrame([row for found in pool.map(run_one, some, chunksize=5) for row in found])
            for some in (tasks, before)
        )
    asked.publish(report(rows, pilot))
    print(f"{time.monotonic() - start:.0f} s")


if __name__ == "__main__":
    main()
