"""What a plan, a record and the check of a treatment say: the answer first, then the reasons."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from geosample.cautions import GRADES, IN_SHORT, SIMULATED, TREATMENT
from geosample.errors import MOST_ALIKE, list_names
from geosample.holes import name_place
from geosample.report.estimate import BORDER_DOES
from geosample.report.terminal import show_table
from geosample.units import (
    FOOT_M,
    Units,
    about_percent,
    percent,
    percent_range,
    show_area,
    show_density,
    show_length,
    show_range,
    show_way,
)
from geosample.words import ACTIONS

if TYPE_CHECKING:
    import pandas as pd

    from geosample.treat.amounts import Amount, Rate, Sprayer
    from geosample.treat.efficacy import Efficacy, Treated
    from geosample.treat.model import BorderAdvice, BorderRatio, ControlClass, Figures, Holding, Zones
    from geosample.treat.passes import Drive
    from geosample.treat.records import RecordRules

_MOST_NAMES = 6
_MOST_PLACES = 3
_OUNCE = " (oz is read as a weight; write floz for a volume)"
_BASIS = {
    "averages, as asked": "As asked",
    "averages, too few insects for a map": "There are too few insects for a map ({insects})",
    "averages, the map adds nothing": "The map adds nothing to plain averages",
}
_REASONS = {
    "above": "above the line",
    "risky": "below the line, but risky",
    "no_plug": "no plug here: by ground like it",
    "check": "to see what treatment did",
}
_NOTHING_LEFT = 0.005
_NOT_SHOWN = "The interval reaches to none at all: these counts do not show that the treatment did anything."


def tell_plan(zones: Zones, units: Units) -> list[str]:
    """Return a plan's answer for the terminal: what to treat, what that saves, by what it goes, and the caution."""
    first, *rest = _tell_zones(zones, units)
    return [
        first,
        *([SIMULATED] if zones.simulated else []),
        *_tell_basis(zones.figures),
        *rest,
        *_tell_saving(zones.figures, units),
        *_tell_unsampled(zones.figures, units),
        *tell_amounts(float(zones.of("treat")["area_m2"].sum()), zones.settings.sprayer, units),
        *_tell_off_briefly(zones, units),
        IN_SHORT,
    ]


def _tell_unsampled(figures: Figures, units: Units) -> Iterator[str]:
    """Yield how much no plug speaks for, in the zones or left out of them as asked."""
    if figures.unsampled.area_m2 >= 1:
        yield f"No plug speaks for {show_area(figures.unsampled.area_m2, units)} of it: it goes by ground like it."
    left = figures.removed["no plug speaks for it"]
    if left.area_m2 >= 1:
        yield f"As asked, {show_area(left.area_m2, units)} that pass, but that no plug speaks for, are left."


def _tell_off_briefly(zones: Zones, units: Units) -> Iterator[str]:
    """Yield in one line what was kept off, and that no distance to water is assumed."""
    kept = [f"{show_length(distance, units)} from {kind}" for kind, distance in zones.settings.keep_off_m.items()]
    if "water" not in zones.settings.keep_off_m:
        kept.append("no distance to water was entered (--keep-off), and none is assumed")
    missing = [f"no {kind} is mapped: check on the spot" for kind in zones.figures.missing_obstacles]
    yield f"Kept off: {'; '.join([*kept, *missing])}."


def tell_plan_more(zones: Zones, units: Units) -> list[str]:
    """Return all of a plan for the terminal: the answer, the zones, the reasons, the cautions."""
    heads = ("zone", "do", "area", "about", "between", "chance above", "saves", "bags", "why")
    rows = [
        (
            zone.zone_id,
            ACTIONS[zone.action].name,
            show_area(zone.area_m2, units),
            show_density(zone.mean_per_m2, units),
            show_range(zone.low_per_m2, zone.high_per_m2, units),
            percent(zone.probability),
            show_saving(zone.action, zone.probability, zones),
            str(zone.bags),
            _REASONS[zone.reason],
        )
        for zone in zones.zones.itertuples()
    ]
    table = ["", *show_table(heads, rows), ""] if rows else [""]
    cautions = ["Before anything is applied:", *(f"- {caution}" for caution in TREATMENT)]
    return [*tell_answer(zones, units), *table, *tell_reasons(zones, units), "", *cautions]


