"""Whether treating the border alone would do: a question to the counts, answered from their border ratio."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from geosample.estimate import judge_border
from geosample.treat.curve import best_width_m, interpolate_strip
from geosample.units import FOOT_M, about_percent, percent, percent_range, show_area, show_length

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from geosample.treat.settings import TreatSettings
    from geosample.treat.totals import Totals

_USUAL_M = 15 * FOOT_M
_MOST_LEFT, _MOST_GROUND = 0.1, 2 / 3
"""A strip proposed leaves at most this part of the ground worth treating, and is at most this part of all ground (own
choices)."""
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


def tell_border(
    curve: pd.DataFrame, ratio: BorderRatio | None, settings: TreatSettings, totals: Totals
) -> Iterator[str]:
    """Yield what the counts say of treating the border alone: proposed where they support it, not where it leaves much.

    Notes
    -----
    A border may hold more and the rest still be above the threshold: a strip then leaves ground that is worth
    treating by the user's own costs, and is no plan to propose.
    """
    said = "Border against interior was not estimated" if ratio is None else _tell_ratio(ratio)
    asked = settings.border_only_m
    if ratio is None or not ratio.supported:
        yield f"{said}: treating only the border is not supported. {_tell_missed(curve, asked, settings)}"
        return
    best = best_width_m(curve)
    width = asked or _wide_enough_m(curve, best, totals)
    strip = f"a strip of {show_length(width, settings.units)} {_tell_strip(curve, width)}"
    left = show_area(totals.above_beyond_m2(width), settings.units)
    if asked:
        yield f"{said}: {strip}, and leaves {left} farther in that pass the rule."
    elif interpolate_strip(curve, width)[0] > _MOST_GROUND:
        yield f"{said}, yet the rest is above the threshold too: no strip short of most of the ground would do."
    else:
        reason = (
            "where the strip's share of the insects is most above its share of the ground"
            if width == best
            else "the narrowest that leaves no more than a tenth of the ground that passes the rule"
        )
        yield (
            f"{said}, so a border-only plan is open to you: {strip}, and leaves {left} farther in that pass the rule "
            f"(--border-only {_typed(width, settings)}). That width is {reason}."
        )


def _wide_enough_m(curve: pd.DataFrame, least_m: float, totals: Totals) -> float:
    """Return the narrowest of the curve's strips, from a width up, that leaves little; else the widest."""
    strips = curve.loc[curve["way"] == "border", "width_m"].astype(float)
    widths: list[float] = sorted(strips[strips >= least_m])
    most_m2 = _MOST_LEFT * totals.above.area_m2
    return next((width for width in widths if totals.above_beyond_m2(width) <= most_m2), widths[-1])


def _tell_missed(curve: pd.DataFrame, asked: float | None, settings: TreatSettings) -> str:
    width = asked or _USUAL_M
    missed = [1 - share for share in interpolate_strip(curve, width)[1:]]
    verb = "misses" if asked else "would miss"
    return (
        f"A strip of {show_length(width, settings.units)} {verb} {about_percent(missed[0])} of the insects "
        f"({percent_range(missed[2], missed[1])})."
    )


def _tell_ratio(ratio: BorderRatio) -> str:
    size = f"{ratio.value:.1f} times the interior's density, interval {ratio.low:.2g} to {ratio.high:.2g}"
    verdict = judge_border(ratio.low, ratio.high)
    if verdict:
        return f"The counts say the border {verdict} ({size})"
    return f"The counts do not settle whether the border holds more ({size})"


def _tell_strip(curve: pd.DataFrame, width_m: float) -> str:
    area, insects, low, high = interpolate_strip(curve, width_m)
    return (
        f"is {percent(area)} of the mapped ground and reaches {about_percent(insects)} of the insects "
        f"({percent_range(low, high)})"
    )


def _typed(width_m: float, settings: TreatSettings) -> str:
    return f"{width_m / FOOT_M:.0f}ft" if settings.units == "us" else f"{width_m:.1f}m"
