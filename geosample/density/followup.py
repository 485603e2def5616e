"""A second round of plugs, where it would most improve the decision: not where least is known, but where it matters.

A place is worth its plug when the counts there are likely to turn a decision nearby: treat or leave. Each next place is
the one that most lowers the expected cost over all the ground, the places already chosen being reckoned with.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import islice
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import shapely
from scipy.special import ndtr, ndtri

from geosample.density.laplace import predict_jointly
from geosample.density.mapping import cut_target
from geosample.density.model import DensityMap
from geosample.density.places import covariates_of, mapped_surfaces, restore_field
from geosample.design import Design, design_code, find_name_problems, label_points, open_ways, order_walk
from geosample.design.howmany import hours_for
from geosample.errors import DensityError, Problem
from geosample.ground import edge_lines, measure_edge
from geosample.survey.layers import shape_frame
from geosample.words import hole_key

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from geosample.ground import Ground

CELLS, CANDIDATES = 1200, 400
"""How much of the map is weighed, and how many places are tried: more changed no choice that was looked at (own
choice)."""
MOST_POINTS = 60
"""More is a design, not a second look (own choice)."""
MOST_LOOKS = 12
"""Plugs added at most when weighing whether to look again (own choice). What they save is foretold too high, by a
seventh for 12 and by more for 3 (simulated, ``sample_maps/map_followup.md``)."""
MOST_MISS_COST = 1000.0
"""A mistake a thousand times as dear as the other leaves nothing to decide (own choice)."""
_STEPS = ndtri((np.arange(24) + 0.5) / 24)


@dataclass(frozen=True, slots=True)
class Prospect:
    """What is thought of working cells before a second round.

    Parameters
    ----------
    mean, covariance : ndarray, shapes (m,) and (m, m)
        Of the log density over the threshold.
    share : ndarray, shape (m,)
        Of the area.
    noise : ndarray, shape (m,)
        Variance a bag's count there would have as a reading of the log density: 1/expected + 1/k.
    """

    mean: np.ndarray
    covariance: np.ndarray
    share: np.ndarray
    noise: np.ndarray


def expect_cost(mean: np.ndarray, before: np.ndarray, after: np.ndarray, miss_cost: float) -> np.ndarray:
    """Return the cost to expect of the best decision once the variance has fallen from before to after.

    Parameters
    ----------
    mean : ndarray
        Of the log density over the threshold, now.
    before, after : ndarray
        Its variance now and then; the mean will move by the difference.
    miss_cost : float
        Cost of leaving a place above the threshold; treating one below costs 1.

    Examples
    --------
    >>> now, sure = (float(expect_cost(np.array(-0.5), np.array(1.0), np.array(v), 3.0)) for v in (1.0, 1e-9))
    >>> round(now, 2), round(sure, 2)
    (0.69, 0.0)
    """
    moved = mean[..., None] + np.sqrt(np.maximum(before - after, 0.0))[..., None] * _STEPS
    over = ndtr(moved / np.sqrt(np.maximum(after, 1e-12))[..., None])
    return np.asarray(np.minimum(1 - over, miss_cost * over).mean(axis=-1))


@dataclass(frozen=True, slots=True)
class Looks:
    """What more plugs are expected to save before anything is treated.

    Parameters
    ----------
    points : int
        How many are each worth more than the price.
    saved_m2 : float
        What they are foretold to save together, m² of needless treatment, likely a little too much; where there is
        none, what the best single plug would.
    price_m2 : float
        The user's price of a plug, m².
    hours : float
        To pull and extract them.
    or_more : bool
        Whether a plug beyond ``MOST_LOOKS`` may be worth its price, too.
    """

    points: int
    saved_m2: float
    price_m2: float
    hours: float
    or_more: bool


def weigh_looks(
    density_map: DensityMap,
    ground: Ground,
    design: Design,
    *,
    threshold_per_m2: float,
    price_m2: float,
    miss_cost: float = 3.0,
) -> Looks:
    """Return how many more plugs are worth their price before the treatment, and what they save.

    Parameters
    ----------
    density_map, ground, design, threshold_per_m2, miss_cost
        As for ``draw_followup``.
    price_m2 : float
        What a plug may cost, as m² of needless treatment; more than 0.

    Raises
    ------
    DensityError
        When the map is only a bound, or a number is out of its range.

    Notes
    -----
    Preposterior analysis with the fitted field (Raiffa & Schlaifer 1961, Applied Statistical Decision Theory): plugs
    are added one by one, each at the best place, while the next one saves more than its price.
    """
    if not price_m2 > 0:
        raise DensityError(
            Problem("price_m2", f"{price_m2:g} m²", "more than 0", "give what a plug is worth, as 500ft2")
        )
    prospect, cells = look_ahead(density_map, ground, threshold_per_m2, design.visit.point_m2)
    total_m2, saved_m2, points = float(cells["area_m2"].sum()), 0.0, 0
    now = _cost_now(prospect, miss_cost)
    for _, cost in islice(_choose_places(prospect, _find_candidates(cells), miss_cost), MOST_LOOKS):
        gain_m2, now = (now - cost) * total_m2, cost
        if gain_m2 <= price_m2:
            saved_m2 = saved_m2 or gain_m2
            break
        points, saved_m2 = points + 1, saved_m2 + gain_m2
    hours = hours_for(points, design.visit.bench) if points else 0.0
    return Looks(points, saved_m2, price_m2, hours, points == MOST_LOOKS)


def _find_candidates(cells: pd.DataFrame) -> np.ndarray:
    """Return working cells a bag may be pulled in: a sliver's middle is no place, it may lie on the line itself."""
    area_m2 = cells["area_m2"].to_numpy(float)
    whole = np.flatnonzero(area_m2 >= area_m2.max() / 2)
    return np.sort(np.random.default_rng(0).permutation(whole)[:CANDIDATES])


