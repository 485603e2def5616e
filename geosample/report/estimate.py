"""The estimates in words: how many, how sure, what stage, border or not, and which side of the threshold."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

from geosample.cautions import GRADES, SIMULATED
from geosample.holes import hole_key
from geosample.pests import load_pest
from geosample.report.terminal import show_table
from geosample.survey.findings import What
from geosample.units import FOOT2_M2, percent, set_percent, show_area, show_density, show_number
from geosample.words import PLURALS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from geosample.estimate import Estimates
    from geosample.survey.findings import Finding, Findings
    from geosample.units import Units

LINE_WIDTH = 100
SURE = 0.95  # from which the commonest stage is told as such
BOTH_COMMON = 0.2  # share from which adults, and larvae, count as common (own choice, no source)
ONE_AGE, TWO_AGES = 1.5, 2.5  # effective number of groups (own choice, no source)
BORDER_DOES = {
    "more": "holds more",
    "less": "holds less, not more",
    "no_more": "holds no more, or little more",
}
"""What a border does, by its verdict's code; nothing where the counts don't settle it."""
_DOMAINS = ("all", "kind", "hole", "surface", "stratum", "part")  # the order to read in


def tell_estimates(estimates: Estimates, units: Units = "us") -> list[str]:
    """Return the lines for the terminal: the answer first, then the table of densities."""
    told = [
        line
        for text in tell_answer(estimates, units)
        for line in textwrap.wrap(text, LINE_WIDTH, subsequent_indent="  ")
    ]
    return [*told, "", *tell_table(estimates.estimates, units)]


def tell_answer(estimates: Estimates, units: Units = "us") -> list[str]:
    """Return the answer in sentences, most important first."""
    found = estimates.findings
    account = found.first(What.ACCOUNT)
    facts: Mapping[str, Any] = account.detail if account else {}
    rows = estimates.estimates
    kinds = rows[(rows["domain"] == "kind") & (rows["stage"] == "all")]
    return [
        *([SIMULATED] if facts.get("simulated") else []),
        *(_tell_density(row, units) for row in kinds.to_dict("records")),
        *tell_decisions(found.of(What.DECISION), units),
        *_tell_stopped(facts),
        *_tell_stages(found.of(What.STAGE_GROUP_SHARE), estimates.pest),
        *_tell_shift(found.of(What.STAGE_GROUP_SHARE)),
        tell_border(found),
        *_tell_thresholds(estimates.pest, units),
        *(_tell_account(facts) if facts else []),
    ]


def tell_table(rows: pd.DataFrame, units: Units = "us") -> list[str]:
    """Return the totals over all stages as a table, in the user's units."""
    scale, unit = (FOOT2_M2, "ft²") if units == "us" else (1.0, "m²")
    totals = rows[rows["stage"] == "all"].to_dict("records")
    level = set_percent(float(totals[0]["level"])) if totals else ""
    table = []
    for row in sorted(totals, key=_reading_order):
        values = [float(row[name]) * scale for name in ("mean_per_m2", "low_per_m2", "high_per_m2")]
        told = ["-" if math.isnan(value) else show_number(value) for value in values]
        label = "whole ground" if row["domain"] == "all" else f"{row['domain']} {row['label']}"
        table.append([label, *told, str(row["n"]), show_area(float(row["area_m2"]), units)])
    return show_table(["", f"per {unit}", f"low, {level}", f"high, {level}", "bags", "area"], table)


def _reading_order(row: Mapping[Any, Any]) -> tuple[int, tuple[int, str]]:
    return _DOMAINS.index(row["domain"]), hole_key(row["label"]) if row["domain"] == "hole" else (0, "")


