"""From ground and request to a design; and going again, with a share of the last visit's points kept.

Kept points are an equal-chance part of a draw whose density was known, and each is moved to a random place in a ring
around it, within its own piece of ground. Both steps have a known density at every place, so the visit's density is
the sum of the kept part's and the new part's.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geosample import __version__
from geosample.design.frame import cut_frame, mark_out
from geosample.design.howmany import (
    BEGIN,
    CONTAINERS,
    WALK_M_PER_S,
    Quota,
    hours_for,
    plan_stop_lines,
    points_in_hours,
    share_request,
)
from geosample.design.methods import (
    DRAWS,
    DrawnPlaces,
    balance_of,
    chances_of,
    draw_spread,
    order_along,
    order_spread,
    split_plugs,
)
from geosample.design.model import Design, Visit, design_code, label_points
from geosample.design.request import MINIMUM, Request, Stream, make_request
from geosample.design.walk import Ways, find_legs, open_ways, order_walk, share_walk, walk_groups, walk_m
from geosample.distributions import K_IF_UNKNOWN
from geosample.errors import DesignError, Problem
from geosample.ground import Ground, edge_lines, measure_edge
from geosample.ground.cutting import GAP_M
from geosample.pests import DEFAULT_PEST, load_pest
from geosample.survey import shape_frame
from geosample.words import hole_key, same_hole

if TYPE_CHECKING:
    from shapely import Geometry

NEAR_M, FAR_M = 0.5, 1.0
"""How far a kept point is moved, m: off the old hole, and still the same place (common practice, no source)."""
MOST_KEPT = 0.9
"""A tenth at least is drawn anew, or no new place is ever seen (own choice)."""
_DIRECTIONS, _RADII = 36, 4
_TRIES = 10_000
_DRAWS = 8  # until as many points are found as the hours allow; three are usual
_SAME_AREA = 1e-6


def draw_design(  # noqa: PLR0913 - all but the visit have a default
    ground: Ground,
    *,
    visit: str,
    date: str | None = None,
    points: int | None = None,
    precision: float | None = None,
    expected_per_m2: float | None = None,
    threshold_per_m2: float | None = None,
    chance: float = 0.8,
    hours: float | None = None,
    people: int = 1,
    containers: int = CONTAINERS,
    extraction: str = "brine",
    walk_m_per_s: float = WALK_M_PER_S,
    minutes: Mapping[str, float] | Sequence[tuple[str, float]] = (),
    begin: str = BEGIN,
    surfaces: str | Sequence[str] | None = None,
    holes: str | Sequence[str | int] | None = None,
    without_holes: str | Sequence[str | int] = (),
    hole_groups: Sequence[str | Sequence[str | int]] = (),
    areas: gpd.GeoDataFrame | Path | str | None = None,
    area_name: str | None = None,
    strips: gpd.GeoDataFrame | None = None,
    strips_from_visit: str | None = None,
    by: str | Sequence[str] = (),
    border_m: float | None = None,
    border_weight: float = 1.0,
    every_edge: bool = False,
    setback_m: float = 0.0,
    keep_off: Mapping[str, float] | Sequence[tuple[str, float]] = (),
    method: str = "balanced",
    allocation: str = "power",
    minimum: int = MINIMUM,
    most: Mapping[str, int] | Sequence[tuple[str, int]] = (),
    reserve: float = 0.2,
    plug_m: float | None = None,
    unit_m2: float | None = None,
    plugs: int | None = None,
    pest: str = DEFAULT_PEST,
    k: float | None = None,
    k_from_visit: str | None = None,
    expected: Mapping[str, float] | Sequence[tuple[str, float]] = (),
    stop_low_per_m2: float | None = None,
    stop_high_per_m2: float | None = None,
    compare: str | Sequence[str] = (),
    sites: str = "kind",
    keep: float = 0.0,
    last: Design | None = None,
    walk: str = "holes",
    start: tuple[float, float] | None = None,
    end: tuple[float, float] | None = None,
    seed: int | None = None,
) -> Design:
    """Return where to pull plugs, with the density each place had of being drawn.

    Parameters
    ----------
    ground : Ground
        The course.
    visit : str
        The round's name; an ISO date is its own date.
    date : str, optional
        ISO date, needed when the name is none.
    points : int, optional
        Main points in all, 2 to 20,000; when None what ``precision``, ``threshold_per_m2`` or ``hours`` make of
        them, else 90.
    precision : float, optional
        Standard error over the mean that the points are to give at ``expected_per_m2``.
    expected_per_m2 : float, optional
        Density expected, insects per m².
    threshold_per_m2, chance : float
        A density, insects per m², that the mean is to be told from by a 95 % interval, and with what chance.
    hours : float, optional
        Hours at hand, walking, pulling and extracting: where they do not allow all points, fewer are drawn.
    people, containers, extraction : int, int, str
        Who works, how many bags are extracted at once, and how: ``brine`` or ``heat``.
    walk_m_per_s : float
        How fast people walk, m/s.
    minutes : mapping of str to float
        What the work takes, minutes: ``pull`` a plug, ``fill`` its hole, ``label`` a bag, a ``batch``, ``count`` a bag.
    begin : str
        When the day begins, such as ``7:00``.
    surfaces : sequence of str, optional
        Kinds of surface to sample; when None green, collar and fairway, as far as the course has them.
    holes, without_holes : sequence of str or int, or text such as ``"1-3,7"``
        Holes to sample (all when None), and holes left out, such as closed ones.
    hole_groups : sequence of the same
        Groups of holes that make strata of their own, such as front and back nine.
    areas : GeoDataFrame or path, optional
        The user's own polygons; each splits the strata it lies in.
    area_name : str, optional
        The column that names them; ``name`` when None.
    strips, strips_from_visit : GeoDataFrame and str, optional
        Check strips that an earlier plan left untreated, such as ``zones.of("check")``, and that plan's visit: they get
        points of their own, a stratum a kind of surface, so that ``check`` can tell what the treatment did.
    by : sequence of str
        What else strata are split by: ``hole``, ``surface``. Kind (and part, with a border) always splits them.
    border_m : float, optional
        Width of the border strata, m; no split when None.
    border_weight : float
        Density at the outer edge over that far inside, 1 to 4.
    every_edge : bool
        Measure edge distance to each surface's own line.
    setback_m : float
        Strip along every surface's own edge that is not sampled, m.
    keep_off : mapping of str to float
        Kind of obstacle, or name or kind of landmark -> distance kept from it, m; that ground leaves the target area.
    method : str
        One of ``words.DRAW_METHODS``; collars are always drawn along their ring, except by ``random``.
    allocation : str
        One of ``words.ALLOCATIONS``: how the strata share the points; ``power`` is by the root of the area.
    minimum : int
        Fewest main points in a stratum; lowered where the points do not reach.
    most : mapping of str to int
        Stratum or kind -> most main points a stratum may have.
    reserve : float
        Reserve points as a share of the main points, 0 to 2.
    plug_m : float, optional
        Diameter of a plug, m; the pest's usual unit when None.
    unit_m2 : float, optional
        Area of one unit where it is no round plug (a square, a flush), m².
    plugs : int, optional
        Units pooled at a point; the pest's usual number when None.
    pest : str
        A profile's name.
    k, k_from_visit : float and str, optional
        Negative binomial k of one bag on this course, and the visit it was found on; a cautious k when None.
    expected : mapping of str to float
        Stratum or kind -> density expected there, insects per m², for the optimal allocation.
    stop_low_per_m2, stop_high_per_m2 : float, optional
        Densities, insects per m², that need nothing and that need treating, for stop lines.
    compare : sequence of str
        A trial: every point is a block, and its plugs are dealt to these extraction methods at random, a bag (the
        unit) a method; none for one bag a point.
    sites : str
        What the sites of a trial are: ``kind``, ``hole``, ``surface_id`` or ``all``; ``by`` makes them strata.
    keep : float
        Share of the last visit's points kept, moved by half a metre to a metre; 0 for none.
    last : Design, optional
        The visit they are kept of.
    walk : str
        ``holes``: hole by hole in their order; ``round``: the shortest round over all points.
    start : tuple of float, optional
        Longitude and latitude the round starts from, degrees; the first tee when None.
    end : tuple of float, optional
        Longitude and latitude it ends at, degrees; where it started when None.
    seed : int, optional
        Seed of the draw; taken from the system, and kept, when None.

    Returns
    -------
    Design
        Points in walking order (reserve points after the main ones, by stratum in the order of their use), and the
        target area by stratum. ``visit.settings`` holds all that is needed to draw it again.

    Raises
    ------
    DesignError
        With everything that can't be: holes or kinds not on the course, a stratum with no room, numbers out of range.

    Notes
    -----
    Each stratum is cut into fine cells of exact area. A cell is drawn with a chance in proportion to its area and
    weight, and the point lies uniform inside the cell. The weight of a main point is one over its density.
    """
    # The other arguments are the request's fields by name; a test holds the two lists to each other.
    asked = {name: value for name, value in locals().items() if name not in {"ground", "last"}}
    request = make_request(ground, asked)
    request = replace(request, seed=secrets.randbelow(2**31) if seed is None else seed)
    wished = None if (points, precision, threshold_per_m2) == (None, None, None) else request.points
    return _draw(ground, request, last) if hours is None else _draw_in_hours(ground, request, last, wished)


def _draw_in_hours(ground: Ground, request: Request, last: Design | None, wished: int | None) -> Design:
    """Return a design with as many of the points wished for as the hours allow: the walk is known once they are."""
    points, best, made = request.points, None, None
    for _ in range(_DRAWS):
        try:
            made = _draw(ground, replace(request, points=points), last, wished)
        except DesignError as error:
            if made is None:
                raise
            found = f"{request.hours:g} h, with time for {points} points"
            remedy = "give more hours or people, or sample fewer holes or kinds"
            raise DesignError(Problem("hours", found, "time for two points in each stratum", remedy)) from error
        walk = made.visit.settings["round"]
        asked = {"walk_m": walk["longest_m"], "pulled": walk["longest_points"]}
        allowed = points_in_hours(request.bench, walk["longest_m"])
        if hours_for(len(made.main), request.bench, **asked) > (request.hours or 0.0):
            if best is not None or points == 1:
                break
            points = min(max(allowed, points // 3), points - 1)
        else:
            best = made
            if min(allowed, request.points) <= points:
                break
            points = min(allowed, request.points)
    return best or made or _draw(ground, request, last)


def _draw(ground: Ground, request: Request, last: Design | None, wished: int | None = None) -> Design:
    """Return the design of a request; ``wished`` is the number of points it was to have where hours allow fewer."""
    rng = np.random.default_rng(request.seed)
    target = mark_out(ground, request)
    quotas = share_request(target, request, request.one_unit_m2 * request.units_pooled)
    if request.keep:
        _check_again(last, target, request)
    kept = keep_points(last, target, quotas, request) if request.keep and last is not None else {}
    lines = edge_lines(ground.surfaces, every_edge=request.every_edge)
    tables, strata = [], []
    for stratum, quota in quotas.items():
        rows = target[target["stratum"] == stratum]
        frame = cut_frame(rows, quota.all, lines=lines, border_weight=request.border_weight)
        mine = kept.get(stratum)
        anew = quota if mine is None else replace(quota, main=quota.main - len(mine.names))
        if frame.kind == "collar" and request.method != "random":
            # On so thin a strip the ring is the only direction.
            shapes = ground.surfaces.set_index("surface_id").geometry
            rings = {int(part): shapes[target["surface_id"][part]] for part in np.unique(frame.part)}
            anew = replace(anew, order=order_along(frame, rings))
        drawn = DRAWS[request.method](frame, anew, rng)
        if mine is not None:
            drawn = join_kept(drawn, mine, target.geometry.to_numpy())
        tables.append(_tabulate(target, stratum, drawn, mine))
        even = balance_of(drawn.places[drawn.main], frame.places, chances_of(frame, quota.main))
        strata.append(
            {
                "stratum": stratum,
                "main": int(drawn.main.sum()),
                "reserve": int((~drawn.main).sum()),
                "planned": quota.main,
                "area_m2": float(frame.area_m2.sum()),
                "cell_m": frame.cell_m,
                "cells": len(frame.area_m2),
                "balance": even,
            }
        )
    table, ways = pd.concat(tables, ignore_index=True), open_ways(ground.obstacles)
    begin = _start_of(ground, request, table)
    close = begin if request.end is None else np.array(request.end)
    points_ = _finish_points(ground, request, _put_in_order(table, begin, close, ways, request), lines)
    drawn_visit = _note_visit(request, strata, points_, last, _note_round(points_, begin, close, ways, request), wished)
    doubt_m = _doubt_of_edges(ground, target)
    if request.border_m is not None and doubt_m > request.border_m:
        drawn_visit = replace(drawn_visit, settings={**drawn_visit.settings, "edge_doubt_m": doubt_m})
    layers = {"points": points_, "strata": target.assign(visit=request.visit)}
    # With the layers' columns and types, so that a design is the same before the survey file and after.
    return Design(drawn_visit, *(cast("gpd.GeoDataFrame", shape_frame(name, rows)) for name, rows in layers.items()))


def _doubt_of_edges(ground: Ground, target: gpd.GeoDataFrame) -> float:
    """Return how far the worst walked edge of the target may lie from the true one, m; 0 where none was walked."""
    if "edge_doubt_m" not in ground.surfaces:
        return 0.0
    used = ground.surfaces["surface_id"].isin(target["surface_id"])
    doubt_m = float(ground.surfaces.loc[used, "edge_doubt_m"].max())
    return doubt_m if np.isfinite(doubt_m) else 0.0


def _note_round(
    points: gpd.GeoDataFrame, start: np.ndarray, end: np.ndarray, ways: Ways, request: Request
) -> dict[str, Any]:
    """Return where the round starts and ends (easting, northing, m), its length, m, and the longest person's share."""
    main = points[points["role"] == "main"]
    places = shapely.get_coordinates(main.geometry.to_numpy())
    walked_m = sum(walk_m(leg) for leg in find_legs(ways, np.vstack([start, places, end])))
    note = {"start_m": start.tolist(), "end_m": end.tolist(), "length_m": walked_m}
    people, stop_m = min(request.people, len(main)), request.bench.stop_minutes * 60 * request.walk_m_per_s
    if people == 1:
        return {**note, "longest_m": walked_m, "longest_points": len(main)}
    groups = walk_groups(main["hole"].tolist(), request.walk)
    shares = share_walk(places, groups, start, end=end, ways=ways, rounds=people, point_m=stop_m)
    walks_m = [sum(map(walk_m, find_legs(ways, np.vstack([start, places[share], end])))) for share in shares]
    longest_m, count = max(zip(walks_m, map(len, shares), strict=True), key=lambda one: one[0] + one[1] * stop_m)
    return {**note, "longest_m": longest_m, "longest_points": count}


