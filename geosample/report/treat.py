"""What a plan, a record and the check of a treatment say: the answer first, then the reasons."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, cast

from geosample.errors import MOST_ALIKE, list_names
from geosample.report import Aside, show_table
from geosample.report.density import FEW_BAGS
from geosample.units import (
    YARD_M,
    Units,
    about_percent,
    percent,
    percent_range,
    set_percent,
    share_out,
    show_area,
    show_density,
    show_length,
    show_minutes,
    show_number,
    show_range,
    show_speed,
    show_way,
)
from geosample.words import (
    ACTIONS,
    GRADES,
    IN_SHORT,
    SIMULATED,
    SURFACE_KINDS,
    TREATMENT,
    hole_key,
    name_place,
    name_source,
    number_sources,
)

if TYPE_CHECKING:
    import pandas as pd

    from geosample.density import Looks
    from geosample.treat.amounts import Amount, Rate, Sprayer
    from geosample.treat.model import Figures, Zones
    from geosample.treat.passes import Drive, ZonePlace
    from geosample.treat.records import Efficacy, Treated
    from geosample.words import Grade, RecordRules

_MOST_NAMES = 6
_MOST_PLACES = 3
_OUNCE = " (oz is read as a weight; write floz for a volume)"
_BASIS = {
    "averages, as asked": "As asked",
    "averages, too few insects for a map": "There are too few insects for a map ({insects})",
    "averages, the map adds nothing": "The map adds nothing to plain averages",
}
_REASONS = {
    "above": "the mean is above",
    "risky": "the mean is below, but risky",
    "no_plug": "no plug here: by ground like it",
    "check": "to see what treatment did",
}
_HOLDS_MORE = {"more": "yes", "less": "no", "no_more": "no"}
_INTERVAL = "90 % interval"  # the level of treat.model
_LEAST_TOLD_M2 = 1.0
_NOTHING_LEFT = 0.005
_NOT_SHOWN = "The interval reaches to none at all: these counts do not show that the treatment did anything."
_NEAR_END = 0.05
_WHOLE_MINUTES = 60
_ROUND_TO = 5  # yards or metres along a surface: nobody paces finer
DIRECTIONS = (
    "Distances run from the green end (a tee's front); left and right are as seen facing the green; 6 o'clock faces "
    "the fairway."
)
"""How the words for places are meant, once on each paper."""


def tell_plan(zones: Zones, units: Units) -> list[str]:
    """Return a plan's answer for the terminal: what to treat, what that leaves, what to leave, and the caution."""
    first, *rest = _tell_zones(zones, units)
    figures = zones.figures
    notes = [*([SIMULATED] if zones.simulated else []), *_tell_basis(figures), *_tell_unsampled(figures, units)]
    notes += _tell_nearly_all(figures, units)
    asked = zones.settings.border_only_m is not None and figures.border is not None
    told = [*rest, *_tell_cost(zones, units), *_tell_driving_briefly(zones, units)]
    return [
        first,
        *([" ".join(notes)] if notes else []),
        *map(Aside, _tell_disputed(zones, units)),
        *(tell_strip(zones, units) if asked else told),
        *map(Aside, tell_overspray(zones, units)),
        *_tell_checks(zones, units, brief=True),
        _tell_off(zones, units),
        IN_SHORT,
    ]


def tell_plan_more(zones: Zones, units: Units) -> list[str]:
    """Return all of a plan for the terminal: the answer, the zones, the reasons, the cautions and the sources."""
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
    legend = (
        f"Between: {_INTERVAL}. Saves: what treating an acre saves on average, in acres of needless treatment, a miss "
        f"at {zones.settings.miss_cost:g}."
    )
    table = ["", *show_table(heads, rows), legend, ""] if rows else [""]
    cautions = ["Before anything is applied:", *number_cautions()]
    sources = ["Sources and how sure:", *(f"- {line}" for line in tell_sources(zones, units))]
    said = set(tell_plan(zones, units))
    answer = [line for line in tell_what_to_treat(zones, units) if line not in said]
    return [*answer, *table, *tell_reasons(zones, units), "", *cautions, "", *sources]


def number_cautions() -> list[str]:
    """Return the cautions in full, by the numbers their sources are told with."""
    return [f"{number}. {caution.text}" for number, caution in enumerate(TREATMENT, start=1)]