def tell_answer(zones: Zones, units: Units) -> list[str]:
    """Return what to treat, what that leaves, what is not known: most important first."""
    first, *rest = _tell_zones(zones, units)
    return [
        first,
        *([SIMULATED] if zones.simulated else []),
        *_tell_basis(zones.figures),
        *rest,
        *_tell_saving(zones.figures, units),
        *_tell_boom(zones, units),
        *_tell_unknown(zones, units),
        *tell_amounts(float(zones.of("treat")["area_m2"].sum()), zones.settings.sprayer, units),
        *_tell_checks(zones, units),
        *_tell_off(zones, units),
    ]


def _tell_basis(figures: Figures) -> list[str]:
    """Return why a plan goes by averages, where it does."""
    why = _BASIS.get(figures.basis)
    by_parts = "this plan goes by the mean of each part of the ground."
    return [f"{why.format(insects=figures.insects_counted)}: {by_parts}"] if why else []


def tell_reasons(zones: Zones, units: Units) -> list[str]:
    """Return why the plan is as it is: the stages, the rule, the border, what was left, where spray falls besides."""
    return [
        *_tell_controls(zones.figures),
        *_tell_rule(zones, units),
        *_tell_dense(zones.figures),
        *_tell_border(zones, units),
        *_tell_plain_strip(zones.figures, units),
        *_tell_left_out(zones, units),
        *_tell_overspray(zones, units),
    ]


def tell_zone(zone: Any, units: Units) -> str:
    """Return a zone's sentence, from its row in the table of zones."""
    mean, limit = show_density(zone.mean_per_m2, units), show_density(zone.threshold_per_m2, units)
    between = show_range(zone.low_per_m2, zone.high_per_m2, units)
    where = name_place(zone.hole, zone.kind)
    start = f"{where[0].upper()}{where[1:]}, {show_area(zone.area_m2, units)}"
    if zone.action == "check":
        return f"{start}: a check strip. Leave it untreated, and pull plugs here afterwards to see what treatment did."
    expected = f"about {mean} ({between}), a chance of {percent(zone.probability)} of being above {limit}"
    plugs = "no counted bag in it" if zone.bags == 0 else f"{zone.bags} counted {_plural(zone.bags, 'bag')} in it"
    over = ""
    if zone.overspray_m2 >= 1:
        over = (
            f" Narrower than the swath: a whole boom would also cover {show_area(zone.overspray_m2, units)} beside it."
        )
    return f"{start}: {expected}; {_REASONS[zone.reason]}; {plugs}.{over}"


def tell_drive(drive: Drive, units: Units) -> str:
    """Return what it takes to drive over zones: passes and their length."""
    many = len(drive.passes)
    where = f"{', '.join(drive.zone_ids)}: {many} {'pass' if many == 1 else 'passes'}"
    return f"{where} of the boom, {show_way(drive.length_m, units)} in all, in driving order."


def tell_reason(action: str, reason: str) -> str:
    """Return what to do in a zone and why, in few words."""
    return f"{ACTIONS[action].brief}: {_REASONS[reason]}"


def show_saving(action: str, probability: float, zones: Zones) -> str:
    """Return what treating a zone saves, in needless treatments of the same area; a dash where it is not treated."""
    return f"{zones.settings.saving(probability):.1f}" if action == "treat" else "–"


def tell_hole(table: pd.DataFrame, unknown_m2: float, units: Units) -> str:
    """Return a hole's plan in a line: what to treat, what to leave as check strips, and what is not known."""
    parts = []
    for action, words in ACTIONS.items():
        some = table[table["action"] == action]
        if len(some):
            many = f"{len(some)} {_plural(len(some), 'zone')}"
            parts.append(f"{words.over} {many}, {show_area(float(some['area_m2'].sum()), units)}")
    if unknown_m2 >= 1:
        parts.append(f"{show_area(unknown_m2, units)} of the mapped ground not known")
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}."


def show_count(insects: float) -> str:
    """Return a number of insects to two figures, since no more of them mean anything.

    Examples
    --------
    >>> show_count(266_142), show_count(8.4)
    ('270,000', '8')
    """
    rounded = float(f"{insects:.2g}")
    return f"{rounded:,.0f}"


