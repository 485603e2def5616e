"""Counts in words: what came back, who is missing, how two counters agree, and all that was read with a little help."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from geosample.errors import MOST_ALIKE, list_names, mask_numbers
from geosample.files.reading import DELIMITERS, Note
from geosample.report import show_table
from geosample.units import percent
from geosample.words import ENCODINGS

if TYPE_CHECKING:
    from geosample.counts import Added

MISSED_BELOW = 0.8
"""A share of the second count below which a word is said even where the interval reaches 1 (our own choice)."""


_MOST_NOTES = 3
NOTES = {
    "encoding": ("{encoding_found}", "{encoding_done}"),
    "delimiter": ("columns parted by {parted_by}", "read so"),
    "lines_above": ("{lines} lines above the header row", "passed over"),
    "no_header": ("no header row of counts", "passed over"),
    "form_columns": ("the form's own columns: {names}", "passed over"),
    "unknown_columns": ("columns nobody knows: {quoted}", "kept in each sample's note; name what they hold in columns"),
    "columns_unused": ("columns {names}", "not used"),
    "sum_rows": ("rows of sums or means", "set aside"),
    "header_again": ("the header row again", "set aside"),
    "blank_rows": ("rows without a count or a status", "no sample made: blank is not zero"),
    "uncounted_bag": ("a bag marked {status}", "left out of the comparison"),
    "blank_count": ("a blank count", "left out: blank is not zero"),
    "stage_blank": (
        "{stage} blank beside other counts",
        "taken as not looked for, never as 0; write 0 if none were found",
    ),
    "visit_rewritten": ("visit '{written}'", "read as {visit}, the same date"),
    "label_read": ("'{label}' read as {read_as} ({forgiven_words})", "joined by label"),
    "own_label": ("a second label that the design does not know", "joined by the first; kept in the sample's note"),
    "label_case": ("labels in another case", "joined by label"),
    "method_planned": ("no extraction method", "{method}, as the design has it"),
    "joined_by_position": ("{unknown_label}", "joined by position to {point}, {offset_m:.1f} m away{rival_words}"),
    "moved": ("{point} moved {offset_m:.0f} m from its place", "mapped where it was taken"),
    "moved_nowhere": ("{point} moved, without a position", "mapped at its planned place"),
    "no_fix": ("position 0, 0, which a device writes when it has no fix", "taken as no position"),
    "position_read": ("position '{lat_text}', '{lon_text}'", "read as {lat:.6f}, {lon:.6f}"),
    "position_mended": (
        "position {was_lat:.6f}, {was_lon:.6f} is off the course; on it with {mending_words}",
        "{lat:.6f}, {lon:.6f} used",
    ),
    "bag_again": ("bag {sample} {times} times, all the same", "taken once"),
    "entry_again": ("the same entry of a phone again", "taken once"),
    "entry_replaced": ("entries that their phone replaced or took back", "left out"),
    "added_up": ("{added} {parts} of {sample}", "added up to one bag of {plugs} plugs"),
    "recount_uncounted": ("a second count with status {status}", "set aside: there is nothing to compare"),
    "recount_alone": ("a second count without a first", "kept until the first one comes"),
    "set_aside": ("{found}; expected {expected}", "set aside"),
    "unanswered": ("{status_words}", "{stand_in_words} stands in for it"),
    "reserve_skipped": ("reserve used before {names}", "weighted as if at random; use the reserve in its order"),
    "extra_answers": (
        "{extra} more answers than main points",
        "the part of the ground is weighted so that it counts once",
    ),
    "results_taken_away": (
        "results from the earlier counts ({names})",
        "taken away, since the counts have changed; run estimate, density and treat again",
    ),
    "replaced": ("{field_words} {was_words}", "now {now_words}"),
}
"""What each note says was found, and what was done about it; the names in braces are the note's facts."""
FORGIVEN = {"marks": "case, dashes, zeros", "lookalikes": "letters for digits"}
MENDINGS = {
    "swapped": "latitude and longitude swapped",
    "lon_turned": "the longitude's sign turned",
    "lat_turned": "the latitude's sign turned",
    "both_turned": "both signs turned",
    "swapped_lon_turned": "swapped, and the longitude's sign turned",
    "swapped_lat_turned": "swapped, and the latitude's sign turned",
}
SET_ASIDE = ("set_aside", "sum_rows", "header_again", "recount_uncounted")
"""Notes on what was refused, which are told before the others."""


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
    lines += tell_partly(summary["partly_counted"])
    if summary["moved_samples"]:
        lines.append(
            f"{summary['moved_samples']} bags were moved ({percent(summary['moved_share'])} of those counted)."
        )
    refused_first = sorted(added.counts.notes, key=lambda note: note.what not in SET_ASIDE)
    notes = tell_notes((*added.differences, *refused_first), most=MOST_ALIKE)
    rest = len(notes) - _MOST_NOTES
    notes_left = "1 more note" if rest == 1 else f"{rest} more notes"
    more = [f"and {notes_left} on what was read, changed or left out (--more)"] if rest > 0 else []
    return [*lines, *tell_agreement(summary["recounts"]), *notes[:_MOST_NOTES], *more]