def tell_what_to_treat(zones: Zones, units: Units) -> list[str]:
    """Return what to treat, where spray falls besides, what that leaves, how it is driven: most important first."""
    first, *rest = _tell_zones(zones, units)
    figures = zones.figures
    return [
        first,
        *([SIMULATED] if zones.simulated else []),
        *tell_overspray(zones, units),
        *_tell_disputed(zones, units),
        *_tell_basis(figures),
        *_tell_cost(zones, units),
        *rest,
        *(tell_strip(zones, units) if zones.settings.border_only_m is not None else []),
        *_tell_nearly_all(figures, units),
        *_tell_unsampled(figures, units),
        *_tell_driving(zones, units),
        *tell_amounts(float(zones.of("treat")["area_m2"].sum()), zones.settings.sprayer, units),
        *_tell_checks(zones, units),
        _tell_off(zones, units),
    ]


def tell_looks(looks: Looks | None, units: Units) -> list[str]:
    """Return whether it pays to pull more plugs before anything is treated, by the user's own price of a plug."""
    if looks is None:
        return ["Whether to look again can't be weighed: this plan does not go by the map."]
    price = show_area(looks.price_m2, units)
    if not looks.points:
        least = show_area(looks.saved_m2, units)
        saves = f"the next plug would save about {least}, at a price of {price}"
        return [f"Looking again does not pay for this plan: {saves}."]
    plugs = f"{looks.points} {'or more' if looks.or_more else 'more'} {_plural(looks.points, 'plug')}"
    worth = f"{plugs} would save some {show_area(looks.saved_m2, units)}, likely less, each more than its {price}"
    return [f"Look again first: {worth}; some {looks.hours:.1f} h. 'followup --points {looks.points}' places them."]


def tell_reasons(zones: Zones, units: Units) -> list[str]:
    """Return why the plan is as it is: the stages, the rule, what is known, the border, what was left."""
    return [
        *_tell_controls(zones.figures),
        *_tell_rule(zones, units),
        *_tell_known(zones, units),
        *_tell_boom(zones, units),
        *_tell_dense(zones.figures),
        *(tell_strip(zones, units) if zones.settings.border_only_m is None else []),
        *_tell_border_plan(zones, units),
        *_tell_plain_strip(zones.figures, units),
        *_tell_left_out(zones, units),
    ]


