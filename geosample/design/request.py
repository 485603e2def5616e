"""What is asked of a design, with a default for everything, and the checks that need no ground."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from geosample.errors import Problem
from geosample.pests import DEFAULT_PEST
from geosample.words import ALLOCATIONS, DRAW_METHODS, METHODS, SURFACE_KINDS, WALKS, is_date

MOST_POINTS = 20_000
EDGE_DECAY_M = 4.0
"""Distance over which an edge-weighted density falls off, m (own choice of 3 to 5, no source)."""
MINIMUM = 8
"""Points a stratum is given at least: 5 for a variance, 8 for a decision (common practice, no source)."""


class Stream(IntEnum):
    """Random streams of their own beside the draw's, so that what one decides moves no point of the draw.

    The numbers are part of a design: another one would change what a seed gives.
    """

    EXTRACTION = 1  # the order in which bags are extracted
    KEEPING = 2  # which points of the last visit are kept, and how far each is moved
    SPLITTING = 3  # which of a point's plugs goes to which method


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """One round of sampling as asked for.

    Parameters
    ----------
    visit : str
        Its name; an ISO date is its own date.
    date : str, optional
        ISO date, needed when the name is none.
    points : int
        Main points in all.
    surfaces : tuple of str
        Kinds of surface to sample.
    holes : tuple of str, optional
        Holes to sample; all when None.
    by : tuple of str
        What else strata are split by: ``hole``, ``surface``. Kind (and part, with a border) always splits them.
    border_m : float, optional
        Width of the border strata, m; None for no split.
    border_weight : float
        Density at the outer edge over that far inside, 1 to 4.
    method : str
        One of ``DRAW_METHODS``; collars are always drawn along their ring, except by ``random``.
    allocation : str
        One of ``ALLOCATIONS``: how the strata share the points.
    minimum : int
        Fewest main points in a stratum; lowered, and said, where the points do not reach.
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
    seed : int, optional
        Seed of the draw; taken from the system, and kept, when None.
    setback_m : float
        Strip along every surface's own edge that is not sampled, m.
    keep_off : tuple of (str, float)
        Kinds of obstacle and the distance kept from them, m; that ground leaves the target area.
    every_edge : bool
        Measure edge distance to each surface's own line.
    walk : str
        ``holes``: hole by hole in their order; ``round``: the shortest round over all points.
    start : tuple of float, optional
        Easting and northing the round starts from, m; the first tee when None.
    without_holes : tuple of str
        Holes left out, such as closed ones.
    hole_groups : tuple of tuple of str
        Groups of holes that make strata of their own, such as front and back nine.
    areas : tuple of (str, str)
        Names and shapes (WKT, in the ground's CRS) of the user's own areas; each splits the strata it lies in.
    spots : tuple of (float, float, float)
        Easting, northing and radius, m, of places that leave the target area, such as cups and sprinkler heads.
    k : float, optional
        Negative binomial k of one bag on this course; a cautious one when None.
    expected : tuple of (str, float)
        Stratum or kind -> density expected there, insects per m², for the optimal allocation.
    most : tuple of (str, int)
        Stratum or kind -> most main points a stratum may have.
    keep : float
        Share of the last visit's points kept, moved by half a metre to a metre; 0 for none.
    compare : tuple of str
        Extraction methods to split each point's plugs between, at random; none for one bag a point.
    """

    visit: str
    date: str | None = None
    points: int = 90
    surfaces: tuple[str, ...] = ("green", "collar", "fairway")
    holes: tuple[str, ...] | None = None
    by: tuple[str, ...] = ()
    border_m: float | None = None
    border_weight: float = 1.0
    method: str = "balanced"
    allocation: str = "power"
    minimum: int = MINIMUM
    reserve: float = 0.2
    plug_m: float | None = None
    unit_m2: float | None = None
    plugs: int | None = None
    pest: str = DEFAULT_PEST
    seed: int | None = None
    setback_m: float = 0.0
    keep_off: tuple[tuple[str, float], ...] = ()
    every_edge: bool = False
    walk: str = "holes"
    start: tuple[float, float] | None = None
    without_holes: tuple[str, ...] = ()
    hole_groups: tuple[tuple[str, ...], ...] = ()
    areas: tuple[tuple[str, str], ...] = ()
    spots: tuple[tuple[float, float, float], ...] = ()
    k: float | None = None
    expected: tuple[tuple[str, float], ...] = ()
    most: tuple[tuple[str, int], ...] = ()
    keep: float = 0.0
    compare: tuple[str, ...] = ()

    @property
    def day(self) -> str:
        """The visit's date; empty when neither it nor the name is one."""
        return self.date or (self.visit if is_date(self.visit) else "")

    def stream(self, which: Stream) -> np.random.Generator:
        """Return the generator of one of the streams beside the draw's."""
        return np.random.default_rng([self.seed or 0, int(which)])


def parse_holes(text: str) -> tuple[str, ...]:
    """Return hole names from a list with ranges.

    Examples
    --------
    >>> parse_holes("1-3, 7,Red 3")
    ('1', '2', '3', '7', 'Red 3')
    >>> parse_holes("9-7")
    ('7', '8', '9')
    """
    parts = [part.strip() for part in text.split(",") if part.strip()]
    return tuple(hole for part in parts for hole in _one_or_range(part))


def _one_or_range(part: str) -> tuple[str, ...]:
    ends = re.fullmatch(r"(\d+)\s*-\s*(\d+)", part)
    if ends is None or abs(int(ends[2]) - int(ends[1])) > 99:  # noqa: PLR2004 (no course has more)
        return (part,)
    first, last = sorted((int(ends[1]), int(ends[2])))
    return tuple(str(number) for number in range(first, last + 1))


def find_problems(request: Request) -> list[Problem]:
    """Return everything in a request that can't be, whatever the ground.

    Examples
    --------
    >>> [problem.where for problem in find_problems(Request(visit="spring", points=0))]
    ['--visit', '--points']
    """
    return [*_name_problems(request), *_range_problems(request), *_choice_problems(request)]


_LONGEST_NAME = 60


def _name_problems(request: Request) -> Iterator[Problem]:
    name = request.visit
    if not name.strip():
        yield Problem("--visit", "no name", "a name or a date", "write --visit 2026-05-04")
    if len(name) > _LONGEST_NAME or not name.isprintable():
        found = f"{len(name)} characters" if name.isprintable() else f"{name[:20]!r}, with signs that can't be printed"
        yield Problem(
            "--visit", found, f"one line of up to {_LONGEST_NAME} characters", "shorten it: it is on every page"
        )
    if request.date and not is_date(request.date):
        yield Problem("--date", repr(request.date), "a date, YYYY-MM-DD", _mend_date(request.date))
    elif not request.day:
        remedy = _mend_date(name) if re.search(r"\d", name) else "add --date 2026-05-04 (the day you sample)"
        yield Problem("--visit", repr(name[:_LONGEST_NAME]), "a date, YYYY-MM-DD, or a name with --date", remedy)


def _mend_date(text: str) -> str:
    """Return what to write for a date in another form; both readings where day and month can't be told apart."""
    parts = re.fullmatch(r"\s*(\d{1,2})[/.-](\d{1,2})[/.-](\d{4})\s*", text)
    if parts is None:
        return "write it as 2026-05-04, year first, or add --date"
    first, second, year = (int(part) for part in parts.groups())
    readings = {f"{year:04d}-{month:02d}-{day:02d}" for month, day in ((first, second), (second, first))}
    real = sorted(reading for reading in readings if is_date(reading))
    return f"write it year first: {' or '.join(real)}" if real else "write it as 2026-05-04, year first"


def _range_problems(request: Request) -> Iterator[Problem]:
    rules = [
        ("--points", request.points, 2, MOST_POINTS, "at least two are needed for an estimate"),
        ("--border-weight", request.border_weight, 1, 4, "beyond 4 it costs more than it can gain"),
        ("--reserve", request.reserve, 0, 2, "0.2 means one reserve point to five"),
        ("--minimum", request.minimum, 1, 1000, "8 serves a decision, 5 a variance"),
        ("--plugs", request.plugs, 1, 100, "give the number pooled in one bag"),
        ("--plug", request.plug_m, 0.005, 0.5, "give a diameter such as 2.25in"),
        ("--unit-area", request.unit_m2, 1e-5, 10.0, "give the area of one unit, such as 1ft2"),
        ("--border", request.border_m, 0.1, 100.0, "give a width such as 15ft"),
        ("--setback", request.setback_m, 0.0, 50.0, "give a width such as 1ft"),
        ("--k", request.k, 0.01, 1000.0, "insect counts have 0.2 to 5 a bag (M)"),
    ]
    for where, value, low, high, remedy in rules:
        if value is not None and not (math.isfinite(value) and low <= value <= high):
            yield Problem(where, f"{value:,.10g}{_unit(where)}", f"{low:,g} to {high:,g}{_unit(where)}", remedy)


def _unit(where: str) -> str:
    return {"--plug": " m", "--border": " m", "--setback": " m", "--unit-area": " m²"}.get(where, "")


def _choice_problems(request: Request) -> Iterator[Problem]:
    choices = [
        ("--method", (request.method,), DRAW_METHODS),
        ("--allocation", (request.allocation,), ALLOCATIONS),
        ("--surfaces", request.surfaces, SURFACE_KINDS),
        ("--by", request.by, ("hole", "surface")),
        ("--walk", (request.walk,), WALKS),
        ("--compare", request.compare, METHODS),
    ]
    for where, given, allowed in choices:
        wrong = [name for name in given if name not in allowed]
        if wrong:
            yield Problem(where, ", ".join(map(repr, wrong)), f"of: {', '.join(allowed)}", "name one of them")
    if request.compare and not 2 <= len(set(request.compare)) == len(request.compare):  # noqa: PLR2004
        yield Problem("--compare", ",".join(request.compare), "two or more different methods", "write brine,heat")
    if not request.surfaces:
        yield Problem("--surfaces", "none", f"some of: {', '.join(SURFACE_KINDS)}", "name the kinds to sample")
