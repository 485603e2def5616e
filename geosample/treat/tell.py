"""The plan's answer in plain words: what to treat, what that leaves, what is not known."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from geosample.treat.amounts import tell_amounts
from geosample.units import percent, show_area, show_density, show_length

if TYPE_CHECKING:
    from geosample.treat.border import BorderRatio
    from geosample.treat.cells import Holding
    from geosample.treat.settings import TreatSettings
    from geosample.treat.totals import Totals

NEARLY_ALL = 0.9
"""Beyond this share of the ground a plan is no spot treatment, and comparing it with treating all says nothing."""


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


def tell_answer(plan: Plan) -> tuple[str, ...]:
    """Return the answer in sentences, most important first; ``tell_reasons`` has the rest."""
    tellers = (_tell_zones, _tell_saving, _tell_boom, _tell_unknown, _tell_amounts, _tell_checks, _tell_off, _tell_near)
    return tuple(line for tell in tellers for line in tell(plan))


def show_count(insects: float) -> str:
    """Return a number of insects to two figures, since no more of them mean anything.

    Examples
    --------
    >>> show_count(266_142), show_count(8.4)
    ('270,000', '8')
    """
    rounded = float(f"{insects:.2g}")
    return f"{rounded:,.0f}"


def about(share: float) -> str:
    """Return a share with the word that says it is no exact one.

    Examples
    --------
    >>> about(0.324), about(0.001)
    ('about 32 %', 'under 1 %')
    """
    said = percent(share)
    return said if said[0] in "uo" else f"about {said}"


def _tell_zones(plan: Plan) -> Iterator[str]:
    zones = int((plan.table["action"] == "treat").sum())
    if not zones:
        yield from _tell_nothing(plan)
        return
    totals, asked = plan.totals, plan.settings.border_only_m
    area, mapped = plan.area(totals.treated.area_m2), plan.area(totals.mapped.area_m2)
    yield (
        f"Treat {zones} {'zone' if zones == 1 else 'zones'}, {area} in all: {percent(totals.share_of_area)} of "
        f"the {mapped} mapped. The map expects {about(totals.share_of_insects)} of the insects there."
    )
    if asked is not None:
        left = totals.removed.get("outside the border")
        beyond = f"; {plan.ground(left)} farther in also pass it" if left and left.area_m2 >= 1 else ""
        yield f"As asked, only ground within {plan.length(asked)} of the outer edge was considered{beyond}."


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
    elif totals.known_m2 <= 0:
        yield f"Nothing to treat, and nothing ruled out: the counts say too little of the {mapped} mapped to decide."
    else:
        yield (
            f"Nothing to treat: nowhere on the {mapped} mapped is the chance of being above {plan.limit} known to "
            f"pass {percent(plan.settings.cutoff)}."
        )
    highest, upper = plan.density(totals.highest_per_m2), plan.density(totals.highest_high_per_m2)
    yield f"The highest expected anywhere is {highest}, and the highest upper limit {upper}."
    if totals.highest_high_per_m2 < plan.settings.threshold_per_m2:
        yield f"The threshold of {plan.limit} lies above everything on the map; check its unit if that surprises you."


def _tell_saving(plan: Plan) -> Iterator[str]:
    """Yield what the plan saves against treating all, and what that leaves."""
    totals = plan.totals
    if totals.treated.area_m2 <= 0 or totals.share_of_area > NEARLY_ALL:
        return
    zones = plan.curve[plan.curve["way"] == "zones"].iloc[0]
    saved = totals.mapped.area_m2 - totals.treated.area_m2
    yield (
        f"Against treating all of it, that saves {plan.area(saved)} ({percent(1 - totals.share_of_area)}) and "
        f"leaves {about(1 - zones['insect_share'])} of the insects ({percent(1 - zones['high'])} to "
        f"{percent(1 - zones['low'])})."
    )


def _tell_boom(plan: Plan) -> Iterator[str]:
    """Yield how much of the zones is there only so that a boom can drive them, and how much of that nobody knows."""
    totals = plan.totals
    if totals.added.area_m2 < 1:
        return
    unknown = totals.added_unknown_m2
    yield (
        f"Of the zones, {plan.area(totals.treated.area_m2 - totals.added.area_m2)} pass the rule by themselves; "
        f"{plan.ground(totals.added)} were added to make them drivable with a swath of "
        f"{plan.length(plan.settings.swath_m)}"
        + (f", {plan.area(unknown)} of it ground that is not known." if unknown >= 1 else ".")
    )


def _tell_unknown(plan: Plan) -> Iterator[str]:
    again, treated = (plan.table[plan.table["action"] == action] for action in ("look_again", "treat"))
    yield (
        f"The counts speak for {percent(plan.totals.known_share)} of the mapped ground; on "
        f"{percent(plan.totals.one_sided_share)} of it the interval lies wholly above or below {plan.limit}, and "
        "elsewhere the plan weighs chances."
    )
    if again.empty:
        return
    many = f"{len(again)} {'zone' if len(again) == 1 else 'zones'}"
    likelier = len(treated) > 0 and again["probability"].max() > treated["probability"].min()
    yield (
        f"Look again at {many}, "
        f"{plan.area(float(again['area_m2'].sum()))}, before deciding: the chance there passes "
        f"{percent(plan.settings.cutoff)} too, but too few plugs say so"
        + (f" (up to {percent(again['probability'].max())}, above some zones of the plan)" if likelier else "")
        + ". 'geosample followup' says where the next plugs pay most."
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


def _tell_near(plan: Plan) -> Iterator[str]:
    near = max(plan.totals.near_m2, plan.totals.overspray_m2.get("water", 0.0))
    if near > 0:
        yield (
            f"Take care: {plan.area(near)} of what a whole boom covers beside the zones is on water or inside a "
            "distance you keep. Shut nozzles or use a narrower boom there."
        )