def tell_partly(names: Sequence[str] | None) -> list[str]:
    """Return which bags have no total, for a stage in them was left blank; of older surveys that is not known."""
    if not names:
        return []
    bags = f"{len(names)} bag{'s' * (len(names) > 1)} ({list_names(names, most=MOST_ALIKE)})"
    return [
        f"Without a total, a stage being blank, so left out: {bags}. If none were found, write 0; blank is not zero."
    ]


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


def tell_notes(notes: Iterable[Note], *, most: int | None = None) -> list[str]:
    """Return a line a note, those that say the same of several places in one: nothing is left out.

    Parameters
    ----------
    notes : iterable of Note
        What was read with a little help, changed, or left out.
    most : int, optional
        Then notes that differ in a number or a label alone share a line too, and of more places than this the first
        are named and the others counted.

    Examples
    --------
    >>> tell_notes([Note("blank_count", "a"), Note("no_fix", "b"), Note("blank_count", "c")])[0]
    'a blank count: left out: blank is not zero (2): a, c'
    >>> tell_notes([Note("lines_above", "a", facts={"lines": 7}), Note("lines_above", "b", facts={"lines": 8})], most=1)
    ['7 lines above the header row: passed over; the like of 2: a and 1 more']
    """
    groups: dict[str, list[tuple[str, str]]] = {}
    for note in notes:
        words = ": ".join(word_note(note))
        groups.setdefault(words if most is None else mask_numbers(words), []).append((note.where, words))
    return [_tell_alike(alike, most) for alike in groups.values()]


def word_note(note: Note) -> tuple[str, str]:
    """Return what was found and what was done about it.

    Raises
    ------
    KeyError
        For a code that is not in ``NOTES``.
    """
    facts = note.facts
    found, done = ENCODINGS.get(facts.get("encoding", ""), ("", ""))
    names = [str(name) for name in facts.get("columns") or facts.get("points") or facts.get("layers") or ()]
    worded = {
        **facts,
        "encoding_found": found,
        "encoding_done": done,
        "parted_by": DELIMITERS.get(facts.get("delimiter", "")),
        "names": ", ".join(names),
        "quoted": ", ".join(map(repr, names)),
        "forgiven_words": FORGIVEN.get(facts.get("forgiven", "")),
        "mending_words": MENDINGS.get(facts.get("mending", "")),
        "unknown_label": f"label '{facts['label']}' is not in the design" if facts.get("label") else "no label",
        "rival_words": f" ({facts['rival']} is {facts['rival_m']:.1f} m away: check it)" if "rival" in facts else "",
        "status_words": str(facts.get("status")).replace("_", " "),
        "stand_in_words": facts.get("stand_in") or "nothing",
        "field_words": f"{field}:" if ", " in (field := str(facts.get("field"))) else field,  # pest, stage: its count
        **{f"{name}_words": facts[name] if facts.get(name) not in {None, ""} else "blank" for name in ("was", "now")},
    }
    seen, was_done = NOTES[note.what]
    return seen.format_map(worded), was_done.format_map(worded)


def _tell_alike(alike: list[tuple[str, str]], most: int | None) -> str:
    (first, words), places = alike[0], [where for where, _ in alike]
    if len(alike) == 1:
        return f"{first}: {words}"
    names = list_names(places, most=len(places) if most is None else most)
    same = len({words for _, words in alike}) == 1
    return f"{words}{f' ({len(alike)}):' if same else f'; the like of {len(alike)}:'} {names}"