def _plural(many: int, one: str) -> str:
    return one if many == 1 else f"{one}s"


def _ground(holding: Holding, units: Units) -> str:
    return f"{show_area(holding.area_m2, units)} (about {show_count(holding.insects)} insects)"


def _limit(zones: Zones, units: Units) -> str:
    return show_density(zones.threshold_per_m2, units)


def _tell_zones(zones: Zones, units: Units) -> Iterator[str]:
    many, figures, asked = len(zones.of("treat")), zones.figures, zones.settings.border_only_m
    if not many:
        yield from _tell_nothing(zones, units)
        return
    area, mapped = show_area(figures.treated.area_m2, units), show_area(figures.mapped.area_m2, units)
    yield (
        f"Treat {many} {_plural(many, 'zone')}, {area} in all: {percent(figures.share_of_area)} of "
        f"the {mapped} mapped. The map expects {about_percent(figures.share_of_insects)} of the insects there."
    )
    if asked is not None:
        left = figures.removed.get("outside the border")
        beyond = f"; {_ground(left, units)} farther in also pass it" if left and left.area_m2 >= 1 else ""
        yield f"As asked, only ground within {show_length(asked, units)} of the outer edge was considered{beyond}."


def _tell_nothing(zones: Zones, units: Units) -> Iterator[str]:
    figures, limit = zones.figures, _limit(zones, units)
    mapped = show_area(figures.mapped.area_m2, units)
    if figures.above.area_m2 > 0:
        where = show_area(figures.above.area_m2, units)
        yield f"Nothing to treat as asked: {where} of the {mapped} mapped pass the cut-off, but none makes a zone."
    elif (shunned := figures.removed["no plug speaks for it"]).area_m2 > 0:
        yield (
            f"Nothing to treat where plugs speak: {show_area(shunned.area_m2, units)} of the {mapped} mapped pass the "
            "cut-off where none does. This is no all-clear."
        )
    elif figures.known_m2 <= 0:
        yield f"Nothing to treat, and nothing ruled out: the counts say too little of the {mapped} mapped to decide."
    else:
        yield (
            f"Nothing to treat: nowhere on the {mapped} mapped does the chance of being above {limit} pass "
            f"{percent(zones.settings.cutoff)}."
        )
    highest, upper = (show_density(one, units) for one in (figures.highest_per_m2, figures.highest_high_per_m2))
    yield f"The highest expected anywhere is {highest}, and the highest upper limit {upper}."
    if figures.highest_high_per_m2 < zones.threshold_per_m2:
        yield f"The threshold of {limit} lies above everything on the map; check its unit if that surprises you."


def _tell_saving(figures: Figures, units: Units) -> Iterator[str]:
    """Yield what the plan saves against treating all, and what that leaves; or that it saves nothing."""
    saved, reached = figures.mapped.area_m2 - figures.treated.area_m2, figures.reached
    if figures.treated.area_m2 <= 0:
        return
    if figures.nearly_all:
        leaves = "leaves nothing" if 1 - figures.share_of_area < _NOTHING_LEFT else f"leaves {show_area(saved, units)}"
        yield f"Spot treatment does not pay here: nearly all the ground passes the rule, and the plan {leaves}."
        return
    yield (
        f"Against treating all of it, that saves {show_area(saved, units)} ({percent(1 - figures.share_of_area)}) and "
        f"leaves {about_percent(1 - reached.insect_share)} of the insects "
        f"({percent_range(1 - reached.high, 1 - reached.low)})."
    )


def _tell_boom(zones: Zones, units: Units) -> Iterator[str]:
    """Yield how much of the zones is there only so that a boom can drive them, and how much of that nobody knows."""
    figures, unknown = zones.figures, zones.figures.added_unknown_m2
    if figures.added.area_m2 < 1:
        return
    yield (
        f"Of the zones, {show_area(figures.treated.area_m2 - figures.added.area_m2, units)} pass the rule by "
        f"themselves; {_ground(figures.added, units)} were added to make them drivable with a swath of "
        f"{show_length(zones.settings.swath_m, units)}"
        + (f", {show_area(unknown, units)} of it ground that is not known." if unknown >= 1 else ".")
    )


