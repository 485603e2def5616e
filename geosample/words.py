"""The words the stages share: kinds of ground, ways to draw, roles of points, what became of a sample.

The order of ``SURFACE_KINDS`` settles overlaps: the earlier kind keeps the ground.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from geosample.errors import GeosampleError, Problem

SURFACE_KINDS = ("green", "collar", "tee", "approach", "fairway", "rough")
SHORT_TURF = ("green", "collar", "approach", "tee", "fairway")
OBSTACLE_KINDS = ("water", "bunker", "trees", "path", "building", "other")
CUT_KINDS = ("water", "bunker", "path", "building", "other")
PLURALS = {
    "green": "greens",
    "collar": "collars",
    "tee": "tees",
    "approach": "approaches",
    "fairway": "fairways",
    "rough": "rough",
}
KIND_LETTERS = {"green": "G", "collar": "C", "tee": "T", "approach": "A", "fairway": "F", "rough": "R"}
ROLES = ("main", "reserve")
METHODS = ("brine", "heat", "flush", "hand", "other")
DRAW_METHODS = ("balanced", "grid", "triangle", "random", "lines")
ALLOCATIONS = ("power", "proportional", "equal", "optimal")
WALKS = ("holes", "round")
PARTS = ("border", "interior", "whole")
UNSTAGED = "unstaged"
NO_HOLE = "no hole"
METHOD_LETTERS = {"brine": "B", "heat": "H", "flush": "F", "hand": "S", "other": "X"}
"""The last letter of a bag's label; S stands for a search by hand, since H is heat."""
RECOUNT_MARK = "R"
"""Ends the label of a blind second count, as in ``07F-03-B-R``: the same bag, another pair of eyes."""


SHAPE_FAULTS = {
    "open_ring": "a ring that was not closed",
    "few_corners": "a ring of fewer than three corners",
    "no_ring": "no ring",
    "no_numbers": "corners without numbers",
    "no_line": "a line without coordinates",
    "one_corner": "a line of one corner",
    "no_point": "a point without coordinates",
    "no_object": "a feature or shape that is no object",
    "no_shape": "a feature without a shape",
    "no_row_shape": "a row without a shape",
    "no_placemark_shape": "a placemark without a shape",
    "unknown_type": "a shape of a type that GeoJSON does not know",
    "unreadable": "a shape that can't be read",
    "empty_layer": "a layer without shapes",
}
"""What may be wrong with a shape in a file: errors say it, and notes where it was mended or left out."""
ENCODINGS = {
    "utf-16": ("UTF-16 text", "read so"),
    "cp1252": ("text that is not UTF-8", "read as Windows-1252; check names and notes with accents"),
}
"""What a text may be in place of UTF-8, and how it was read."""


@dataclass(frozen=True, slots=True)
class ActionWords:
    """What is done in a zone, in the forms that are shown.

    Parameters
    ----------
    letter : str
        What a zone's id begins with.
    name : str
        In a table, a legend or a file.
    brief : str
        As a line of its own.
    over : str
        Before the zones it is done to.
    zones : str
        Behind the zones it is done to.
    reason : str
        With what it is for.
    """

    letter: str
    name: str
    brief: str
    over: str
    zones: str
    reason: str


ACTIONS = {
    "treat": ActionWords("Z", "treat", "treat", "treat", "suggested for treatment", "suggested for treatment"),
    "check": ActionWords(
        "K",
        "check",
        "leave untreated",
        "leave untreated",
        "to leave untreated",
        "leave untreated, to see what treatment did",
    ),
}
"""What zones are for, in the order in which they are listed everywhere."""


@dataclass(frozen=True, slots=True)
class StatusWords:
    """What became of a bag, in the forms that are shown and read.

    Parameters
    ----------
    choice : str
        As a choice in a form.
    missing : str
        Why there is no count.
    also : tuple of str
        Other ways people write it, plain and small.
    """

    choice: str
    missing: str
    also: tuple[str, ...]


STATUSES = {
    "counted": StatusWords("counted", "no count of this pest", ("done", "extracted", "ok", "read")),
    "not_extracted": StatusWords(
        "pulled, not extracted", "taken but not extracted", ("not counted", "not read", "unread", "not done")
    ),
    "lost": StatusWords("lost or spoiled", "lost", ("missing bag", "spilled", "bag lost", "gone")),
    "unreachable": StatusWords(
        "could not be reached",
        "not taken: the place could not be reached",
        (
            "could not",
            "could not sample",
            "could not pull",
            "no access",
            "blocked",
            "not reached",
            "could not reach",
            "not reachable",
        ),
    ),
    "off_turf": StatusWords(
        "no turf there",
        "not taken: the place is not on turf",
        ("not turf", "off the turf", "no turf", "outside turf"),
    ),
}


def is_date(text: str) -> bool:
    """Return whether a text is a date as this house writes it, year first with hyphens, so that text order is time's.

    Examples
    --------
    >>> is_date("2026-05-08"), is_date("20260508"), is_date("2026-W20-1"), is_date("5/8/2026")
    (True, False, False, False)
    """
    try:
        return datetime.date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def make_sample_id(point_id: str, method: str) -> str:
    """Return a bag's label.

    Raises
    ------
    GeosampleError
        When the method is none of ``METHODS``.

    Examples
    --------
    >>> make_sample_id("07F-03", "brine")
    '07F-03-B'
    """
    if method not in METHOD_LETTERS:
        allowed = f"one of: {', '.join(METHODS)}"
        raise GeosampleError(
            Problem("--extraction", repr(method), allowed, "name the extraction method the bench will use")
        )
    return f"{point_id}-{METHOD_LETTERS[method]}"
