"""Amounts and tank loads from the figures the user enters: unit arithmetic, and nothing else.

Nothing here knows a product or a rate. The user's figures are said back beside every amount.

References
----------
NIST Special Publication 811 (2008), appendix B.8: 1 US gallon = 3.785 412 L, 1 US fluid ounce = 29.573 53 mL,
1 avoirdupois pound = 0.453 592 37 kg (exact), 1 acre = 43 560 ft² of the international foot here.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from geosample.errors import Problem, UnitError
from geosample.units import ACRE_M2, FOOT2_M2, HECTARE_M2, INCH_M, Units, show_area

Dimension = Literal["volume", "weight"]

_GALLON_L = 231 * INCH_M**3 * 1000  # 231 cubic inches by definition
_POUND_KG = 0.45359237
VOLUMES_L = {
    "floz": _GALLON_L / 128,
    "pt": _GALLON_L / 8,
    "qt": _GALLON_L / 4,
    "gal": _GALLON_L,
    "ml": 0.001,
    "l": 1.0,
}
WEIGHTS_KG = {"oz": _POUND_KG / 16, "lb": _POUND_KG, "g": 0.001, "kg": 1.0}
_GROUND_M2 = {
    "1000ft2": 1000 * FOOT2_M2,
    "ft2": FOOT2_M2,
    "acre": ACRE_M2,
    "ac": ACRE_M2,
    "100m2": 100.0,
    "m2": 1.0,
    "ha": HECTARE_M2,
}
_OUNCE = " (oz is read as a weight; write floz for a volume)"
_NAMES = {"floz": "fl oz", "ml": "mL", "l": "L"}
_AMOUNT = re.compile(r"\s*(\d+\.?\d*|\.\d+)\s*([a-z ]+?)\s*")
_FIGURES = 3
_LEAST, _MOST = 1e-6, 1e6  # L or kg


@dataclass(frozen=True, slots=True)
class Amount:
    """A volume (litres) or a weight (kilograms), and the unit the user wrote it in."""

    value: float
    dimension: Dimension
    unit: str

    def show(self) -> str:
        """Return the amount in the user's unit, rounded down to three figures, so as never to say more.

        Examples
        --------
        >>> parse_amount("12.349 floz").show()
        '12.3 fl oz'
        """
        return f"{round_down(self.in_unit)} {_NAMES.get(self.unit, self.unit)}"

    @property
    def in_unit(self) -> float:
        """The amount in the user's unit."""
        return self.value / {**VOLUMES_L, **WEIGHTS_KG}[self.unit]

    def times(self, factor: float) -> Amount:
        """Return so many times the amount."""
        return Amount(self.value * factor, self.dimension, self.unit)


@dataclass(frozen=True, slots=True)
class Rate:
    """An amount for each m² of ground, and the words it was entered in."""

    per_m2: Amount
    text: str

    def on(self, area_m2: float) -> Amount:
        """Return the amount for an area."""
        return self.per_m2.times(area_m2)


def parse_amount(text: str, *, where: str = "amount") -> Amount:
    """Return a volume or a weight from a number with its unit.

    Raises
    ------
    UnitError
        Without a unit, or with one that is neither a volume nor a weight.

    Examples
    --------
    >>> round(parse_amount("2gal").value, 6)
    7.570824
    """
    match = _AMOUNT.fullmatch(text.lower().replace("fl oz", "floz").replace("fl. oz", "floz"))
    unit = match.group(2).replace(" ", "") if match else ""
    if match is None or unit not in {**VOLUMES_L, **WEIGHTS_KG}:
        allowed = ", ".join([*VOLUMES_L, *WEIGHTS_KG])
        problem = Problem(where, repr(text), "a number and its unit", f"write one of: {allowed} (oz is a weight)")
        raise UnitError(problem)
    size = float(match.group(1)) * {**VOLUMES_L, **WEIGHTS_KG}[unit]
    if size != 0 and not _LEAST <= size <= _MOST:
        remedy = "mend the number"
        raise UnitError(Problem(where, f"{text[:40]!r}", "an amount from a microlitre to a million litres", remedy))
    dimension: Dimension = "volume" if unit in VOLUMES_L else "weight"
    return Amount(size, dimension, unit)


def parse_rate(text: str, *, where: str = "--rate", dimension: Dimension | None = None) -> Rate:
    """Return a rate from an amount over an area of ground, such as ``2gal/1000ft2``.

    Parameters
    ----------
    dimension : {'volume', 'weight'}, optional
        What the amount must be; either when None.

    Raises
    ------
    UnitError
        When it is no amount over an area, is not more than 0, or is of the wrong dimension.

    Examples
    --------
    >>> rate = parse_rate("1 gal/1000ft2")
    >>> round(rate.on(ACRE_M2).value / VOLUMES_L["gal"], 2)
    43.56
    """
    amount_text, slash, ground = text.partition("/")
    per = re.sub(r"[\s,]", "", ground.lower()).replace("²", "2").replace("^2", "2")
    per = {"1ft2": "ft2", "1acre": "acre", "1m2": "m2", "1ha": "ha"}.get(per, per)
    if not slash or per not in _GROUND_M2:
        remedy = f"write an amount over one of: {', '.join(_GROUND_M2)}"
        raise UnitError(Problem(where, repr(text), "an amount over an area of ground", remedy))
    amount = parse_amount(amount_text, where=where)
    if dimension is not None and amount.dimension != dimension:
        expected = f"a {dimension} over an area of ground"
        raise UnitError(Problem(where, f"{text!r}, a {amount.dimension}", expected, "use gal, qt, floz, L or mL"))
    if amount.value <= 0:
        raise UnitError(Problem(where, repr(text), "more than 0", "copy the figure from the label"))
    return Rate(amount.times(1 / _GROUND_M2[per]), " ".join(text.split()))