def _tell_unknown(zones: Zones, units: Units) -> Iterator[str]:
    figures = zones.figures
    yield (
        f"The counts speak for {percent(figures.known_share)} of the mapped ground; on "
        f"{percent(figures.one_sided_share)} of it the interval lies wholly above or below {_limit(zones, units)}, and "
        "elsewhere the plan weighs chances."
    )
    if figures.unsampled.area_m2 >= 1:
        yield (
            f"No plug speaks for {_ground(figures.unsampled, units)} of the zones: they are treated by ground like "
            "them. --sampled-only leaves them."
        )
    left = figures.removed["no plug speaks for it"]
    if left.area_m2 >= 1:
        cost = zones.settings.miss_cost * left.hot_m2 - (left.area_m2 - left.hot_m2)
        yield (
            f"As asked, ground that no plug speaks for is left: {_ground(left, units)} of it pass the rule, and "
            f"{show_area(left.hot_m2, units)} are expected to be above {_limit(zones, units)}. By your costs that is "
            f"as dear as treating {show_area(cost, units)} needlessly; 'geosample followup' draws plugs there."
        )


def tell_amounts(area_m2: float, sprayer: Sprayer, units: Units) -> Iterator[str]:
    """Yield the amounts for an area and the tank loads, with the user's own figures beside them."""
    rate, carrier = sprayer.rate, sprayer.carrier
    if area_m2 <= 0:
        return
    if rate:
        ounce = _OUNCE if rate.per_m2.unit == "oz" else ""
        yield (
            f"At the rate you entered, {rate.text}{ounce}, the {show_area(area_m2, units)} of the zones take "
            f"{rate.on(area_m2).show()} (cut to three figures, never rounded up). The label you hold sets the rate and "
            "the yearly maximum: check both."
        )
    if carrier:
        yield f"At the carrier volume you entered, {carrier.text}, they take {carrier.on(area_m2).show()}."
    loads = sprayer.loads(area_m2)
    if loads:
        parts = [f"{loads.full} full of {loads.tank.show()}{_with(loads.product)}"] if loads.full else []
        if loads.last.value > 0:
            one = "one" if loads.full else "a single load"
            parts.append(f"{one} of {loads.last.show()}{_with(loads.last_product)}")
        yield f"Tank loads: {', then '.join(parts)}."


def _with(product: Amount | None) -> str:
    return f" with {product.show()}" if product else ""


def _tell_checks(zones: Zones, units: Units) -> Iterator[str]:
    strips = zones.of("check")
    if len(strips):
        yield (
            f"Leave {len(strips)} check {_plural(len(strips), 'strip')} untreated, "
            f"{show_area(float(strips['area_m2'].sum()), units)}, placed at random across the zones: plugs from them "
            "tell later what the treatment did."
        )
    elif zones.settings.check_share > 0:
        yield "No check strip fits: the zones are too small for one a swath wide."


def _tell_off(zones: Zones, units: Units) -> Iterator[str]:
    kept = zones.settings.keep_off_m
    if kept:
        said = ", ".join(f"{show_length(distance, units)} from {kind}" for kind, distance in kept.items())
        yield f"Kept off, as you entered: {said}."
    if "water" not in kept:
        yield (
            "No distance to water was entered, and none is assumed: the label and the local code set it. "
            "Enter it with --keep-off water=DISTANCE."
        )
    for kind in zones.figures.missing_obstacles:
        yield f"The ground has no {kind} mapped, so nothing could be kept off it: check on the spot."


def _tell_controls(figures: Figures) -> Iterator[str]:
    """Yield which classes fit the stages found, and which of them were used last."""
    for one in figures.controls:
        yield _tell_class(one)
    if figures.controls:
        yield ("A class aimed at adults does nothing to larvae, and the other way round; the stages sampled decide.")


def _tell_class(one: ControlClass) -> str:
    ground = one.source or GRADES[one.grade]  # type: ignore[index]
    start = f"Stages: {percent(one.share)} of the insects found fit '{one.when}'"
    if not one.irac:
        return f"{start} [{ground}]."
    call = ""
    if one.used:
        call = (
            f" Group {', '.join(one.used)} was used on {one.used_on}: do not meet the next generation with the same "
            "group (from memory, IRAC)."
        )
    return f"{start}: IRAC groups {', '.join(one.irac)} [{ground}].{call}"


