"""What is asked of a design: the one check of it, and what it leaves open settled with the ground and the survey."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import geopandas as gpd
import numpy as np
import shapely

from geosample.design.howmany import (
    BEGIN,
    CONTAINERS,
    MINUTES,
    MOST_POINTS,
    WALK_M_PER_S,
    Bench,
    points_for,
    points_in_hours,
    points_to_tell,
)
from geosample.distributions import K_IF_UNKNOWN
from geosample.errors import DesignError, Problem
from geosample.ground import only_polygons, read_own_shapes
from geosample.pests import DEFAULT_PEST, load_pest
from geosample.survey.findings import What, read_findings
from geosample.units import plug_area_m2
from geosample.words import (
    ALLOCATIONS,
    DRAW_METHODS,
    METHODS,
    SURFACE_KINDS,
    WALKS,
    hole_key,
    is_date,
    parse_holes,
    same_hole,
)

if TYPE_CHECKING:
    import pandas as pd

    from geosample.ground import Ground
    from geosample.survey import Survey

TRIAL_SITES = ("kind", "hole", "surface_id", "all")
"""What the sites of a trial are: kinds of ground, holes, single surfaces, or one site."""
SURFACES = ("green", "collar", "fairway")
"""Kinds sampled when none are asked for, as far as the course has them."""
POINTS = 90
"""Main points when nothing says how many (own choice)."""
MINIMUM = 8
"""Points a stratum is given at least: 5 for a variance, 8 for a decision (common practice, no source)."""
_LONGEST_NAME = 60
_FARTHEST_M = 1000.0
_LONGEST_MINUTES = 20_000.0
_BESIDE = (
    *("visit", "date", "precision", "expected_per_m2", "threshold_per_m2", "chance", "hours", "people", "containers"),
    *("extraction", "walk_m_per_s", "minutes", "begin"),
    *("sites", "stop_low_per_m2", "stop_high_per_m2", "k_from_visit", "strips_from_visit", "surfaces_missing", "end"),
)
"""Fields that decide nothing of the draw once its points are counted; they are no part of the design's code."""