def tell_sources(zones: Zones, units: Units) -> list[str]:
    """Return what the plan's numbers and words rest on, for the one place that says so."""
    settings = zones.settings
    cautions = [f"{list_names(numbers)} {source}" for source, numbers in number_sources(TREATMENT)]
    controls = dict.fromkeys(name_source(one.source, cast("Grade", one.grade)) for one in zones.figures.controls)
    set_here = (
        f"swath {show_length(settings.swath_m, units)}, speed {show_speed(settings.speed_m_per_s, units)}, smallest "
        f"zone {show_area(settings.smallest_m2, units)}, a miss at {settings.miss_cost:g} needless treatments"
    )
    return [
        f"Yours to set, and the defaults common practice with no source: {set_here}.",
        f"Cautions: {'; '.join(cautions)}. Named sources were read.",
        *(
            [
                f"Stages and IRAC groups: {'; '.join(controls)}. Not to meet the next generation with the same group: "
                f"{GRADES['M']}."
            ]
            if controls
            else []
        ),
        "Expected numbers, intervals (90 %) and chances: from your counts, by the density map or the means it names.",
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
    if zone.overspray_m2 >= _LEAST_TOLD_M2:
        over = f" A whole boom also covers {show_area(zone.overspray_m2, units)} beside it."
    return f"{start}: {expected}; {_REASONS[zone.reason]}; {plugs}.{over}"


def tell_drive(drive: Drive, units: Units) -> str:
    """Return what it takes to drive over zones: passes and their length."""
    many = len(drive.passes)
    where = f"{', '.join(drive.zone_ids)}: {many} {'pass' if many == 1 else 'passes'}"
    return f"{where} of the boom, {show_way(drive.length_m, units)} in all, in driving order."


def tell_place(place: ZonePlace, kind: str, units: Units) -> str:
    """Return where a zone lies, in the words of a crew.

    Examples
    --------
    >>> from geosample.treat.passes import ZonePlace
    >>> tell_place(ZonePlace("left edge", 0, 137, 300), "fairway", "us")
    'fairway, left edge, from the green end to 150 yd'
    >>> tell_place(ZonePlace("hours", hours=(2.1, 4.8)), "green", "us"), tell_place(ZonePlace("all"), "tee", "us")
    ("green's edge, from 2 to 5 o'clock", 'tee, all of it')
    """
    if place.paced:
        return f"{kind}, its middle {place.paced}"
    if place.part in {"rim", "middle"} and not place.whole_m:
        return f"{kind}, {'all round the edge' if place.part == 'rim' else 'its middle'}"
    if place.part == "hours":
        first, last = (round(hour) % 12 or 12 for hour in place.hours)
        return f"{kind}'s edge, " + (f"at {first} o'clock" if first == last else f"from {first} to {last} o'clock")
    if place.part in {"all", "towards"}:
        return f"{kind}, {'all of it' if place.part == 'all' else f'its {place.way} part'}"
    piece, of = place.piece
    start = f"piece {piece} of {of}, " if of > 1 else ""
    return f"{kind}, {start}{place.part}, {_tell_stretch(place, kind, units)}"


def _tell_stretch(place: ZonePlace, kind: str, units: Units) -> str:
    unit_m, unit = (YARD_M, "yd") if units == "us" else (1.0, "m")
    near = "the front" if kind == "tee" else "the green end"
    first, last = (_ROUND_TO * round(end_m / unit_m / _ROUND_TO) for end_m in (place.start_m, place.end_m))
    from_near = place.start_m < _NEAR_END * place.whole_m
    to_far = place.end_m > (1 - _NEAR_END) * place.whole_m
    if from_near and to_far:
        return "the whole length"
    if first == last:
        return f"at {first} {unit}"
    if to_far:
        return f"from {first} {unit} to the far end"
    return f"from {near if from_near else first} to {last} {unit}"


def work_rows(zones: Zones, places: Mapping[str, ZonePlace], units: Units) -> list[list[str]]:
    """Return the work as rows in driving order: hole, zones, where, area, passes, length, time, and loads if asked.

    Parameters
    ----------
    places : mapping of str to Place
        Where each zone lies, as ``find_places`` gives it.
    """
    kinds = dict(zip(zones.zones["zone_id"], zones.zones["kind"], strict=True))
    settings, drives = zones.settings, zones.drives

    def row(*told: str, area_m2: float, passes: int = 0, length_m: float = 0.0) -> list[str]:
        minutes = length_m / settings.speed_m_per_s / 60
        # Not rounded up row by row, or the rows would add up to more than the whole.
        time = show_minutes(60 * minutes) if minutes >= _WHOLE_MINUTES else f"{minutes:.1f} min"
        driven = [str(passes), show_way(length_m, units), time]
        load = settings.sprayer.count_loads(area_m2)
        loads = [] if load is None else [_show_loads(load) if passes else ""]
        return [*told, show_area(area_m2, units), *(driven if passes else ["none", "", ""]), *loads]

    def where(name: str) -> str:
        return tell_place(places[name], kinds[name], units)

    rows = [
        row(
            drive.hole or "none",
            ", ".join(drive.zone_ids),
            "; ".join(where(name) for name in drive.zone_ids),
            area_m2=drive.area_m2,
            passes=len(drive.passes),
            length_m=drive.length_m,
        )
        for drive in drives
    ]
    treat, driving = zones.of("treat"), zones.figures.driving
    many = f"{len(treat)} {_plural(len(treat), 'zone')}"
    area_m2 = float(treat["area_m2"].sum())
    total = row("all", many, "", area_m2=area_m2, passes=driving.passes, length_m=driving.length_m)
    strips = [
        row(one.hole or "none", one.zone_id, f"leave untreated: {where(one.zone_id)}", area_m2=one.area_m2)
        for one in zones.of("check").itertuples()
    ]
    by_hole = sorted([*rows, *strips], key=lambda told: hole_key(told[0]))  # within a hole the order stays
    return [*([total] if rows else []), *by_hole]


def _show_loads(loads: float) -> str:
    return f"{loads:.1f}" if loads >= 0.05 else "under 0.1"  # noqa: PLR2004 - what rounds to none


WORK_HEADS = ("hole", "zone", "where", "area", "passes", "length", "time", "tank loads")
"""Heads of ``work_rows``; the last where the user entered a tank and a carrier volume."""


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
    if unknown_m2 >= _LEAST_TOLD_M2:
        parts.append(f"{show_area(unknown_m2, units)} of the mapped ground not known")
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}."


