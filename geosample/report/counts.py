"""Counts in words: what came back, who is missing, how two counters agree, and all that was read with a little help."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from geosample.errors import list_names
from geosample.files.tables import RowNote
from geosample.report.terminal import show_table
from geosample.units import percent

if TYPE_CHECKING:
    from geosample.counts import Added

MISSED_BELOW = 0.8
"""A share of the second count below which a word is said even where the interval reaches 1 (our own choice)."""


def tell_counts(added: Added) -> list[str]:
    """Return what came back and what is missing, as lines for a person."""
    summary = added.summary()
    status = ", ".join(f"{number} {name.replace('_', ' ')}" for name, number in summary["by_status"].items())
    was = summary["added"]
    lines = [
        f"Visit {summary['visit']}: {summary['samples']} samples ({status or 'none'}); "
        f"{was['new']} new, {was['unchanged']} as before, {was['replaced']} replaced.",
        f"{summary['insects']} insects ({summary['pest']}) in {summary['samples_with_insects']} of "
        f"{summary['by_status'].get('counted', 0)} counted samples; a sample of none is a count of 0.",
    ]
    rows = [[stage, str(what["looked_for_in"]), str(what["found"])] for stage, what in summary["by_stage"].items()]
    lines += show_table(["stage", "samples that looked for it", "found"], rows) if rows else []
    missing = summary["main_points_unanswered"]
    if missing:
        names = list_names(missing, most=12)
        lines.append(f"{len(missing)} of {summary['main_points']} main points have no count: {names}")
    if summary["moved_samples"]:
        lines.append(
            f"{summary['moved_samples']} plugs were moved ({percent(summary['moved_share'])} of those counted)."
        )
    return lines + tell_agreement(summary["recounts"])


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


def tell_notes(notes: Iterable[RowNote]) -> list[str]:
    """Return a line a note, those that say the same of several places in one: nothing is left out.

    Examples
    --------
    >>> tell_notes([RowNote("a", "lost", "left"), RowNote("b", "found", "kept"), RowNote("c", "lost", "left")])
    ['lost: left (2): a, c', 'b: found: kept']
    """
    groups: dict[tuple[str, str], list[str]] = {}
    for note in notes:
        groups.setdefault((note.what, note.done), []).append(note.where)
    return [
        f"{places[0]}: {what}: {done}" if len(places) == 1 else f"{what}: {done} ({len(places)}): {', '.join(places)}"
        for (what, done), places in groups.items()
    ]