def _note_visit(
    request: Request,
    strata: list[dict[str, Any]],
    points: gpd.GeoDataFrame,
    last: Design | None,
    walk: dict[str, Any],
    wished: int | None,
) -> Visit:
    """Return the round with its settings: what decides the draw (and the code), and what was asked beside it."""
    import scipy

    pest, unit_m2 = load_pest(request.pest), request.one_unit_m2
    versions = {
        "geosample": __version__,
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "shapely": shapely.__version__,
        "geos": shapely.geos_version_string,
    }
    settings = {**request.plain(), "gap_m": GAP_M, "strata": strata, "versions": versions}
    effort = {**asdict(request.bench), "minutes": dict(request.minutes), "points_wished": wished}
    beside: dict[str, Any] = {"round": walk, "effort": {**effort, "expected_per_m2": request.expected_per_m2}}
    if request.compare:
        beside["sites"] = request.sites
    if request.surfaces_missing:
        beside["surfaces_missing"] = list(request.surfaces_missing)
    for name in ("k_from_visit", "strips_from_visit"):
        if getattr(request, name):
            beside[name] = getattr(request, name)
    if request.keep and last is not None:
        beside["kept_from_visit"] = last.visit.visit
    if request.stop_low_per_m2 is not None:
        beside["stop_lines"] = plan_stop_lines(
            strata,
            request,
            point_m2=unit_m2 * request.units_pooled,
            plugs=request.units_pooled,
            k=request.k or K_IF_UNKNOWN,
        )
    return Visit(
        visit=request.visit,
        date=request.day,
        pest=pest.name,
        unit_shape="flush" if pest.unit == "flush" else "square" if request.unit_m2 is not None else "plug",
        unit_m2=unit_m2,
        unit_depth_mm=pest.unit_depth_mm,
        units_per_point=request.units_pooled,
        design_code=design_code(settings, shapely.get_coordinates(points.geometry.to_numpy())),
        seed=request.seed or 0,
        settings={**settings, **beside},
    )