def _plural(many: int, one: str) -> str:
    return one if many == 1 else f"{one}s"


def _limit(zones: Zones, units: Units) -> str:
    return show_density(zones.threshold_per_m2, units)


def _tell_basis(figures: Figures) -> list[str]:
    """Return why a plan goes by averages, where it does."""
    why = _BASIS.get(figures.basis)
    return [f"{why.format(insects=figures.insects_counted)}: this plan goes by the means."] if why else []


def _tell_zones(zones: Zones, units: Units) -> Iterator[str]:
    many, figures, asked = len(zones.of("treat")), zones.figures, zones.settings.border_only_m
    if not many:
        yield from _tell_nothing(zones, units)
        return
    area, mapped = show_area(figures.treated.area_m2, units), show_area(figures.mapped.area_m2, units)
    insects = f"{percent(figures.share_of_insects)} of the insects"
    ends = percent_range(figures.reached.low, figures.reached.high)
    yield (
        f"Treat {many} {_plural(many, 'zone')}, {area} of {mapped} ({percent(figures.share_of_area)}), with {insects} "
        f"(90 %: {ends})."
    )
    only = ", ".join([*zones.settings.kinds, *(f"hole {name}" for name in zones.settings.holes)])
    if only:
        elsewhere = show_area(figures.removed["on ground not asked for"].area_m2, units)
        yield f"As asked, only {only}; elsewhere {elsewhere} pass the cut-off too."
    if asked is not None:
        left = figures.removed.get("outside the border")
        beyond = f"; {show_area(left.area_m2, units)} farther in also pass it" if left and left.area_m2 >= 1 else ""
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


def _tell_nearly_all(figures: Figures, units: Units) -> Iterator[str]:
    """Yield that a plan which leaves next to nothing is no spot treatment."""
    if figures.nearly_all:
        left = figures.mapped.area_m2 - figures.treated.area_m2
        leaves = show_area(left, units) if left >= _NOTHING_LEFT * figures.mapped.area_m2 else "nothing"
        yield f"Nearly all: spot treatment does not pay; it leaves {leaves}."


def _tell_unsampled(figures: Figures, units: Units) -> Iterator[str]:
    """Yield how much no plug speaks for, in the zones or left out of them as asked."""
    if figures.unsampled.area_m2 >= _LEAST_TOLD_M2:
        yield f"{show_area(figures.unsampled.area_m2, units)} of it have no plug near."
    left = figures.removed["no plug speaks for it"]
    if left.area_m2 >= _LEAST_TOLD_M2:
        yield f"As asked, {show_area(left.area_m2, units)} that pass, but have no plug near, are left."


def _tell_disputed(zones: Zones, units: Units) -> Iterator[str]:
    """Yield where the plan and the bags pulled there lie on opposite sides of the threshold, a sentence a way."""
    said = False
    for treated, so in ((True, "treated though its bags average less"), (False, "left though its bags average more")):
        places = [
            f"{name_place(one.hole, one.kind)} ({one.bags} {_plural(one.bags, 'bag')} at "
            f"{show_density(one.own_per_m2, units)}, the plan goes by {show_density(one.plan_per_m2, units)})"
            for one in zones.figures.disputed
            if one.treated is treated
            and _limit(zones, units) not in {show_density(mean, units) for mean in (one.own_per_m2, one.plan_per_m2)}
        ]
        if places:
            said = True
            yield f"Look at these first, {so} than {_limit(zones, units)}: {list_names(places, most=_MOST_PLACES)}."
    if said:
        yield f"{FEW_BAGS}."


