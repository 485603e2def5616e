"""The answer in a few sentences: where, how much, how sure, what is not known, and what has not been done yet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

from markupsafe import Markup

from geosample.estimate import judge_border
from geosample.report.density import tell_trust
from geosample.units import percent, percent_range, set_percent
from geosample.webmap import wording
from geosample.webmap.measures import unknown_area
from geosample.webmap.model import Story
from geosample.words import ACTIONS, PLURALS

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the answer: what it is about, and the sentences."""

    head: str
    text: Markup


def write_answer(story: Story) -> list[Line]:
    """Return the answer, most important first, in words for every stage that has run and every one that has not."""
    lines = [
        Line("Simulated", Markup("{}").format(story.simulated)),
        Line("Where", _where(story)),
        Line("How much", _how_much(story)),
        Line("Stages", _stages(story)),
        Line("How sure", _how_sure(story)),
        Line("Not known", _not_known(story)),
        Line("Not done yet", _not_done(story)),
    ]
    return [line for line in lines if line.text]


def write_headline(story: Story) -> list[Markup]:
    """Return what to do, a line each, and how much of the ground nobody knows: what a phone shows first."""
    lines = [
        Markup("{}: {}, {}.").format(words, wording.plural(len(zones), "zone"), wording.area(zones["area_m2"].sum()))
        for words, zones in ((words.brief.capitalize(), _zones_to(story, action)) for action, words in ACTIONS.items())
        if len(zones)
    ]
    if not lines:
        lines = [line for line in (_zones_in_words(story), _average(story)) if line]
    if story.settled is not None:
        share = unknown_area(story.settled) / float(story.settled.cells["area_m2"].sum())
        if share > 0:
            lines.append(Markup("Not known: {} of the mapped ground (crossed in grey).").format(percent(share)))
    return lines or [_not_done(story)]


def _zones_to(story: Story, action: str) -> pd.DataFrame:
    zones: pd.DataFrame = story.zones[story.zones["action"] == action]
    return zones


def _average(story: Story) -> Markup:
    row = broadest(story.estimates)
    if row is None:
        return Markup("")
    interval = wording.interval(row["low_per_m2"], row["high_per_m2"])
    return Markup("{} on average ({} interval {}).").format(
        wording.density(row["mean_per_m2"]), set_percent(row["level"]), interval
    )


def _stages(story: Story) -> Markup:
    """Return the stage groups with their shares and intervals, the commonest first."""
    rows = story.findings[(story.findings["what"] == "stage group share") & (story.findings["value"] > 0)]
    told = [
        Markup("{} {} ({})").format(
            row["domain"], percent(float(row["value"])), percent_range(float(row["low"]), float(row["high"]))
        )
        for row in rows.sort_values("value", ascending=False, kind="stable").to_dict("records")
    ]
    return Markup("{}.").format(wording.join_words(told)) if told else Markup("")


def broadest(estimates: pd.DataFrame) -> dict[str, Any] | None:
    """Return the estimate that rests on the most samples, ground and stages; None when there is none."""
    if estimates.empty:
        return None
    order = estimates.sort_values(["n", "area_m2", "mean_per_m2"], kind="stable")
    return cast("dict[str, Any]", order.iloc[-1].to_dict())


def _sentences(*parts: Markup) -> Markup:
    return Markup(" ").join(part for part in parts if part)


def _how_much(story: Story) -> Markup:
    row = broadest(story.estimates)
    if row is None:
        return Markup("")
    return Markup(
        "{} on average over {} ({} interval {}): about {} in all, from {}, with the recovery "
        "set for the method (1.0 unless set)."
    ).format(
        wording.density(row["mean_per_m2"]),
        wording.area(row["area_m2"]),
        set_percent(row["level"]),
        wording.interval(row["low_per_m2"], row["high_per_m2"]),
        wording.rounded(row["total"]),
        wording.plural(int(row["n"]), "sample"),
    )


def _where(story: Story) -> Markup:
    return _sentences(_zones_in_words(story), _kinds_in_words(story))


def _kinds_in_words(story: Story) -> Markup:
    """Return how the kinds of ground compare, saying when the counts can't tell them apart."""
    whole = broadest(story.estimates)
    if whole is None:
        return Markup("")
    rows = story.estimates
    rows = rows[(rows["domain"] == "kind") & (rows["stage"] == whole["stage"])].sort_values(
        "mean_per_m2", ascending=False, kind="stable"
    )
    if len(rows) < 2:  # noqa: PLR2004
        return Markup("")
    means = [
        Markup("{} {} ({})").format(
            PLURALS.get(row["label"], row["label"]),
            wording.density(row["mean_per_m2"]),
            wording.interval(row["low_per_m2"], row["high_per_m2"]),
        )
        for row in rows.to_dict("records")
    ]
    apart = rows["low_per_m2"].iloc[0] > rows["high_per_m2"].iloc[1]
    verdict = "" if apart else " The intervals overlap, so the order is not certain."
    return Markup("By kind, highest first: {}.{}").format(wording.join_words(means), verdict)


