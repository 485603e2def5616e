"""The estimates in words: how many, how sure, what stage, border or not, and which side of the threshold."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from geosample.pests import load_pest
from geosample.report import show_table
from geosample.report.counts import tell_partly
from geosample.survey.findings import What
from geosample.units import percent, percent_range, set_percent, share_out, show_area, show_density, show_number
from geosample.words import SIMULATED, hole_key, name_many, name_source

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from geosample.estimate import Estimates
    from geosample.survey.findings import Finding, Findings
    from geosample.units import Units

SURE = 0.95  # from which the commonest stage is told as such
BOTH_COMMON = 0.2  # share from which adults, and larvae, count as common (own choice, no source)
ONE_AGE, TWO_AGES = 1.5, 2.5  # effective number of groups (own choice, no source)
MOST_TIMES_MEAN = 10
BORDER_DOES = {
    "more": "holds more",
    "less": "holds less, not more",
    "no_more": "holds no more, or little more",
}
"""What a border does, by its verdict's code; nothing where the counts don't settle it."""
_CONTROLS = "Which kinds of control reach which stage, and which were used before, the plan lists (treat)."
_DOMAINS = ("all", "kind", "hole", "surface", "stratum", "part")  # the order to read in


def tell_estimates(estimates: Estimates, units: Units = "us") -> list[str]:
    """Return the answer for the terminal: the threshold, the table by kind, the stages, the border, what is missing."""
    found = estimates.findings
    account = found.first(What.ACCOUNT)
    facts: Mapping[str, Any] = account.detail if account else {}
    return [
        *(tell_decisions(found.of(What.DECISION), units)[:1] or [_tell_all(estimates.estimates, units)]),
        *([SIMULATED] if facts.get("simulated") else []),
        *tell_table(estimates.estimates, units, domains=("all", "kind")),
        *_tell_stopped(facts),
        tell_stages(found.of(What.STAGE_GROUP_SHARE)),
        *_tell_shift(found.of(What.STAGE_GROUP_SHARE)),
        tell_border(found),
        *(_tell_account(facts)[: 1 if len(facts["off_turf"]) > 1 else None] if facts else []),
    ]


def tell_estimates_more(estimates: Estimates, units: Units = "us") -> list[str]:
    """Return the rest: every sentence of the answer with what it rests on, and the table of all groups."""
    return [*tell_means(estimates, units), "", *tell_table(estimates.estimates, units)]


def tell_means(estimates: Estimates, units: Units = "us") -> list[str]:
    """Return the answer in sentences, most important first; the sources stand together, last."""
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
        *_tell_stages(found.of(What.STAGE_GROUP_SHARE)),
        *_tell_shift(found.of(What.STAGE_GROUP_SHARE)),
        tell_border(found),
        *(_tell_account(facts) if facts else []),
        *_tell_thresholds(estimates.pest, units),
        *_grade_thresholds(estimates.pest),
    ]


def tell_stages(groups: Sequence[Finding]) -> str:
    """Return the shares of the stage groups, which add up to 100 %, in the order of life; empty groups are not told.

    The groups are the profile's, the same on paper and page.
    """
    if not groups:
        return "Life stages: too few points with insects to tell the mix."
    shares = share_out([one.value for one in groups])
    told = ", ".join(f"{one.domain} {share}" for one, share in zip(groups, shares, strict=True) if one.value > 0)
    give = max(max(one.high - one.value, one.value - one.low) for one in groups)
    level = groups[0].detail.get("level", SURE)
    sure = f"; each give or take {percent(give)} of them all ({percent(level)} interval)" if give > 0 else ""
    return f"Life stages: {told}{sure}."


def tell_table(rows: pd.DataFrame, units: Units = "us", *, domains: Sequence[str] = _DOMAINS) -> list[str]:
    """Return the totals over all stages as a table, in the user's units.

    Parameters
    ----------
    rows : DataFrame
        The layer ``estimates``.
    units : {'us', 'metric'}
        Of the densities and areas.
    domains : sequence of str
        The sorts of groups to tell.
    """
    unit = "ft²" if units == "us" else "m²"
    totals = rows[(rows["stage"] == "all") & rows["domain"].isin(domains)].to_dict("records")
    level = set_percent(float(totals[0]["level"])) if totals else ""
    table = []
    for row in sorted(totals, key=_reading_order):
        values = [float(row[name]) for name in ("mean_per_m2", "low_per_m2", "high_per_m2")]
        told = ["-" if math.isnan(value) else show_density(value, units).split("/")[0] for value in values]
        if row["n"] and too_few(row):
            told[2] = "too few bags"
        called = "part" if row["domain"] == "stratum" else row["domain"]
        label = "all the ground" if called == "all" else f"{called} {row['label']}"
        table.append([label, *told, str(row["n"]), show_area(float(row["area_m2"]), units)])
    return show_table(["", f"per {unit}", f"low, {level}", f"high, {level}", "bags", "area"], table)


def too_few(row: Mapping[Any, Any]) -> bool:
    """Return whether a group's bags are too few to bound its mean from above: its limit says nothing of the ground.

    Few bags with insects leave a limit of thousands; beyond ten times the mean (own choice) it is told in words.
    """
    return bool(row["mean_per_m2"] > 0 and not row["high_per_m2"] <= MOST_TIMES_MEAN * row["mean_per_m2"])


def _reading_order(row: Mapping[Any, Any]) -> tuple[int, tuple[int, str]]:
    return _DOMAINS.index(row["domain"]), hole_key(row["label"]) if row["domain"] == "hole" else (0, "")


def _tell_density(row: Mapping[Any, Any], units: Units) -> str:
    where, sure = name_many(row["label"]).capitalize(), f"{percent(row['level'])} interval"
    if row["n"] == 0:
        return f"{where}: no counted points, so nothing can be said of them."
    mean, low, high = (show_density(row[f"{name}_per_m2"], units) for name in ("mean", "low", "high"))
    if row["mean_per_m2"] == 0:
        return f"{where}: none found in {row['n']} bags, which still allows up to {high} ({sure})."
    if too_few(row):
        return f"{where} hold about {mean}, at least {low}; {row['n']} bags are too few to say how much at most."
    return f"{where} hold about {mean} ({sure} {low} to {high}; {row['n']} bags)."


def _tell_all(rows: pd.DataFrame, units: Units) -> str:
    """Return the mean of all the ground, where no threshold was given."""
    whole = rows[(rows["domain"] == "all") & (rows["stage"] == "all")].to_dict("records")
    return _tell_density({**whole[0], "label": "all the ground together"}, units).replace(" hold ", " holds ")


def tell_decisions(decisions: Sequence[Finding], units: Units) -> list[str]:
    """Return one sentence for all kinds held against the threshold, and how often the rule errs."""
    if not decisions:
        return []
    told, bounds = [], []
    for one in decisions:
        where, verdict, more = name_many(one.domain), one.detail["verdict"], one.detail["more"]
        if verdict != "undecided":
            end, side = (one.low, "at least") if verdict == "above" else (one.high, "at most")
            told.append(f"{where} are {verdict} it")
            bounds.append(f"{where} {side} {show_density(end, units)}")
            continue
        points = "1 more point" if more == 1 else f"{more} more points"
        settle = "settle their mean"  # of what a plan would gain ``treat --plug-price`` speaks
        so = f"about {points} would {settle}" if more else f"ten times the points would not be sure to {settle}"
        told.append(f"{where} are undecided, {so}")
    level = decisions[0].detail["level"]
    shown = f" ({', '.join(bounds)})" if bounds else ""
    return [
        f"Against your threshold of {show_density(decisions[0].threshold_per_m2, units)}: {'; '.join(told)}.",
        f"The rule: above or below only when the whole {percent(level)} interval is{shown}, so each way wrong about "
        f"{100 * (1 - level) / 2:.0f} times in a hundred (4 to 6 when simulated).",
    ]


def _tell_stopped(facts: Mapping[str, Any]) -> list[str]:
    if not facts.get("stopped_early"):
        return []
    return [
        f"Extraction was stopped early on {facts['stopped_early']} bags: the answer above or below stands as planned, "
        "but means from bags stopped early lean away from the threshold and are marked so."
    ]


def _tell_stages(groups: Sequence[Finding]) -> list[str]:
    """Return which stage group is most common and how sure, how mixed, and where the kinds of control stand."""
    if not groups:
        return ["Life stages: too few points with insects to tell the mix."]
    first, *others = sorted(groups, key=lambda one: -one.value)
    if not others:
        return [f"Life stages: only {first.domain} were told apart, so the mix can't be."]
    middle, between = percent(first.value), percent_range(first.low, first.high)
    share = f"{middle}, with {percent(first.detail['level'])} confidence {between}"
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
    return [tell_stages(groups), f"{said} {spread}", *_tell_both(groups), _CONTROLS]


def _tell_both(groups: Sequence[Finding]) -> list[str]:
    larvae = sum(one.value for one in groups if "larva" in one.domain)
    adults = sum(one.value for one in groups if one.domain == "adults")
    if min(larvae, adults) < BOTH_COMMON:
        return []
    text = f"Adults ({percent(adults)}) and larvae ({percent(larvae)}) are both common:"
    return [f"{text} what is aimed at adults does nothing to larvae, and the other way round."]


def _tell_shift(groups: Sequence[Finding]) -> list[str]:
    """Return how the stage groups moved since a visit before: those whose intervals part, or that none do."""
    known = [(one, one.detail["before"]) for one in groups if "before" in one.detail]
    if not known:
        return []
    moved = [
        f"{one.domain} {percent(then['share'])} then, {percent(one.value)} now" for one, then in known if then["moved"]
    ]
    told = _list(moved or ["no group's share has clearly changed"])
    return [f"Since visit {known[0][1]['visit']}: {told}."]


def tell_border(found: Findings) -> str:
    """Return whether the border holds more, no more, or cannot be told, and on which kinds."""
    ratio, kinds = found.first(What.COMMON_BORDER_RATIO), found.of(What.BORDER_RATIO)
    if ratio is None:
        return "Border against interior: not enough bags with insects on both sides to say anything."
    times = f"{show_number(ratio.value)} times" if math.isfinite(ratio.value) else "many times"
    low, end = show_number(ratio.low), f"to {show_number(ratio.high)}" if math.isfinite(ratio.high) else "upward"
    numbers = f"{times} the interior's density ({low} {end}, {set_percent(ratio.detail['level'])} interval)"
    verdict = ratio.detail["verdict"]
    if verdict == "open":
        return (
            f"We cannot tell whether the border holds more: {numbers}. Do not treat the border alone on these counts."
        )
    own = [name_many(one.domain) for one in kinds if one.detail["verdict"] == "more"]
    named = f" Taken by itself it holds for {_list(own)}." if verdict == "more" and own and len(kinds) > 1 else ""
    return f"The border {BORDER_DOES[verdict]}: {numbers}.{named}"


def _tell_thresholds(pest: str, units: Units) -> list[str]:
    """Return the published thresholds, and that they are starting points."""
    thresholds = load_pest(pest).thresholds
    if not thresholds:
        return ["No published threshold is on file for this pest: it is yours to set."]
    told = [
        f"{show_density(one.low_per_m2, units)}"
        f"{f' to {show_density(one.high_per_m2, units)}' if one.high_per_m2 > one.low_per_m2 else ''}"
        f"{f' on {_list([name_many(kind) for kind in one.surfaces])}' if one.surfaces else ''} ({one.when})"
        for one in thresholds
    ]
    by_surface = "" if any(one.surfaces for one in thresholds) else " None is published by surface."
    return [f"Published thresholds, starting points only: {'; '.join(told)}.{by_surface}"]


def _grade_thresholds(pest: str) -> list[str]:
    """Return where the thresholds come from, and how sure that is, in one place."""
    thresholds = [name_source(one.source, one.grade) for one in load_pest(pest).thresholds]
    return [f"Sources and how sure: thresholds, in their order: {'; '.join(thresholds)}."] if thresholds else []


def _tell_account(facts: Mapping[str, Any]) -> list[str]:
    """Return how many planned points were counted, what became of the others, and what was left out."""
    told = [f"{n} {status.replace('_', ' ')}" for status, n in facts["lost"].items()]
    told += [f"{facts['silent']} with nothing written"] if facts["silent"] else []
    text = f"{facts['counted'] - facts['reserves']} of {facts['planned']} planned points counted"
    text += f", and {facts['reserves']} in reserve" if facts["reserves"] else ""
    text += f"; not counted: {', '.join(told)}. They are taken as missing by chance, not as zero" if told else ""
    lines = [f"{text}."]
    lines += tell_partly(facts.get("partly"))
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


def _list(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
