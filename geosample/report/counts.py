"""Counts in words: what came back, who is missing, how two counters agree, and all that was read with a little help."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from geosample.errors import MOST_ALIKE, list_names, mask_numbers
from geosample.files.reading import RowNote
from geosample.report.terminal import show_table
from geosample.units import percent

if TYPE_CHECKING:
    from geosample.counts import Added

MISSED_BELOW = 0.8
"""A share of the second count below which a word is said even where the interval reaches 1 (our own choice)."""


_MOST_NOTES = 3


def tell_counts(added: Added) -> list[str]:
    """Return the answer: what came back, at which stages, what is missing, and what was read with a little help."""
    summary = added.summary()
    counted = summary["by_status"].get("counted", 0)
    others = [f"{n} {name.replace('_', ' ')}" for name, n in summary["by_status"].items() if name != "counted"]
    lost = f"; {', '.join(others)}" if others else ""
    lines = [
        f"Visit {summary['visit']}: {summary['insects']} insects in {summary['samples_with_insects']} of {counted} "
        f"counted bags{lost}."
    ]
    stages = [f"{stage} {what['found']}" for stage, what in summary["by_stage"].items()]
    lines += (
        [f"By stage (L1 to L5: larvae, small to large; teneral: young adults): {', '.join(stages)}."] if stages else []
    )
    was = summary["added"]
    if was["unchanged"] or was["replaced"]:
        lines.append(f"{was['new']} bags are new, {was['unchanged']} as before, {was['replaced']} replaced.")
    missing = summary["main_points_unanswered"]
    if missing:
        names = list_names(missing, most=MOST_ALIKE)
        lines.append(f"{len(missing)} of {summary['main_points']} main points have no count: {names}.")
    if summary["moved_samples"]:
        lines.append(
            f"{summary['moved_samples']} bags were moved ({percent(summary['moved_share'])} of those counted)."
        )
    refused_first = sorted(added.counts.notes, key=lambda note: not note.done.startswith("set aside"))
    notes = tell_notes((*added.differences, *refused_first), most=MOST_ALIKE)
    rest = len(notes) - _MOST_NOTES
    notes_left = "1 more note" if rest == 1 else f"{rest} more notes"
    more = [f"and {notes_left} on what was read, changed or left out (--more)"] if rest > 0 else []
    return [*lines, *tell_agreement(summary["recounts"]), *notes[:_MOST_NOTES], *more]


def tell_counts_more(added: Added) -> list[str]:
    """Return the rest: how many bags each stage was looked for in, every point without a count, and every note."""
    summary = added.summary()
    was = summary["added"]
    rows = [[stage, str(what["looked_for_in"]), str(what["found"])] for stage, what in summary["by_stage"].items()]
    missing = summary["main_points_unanswered"]
    return [
        f"{summary['samples']} bags ({summary['pest']}); {was['new']} new, {was['unchanged']} as before, "
        f"{was['replaced']} replaced. A bag of none is a count of 0.",
        *(show_table(["stage", "bags that looked for it", "found"], rows) if rows else []),
        *([f"main points without a count: {', '.join(missing)}"] if missing else []),
        *tell_notes((*added.counts.notes, *added.differences)),
    ]


def tell_agreement(agreements: Iterable[Mapping[str, Any]]) -> list[str]:
    """Return the agreement in words, with a word where the first counter seems to miss small larvae.

    Examples
    --------
    >>> found = {"bags": 9, "same": 3, "first": 10, "second": 30, "ratio": 1 / 3, "low": 0.15, "high": 0.70}
    >>> tell_agreement([{"stage": "small larvae", **found}])[-1][:60]
    'Small larvae are being missed: the first counter found 10 to'
    """
    lines = []
    for one in agreements:
        if one["stage"] == "all stages":
            lines.append(
                f"{one['bags']} bags counted twice: {one['first']} insects first, {one['second']} at the second count, "
                f"ratio {one['ratio']:.2f} ({one['low']:.2f} to {_top(one['high'])}); "
                f"{one['same']} bags agree to the insect."
            )
        if one["stage"] == "small larvae" and one["second"] and (one["high"] < 1 or one["ratio"] < MISSED_BELOW):
            sure = "are being missed" if one["high"] < 1 else "may be missed (so few bags can't show it)"
            lines.append(
                f"Small larvae {sure}: the first counter found {one['first']} to the second's {one['second']}, ratio "
                f"{one['ratio']:.2f} ({one['low']:.2f} to {_top(one['high'])})."
            )
    return lines


def _top(high: float) -> str:
    return f"{high:.2f}" if math.isfinite(high) else "any"


def tell_notes(notes: Iterable[RowNote], *, most: int | None = None) -> list[str]:
    """Return a line a note, those that say the same of several places in one: nothing is left out.

    Parameters
    ----------
    notes : iterable of RowNote
        What was read with a little help, changed, or left out.
    most : int, optional
        Then notes that differ in a number or a label alone share a line too, and of more places than this the first
        are named and the others counted.

    Examples
    --------
    >>> tell_notes([RowNote("a", "lost", "left"), RowNote("b", "found", "kept"), RowNote("c", "lost", "left")])
    ['lost: left (2): a, c', 'b: found: kept']
    >>> tell_notes([RowNote("a", "7 more", "kept"), RowNote("b", "8 more", "kept")], most=1)
    ['7 more: kept; the like of 2: a and 1 more']
    """
    groups: dict[tuple[str, str], list[RowNote]] = {}
    for note in notes:
        parts = (note.what, note.done)
        groups.setdefault(parts if most is None else (mask_numbers(parts[0]), mask_numbers(parts[1])), []).append(note)
    return [_tell_alike(alike, most) for alike in groups.values()]


def _tell_alike(alike: list[RowNote], most: int | None) -> str:
    first, places = alike[0], [note.where for note in alike]
    if len(alike) == 1:
        return f"{first.where}: {first.what}: {first.done}"
    names = list_names(places, most=len(places) if most is None else most)
    same = len({(note.what, note.done) for note in alike}) == 1
    return f"{first.what}: {first.done}{f' ({len(alike)}):' if same else f'; the like of {len(alike)}:'} {names}"