class Stream(IntEnum):
    """Random streams of their own beside the draw's, so that what one decides moves no point of the draw.

    The numbers are part of a design: another one would change what a seed gives.
    """

    EXTRACTION = 1  # the order in which bags are extracted
    KEEPING = 2  # which points of the last visit are kept, and how far each is moved
    SPLITTING = 3  # which of a point's plugs goes to which method


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """One round of sampling, ready to draw: the arguments of ``draw_design``, settled.

    Parameters
    ----------
    surfaces : tuple of str
        Kinds of surface to sample; when none were asked for, those of ``SURFACES`` that are there.
    surfaces_missing : tuple of str
        The rest of those.
    areas : tuple of (str, str)
        Names and shapes (WKT, in the ground's CRS) of the user's own areas.
    strips : str
        Check strips of an earlier plan (WKT, in the ground's CRS), which get points of their own.
    start, end : tuple of float, optional
        Where the walk starts and ends, easting and northing, m.
    keep_off : tuple of (str, float)
        Kinds of obstacle and the distance kept from them, m.
    spots : tuple of (float, float, float)
        Easting, northing and radius, m, of landmarks kept off, such as cups and sprinkler heads.
    expected, most : tuple of (str, float) and of (str, int)
        Pairs of stratum or kind and its density or cap.
    """

    visit: str
    date: str | None = None
    points: int = POINTS
    precision: float | None = None
    expected_per_m2: float | None = None
    threshold_per_m2: float | None = None
    chance: float = 0.8
    hours: float | None = None
    people: int = 1
    containers: int = CONTAINERS
    extraction: str = "brine"
    walk_m_per_s: float = WALK_M_PER_S
    minutes: tuple[tuple[str, float], ...] = ()
    begin: str = BEGIN
    surfaces: tuple[str, ...] = SURFACES
    surfaces_missing: tuple[str, ...] = ()
    holes: tuple[str, ...] | None = None
    without_holes: tuple[str, ...] = ()
    hole_groups: tuple[tuple[str, ...], ...] = ()
    areas: tuple[tuple[str, str], ...] = ()
    strips: str | None = None
    strips_from_visit: str | None = None
    by: tuple[str, ...] = ()
    border_m: float | None = None
    border_weight: float = 1.0
    every_edge: bool = False
    setback_m: float = 0.0
    keep_off: tuple[tuple[str, float], ...] = ()
    spots: tuple[tuple[float, float, float], ...] = ()
    method: str = "balanced"
    allocation: str = "power"
    minimum: int = MINIMUM
    most: tuple[tuple[str, int], ...] = ()
    reserve: float = 0.2
    plug_m: float | None = None
    unit_m2: float | None = None
    plugs: int | None = None
    pest: str = DEFAULT_PEST
    k: float | None = None
    k_from_visit: str | None = None
    expected: tuple[tuple[str, float], ...] = ()
    stop_low_per_m2: float | None = None
    stop_high_per_m2: float | None = None
    compare: tuple[str, ...] = ()
    sites: str = "kind"
    keep: float = 0.0
    walk: str = "holes"
    start: tuple[float, float] | None = None
    end: tuple[float, float] | None = None
    seed: int | None = None

    @property
    def day(self) -> str:
        """The visit's date; empty when neither it nor the name is one."""
        return self.date or (self.visit if is_date(self.visit) else "")

    @property
    def one_unit_m2(self) -> float:
        """Area of one plug or other unit, m²."""
        return self.unit_m2 or plug_area_m2(self.plug_m or load_pest(self.pest).unit_diameter_m)

    @property
    def units_pooled(self) -> int:
        """Units pooled in a bag."""
        return self.plugs or load_pest(self.pest).plugs_per_point

    @property
    def bench(self) -> Bench:
        """Who and what is at hand, and what the work takes."""
        plugs, bags = self.units_pooled, max(len(self.compare), 1)
        hands = self.hours, self.people, self.containers, self.extraction
        return Bench(*hands, plugs, bags, self.walk_m_per_s, self.minutes, self.begin)

    def stream(self, which: Stream) -> np.random.Generator:
        """Return the generator of one of the streams beside the draw's."""
        return np.random.default_rng([self.seed or 0, int(which)])

    def plain(self) -> dict[str, Any]:
        """Return what decides the draw, in plain types, as it is stored with the visit."""
        beside = _BESIDE if self.strips else (*_BESIDE, "strips")
        return {key: value for key, value in asdict(self).items() if key not in beside}


@dataclass(frozen=True, slots=True)
class Known:
    """What a survey knows of a pest before a design is drawn.

    Parameters
    ----------
    k : float, optional
        Negative binomial k of one bag on the newest visit that was estimated for it.
    k_from_visit : str, optional
        That visit.
    densities_per_m2 : dict
        Stratum or kind -> mean density, insects per m², on the newest visit estimated by them.
    """

    k: float | None = None
    k_from_visit: str | None = None
    densities_per_m2: dict[str, float] = field(default_factory=dict)


def read_known(survey: Survey, pest: str) -> Known:
    """Return a pest's k, and its densities by stratum and kind, each from the newest visit estimated for it.

    Parameters
    ----------
    survey : Survey
        With what was estimated.
    pest : str
        The pest's name, as it stands in the survey.
    """
    estimates = survey.read("estimates")
    means = estimates[
        (estimates["pest"] == pest) & (estimates["stage"] == "all") & estimates["domain"].isin(["stratum", "kind"])
    ]
    newest = survey.newest_among(means["visit"])
    rows = means[means["visit"] == newest]
    densities = {str(label): float(mean) for label, mean in zip(rows["label"], rows["mean_per_m2"], strict=True)}
    for visit in reversed(survey.order_visits()):
        found = read_findings(survey, visit, pest, What.K).first(What.K, "all")
        if found is not None:
            return Known(float(found.value), visit, densities)
    return Known(densities_per_m2=densities)