def _tabulate(target: gpd.GeoDataFrame, stratum: str, drawn: DrawnPlaces, kept: KeptPoints | None) -> pd.DataFrame:
    names = kept.names if kept else []
    where = pd.DataFrame(target[["surface_id", "hole", "kind", "part"]]).loc[drawn.part].reset_index(drop=True)
    return where.assign(
        stratum=stratum,
        role=np.where(drawn.main, "main", "reserve"),
        inclusion_per_m2=drawn.density,
        weight_m2=1 / drawn.density,
        line=drawn.line,
        kept_from=np.array([*names, *([None] * (len(drawn.main) - len(names)))], dtype=object),
        easting=drawn.places[:, 0],
        northing=drawn.places[:, 1],
    )


def _finish_points(ground: Ground, request: Request, ordered: pd.DataFrame, lines: Geometry) -> gpd.GeoDataFrame:
    geometry = gpd.GeoSeries.from_xy(ordered["easting"], ordered["northing"], crs=ground.crs)
    degrees = geometry.to_crs(4326)
    points = ordered.drop(columns=["easting", "northing"]).assign(
        visit=request.visit,
        point_id=label_points(ordered["hole"].tolist(), ordered["kind"].tolist()),
        walk_order=np.arange(1, len(ordered) + 1),
        edge_m=measure_edge(lines, ordered["easting"].to_numpy(), ordered["northing"].to_numpy()),
        lon=degrees.x,
        lat=degrees.y,
        finding=None,
        **_bench_columns(ordered, request),
    )
    return gpd.GeoDataFrame(points, geometry=geometry, crs=ground.crs)


