"""The season in words: where it grew, what worked, what was used and is left, when to look next, what is not known."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geosample.files.saving import name_by_hash
from geosample.palettes import GREYS, OKABE_ITO
from geosample.pests import load_pest
from geosample.report import show_table
from geosample.report.treat import tell_efficacy
from geosample.survey.findings import What
from geosample.units import percent, set_percent, share_out, show_area, show_density, show_number, show_range
from geosample.words import SIMULATED, name_many

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from geosample.season import Change, Season
    from geosample.season.degree_days import LookDay
    from geosample.season.model import Entry, Step
    from geosample.survey.findings import Finding
    from geosample.units import Units

CHANGES = {
    "grew": "grew (chance of 95 % or more)",
    "fell": "fell (chance of 95 % or more)",
    "unclear": "no clear change",
    "before": "known at the first visit only",
    "after": "known at the last visit only",
    "neither": "known at neither: by ground like it",
}
"""What the map of change tells of a place, and what is laid over it where not both visits know it."""
CHANGE_COLOURS = {"grew": OKABE_ITO["orange"], "fell": OKABE_ITO["blue"], "unclear": GREYS[1]}
"""Grown ground is the lighter of the two on a grey print; paler where not both visits know it."""
SEASON_FOOT = "Mark: mean; line: 95 % interval; scale by the root of the density. It says what changed, not why."
LEDGER_HEADS = (
    *("date", "IRAC group", "gene- ration", "where", "product, registration", "amount, rate", "area treated"),
    *("applicator, certificate", "method, target"),
)
LEDGER_FOOT = "Fields of US and New York records; the label, local code and record rules decide. Blank: not recorded."
_LEDGER_FIELDS = (
    *(("product", "epa_registration"), ("total_amount", "dosage_rate"), ("size_of_area",)),
    *(("applicator", "certification"), ("method", "target_organism")),
)
_BLANK_ROWS = 6  # for what is done next, by hand


@dataclass(frozen=True, slots=True)
class Moment:
    """A visit or a treatment on the time line.

    Parameters
    ----------
    date, words : str
        Its day, and what it was.
    kinds : tuple of (str, float, float, float)
        Kind, mean and interval, insects per m²; none for a treatment.
    stages : tuple of (str, float, str)
        The mix: what, its share, 0 to 1, and the share as it is said.
    heat, note : str
        Degree-days, where temperatures reach; the user's own words beside the visit.
    """

    date: str
    words: str
    kinds: tuple[tuple[str, float, float, float], ...] = ()
    stages: tuple[tuple[str, float, str], ...] = ()
    heat: str = ""
    note: str = ""


def list_moments(season: Season, units: Units = "us") -> list[Moment]:  # noqa: ARG001 - one form with its neighbours
    """Return visits and the year's treatments, oldest first."""
    moments = []
    for place, (visit, one) in enumerate(zip(season.visits, season.estimates, strict=True)):
        table = one.estimates
        rows = table[(table["domain"] == "kind") & (table["stage"] == "all")]
        ends = [rows[f"{name}_per_m2"].astype(float) for name in ("mean", "low", "high")]
        kinds = tuple(zip(rows["label"].astype(str), *ends, strict=True))
        mix = [row for row in _mix(season, place) if row.value > 0]
        shares = share_out([row.value for row in mix])
        stages = tuple((row.domain, row.value, share) for share, row in zip(shares, mix, strict=True))
        heat = season.degree_days.get(visit.visit)
        told = "" if heat is None else f"{heat:.0f} °F days"
        moments.append(Moment(visit.date, visit.visit, kinds, stages, told, str(visit.settings.get("note", ""))))
    for entry in season.ledger:
        if entry.date.startswith(f"{season.year}-"):
            group = f"group {', '.join(entry.groups)}" if entry.groups else "no group recorded"
            met = f", generation {entry.generation}" if entry.generation else ""
            moments.append(Moment(entry.date, f"treated {entry.date[5:]}: {group}{met}"))
    return sorted(moments, key=lambda moment: moment.date)


def tell_change_map(step: Step, *, empty: bool = False) -> str:
    """Return the head of the map of change, or why there is none."""
    if empty:
        return "No map of change: it takes a density map of both visits ('geosample density')."
    return f"Where it changed, {step.before} to {step.after}"


def _areas(step: Step, units: Units) -> dict[str, str]:
    if step.cells is None:
        return {}
    areas = dict.fromkeys(CHANGES, 0.0)
    for column in ("likely", "known"):
        sums = step.cells.groupby(column)["area_m2"].sum()
        areas |= {str(name): float(area) for name, area in sums.items()}
    return {name: show_area(area, units) for name, area in areas.items()}