def _cost_now(prospect: Prospect, miss_cost: float) -> float:
    before = np.diag(prospect.covariance)
    return float(prospect.share @ expect_cost(prospect.mean, before, before, miss_cost))


def _choose_places(prospect: Prospect, candidates: np.ndarray, miss_cost: float) -> Iterator[tuple[int, float]]:
    """Yield candidates in the order of their worth, each with the cost to expect once it and those before are read."""
    before = np.diag(prospect.covariance).copy()
    covariance, free = prospect.covariance.copy(), list(candidates)
    while free:
        gain = covariance[free] ** 2 / (covariance[free, free] + prospect.noise[free])[:, None]
        after = np.diag(covariance) - gain
        costs = np.array([prospect.share @ expect_cost(prospect.mean, before, row, miss_cost) for row in after])
        best = free.pop(int(np.argmin(costs)))
        yield best, float(costs.min())
        column = covariance[:, best]
        covariance -= np.outer(column, column) / (covariance[best, best] + prospect.noise[best])


def pick_places(prospect: Prospect, candidates: np.ndarray, points: int, miss_cost: float) -> tuple[np.ndarray, float]:
    """Return the candidates to sample, in order of their worth, and the share of the expected cost they save.

    Parameters
    ----------
    prospect : Prospect
        What is thought now.
    candidates : ndarray of int
        Working cells a bag may be pulled in.
    points : int
        How many, no more than there are candidates.
    miss_cost : float
        As in ``expect_cost``.
    """
    first = _cost_now(prospect, miss_cost)
    chosen = list(islice(_choose_places(prospect, candidates, miss_cost), points))
    saved = 1 - chosen[-1][1] / first if chosen and first > 0 else 0.0
    return np.array([place for place, _ in chosen], dtype=int), saved


def look_ahead(
    density_map: DensityMap, ground: Ground, threshold_per_m2: float, point_m2: float
) -> tuple[Prospect, pd.DataFrame]:
    """Return what is thought of the mapped ground, and its working cells (surface_id, kind, easting, northing).

    Raises
    ------
    DensityError
        When the map is only a bound, or the threshold is 0.
    """
    if not threshold_per_m2 > 0:
        raise DensityError(
            Problem("threshold_per_m2", f"{threshold_per_m2:g}", "a density above 0", "give one, as 30/ft2")
        )
    fitted, covariates = restore_field(density_map), covariates_of(density_map, ground)
    mapped = mapped_surfaces(density_map, ground)
    cells = cut_target(mapped, float(np.sqrt(mapped.area.sum() / CELLS)))
    places = cells[["easting", "northing"]].to_numpy(float)
    basis = covariates.basis(places, cells["kind"].to_numpy())
    mean, covariance = predict_jointly(fitted, places, basis)
    rate = density_map.fitted["rate_per_m2"]
    noise = 1 / (np.exp(mean) * rate * point_m2) + 1 / fitted.lead.hyper.k
    share = cells["area_m2"].to_numpy(float) / cells["area_m2"].sum()
    over = mean + np.log(rate / threshold_per_m2)
    return Prospect(over, covariance * covariates.settings.widen**2, share, noise), cells