def _bench_columns(ordered: pd.DataFrame, request: Request) -> dict[str, Any]:
    """Return the order of extraction (0 for reserve points) and the split, each from a stream of its own."""
    main = (ordered["role"] == "main").to_numpy()
    places = ordered[["easting", "northing"]].to_numpy()
    rank, rng = np.zeros(len(ordered), dtype=np.int64), request.stream(Stream.EXTRACTION)
    strata = ordered["stratum"].to_numpy()
    for stratum in dict.fromkeys(strata[main].tolist()):
        rows = np.flatnonzero(main & (strata == stratum))
        rank[rows[order_spread(places[rows], rng)]] = np.arange(1, len(rows) + 1)
    if not request.compare:
        return {"extract_order": rank, "split": None}
    split = split_plugs(len(ordered), request.compare, request.units_pooled, request.stream(Stream.SPLITTING))
    return {"extract_order": rank, "split": split}


def _put_in_order(
    table: pd.DataFrame, start: np.ndarray, end: np.ndarray, ways: Ways, request: Request
) -> pd.DataFrame:
    """Return main points along the walk, then reserve points by stratum in the order of their use."""
    main = table[table["role"] == "main"].reset_index(drop=True)
    groups = walk_groups(main["hole"].tolist(), request.walk)
    walk = order_walk(main[["easting", "northing"]].to_numpy(), groups, start, end=end, ways=ways)
    return pd.concat([main.iloc[walk], table[table["role"] != "main"]], ignore_index=True)