def ledger_rows(ledger: Sequence[Entry]) -> list[list[str]]:
    """Return the ledger's rows as they are printed, and a few blank ones."""
    rows = [
        [
            entry.date,
            ", ".join(entry.groups),
            entry.generation,
            f"{entry.site}: {entry.zones}" if entry.site else entry.zones,
            *(", ".join(entry.record[name] for name in names if entry.record.get(name)) for names in _LEDGER_FIELDS),
        ]
        for entry in ledger
    ]
    return [*rows, *([[""] * len(LEDGER_HEADS)] * _BLANK_ROWS)]


def write_season_page(season: Season, *, picture: str | None, units: Units = "us", course: str = "") -> str:
    """Return the season's page, which opens with no network.

    Parameters
    ----------
    season : Season
        What is told.
    picture : str or None
        The map of change as a data URI; none without maps.
    units : {'us', 'metric'}
        Shown.
    course : str
        The course's name.
    """
    from importlib import resources

    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    text = resources.files("geosample.report").joinpath("season.html").read_text(encoding="utf-8")
    template = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True).from_string(text)
    moments = list_moments(season, units)
    top = max((high for one in moments for *_, high in one.kinds if math.isfinite(high)), default=0.0) or 1.0
    lines = [line.split(": ", 1) for line in tell_season_answer(season, units) if line != SIMULATED]
    return template.render(
        style=Markup(name_by_hash(text.partition("<style>")[2].partition("</style>")[0])),
        course=course,
        year=season.year,
        pest=season.pest,
        simulated=SIMULATED if season.simulated else "",
        lines=lines,
        moments=moments,
        plural=name_many,
        across=lambda density: f"{1 + 97 * math.sqrt(min(density, top) / top):.1f}%",
        density=lambda value: show_density(value, units),
        between=lambda low, high: show_range(low, high, units),
        picture=picture,
        map_head=tell_change_map(season.steps[-1]),
        no_map=tell_change_map(season.steps[-1], empty=True),
        looks=CHANGES,
        colours=CHANGE_COLOURS,
        areas=_areas(season.steps[-1], units),
        steps=[
            (step.before, step.after, [(name_domain(one), show_ratio(one), one.verdict) for one in step.changes])
            for step in reversed(season.steps)
        ],
        verdicts=VERDICTS,
        foot=SEASON_FOOT,
        events=list(_events(season)),
    )


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
    return name_many(change.label)


def show_ratio(change: Change) -> str:
    """Return how many times as many, with the interval's ends."""
    low, value, high = (change.ratio.low, change.ratio.value, change.ratio.high)
    if not change.same_ground:
        return "other ground at each visit"
    if math.isnan(value):
        return "none found at either"
    ends = f"{_show_end(low)} to {_show_end(high)}"
    return f"none then ({ends})" if math.isinf(value) else f"{show_number(value)} times ({ends})"


def _show_end(value: float) -> str:
    if math.isinf(value):
        return "any number"
    told = show_number(value)
    return told if told != "1.0" or value == 1 else "just over 1" if value > 1 else "just under 1"


def _tell_grown(step: Step) -> str:
    others = [one for one in step.changes if one.domain in {"kind", "hole"}]
    whole = [] if step.whole is None else [step.whole]
    grew, fell = (
        ", ".join(f"{name_domain(one)} {show_ratio(one)}" for one in (*whole, *others) if one.verdict == verdict)
        for verdict in ("grew", "fell")
    )
    said = [grew or "nowhere clearly", *([f"it fell: {fell}"] if fell else [])]
    if whole and whole[0].verdict == "unclear":
        said.append(f"whole ground {show_ratio(whole[0])}, {VERDICTS['unclear']}")
    left = sum(one.verdict == "unclear" for one in others)
    said += [f"no clear change in {left} of {len(others)} kinds and holes"] if others else []
    return f"since {step.before}: {'; '.join(said)} ({set_percent(step.level)} intervals)."


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
    if not any(control.irac for control in load_pest(season.pest).controls):
        return f"{days}.{again} Which groups reach this pest: none found; ask your extension office."
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
    ahead = "" if any(not look.reached for look in due) else "by degree-days nothing is ahead this year; "
    return f"{ahead}{'; '.join(map(_tell_event, due))}." if due else "no event of this pest is known."


def _tell_event(look: LookDay) -> str:
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