def make_request(ground: Ground, asked: Mapping[str, Any]) -> Request:
    """Return a request ready to draw.

    Parameters
    ----------
    ground : Ground
        Gives the kinds there are, landmarks, and the coordinate system of start and areas.
    asked : mapping
        The arguments of ``draw_design``, by name.

    Raises
    ------
    DesignError
        With everything that can't be.
    GroundError
        When the file of areas can't be used.
    """
    words = dict(asked)
    points, surfaces, start, end = (words.pop(name) for name in ("points", "surfaces", "start", "end"))
    areas, area_name, strips = (words.pop(name) for name in ("areas", "area_name", "strips"))
    missing = _missing(SURFACES, ground.surfaces["kind"]) if surfaces is None else []
    if surfaces is None:
        surfaces = [kind for kind in SURFACES if kind not in missing] or SURFACES
    words |= {name: _as_words(words[name]) for name in ("by", "compare")}
    words |= {name: _as_pairs(words[name]) for name in ("most", "expected", "minutes")}
    words["holes"] = None if words["holes"] is None else _as_holes(words["holes"])
    words["without_holes"] = _as_holes(words["without_holes"])
    words["hole_groups"] = tuple(_as_holes(group) for group in words["hole_groups"])
    near = [(kind.strip().lower(), distance_m) for kind, distance_m in _as_pairs(words["keep_off"])]
    words["keep_off"], words["spots"] = part_spots(near, ground)
    request = Request(
        **words,
        points=POINTS if points is None else points,
        surfaces=_as_words(surfaces),
        surfaces_missing=tuple(missing) if len(missing) < len(SURFACES) else (),
    )
    problems = [*find_problems(request, points_asked=points is not None), *_ground_problems(request, ground)]
    if problems:
        raise DesignError(problems)
    return replace(
        request,
        points=points if points is not None else count_points(request),
        areas=() if areas is None else _name_areas(areas, area_name, ground),
        strips=None if strips is None or not len(strips) else str(strips.to_crs(ground.crs).union_all().wkt),
        start=None if start is None else _place("start", start, ground),
        end=None if end is None else _place("end", end, ground),
        expected=request.expected if request.allocation == "optimal" else (),
    )


def count_points(request: Request) -> int:
    """Return the points that a precision, or telling a threshold, takes; or that the hours allow; or the usual number.

    Raises
    ------
    DesignError
        When more come out than can be.

    Examples
    --------
    >>> count_points(Request(visit="2026-05-04")), count_points(Request(visit="2026-05-04", hours=8.0, people=2))
    (90, 82)
    """
    mean, k = (request.expected_per_m2 or 0.0) * request.one_unit_m2 * request.units_pooled, request.k or K_IF_UNKNOWN
    if request.precision is not None:
        where, points = "precision", points_for(request.precision, mean, k)
    elif request.threshold_per_m2 is not None:
        bound = request.threshold_per_m2 * request.one_unit_m2 * request.units_pooled
        where, points = "threshold_per_m2", points_to_tell(mean, bound, k, chance=request.chance)
    else:
        return request.points if request.hours is None else max(points_in_hours(request.bench), 1)
    if points > MOST_POINTS:
        found = f"a wish that takes {points:,} points"
        remedy = "wish for less, pool more plugs at a point, or give `k` if you know it"
        raise DesignError(Problem(where, found, f"up to {MOST_POINTS:,}", remedy))
    return points


def find_problems(request: Request, *, points_asked: bool = False) -> list[Problem]:
    """Return everything in a request that can't be, whatever the ground.

    Parameters
    ----------
    request : Request
        What is asked.
    points_asked : bool
        Whether a number of points was asked for, so that nothing else may stand in its place.

    Examples
    --------
    >>> [problem.where for problem in find_problems(Request(visit="spring", points=0))]
    ['visit', 'points']
    """
    return [
        *find_name_problems(request.visit, request.date),
        *_range_problems(request),
        *_choice_problems(request),
        *find_wish_problems(
            request.precision, request.threshold_per_m2, request.expected_per_m2, points_asked=points_asked
        ),
        *_density_problems(request),
    ]


