"""The plan in plain words, and as rows of the layer ``findings``."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from geosample.treat.amounts import tell_amounts
from geosample.treat.border import tell_border
from geosample.units import show_area, show_density, show_length

if TYPE_CHECKING:
    from geosample.treat.border import BorderRatio
    from geosample.treat.cells import Holding
    from geosample.treat.settings import TreatSettings
    from geosample.treat.totals import Totals

_LEAST_SHARE = 0.005
_MOST_NAMES = 6
_UNMAPPED = "ground that is not mapped"


@dataclass(frozen=True, slots=True)
class Plan:
    """All a plan's sentences are made of.

    Parameters
    ----------
    totals : Totals
        The plan in figures.
    table : DataFrame
        The zones.
    settings : TreatSettings
        As asked for.
    curve : DataFrame
        The targeting curve.
    ratio : BorderRatio or None
        Border over interior density, from the counts.
    """

    totals: Totals
    table: pd.DataFrame
    settings: TreatSettings
    curve: pd.DataFrame
    ratio: BorderRatio | None = None

    def area(self, area_m2: float) -> str:
        """Return an area in the user's units."""
        return show_area(area_m2, self.settings.units)

    def density(self, per_m2: float) -> str:
        """Return a density in the user's units."""
        return show_density(per_m2, self.settings.units)

    def length(self, length_m: float) -> str:
        """Return a length in the user's units."""
        return show_length(length_m, self.settings.units)

    def ground(self, holding: Holding) -> str:
        """Return an area with the insects expected on it."""
        return f"{self.area(holding.area_m2)} (about {show_count(holding.insects)} insects)"

    @property
    def limit(self) -> str:
        """The threshold in the user's units."""
        return self.density(self.settings.threshold_per_m2)


def tell_plan(plan: Plan) -> tuple[str, ...]:
    """Return the answer in sentences, most important first."""
    treats = bool((plan.table["action"] == "treat").any())
    border = tell_border(plan.curve, plan.ratio, plan.settings) if treats or plan.settings.border_only_m else ()
    before = (_tell_answer, _tell_saving, _tell_plain_strip, _tell_amounts, _tell_checks, _tell_unknown)
    after = (_tell_rule, _tell_smoothing, _tell_left_out, _tell_overspray, _tell_off)
    first, last = ([line for tell in tellers for line in tell(plan)] for tellers in (before, after))
    return (*first, *border, *last)


def show_count(insects: float) -> str:
    """Return a number of insects to two figures, since no more of them mean anything.

    Examples
    --------
    >>> show_count(266_142), show_count(8.4)
    ('270,000', '8')
    """
    rounded = float(f"{insects:.2g}")
    return f"{rounded:,.0f}"


def show_percent(share: float) -> str:
    """Return a share as a whole percentage.

    Examples
    --------
    >>> show_percent(0.324), show_percent(0.001), show_percent(0.0)
    ('32 %', 'under 1 %', '0 %')
    """
    return "under 1 %" if 0 < share < _LEAST_SHARE else f"{100 * share:.0f} %"


def _tell_answer(plan: Plan) -> Iterator[str]:
    zones = int((plan.table["action"] == "treat").sum())
    if not zones:
        yield from _tell_nothing(plan)
        return
    totals = plan.totals
    area, mapped = plan.area(totals.treated.area_m2), plan.area(totals.mapped.area_m2)
    yield (
        f"Treat {zones} {'zone' if zones == 1 else 'zones'}, {area} in all: {show_percent(totals.share_of_area)} of "
        f"the {mapped} mapped. The map expects about {show_percent(totals.share_of_insects)} of the insects there."
    )