def _tell_rule(zones: Zones, units: Units) -> Iterator[str]:
    settings, limit = zones.settings, _limit(zones, units)
    cost = settings.miss_cost
    needless = "one needless treatment" if cost == 1 else f"{cost:g} needless treatments"
    yield (
        f"The rule: a place is treated where its chance of being above {limit} passes {percent(settings.cutoff)}, for "
        f"there leaving it costs more than treating it: missing a hot place is taken to cost as much as {needless} of "
        "it. Few plugs make the chance less sure, and it has that in it. Zones stand in the order of what each saves, "
        f"in needless treatments of the same area ({cost:g} times the chance, less the chance of being below). That "
        "cost, the swath and the smallest zone are yours to set (the defaults: common practice, no source)."
    )
    treated = zones.of("treat")
    low = treated[(treated["reason"] == "risky") & (treated["probability"] > settings.cutoff)]
    if len(low):
        yield (
            f"{_name_zones(low['zone_id'])}: the mean expected there is below {limit}, yet the chance of being "
            f"above it is more than {percent(settings.cutoff)}, so by these costs leaving it would be the "
            "dearer mistake. A higher cost of needless treatment (a smaller --miss-cost) leaves such zones out."
        )


def _name_zones(names: pd.Series) -> str:
    """Return the zones by name, the first few of many."""
    shown, more = ", ".join(names.astype(str).iloc[:_MOST_NAMES]), len(names) - _MOST_NAMES
    start = f"{_plural(len(names), 'Zone')} {shown}"
    return f"{start} and {more} more" if more > 0 else start


def _tell_dense(figures: Figures) -> Iterator[str]:
    if figures.treated.area_m2 <= 0 or figures.nearly_all:
        return
    reached = figures.reached
    shares = (reached.insect_share, reached.low, reached.high)
    gain, least, most = (share / max(reached.area_share, 1e-9) for share in shares)
    yield (
        f"Ground in the zones holds about {gain:.1f} times ({least:.1f} to {most:.1f}) the insects of the same area of "
        "all ground."
    )


def _tell_border(zones: Zones, units: Units) -> Iterator[str]:
    """Yield what the counts say of treating the border alone."""
    border = zones.figures.border
    if border is None:
        return
    said = "Border against interior was not estimated" if border.ratio is None else _tell_ratio(border.ratio)
    reached, strip = border.strip, f"a strip of {show_length(border.strip.width_m, units)}"
    if border.answer == "unsupported":
        verb = "misses" if zones.settings.border_only_m else "would miss"
        yield (
            f"{said}: treating only the border is not supported. {strip[0].upper()}{strip[1:]} {verb} "
            f"{about_percent(1 - reached.insect_share)} of the insects "
            f"({percent_range(1 - reached.high, 1 - reached.low)})."
        )
    elif border.answer == "all above":
        yield f"{said}, yet the rest is above the threshold too: no strip short of most of the ground would do."
    else:
        yield from _tell_strip(border, said, strip, units)


def _tell_strip(border: BorderAdvice, said: str, strip: str, units: Units) -> Iterator[str]:
    reached = border.strip
    does = (
        f"{strip} is {percent(reached.area_share)} of the mapped ground and reaches "
        f"{about_percent(reached.insect_share)} of the insects ({percent_range(reached.low, reached.high)}), and "
        f"leaves {show_area(border.left_m2, units)} farther in that pass the rule"
    )
    if border.answer == "asked":
        yield f"{said}: {does}."
        return
    typed = f"{reached.width_m / FOOT_M:.0f}ft" if units == "us" else f"{reached.width_m:.1f}m"
    reason = (
        "where the strip's share of the insects is most above its share of the ground"
        if border.best_aimed
        else "the narrowest that leaves no more than a tenth of the ground that passes the rule"
    )
    yield f"{said}, so a border-only plan is open to you: {does} (--border-only {typed}). That width is {reason}."


