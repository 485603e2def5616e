"""What the check of a treatment says, most important first."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from geosample.treat.efficacy import FEWEST, Efficacy, limits_of
from geosample.units import Units, percent, percent_range, show_density

_NOT_SHOWN = "The interval reaches to none at all: these counts do not show that the treatment did anything."


def tell_efficacy(found: Efficacy, units: Units = "us") -> Iterator[str]:
    """Yield what the counts say of the treatment, most important first."""
    yield from _tell_against_strips(found) if found.strips_used else _tell_against_the_rest(found)
    for name, group in found.groups.items():
        mean, low, high = (show_density(value, units) for value in (group.mean_per_m2, *limits_of(group.draws)))
        yield f"{name}: {mean} (90 % interval {low} to {high}), {group.insects} insects in {group.bags} bags."
    yield (
        "Zones were chosen for high counts, and such ground falls by itself at the next count even when nothing is "
        "done: do not read before against after in the zones alone."
    )
    if found.same_places:
        yield (
            f"{found.same_places} of the later bags lie where one was pulled before: a plug hole is no fresh point. "
            "Draw a new visit."
        )


def _tell_against_strips(found: Efficacy) -> Iterator[str]:
    share = _show(found.henderson_tilton)
    yield f"Insects killed by the treatment, against the check strips: {share} (Henderson-Tilton)."
    if not found.henderson_tilton[1] > 0:
        yield _NOT_SHOWN
    below = " Less than 0 %: the treated ground held more afterwards than the untreated." if found.abbott[0] < 0 else ""
    yield f"From the ground afterwards alone: {_show(found.abbott)} (Abbott).{below}"


def _tell_against_the_rest(found: Efficacy) -> Iterator[str]:
    """Yield what ground outside the zones can tell: between two figures that err to either side."""
    strips, before, after = found.strips
    yield (
        "How many insects the treatment killed can't be told fairly: the zones were chosen for their high counts, and "
        "nothing here says what such ground does untreated."
        + (
            f" The plan's check strips ({strips}) hold {before} bags before and {after} after; "
            f"{FEWEST} at each visit are needed."
            if strips
            else " Check strips (geosample treat --checks 5%), with plugs in them, would."
        )
    )
    yield (
        f"Against the ground outside the zones it flatters the treatment, for dense ground falls by itself: "
        f"{_show(found.henderson_tilton)} (Henderson-Tilton)."
    )
    yield (
        f"From the ground afterwards alone it slights it, for the zones were denser: {_show(found.abbott)} (Abbott; "
        "below 0 % where they still are)."
    )
    if not found.henderson_tilton[1] > 0:
        yield _NOT_SHOWN


def _show(limits: tuple[float, float, float]) -> str:
    value, low, high = limits
    if not np.isfinite(value):
        return "a share that these counts can't tell (no insects in untreated ground)"
    return f"{percent(value)} (90 % interval {percent_range(low, high)})"