def draw_followup(  # noqa: PLR0913 - what a user may say in plain words
    density_map: DensityMap,
    ground: Ground,
    design: Design,
    *,
    visit: str,
    points: int = 12,
    threshold_per_m2: float | None = None,
    miss_cost: float = 3.0,
) -> tuple[Design, float]:
    """Return a second round of points as a design of its own, and the share of the decision's cost it should save.

    Parameters
    ----------
    density_map : DensityMap
        The first round's map.
    ground : Ground
        Surfaces and obstacles.
    design : Design
        The first round's, whose pest, unit and target it keeps.
    visit : str
        The new visit's date, and its name.
    points : int
        How many, up to 60.
    threshold_per_m2 : float, optional
        What is decided about, insects per m²; the map's own when None.
    miss_cost : float
        Cost of missing a place above the threshold when treating one below costs 1.

    Raises
    ------
    DensityError
        When there is no threshold, a number is out of its range, or the visit is the first one's.

    Notes
    -----
    The points are chosen, not drawn: they have no inclusion density, so they sharpen the map and enter no mean.
    """
    asked = {"visit": visit, "points": points, "miss_cost": miss_cost}
    threshold = threshold_per_m2 or density_map.settings.threshold_per_m2
    per_m2 = _check_followup(design, threshold, visit=visit, points=points, miss_cost=miss_cost)
    prospect, cells = look_ahead(density_map, ground, per_m2, design.visit.point_m2)
    chosen, saved = pick_places(prospect, _find_candidates(cells), points, miss_cost)
    table = cells.iloc[chosen].reset_index(drop=True)
    settings = {**asked, "threshold_per_m2": per_m2, "follows": design.visit.visit, "cost_saved": saved}
    if design.visit.simulated:
        settings["simulated"] = design.visit.simulated
    return _make_design(table, ground, design, visit, settings), saved


def _check_followup(
    design: Design, threshold_per_m2: float | None, *, visit: str, points: int, miss_cost: float
) -> float:
    problems = list(find_name_problems(visit, is_its_date=True))
    if not problems and visit <= design.visit.date:
        found = f"{visit}, and the first round is of {design.visit.date}"
        problems.append(Problem("visit", found, "a later date", "give the new round's"))
    if not 1 <= points <= MOST_POINTS:
        problems.append(Problem("points", str(points), f"1 to {MOST_POINTS}", "12 is usual"))
    if not 1 / MOST_MISS_COST <= miss_cost <= MOST_MISS_COST:
        expected = f"a number from {1 / MOST_MISS_COST:g} to {MOST_MISS_COST:,.0f}"
        problems.append(Problem("miss_cost", f"{miss_cost:g}", expected, "3 is usual"))
    if threshold_per_m2 is None:
        problems.append(Problem("threshold_per_m2", "none", "a density", "give one, such as 30/ft2"))
    if problems or threshold_per_m2 is None:
        raise DensityError(problems)
    return threshold_per_m2


def _make_design(table: pd.DataFrame, ground: Ground, design: Design, visit: str, settings: dict[str, Any]) -> Design:
    import geopandas as gpd

    holes = table["surface_id"].map(ground.surfaces.set_index("surface_id")["hole"])
    places = table[["easting", "northing"]].to_numpy(float)
    rank = {hole: number for number, hole in enumerate(sorted(set(holes), key=hole_key))}
    start = places[np.argmin([rank[hole] for hole in holes])]
    walk = order_walk(places, [rank[hole] for hole in holes], start, ways=open_ways(ground.obstacles))
    ordered = table.assign(hole=holes).iloc[walk].reset_index(drop=True)
    geometry = gpd.GeoSeries(shapely.points(places[walk]), crs=ground.crs)
    degrees = geometry.to_crs(4326)
    points = ordered[["surface_id", "hole", "kind"]].assign(
        visit=visit,
        point_id=label_points(ordered["hole"].tolist(), ordered["kind"].tolist()),
        stratum="followup",
        part="whole",
        role="main",
        walk_order=np.arange(1, len(ordered) + 1),
        edge_m=measure_edge(edge_lines(ground.surfaces), places[walk][:, 0], places[walk][:, 1]),
        lon=degrees.x,
        lat=degrees.y,
    )
    named = replace(
        design.visit,
        visit=visit,
        date=visit,
        seed=0,
        settings=settings,
        design_code=design_code(settings, places[walk]),
    )
    layer = cast("gpd.GeoDataFrame", shape_frame("points", gpd.GeoDataFrame(points, geometry=geometry, crs=ground.crs)))
    return Design(named, layer, cast("gpd.GeoDataFrame", design.strata.assign(visit=visit)))