def _start_of(ground: Ground, request: Request, table: pd.DataFrame) -> np.ndarray:
    """Return the start asked for, the first tee of the first hole sampled, or that hole's first surface."""
    if request.start is not None:
        return np.array(request.start)
    first = min(table["hole"].unique(), key=hole_key)
    surfaces = ground.surfaces[ground.surfaces["hole"].map(same_hole) == same_hole(first)]
    tees = surfaces[surfaces["kind"] == "tee"]
    place = shapely.point_on_surface((tees if len(tees) else surfaces).geometry.iloc[0])
    return np.array([place.x, place.y])


@dataclass(frozen=True, slots=True)
class KeptPoints:
    """The kept points of one stratum, moved.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Easting and northing, m.
    part : ndarray of int, shape (n,)
        Row of the new target each lies in.
    names : list of str
        The old points' labels.
    density : float
        Density the kept part had before it was moved, per m².
    """

    places: np.ndarray
    part: np.ndarray
    names: list[str]
    density: float


def _check_again(last: Design | None, target: gpd.GeoDataFrame, request: Request) -> None:
    """Refuse where the kept part's density can't be known: other strata, other ground, or uneven density."""
    if last is None:
        found = f"{request.keep:g}, and no visit before"
        raise DesignError(Problem("keep", found, "a visit to keep points of", "leave it out"))
    problems, where = [], f"`keep` from visit {last.visit.visit}"
    if not 0 < request.keep <= MOST_KEPT:
        expected = f"a share above 0, up to {MOST_KEPT:g}"
        problems.append(Problem("keep", f"{request.keep:g}", expected, "write for instance 0.3"))
    settings = last.visit.settings
    uneven = settings.get("border_weight", 1.0) != 1 or request.border_weight != 1
    if uneven or settings.get("method") not in {"balanced", "random"}:
        expected = "two visits of equal density in each stratum, drawn balanced or at random"
        remedy = "draw anew without `keep`, or with `border_weight=1`"
        problems.append(Problem(where, "another kind of draw", expected, remedy))
    olds, news = (frame.groupby("stratum")["area_m2"].sum() for frame in (last.strata, target))
    changed = [name for name in news.index if abs(olds.get(name, 0.0) / news[name] - 1) > _SAME_AREA]
    if changed:
        remedy = "ask for the same surfaces, holes and border as then, on unchanged ground"
        found = f"other ground in: {', '.join(changed)}"
        problems.append(Problem(where, found, "the strata of that visit", remedy))
    if problems:
        raise DesignError(problems)