def find_name_problems(visit: str, date: str | None = None, *, is_its_date: bool = False) -> Iterator[Problem]:
    """Yield what is wrong with a visit's name and date.

    Parameters
    ----------
    visit, date : str
        As for ``draw_design``.
    is_its_date : bool
        Whether the name has to be the date, for there is no other place for it.
    """
    if not visit.strip():
        yield Problem("visit", "no name", "a name or a date", "write `visit=2026-05-04`")
    if len(visit) > _LONGEST_NAME or not visit.isprintable():
        found = (
            f"{len(visit)} characters" if visit.isprintable() else f"{visit[:20]!r}, with signs that can't be printed"
        )
        expected = f"one line of up to {_LONGEST_NAME} characters"
        yield Problem("visit", found, expected, "shorten it: it is on every page")
    if date and not is_date(date):
        yield Problem("date", repr(date), "a date, YYYY-MM-DD", _mend_date(date))
    elif not date and not is_date(visit):
        or_name, or_date = ("", "") if is_its_date else (", or a name with `date`", ", or add `date=2026-05-04`")
        remedy = f"{_mend_date(visit)}{or_date}"
        yield Problem("visit", repr(visit[:_LONGEST_NAME]), f"a date, YYYY-MM-DD{or_name}", remedy)


def _mend_date(text: str) -> str:
    """Return what to write for a date in another form; both readings where day and month can't be told apart."""
    parts = re.fullmatch(r"\s*(\d{1,2})[/.-](\d{1,2})[/.-](\d{4})\s*", text)
    if parts is None:
        return "write it as 2026-05-04, year first"
    first, second, year = (int(part) for part in parts.groups())
    readings = {f"{year:04d}-{month:02d}-{day:02d}" for month, day in ((first, second), (second, first))}
    real = sorted(reading for reading in readings if is_date(reading))
    return f"write it year first: {' or '.join(real)}" if real else "write it as 2026-05-04, year first"


def find_wish_problems(
    precision: float | None, threshold_per_m2: float | None, expected_per_m2: float | None, *, points_asked: bool
) -> Iterator[Problem]:
    """Yield what does not go together in what the number of points is to buy.

    Parameters
    ----------
    precision, threshold_per_m2, expected_per_m2 : float, optional
        As for ``draw_design``; None where not asked for.
    points_asked : bool
        Whether a number of points was asked for.
    """
    wishes = {"precision": precision, "threshold_per_m2": threshold_per_m2}
    asked = [name for name, value in wishes.items() if value is not None]
    if asked and (expected_per_m2 is None or points_asked or len(asked) > 1):
        others = [f"`{name}`" for name in [*asked[1:], *(["points"] if points_asked else [])]]
        found = [
            *(f"{name} beside it" for name in others),
            *(["no density expected"] if expected_per_m2 is None else []),
        ]
        remedy = [*(f"leave out {name}" for name in others)]
        remedy += ["give `expected_per_m2`"] if expected_per_m2 is None else []
        expected = "no other number of points, and it needs `expected_per_m2`"
        yield Problem(asked[0], " and ".join(found), expected, " and ".join(remedy))


def _density_problems(request: Request) -> Iterator[Problem]:
    mean, bound = request.expected_per_m2, request.threshold_per_m2
    if mean is not None and (mean <= 0 or bound == mean or (bound is not None and bound <= 0)):
        found = f"{mean:g} per m²" + ("" if bound is None else f", threshold {bound:g} per m²")
        expected = "a density above zero" if bound is None else "two densities above zero that differ"
        yield Problem("expected_per_m2", found, expected, "give one such as `expected_per_m2=215`")
    low, high = request.stop_low_per_m2, request.stop_high_per_m2
    if (low, high) != (None, None) and not 0 < (low or 0.0) < (high or 0.0):
        found = f"{low} and {high} per m²"
        remedy = "give both, such as 108 and 430 per m² (10 and 40 per ft²)"
        yield Problem("stop_low_per_m2", found, "a low and a high density", remedy)


