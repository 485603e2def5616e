"""Degree-days from the user's own daily lows and highs, as weather services give them.

References
----------
Baskerville & Emin 1969, Ecology 50:514-517: the day as one sine through its low and its high (from memory,
unverified). Zalom, Goodell, Wilson, Barnett & Bentley 1983, Degree-days: the calculation and use of heat units in pest
management, University of California Leaflet 21373: single sine, two thresholds, horizontal cut-off (read as quoted by
a general package of degree-days, whose six days are a test). McMaster & Wilhelm 1997, Agricultural and Forest
Meteorology 87:291-300: the simple average; here the day's mean is what is held between the thresholds.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from geosample.errors import Problem, SeasonError
from geosample.files.reading import Log, Note, Table, read_tables

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from geosample.pests import Event

Method = Literal["average", "sine"]
Scale = Literal["F", "C"]
LONGEST_BRIDGE = 3
"""Missing days in a row that are filled in between their neighbours (own choice); a longer gap ends the sum."""
START = "01-01"
"""Month and day the sum starts on (own choice: the sources of the events rarely say theirs)."""
LIKELY_F = (-80.0, 135.0)
"""Lows and highs outside these are asked about: no station has had them (own choice)."""
_WORDS = {
    "day": r"date|day|valid|observationdate|datetime|dateandtime|datum",
    "low": r"(daily)?(air)?(t|temp)?(min|minimum|low|mn|lowest)(air)?(t|temp)?",
    "high": r"(daily)?(air)?(t|temp)?(max|maximum|high|mx|highest)(air)?(t|temp)?",
}
_SCALE = re.compile(r"(?:degrees?|deg|°|º|[\s_(\[])\s*(f|fahrenheit|c|celsius|centigrade)\b", re.IGNORECASE)
_MISSING = {"", "m", "na", "nan", "none", "null", "-", "--", "-999", "-9999", "9999", "-99.9", "-999.0", "-9999.0"}


@dataclass(frozen=True, slots=True)
class Temperatures:
    """Daily lows and highs, °F, one day after another without a hole.

    Parameters
    ----------
    first : date
        The first day.
    low_f, high_f : ndarray, shape (days,)
        Lows and highs; NaN where the file has none and the gap is longer than ``LONGEST_BRIDGE`` days.
    bridged : int
        Days filled in between their neighbours.
    gaps : tuple of (str, str)
        Longer gaps, first and last day missing.
    notes : tuple of Note
        What was forgiven.
    """

    first: date
    low_f: NDArray[np.float64]
    high_f: NDArray[np.float64]
    bridged: int
    gaps: tuple[tuple[str, str], ...]
    notes: tuple[Note, ...] = ()

    @property
    def last(self) -> date:
        """The last day."""
        return self.first + timedelta(days=len(self.low_f) - 1)

    @property
    def years(self) -> list[int]:
        """Years with any day."""
        return list(range(self.first.year, self.last.year + 1))


@dataclass(frozen=True, slots=True)
class Sum:
    """Degree-days of one year, added up day by day.

    Parameters
    ----------
    first : date
        The first day added.
    total : ndarray, shape (days,)
        The sum at the end of each day, degree-days F; NaN from a gap on.
    late : bool
        Whether the file begins after the day the sum should start on, so that the sum is too low.
    """

    first: date
    total: NDArray[np.float64]
    late: bool

    def on(self, day: date) -> float | None:
        """Return the sum at the end of a day; None where the file does not reach."""
        place = (day - self.first).days
        if not 0 <= place < len(self.total) or math.isnan(self.total[place]):
            return None
        return float(self.total[place])

    def reached(self, total: float) -> date | None:
        """Return the first day on which the sum is at least so high; None where it is not reached."""
        over = np.flatnonzero(self.total >= total)
        return self.first + timedelta(days=int(over[0])) if over.size else None


def average_day(
    low: NDArray[np.float64], high: NDArray[np.float64], lower: float, upper: float | None = None
) -> NDArray[np.float64]:
    """Return the degree-days of days by the simple average, shape (days,).

    Parameters
    ----------
    low, high : ndarray, shape (days,)
        Lows and highs, degrees of one scale.
    lower : float
        Threshold below which nothing develops, same scale.
    upper : float, optional
        Above it development goes no faster (horizontal cut-off).

    Examples
    --------
    UC Statewide IPM Program, "A simple way to calculate degree-days": a mean of 64 °F over 53 °F is 11.

    >>> average_day(np.array([56.0]), np.array([72.0]), 53.0).tolist()
    [11.0]
    """
    mean = (np.asarray(low, float) + np.asarray(high, float)) / 2
    held = mean if upper is None else np.minimum(mean, upper)
    return np.asarray(np.where(np.isnan(held), np.nan, np.maximum(held - lower, 0.0)))


def sine_day(
    low: NDArray[np.float64], high: NDArray[np.float64], lower: float, upper: float | None = None
) -> NDArray[np.float64]:
    """Return the degree-days of days by the single sine, shape (days,).

    Parameters
    ----------
    low, high, lower, upper
        As for ``average_day``.

    Notes
    -----
    The area above a threshold t of a sine with mean m and half-range a is m - t where the low is above it, none where
    the high is below it, and else ((m - t) (π/2 - θ) + a cos θ) / π with θ = arcsin((t - m) / a). With a horizontal
    cut-off the area above the upper threshold is taken off.

    Examples
    --------
    >>> sine_day(np.array([36.0]), np.array([67.0]), 55.0, 93.9).round(2).tolist()
    [3.31]
    """
    total = _above(low, high, lower)
    return total if upper is None else total - _above(low, high, upper)


def _above(low: NDArray[np.float64], high: NDArray[np.float64], threshold: float) -> NDArray[np.float64]:
    low, high = np.asarray(low, float), np.asarray(high, float)
    mean, half = (high + low) / 2, (high - low) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        theta = np.arcsin(np.clip((threshold - mean) / half, -1, 1))
        crossing = ((mean - threshold) * (np.pi / 2 - theta) + half * np.cos(theta)) / np.pi
    area = np.where(low >= threshold, mean - threshold, np.where(high <= threshold, 0.0, crossing))
    return np.where(np.isnan(mean), np.nan, area)


METHODS: dict[Method, Callable[..., NDArray[np.float64]]] = {"average": average_day, "sine": sine_day}


def sum_year(
    temperatures: Temperatures,
    year: int,
    *,
    lower_f: float,
    upper_f: float | None = None,
    method: Method = "average",
    start: str = START,
) -> Sum | None:
    """Return the degree-days of a year; None where the file has no day of it from the start on.

    Parameters
    ----------
    temperatures : Temperatures
        As read.
    year : int
        Which.
    lower_f, upper_f : float
        Thresholds, °F.
    method : str
        ``average`` or ``sine``.
    start : str
        Month and day the sum starts on, MM-DD.
    """
    begin = max(date.fromisoformat(f"{year}-{start}"), temperatures.first)
    end = min(date(year, 12, 31), temperatures.last)
    if begin > end:
        return None
    days = slice((begin - temperatures.first).days, (end - temperatures.first).days + 1)
    each = METHODS[method](temperatures.low_f[days], temperatures.high_f[days], lower_f, upper_f)
    return Sum(begin, np.cumsum(each), begin.isoformat()[5:] > start)


@dataclass(frozen=True, slots=True)
class LookDay:
    """When a sum of degree-days is reached: the day it was, or the days it would be by other years.

    Parameters
    ----------
    event : Event
        Of the pest's profile.
    reached : str or None
        The day this year's sum was there.
    earliest, latest : str or None
        The days it would be reached, were the rest of the year as the earliest and the latest of the other years.
    years : tuple of int
        The other years this rests on.
    """

    event: Event
    reached: str | None
    earliest: str | None = None
    latest: str | None = None
    years: tuple[int, ...] = ()


def foresee(
    temperatures: Temperatures, year: int, events: Sequence[Event], *, method: Method = "average", start: str = START
) -> list[LookDay]:
    """Return for each event the day it was reached, or the range of days by the user's own other years.

    Parameters
    ----------
    temperatures : Temperatures
        As read.
    year : int
        The season.
    events : sequence of Event
        Of the pest's profile.
    method, start : str
        As for ``sum_year``.

    Notes
    -----
    From this year's sum on its last day, each other year's own days of the same dates on are added until the event is
    reached: a range of what has been, no forecast. A year that lacks some of these days is left out.
    """
    looks = []
    for event in events:
        how = {"lower_f": event.base_f, "upper_f": event.upper_f, "method": method, "start": start}
        mine = sum_year(temperatures, year, **how)  # type: ignore[arg-type]
        if mine is None:
            looks.append(LookDay(event, None))
            continue
        if (day := mine.reached(event.low_f)) is not None:
            looks.append(LookDay(event, day.isoformat()))
            continue
        known = mine.total[~np.isnan(mine.total)]
        if known.size < mine.total.size or not known.size:
            looks.append(LookDay(event, None))
            continue
        here = mine.first + timedelta(days=int(known.size) - 1)
        days: dict[int, date] = {}
        for other in temperatures.years:
            whole = sum_year(temperatures, other, **how) if other != year else None  # type: ignore[arg-type]
            if whole is None:
                continue
            then = _same_day(here, other)
            so_far = whole.on(then)
            there = None if so_far is None else whole.reached(so_far + event.low_f - float(known[-1]))
            if there is not None:
                days[other] = here + (there - then)
        due = [day.isoformat() for day in sorted(days.values())]
        looks.append(LookDay(event, None, due[0] if due else None, due[-1] if due else None, tuple(sorted(days))))
    return looks


def _same_day(day: date, year: int) -> date:
    return day.replace(year=year, day=28) if (day.month, day.day) == (2, 29) else day.replace(year=year)


def read_temperatures(path: str | Path, *, scale: Scale | None = None) -> Temperatures:
    """Return the daily lows and highs of a table.

    Parameters
    ----------
    path : str or Path
        CSV (or a workbook) with a column of dates, one of lows and one of highs, under the names weather services give
        them, such as DATE, TMIN, TMAX or "Min Temp (°C)".
    scale : str, optional
        ``F`` or ``C``, where the headings do not say.

    Returns
    -------
    Temperatures
        A low and a high a day, °F, with gaps and what was forgiven.

    Raises
    ------
    SeasonError
        With everything that has to be settled: no such columns, no scale, a day twice with other numbers, a low above
        its high, a number that is none.
    """
    path, log = Path(path), Log()
    found: dict[date, tuple[float, float, str]] = {}
    tables = read_tables(path, log, _meaning)
    if not tables:  # what the shared reader says of sheets of counts is said of temperatures
        wanted, remedy = "a CSV with columns of dates, lows and highs", "name them date, low and high"
        raise SeasonError([Problem(one.where, one.found, wanted, remedy) for one in log.problems])
    twice = sum(_gather_days(table, scale, found, log) for table in tables)
    if not found and not log.problems:
        log.refuse(path.name, "no day with a low and a high", "daily lows and highs", "export them again")
    log.settle(SeasonError, set_aside=False)
    if twice:
        log.note("days_twice", path.name, {"days": twice})
    return _make_whole(found, log)


def _gather_days(table: Table, scale: Scale | None, found: dict[date, tuple[float, float, str]], log: Log) -> int:
    """Put a table's days among those found; return how many stood there already, alike."""
    twice = 0
    if not (columns := _find_columns(table, log)):
        return twice
    in_celsius = _find_scale(table, columns, scale, log) == "C"
    for day, low, high, where in _read_days(table, columns, in_celsius, log):
        if day not in found:
            found[day] = (low, high, where)
        elif found[day][:2] == (low, high):
            twice += 1
        else:
            told = f"{day} a second time, with other numbers than {found[day][2]}"
            log.ask(where, told, "one row a day, of one station", "keep the right one")
    return twice


