"""A design in words: what each stratum was given and how evenly, what that buys, and what was asked beside it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from geosample.errors import MOST_ALIKE, list_names
from geosample.report import show_table
from geosample.units import (
    FOOT2_M2,
    Units,
    percent,
    set_percent,
    show_area,
    show_density,
    show_length,
    show_minutes,
    show_number,
    show_speed,
    show_way,
)
from geosample.words import SIMULATED

if TYPE_CHECKING:
    from pathlib import Path

    from geosample.design import Design

ALLOCATIONS = {
    "power": "by the root of each part's area",
    "proportional": "by each part's area",
    "equal": "as many to each part",
    "optimal": "by area and by how much the density was found to vary",
}
"""How the parts share the points, by the code of the allocation."""
WHY_NO_STOPS = {
    "edge_weight": "its density is weighted toward the edge, so a total means nothing",
    "method": "its points are no balanced or random sample in any order",
    "split": "its plugs are split between methods",
    "kept": "kept points make its density uneven",
    "few_bags": "it has too few bags",
}
WORK = {
    "walk": "walking",
    "pull": "pulling",
    "fill": "filling holes",
    "label": "labelling bags",
    "count": "counting under a lens",
}
"""The work of a day, by the name of its minutes."""
UNIT_OF_WORK = {
    "pull": "to pull a plug",
    "fill": "to fill a hole",
    "label": "to label a bag",
    "batch": "a batch",
    "count": "to count a bag",
}
_MEMORY, _PRACTICE = "from memory, unverified", "common practice, no source"
_COUNTED = {2: "two", 3: "three", 4: "four", 5: "five", 6: "six"}
_LONG_DAY_MINUTES = 600
_SPREAD_WELL = 0.15  # the balance above which it is said (own choice)


def tell_design(design: Design, units: Units = "us", *, replaced: str | None = None) -> list[str]:
    """Return the answer: how many points, where, how sharp the answer will be, and the day it takes.

    ``replaced`` is the code of an earlier draw of the same visit, whose place this one takes.
    """
    facts = design.summary()
    unit = f"{facts['units_per_point']} {facts['unit_shape']}{'s' if facts['units_per_point'] > 1 else ''}"
    return [
        f"Visit {facts['visit']}: {facts['points']} points and {facts['reserve']} in reserve on "
        f"{show_area(facts['area_m2'], units)}, {unit} a point.",
        *([f"It takes the place of draw {replaced}, whose sheets are void."] if replaced else []),
        *_tell_missing(facts["surfaces_missing"]),
        *_tell_doubt(facts["edge_doubt_m"], units),
        *_tell_shares(facts["strata"]),
        _tell_spacing(facts, units),
        _tell_walk(facts, units),
        _tell_sharpness(facts, units),
        *_tell_rest(facts),
        *_tell_stops_briefly(facts["stop_lines"]),
    ]


def tell_design_more(design: Design, units: Units = "us") -> list[str]:
    """Return the rest: the table of parts, how the draw was made, what it buys and takes."""
    facts = design.summary()
    heads = ("part (stratum)", "points", "reserve", "area", "one point stands for", "unevenness")
    beside = [*_tell_stop_lines(facts["stop_lines"], units), *_tell_effort(facts, units)]
    return [
        f"Design {facts['design_code']}, seed {facts['seed']}.",
        *show_table(heads, [_stratum_row(row, units) for row in facts["strata"]]),
        "",
        *_tell_draw(facts),
        "",
        *_tell_precision(facts, units),
        "",
        *beside,
    ]


def tell_simulation(model: Mapping[str, Any], units: Units = "us") -> str:
    """Return what invented counts were drawn from: the facts of a visit's ``simulation``."""
    return (
        f"{SIMULATED} Drawn from {show_density(model['mean_per_m2'], units)} on average inside fairways, "
        f"{model['border_ratio']:g} times that at the outer edge, a patchy field (log sd {model['field_sd']:g}, range "
        f"{model['field_range_m']:g} m), negative binomial counts (k = {model['k']:g}), seed {model['seed']}."
    )