def _tell_nothing(plan: Plan) -> Iterator[str]:
    totals, mapped = plan.totals, plan.area(plan.totals.mapped.area_m2)
    if totals.above.area_m2 > 0:
        where = plan.area(totals.above.area_m2)
        yield f"Nothing to treat as asked: {where} of the {mapped} mapped pass the cut-off, but none makes a zone."
    elif (unsure := float(plan.table.loc[plan.table["action"] == "look_again", "area_m2"].sum())) > 0:
        yield (
            f"Not known well enough to treat anything: {plan.area(unsure)} of the {mapped} mapped "
            f"may be above {plan.limit} and need another look first. This is no all-clear."
        )
    else:
        yield (
            f"Nothing to treat: nowhere on the {mapped} mapped is the chance of being above {plan.limit} known to "
            f"pass {show_percent(plan.settings.cutoff)}."
        )
    highest, upper = plan.density(totals.highest_per_m2), plan.density(totals.highest_high_per_m2)
    yield f"The highest expected anywhere is {highest}, and the highest upper limit {upper}."
    if totals.highest_high_per_m2 < plan.settings.threshold_per_m2:
        yield f"The threshold of {plan.limit} lies above everything on the map; check its unit if that surprises you."


def _tell_saving(plan: Plan) -> Iterator[str]:
    """Yield what the plan saves against treating all, and what that leaves."""
    totals = plan.totals
    if totals.treated.area_m2 <= 0:
        return
    zones = plan.curve[plan.curve["way"] == "zones"].iloc[0]
    saved = totals.mapped.area_m2 - totals.treated.area_m2
    gain, least, most = (zones[name] / max(zones["area_share"], 1e-9) for name in ("insect_share", "low", "high"))
    yield (
        f"Against treating all of it, that saves {plan.area(saved)} ({show_percent(1 - totals.share_of_area)}) and "
        f"leaves about {show_percent(1 - zones['insect_share'])} of the insects ({show_percent(1 - zones['high'])} to "
        f"{show_percent(1 - zones['low'])}). Ground in the zones holds about {gain:.1f} times ({least:.1f} to "
        f"{most:.1f}) the insects of the same area of all ground."
    )


def _tell_plain_strip(plan: Plan) -> Iterator[str]:
    """Yield that a strip along the edge would do as well, where it would: simpler to drive, for as much ground."""
    zones = plan.curve[plan.curve["way"] == "zones"].iloc[0]
    border = plan.curve[plan.curve["way"] == "border"]
    if plan.totals.treated.area_m2 <= 0 or plan.settings.border_only_m is not None or border.empty:
        return
    area = [0.0, *border["area_share"]]
    reached = float(np.interp(zones["area_share"], area, [0.0, *border["insect_share"]]))
    if reached < zones["insect_share"]:
        return
    width_m = float(np.interp(zones["area_share"], area, [0.0, *border["width_m"]]))
    yield (
        f"A plain strip of about {plan.length(width_m)} along the outer edge, as much ground, would reach about "
        f"{show_percent(reached)} of the insects, no fewer than these zones ({show_percent(zones['insect_share'])}): "
        "the zones go by the chance of passing the threshold, not by the most insects."
    )


def _tell_amounts(plan: Plan) -> Iterator[str]:
    area_m2 = float(plan.table["area_m2"][plan.table["action"] == "treat"].sum())
    yield from tell_amounts(area_m2, plan.settings.sprayer, plan.settings.units)


def _tell_checks(plan: Plan) -> Iterator[str]:
    strips = plan.table[plan.table["action"] == "check"]
    if len(strips):
        yield (
            f"Leave {len(strips)} check {'strip' if len(strips) == 1 else 'strips'} untreated, "
            f"{plan.area(float(strips['area_m2'].sum()))}, placed at random across the zones: plugs from them tell "
            "later what the treatment did."
        )
    elif plan.settings.check_share > 0:
        yield "No check strip fits: the zones are too small for one a swath wide."


def _tell_unknown(plan: Plan) -> Iterator[str]:
    yield f"{show_percent(plan.totals.known_share)} of the mapped ground is known well enough to decide on."
    again = plan.table[plan.table["action"] == "look_again"]
    if len(again):
        many = f"{len(again)} {'zone' if len(again) == 1 else 'zones'}"
        area = plan.area(float(again["area_m2"].sum()))
        yield (
            f"Look again at {many}, {area}: above the threshold perhaps, but too few plugs say so to treat. "
            "'geosample followup' says where the next plugs pay most."
        )


