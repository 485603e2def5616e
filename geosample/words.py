"""The words the stages share: kinds of ground, ways to draw, roles of points, what became of a sample; holes; cautions.

The order of ``SURFACE_KINDS`` settles overlaps: the earlier kind keeps the ground.

Holes are text, since courses number them in their own ways; here they are read, compared and shown. A number is a
hole's where all its signs are decimal digits of any script: a superscript or a fraction is a letter, as is a number
longer than any course's.

Cautions are what is said wherever treatment or the work itself can hurt someone. Grades: S read in the source named,
A in its abstract, D arithmetic, P common practice with no source, M from memory, G looked for and not found.
"""

from __future__ import annotations

import datetime
import re
import unicodedata
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

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
NOT_STAGED, NOT_DONE = "not staged", "not done"
"""How sheets and desk head the column of insects whose stage was not told, and name a bag not extracted."""
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


NO_HOLE_LABEL = "X"
_MOST_DIGITS = 6
_MOST_LETTERS = 24
"""What still goes on a bag's label (no source); numbers within a label keep long names apart."""
_WRITTEN = re.compile(r"(?:[Hh]ole\s*)?(\d+)(?:\.0*)?")


def hole_number(hole: str | None) -> int | None:
    """Return a hole's number, None where its name is no number.

    Examples
    --------
    >>> hole_number("07"), hole_number("Red 3"), hole_number("1²"), hole_number(None)
    (7, None, None, None)
    """
    if not isinstance(hole, str) or not hole.isdecimal():
        return None
    digits = _plain_digits(hole)
    return int(digits) if len(digits) <= _MOST_DIGITS else None


def _plain_digits(text: str) -> str:
    """Return decimal digits of any script as 0 to 9, without zeros before them."""
    return "".join(str(unicodedata.decimal(sign)) for sign in text).lstrip("0") or "0"


def tidy_hole(text: str) -> str | None:
    """Return a hole as the courses write it: whole numbers without zeros before or behind them.

    Examples
    --------
    >>> tidy_hole("07"), tidy_hole("7.0"), tidy_hole("Red  3"), tidy_hole(" ")
    ('7', '7', 'Red 3', None)
    """
    text = " ".join(text.split())
    match = _WRITTEN.fullmatch(text)
    return _plain_digits(match.group(1)) if match else text or None


def same_hole(hole: str | None) -> str:
    """Return a hole's name in the form in which two ways to write one hole are equal; nothing for none.

    Examples
    --------
    >>> same_hole("07"), same_hole("Red 3"), same_hole(None)
    ('7', 'red 3', '')
    """
    return (tidy_hole(hole) or "").lower() if isinstance(hole, str) else ""


def parse_holes(text: str) -> tuple[str, ...]:
    """Return hole names from a list with ranges.

    Examples
    --------
    >>> parse_holes("1-3, 7,Red 3")
    ('1', '2', '3', '7', 'Red 3')
    >>> parse_holes("9-7")
    ('7', '8', '9')
    """
    holes: list[str] = []
    for part in filter(None, map(str.strip, text.split(","))):
        ends = re.fullmatch(r"(\d+)\s*-\s*(\d+)", part)
        if ends is None or abs(int(ends[2]) - int(ends[1])) > 99:  # noqa: PLR2004 (no course has more)
            holes.append(part)
        else:
            first, last = sorted((int(ends[1]), int(ends[2])))
            holes += map(str, range(first, last + 1))
    return tuple(holes)


def hole_key(hole: str | None) -> tuple[int, str]:
    """Return a sort key that puts hole 2 before hole 10 and nameless ground last.

    Examples
    --------
    >>> sorted(["10", "2", None, "Red 3"], key=hole_key)
    ['2', '10', 'Red 3', None]
    """
    if not isinstance(hole, str):
        return (10 ** (_MOST_DIGITS + 1), "")
    number = hole_number(hole)
    return (10**_MOST_DIGITS, hole) if number is None else (number, "")


def hole_label(hole: str | None) -> str:
    """Return a hole as it stands in the labels of points and zones: two digits, or capitals without spaces; X for none.

    Examples
    --------
    >>> hole_label("7"), hole_label("Red 3"), hole_label(None)
    ('07', 'RED3', 'X')
    """
    plain = re.sub(r"\W+", "", "".join(map(_fold, hole))).upper() if isinstance(hole, str) else ""
    number = hole_number(plain)
    return (plain[:_MOST_LETTERS] or NO_HOLE_LABEL) if number is None else f"{number:02d}"


def _fold(sign: str) -> str:
    """Return a sign as it comes back from a form that folds odd signs; 1² must not come back as hole 12."""
    raised = sign.isnumeric() and not sign.isdecimal()
    return f"{'_' * raised}{unicodedata.normalize('NFKC', sign)}"


def hole_slug(hole: str | None) -> str:
    """Return a hole in the form used in the ids of surfaces: two digits, or small letters and hyphens.

    Examples
    --------
    >>> hole_slug("7"), hole_slug("Red 3"), hole_slug(None)
    ('07', 'red-3', '')
    """
    if not isinstance(hole, str):
        return ""
    number = hole_number(hole)
    if number is not None:
        return f"{number:02d}"
    plain = unicodedata.normalize("NFKD", "".join(map(_fold, hole))).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-") or "hole"


def name_many(kind: object) -> str:
    """Return what several surfaces of a kind are called; any other name as it is.

    Examples
    --------
    >>> name_many("green"), name_many("rough"), name_many("9")
    ('greens', 'rough', '9')
    """
    return PLURALS.get(str(kind), str(kind))


