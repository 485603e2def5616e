"""The answer in plain words: how many, how sure, what stage, border or not, and which side of the threshold."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from geosample.cautions import GRADES
from geosample.estimate.bags import BORDER_MARGIN
from geosample.estimate.domains import NO_POINTS
from geosample.units import percent, show_density, show_number
from geosample.words import PLURALS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import pandas as pd

    from geosample.design import Design
    from geosample.estimate.bags import Catch
    from geosample.estimate.decision import Decision
    from geosample.estimate.findings import BorderAnswer
    from geosample.estimate.stages import Mix
    from geosample.pests import Pest
    from geosample.units import Units

SURE = 0.95
BOTH_COMMON = 0.2  # share from which adults, and larvae, count as common (own choice, no source)
TENTH = 0.1
ONE_AGE, TWO_AGES = 1.5, 2.5  # effective number of groups (own choice, no source)


def say_densities(rows: pd.DataFrame, units: Units) -> list[str]:
    """Return a sentence for each kind: how many, and between what limits."""
    return [_say_density(row, units) for _, row in rows[rows["domain"] == "kind"].iterrows()]


def _say_density(row: pd.Series, units: Units) -> str:
    where = PLURALS.get(str(row["label"]), str(row["label"])).capitalize()
    sure = f"{_percent(row['level'])} interval"
    if row["method"] == NO_POINTS:
        return f"{where}: no counted points, so nothing can be said of them."
    if row["mean_per_m2"] == 0:
        most = show_density(row["high_per_m2"], units)
        return f"{where}: none found in {row['n']} bags, which still allows up to {most} ({sure})."
    low, high = show_density(row["low_per_m2"], units), show_density(row["high_per_m2"], units)
    return f"{where} hold about {show_density(row['mean_per_m2'], units)} ({sure} {low} to {high}; {row['n']} bags)."


def judge_border(low: float, high: float, margin: float = BORDER_MARGIN) -> str:
    """Return what the border does by its ratio's interval, in words; nothing where the counts don't settle it.

    Parameters
    ----------
    low, high : float
        The interval of border over interior density.
    margin : float
        A border that may hold at most so many times the interior holds little more at the most.

    Examples
    --------
    >>> judge_border(1.4, 5.0), judge_border(0.1, 0.8), judge_border(0.1, 1.1), judge_border(0.5, 3.0)
    ('holds more', 'holds less, not more', 'holds no more, or little more', '')
    """
    if low > 1:
        return "holds more"
    if high < 1:
        return "holds less, not more"
    return "holds no more, or little more" if high <= margin else ""


def say_border(answer: BorderAnswer, margin: float) -> str:
    """Return whether the border holds more, no more, or cannot be told, and on which kinds."""
    if answer.common is None:
        return "Border against interior: not enough bags with insects on both sides to say anything."
    ratio = answer.common
    numbers = f"{_times(ratio.value)} the interior's density, 95 % interval {_range(ratio.low, ratio.high)}"
    verdict = judge_border(ratio.low, ratio.high, margin)
    if verdict == "holds more":
        kinds = [PLURALS.get(kind, kind) for kind, own in answer.kinds.items() if own.low > 1]
        named = f" Taken by itself it holds for {_list(kinds)}." if kinds and len(answer.kinds) > 1 else ""
        return f"The border holds more: {numbers}.{named}"
    if verdict:
        return f"The border {verdict}: {numbers}."
    return f"We cannot tell whether the border holds more: {numbers}. Do not treat the border alone on these counts."


def say_stages(groups: Mix | None, pest: Pest) -> list[str]:
    """Return which stage group is most common and how sure, how mixed, and what that means for control."""
    if groups is None:
        return ["Life stages: too few points with insects to tell the mix."]
    if len(groups.shares) == 1:
        return [f"Life stages: only {groups.top} were told apart, so the mix can't be."]
    row = groups.shares.loc[groups.top]
    middle, low, high = (_percent(float(value)) for value in row[["share", "low", "high"]].to_numpy())
    share = f"{middle}, {_percent(groups.level)} joint interval {low} to {high}"
    if groups.lead >= SURE or math.isnan(groups.lead):
        first = f"Most common stage: {groups.top} ({share})."
    else:
        second = groups.shares["share"].nlargest(2).index[1]
        first = f"Most common so far: {groups.top} ({share}), but {second} may be as common."
    return [f"{first} {_say_spread(groups)}", *_say_both(groups), _say_control(groups, pest)]


def _say_spread(groups: Mix) -> str:
    number = groups.effective_number
    if number < ONE_AGE:
        return "Nearly all are of that group."
    return "Two age groups lie side by side." if number < TWO_AGES else "The ages are mixed."


def _say_both(groups: Mix) -> list[str]:
    shares = groups.shares["share"]
    larvae = float(shares[[name for name in shares.index if str(name).startswith("larva")]].sum())
    adults = float(shares.get("adults", 0.0))
    if min(larvae, adults) < BOTH_COMMON:
        return []
    text = f"Adults ({_percent(adults)}) and larvae ({_percent(larvae)}) are both common:"
    return [f"{text} what is aimed at adults does nothing to larvae, and the other way round."]


def _say_control(groups: Mix, pest: Pest) -> str:
    stages = {stage.key for stage in pest.stages if stage.group == groups.top}
    # A class listed mostly for other stages is not what these insects ask for.
    fitting = [one for one in pest.controls if 2 * len(stages & set(one.stages)) >= len(one.stages) > 0]
    if not fitting:
        return f"Kinds of control for {groups.top}: none on file for this pest."
    told = [
        f"{control.when}: {'IRAC groups ' + ', '.join(control.irac) if control.irac else 'no group'} "
        f"[{control.source or 'common practice, no source'}]"
        for control in fitting
    ]
    return f"For {groups.top}, by open IRAC groups: {'; '.join(told)}. The label and a licensed applicator decide."


def say_decisions(decisions: Iterable[Decision], units: Units) -> list[str]:
    """Return one sentence for all groups held against the threshold."""
    told = [_say_decision(one, units) for one in decisions]
    if not told:
        return []
    threshold = next(iter(decisions)).threshold_per_m2
    return [f"Against {show_density(threshold, units)}: {'; '.join(told)}."]


def _say_decision(one: Decision, units: Units) -> str:
    where = PLURALS.get(one.label, one.label)
    if one.verdict != "undecided":
        end = one.interval.low if one.verdict == "above" else one.interval.high
        side = "at least" if one.verdict == "above" else "at most"
        return f"{where} are {one.verdict} it ({side} {show_density(end, units)})"
    points = "1 more point" if one.more == 1 else f"{one.more} more points"
    more = f"about {points} would settle it" if one.more else "too close to it for more points to pay"
    return f"{where} are undecided, {more}"


def say_rule(level: float, decided: bool) -> list[str]:
    """Return how often the rule errs; nothing when nothing was decided."""
    if not decided:
        return []
    tail = 100 * (1 - level) / 2
    return [
        f"The rule: above or below only when the whole {percent(level)} interval is, so each way wrong about "
        f"{tail:.0f} times in a hundred (4 to 6 when simulated)."
    ]


def say_thresholds(pest: Pest, units: Units) -> list[str]:
    """Return the published thresholds with their grade, and that they are starting points."""
    if not pest.thresholds:
        return ["No published threshold is on file for this pest: it is yours to set."]
    told = [
        f"{show_density(one.low_per_m2, units)}"
        f"{f' to {show_density(one.high_per_m2, units)}' if one.high_per_m2 > one.low_per_m2 else ''}"
        f"{f' on {_list([PLURALS.get(kind, kind) for kind in one.surfaces])}' if one.surfaces else ''}"
        f" ({one.when}) [{one.grade}: {one.source or GRADES[one.grade]}]"
        for one in pest.thresholds
    ]
    by_surface = "" if any(one.surfaces for one in pest.thresholds) else " None is published by surface (G)."
    return [f"Published thresholds, starting points only: {'; '.join(told)}.{by_surface}"]


def say_stopped(design: Design, statuses: pd.Series) -> list[str]:
    """Return a warning where extraction was stopped by the design's stop lines: such a mean leans away from them."""
    left = int((statuses == "not_extracted").sum())
    if not left or not design.visit.settings.get("stop_lines"):
        return []
    return [
        f"Extraction was stopped early on {left} bags: the answer above or below stands as planned, but means from "
        "bags stopped early lean away from the threshold and are marked so."
    ]