def _tell_rule(plan: Plan) -> Iterator[str]:
    yield (
        f"The rule: a place is treated where its chance of being above {plan.limit} passes "
        f"{show_percent(plan.settings.cutoff)}, since missing a hot place is taken to cost as much as "
        f"{plan.settings.miss_cost:g} needless treatments of it. That cost, the swath and the smallest "
        "zone are yours to set (the defaults: common practice, no source)."
    )
    treated = plan.table[plan.table["action"] == "treat"]
    low = treated[treated["mean_per_m2"] < plan.settings.threshold_per_m2]
    if len(low):
        yield (
            f"{_name_zones(low['zone_id'])}: the mean expected there is below {plan.limit}, yet the chance of being "
            f"above it is more than {show_percent(plan.settings.cutoff)}, so by these costs leaving it would be the "
            "dearer mistake. A higher cost of needless treatment (a smaller --miss-cost) leaves such zones out."
        )


def _name_zones(names: pd.Series) -> str:
    """Return the zones by name, the first few of many."""
    shown, more = ", ".join(names.astype(str).iloc[:_MOST_NAMES]), len(names) - _MOST_NAMES
    plural = "s" if len(names) > 1 else ""
    return f"Zone{plural} {shown} and {more} more" if more > 0 else f"Zone{plural} {shown}"


def _tell_smoothing(plan: Plan) -> Iterator[str]:
    if plan.totals.added.area_m2 > 0:
        yield (
            f"Making the zones drivable with a swath of {plan.length(plan.settings.swath_m)} added "
            f"{plan.ground(plan.totals.added)} that would not be treated for its own sake."
        )


def _tell_left_out(plan: Plan) -> Iterator[str]:
    for reason, left in plan.totals.removed.items():
        if left.area_m2 >= 1:
            yield f"Left untreated though above the cut-off, {reason}: {plan.ground(left)}."
    small = plan.totals.small
    if small:
        many = "1 patch is" if small == 1 else f"{small} patches are"
        yield (
            f"{many} smaller than {plan.area(plan.settings.smallest_m2)} and left out; a smaller --smallest keeps "
            f"{'it' if small == 1 else 'them'}."
        )
    treated = plan.table[plan.table["action"] == "treat"]
    whole = treated[treated["area_m2"] < plan.settings.smallest_m2]
    if len(whole) and plan.settings.check_share == 0:
        yield f"{_name_zones(whole['zone_id'])}: smaller than that, and kept as nearly the whole of a small surface."


def _tell_overspray(plan: Plan) -> Iterator[str]:
    treated = plan.table[plan.table["action"] == "treat"]
    if len(treated) and (treated["overspray_m2"] > 0).all():
        yield (
            f"The swath of {plan.length(plan.settings.swath_m)} is wider than every surface in the plan: each zone "
            "takes the surface's whole width."
        )
    falls = {kind: area for kind, area in plan.totals.overspray_m2.items() if area >= 1}
    if falls:
        order = sorted(falls.items(), key=lambda item: -item[1])
        said = ", ".join(f"{plan.area(area)} on {_UNMAPPED if kind == 'unmapped' else kind}" for kind, area in order)
        yield f"Overspray: where a surface is narrower than the swath, a whole boom would also cover {said}."
    near = max(plan.totals.near_m2, falls.get("water", 0.0))
    if near > 0:
        yield (
            f"Take care: {plan.area(near)} of that overspray is on water or inside a distance you keep. Shut nozzles "
            "or use a narrower boom there."
        )


def _tell_off(plan: Plan) -> Iterator[str]:
    kept = plan.settings.keep_off_m
    if kept:
        said = ", ".join(f"{plan.length(distance)} from {kind}" for kind, distance in kept.items())
        yield f"Kept off, as you entered: {said}."
    if "water" not in kept:
        yield (
            "No distance to water was entered, and none is assumed: the label and the local code set it. "
            "Enter it with --keep-off water=DISTANCE."
        )
    for kind in plan.totals.missing_obstacles:
        yield f"The ground has no {kind} mapped, so nothing could be kept off it: check on the spot."
