"""Words of the phone's page: the round and the bench on a small screen, what is kept, and the bench's clocks."""

from __future__ import annotations

from geosample.report.sheets import DANGERS, STEPS
from geosample.words import STATUSES

PAGE_TITLE = "{course}round and bench, visit {visit}, design {code}"
REASONS = (
    ("unreachable", "Standing water"),
    ("unreachable", "Play"),
    ("unreachable", "Closed or fenced"),
    ("unreachable", "Ground too hard"),
    ("off_turf", "No turf there"),
    ("off_turf", "Under repair"),
)
"""Why a point can't be sampled, and what that makes of it, one of ``words.STATUSES``."""
EFFORT_NAMES = {"minutes": "min", "wait_hours": "hours waited"}
"""What a trial asks of each bag beside its counts, one of ``words.EFFORT``: short, on a button."""
FATES = tuple((status, STATUSES[status].choice) for status in ("lost", "not_extracted"))
WORDS = {
    "who": "Your name",
    "ok": "OK",
    "begin": "Your name goes with all that you enter. What you enter stays on this phone until it is sent or saved.",
    "hello": "Hello {person}.",
    "name_needed": "Write your name first.",
    "not_kept": "NOT kept by this phone: write it on paper too, then save the file.",
    "keeps_nothing": "This browser keeps nothing when the page is closed. Save the file before you close it, or use "
    "another browser.",
    "list": "List",
    "back": "Back",
    "left": "{left} to go",
    "reserve": "(reserve)",
    "reserve_head": "Reserve, only in place of a point that could not be sampled",
    "from_last": "from the last: {way}",
    "said_before": "Said before, and replaced by what you say now",
    "pulled_filled": "Pulled, hole filled",
    "pulled_open": "Pulled, hole open",
    "moved": "Moved, or other plugs",
    "could_not": "Could not",
    "list_pulled": "pulled",
    "list_moved": "moved",
    "list_open": "hole open",
    "kept_filled": "{what}: pulled, hole filled. Kept.",
    "kept_open": "{what}: pulled, hole still open. Kept.",
    "kept_could_not": "{what}: could not. Kept; its reserve point comes next.",
    "round_done": "The round is done.",
    "round_signs": "✓ pulled  ○ hole open  ✗ could not  · in reserve",
    "plugs": "Plugs",
    "where": "Where to, how far and which way from the point",
    "where_example": "such as: 4 paces toward the tee",
    "where_needed": "Say where to, or how many plugs.",
    "no_position": "Over this address the browser gives no position, and none is needed: words and map lead there.",
    "position_may": "A position is never needed. Words are enough.",
    "ask_position": "Add this phone's position",
    "waiting_fix": "Waiting for a position ...",
    "fix": "Somewhere in a circle {far} about the fix, drawn on the map.",
    "words_better": "On a collar or green the words are better than the fix.",
    "fix_failed": "No position; words are enough.",
    "other_reason": "Another reason",
    "keep_reason": "Keep this reason",
    "map_label": "Map of the hole; tap for the whole of it, or closer",
    "bags": "Bags",
    "bench_done": "No bag is left to count. Second counts, by another person, stand under Bags.",
    "bag_line": "batch {batch}, bag {place} of {of}; {person} counts",
    "second_line": "second count; {person} counts",
    "second": "Second count, without seeing the first",
    "another_person": "{person} counted this bag first. Hand the phone to another person.",
    "change_person": "Another person",
    "counted_here": "Counted by {by}; yours replaces it.",
    "counted_there": "Counted by {by}; yours stands beside it.",
    "first_unknown": "This phone knows of no first count of {bag}.",
    "count_first": "Count it first",
    "first_elsewhere": "It was counted: count it again",
    "second_typed": "A bag whose first count this phone does not know: type its number.",
    "label_late": "The photo shows {bag}. Call it under Bags.",
    "blank": "blank",
    "none_found": "None found",
    "total": "Total only",
    "by_stage": "By stage",
    "total_only": "Total, stages not told apart",
    "more": "More",
    "next": "Next",
    "nothing_yet": "Tap a stage and a number, or None found. Zero is a count: tap 0.",
    "two_fingers": "Two fingers at once are no tap: look at the number.",
    "blank_head": "Left blank: {stages}. Did you look for them?",
    "blank_zero": "Looked and found none: 0",
    "blank_missing": "Did not look: blank",
    "blank_once": "Asked once a sitting for each stage; 'More' asks anew.",
    "ask_again": "Ask anew what a blank means",
    "asks_again": "Blanks are asked about at the next bag.",
    "no_count": "No count, because it is",
    "others_found": "Others found",
    "note": "Note",
    "kept_count": "{what}: {total} found. Kept.",
    "kept_fate": "{what}: no count. Kept.",
    "undone": "{what}: taken back.",
    "type_bag": "Bag's number",
    "bag_signs": "✓ counted  … open on another phone",
    "photo": "Photo",
    "reading": "Reading the label ...",
    "stop_low": "STOP: low. {total} in {plugs} plugs.",
    "stop_high": "STOP: high. {total} in {plugs} plugs.",
    "stop_on": "Go on: {total} in {plugs} plugs.",
    "stop_between": "{total} in {plugs} plugs; no stop line here.",
    "clock_what": "What it is for",
    "batch_name": "Batch {batch}",
    "own_minutes": "Minutes",
    "start": "Start",
    "due": "due",
    "due_in": "in {span}",
    "due_since": "due since {span}",
    "clock_done": "Done",
    "clock_kept": "The clock runs, also while this page is closed.",
    "clock_sleeps": "A sleeping phone does not ring: look here, or set its own alarm too.",
    "steps": "Steps",
    "tally": "Entries kept on this phone: {all}.",
    "tally_desk": "Entries kept on this phone: {all}. Waiting for the desk: {waiting}.",
    "link_here": "The desk answers.",
    "link_away": "The desk does not answer. Go on: all is kept here and sent when it does.",
    "link_again": "The desk was started anew or has ended this phone. Scan the code on its screen again; all is kept "
    "here.",
    "link_other": "The desk is busy, or has another course open. All is kept here.",
    "unencrypted": "This network carries what you enter unencrypted: whoever is on it can read along.",
    "away": "The desk does not answer. Type the bag's number.",
    "refused": "{what} was refused by the desk ({why}). It stays here and goes into the file.",
    "share": "Share the file",
    "save_file": "Save the file",
    "file_for": "The file is for 'geosample counts'. Take all phones' files in together; the same entry twice counts "
    "once.",
    "shared": "Handed on. All stays on this phone too.",
    "not_shared": "Not shared. Save the file instead.",
    "saved_as": "Saved as {name}.",
    "withdrawn": "taken back",
    "insects": "{total} found",
    "state_new": "...",
    "state_again": "Scan again",
    "state_wait": "{wait} wait",
    "state_sent": "All sent",
    "state_away": "No desk",
    "state_kept": "{all} kept",
}
"""What the page says; names in braces are filled in by its script."""
_UNITS = {"us": "90 °F", "metric": "32 °C"}


