"""rehearse: Ground and what a survey is to be in, how often it would decide rightly out.

Every round a truth is drawn on the user's own ground, bags are pulled from it at the points of a real draw, and the
stages' own functions answer: kinds are held against the threshold (``estimate``), the map is fitted and judged
(``density``), and cells are treated by their chance and the costs (``treat``), at their strata's averages where the
map adds nothing. The truth being known, every answer is right or wrong.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geosample.counts import Counts
from geosample.density import DensityMap, MapSettings, exceedance
from geosample.density.mapping import choose_covariates, cut_target, ready_samples, start_field, target_surfaces
from geosample.design import draw_design
from geosample.errors import Problem, RehearsalError
from geosample.estimate.bags import gather_bags
from geosample.estimate.means import decide_groups, estimate_domains
from geosample.rehearsal.worlds import World, draw_totals, draw_truth, guess_worlds, true_density
from geosample.results import Result
from geosample.survey import shape_frame
from geosample.survey.findings import Findings
from geosample.treat.cells import adds_nothing, use_averages
from geosample.treat.model import MISS_COST, TreatSettings
from geosample.words import UNSTAGED

if TYPE_CHECKING:
    from geosample.counts import Counts as CountsType
    from geosample.density.mapping import Covariates, Samples
    from geosample.design import Design
    from geosample.estimate.bags import Catch
    from geosample.ground import Ground

POINTS = (30, 60, 120)
"""Numbers of points played when none are asked for (own choice)."""
ROUNDS = 200
DESIGNS = 8
"""Draws of points that the rounds of one number share (own choice: balanced draws differ little)."""
CLEAR = 1.5
"""A truth this many times above or below the threshold is clear: a decision is wanted there (own choice)."""
SURE = 0.8
"""A number of points decides where this share of rounds with a clear truth goes right (common practice, no source)."""
CELLS = 2500
"""Cells of a rehearsal's map, coarser than a plan's: found to decide alike (``tests/benchmarks/rehearse_cells.md``)."""
_FINEST_M = 1.0
_WAVES = 400
_FEW = 60
_VISIT = "2000-01-01"
_MOST_NUMBERS, _MOST_ROUNDS = 5, 10_000
_LEVEL = 0.90


@dataclass(frozen=True, slots=True, repr=False)
class Rehearsal(Result):
    """What numbers of points would tell.

    Parameters
    ----------
    worlds : tuple of World
        What was played, in equal shares of the rounds.
    plans : DataFrame
        A row a number of points, border weight and world (``all`` for all of them): rounds, hours, walk_m, right (share
        of kinds decided rightly), map_says and map_hints (shares of rounds in which the map was clearly, or at all,
        worth more than averages), needless_m2, left_hot_m2, hot_m2 (means), each with its Monte Carlo standard error
        in a column ending in ``_se``.
    kinds : DataFrame
        The same with a row a kind: bags, right, wrong, undecided (shares of rounds), clear (rounds whose true mean lies
        ``CLEAR`` times from the threshold, or farther), clear_right (share of these decided rightly), factor (median
        of the root of high over low of its 90 % interval).
    threshold_per_m2, miss_cost : float
        As asked.
    rounds, seed : int
        Of each number and weight.
    cell_m, area_m2 : float
        Side of the map's cells, m, and the ground played on, m².
    clear_times, sure : float
        The answer's rule: a truth so many times from the threshold is clear, and a number of points decides where this
        share of the rounds with a clear truth goes right.
    """

    worlds: tuple[World, ...]
    plans: pd.DataFrame
    kinds: pd.DataFrame
    threshold_per_m2: float
    miss_cost: float
    rounds: int
    seed: int
    cell_m: float
    area_m2: float
    clear_times: float = CLEAR
    sure: float = SURE

    def summary(self) -> dict[str, Any]:
        """Return the rehearsal's facts in plain types, units in the names."""
        alone = ("threshold_per_m2", "miss_cost", "rounds", "seed", "cell_m", "area_m2", "clear_times", "sure")
        return {
            **{name: getattr(self, name) for name in alone},
            "worlds": [
                {"name": one.name, **asdict(one.model), "kind_means_per_m2": dict(one.kind_means)}
                for one in self.worlds
            ],
            "plans": self.plans.to_dict("records"),
            "kinds": self.kinds.to_dict("records"),
        }