def _range_problems(request: Request) -> Iterator[Problem]:
    rules: list[tuple[str, float, float, str, str]] = [
        ("points", 2, MOST_POINTS, "", "at least two are needed for an estimate"),
        ("precision", 0.02, 1, "", "give a standard error over the mean, such as 0.25"),
        ("chance", 0.5, 0.99, "", "0.8 is usual"),
        ("hours", 0.1, 2000, " h", "give the hours at hand, for walking, pulling and extracting"),
        ("walk_m_per_s", 0.1, 5.0, " m/s", "give how fast people walk with their kit"),
        ("people", 1, 100, "", "give how many are at work"),
        ("containers", 1, 1000, "", "give how many bags are extracted at once"),
        ("border_weight", 1, 4, "", "beyond 4 it costs more than it can gain"),
        ("reserve", 0, 2, "", "0.2 means one reserve point to five"),
        ("minimum", 1, 1000, "", "8 serves a decision, 5 a variance"),
        ("plugs", 1, 100, "", "give the number pooled in one bag"),
        ("plug_m", 0.005, 0.5, " m", "give a diameter such as `plug_m=0.057`"),
        ("unit_m2", 1e-5, 10.0, " m²", "give the area of one unit, such as `unit_m2=0.093`"),
        ("border_m", 0.1, 100.0, " m", "give a width such as `border_m=4.6`"),
        ("setback_m", 0.0, 50.0, " m", "give a width such as `setback_m=0.3`"),
        ("k", 0.01, 1000.0, "", "insect counts have 0.2 to 5 a bag (M)"),
    ]
    for where, low, high, unit, remedy in rules:
        value = getattr(request, where)
        if value is not None and not (math.isfinite(value) and low <= value <= high):
            yield Problem(where, f"{value:,.10g}{unit}", f"{low:,g} to {high:,g}{unit}", remedy)
    for name, minutes in request.minutes:
        if not 0 <= minutes <= _LONGEST_MINUTES:
            found = f"{name}={minutes:g} min"
            yield Problem("minutes", found, f"0 to {_LONGEST_MINUTES:,g} min", "give minutes for one of them")
    if not re.fullmatch(r"([01]?\d|2[0-3]):[0-5]\d", request.begin):
        yield Problem("begin", repr(request.begin), "a time of day, 0:00 to 23:59", "write `begin=7:00`")
    for distance_m in (*(pair[1] for pair in request.keep_off), *(spot[2] for spot in request.spots)):
        if not 0 <= distance_m <= _FARTHEST_M:
            yield Problem("keep_off", f"{distance_m:g} m", f"0 to {_FARTHEST_M:,g} m", "give a distance from the thing")


def _choice_problems(request: Request) -> Iterator[Problem]:
    choices: list[tuple[str, tuple[str, ...], Collection[str]]] = [
        ("method", (request.method,), DRAW_METHODS),
        ("allocation", (request.allocation,), ALLOCATIONS),
        ("surfaces", request.surfaces, SURFACE_KINDS),
        ("by", request.by, ("hole", "surface")),
        ("walk", (request.walk,), WALKS),
        ("compare", request.compare, METHODS),
        ("sites", (request.sites,), TRIAL_SITES),
        ("extraction", (request.extraction,), MINUTES),
        ("minutes", tuple(name for name, _ in request.minutes), MINUTES["brine"]),
    ]
    for where, given, allowed in choices:
        wrong = [name for name in given if name not in allowed]
        if wrong:
            yield Problem(where, ", ".join(map(repr, wrong)), f"of: {', '.join(allowed)}", "name one of them")
    if request.compare and not 2 <= len(set(request.compare)) == len(request.compare):  # noqa: PLR2004
        yield Problem("compare", ",".join(request.compare), "two or more different methods", "name brine and heat")
    if not request.surfaces:
        yield Problem("surfaces", "none", f"some of: {', '.join(SURFACE_KINDS)}", "name the kinds to sample")


def _ground_problems(request: Request, ground: Ground) -> Iterator[Problem]:
    """Yield the holes, kinds and obstacles asked for that the course does not have."""
    there = sorted(ground.surfaces["hole"].dropna().unique(), key=hole_key)
    known = {same_hole(hole) for hole in there}
    named = {
        "holes": request.holes or (),
        "without_holes": request.without_holes,
        "hole_groups": tuple(hole for group in request.hole_groups for hole in group),
    }
    for where, holes in named.items():
        wrong = [hole for hole in holes if same_hole(hole) not in known]
        if wrong:
            expected = f"of: {', '.join(there)}" if there else "none, for this course's surfaces name no hole"
            yield Problem(where, ", ".join(wrong), expected, "name holes of this course, or leave it out")
    things = [
        ("surfaces", request.surfaces, "on this course", ground.surfaces["kind"]),
        ("keep_off", tuple(kind for kind, _ in request.keep_off), "among the obstacles", ground.obstacles["kind"]),
    ]
    for where, kinds, place, column in things:
        wrong = [kind for kind in _missing(kinds, column) if where != "surfaces" or kind in SURFACE_KINDS]
        if wrong:
            allowed = f"of: {', '.join(sorted(set(column))) or 'none'}"
            remedy = "leave it out, or read it in with 'geosample ground'"
            remedy += " (--collar 30in makes collars)" if "collar" in wrong else ""
            yield Problem(where, f"no {', '.join(wrong)} {place}", allowed, remedy)