def _tell_ratio(ratio: BorderRatio) -> str:
    size = f"{ratio.value:.1f} times the interior's density, interval {ratio.low:.2g} to {ratio.high:.2g}"
    if ratio.verdict != "open":
        return f"The counts say the border {BORDER_DOES[ratio.verdict]} ({size})"
    return f"The counts do not settle whether the border holds more ({size})"


def _tell_plain_strip(figures: Figures, units: Units) -> Iterator[str]:
    """Yield that a strip along the edge would do as well, where it would: simpler to drive, for as much ground."""
    strip = figures.plain_strip
    if strip:
        yield (
            f"A plain strip of about {show_length(strip.width_m, units)} along the outer edge, as much ground, would "
            f"reach {about_percent(strip.insect_share)} of the insects, no fewer than these zones "
            f"({percent(figures.reached.insect_share)}): the zones go by the chance of passing the threshold, not by "
            "the most insects."
        )


def _tell_left_out(zones: Zones, units: Units) -> Iterator[str]:
    figures, settings = zones.figures, zones.settings
    for reason, left in figures.removed.items():
        if left.area_m2 >= 1 and reason != "no plug speaks for it":
            where = _tell_narrow(figures, units) if reason == "too narrow for the swath" else ""
            yield f"Left untreated though the chance passes the cut-off, {reason}: {_ground(left, units)}{where}."
    small = figures.small_patches
    if small:
        many = "1 patch is" if small == 1 else f"{small} patches are"
        yield (
            f"{many} smaller than {show_area(settings.smallest_m2, units)} and left out; a smaller --smallest keeps "
            f"{'it' if small == 1 else 'them'}."
        )
    treated = zones.of("treat")
    whole = treated[treated["area_m2"] < settings.smallest_m2]
    if len(whole) and settings.check_share == 0:
        yield f"{_name_zones(whole['zone_id'])}: smaller than that, and kept as nearly the whole of a small surface."


def _tell_narrow(figures: Figures, units: Units) -> str:
    """Return where what is too narrow lies, and what would reach it."""
    places = figures.narrow
    said = ", ".join(f"{show_area(p.area_m2, units)} on {name_place(p.hole, p.kind)}" for p in places[:_MOST_PLACES])
    more = " and elsewhere" if len(places) > _MOST_PLACES else ""
    return f", {said}{more}. A narrower --swath reaches more of it"


def _tell_overspray(zones: Zones, units: Units) -> Iterator[str]:
    treated = zones.of("treat")
    if len(treated) and (treated["overspray_m2"] > 0).all():
        yield (
            f"The swath of {show_length(zones.settings.swath_m, units)} is wider than every surface in the plan: each "
            "zone takes the surface's whole width."
        )
    falls = {kind: area for kind, area in zones.figures.overspray_m2.items() if area >= 1}
    if falls:
        said = ", ".join(
            f"{show_area(area, units)} on {'ground that is not mapped' if kind == 'unmapped' else kind}"
            for kind, area in sorted(falls.items(), key=lambda item: -item[1])
        )
        yield f"Overspray: where a surface is narrower than the swath, a whole boom would also cover {said}."


def show_take(rate: Rate | None, area_m2: float) -> str:
    """Return what an area takes at a rate the user entered, with its unit; nothing without one."""
    return rate.on(area_m2).show() if rate else ""


def tell_record(
    visit: str, record: Mapping[str, str], missing: list[str], rules: RecordRules, *, to_come: bool = False
) -> list[str]:
    """Return that it was recorded, and how much the rules still ask for."""
    still = f"{len(missing)} fields of the rules are" if len(missing) > 1 else "1 field of the rules is"
    return [
        f"Recorded for {visit}, {record['date']}: {len(record)} {_plural(len(record), 'field')}.",
        *([f"{record['date']} is still to come: record what was done once it is done."] if to_come else []),
        *(
            [f"{still} still to be filled in ({rules.source}): {list_names(missing, most=MOST_ALIKE)}."]
            if missing
            else []
        ),
        "Other places ask for other fields: add them with --set NAME=VALUE.",
    ]