def rehearse(  # noqa: PLR0913 - plain keywords, each with a default
    ground: Ground,
    *,
    threshold_per_m2: float,
    points: Sequence[int] = POINTS,
    border_weights: Sequence[float] = (1.0,),
    worlds: Sequence[World] | None = None,
    rounds: int = ROUNDS,
    miss_cost: float = MISS_COST,
    cell_m: float | None = None,
    seed: int = 1,
    jobs: int | None = None,
    progress: Callable[[int, int], None] | None = None,
    **design: Any,
) -> Rehearsal:
    """Return how often each number of points would decide rightly, from surveys simulated on this ground.

    Parameters
    ----------
    ground : Ground
        The course.
    threshold_per_m2 : float
        Action threshold, insects per m².
    points : sequence of int
        One to five numbers of main points.
    border_weights : sequence of float
        Densities at the outer edge over that far inside, 1 to 4.
    worlds : sequence of World, optional
        What is played, in turn; ``guess_worlds`` when None.
    rounds : int
        Surveys of each number and weight.
    miss_cost : float
        What missing a hot place costs, in needless treatments of the same area.
    cell_m : float, optional
        Side of the map's cells, m; such that there are about 2,500 when None.
    seed : int
        Same seed, same answer, whatever the number of processes.
    jobs : int, optional
        Processes; when None one a core, or none beside this one where so few surveys are played that it would not pay.
    progress : callable, optional
        Takes the parts of the work done and all of them, each time one is done.
    **design
        Further arguments of ``draw_design``: surfaces, holes, border_m, method, plugs, pest, people and so on.

    Returns
    -------
    Rehearsal
        Its tables, and what was played.

    Raises
    ------
    RehearsalError
        With every number that can't be.
    DesignError
        When a design can't be drawn.

    Notes
    -----
    Round r has the same truth for every number and weight, so that they differ by their points and bags alone. The
    Monte Carlo error of a share is that of (x + 1) / (n + 2) (Agresti & Coull 1998, American Statistician 52:119-126,
    of the same idea), so that 0 and all have one too.
    """
    from joblib import Parallel, delayed

    _check(points, border_weights, rounds)
    settings = TreatSettings(threshold_per_m2, miss_cost=miss_cost)
    played = tuple(worlds or guess_worlds(threshold_per_m2))
    asked = {"visit": _VISIT, "reserve": 0.0, **design}
    draws = min(DESIGNS, rounds)
    tasks = [
        (number, weight, range(draw, rounds, draws))
        for number in points
        for weight in border_weights
        for draw in range(draws)
    ]
    one = _Asked(ground, played, settings, asked, cell_m, seed)
    rows: list[dict[str, Any]] = []
    jobs = jobs or (-1 if rounds * len(points) * len(border_weights) > _FEW else 1)
    work = Parallel(n_jobs=jobs, return_as="generator")(delayed(_play)(one, *task) for task in tasks)
    for done, found in enumerate(work, 1):
        rows += found
        if progress is not None:
            progress(done, len(tasks))
    table = pd.DataFrame(rows)
    first = rows[0]
    return Rehearsal(
        played, _sum_plans(table), _sum_kinds(table), threshold_per_m2, miss_cost, rounds, seed, first["cell_m"],
        first["area_m2"],
    )  # fmt: skip


def _check(points: Sequence[int], border_weights: Sequence[float], rounds: int) -> None:
    problems = []
    if not 1 <= len(set(points)) == len(points) <= _MOST_NUMBERS:
        found = ", ".join(map(str, points)) or "none"
        problems.append(Problem("points", found, f"1 to {_MOST_NUMBERS} different numbers", "write `points=30,60,120`"))
    if not border_weights:
        problems.append(Problem("border_weights", "none", "one or more", "write `border_weights=1,2.5`"))
    if not 1 <= rounds <= _MOST_ROUNDS:
        problems.append(Problem("rounds", str(rounds), f"1 to {_MOST_ROUNDS:,}", "200 is usual"))
    if problems:
        raise RehearsalError(problems)


@dataclass(frozen=True, slots=True)
class _Asked:
    """What all parts of the work share, as it goes to their processes."""

    ground: Ground
    worlds: tuple[World, ...]
    settings: TreatSettings
    design: Mapping[str, Any]
    cell_m: float | None
    seed: int


@dataclass(frozen=True, slots=True)
class _Stage:
    """One draw of points with all that its rounds share."""

    design: Design
    catch: Catch
    samples: Samples
    covariates: Covariates
    there: np.ndarray
    edge_there_m: np.ndarray
    cells: pd.DataFrame
    at_cells: np.ndarray
    edge_cells_m: np.ndarray
    cell_m: float