def _meaning(heading: str) -> str | None:
    plain = re.sub(r"[^a-z]", "", re.sub(_SCALE, " ", heading).lower().replace("temperature", "temp"))
    return next((name for name, words in _WORDS.items() if re.fullmatch(words, plain)), None)


def _find_columns(table: Table, log: Log) -> dict[str, int]:
    meanings = [_meaning(heading) for heading in table.headings]
    wrong = [name for name in _WORDS if meanings.count(name) != 1]
    if wrong:
        named = ", ".join(table.headings)
        log.refuse(table.file, f"the columns {named}", "one column each: date, low, high", "name them date, low, high")
        return {}
    return {name: meanings.index(name) for name in _WORDS}


def _find_scale(table: Table, columns: dict[str, int], asked: Scale | None, log: Log) -> str:
    told = {
        match[1][0].upper()
        for name in ("low", "high")
        if (match := _SCALE.search(f" {table.headings[columns[name]]}")) is not None
    }
    if len(told) == 1 and asked in (None, *told):
        return told.pop()
    if not told and asked:
        return asked
    expected = "°F or °C, of both columns" if not asked else f"the scale asked for, °{asked}"
    found = f"{' and '.join(f'°{one}' for one in sorted(told)) or 'no scale'} in the headings"
    log.refuse(table.file, found, expected, "write it in the headings, or give `scale=F` or `scale=C`")
    return asked or "F"