def _missing(kinds: Sequence[str], column: pd.Series) -> list[str]:
    there = set(column)
    return [kind for kind in kinds if kind not in there]


def _as_words(words: str | Sequence[str]) -> tuple[str, ...]:
    """Return words as they are in this house; one text may hold several, with commas."""
    parts = words.split(",") if isinstance(words, str) else words
    return tuple(part.strip().lower() for part in parts if part.strip())


def _as_holes(holes: str | Sequence[str | int]) -> tuple[str, ...]:
    return parse_holes(holes) if isinstance(holes, str) else tuple(str(hole) for hole in holes)


Value = TypeVar("Value")


def _as_pairs(pairs: Mapping[str, Value] | Sequence[tuple[str, Value]]) -> tuple[tuple[str, Value], ...]:
    return tuple(pairs.items() if isinstance(pairs, Mapping) else pairs)


_DEGREES = re.compile(r"(-?\d+(?:\.\d+)?)\s*,\s*(-?\d+(?:\.\d+)?)")


def part_spots(
    keep_off: Sequence[tuple[str, float]], ground: Ground
) -> tuple[tuple[tuple[str, float], ...], tuple[tuple[float, float, float], ...]]:
    """Return the obstacles to keep off, and as rounds left out the landmarks by name or kind, and places in degrees."""
    marks = ground.landmarks
    obstacles = set(ground.obstacles["kind"])
    texts = [] if marks is None else [marks[name].astype("string").fillna("") for name in ("kind", "name")]
    called = [text.str.strip().str.lower() for text in texts]
    others, spots = [], []
    for kind, distance_m in keep_off:
        if degrees := _DEGREES.fullmatch(kind):
            east, north = _place("keep_off", (float(degrees[1]), float(degrees[2])), ground)
            spots.append((east, north, distance_m))
            continue
        mine = [] if marks is None or kind in obstacles else marks[called[0].eq(kind) | called[1].eq(kind)].geometry
        if not len(mine):
            others.append((kind, distance_m))
        for shape in mine:
            middle = shapely.centroid(shape)
            spots.append((float(middle.x), float(middle.y), distance_m))
    return tuple(others), tuple(spots)


def _place(name: str, degrees: tuple[float, float], ground: Ground) -> tuple[float, float]:
    if not (abs(degrees[0]) <= 180 and abs(degrees[1]) <= 90):  # noqa: PLR2004 - a degree is no number either
        found = f"{degrees[0]:g}, {degrees[1]:g}"
        raise DesignError(Problem(name, found, "longitude and latitude in degrees", "write -73.91,41.52"))
    place = gpd.GeoSeries.from_xy([degrees[0]], [degrees[1]], crs=4326).to_crs(ground.crs).iloc[0]
    return float(place.x), float(place.y)


def _name_areas(
    areas: gpd.GeoDataFrame | Path | str, name_field: str | None, ground: Ground
) -> tuple[tuple[str, str], ...]:
    """Return the user's own areas in the ground's CRS, by name."""
    if isinstance(areas, (str, Path)):
        own, column = read_own_shapes(Path(areas), ground.crs, option="`areas`", name_field=name_field), "name"
    else:
        column = name_field or "name"
        if areas.crs is None or column not in areas.columns:
            found = "no coordinate system" if areas.crs is None else f"no column {column!r}"
            expected = "polygons with a coordinate system, and a column with their names"
            raise DesignError(Problem("areas", found, expected, "set its `crs`, or name the column with `area_name`"))
        own = areas.to_crs(ground.crs)
    shapes = only_polygons(own.geometry.to_numpy())
    return tuple((str(name), shape.wkt) for name, shape in zip(own[column], shapes, strict=True) if not shape.is_empty)
