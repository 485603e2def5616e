"""The season in words: where it grew, what worked, what was used and is left, when to look next, what is not known."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from geosample.cautions import SIMULATED
from geosample.pests import load_pest
from geosample.report.terminal import show_table
from geosample.report.treat import tell_efficacy
from geosample.survey.findings import What
from geosample.units import percent, set_percent, share_out, show_density, show_number
from geosample.words import PLURALS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from geosample.season import Change, Season
    from geosample.season.degree_days import Look
    from geosample.season.model import Step
    from geosample.survey.findings import Finding
    from geosample.units import Units

VERDICTS = {"grew": "grew", "fell": "fell", "unclear": "no clear change"}
_METHODS = {"average": "simple average", "sine": "single sine"}
_MOST_ROWS = 20  # among which one false change is to be expected at 95 %


def tell_season_answer(season: Season, units: Units = "us") -> list[str]:
    """Return the five lines of the answer."""
    return [
        *([SIMULATED] if season.simulated else []),
        f"Where it grew: {_tell_grown(season.steps[-1])}",
        f"What worked: {_tell_worked(season)}",
        f"Used in {season.year}: {_tell_used(season)}",
        f"Look next: {_tell_look(season)}",
        f"Not known: {_tell_unknown(season, units)}",
    ]


def tell_season_more(season: Season, units: Units = "us") -> list[str]:
    """Return every visit, every change, the treatments and the degree-days, with how they were reckoned."""
    return [*_visits(season, units), *_changes(season, units), *_treatments(season), *_events(season)]


def name_domain(change: Change) -> str:
    """Return what a change is of, as a person says it."""
    if change.domain == "all":
        return "whole ground"
    if change.domain == "hole":
        return f"hole {change.label}"
    return PLURALS.get(change.label, change.label)


def show_ratio(change: Change) -> str:
    """Return how many times as many, with the interval's ends."""
    low, value, high = (change.ratio.low, change.ratio.value, change.ratio.high)
    if not change.same_ground:
        return "other ground at each visit"
    if math.isnan(value):
        return "none found at either"
    ends = f"{show_number(low)} to {_show_end(high)}"
    return f"none then ({ends})" if math.isinf(value) else f"{show_number(value)} times ({ends})"


def _show_end(value: float) -> str:
    return "any number" if math.isinf(value) else show_number(value)


def _tell_grown(step: Step) -> str:
    whole = step.whole
    said = [] if whole is None else [f"whole ground {show_ratio(whole)}, {VERDICTS[whole.verdict]}"]
    others = [one for one in step.changes if one.domain in {"kind", "hole"}]
    said += [f"{name_domain(one)} {show_ratio(one)}, {one.verdict}" for one in others if one.verdict != "unclear"]
    clear = sum(one.verdict != "unclear" for one in others)
    rest = f"no clear change in {len(others) - clear} of {len(others)} kinds and holes" if others else ""
    return (
        f"since {step.before}: {'; '.join([*said, *([rest] if rest else [])])} ({set_percent(step.level)} intervals)."
    )


def _tell_worked(season: Season) -> str:
    done = [step for step in season.steps if any(one.domain == "zones" for one in step.changes)]
    if not done:
        return "no treatment with counts in its zones before and after."
    step = done[-1]
    if step.efficacy is not None and step.efficacy.strips_used:
        return tell_efficacy(step.efficacy)
    zones = next(one for one in step.changes if one.domain == "zones")
    return (
        f"in the treated zones {show_ratio(zones)} from {step.before} to {step.after}; without check strips that is "
        "not what the treatment did, for dense ground falls by itself."
    )


def _tell_used(season: Season) -> str:
    used = season.groups_used
    if not used:
        blank = sum(entry.date.startswith(f"{season.year}-") for entry in season.ledger)
        return f"{blank} treatments without a group (record --set irac_group=28)." if blank else "nothing recorded."
    days = ", ".join(f"group {group} on {many} day{'s' if many > 1 else ''}" for group, many in used.items())
    again = "".join(
        f" Group {one.group} met {len(one.generations)} generations." if len(one.generations) > 1 else ""
        for one in season.used_again
    )
    fit = dict.fromkeys(group for control in _fitting(season) for group in control)
    left = ", ".join(group for group in fit if group not in used) or "none"
    return f"{days}.{again} Left of those that reach the stages last found: {left}; the label decides."


def _fitting(season: Season) -> list[tuple[str, ...]]:
    """Return the groups for each control whose stages were found at the last visit."""
    found = {row.domain for row in _mix(season, -1) if row.value > 0}
    return [control.irac for control in load_pest(season.pest).controls if control.group in found]