def _tell_density(row: Mapping[Any, Any], units: Units) -> str:
    where, sure = _plural(row["label"]).capitalize(), f"{percent(row['level'])} interval"
    if row["n"] == 0:
        return f"{where}: no counted points, so nothing can be said of them."
    mean, low, high = (show_density(row[f"{name}_per_m2"], units) for name in ("mean", "low", "high"))
    if row["mean_per_m2"] == 0:
        return f"{where}: none found in {row['n']} bags, which still allows up to {high} ({sure})."
    return f"{where} hold about {mean} ({sure} {low} to {high}; {row['n']} bags)."


def tell_decisions(decisions: Sequence[Finding], units: Units) -> list[str]:
    """Return one sentence for all kinds held against the threshold, and how often the rule errs."""
    if not decisions:
        return []
    told = []
    for one in decisions:
        where, verdict, more = _plural(one.domain), one.detail["verdict"], one.detail["more"]
        if verdict != "undecided":
            end, side = (one.low, "at least") if verdict == "above" else (one.high, "at most")
            told.append(f"{where} are {verdict} it ({side} {show_density(end, units)})")
            continue
        points = "1 more point" if more == 1 else f"{more} more points"
        so = f"about {points} would settle it" if more else "too close to it for more points to pay"
        told.append(f"{where} are undecided, {so}")
    level = decisions[0].detail["level"]
    return [
        f"Against {show_density(decisions[0].threshold_per_m2, units)}: {'; '.join(told)}.",
        f"The rule: above or below only when the whole {percent(level)} interval is, so each way wrong about "
        f"{100 * (1 - level) / 2:.0f} times in a hundred (4 to 6 when simulated).",
    ]


def _tell_stopped(facts: Mapping[str, Any]) -> list[str]:
    if not facts.get("stopped_early"):
        return []
    return [
        f"Extraction was stopped early on {facts['stopped_early']} bags: the answer above or below stands as planned, "
        "but means from bags stopped early lean away from the threshold and are marked so."
    ]


def _tell_stages(groups: Sequence[Finding], pest: str) -> list[str]:
    """Return which stage group is most common and how sure, how mixed, and what that means for control."""
    if not groups:
        return ["Life stages: too few points with insects to tell the mix."]
    first, *others = sorted(groups, key=lambda one: -one.value)
    if not others:
        return [f"Life stages: only {first.domain} were told apart, so the mix can't be."]
    middle, low, high = (percent(value) for value in (first.value, first.low, first.high))
    share = f"{middle}, {percent(first.detail['level'])} joint interval {low} to {high}"
    lead = first.detail["lead"]
    if lead is None or lead >= SURE:
        said = f"Most common stage: {first.domain} ({share})."
    else:
        said = f"Most common so far: {first.domain} ({share}), but {others[0].domain} may be as common."
    number = 1 / sum(one.value**2 for one in groups)  # of groups equally common that would be as mixed (Simpson)
    if number < ONE_AGE:
        spread = "Nearly all are of that group."
    else:
        spread = "Two age groups lie side by side." if number < TWO_AGES else "The ages are mixed."
    return [f"{said} {spread}", *_tell_both(groups), _tell_control(first.domain, pest)]


def _tell_both(groups: Sequence[Finding]) -> list[str]:
    larvae = sum(one.value for one in groups if one.domain.startswith("larva"))
    adults = sum(one.value for one in groups if one.domain == "adults")
    if min(larvae, adults) < BOTH_COMMON:
        return []
    text = f"Adults ({percent(adults)}) and larvae ({percent(larvae)}) are both common:"
    return [f"{text} what is aimed at adults does nothing to larvae, and the other way round."]


def _tell_control(group: str, pest: str) -> str:
    profile = load_pest(pest)
    stages = {stage.key for stage in profile.stages if stage.group == group}
    # A class listed mostly for other stages is not what these insects ask for.
    fitting = [one for one in profile.controls if 2 * len(stages & set(one.stages)) >= len(one.stages) > 0]
    if not fitting:
        return f"Kinds of control for {group}: none on file for this pest."
    told = [
        f"{control.when}: {'IRAC groups ' + ', '.join(control.irac) if control.irac else 'no group'} "
        f"[{control.source or 'common practice, no source'}]"
        for control in fitting
    ]
    return f"For {group}, by open IRAC groups: {'; '.join(told)}. The label and a licensed applicator decide."


