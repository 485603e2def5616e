"""The one place for units: metres, square metres and insects per square metre inside, the user's at the border.

References
----------
NIST Special Publication 811 (2008), Guide for the Use of the International System of Units, appendix B:
the foot, inch, yard, mile and acre below are exact (international foot, 0.3048 m).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from typing import Literal

from geosample.errors import Problem, UnitError

Units = Literal["us", "metric"]

INCH_M = 0.0254
FOOT_M = 0.3048
YARD_M = 0.9144
FOOT2_M2 = FOOT_M**2
ACRE_M2 = 43_560 * FOOT2_M2
HECTARE_M2 = 10_000.0
MILE_M = 5_280 * FOOT_M

LENGTHS_M = {"in": INCH_M, "ft": FOOT_M, "yd": YARD_M, "mm": 0.001, "cm": 0.01, "m": 1.0}
AREAS_M2 = {
    "in2": INCH_M**2,
    "ft2": FOOT2_M2,
    "yd2": YARD_M**2,
    "acre": ACRE_M2,
    "ac": ACRE_M2,
    "cm2": 1e-4,
    "m2": 1.0,
    "ha": HECTARE_M2,
}
SPEEDS_M_PER_S = {"mph": MILE_M / 3600, "km/h": 1000 / 3600, "kph": 1000 / 3600, "m/s": 1.0, "ft/s": FOOT_M}
DENSITIES_PER_M2 = {f"/{name}": 1.0 / area for name, area in AREAS_M2.items() if name in {"ft2", "yd2", "m2"}}

_ALSO = {
    r"²|\^2": "2",
    r"″|”|\"|''|\b(?:inch|inches)\b": "in",
    r"′|’|'|\b(?:foot|feet)\b": "ft",
    r"\byards?\b": "yd",
    r"\bacres\b": "acre",
    r"\bper\b": "/",
    r"\b(?:sq|square)\.?\s*(in|ft|yd|cm|m)\b": r"\g<1>2",
    r"\s+": "",
}
"""Other ways to write a unit, and what they are read as, in this order."""
_LONGEST = 40  # letters of a wrong text that are said back
_QUANTITY = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*")


def parse_length(text: str, *, where: str = "length") -> float:
    """Return metres from a length with its unit.

    Parameters
    ----------
    text : str
        A number and one of in, ft, yd, mm, cm, m; zero or more.
    where : str
        The option's name, for the error.

    Raises
    ------
    UnitError
        Without a unit, with an unknown one, or with a value that is negative or not finite.

    Examples
    --------
    >>> parse_length("30in")
    0.762
    >>> parse_length("4.5 m"), parse_length('30"')
    (4.5, 0.762)
    """
    return _parse(text, LENGTHS_M, where, "a length", "100 km", 1e5)


def parse_area(text: str, *, where: str = "area") -> float:
    """Return square metres from an area with its unit (in2, ft2, yd2, acre, cm2, m2, ha).

    Examples
    --------
    >>> parse_area("300ft2")
    27.870912
    """
    return _parse(text, AREAS_M2, where, "an area", "a million ha", 1e10)


def parse_density(text: str, *, where: str = "density") -> float:
    """Return insects per m² from a density with its unit (/ft2, /yd2, /m2).

    Examples
    --------
    >>> round(parse_density("30/ft2"), 3)
    322.917
    """
    return _parse(text, DENSITIES_PER_M2, where, "a density", "a billion per m²", 1e9)


def parse_speed(text: str, *, where: str = "speed") -> float:
    """Return metres per second from a speed with its unit (mph, km/h, m/s, ft/s).

    Examples
    --------
    >>> round(parse_speed("3mph"), 3), round(parse_speed("5 km/h"), 3)
    (1.341, 1.389)
    """
    return _parse(text, SPEEDS_M_PER_S, where, "a speed", "1,000 m/s", 1e3)


def _parse(text: str, table: dict[str, float], where: str, what: str, limit: str, most: float) -> float:
    match = _QUANTITY.fullmatch(text)
    unit = _plain_unit(match.group(2)) if match else ""
    if match is None or unit not in table:
        raise UnitError(_unit_problem(text, table, where, what))
    value = float(match.group(1)) * table[unit]
    if not 0 <= value <= most:
        shown = text if len(text) <= _LONGEST else f"{text[:_LONGEST]}…"
        raise UnitError(Problem(where, repr(shown), f"{what} from zero to {limit}", "mend the number"))
    return value


def _plain_unit(text: str) -> str:
    """Return a unit as the tables have it.

    Examples
    --------
    >>> [_plain_unit(text) for text in ('"', "/sqft", "per ft2", "per square foot", "Feet", "sq. yd")]
    ['in', '/ft2', '/ft2', '/ft2', 'ft', 'yd2']
    """
    unit = text.lower()
    for written, read in _ALSO.items():
        unit = re.sub(written, read, unit)
    return unit


def _unit_problem(text: str, table: dict[str, float], where: str, what: str) -> Problem:
    allowed = ", ".join(table)
    return Problem(where, repr(text), f"{what} with its unit", f"write a number and one of: {allowed}")


def plug_area_m2(diameter_m: float) -> float:
    """Return the area of a round plug in m² from its diameter in m.

    Examples
    --------
    >>> round(plug_area_m2(2.25 * INCH_M) / FOOT2_M2, 5)
    0.02761
    """
    return math.pi * diameter_m**2 / 4


_LEAST_SHOWN = 0.1  # of a density in the user's units: less is no number that a plug could tell (own choice)


def per_ft2(per_m2: float) -> float:
    """Return insects per ft² from insects per m².

    Examples
    --------
    >>> round(per_ft2(322.917), 3)
    30.0
    """
    return per_m2 * FOOT2_M2


def show_density(per_m2: float, units: Units = "us") -> str:
    """Return a density as people read it, with its unit.

    Examples
    --------
    >>> show_density(322.917), show_density(322.917, "metric"), show_density(0.008)
    ('30/ft²', '323/m²', 'under 0.1/ft²')
    """
    value = per_ft2(per_m2) if units == "us" else per_m2
    shown = f"under {_LEAST_SHOWN}" if 0 < value < _LEAST_SHOWN else show_number(value)
    return f"{shown}/{'ft²' if units == 'us' else 'm²'}"


def show_range(low_per_m2: float, high_per_m2: float, units: Units = "us") -> str:
    """Return an interval of densities in the user's units; it is not known where an end is not.

    Parameters
    ----------
    low_per_m2, high_per_m2 : float
        Its ends, insects per m².
    units : {'us', 'metric'}
        As ``show_density``.

    Examples
    --------
    >>> show_range(118.4, 1076.39), show_range(118.4, 1076.39, "metric"), show_range(1.0, math.nan)
    ('11 to 100/ft²', '118 to 1,076/m²', 'not known')
    """
    if not (math.isfinite(low_per_m2) and math.isfinite(high_per_m2)):
        return "not known"
    return f"{show_density(low_per_m2, units).split('/')[0]} to {show_density(high_per_m2, units)}"


def show_area(area_m2: float, units: Units = "us") -> str:
    """Return an area in ft² or acres, m² or ha, whichever reads best.

    Examples
    --------
    >>> show_area(557.4), show_area(20_000), show_area(20_000, "metric")
    ('6,000 ft²', '4.94 acres', '2.00 ha')
    """
    if units == "us":
        feet = area_m2 / FOOT2_M2
        return f"{feet:,.0f} ft²" if feet < ACRE_M2 / FOOT2_M2 else f"{area_m2 / ACRE_M2:,.2f} acres"
    return f"{area_m2:,.0f} m²" if area_m2 < HECTARE_M2 else f"{area_m2 / HECTARE_M2:,.2f} ha"


def show_length(length_m: float, units: Units = "us") -> str:
    """Return a length in ft or m.

    Examples
    --------
    >>> show_length(4.572), show_length(4.572, "metric")
    ('15 ft', '4.6 m')
    """
    return f"{length_m / FOOT_M:,.0f} ft" if units == "us" else f"{length_m:,.1f} m"


def show_way(length_m: float, units: Units = "us") -> str:
    """Return a way to drive in ft or miles, m or km, whichever reads best.

    Examples
    --------
    >>> show_way(83), show_way(4000), show_way(83, "metric"), show_way(4000, "metric")
    ('270 ft', '2.5 miles', '85 m', '4.0 km')
    """
    unit_m, name, far_m, far = (FOOT_M, "ft", MILE_M, "miles") if units == "us" else (1.0, "m", 1000.0, "km")
    if length_m >= far_m:
        return f"{length_m / far_m:,.1f} {far}"
    step = 10 if units == "us" else 5
    return f"{step * round(length_m / unit_m / step):,.0f} {name}"


def show_speed(m_per_s: float, units: Units = "us") -> str:
    """Return a speed in mph or km/h.

    Examples
    --------
    >>> show_speed(1.34112), show_speed(1.34112, "metric")
    ('3 mph', '4.8 km/h')
    """
    unit = "mph" if units == "us" else "km/h"
    return f"{m_per_s / SPEEDS_M_PER_S[unit]:.2g} {unit}"


def show_minutes(seconds: float) -> str:
    """Return a time in whole minutes, and hours where there are any.

    Examples
    --------
    >>> show_minutes(20), show_minutes(1500), show_minutes(6060)
    ('1 min', '25 min', '1 h 41 min')
    """
    hours, minutes = divmod(max(1, math.ceil(seconds / 60)), 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"


def show_number(value: float) -> str:
    """Return a number with two or three figures that mean something.

    Examples
    --------
    >>> [show_number(v) for v in (0, 0.34, 7.26, 31.4, 1234)]
    ['0', '0.34', '7.3', '31', '1,234']
    """
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else str(value)
    steps: list[tuple[float, Callable[[float], str]]] = [
        (1, lambda v: f"{v:.2g}"),
        (10, lambda v: f"{v:.1f}"),
        (math.inf, lambda v: f"{v:,.0f}"),
    ]
    return next(show(value) for limit, show in steps if abs(value) < limit)


def percent(share: float) -> str:
    """Return a share from 0 to 1 as a whole percentage; nothing rounds to certainty.

    Examples
    --------
    >>> percent(0.666), percent(0.999), percent(0.001), percent(1)
    ('67 %', 'over 99 %', 'under 1 %', '100 %')
    """
    if 0 < share < 0.01:  # noqa: PLR2004
        return "under 1 %"
    # sums of areas come to 1 only nearly
    if 0.99 < share < 1 - 1e-9:  # noqa: PLR2004
        return "over 99 %"
    return f"{100 * share:z.0f} %"


def share_out(shares: Sequence[float]) -> list[str]:
    """Return shares that make a whole as whole percentages that add up to 100, by largest remainder.

    Examples
    --------
    >>> share_out([0.335, 0.335, 0.33]), share_out([0.997, 0.003]), share_out([0.5, 0.5, 0])
    (['34 %', '33 %', '33 %'], ['over 99 %', 'under 1 %'], ['50 %', '50 %', '0 %'])
    """
    total = sum(shares)
    exact = [100 * share / total for share in shares]
    whole = [math.floor(one) for one in exact]
    rounded_down = sorted(range(len(exact)), key=lambda i: whole[i] - exact[i])
    for i in rounded_down[: 100 - sum(whole)]:
        whole[i] += 1
    edges = {i: percent(shares[i] / total) for i in range(len(exact)) if 0 < exact[i] < 1 or 99 < exact[i] < 100}  # noqa: PLR2004
    return [edges.get(i, f"{one} %") for i, one in enumerate(whole)]


def percent_range(low: float, high: float) -> str:
    """Return two shares as a range of whole percentages, or as one where they read alike.

    Examples
    --------
    >>> percent_range(0.2, 0.35), percent_range(0.001, 0.999), percent_range(0.996, 0.999)
    ('20 to 35 %', 'under 1 to over 99 %', 'over 99 %')
    """
    ends = dict.fromkeys([percent(low), percent(high)])
    return " to ".join(ends).replace(" % to", " to")


def about_percent(share: float) -> str:
    """Return a share with the word that says it is no exact one.

    Examples
    --------
    >>> about_percent(0.324), about_percent(0.001)
    ('about 32 %', 'under 1 %')
    """
    said = percent(share)
    return said if said[0] in "uo" else f"about {said}"


def set_percent(ratio: float) -> str:
    """Return a level, a margin or a precision as it was set: up to three figures, and free to pass 100 %.

    Examples
    --------
    >>> set_percent(0.95), set_percent(0.98333), set_percent(1.5)
    ('95 %', '98.3 %', '150 %')
    """
    return f"{100 * ratio:.3g} %"
