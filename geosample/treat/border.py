"""Whether treating the border alone would do: a question to the counts, answered from their border ratio."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from geosample.treat.curve import best_width_m, interpolate_strip
from geosample.units import FOOT_M, show_length

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from geosample.treat.settings import TreatSettings

_USUAL_M = 15 * FOOT_M
_RATIOS = ("common border ratio", "border ratio")


@dataclass(frozen=True, slots=True)
class BorderRatio:
    """Border over interior density, with its interval."""

    value: float
    low: float
    high: float

    @property
    def supported(self) -> bool:
        """Whether the whole interval lies above 1: the counts say the border holds more."""
        return self.low > 1.0


def find_ratio(findings: pd.DataFrame | None) -> BorderRatio | None:
    """Return the border ratio among a visit's findings: the common one, or that of the only kind; None without.

    Parameters
    ----------
    findings : DataFrame or None
        Rows of the layer ``findings`` of one visit and pest.
    """
    if findings is None:
        return None
    for what in _RATIOS:
        rows = findings[(findings["what"] == what) & findings["low"].notna()]
        if len(rows) == 1:
            row = rows.iloc[0]
            return BorderRatio(float(row["value"]), float(row["low"]), float(row["high"]))
    return None


def tell_border(curve: pd.DataFrame, ratio: BorderRatio | None, settings: TreatSettings) -> Iterator[str]:
    """Yield what the counts say of treating the border alone."""
    said = "Border against interior was not estimated" if ratio is None else _tell_ratio(ratio)
    asked = settings.border_only_m
    if ratio is not None and ratio.supported:
        width = best_width_m(curve)
        yield (
            f"{said}, so a border-only plan is open to you: a strip of {show_length(width, settings.units)} "
            f"{_tell_strip(curve, width)} (--border-only {_typed(width, settings)}). That width is where the strip's "
            "share of the insects is most above its share of the ground."
        )
        return
    width = asked or _USUAL_M
    missed = [1 - share for share in interpolate_strip(curve, width)[1:]]
    verb = "misses" if asked else "would miss"
    yield (
        f"{said}: treating only the border is not supported. A strip of {show_length(width, settings.units)} {verb} "
        f"about {100 * missed[0]:.0f} % of the insects ({100 * missed[2]:.0f} to {100 * missed[1]:.0f} %)."
    )


def _tell_ratio(ratio: BorderRatio) -> str:
    size = f"{ratio.value:.1f} times the interior's density, interval {ratio.low:.2g} to {ratio.high:.2g}"
    if ratio.supported:
        return f"The counts say the border holds more ({size})"
    if ratio.high < 1:
        return f"The counts say the border holds less ({size})"
    return f"The counts do not settle whether the border holds more ({size})"


def _tell_strip(curve: pd.DataFrame, width_m: float) -> str:
    area, insects, low, high = interpolate_strip(curve, width_m)
    return (
        f"is {100 * area:.0f} % of the mapped ground and reaches about {100 * insects:.0f} % of the insects "
        f"({100 * low:.0f} to {100 * high:.0f} %)"
    )


def _typed(width_m: float, settings: TreatSettings) -> str:
    return f"{width_m / FOOT_M:.0f}ft" if settings.units == "us" else f"{width_m:.1f}m"