def _mix(season: Season, place: int) -> Sequence[Finding]:
    return season.estimates[place].findings.of(What.STAGE_GROUP_SHARE)


def _tell_look(season: Season) -> str:
    if season.temperatures is None:
        signs = [f"{one.name}: {one.sign}" for one in load_pest(season.pest).events if one.sign and one.look]
        return f"no temperatures were given (--temperatures); {'; '.join(signs) or 'no event of this pest is known'}."
    due = [look for look in season.looks if look.event.look] or list(season.looks)
    return "; ".join(_tell_event(look) for look in due) + "." if due else "no event of this pest is known."


def _tell_event(look: Look) -> str:
    event = look.event
    name = f"{event.name} (about {event.low_f:g} degree-days above {event.base_f:g} °F)"
    if look.reached:
        return f"{name}: reached on {look.reached}; the stages sampled override it"
    if look.earliest and look.latest:
        years = ", ".join(map(str, look.years))
        days = look.earliest if look.earliest == look.latest else f"{look.earliest} to {look.latest}"
        return f"{name}: {days}, were the rest as in {years}; no forecast"
    return f"{name}: not reached; the file has no other year's days to say when"


def _tell_unknown(season: Season, units: Units) -> str:  # noqa: ARG001 - one form with its neighbours
    said = []
    step = season.steps[-1]
    ground = sum(step.map_m2.values())
    if ground > 0:
        names = [("unclear", "no clear change"), ("one_visit", "known at one visit only"), ("unknown", "at neither")]
        shares = [step.map_m2.get(name, 0.0) / ground for name, _ in names]
        said.append(", ".join(f"{percent(share)} {words}" for share, (_, words) in zip(shares, names, strict=True)))
    if len(step.methods) > 1:
        said.append(f"counts by {' and '.join(step.methods)} are not comparable as they stand")
    if season.left_out:
        said.append(f"{', '.join(season.left_out)} without estimates")
    if season.temperatures is not None and season.temperatures.gaps:
        said.append(f"temperatures of {len(season.temperatures.gaps)} longer gaps")
    said.append("why it changed: insects grow up, die and fly too")
    return f"{'; '.join(said)}."


def _visits(season: Season, units: Units) -> Iterator[str]:
    rows = []
    for place, (visit, one) in enumerate(zip(season.visits, season.estimates, strict=True)):
        table = one.estimates
        whole = table[(table["domain"] == "all") & (table["stage"] == "all")].iloc[0]
        low, high = (show_density(float(whole[f"{end}_per_m2"]), units) for end in ("low", "high"))
        mix = [row for row in _mix(season, place) if row.value > 0]
        shares = share_out([row.value for row in mix])
        stages = ", ".join(f"{share} {row.domain}" for share, row in zip(shares, mix, strict=True))
        heat = season.degree_days.get(visit.visit)
        mean = show_density(float(whole["mean_per_m2"]), units)
        told = "" if heat is None else f"{heat:.0f}"
        rows.append([visit.visit, f"{mean} ({low} to {high})", stages or "not staged", told])
    yield from show_table(["visit", "whole ground", "stages", "degree-days"], rows)


def _changes(season: Season, units: Units) -> Iterator[str]:
    for step in season.steps:
        yield f"From {step.before} to {step.after}:"
        rows = [
            [
                name_domain(one),
                show_density(one.before.value, units),
                show_density(one.after.value, units),
                show_ratio(one),
                VERDICTS[one.verdict],
            ]
            for one in step.changes
        ]
        yield from show_table(["", "before", "after", f"ratio, {set_percent(step.level)} interval", ""], rows)
        if len(rows) >= _MOST_ROWS:
            yield f"Of {_MOST_ROWS} rows without any change about one is called a change: read the rows together."


def _treatments(season: Season) -> Iterator[str]:
    if season.ledger:
        rows = [
            [one.date, one.zones, one.site, ", ".join(one.groups) or "not recorded", one.generation or "not recorded"]
            for one in season.ledger
        ]
        yield "Treatments:"
        yield from show_table(["date", "zones", "site", "group", "generation"], rows)
        yield "Resistance is not to be seen from a survey: a bioassay, by those who do them, would tell."


def _events(season: Season) -> Iterator[str]:
    for look in season.looks:
        yield f"{_tell_event(look)} ({look.event.grade}: {look.event.source})."
    if season.temperatures is not None:
        filled = season.temperatures.bridged
        bridged = f", {filled} missing days filled in between their neighbours" if filled else ""
        yield (
            f"Degree-days by the {_METHODS[season.method]} of your daily lows and highs{bridged}; the sources rarely "
            "say their start day or method."
        )