def say_shift(before: Mapping[str, Sequence[float]], groups: Mix | None, visit: str) -> list[str]:
    """Return how the stage groups moved since a visit before: those whose intervals part, or that none do.

    Parameters
    ----------
    before : mapping of str to (share, low, high)
        The groups' shares then, 0 to 1.
    groups : Mix or None
        Now.
    visit : str
        The visit before.
    """
    if not before or groups is None:
        return []
    moved = []
    for name, row in groups.shares.iterrows():
        then = before.get(str(name), (0.0, 0.0, 0.0))
        if row["low"] > then[2] or row["high"] < then[1]:
            moved.append(f"{name} {_percent(then[0])} then, {_percent(float(row['share']))} now")
    text = _list(moved) if moved else "no group's share is clearly another"
    return [f"Since visit {visit}: {text}."]


def say_account(catch: Catch, design: Design, statuses: pd.Series) -> list[str]:
    """Return how many planned points were counted, what became of the others, and what was left out.

    Parameters
    ----------
    catch : Catch
        The bags that count.
    design : Design
        The visit's.
    statuses : Series of str
        What became of every sample that came back, by its point_id.
    """
    points = design.points
    main = points.loc[points["role"] == "main", "point_id"]
    reserves = set(points.loc[points["role"] == "reserve", "point_id"]) & set(catch.bags["point_id"])
    lost = [
        f"{n} {str(status).replace('_', ' ')}" for status, n in statuses[statuses != "counted"].value_counts().items()
    ]
    silent = int((~main.isin(statuses.index)).sum())
    told = ", ".join([*lost, *([f"{silent} with nothing written"] if silent else [])])
    text = f"{len(catch.bags)} points counted of {len(main)} planned"
    text += f", {len(reserves)} of them reserve points" if reserves else ""
    text += f"; not counted: {told}. They are taken as missing by chance, not as zero" if told else ""
    return [f"{text}.", *catch.notes]


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= TENTH else f"{100 * share:.2g} %"


def _times(value: float) -> str:
    return f"{show_number(value)} times" if math.isfinite(value) else "many times"


def _range(low: float, high: float) -> str:
    return f"{show_number(low)} to {show_number(high)}" if math.isfinite(high) else f"{show_number(low)} upward"


def _list(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