def tell_record_more(record: Mapping[str, str], missing: list[str], rules: RecordRules) -> list[str]:
    """Return what was recorded, field by field, and what the rules mean by those that are missing."""
    lines = [f"- {key}: {value}" for key, value in record.items()]
    if missing:
        lines.append(f"Still to be filled in ({rules.source}; {rules.keep}):")
        lines += [f"- {key}: {rules.fields[key]}" for key in missing]
    return lines


def tell_efficacy(found: Efficacy) -> list[str]:
    """Return the answer: how well the treatment worked, or in one line why nobody can say and what to do next time."""
    shown = found.henderson_tilton[1] > 0
    if found.strips_used:
        share = _show_share(found.henderson_tilton)
        lines = [
            f"Insects killed by the treatment, against the check strips: {share}.",
            *([] if shown else [_NOT_SHOWN]),
        ]
    else:
        strips, before, after = found.strips
        lines = [
            "How much the treatment killed can't be told: no untreated ground like the zones was counted"
            + (f" enough ({strips} check strips, {before} bags before and {after} after)" if strips else "")
            + f". Next time leave check strips (treat --checks 5%) with {found.fewest} bags in them at each visit."
        ]
    return [*lines, *_tell_same_places(found)]


def tell_efficacy_more(found: Efficacy, units: Units = "us") -> Iterator[str]:
    """Yield all that the counts say of the treatment, most important first."""
    yield from _tell_against_strips(found) if found.strips_used else _tell_against_the_rest(found)
    for name, group in found.groups.items():
        mean, (low, high) = show_density(group.mean_per_m2, units), group.limits_per_m2
        between = f"90 % interval {show_density(low, units)} to {show_density(high, units)}"
        yield f"{name}: {mean} ({between}), {group.insects} insects in {group.bags} bags."
    yield (
        "Zones were chosen for high counts, and such ground falls by itself at the next count even when nothing is "
        "done: do not read before against after in the zones alone."
    )


def _tell_same_places(found: Efficacy) -> Iterator[str]:
    if found.same_places:
        yield (
            f"{found.same_places} of the later bags lie where one was pulled before: a plug hole is no fresh point. "
            "Draw a new visit."
        )


def tell_treated(treated: Treated) -> str:
    """Return which zones are taken as treated, and why."""
    if not treated.days:
        many = f"all {treated.planned} zones" if treated.planned != 1 else "its one zone"
        return f"No treatment by the plan of {treated.visit} is recorded: {many} taken as treated."
    days = ", ".join(treated.days)
    return f"Treated as recorded on {days}: {treated.treated} of the plan's {treated.planned} zones."


def _tell_against_strips(found: Efficacy) -> Iterator[str]:
    share = _show_share(found.henderson_tilton)
    yield f"Insects killed by the treatment, against the check strips: {share} (Henderson-Tilton)."
    if not found.henderson_tilton[1] > 0:
        yield _NOT_SHOWN
    below = " Less than 0 %: the treated ground held more afterwards than the untreated." if found.abbott[0] < 0 else ""
    yield f"From the ground afterwards alone: {_show_share(found.abbott)} (Abbott).{below}"


def _tell_against_the_rest(found: Efficacy) -> Iterator[str]:
    """Yield what ground outside the zones can tell: between two figures that err to either side."""
    strips, before, after = found.strips
    yield (
        "How many insects the treatment killed can't be told fairly: the zones were chosen for their high counts, and "
        "nothing here says what such ground does untreated."
        + (
            f" The plan's check strips ({strips}) hold {before} bags before and {after} after; "
            f"{found.fewest} at each visit are needed."
            if strips
            else " Check strips (geosample treat --checks 5%), with plugs in them, would."
        )
    )
    yield (
        f"Against the ground outside the zones it flatters the treatment, for dense ground falls by itself: "
        f"{_show_share(found.henderson_tilton)} (Henderson-Tilton)."
    )
    yield (
        f"From the ground afterwards alone it slights it, for the zones were denser: {_show_share(found.abbott)} "
        "(Abbott; below 0 % where they still are)."
    )
    if not found.henderson_tilton[1] > 0:
        yield _NOT_SHOWN


def _show_share(limits: tuple[float, float, float]) -> str:
    value, low, high = limits
    if not math.isfinite(value):
        return "a share that these counts can't tell (no insects in untreated ground)"
    return f"{percent(value)} (90 % interval {percent_range(low, high)})"