def _read_days(
    table: Table, columns: dict[str, int], celsius: bool, log: Log
) -> Iterator[tuple[date, float, float, str]]:
    read_day = _choose_order([cells[columns["day"]] for cells in table.rows])
    if read_day is None:
        found = f"dates such as {table.rows[0][columns['day']]}, whose month and day can't be told apart"
        log.refuse(table.file, found, "dates that can", "write them year-month-day, as 2026-05-04")
        return
    blank = 0
    for cells, where in zip(table.rows, table.wheres, strict=True):
        day = read_day(cells[columns["day"]])
        low, high = (_read_degrees(cells[columns[name]]) for name in ("low", "high"))
        if day is None:
            log.ask(where, f"'{cells[columns['day']]}'", "a date such as 2026-05-04", "write it year-month-day")
        elif low is None or high is None:
            blank += 1
        elif isinstance(low, str) or isinstance(high, str):
            wrong = low if isinstance(low, str) else high
            log.ask(where, f"'{wrong}'", "degrees, with a point", "correct it, or leave it blank")
        else:
            low, high = (1.8 * one + 32 if celsius else one for one in (low, high))
            if _is_likely(low, high, where, log):
                yield day, low, high, where
    if blank:
        log.note("days_blank", table.file, {"days": blank})


def _is_likely(low_f: float, high_f: float, where: str, log: Log) -> bool:
    if low_f > high_f:
        log.ask(where, f"a low above its high ({low_f:g} and {high_f:g} °F)", "a low below it", "correct the row")
    elif low_f < LIKELY_F[0] or high_f > LIKELY_F[1]:
        remedy = "correct the row, or the scale (°F or °C, not tenths)"
        log.ask(where, f"{low_f:g} to {high_f:g} °F", f"{LIKELY_F[0]:g} to {LIKELY_F[1]:g} °F", remedy)
    else:
        return True
    return False