def _zones_in_words(story: Story) -> Markup:
    plan = story.findings[story.findings["what"] == "plan"]
    if story.zones.empty:
        return Markup("Nothing is marked for treatment.") if len(plan) else Markup("")
    parts = []
    for action, words in ACTIONS.items():
        zones = _zones_to(story, action)
        if len(zones):
            parts.append(
                Markup("{} {} ({}) on {}.").format(
                    wording.plural(len(zones), "zone"),
                    words.zones,
                    wording.area(zones["area_m2"].sum()),
                    wording.name_holes(zones["hole"]),
                )
            )
    return _sentences(*parts)


def _how_sure(story: Story) -> Markup:
    made = story.density
    trust = wording.twice(lambda shown: " ".join(tell_trust(made, shown))) if made else Markup("")
    return _sentences(_zone_chances(story), trust, _decisions(story), _border(story))


def _decisions(story: Story) -> Markup:
    """Return where each kind's average stands against the threshold, the undecided ones as such."""
    rows = story.findings[(story.findings["what"] == "decision") & story.findings["threshold_per_m2"].notna()]
    if rows.empty:
        return Markup("")
    told = [f"{row.domain} {str(row.note).split(';', maxsplit=1)[0]}" for row in rows.itertuples()]
    return Markup("Averages against {}: {}.").format(wording.density(rows["threshold_per_m2"].iloc[0]), "; ".join(told))


def _border(story: Story) -> Markup:
    """Return what the counts say of the border, which is never taken for granted."""
    rows = story.findings[(story.findings["what"] == "common border ratio") & story.findings["value"].notna()]
    if rows.empty:
        return Markup("")
    row = rows.iloc[0]
    verdict = judge_border(row["low"], row["high"])
    settled = f"the border {verdict}" if verdict else "the counts do not settle whether the border holds more"
    return Markup("Border over interior: {:.1f} times ({:.1f} to {:.1f}); {}.").format(
        row["value"], row["low"], row["high"], settled
    )


def _zone_chances(story: Story) -> Markup:
    zones = story.zones[(story.zones["action"] == "treat") & story.zones["probability"].notna()]
    if zones.empty:
        return Markup("")
    return Markup("In the zones to treat the chance of more than {} is {}.").format(
        wording.density(zones["threshold_per_m2"].iloc[0]),
        percent_range(zones["probability"].min(), zones["probability"].max()),
    )


def _not_known(story: Story) -> Markup:
    parts = []
    if story.settled is not None:
        missing = unknown_area(story.settled)
        whole = float(story.settled.cells["area_m2"].sum())
        parts.append(
            Markup(
                "{} of the {} mapped ({}) is not known: the counts say too little of it. Crossed in grey, not clean."
            ).format(wording.area(missing), wording.area(whole), percent(missing / whole))
            if missing > 0
            else Markup("")
        )
    lost = int((story.samples["status"] != "counted").sum()) if len(story.samples) else 0
    if lost:
        parts.append(Markup("{} came back without a count: missing, not zero.").format(wording.plural(lost, "sample")))
    parts.append(_unsampled(story))
    return _sentences(*parts)


def _unsampled(story: Story) -> Markup:
    if story.points.empty:
        return Markup("")
    bare = story.surfaces[~story.surfaces["surface_id"].isin(set(story.points["surface_id"]))]
    if bare.empty:
        return Markup("")
    return Markup("{} ({}) had no sample; nothing here speaks of them.").format(
        wording.plural(len(bare), "surface"), wording.area(bare["area_m2"].sum())
    )


def _not_done(story: Story) -> Markup:
    """Return what each missing stage would add, and the command that runs it."""
    treated = len(story.zones) or (story.findings["what"] == "plan").any()
    stages = [
        (bool(story.visit), "no visit has been designed (geosample design)"),
        (bool(len(story.samples)), "no counts have come back (geosample counts)"),
        (bool(len(story.estimates)), "no means have been worked out (geosample estimate)"),
        (story.density is not None, "the density has not been mapped (geosample density)"),
        (bool(treated), "no zones have been marked out (geosample treat)"),
    ]
    missing = [text for done, text in stages if not done]
    if not missing:
        return Markup("")
    text = wording.join_words(missing)
    return Markup("{}{}.").format(text[0].upper(), text[1:])