def keep_points(
    last: Design, target: gpd.GeoDataFrame, quotas: dict[str, Quota], request: Request
) -> dict[str, KeptPoints]:
    """Return the kept points of every stratum, moved within their piece of ground."""
    rng = request.stream(Stream.KEEPING)
    main = last.main
    kept = {}
    for stratum, quota in quotas.items():
        old = main[main["stratum"] == stratum]
        number = min(int(request.keep * quota.main + 0.5), len(old), quota.main - 1)
        chance = np.full(len(old), number / max(len(old), 1))
        at = shapely.get_coordinates(old.geometry.to_numpy())
        chosen = old.iloc[draw_spread(at, chance, rng)] if number > 0 else old.iloc[:0]
        rows = [_row_of(target, point) for point in chosen.to_dict("records")]
        shapes = target.geometry.to_numpy()[rows]
        places = [move_point(place, shape, rng) for place, shape in zip(chosen.geometry, shapes, strict=True)]
        density = float(old["inclusion_per_m2"].iloc[0]) * number / len(old) if number > 0 else 0.0
        named = chosen["point_id"].astype(str).tolist()
        kept[stratum] = KeptPoints(np.reshape(places, (-1, 2)), np.asarray(rows, dtype=np.int64), named, density)
    return kept


def join_kept(drawn: DrawnPlaces, kept: KeptPoints, shapes: np.ndarray) -> DrawnPlaces:
    """Return the new points with the kept ones before them, all with the density of the two parts together.

    Parameters
    ----------
    drawn : DrawnPlaces
        The part drawn anew, of equal density.
    kept : KeptPoints
        The kept part.
    shapes : ndarray of Polygon
        The target's shapes, by row.
    """
    new = float(drawn.density[0])
    places, part = np.vstack([kept.places, drawn.places]), np.concatenate([kept.part, drawn.part])
    spread = [spread_of(place, shapes[row]) for place, row in zip(places, part, strict=True)]
    main = np.concatenate([np.ones(len(kept.places), dtype=bool), drawn.main])
    line = np.zeros(len(places), dtype=np.int64)
    return DrawnPlaces(places, part, new + kept.density * np.asarray(spread), main, line)