def list_clocks(method: str, plugs: int, units: str) -> list[tuple[str, list[tuple[float, str]], str]]:
    """Return a method's clocks: name, minutes with what is due then, and what the minutes rest on.

    Parameters
    ----------
    method : str
        How the insects are got out.
    plugs : int
        Plugs in a bag.
    units : {"us", "metric"}
        Of the lamp's warmth.

    Examples
    --------
    >>> [(name, marks[0][0]) for name, marks, _ in list_clocks("brine", 3, "us")][:2]
    [('Break up a bag', 3.0), ('Shake', 5.0)]
    """
    day = 24 * 60.0
    practice, guide = "common practice, no source", "New York golf BMP 2019"
    return {
        "brine": [
            ("Break up a bag", [(plugs * 1.0, "the finer, the more is found")], practice),
            ("Shake", [(5.0, "stop shaking, let it stand")], practice),
            ("A batch, all told", [(25.0, "skim and look")], practice),
            ("Longer soak", [(30.0, "first look"), (90.0, "soaked long enough")], guide),
        ],
        "heat": [
            ("Funnel, 48 hours", [(2 * day, "take the jar and count")], practice),
            (
                f"Funnel at about {_UNITS[units]}, 3-4 days",
                [(3 * day, "first look"), (4 * day, "take the jar and count")],
                "Koppenhöfer et al. 2025, abstract",
            ),
        ],
    }.get(method, [])


_METRIC_STEPS = {STEPS["brine"][0].text: "Stir 120 g of salt into each litre of water."}


def list_steps(method: str, units: str, *, named: bool) -> list[str]:
    """Return a method's steps, numbered, as on the bench sheet, with the page's units where a step has any.

    ``named`` puts the method's name before them, where others stand beside.
    """
    texts = [_METRIC_STEPS.get(step.text, step.text) if units == "metric" else step.text for step in STEPS[method]]
    return [*([f"{method}:"] if named else []), *(f"{number}. {text}" for number, text in enumerate(texts, start=1))]


def list_dangers(method: str) -> list[str]:
    """Return what to beware of with a method."""
    return [caution.text for caution in DANGERS[method]]
