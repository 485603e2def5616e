"""The plan in plain words, and as rows of the layer ``findings``."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from geosample.survey import shape_frame
from geosample.units import show_area, show_density, show_length, show_number

if TYPE_CHECKING:
    from geosample.density import DensityMap
    from geosample.treat.cells import Holding
    from geosample.treat.settings import TreatSettings
    from geosample.treat.totals import Totals

_LEAST_SHARE = 0.005
_UNMAPPED = "ground that is not mapped"


@dataclass(frozen=True, slots=True)
class _Plan:
    totals: Totals
    table: pd.DataFrame
    settings: TreatSettings

    def area(self, area_m2: float) -> str:
        return show_area(area_m2, self.settings.units)

    def density(self, per_m2: float) -> str:
        return show_density(per_m2, self.settings.units)

    def length(self, length_m: float) -> str:
        return show_length(length_m, self.settings.units)

    def ground(self, holding: Holding) -> str:
        return f"{self.area(holding.area_m2)} (about {show_number(holding.insects)} insects)"

    @property
    def limit(self) -> str:
        return self.density(self.settings.threshold_per_m2)


def tell_plan(totals: Totals, table: pd.DataFrame, settings: TreatSettings) -> tuple[str, ...]:
    """Return the answer in sentences, most important first.

    Parameters
    ----------
    totals : Totals
        The plan in figures.
    table : DataFrame
        The zones.
    """
    tellers = (_tell_answer, _tell_unknown, _tell_rule, _tell_smoothing, _tell_left_out, _tell_overspray, _tell_off)
    plan = _Plan(totals, table, settings)
    return tuple(line for tell in tellers for line in tell(plan))


def show_percent(share: float) -> str:
    """Return a share as a whole percentage.

    Examples
    --------
    >>> show_percent(0.324), show_percent(0.001), show_percent(0.0)
    ('32 %', 'under 1 %', '0 %')
    """
    return "under 1 %" if 0 < share < _LEAST_SHARE else f"{100 * share:.0f} %"


def _tell_answer(plan: _Plan) -> Iterator[str]:
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


def _tell_nothing(plan: _Plan) -> Iterator[str]:
    totals, mapped = plan.totals, plan.area(plan.totals.mapped.area_m2)
    if totals.above.area_m2 > 0:
        where = plan.area(totals.above.area_m2)
        yield f"Nothing to treat as asked: {where} of the {mapped} mapped pass the cut-off, but none makes a zone."
    else:
        yield (
            f"Nothing to treat: nowhere on the {mapped} mapped is the chance of being above {plan.limit} known to "
            f"pass {show_percent(plan.settings.cutoff)}."
        )
    highest, upper = plan.density(totals.highest_per_m2), plan.density(totals.highest_high_per_m2)
    yield f"The highest expected anywhere is {highest}, and the highest upper limit {upper}."
    if totals.highest_high_per_m2 < plan.settings.threshold_per_m2:
        yield f"The threshold of {plan.limit} lies above everything on the map; check its unit if that surprises you."


def _tell_unknown(plan: _Plan) -> Iterator[str]:
    yield f"{show_percent(plan.totals.known_share)} of the mapped ground is known well enough to decide on."
    again = plan.table[plan.table["action"] == "look_again"]
    if len(again):
        many = f"{len(again)} {'zone' if len(again) == 1 else 'zones'}"
        area = plan.area(float(again["area_m2"].sum()))
        yield f"Look again at {many}, {area}: above the threshold perhaps, but too few plugs say so to treat."


def _tell_rule(plan: _Plan) -> Iterator[str]:
    yield (
        f"The rule: a place is treated where its chance of being above {plan.limit} passes "
        f"{show_percent(plan.settings.cutoff)}, since missing a hot place is taken to cost as much as "
        f"{show_number(plan.settings.miss_cost)} needless treatments of it. That cost, the swath and the smallest "
        "zone are yours to set (the defaults: common practice, no source)."
    )


def _tell_smoothing(plan: _Plan) -> Iterator[str]:
    if plan.totals.added.area_m2 > 0:
        yield (
            f"Making the zones drivable with a swath of {plan.length(plan.settings.swath_m)} added "
            f"{plan.ground(plan.totals.added)} that would not be treated for its own sake."
        )


def _tell_left_out(plan: _Plan) -> Iterator[str]:
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


def _tell_overspray(plan: _Plan) -> Iterator[str]:
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


def _tell_off(plan: _Plan) -> Iterator[str]:
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


def plan_findings(
    totals: Totals, density_map: DensityMap, settings: TreatSettings, sentences: Sequence[str]
) -> pd.DataFrame:
    """Return the plan's figures as rows of the layer ``findings``: areas in m², insects as numbers, shares 0 to 1."""
    whose = {"visit": density_map.visit, "pest": density_map.pest, "threshold_per_m2": settings.threshold_per_m2}
    rows = [*_plan_rows(totals), *_smoothing_rows(totals), _settings_row(settings, sentences)]
    return shape_frame("findings", pd.DataFrame([{**whose, **row} for row in rows]))


def _plan_rows(totals: Totals) -> list[dict[str, Any]]:
    treated, mapped, again = totals.treated, totals.mapped, totals.look_again
    return [
        {"what": "plan", "domain": "mapped area m2", "value": mapped.area_m2},
        {"what": "plan", "domain": "known area m2", "value": totals.known_m2},
        {"what": "plan", "domain": "treated area m2", "value": treated.area_m2},
        {"what": "plan", "domain": "unknown and maybe above m2", "value": again.area_m2},
        {"what": "plan", "domain": "treated share of area", "value": totals.share_of_area},
        {"what": "plan", "domain": "treated share of insects", "value": totals.share_of_insects},
        {
            "what": "plan",
            "domain": "insects in zones",
            "value": treated.insects,
            "low": treated.low,
            "high": treated.high,
        },
        {"what": "plan", "domain": "insects mapped", "value": mapped.insects, "low": mapped.low, "high": mapped.high},
    ]


def _smoothing_rows(totals: Totals) -> list[dict[str, Any]]:
    parts = {"above the cut-off": totals.above, "added": totals.added, **totals.removed}
    rows = []
    for name, holding in parts.items():
        rows.append({"what": "smoothing", "domain": f"{name}, area m2", "value": holding.area_m2})
        rows.append(
            {
                "what": "smoothing",
                "domain": f"{name}, insects",
                "value": holding.insects,
                "low": holding.low,
                "high": holding.high,
            }
        )
    over = [
        {"what": "overspray", "domain": kind, "value": area, "note": "area in m2"}
        for kind, area in totals.overspray_m2.items()
    ]
    return [*rows, *over]


def _settings_row(settings: TreatSettings, sentences: Sequence[str]) -> dict[str, Any]:
    note = json.dumps({"settings": settings.plain(), "sentences": list(sentences)}, ensure_ascii=False)
    return {"what": "plan settings", "domain": "all", "note": note}