def parse_tank(text: str, *, where: str = "--tank") -> Amount:
    """Return the sprayer's tank from a volume such as ``100gal``."""
    tank = parse_amount(text, where=where)
    if tank.dimension != "volume" or tank.value <= 0:
        raise UnitError(Problem(where, repr(text), "a volume of more than 0", "use gal, qt, floz, L or mL"))
    return tank


def cut_down(value: float) -> float:
    """Return a number cut to three figures; 0 for less than nothing."""
    if value <= 0:
        return 0.0
    places = _FIGURES - 1 - math.floor(math.log10(value))
    # the small push keeps 0.3 from becoming 0.299 for want of a binary fraction
    return math.floor(value * 10.0**places * (1 + 1e-12)) / 10.0**places


def round_down(value: float) -> str:
    """Return a number cut, not rounded, to three figures.

    Examples
    --------
    >>> round_down(12.79), round_down(0.45678), round_down(1289.0), round_down(3.0)
    ('12.7', '0.456', '1,280', '3')
    """
    cut = cut_down(value)
    if cut <= 0:
        return "0"
    places = _FIGURES - 1 - math.floor(math.log10(cut))
    shown = f"{cut:,.{max(places, 0)}f}"
    return shown.rstrip("0").rstrip(".") if "." in shown else shown


@dataclass(frozen=True, slots=True)
class Sprayer:
    """The figures the user enters for amounts; any may be missing.

    Parameters
    ----------
    rate : Rate or None
        Product on the ground, from the label the user holds.
    carrier : Rate or None
        Water on the ground, a volume.
    tank : Amount or None
        What the sprayer holds, a volume.
    """

    rate: Rate | None = None
    carrier: Rate | None = None
    tank: Amount | None = None

    def plain(self) -> dict[str, str | None]:
        """Return the figures as they were entered."""
        rate, carrier = (one.text if one else None for one in (self.rate, self.carrier))
        return {"rate": rate, "carrier": carrier, "tank": self.tank.show() if self.tank else None}


def tell_amounts(area_m2: float, sprayer: Sprayer, units: Units) -> Iterator[str]:
    """Yield the amounts for an area and the tank loads, with the user's own figures beside them."""
    if area_m2 <= 0:
        return
    ground = show_area(area_m2, units)
    if sprayer.rate:
        takes = take(sprayer.rate, area_m2)
        ounce = _OUNCE if sprayer.rate.per_m2.unit == "oz" else ""
        yield (
            f"At the rate you entered, {sprayer.rate.text}{ounce}, the {ground} of the zones take {takes} (cut to "
            "three figures, never rounded up). The label you hold sets the rate and the yearly maximum: check both."
        )
    if sprayer.carrier:
        yield f"At the carrier volume you entered, {sprayer.carrier.text}, they take {take(sprayer.carrier, area_m2)}."
    if sprayer.carrier and sprayer.tank:
        yield _tell_loads(area_m2, sprayer.carrier, sprayer.tank, sprayer.rate)


def take(rate: Rate, area_m2: float) -> str:
    """Return what an area takes at a rate, cut to three figures, with its unit."""
    return rate.on(area_m2).show()


def _tell_loads(area_m2: float, carrier: Rate, tank: Amount, rate: Rate | None) -> str:
    per_load_m2 = tank.value / carrier.per_m2.value
    full = math.floor(area_m2 / per_load_m2 + 1e-9)
    parts = [f"{full} full of {tank.show()}{_with(rate, per_load_m2)}"] if full else []
    water = replace(carrier, per_m2=replace(carrier.per_m2, unit=tank.unit))
    last = _rest(water, area_m2, full, per_load_m2)
    if last.value > 0:
        product = f" with {_rest(rate, area_m2, full, per_load_m2).show()}" if rate else ""
        parts.append(f"{'one' if full else 'a single load'} of {last.show()}{product}")
    return f"Tank loads: {', then '.join(parts)}."


def _with(rate: Rate | None, area_m2: float) -> str:
    return f" with {take(rate, area_m2)}" if rate else ""


def _rest(rate: Rate, area_m2: float, full: int, per_load_m2: float) -> Amount:
    """Return what is left for the last load of the total as it was told, so that the loads add up to it."""
    whole, load = rate.on(area_m2), rate.on(per_load_m2)
    left = cut_down(whole.in_unit) - full * cut_down(load.in_unit)
    return whole.times(max(left, 0.0) / whole.in_unit)
