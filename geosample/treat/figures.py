"""The plan in figures: what it treats and leaves, the targeting curve, and draws of the whole map for its intervals.

Notes
-----
The survey keeps each cell's spread, and with the model's record how any two places err together: the joint posterior.
It is worked out for blocks of ground, a cell standing for each; a cell's own draw is its block's, stretched to the
cell's spread. Under averages each stratum errs as one, apart from the others. A map with no record of its samples, or
with the last visit's map among its covariates, is taken to err with the field's correlation, exp(-3 distance / range),
and its border effect as one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely
from scipy.sparse import csr_array

from geosample.density import compare_bags, covary_places, find_own_bags, is_one_sided
from geosample.distributions import log_spread, normal_reach
from geosample.survey.findings import What
from geosample.treat.cells import weigh
from geosample.treat.model import (
    LEVEL,
    STRIP_STEP_M,
    BorderAdvice,
    BorderOnly,
    BorderRatio,
    Disputed,
    Figures,
    LeftOut,
    PlaceArea,
    Strip,
)
from geosample.units import FOOT_M, percent, show_length
from geosample.workers import map_threads

if TYPE_CHECKING:
    import geopandas as gpd

    from geosample.density import DensityMap
    from geosample.ground import Ground
    from geosample.treat.model import TreatSettings
    from geosample.treat.zoning import SurfacePlan

DRAWS = 400
_BATCH = 25
_MOST_BLOCKS = 1200
_RANGE_M = 20.0
"""Where no map says at which distance the correlation is down to 0.05, m: 10-60 is usual (from memory, unverified)."""
_MOST_WIDTHS = 24
_USUAL_STRIP_M = 15 * FOOT_M
_MOST_LEFT, _MOST_GROUND = 0.1, 2 / 3
"""A strip proposed leaves at most this part of the ground worth treating, and is at most this part of all ground (own
choices)."""
_SHARES = ("hot", "shunned", "treated", "check", "kept", "allowed", "asked", "known", "small")


def find_disputed(
    density_map: DensityMap,
    ground: Ground,
    zones: gpd.GeoDataFrame,
    samples: gpd.GeoDataFrame | None,
    threshold_per_m2: float,
) -> tuple[Disputed, ...]:
    """Return where what the plan goes by and the bags pulled there lie on opposite sides of the threshold.

    Parameters
    ----------
    density_map, ground
        What the plan rests on.
    zones : GeoDataFrame
        The plan's, with action, hole, kind, area_m2, mean_per_m2.
    samples : GeoDataFrame or None
        The bags the map rests on; nothing is said without them.
    threshold_per_m2 : float
        The plan's.

    Returns
    -------
    tuple of Disputed
        By hole and kind. Of ground that is treated in part, the zones are held against the bags in them.
    """
    bags = find_own_bags(density_map, ground, samples) if samples is not None and len(samples) else None
    if bags is None or bags.empty:
        return ()
    treat = zones[zones["action"] == "treat"]
    found = []
    places = bags["easting"].to_numpy(float), bags["northing"].to_numpy(float)
    row: Any
    for row in compare_bags(density_map, ground, bags).to_dict("records"):
        own = treat[treat["hole"].eq(row["hole"]) if row["hole"] else treat["hole"].isna()]
        own = own[own["kind"] == row["kind"]]
        many, mean, plan = row["bags"], row["own_per_m2"], row["map_per_m2"]
        if len(own):
            plan = float(np.average(own["mean_per_m2"], weights=own["area_m2"]))
            inside = bags[np.logical_or.reduce([shapely.contains_xy(zone, *places) for zone in own.geometry])]
            if len(inside):
                many, mean = len(inside), float(np.average(inside["per_m2"], weights=inside["weight_m2"]))
        above, treated = plan >= threshold_per_m2, len(own) > 0
        if many and (mean >= threshold_per_m2) != above and above == treated:
            found.append(Disputed(row["hole"], row["kind"], many, mean, plan, treated=treated))
    return tuple(found)


def add_up(
    plans: Sequence[SurfacePlan],
    ground: Ground,
    settings: TreatSettings,
    curve: pd.DataFrame,
    ratio: BorderRatio | None,
) -> Figures:
    """Return the plan in figures; what rests on more than its ground is filled in by ``suggest_zones``.

    Parameters
    ----------
    plans : sequence of SurfacePlan
        Every mapped surface, at least one.
    curve : DataFrame
        As of ``target_curve``.
    ratio : BorderRatio or None
        Border over interior by the counts.
    """
    cells = join_cells(plans)
    share = {name: cells[name].to_numpy(float) for name in _SHARES}
    left = _left_out(share)
    present = set(ground.obstacles["kind"])
    whole_metre = cells["edge_m"].to_numpy(float).astype(int)
    by_edge = np.bincount(whole_metre, cells["area_m2"].to_numpy(float) * share["hot"])
    figures = Figures(
        mapped=weigh(cells, np.ones(len(cells))),
        known_m2=weigh(cells, share["known"]).area_m2,
        one_sided_m2=weigh(cells, is_one_sided(cells, settings.threshold_per_m2).astype(float)).area_m2,
        above=weigh(cells, share["hot"]),
        treated=weigh(cells, share["treated"]),
        unsampled=weigh(cells, share["treated"] * (1 - share["known"])),
        added=weigh(cells, share["treated"] * (1 - share["hot"])),
        removed={reason.value: weigh(cells, part) for reason, part in left.items()},
        small_patches=sum(len(one.small) for one in plans),
        added_unknown_m2=weigh(cells, share["treated"] * (1 - share["hot"]) * (1 - share["known"])).area_m2,
        above_by_edge_m2=tuple(by_edge.tolist()),
        overspray_m2={},
        narrow=_sum_by_place(plans, cells["area_m2"].to_numpy(float) * left[LeftOut.NARROW]),
        highest_per_m2=float(cells["expected_per_m2"].max()),
        highest_high_per_m2=float(cells["high_per_m2"].max()),
        missing_obstacles=tuple(kind for kind in settings.keep_off_m if kind not in present),
        curve=curve,
        by_cost_m2=tuple(
            (cost, weigh(cells, share["allowed"] * (cells["probability"] > 1 / (1 + cost))).area_m2)
            for cost in (settings.miss_cost / 3, settings.miss_cost * 3)
        ),
    )
    treats = figures.treated.area_m2 > 0
    border = _advise_border(figures, ratio, settings) if settings.border_only_m or treats else None
    plain_strip = _find_plain_strip(figures, settings) if treats else None
    return replace(figures, border=border, plain_strip=plain_strip)


def _sum_by_place(plans: Sequence[SurfacePlan], area_m2: np.ndarray) -> tuple[PlaceArea, ...]:
    """Return the sums of the joined cells' areas by hole and kind, largest first; less than 1 m² is left out."""
    places = [(one.open.hole, one.open.kind) for one in plans]
    ends = np.cumsum([len(one.cells) for one in plans])
    sums = dict.fromkeys(places, 0.0)
    for place, part in zip(places, np.split(area_m2, ends[:-1]), strict=True):
        sums[place] += float(part.sum())
    order = sorted(sums.items(), key=lambda item: -item[1])
    return tuple(PlaceArea(hole, kind, area) for (hole, kind), area in order if area >= 1)


