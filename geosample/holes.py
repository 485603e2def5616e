"""The one place for holes: text, since courses number them in their own ways, and how it is read, compared and shown.

A number is a hole's where all its signs are decimal digits of any script: a superscript or a fraction is a letter here,
as is a number longer than any course's.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Hashable, Mapping
from typing import Any

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