def _tell_shares(rows: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Yield how many points each part of the ground got; of many parts only their number."""
    if len(rows) > MOST_ALIKE:
        least, most = min(row["main"] for row in rows), max(row["main"] for row in rows)
        yield f"Points by part: {len(rows)} parts, {least} to {most} points each (--more lists them)."
    elif len(rows) > 1:
        named = ", ".join(f"{row['stratum']} {row['main']}" for row in rows)
        yield f"Points by part: {named}."


def _tell_spacing(facts: Mapping[str, Any], units: Units) -> str:
    """Return how much ground a point stands for; whether the counts carry a map is judged from the counts alone."""
    side = show_length(facts["spacing_m"], units)
    return f"A point for each {side} by {side}: smaller patches may be missed; the counts tell if a map holds."


def _tell_walk(facts: Mapping[str, Any], units: Units) -> str:
    """Return how far the walk is, how long the day, and whether the hours at hand are enough."""
    effort = facts["effort"]
    walk = f"The walk: {show_way(facts['walk_m'], units)} round water"
    hint = " (--people)" if effort["hours"] is None and effort["minutes"] > _LONG_DAY_MINUTES else ""
    day = f"the day for {effort['people']}{hint}: {_tell_span(effort, units)}"
    if effort["hours"] is None:
        return f"{walk}; {day}."
    hours, wished = f"{effort['hours']:g} h", effort["points_wished"]
    if effort["minutes"] > effort["hours"] * 60:
        return f"{walk}; {day}: more than {hours}, and fewer points can't be."
    if wished and wished > facts["points"]:
        return f"{walk}; {day}. {wished} points were wished for; {hours} are enough for {facts['points']}."
    return f"{walk}; {day}: fits into {hours}."


def _tell_span(day: Mapping[str, Any], units: Units) -> str:
    """Return how long a day's work takes, and from when to when."""
    hour, minute = map(int, day["begin"].split(":"))
    begin = 60 * hour + minute
    end = begin + math.ceil(day["minutes"])
    return f"{show_minutes(60 * day['minutes'])}, {_show_clock(begin, units)} to {_show_clock(end, units)}"


def _show_clock(minutes: int, units: Units) -> str:
    """Return a time of day from minutes after midnight.

    Examples
    --------
    >>> _show_clock(785, "us"), _show_clock(785, "metric"), _show_clock(5, "us"), _show_clock(3300, "metric")
    ('1:05 pm', '13:05', '12:05 am', '7:00 two days later')
    """
    days, left = divmod(minutes, 24 * 60)
    hour, minute = divmod(left, 60)
    time = f"{hour % 12 or 12}:{minute:02d} {'pm' if hour >= 12 else 'am'}" if units == "us" else f"{hour}:{minute:02d}"  # noqa: PLR2004 - noon
    return time + ("" if not days else " the next day" if days == 1 else f" {_COUNTED.get(days, days)} days later")


def tell_day(day: Mapping[str, Any], units: Units) -> str:
    """Return what a day's work is made of, its sum, and when it is done: the facts of ``day_facts``."""
    took = {what: show_minutes(60 * minutes) for what, minutes in day["parts_minutes"].items() if minutes}
    batches = (
        f"{day['batches']} batch{'es' if day['batches'] > 1 else ''} of {day['containers']} in {day['extraction']}"
    )
    named = {**WORK, "batch": batches}
    parts = ", ".join(f"{named[what]} {time}" for what, time in took.items())
    shared = "each walks a round, the bench is shared" if day["people"] > 1 else "one after the other"
    return f"The day for {day['people']}, {shared}: {parts}. In all {_tell_span(day, units)}."


def tell_day_grades(day: Mapping[str, Any], units: Units) -> str:
    """Return with what numbers a day's work was reckoned, and what each rests on."""
    own, each = set(day["own_minutes"]), day["each_minutes"]
    numbers = {
        "walking": f"{show_speed(day['walk_m_per_s'], units)}",
        **{what: f"{minutes:g} min {UNIT_OF_WORK[what]}" for what, minutes in each.items()},
    }
    grades = {"walking": "set by you" if day["own_speed"] else _MEMORY}
    grades |= {what: "set by you" if what in own else _PRACTICE if what == "batch" else _MEMORY for what in each}
    told = [
        f"{', '.join(number for what, number in numbers.items() if grades[what] == grade)} ({grade})"
        for grade in dict.fromkeys(grades.values())
    ]
    return f"Reckoned with {'; '.join(told)}."


def _tell_sharpness(facts: Mapping[str, Any], units: Units) -> str:
    """Return how well the points tell the mean of all, and of the part with the fewest; what ten more would take."""
    more, buys = facts["effort"]["more"], facts["precision"]
    now, then = _margins(more)
    a_bag = more["density_per_m2"] * facts["point_m2"]
    told = [f"{facts['points']} points tell the mean of all to {now}"]
    if buys and len(buys["strata"]) > 1 and math.isclose(buys["densities_per_m2"][1], more["density_per_m2"]):
        few = min(buys["strata"], key=lambda row: row["points"])
        middle = _margins(few)[1]
        told.append(f"the {few['points']} of {few['stratum']} theirs to {middle}")
    return (
        f"At {show_density(more['density_per_m2'], units)}, {show_number(a_bag)} insects a bag, {', '.join(told)}; "
        f"{more['points']} more points tell it to {then} and take {show_minutes(60 * more['minutes'])}."
    )


def _tell_stops_briefly(plans: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    if plans:
        without = [plan["stratum"] for plan in plans if plan["why_not"]]
        but = f", but for {list_names(without, most=MOST_ALIKE)}" if without else ""
        yield f"The bench may stop early: the sheets have a table of when{but} (--more: how often it errs)."


def _tell_missing(kinds: Sequence[str]) -> Iterator[str]:
    if kinds:
        hint = " (read the ground again with a collar, such as 30in, to have one)" if "collar" in kinds else ""
        yield f"The course has no {' and no '.join(kinds)}: the rest is sampled{hint}."


def _tell_doubt(edge_doubt_m: float | None, units: Units) -> Iterator[str]:
    if edge_doubt_m:
        yield (
            f"The border is narrower than what is known of the walked edges, {show_length(edge_doubt_m, units)}: find "
            "points by pacing in from the turf's own edge, not by the receiver."
        )


def _stratum_row(row: Mapping[str, Any], units: Units) -> list[str]:
    stands = [_small_area(1 / row[f"density_{end}_per_m2"], units) for end in ("high", "low")]
    spread = stands[0] if stands[0] == stands[1] else f"{stands[0]} to {stands[1]}"
    balance = f"{row['balance']:.3f}" if math.isfinite(row["balance"]) else "-"
    return [row["stratum"], f"{row['main']}", f"{row['reserve']}", show_area(row["area_m2"], units), spread, balance]


def _small_area(area_m2: float, units: Units) -> str:
    """Return an area in ft² or m² to two or three figures, however large."""
    return f"{show_number(area_m2 / FOOT2_M2)} ft²" if units == "us" else f"{show_number(area_m2)} m²"


def _tell_draw(facts: Mapping[str, Any]) -> Iterator[str]:
    rows = facts["strata"]
    if rows:
        yield (
            f"Shares of the points: {ALLOCATIONS[facts['allocation']]}, at least "
            f"{min(row['planned'] for row in rows)} a part. Unevenness (of the ground nearest to each point): 0 is "
            "perfectly even, about 0.3 is chance."
        )
    poor = [row["stratum"] for row in rows if row["balance"] > _SPREAD_WELL and facts["method"] == "balanced"]
    if poor:
        yield f"Less even than usual by the luck of this draw: {', '.join(poor)}."
    odd = [f"{row['stratum']} {row['main']} for {row['planned']}" for row in rows if row["main"] != row["planned"]]
    if odd:
        told = ", ".join(odd)
        yield f"Method {facts['method']} gives a number that varies with its start: {told}. The densities are exact."


def _tell_precision(facts: Mapping[str, Any], units: Units) -> Iterator[str]:
    """Yield the table of what numbers of points would buy."""
    buys = facts["precision"]
    if buys is None:
        return
    rows = [
        [str(row.get("stratum", "")) + (": " if "stratum" in row else "") + str(row["points"]), *_margins(row)]
        for row in (*buys["points"], *buys["strata"])
    ]
    yield "To within how much a number of points tells a mean (two standard errors), and what each part has:"
    yield from show_table(["points", *(f"at {show_density(d, units)}" for d in buys["densities_per_m2"])], rows)
    clumps = f"k {buys['k']:.2g} a bag (how clumped insects lie: the smaller, the more clumped)"
    if buys["k_known"]:
        source = f"found on visit {buys['k_from_visit']}" if buys["k_from_visit"] else "given"
        yield f"Reckoned with {clumps}, {source}."
    else:
        yield f"Reckoned with {clumps}: a careful value from memory, for none is published for these larvae."


def _margins(row: Mapping[str, Any]) -> list[str]:
    return [f"± {set_percent(round(2 * ratio, 2))}" for ratio in row["se_over_mean"]]


def _tell_stop_lines(plans: Sequence[Mapping[str, Any]], units: Units) -> Iterator[str]:
    """Yield what each stratum's stop lines cost and how often they err."""
    if not plans:
        return
    low, high = (show_density(plans[0][f"{end}_per_m2"], units) for end in ("low", "high"))
    rows = [
        [
            plan["stratum"],
            f"{plan['bags']}",
            percent(plan["expect"][0]["says_low"]),
            percent(1 - plan["expect"][-1]["says_low"]),
            *(f"{at['bags']:.0f}" for at in plan["expect"]),
        ]
        for plan in plans
        if not plan["why_not"]
    ]
    heads = ["part", "bags", f"right at {low}", f"right at {high}", "bags at low", "between", "at high"]
    yield f"Stop lines for extraction, k {plans[0]['k']:.2g} a bag (all plugs are pulled):"
    yield from show_table(heads, rows) if rows else ()
    for plan in plans:
        if why := plan["why_not"]:
            yield f"No stop lines for {plan['stratum']}: {WHY_NO_STOPS.get(why, why)}."


def _tell_effort(facts: Mapping[str, Any], units: Units) -> Iterator[str]:
    """Yield what these points take, in which batches, and what pooling would change."""
    effort = facts["effort"]
    yield tell_day(effort, units)
    yield tell_day_grades(effort, units)
    yield "Pooling plugs in a bag, for a mean within ± 50 % (two standard errors):"
    rows = [[str(row[name]) for name in ("plugs", "bags_if_alike", "bags_if_independent")] for row in effort["pooling"]]
    yield from show_table(["plugs a bag", "bags if a point's plugs are alike", "bags if they are independent"], rows)
    yield (
        f"Pooled here: {facts['units_per_point']}. A bag takes the bench as long whatever is in it, so pooling saves "
        "bags; how many depends on how alike neighbouring plugs are, which nobody has published. It costs the "
        "look at single plugs."
    )


def _tell_rest(facts: Mapping[str, Any]) -> Iterator[str]:
    if plan := facts.get("strips_from_visit"):
        many = facts["points_in_strips"]
        where = f"In the check strips of the plan of {plan}: {many} points, by which 'check' tells what was killed."
        yield where if many else f"No check strip of the plan of {plan} lies on this ground: 'check' has no verdict."
    if "kept" in facts:
        moved = "moved by 0.5 to 1 m"
        yield f"Kept from visit {facts['kept_from_visit']}: {facts['kept']} of {facts['points']} points, {moved}."
    if facts["compare"]:
        each = f"{facts['units_per_point']} plugs for each of {', '.join(facts['compare'])}"
        yield f"A trial: every point is a block, {each}, dealt out at random; the sheets say which is which."


def tell_visits(facts: Mapping[str, Any], survey: Path) -> list[str]:
    """Return what was done to a survey's visits, and a row a visit: what there is of it."""
    done = []
    if renamed := facts.get("renamed"):
        done.append(f"{renamed[0]} is {renamed[1]} now; sheets printed before come in as they are.")
    if removed := facts.get("removed"):
        done += [
            f"{removed} is removed and kept in {facts['kept_in']}.",
            f"It comes back with: geosample visits {survey} --put-back '{facts['kept_in']}'",
        ]
    if noted := facts.get("noted"):
        done.append(f"The note stands beside {noted}.")
    if back := facts.get("put_back"):
        done.append(f"Put back: {', '.join(back)}.")
    rows = [
        [
            one["visit"] + (f" (after {one['follows']})" if one["follows"] else ""),
            one["date"],
            one["pest"],
            *(f"{one['rows'].get(name, 0):,}" for name in ("points", "samples", "zones", "treatments")),
            ", ".join(what for layer, what in _RESULTS.items() if one["rows"].get(layer)) or "-",
        ]
        for one in facts["visits"]
    ]
    heads = ["visit", "date", "pest", "points", "bags", "zones", "treatments", "results"]
    notes = [f"{one['visit']}: {one['note']}" for one in facts["visits"] if one["note"]]
    return [*done, *show_table(heads, rows), *notes] if rows else [*done, "No visits left."]


_RESULTS = {"estimates": "estimate", "models": "map"}