def _play(asked: _Asked, number: int, weight: float, rounds: Sequence[int]) -> list[dict[str, Any]]:
    """Return a row a round of one draw of points."""
    from threadpoolctl import threadpool_limits

    ground, settings = asked.ground, asked.settings
    drawn = draw_design(
        ground, **{**asked.design, "points": number, "border_weight": weight}, seed=asked.seed * 1000 + rounds[0]
    )
    stage = _set_up(drawn, ground, asked.cell_m)
    day = drawn.summary()["effort"]
    same = {
        "points": number, "border_weight": weight, "walk_m": day["walk_m"], "cell_m": stage.cell_m,
        "hours": day["minutes"] / 60, "area_m2": float(stage.cells["area_m2"].sum()),
    }  # fmt: skip
    worlds = [_scale(world, stage) for world in asked.worlds]
    rows = []
    with threadpool_limits(1, user_api="blas"):  # small matrices, many times
        for turn in rounds:
            world = worlds[turn % len(worlds)]
            truth = draw_truth(
                ground, np.random.default_rng([asked.seed, turn]), world.model, waves=_WAVES,
                lines=stage.covariates.lines,
            )  # fmt: skip
            rng = np.random.default_rng([asked.seed, turn, number, round(1000 * weight)])
            density = [
                true_density(truth, places[:, 0], places[:, 1], kinds, edge_m)
                for places, kinds, edge_m in (
                    (stage.samples.places, stage.samples.kind, stage.edge_there_m),
                    (stage.cells[["easting", "northing"]].to_numpy(), stage.cells["kind"], stage.edge_cells_m),
                )
            ]
            count = draw_totals(density[0] * drawn.visit.point_m2, world.model.k, rng)
            rows.append({**same, "world": world.name, **judge_round(stage, count, density[1], settings)})
    return rows


def _set_up(design: Design, ground: Ground, cell_m: float | None) -> _Stage:
    counts = empty_counts(design)
    settings = MapSettings()
    samples = ready_samples(counts.to_geodataframe().assign(count=0), ground, settings)
    surfaces = target_surfaces(ground, samples, design)
    cell_m = cell_m or max(_FINEST_M, math.sqrt(float(surfaces.area.sum()) / CELLS))
    cells = cut_target(surfaces, cell_m)
    covariates = choose_covariates(ground, samples.kind, settings)
    there, edge_there_m = covariates.measure(samples.places, samples.kind)
    places = cells[["easting", "northing"]].to_numpy(float)
    at_cells, edge_cells_m = covariates.measure(places, cells["kind"].to_numpy())
    catch = gather_bags(counts, design)
    return _Stage(design, catch, samples, covariates, there, edge_there_m, cells, at_cells, edge_cells_m, cell_m)


def empty_counts(design: Design) -> CountsType:
    """Return counts of the main points with nothing found in any."""
    import geopandas as gpd

    points, visit = design.main, design.visit
    same = {"visit": visit.visit, "method": "brine", "plugs": visit.units_per_point, "sampled_m2": visit.point_m2}
    samples = gpd.GeoDataFrame(
        {"sample_id": points["point_id"], "point_id": points["point_id"], "weight_m2": points["weight_m2"]},
        geometry=points.geometry,
        crs=points.crs,
    ).assign(**same, status="counted", moved=False)
    rows = pd.DataFrame({"sample_id": points["point_id"], "stage": UNSTAGED, "count": 0})
    counts = rows.assign(visit=visit.visit, pest=visit.pest)
    return Counts(visit.visit, shape_frame("samples", samples), counts, pest=visit.pest)


def _scale(world: World, stage: _Stage) -> World:
    """Return the world with the kinds' factors that give its means on this ground, its border effect counted in."""
    border = world.model.border(stage.edge_cells_m)
    area, kinds = stage.cells["area_m2"].to_numpy(), stage.cells["kind"].to_numpy()
    mean = world.model.mean_per_m2
    factors = {}
    for kind in np.unique(kinds):
        mine = kinds == kind if kind in world.kind_means else np.ones(len(kinds), dtype=bool)
        usual = world.kind_means.get(str(kind), mean) / mean
        factors[str(kind)] = usual / float(np.average(border[mine], weights=area[mine]))
    return replace(world, model=replace(world.model, kind_factors=factors))


def judge_round(stage: _Stage, count: np.ndarray, truth: np.ndarray, settings: TreatSettings) -> dict[str, Any]:
    """Return what one round's counts say of the kinds and the ground, held against the truth of the cells."""
    threshold, area = settings.threshold_per_m2, stage.cells["area_m2"].to_numpy()
    placed = pd.Series(count, index=stage.design.main["point_id"].to_numpy())
    bags = stage.catch.bags
    catch = replace(stage.catch, bags=bags.assign(count=placed.loc[bags["point_id"]].to_numpy(float)))
    total = pd.Series(truth * area).groupby(stage.cells["kind"].to_numpy()).sum()
    means = total / pd.Series(area).groupby(stage.cells["kind"].to_numpy()).sum()
    told = {}
    for one in decide_groups(catch, threshold, level=_LEVEL):
        side = "above" if means[one.label] > threshold else "below"
        right = "undecided" if one.verdict == "undecided" else "right" if one.verdict == side else "wrong"
        low, high = one.interval.low, one.interval.high
        clear = abs(math.log(means[one.label] / threshold)) >= math.log(CLEAR)
        told[one.label] = (one.n, right, clear, math.sqrt(high / low) if low > 0 else math.inf)
    field = map_round(stage, catch, count)
    treated, hot = exceedance(field, threshold) > settings.cutoff, truth > threshold
    return {
        "kinds": told,
        "map": field.fitted["map_worth"]["answer"],
        "needless_m2": float(area[treated & ~hot].sum()),
        "left_hot_m2": float(area[~treated & hot].sum()),
        "hot_m2": float(area[hot].sum()),
    }