def _tell_shift(groups: Sequence[Finding]) -> list[str]:
    """Return how the stage groups moved since a visit before: those whose intervals part, or that none do."""
    known = [(one, one.detail["before"]) for one in groups if "before" in one.detail]
    if not known:
        return []
    moved = [
        f"{one.domain} {percent(then['share'])} then, {percent(one.value)} now" for one, then in known if then["moved"]
    ]
    told = _list(moved or ["no group's share is clearly another"])
    return [f"Since visit {known[0][1]['visit']}: {told}."]


def tell_border(found: Findings) -> str:
    """Return whether the border holds more, no more, or cannot be told, and on which kinds."""
    ratio, kinds = found.first(What.COMMON_BORDER_RATIO), found.of(What.BORDER_RATIO)
    if ratio is None:
        return "Border against interior: not enough bags with insects on both sides to say anything."
    times = f"{show_number(ratio.value)} times" if math.isfinite(ratio.value) else "many times"
    low, end = show_number(ratio.low), f"to {show_number(ratio.high)}" if math.isfinite(ratio.high) else "upward"
    numbers = f"{times} the interior's density, {set_percent(ratio.detail['level'])} interval {low} {end}"
    verdict = ratio.detail["verdict"]
    if verdict == "open":
        return (
            f"We cannot tell whether the border holds more: {numbers}. Do not treat the border alone on these counts."
        )
    own = [_plural(one.domain) for one in kinds if one.detail["verdict"] == "more"]
    named = f" Taken by itself it holds for {_list(own)}." if verdict == "more" and own and len(kinds) > 1 else ""
    return f"The border {BORDER_DOES[verdict]}: {numbers}.{named}"


def _tell_thresholds(pest: str, units: Units) -> list[str]:
    """Return the published thresholds with their grade, and that they are starting points."""
    thresholds = load_pest(pest).thresholds
    if not thresholds:
        return ["No published threshold is on file for this pest: it is yours to set."]
    told = [
        f"{show_density(one.low_per_m2, units)}"
        f"{f' to {show_density(one.high_per_m2, units)}' if one.high_per_m2 > one.low_per_m2 else ''}"
        f"{f' on {_list([_plural(kind) for kind in one.surfaces])}' if one.surfaces else ''}"
        f" ({one.when}) [{one.grade}: {one.source or GRADES[one.grade]}]"
        for one in thresholds
    ]
    by_surface = "" if any(one.surfaces for one in thresholds) else " None is published by surface (G)."
    return [f"Published thresholds, starting points only: {'; '.join(told)}.{by_surface}"]


def _tell_account(facts: Mapping[str, Any]) -> list[str]:
    """Return how many planned points were counted, what became of the others, and what was left out."""
    told = [f"{n} {status.replace('_', ' ')}" for status, n in facts["lost"].items()]
    told += [f"{facts['silent']} with nothing written"] if facts["silent"] else []
    text = f"{facts['counted']} points counted of {facts['planned']} planned"
    text += f", {facts['reserves']} of them reserve points" if facts["reserves"] else ""
    text += f"; not counted: {', '.join(told)}. They are taken as missing by chance, not as zero" if told else ""
    lines = [f"{text}."]
    if facts["left_out"]:
        lines.append(f"Left out, with no planned point and so no design weight: {', '.join(facts['left_out'])}.")
    lines += [
        f"{one['stratum']}: {one['off']} of {one['answered']} points lay off the turf, so its area is taken as "
        f"{percent(one['share'])} smaller."
        for one in facts["off_turf"]
    ]
    if facts["pooled"]:
        lines.append(f"{facts['pooled']} bags were pooled with another of the same point.")
    return lines


def _plural(kind: object) -> str:
    return PLURALS.get(str(kind), str(kind))


def _list(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