def name_place(hole: str | None, kind: str) -> str:
    """Return where a zone or a surface lies, as people say it.

    Examples
    --------
    >>> name_place("7", "fairway"), name_place(None, "green")
    ('hole 7 fairway', 'green without a hole')
    """
    return f"hole {hole} {kind}" if isinstance(hole, str) else f"{kind} without a hole"


def name_surface(surface: Mapping[Hashable, Any]) -> str:
    """Return a surface (a row with hole, kind, name and surface_id) by what tells it apart: hole, own name, or number.

    Examples
    --------
    >>> row = {"hole": None, "kind": "green", "name": "Practice", "surface_id": "green-2"}
    >>> name_surface(row), name_surface({**row, "name": None}), name_surface({**row, "hole": "7"})
    ('green Practice', 'green 2 without a hole', 'hole 7 green')
    """
    hole, kind, name = surface["hole"], surface["kind"], surface.get("name")
    if isinstance(hole, str):
        return name_place(hole, kind)
    if isinstance(name, str) and name.strip().lower() not in {"", kind}:
        return f"{kind} {name.strip()}"
    number = str(surface["surface_id"]).rpartition("-")[2]
    return f"{kind} {number} without a hole" if number.isdecimal() else name_place(None, kind)


EFFORT = ("minutes", "wait_hours")
"""What a trial's sheet asks of each bag beside its counts: minutes at hand, and hours of waiting."""


Grade = Literal["S", "A", "D", "P", "M", "G"]
GRADES: dict[Grade, str] = {
    "S": "read in its source",
    "A": "read in the source's abstract",
    "D": "arithmetic",
    "P": "common practice, no source",
    "M": "from memory, unverified",
    "G": "looked for, not found",
}


@dataclass(frozen=True, slots=True)
class Caution:
    """A sentence to heed, with its grade and source."""

    text: str
    grade: Grade
    source: str = ""


SIMULATED = "Invented course, simulated counts: no turf was sampled."
"""Goes wherever invented counts are shown."""
TREATMENT = (
    Caution(
        "The product label is the law where it says so: it sets site, pest, rate, interval, yearly maximum and "
        "re-entry time. Follow it and the local code.",
        "S",
        "US: EPA label text",
    ),
    Caution("A licensed applicator decides. This plan suggests where and how sure, never a product or a rate.", "P"),
    Caution(
        "Keep off water, and keep washwater out of it. Distances to water are set by the label and the local code; "
        "the user enters them here, none is assumed.",
        "P",
    ),
    Caution(
        "Mow flowering weeds first and spray outside foraging hours, for the bees.", "S", "extension pollinator guides"
    ),
    Caution("Wear the protective equipment the label asks for.", "P"),
    Caution("Check the state's or province's own list of what is allowed.", "P"),
    Caution(
        "One use of a pyrethroid a year at most is the advice (group 3A of IRAC, the resistance committee that sorts "
        "insecticides by how they work); resistance here is broad, so rotation helps and does not cure.",
        "S",
        "Rutgers",
    ),
)

IN_SHORT = "Before anything is applied, the label and a licensed applicator decide; the plan has all cautions."
"""Goes where there is room for a line, in the terminal."""
FIELD = (
    Caution("Look out for play before walking on; one person watches while another kneels.", "P"),
    Caution("Leave open ground at the first thunder.", "P"),
    Caution("No sampling inside a label's re-entry time.", "S", "US: EPA label text"),
    Caution("Keep off the cup and its surrounds; fill every plug hole.", "P"),
)

BENCH = (
    Caution(
        "A heat lamp over turf and water is a fire and shock risk: a ground-fault outlet, and never unattended near "
        "anything that burns.",
        "P",
    ),
    Caution("Brine is not poured on turf or into drains that lead to water.", "P"),
)


def name_source(source: str, grade: Grade) -> str:
    """Return what a statement rests on: its source, if any, and how that is known.

    Examples
    --------
    >>> name_source("", "P"), name_source("Rutgers", "S")
    ('common practice, no source', 'Rutgers (read in its source)')
    """
    return f"{source} ({GRADES[grade]})" if source else GRADES[grade]


def number_sources(cautions: Sequence[Caution]) -> list[tuple[str, list[int]]]:
    """Return what cautions rest on, each with the numbers, from 1, of those it stands behind.

    Examples
    --------
    >>> number_sources(BENCH)
    [('common practice, no source', [1, 2])]
    """
    found: dict[str, list[int]] = {}
    for number, caution in enumerate(cautions, start=1):
        found.setdefault(caution.source or GRADES[caution.grade], []).append(number)
    return list(found.items())


@dataclass(frozen=True, slots=True)
class RecordRules:
    """Fields a record must have, where that is written, and how long it is kept."""

    fields: Mapping[str, str]
    source: str
    grade: Grade
    keep: str


_US = {
    "product": "brand or product name",
    "epa_registration": "EPA registration number",
    "total_amount": "total amount applied",
    "location": "location",
    "size_of_area": "size of the area treated",
    "site": "crop, commodity or site",
    "date": "month, day and year",
    "applicator": "applicator's name",
    "certification": "applicator's certification number",
}
RULES = {
    "us": RecordRules(
        _US, "7 CFR 110.3, for restricted-use products", "S", "entered within 14 days and kept two years"
    ),
    "ny": RecordRules(
        {
            **_US,
            "address_zip": "address with ZIP code",
            "dosage_rate": "dosage rate",
            "method": "method of application",
            "target_organism": "target organism",
        },
        "7 CFR 110.3 and 6 NYCRR 325.25, New York golf courses",
        "S",
        "kept three years",
    ),
    "none": RecordRules(
        {"date": "month, day and year"}, "no rule chosen: other places differ", "G", "kept as yours say"
    ),
}


WORKED_OUT = ("date", "size_of_area", "site", "target_organism", "zones")
"""Fields the plan fills in; an older record's are of an older plan."""