def tell_overspray(zones: Zones, units: Units) -> list[str]:
    """Return in a sentence what a whole boom covers beyond the zones, other turf first; nothing for no zones."""
    falls = {kind: area for kind, area in zones.figures.overspray_m2.items() if area >= _LEAST_TOLD_M2}
    if not zones.figures.driving.passes:
        return []
    if not falls:
        return ["Overspray: none, the passes keep to the zones."]
    names = {**{kind: f"{kind} outside the zones" for kind in SURFACE_KINDS}, "unmapped": "ground that is not mapped"}
    turf = [kind for kind in SURFACE_KINDS if kind in falls]
    rest = sorted(falls.keys() - set(turf), key=lambda kind: -falls[kind])
    said = ", ".join(f"{show_area(falls[kind], units)} of {names.get(kind, kind)}" for kind in [*turf, *rest])
    return [f"Overspray: a whole boom on these passes also covers {said}. Shut the outer nozzles there."]


def _tell_driving_briefly(zones: Zones, units: Units) -> Iterator[str]:
    """Yield in a line how many passes, how far, how long, and how many tanks."""
    driving, sprayer = zones.figures.driving, zones.settings.sprayer
    if driving.passes:
        loads = sprayer.count_loads(float(zones.of("treat")["area_m2"].sum()))
        tanks = f"; {loads:.1f} tanks of {sprayer.tank.show()}" if loads is not None and sprayer.tank else ""
        yield f"Driving: {_show_driving(zones, units)}, turns not counted{tanks}."


def _show_driving(zones: Zones, units: Units) -> str:
    driving, speed = zones.figures.driving, zones.settings.speed_m_per_s
    return (
        f"{driving.passes:,} {'pass' if driving.passes == 1 else 'passes'} of "
        f"{show_length(zones.settings.swath_m, units)}, {show_way(driving.length_m, units)}, "
        f"{show_minutes(driving.length_m / speed)} at {show_speed(speed, units)}"
    )


def _tell_driving(zones: Zones, units: Units) -> Iterator[str]:
    """Yield how the zones are driven, what that leaves of them and what it covers twice."""
    driving = zones.figures.driving
    if not driving.passes:
        return
    yield f"Driving: {_show_driving(zones, units)}; turns, filling and the way between zones are not counted."
    beside = " or beside check strips" if len(zones.of("check")) else ""
    left = {
        "where the boom would be over water or ground you keep off": driving.kept_off_m2,
        f"in corners too small for a pass{beside}": driving.corners_m2,
    }
    told = [f"{show_area(m2, units)} {where}" for where, m2 in left.items() if m2 >= _LEAST_TOLD_M2]
    if told:
        yield f"The passes leave {' and '.join(told)}."
    if driving.twice_m2 >= _LEAST_TOLD_M2:
        yield f"{show_area(driving.twice_m2, units)} lie under two passes: shut nozzles on the second."


def _tell_boom(zones: Zones, units: Units) -> Iterator[str]:
    """Yield how much of the zones is there only so that a boom can drive them, and how much of that nobody knows."""
    figures, unknown = zones.figures, zones.figures.added_unknown_m2
    if figures.added.area_m2 < _LEAST_TOLD_M2:
        return
    yield (
        f"Of the zones, {show_area(figures.treated.area_m2 - figures.added.area_m2, units)} pass the rule by "
        f"themselves; {show_area(figures.added.area_m2, units)} were added to make them drivable with a swath of "
        f"{show_length(zones.settings.swath_m, units)}"
        + (f", {show_area(unknown, units)} of it ground that is not known." if unknown >= _LEAST_TOLD_M2 else ".")
    )