def spread_of(place: np.ndarray, shape: shapely.Geometry) -> float:
    """Return how dense moved points are at a place, for a density of one before the move.

    Notes
    -----
    A point at x moves to a uniform place in the part of its ring that lies inside the shape, a share c(x) of it. So
    the density at y is the mean over y's own ring of 1 / c(x), counting only x inside the shape. The ring is summed
    at 144 places of equal area.
    """
    shapely.prepare(shape)
    around = place + _ring()
    inside = shapely.contains_xy(shape, around[:, 0], around[:, 1])
    near = around[inside]
    if not len(near):
        return 0.0
    back = (near[:, None, :] + _ring()[None, :, :]).reshape(-1, 2)
    share = shapely.contains_xy(shape, back[:, 0], back[:, 1]).reshape(len(near), -1).mean(axis=1)
    return float(np.sum(1 / np.maximum(share, 1 / len(_ring()))) / len(_ring()))


def _ring() -> np.ndarray:
    """Return offsets spread over the ring, each standing for the same area, shape (144, 2)."""
    shares = (np.arange(_RADII) + 0.5) / _RADII
    radius = np.sqrt(NEAR_M**2 + shares * (FAR_M**2 - NEAR_M**2))
    angle = 2 * np.pi * (np.arange(_DIRECTIONS) + 0.5) / _DIRECTIONS
    return np.stack([np.outer(radius, turn(angle)).ravel() for turn in (np.cos, np.sin)], axis=1)


def _row_of(target: pd.DataFrame, point: dict[str, object]) -> int:
    same = (target["surface_id"] == point["surface_id"]) & (target["part"] == point["part"])
    rows = np.flatnonzero(same & (target["stratum"] == point["stratum"]))
    return int(rows[0])


def move_point(place: shapely.Point, shape: shapely.Geometry, rng: np.random.Generator) -> np.ndarray:
    """Return a uniform place in the part of a point's ring that lies inside a shape, easting and northing in m.

    Raises
    ------
    DesignError
        When none of the ring lies inside, so that the old hole would be pulled again.
    """
    shapely.prepare(shape)
    at = np.array([place.x, place.y])
    for _ in range(_TRIES):
        radius = np.sqrt(rng.uniform(NEAR_M**2, FAR_M**2))
        angle = rng.uniform(0, 2 * np.pi)
        moved: np.ndarray = at + radius * np.array([np.cos(angle), np.sin(angle)])
        if shapely.contains_xy(shape, moved[0], moved[1]):
            return moved
    found = f"no ground of its own within {NEAR_M:g} to {FAR_M:g} m of {place.x:.1f}, {place.y:.1f}"
    raise DesignError(Problem("keep", found, "room to move off the old hole", "draw anew without `keep`"))
