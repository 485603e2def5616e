"""Amounts and tank loads from the figures the user enters: unit arithmetic, and nothing else.

Nothing here knows a product or a rate. The user's figures are kept beside every amount.

References
----------
NIST Special Publication 811 (2008), appendix B.8: 1 US gallon = 3.785 412 L, 1 US fluid ounce = 29.573 53 mL,
1 avoirdupois pound = 0.453 592 37 kg (exact), 1 acre = 43 560 ft² of the international foot here.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

from geosample.errors import Problem, UnitError
from geosample.units import ACRE_M2, FOOT2_M2, HECTARE_M2, INCH_M

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


def parse_tank(text: str) -> Amount:
    """Return the sprayer's tank from a volume such as ``100gal``."""
    tank = parse_amount(text, where="--tank")
    if tank.dimension != "volume" or tank.value <= 0:
        raise UnitError(Problem("--tank", repr(text), "a volume of more than 0", "use gal, qt, floz, L or mL"))
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

    @classmethod
    def of_plain(cls, said: Mapping[str, Any]) -> Sprayer:
        """Return the figures from what ``plain`` gave."""
        rate, carrier = (
            Rate(Amount(**said[name]["per_m2"]), said[name]["text"]) if said[name] else None
            for name in ("rate", "carrier")
        )
        return cls(rate, carrier, Amount(**said["tank"]) if said["tank"] else None)

    def plain(self) -> dict[str, Any]:
        """Return the figures in JSON's own types: litres or kilograms, with the unit and the words as entered."""
        return asdict(self)

    def count_loads(self, area_m2: float) -> float | None:
        """Return how many tanks an area takes; None without a tank and a carrier volume."""
        if self.carrier is None or self.tank is None:
            return None
        return area_m2 * self.carrier.per_m2.value / self.tank.value

    def loads(self, area_m2: float) -> Loads | None:
        """Return the tank loads an area takes; None without a tank and a carrier volume."""
        if self.carrier is None or self.tank is None:
            return None
        per_load_m2 = self.tank.value / self.carrier.per_m2.value
        full = math.floor(area_m2 / per_load_m2 + 1e-9)
        water = replace(self.carrier, per_m2=replace(self.carrier.per_m2, unit=self.tank.unit))
        return Loads(
            full,
            self.tank,
            self.rate.on(per_load_m2) if self.rate else None,
            _rest(water, area_m2, full, per_load_m2),
            _rest(self.rate, area_m2, full, per_load_m2) if self.rate else None,
        )


@dataclass(frozen=True, slots=True)
class Loads:
    """So many full tanks, each with so much product, and what is left for a last one."""

    full: int
    tank: Amount
    product: Amount | None
    last: Amount
    last_product: Amount | None


def _rest(rate: Rate, area_m2: float, full: int, per_load_m2: float) -> Amount:
    """Return what is left for the last load of the total as it was told, so that the loads add up to it."""
    whole, load = rate.on(area_m2), rate.on(per_load_m2)
    left = cut_down(whole.in_unit) - full * cut_down(load.in_unit)
    return whole.times(max(left, 0.0) / whole.in_unit)