def map_round(stage: _Stage, catch: Catch, count: np.ndarray) -> DensityMap:
    """Return the map of one round's counts, with its strata's averages where it adds nothing to them."""
    from geosample.density.worth import judge_worth

    settings, samples, visit = stage.covariates.settings, stage.samples, stage.design.visit
    few = count.sum() < settings.fewest_insects
    cells: pd.DataFrame = stage.cells.assign(log_mean=0.0, log_sd=1.0, expected_per_m2=0.0)
    cells = cells.assign(low_per_m2=0.0, high_per_m2=np.inf, known=False)
    worth: dict[str, Any] = {"answer": "no"}
    if not few:
        field = start_field(stage.covariates)
        field.fit(samples.places, count, exposure=samples.effort_m2, covariates=stage.there[:, 1:])
        latent = field.predict_latent(cells[["easting", "northing"]].to_numpy(float), stage.at_cells[:, 1:])
        cells = cells.assign(**settings.give_density(latent))
        worth = judge_worth(field, block_m=None).as_dict()
    whose = Findings(visit.visit, visit.pest, ())
    found = DensityMap(
        visit.visit, visit.pest, stage.cell_m, cells, settings, {"map_worth": worth}, whose, stage.design.crs
    )
    if not adds_nothing(found):
        return found
    return use_averages(found, estimate_domains(catch, ("stratum",)), stage.design.strata)


def _share(hits: pd.Series) -> tuple[float, float]:
    """Return a share and its Monte Carlo error."""
    number = len(hits)
    fair = (float(hits.sum()) + 1) / (number + 2)
    return float(hits.mean()), math.sqrt(fair * (1 - fair) / number)


def _by_world(table: pd.DataFrame) -> Iterator[tuple[dict[str, Any], pd.DataFrame]]:
    """Yield the rounds of every number and weight, all together and world by world."""
    for (points, weight), mine in table.groupby(["points", "border_weight"], sort=False):
        named = {"points": points, "border_weight": weight}
        yield {**named, "world": "all"}, mine
        if mine["world"].nunique() > 1:
            for world, part in mine.groupby("world", sort=False):
                yield {**named, "world": world}, part


def _sum_plans(table: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for named, mine in _by_world(table):
        row: dict[str, Any] = {**named, "rounds": len(mine)}
        row |= {name: float(mine[name].mean()) for name in ("hours", "walk_m")}
        kinds = mine["kinds"].map(lambda told: float(np.mean([right == "right" for _, right, *_ in told.values()])))
        row |= {"right": float(kinds.mean()), "right_se": float(kinds.std(ddof=1) / math.sqrt(len(kinds)))}
        for name, answers in (("map_says", ("yes",)), ("map_hints", ("yes", "a little"))):
            row[name], row[f"{name}_se"] = _share(mine["map"].isin(answers))
        for name in ("needless_m2", "left_hot_m2", "hot_m2"):
            row |= {name: float(mine[name].mean()), f"{name}_se": float(mine[name].std() / math.sqrt(len(mine)))}
        rows.append(row)
    return pd.DataFrame(rows)


def _sum_kinds(table: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for named, mine in _by_world(table):
        for kind in dict.fromkeys(kind for told in mine["kinds"] for kind in told):
            told = [one[kind] for one in mine["kinds"] if kind in one]
            row: dict[str, Any] = {**named, "kind": kind, "bags": float(np.mean([n for n, *_ in told]))}
            for name in ("right", "wrong", "undecided"):
                row[name], row[f"{name}_se"] = _share(pd.Series([right == name for _, right, *_ in told]))
            sure = pd.Series([right == "right" for _, right, clear, _ in told if clear], dtype=bool)
            row["clear"] = len(sure)
            row["clear_right"], row["clear_right_se"] = _share(sure) if len(sure) else (math.nan, math.nan)
            rows.append({**row, "factor": float(np.median([factor for *_, factor in told]))})
    return pd.DataFrame(rows)