def _tell_known(zones: Zones, units: Units) -> Iterator[str]:
    figures = zones.figures
    yield (
        f"The counts speak for {percent(figures.known_share)} of the mapped ground; elsewhere the plan weighs chances. "
        f"{FEW_BAGS}: holes differ less on the plan than in their own bags."
    )
    if figures.unsampled.area_m2 >= _LEAST_TOLD_M2:
        yield (
            f"{show_area(figures.unsampled.area_m2, units)} of the zones have no plug near: they are treated by ground "
            "like them; a plan for sampled ground only leaves them."
        )
    left = figures.removed["no plug speaks for it"]
    if left.area_m2 >= _LEAST_TOLD_M2:
        cost = zones.settings.miss_cost * left.hot_m2 - (left.area_m2 - left.hot_m2)
        yield (
            f"As asked, ground that no plug speaks for is left: {show_area(left.area_m2, units)} of it pass the rule, "
            f"and {show_area(left.hot_m2, units)} are expected to be above {_limit(zones, units)}. By your costs that "
            f"is as dear as treating {show_area(cost, units)} needlessly; a second round (followup) draws plugs there."
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


def _tell_checks(zones: Zones, units: Units, *, brief: bool = False) -> Iterator[str]:
    """Yield the check strips, those left or those to leave and what they cost."""
    strips, offer = zones.of("check"), zones.figures.offer
    if len(strips):
        area = show_area(float(strips["area_m2"].sum()), units)
        why = "" if brief else ", placed at random across the zones: plugs from them tell later what the treatment did"
        yield f"Leave {len(strips)} check {_plural(len(strips), 'strip')} untreated, {area}{why}."
    elif zones.settings.check_share > 0:
        yield "No check strip fits: the zones are too small for one a swath wide."
    elif offer is not None:
        lie = dict.fromkeys(name_place(one.hole, one.kind) for one in zones.offered)
        many = f"{'this' if offer.strips == 1 else 'these'} {offer.strips} {_plural(offer.strips, 'strip')}"
        still, cut = ("", "") if brief else ("the zones and passes here still hold them; ", " to cut them out")
        option = f"set checks to {set_percent(offer.share).replace(' ', '')}"
        drawn = "" if brief or not lie else f" (dotted on the maps, on {list_names(list(lie), most=_MOST_PLACES)})"
        yield (
            f"Leave {many}, {show_area(offer.area_m2, units)}{drawn}, or you will not know whether it worked: "
            f"{still}{option}{cut}."
        )


def _tell_off(zones: Zones, units: Units) -> str:
    """Return in one line what was kept off, and that no distance to water is assumed."""
    kept = [f"{show_length(distance, units)} from {kind}" for kind, distance in zones.settings.keep_off_m.items()]
    if "water" not in zones.settings.keep_off_m:
        kept.append("no distance to water was entered, and none is assumed")
    missing = [f"no {kind} is mapped: check on the spot" for kind in zones.figures.missing_obstacles]
    return f"Kept off: {'; '.join([*kept, *missing])}."


def _tell_controls(figures: Figures) -> Iterator[str]:
    """Yield which classes fit the stages found, and which of them were used last."""
    if not figures.controls:
        return
    if not any(one.irac for one in figures.controls):
        yield "Which classes of control reach this pest: none found with a source; ask your extension office."
        return
    shares = share_out([one.share for one in figures.controls])
    for one, share in zip(figures.controls, shares, strict=True):
        groups = ", ".join(f"{group} (used {one.used_on})" if group in one.used else group for group in one.irac)
        fit = f": IRAC groups {groups}" if groups else ""
        yield f"Stages: {share} of the insects fit '{one.when}'{fit}."
    if any(one.used for one in figures.controls):
        yield "Do not meet the next generation with a group that was used."
    yield (
        "IRAC groups are classes by how they work on insects. A class aimed at adults does nothing to larvae, and the "
        "other way round; the stages sampled decide."
    )


def _tell_cost(zones: Zones, units: Units) -> Iterator[str]:
    """Yield on what chance a plan treats, whose choice that is, and what other choices would treat."""
    settings, others = zones.settings, zones.figures.by_cost_m2
    if not others or zones.figures.treated.area_m2 <= 0:
        return
    other = ", ".join(f"{show_area(area_m2, units)} at {cost:g}" for cost, area_m2 in others)
    yours = f"treat from a chance of {percent(settings.cutoff)} (miss cost {settings.miss_cost:g})"
    yield f"Yours to set: {yours}; about {other}."


def _tell_rule(zones: Zones, units: Units) -> Iterator[str]:
    settings, limit = zones.settings, _limit(zones, units)
    cost = settings.miss_cost
    needless = "one needless treatment" if cost == 1 else f"{cost:g} needless treatments"
    yield (
        f"The rule: a place is treated where its chance of being above {limit} passes {percent(settings.cutoff)}, for "
        f"there leaving it costs more than treating it: missing a hot place is taken to cost as much as {needless} of "
        "it. Few plugs make the chance less sure, and it has that in it."
    )
    treated = zones.of("treat")
    low = treated[(treated["reason"] == "risky") & (treated["probability"] > settings.cutoff)]
    if len(low):
        yield (
            f"{_name_zones(low['zone_id'])}: the mean expected there is below {limit}, yet the chance of being "
            f"above it is more than {percent(settings.cutoff)}, so by these costs leaving it would be the "
            "dearer mistake. A higher cost of needless treatment (a smaller miss cost) leaves such zones out."
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


def tell_strip(zones: Zones, units: Units) -> list[str]:
    """Return in two lines whether the border holds more, and what a strip along it costs and leaves."""
    border = zones.figures.border
    if border is None:
        return []
    ratio, strip = border.ratio, border.strip
    if ratio is None:
        holds = "not estimated"
    else:
        ends = f"{ratio.low:.2g} to {ratio.high:.2g}, {percent(ratio.level)} interval"
        size = f"{ratio.value:.1f} times the interior, {ends}"
        holds = f"{_HOLDS_MORE.get(ratio.verdict, 'cannot tell')} ({size})"
    area = show_area(strip.area_share * zones.figures.mapped.area_m2, units)
    leaves = f"{percent_range(1 - strip.high, 1 - strip.low)} of the insects ({_INTERVAL})"
    return [
        f"Does the border hold more? {holds[0].upper()}{holds[1:]}.",
        f"A strip of {show_length(strip.width_m, units)} costs {area} ({percent(strip.area_share)}) and leaves "
        f"{leaves}.",
    ]


def _tell_border_plan(zones: Zones, units: Units) -> Iterator[str]:
    """Yield whether the border alone could be treated, on these counts."""
    border = zones.figures.border
    if border is None:
        return
    if border.answer == "unsupported":
        yield "Treating only the border is not supported by these counts."
    elif border.answer == "all above":
        yield "The rest is above the threshold too: no strip short of most of the ground would do."
    else:
        strip = border.strip
        left = f"a strip leaves {show_area(border.left_m2, units)} farther in that pass the rule"
        if border.answer == "asked":
            yield f"Of the border alone: {left}."
            return
        wide = show_length(strip.width_m, units)
        reason = (
            "where the strip's share of the insects is most above its share of the ground"
            if border.best_aimed
            else "the narrowest that leaves no more than a tenth of the ground that passes the rule"
        )
        yield f"A border-only plan is open to you ({wide} wide): such {left}. That width is {reason}."


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
        if left.area_m2 >= _LEAST_TOLD_M2 and reason != "no plug speaks for it":
            where = _tell_narrow(figures, units) if reason == "too narrow for the swath" else ""
            area = show_area(left.area_m2, units)
            yield f"Left untreated though the chance passes the cut-off, {reason}: {area}{where}."
    small = figures.small_patches
    if small:
        many = "1 patch is" if small == 1 else f"{small} patches are"
        yield (
            f"{many} smaller than {show_area(settings.smallest_m2, units)} and left out; a smaller limit keeps "
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
    return f", {said}{more}. A narrower swath reaches more of it"


def show_take(rate: Rate | None, area_m2: float) -> str:
    """Return what an area takes at a rate the user entered, with its unit; nothing without one."""
    return rate.on(area_m2).show() if rate else ""


def tell_record(
    visit: str, record: Mapping[str, str], missing: list[str], rules: RecordRules, *, to_come: bool = False
) -> list[str]:
    """Return that it was recorded, and how much the rules still ask for."""
    asked = [rules.fields[key] for key in missing]
    still = f"{len(missing)} fields of the rules are" if len(missing) > 1 else "1 field of the rules is"
    return [
        f"Recorded: treated on {record['date']} by the plan of visit {visit}, {len(record)} "
        f"{_plural(len(record), 'field')}.",
        *([f"{record['date']} is still to come: record what was done once it is done."] if to_come else []),
        *(
            [f"{still} still to be filled in ({rules.source}): {list_names(asked, most=MOST_ALIKE)}."]
            if missing
            else []
        ),
        "Other places ask for other fields: any may be added.",
    ]


def tell_record_more(record: Mapping[str, str], missing: list[str], rules: RecordRules) -> list[str]:
    """Return what was recorded, field by field, and what the rules mean by those that are missing."""
    lines = [f"- {key}: {value}" for key, value in record.items()]
    if missing:
        lines.append(f"Still to be filled in ({rules.source}; {rules.keep}):")
        lines += [f"- {rules.fields[key]} ({key})" for key in missing]
    return lines


def tell_efficacy(found: Efficacy) -> str:
    """Return in one line how much the treatment killed, or what can be told without and what to do next time."""
    strips, _, after = found.strips
    if not found.strips_used and strips:
        needed = f"the check strips held {after} of the {found.fewest} bags needed"
        return f"No verdict: {needed}; points for them come with 'design'."
    if not found.strips_used:
        zones, rest = (_tell_course(found, name) for name in ("treated", "untreated"))
        return f"No verdict without check strips (treat --checks 5%): zones at {zones} times before, others {rest}."
    value, low, _ = found.verdict
    if not math.isfinite(value):
        return "No verdict: too few insects were found; next time pull more plugs in zones and check strips."
    if value < 0:
        return f"Killed, against the check strips: {_show_share(found.verdict)}."
    unsure = "" if low > 0 else ": that may be nothing"
    return f"Killed by the treatment, against the check strips: {_show_share(found.verdict)}{unsure}."


def _tell_course(found: Efficacy, name: str) -> str:
    """Return how many times as many a kind of ground holds as before."""
    before, after = (found.groups[f"{name} {when}"].mean_per_m2 for when in ("before", "after"))
    return show_number(after / before) if before > 0 else "unknown"


def tell_efficacy_more(found: Efficacy, units: Units = "us") -> Iterator[str]:
    """Yield all that the counts say of the treatment, most important first."""
    yield from _tell_against_strips(found) if found.strips_used else _tell_against_the_rest(found)
    for name, group in found.groups.items():
        if not group.bags:
            continue
        mean, (low, high) = show_density(group.mean_per_m2, units), group.limits_per_m2
        between = f"90 % interval {show_density(low, units)} to {show_density(high, units)}"
        yield f"{name}: {mean} ({between}), {group.insects} insects in {group.bags} bags."
    yield (
        "Zones were chosen for high counts, and such ground falls by itself at the next count even when nothing is "
        "done: do not read before against after in the zones alone."
    )


def tell_same_places(found: Efficacy) -> Iterator[str]:
    """Yield how many later bags lie in an old plug hole, where any does."""
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
    afterwards = (found.abbott, "from the ground afterwards alone, which is fair where strips lie at random (Abbott)")
    course = (found.henderson_tilton, "by what each held before and after (Henderson-Tilton)")
    first, second = (course, afterwards) if found.by_before else (afterwards, course)
    yield f"Insects killed by the treatment, against the check strips: {_show_share(first[0])}, {first[1]}."
    if not first[0][1] > 0:
        yield _NOT_SHOWN
    if math.isfinite(second[0][0]):
        yield f"And {second[1]}: {_show_share(second[0])}."
    yield "Whether the insects resist is not to be seen from counts: a bioassay, by those who do them, would tell."


def _tell_against_the_rest(found: Efficacy) -> Iterator[str]:
    """Yield what ground outside the zones can tell: between two figures that err to either side."""
    strips, before, after = found.strips
    yield (
        "How many insects the treatment killed can't be told fairly: the zones were chosen for their high counts, and "
        "nothing here says what such ground does untreated."
        + (
            f" The plan's check strips ({strips}) hold {before} bags before and {after} after; "
            f"{found.fewest} after are needed."
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
        "(Abbott; none where they still are)."
    )
    if not found.henderson_tilton[1] > 0:
        yield _NOT_SHOWN


def _show_share(limits: tuple[float, float, float]) -> str:
    """Return a share killed; where more were left than untreated ground leads to expect, how many times as many."""
    value, low, high = limits
    if not math.isfinite(value):
        return "a share that these counts can't tell (no insects in untreated ground)"
    if low >= 0:
        return f"{percent(value)} (90 % interval {percent_range(low, high)})"
    if value >= 0:
        return f"{percent(value)} (90 % interval none to {percent(high)})"
    left, least, most = (show_number(1 - end) for end in (value, high, low))
    return f"none: {left} times the expected left (90 %: {least} to {most})"
