"""Why the plan is as it is: the rule, the border, what was left out, where spray falls besides."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from geosample.treat.border import tell_border
from geosample.treat.tell import NEARLY_ALL, about
from geosample.treat.totals import NARROW
from geosample.units import FOOT_M, percent

if TYPE_CHECKING:
    import pandas as pd

    from geosample.treat.tell import Plan

_MOST_NAMES = 6
_MOST_PLACES = 3
_UNMAPPED = "ground that is not mapped"


def tell_reasons(plan: Plan) -> tuple[str, ...]:
    """Return the sentences that give the plan's reasons."""
    tellers = (_tell_rule, _tell_dense, _tell_border, _tell_plain_strip, _tell_left_out, _tell_overspray)
    return tuple(line for tell in tellers for line in tell(plan))


def _tell_border(plan: Plan) -> Iterator[str]:
    if plan.settings.border_only_m or bool((plan.table["action"] == "treat").any()):
        yield from tell_border(plan.curve, plan.ratio, plan.settings, plan.totals)


def _tell_dense(plan: Plan) -> Iterator[str]:
    if plan.totals.treated.area_m2 <= 0 or plan.totals.share_of_area > NEARLY_ALL:
        return
    zones = plan.curve[plan.curve["way"] == "zones"].iloc[0]
    gain, least, most = (zones[name] / max(zones["area_share"], 1e-9) for name in ("insect_share", "low", "high"))
    yield (
        f"Ground in the zones holds about {gain:.1f} times ({least:.1f} to {most:.1f}) the insects of the same area of "
        "all ground."
    )


def _tell_rule(plan: Plan) -> Iterator[str]:
    yield (
        f"The rule: a place is treated where its chance of being above {plan.limit} passes "
        f"{percent(plan.settings.cutoff)} and the counts say enough of it; where they say too little, it is "
        f"to look at again. Missing a hot place is taken to cost as much as "
        f"{_many_treatments(plan.settings.miss_cost)} of it. That cost, the swath and the smallest "
        "zone are yours to set (the defaults: common practice, no source)."
    )
    treated = plan.table[plan.table["action"] == "treat"]
    below = treated["mean_per_m2"] < plan.settings.threshold_per_m2
    low = treated[below & (treated["probability"] > plan.settings.cutoff)]
    if len(low):
        yield (
            f"{_name_zones(low['zone_id'])}: the mean expected there is below {plan.limit}, yet the chance of being "
            f"above it is more than {percent(plan.settings.cutoff)}, so by these costs leaving it would be the "
            "dearer mistake. A higher cost of needless treatment (a smaller --miss-cost) leaves such zones out."
        )


def _many_treatments(miss_cost: float) -> str:
    return "one needless treatment" if miss_cost == 1 else f"{miss_cost:g} needless treatments"


def _name_zones(names: pd.Series) -> str:
    """Return the zones by name, the first few of many."""
    shown, more = ", ".join(names.astype(str).iloc[:_MOST_NAMES]), len(names) - _MOST_NAMES
    plural = "s" if len(names) > 1 else ""
    return f"Zone{plural} {shown} and {more} more" if more > 0 else f"Zone{plural} {shown}"


def _tell_plain_strip(plan: Plan) -> Iterator[str]:
    """Yield that a strip along the edge would do as well, where it would: simpler to drive, for as much ground."""
    zones = plan.curve[plan.curve["way"] == "zones"].iloc[0]
    border = plan.curve[plan.curve["way"] == "border"]
    if plan.totals.treated.area_m2 <= 0 or plan.settings.border_only_m is not None or border.empty:
        return
    if plan.totals.share_of_area > NEARLY_ALL:
        return
    area = [0.0, *border["area_share"]]
    reached = float(np.interp(zones["area_share"], area, [0.0, *border["insect_share"]]))
    if reached < zones["insect_share"]:
        return
    width_m = float(np.interp(zones["area_share"], area, [0.0, *border["width_m"]]))
    if width_m < FOOT_M:  # no strip to drive
        return
    yield (
        f"A plain strip of about {plan.length(width_m)} along the outer edge, as much ground, would reach "
        f"{about(reached)} of the insects, no fewer than these zones ({percent(zones['insect_share'])}): "
        "the zones go by the chance of passing the threshold, not by the most insects."
    )


def _tell_left_out(plan: Plan) -> Iterator[str]:
    for reason, left in plan.totals.removed.items():
        if left.area_m2 >= 1:
            where = _tell_narrow(plan) if reason == NARROW else ""
            yield f"Left untreated though the chance passes the cut-off, {reason}: {plan.ground(left)}{where}."
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


def _tell_narrow(plan: Plan) -> str:
    """Return where what is too narrow lies, and what would reach it."""
    places = list(plan.totals.narrow_m2.items())
    said = ", ".join(f"{plan.area(area)} on {place}" for place, area in places[:_MOST_PLACES])
    more = " and elsewhere" if len(places) > _MOST_PLACES else ""
    return f", {said}{more}. A narrower --swath reaches more of it"


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