def join_cells(plans: Sequence[SurfacePlan]) -> pd.DataFrame:
    """Return the cells of every surface in one frame."""
    return pd.concat([one.cells for one in plans], ignore_index=True)


def _left_out(share: dict[str, np.ndarray]) -> dict[LeftOut, np.ndarray]:
    hot, kept, allowed = share["hot"], share["kept"], share["allowed"]
    return {
        LeftOut.KEPT_OFF: hot * (1 - kept),
        LeftOut.NOT_ASKED: hot * kept * (1 - share["asked"]),
        LeftOut.OUTSIDE_BORDER: hot * np.maximum(kept * share["asked"] - allowed, 0),
        LeftOut.CHECK: hot * np.minimum(share["check"], allowed),
        LeftOut.SMALL: hot * np.minimum(share["small"], allowed),
        LeftOut.NARROW: hot * np.maximum(allowed - share["treated"] - share["check"] - share["small"], 0),
        LeftOut.UNSAMPLED: share["shunned"] * kept,
    }


def target_curve(
    density_map: DensityMap,
    cells: pd.DataFrame,
    rng: np.random.Generator,
    *,
    step_m: float = STRIP_STEP_M,
    ground: Ground | None = None,
) -> pd.DataFrame:
    """Return the share of insects reached and of ground treated, for border strips, whole surfaces and the zones.

    Parameters
    ----------
    cells : DataFrame
        Cells with area_m2, edge_m, surface_id, expected_per_m2 and ``treated``, the share of each inside the zones.
    step_m : float
        By how much strips grow, m, twice as much as often as it takes for at most 24 of them.
    ground : Ground, optional
        As in ``build_field``.

    Returns
    -------
    DataFrame
        way (``border``, ``surfaces``, ``best cells``, ``zones``), label (its name in the layer ``findings``), width_m
        (border only), surfaces (how many), area_m2, area_share, insect_share, low, high: shares 0 to 1, the interval
        90 % from draws of the map.

    Notes
    -----
    Whole surfaces and best cells are taken from the densest down, as expected; no plan can beat the best cells.
    """
    ways = [_border_way(cells, step_m), _surface_way(cells), _best_way(cells)]
    area, treated = (cells[name].to_numpy(float) for name in ("area_m2", "treated"))
    add = _adder(ways, area, treated)
    area_m2, expected = add(np.ones(len(cells))), add(cells["expected_per_m2"].to_numpy(float))
    insects = draw_sums(build_field(density_map, cells, ground=ground), rng, add)
    low, high = np.quantile(insects[:-1] / insects[-1], [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=1)
    steps = [(way.name, *names) for way in ways for names in zip(way.labels, way.widths_m, way.surfaces, strict=True)]
    columns = ["way", "label", "width_m", "surfaces"]
    frame = pd.DataFrame([*steps, ("zones", "the zones", np.nan, np.nan)], columns=columns)
    return frame.assign(
        area_m2=area_m2[:-1],
        area_share=area_m2[:-1] / area_m2[-1],
        insect_share=expected[:-1] / max(float(expected[-1]), 1e-300),
        low=low,
        high=high,
    )


@dataclass(frozen=True, slots=True)
class _Way:
    """One way of choosing ground, step by step: a step holds all the cells of the steps before it.

    Parameters
    ----------
    labels, widths_m, surfaces : lists of the steps' names, widths and numbers of surfaces (NaN where it has none).
    step : array of int, shape (cells,)
        The first step that holds the cell; beyond the last for a cell that none holds.
    """

    name: str
    labels: list[str]
    widths_m: list[float]
    surfaces: list[float]
    step: np.ndarray


def _adder(ways: list[_Way], area_m2: np.ndarray, treated: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
    """Return what adds density times area up over every step of every way, over the zones, and over all the ground.

    Cells that every way takes at the same step are added up first, all of them and those in the zones, in the draws'
    single precision: they are few. The groups are then added up in double.
    """
    counts = [len(way.labels) + 1 for way in ways]
    alike, group = np.unique(np.ravel_multi_index([way.step for way in ways], counts), return_inverse=True)
    inside = np.flatnonzero(treated > 0)
    weight = np.concatenate([area_m2, (area_m2 * treated)[inside]]).astype(np.float32)
    row = np.concatenate([group, group[inside] + len(alike)])
    cell = np.concatenate([np.arange(len(area_m2)), inside])
    sums = csr_array((weight, (row, cell)), shape=(2 * len(alike), len(area_m2)))
    stairs = [
        np.arange(count - 1)[:, None] >= step
        for count, step in zip(counts, np.unravel_index(alike, counts), strict=True)
    ]
    steps = csr_array(np.concatenate(stairs).astype(float))

    def add(density: np.ndarray) -> np.ndarray:
        every, zones = np.split(sums @ density.astype(np.float32, copy=False), 2)
        return np.concatenate(
            [steps @ every, *(part.sum(axis=0, keepdims=True, dtype=float) for part in (zones, every))]
        )

    return add


def _border_way(cells: pd.DataFrame, step_m: float) -> _Way:
    edge = cells["edge_m"].to_numpy(float)
    while edge.max() / step_m > _MOST_WIDTHS:
        step_m *= 2
    widths = np.arange(1, int(np.ceil(edge.max() / step_m)) + 1) * step_m
    # a name in the survey file: the same whatever units are shown
    labels = [f"border {show_length(width)}" for width in widths]
    return _Way("border", labels, widths.tolist(), [np.nan] * len(widths), np.searchsorted(widths, edge))


def _surface_way(cells: pd.DataFrame) -> _Way:
    sums = cells.assign(insects=cells["expected_per_m2"] * cells["area_m2"]).groupby("surface_id")
    mean = sums["insects"].sum() / sums["area_m2"].sum()
    order = list(mean.sort_values(ascending=False, kind="stable").index)
    ranks = cells["surface_id"].map({name: rank for rank, name in enumerate(order)}).to_numpy()
    labels = [f"{rank + 1} densest {'surface' if rank == 0 else 'surfaces'}" for rank in range(len(order))]
    numbers = [float(rank + 1) for rank in range(len(order))]
    return _Way("surfaces", labels, [np.nan] * len(order), numbers, ranks)


def _best_way(cells: pd.DataFrame) -> _Way:
    density = cells["expected_per_m2"].to_numpy(float)
    order = np.argsort(-density, kind="stable")
    reached = np.empty(len(order))
    area = cells["area_m2"].to_numpy(float)[order]
    reached[order] = np.cumsum(area) / area.sum()
    steps = np.r_[0.01, 0.02, 0.03, 0.04, np.arange(1, 20) / 20]  # fine near 0, where a small plan lies
    labels = [f"densest {percent(step)}" for step in steps]
    nothing = [np.nan] * len(steps)
    return _Way("best cells", labels, nothing, nothing, np.searchsorted(steps, reached))


def interpolate_strip(curve: pd.DataFrame, width_m: float) -> Strip:
    """Return a border strip of any width, along the curve."""
    border = curve[curve["way"] == "border"].sort_values("width_m")
    widths = [0.0, *border["width_m"]]
    names = ("area_share", "insect_share", "low", "high")
    return Strip(width_m, *(float(np.interp(width_m, widths, [0.0, *border[name]])) for name in names))


def best_width_m(curve: pd.DataFrame) -> float:
    """Return the border width whose share of insects is most above its share of the ground, m.

    Examples
    --------
    >>> curve = pd.DataFrame({"way": "border", "width_m": [1.0, 2.0, 3.0], "area_share": [0.1, 0.2, 0.3],
    ...                       "insect_share": [0.2, 0.5, 0.55]})
    >>> best_width_m(curve)
    2.0
    """
    border = curve[curve["way"] == "border"]
    return float(border["width_m"].iloc[int(np.argmax(border["insect_share"] - border["area_share"]))])


def _advise_border(figures: Figures, ratio: BorderRatio | None, settings: TreatSettings) -> BorderAdvice:
    """Return what the counts say of treating the border alone: open where they support it, not where it leaves much.

    Notes
    -----
    A border may hold more and the rest still be above the threshold: a strip then leaves ground that is worth
    treating by the user's own costs, and is no plan to propose.
    """
    curve, asked_m = figures.curve, settings.border_only_m
    best_m = best_width_m(curve)
    if ratio is None or not ratio.supported:
        answer, width_m = BorderOnly.UNSUPPORTED, asked_m or _USUAL_STRIP_M
    else:
        width_m = asked_m or _wide_enough_m(figures, best_m)
        answer = BorderOnly.ASKED if asked_m else BorderOnly.OPEN
    strip = interpolate_strip(curve, width_m)
    if answer == BorderOnly.OPEN and strip.area_share > _MOST_GROUND:
        answer = BorderOnly.ALL_ABOVE
    return BorderAdvice(answer, ratio, strip, figures.above_beyond_m2(width_m), best_aimed=width_m == best_m)


def _wide_enough_m(figures: Figures, least_m: float) -> float:
    """Return the narrowest of the curve's strips, from a width up, that leaves little; else the widest."""
    strips = figures.curve.loc[figures.curve["way"] == "border", "width_m"].astype(float)
    widths: list[float] = sorted(strips[strips >= least_m])
    most_m2 = _MOST_LEFT * figures.above.area_m2
    return next((width for width in widths if figures.above_beyond_m2(width) <= most_m2), widths[-1])


def _find_plain_strip(figures: Figures, settings: TreatSettings) -> Strip | None:
    """Return the strip along the edge that would do as well, where one would: simpler to drive, for as much ground."""
    border, zones = figures.curve[figures.curve["way"] == "border"], figures.reached
    if settings.border_only_m is not None or border.empty or figures.nearly_all:
        return None
    area = [0.0, *border["area_share"]]
    strip = interpolate_strip(figures.curve, float(np.interp(zones.area_share, area, [0.0, *border["width_m"]])))
    reached = float(np.interp(zones.area_share, area, [0.0, *border["insect_share"]]))
    drivable = strip.width_m >= FOOT_M  # no strip to drive else
    return replace(strip, insect_share=reached) if drivable and reached >= zones.insect_share else None


@dataclass(frozen=True, slots=True)
class Field:
    """How the cells err.

    Parameters
    ----------
    log_mean, sd : array, shape (cells,)
        Mean and spread of the log density.
    block : array of int, shape (cells,)
        The block of ground a cell lies in; cells of a block err together.
    root : array, shape (blocks, blocks)
        Lower Cholesky factor of the blocks' correlation.
    """

    log_mean: np.ndarray
    sd: np.ndarray
    block: np.ndarray
    root: np.ndarray


def build_field(density_map: DensityMap, cells: pd.DataFrame, *, ground: Ground | None = None) -> Field:
    """Return how the cells err, from the map's own record.

    Parameters
    ----------
    cells : DataFrame
        Cells of that map, in any order: surface_id, easting, northing, edge_m, log_mean, log_sd, and the ends of
        their intervals.
    ground : Ground, optional
        What the map was made on; needed for the joint posterior.
    """
    mean, total = (cells[name].to_numpy(float) for name in ("log_mean", "log_sd"))
    if density_map.fitted.get("by") == "averages":
        levels, block = np.unique(np.column_stack([mean, total]), axis=0, return_inverse=True)
        return Field(mean, total, block.ravel(), np.eye(len(levels)))
    if not density_map.fitted.get("no_map"):
        low, high = (np.log(cells[name].to_numpy(float)) for name in ("low_per_m2", "high_per_m2"))
        mean, total = (low + high) / 2, (high - low) / (2 * normal_reach(density_map.level))
    block, rows = _cut_blocks(cells)
    some = cells.iloc[rows]
    if ground is not None and "sites" in density_map.fitted:
        covariance = covary_places(density_map, ground, some)
    else:
        covariance = _guess_covariance(density_map, some)
    spread = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(spread, spread)
    return Field(mean, total, block, np.linalg.cholesky(correlation + 1e-6 * np.eye(len(rows))))


def _guess_covariance(density_map: DensityMap, cells: pd.DataFrame) -> np.ndarray:
    scale_m = density_map.settings.edge_scale_m
    total, places = cells["log_sd"].to_numpy(float), cells[["easting", "northing"]].to_numpy(float)
    edge = np.minimum(np.exp(-cells["edge_m"].to_numpy(float) / scale_m) * _border_sd(density_map), total)
    own = np.sqrt(total**2 - edge**2)
    range_m = float(density_map.fitted.get("range_m") or _RANGE_M)
    apart = np.hypot(*(places[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    return np.asarray(np.outer(own, own) * np.exp(-3.0 * apart / range_m) + np.outer(edge, edge))


def draw_sums(
    field: Field,
    rng: np.random.Generator,
    add: Callable[[np.ndarray], np.ndarray],
    draws: int = DRAWS,
) -> np.ndarray:
    """Return what ``add`` makes of the densities per m² of all cells, draw by draw, shape (sums, draws).

    Parameters
    ----------
    add : callable
        Takes densities of shape (cells, batch), in single precision, and returns sums of shape (sums, batch).
    """
    mean, spread = (values[:, None].astype(np.float32) for values in (field.log_mean, field.sd))

    def sum_up(normal: np.ndarray) -> np.ndarray:
        drawn = (field.root @ normal).astype(np.float32)[field.block]
        drawn *= spread
        drawn += mean
        return add(np.exp(drawn, out=drawn))

    sizes = [min(_BATCH, draws - start) for start in range(0, draws, _BATCH)]
    normals = [rng.standard_normal((len(field.root), size)) for size in sizes]
    return np.column_stack(map_threads(sum_up, normals))


def _border_sd(density_map: DensityMap) -> float:
    """Return the spread of the log border effect from its interval at the map's level; 0 where it has none."""
    border = density_map.findings.first(What.BORDER_EFFECT)
    if border is None or not border.low > 0:
        return 0.0
    return log_spread(border.low, border.high, density_map.level)


def _cut_blocks(cells: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return each cell's block, and for each block the row of the cell nearest its middle.

    Blocks are squares of one surface, as small as keeps their number in hand.
    """
    places = cells[["easting", "northing"]].to_numpy(float)
    places = places - places.min(axis=0)
    surface = pd.factorize(cells["surface_id"], sort=True)[0]
    side_m = 4.0
    while True:
        key = (surface * 2**20 + np.floor(places[:, 0] / side_m).astype(np.int64)) * 2**20
        key += np.floor(places[:, 1] / side_m).astype(np.int64)
        _, block, count = np.unique(key, return_inverse=True, return_counts=True)
        if len(count) <= max(_MOST_BLOCKS, surface.max() + 1):
            break
        side_m *= 1.4
    middles = np.column_stack([np.bincount(block, places[:, axis]) / count for axis in (0, 1)])
    away = np.hypot(*(places - middles[block]).T)
    order = np.lexsort((away, block))
    return block, order[np.searchsorted(block[order], np.arange(len(count)))]