def _read_degrees(text: str) -> float | str | None:
    plain = text.strip().rstrip("°FCfc ").replace("\u2212", "-")
    if plain.lower() in _MISSING:
        return None
    try:
        number = float(plain)
    except ValueError:
        return text
    return number if math.isfinite(number) else text


_ORDERS = ("%Y-%m-%d", "%Y/%m/%d", "%Y%m%d", "%m/%d/%Y", "%d/%m/%Y", "%d.%m.%Y", "%m-%d-%Y", "%m/%d/%y", "%d-%b-%Y")


def _choose_order(texts: Sequence[str]) -> Callable[[str], date | None] | None:
    """Return the reader of the one order of day and month that most dates have; None where two have all alike."""
    plain = [re.split(r"[T ](?=\d{1,2}:)", text.strip())[0] for text in texts]

    def read(order: str, text: str) -> date | None:
        try:
            return datetime.strptime(text, order).date()
        except ValueError:
            return None

    read_by = {order: [read(order, text) for text in plain] for order in _ORDERS}
    most = max(sum(day is not None for day in days) for days in read_by.values())
    best = [order for order, days in read_by.items() if sum(day is not None for day in days) == most]
    if most and len({tuple(read_by[order]) for order in best}) > 1:
        # days that follow one another tell the order: 1/4, 1/5, 1/6 are days, not months
        steps = {o: sum(b - a == timedelta(days=1) for a, b in _pairs(read_by[o])) for o in best}
        top = max(steps.values())
        best = [order for order in best if steps[order] == top]
        if len(best) > 1:
            return None
    order = best[0]
    return lambda text: read(order, re.split(r"[T ](?=\d{1,2}:)", text.strip())[0])


def _pairs(days: Sequence[date | None]) -> Iterator[tuple[date, date]]:
    known = [day for day in days if day is not None]
    yield from pairwise(known)


def _make_whole(found: dict[date, tuple[float, float, str]], log: Log) -> Temperatures:
    first, last = min(found), max(found)
    days = (last - first).days + 1
    values = np.full((days, 2), np.nan)
    for day, (low, high, _) in found.items():
        values[(day - first).days] = low, high
    missing = np.isnan(values[:, 0])
    starts = np.flatnonzero(missing & ~np.r_[False, missing[:-1]])
    ends = np.flatnonzero(missing & ~np.r_[missing[1:], False])
    bridged, gaps = 0, []
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        if end - start < LONGEST_BRIDGE:
            inside = np.arange(start, end + 1)
            for column in (0, 1):
                ends_at = [values[start - 1, column], values[end + 1, column]]
                values[inside, column] = np.interp(inside, [start - 1, end + 1], ends_at)
            bridged += len(inside)
        else:
            gaps.append(tuple((first + timedelta(days=place)).isoformat() for place in (start, end)))
    return Temperatures(first, values[:, 0], values[:, 1], bridged, tuple(gaps), tuple(log.notes))  # type: ignore[arg-type]
