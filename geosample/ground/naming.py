"""Names such as "Hole7_Green", "18th green", "Tee 4 Black" and "GR07", taken apart into a kind's word and a number."""

from __future__ import annotations

import re
from dataclasses import dataclass

from geosample.holes import hole_number

MOST_HOLES = 36
"""A number above this in a name counts features, not holes (no source)."""

_TOKENS = re.compile(r"[^\W\d_]+|\d+")
_HOLE_WORDS = frozenset({"hole", "h", "no", "nr", "number", "st", "nd", "rd", "th", "the", "of", "on", "for", "par"})
_SIDES = frozenset(
    {"left", "right", "front", "back", "upper", "lower", "middle", "forward", "rear", "main", "new", "old"}
)
_TEE_MARKERS = frozenset(
    {"black", "blue", "white", "red", "gold", "silver", "yellow", "ladies", "mens", "men", "senior", "championship"}
)
_PRACTICE = frozenset({"practice", "practise", "chipping", "nursery", "range"})
_CODES = {
    "green": "g gr grn gn",
    "fairway": "f fw fwy fy",
    "tee": "t tb",
    "collar": "col coll",
    "approach": "app appr",
    "rough": "rgh",
    "bunker": "bk bkr bnk bunk",
    "water": "wtr",
}
CODES = {code: kind for kind, codes in _CODES.items() for code in codes.split()}
"""Short codes that stand for a kind where a number stands beside them (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class NameParts:
    """What a name is made of.

    Parameters
    ----------
    words : tuple of str
        What may tell the kind, the likeliest first: the words without numbers, sides and markers.
    hole : str or None
        The only number in it, where that may be a hole.
    code : str or None
        The kind a short code beside a number stands for.
    """

    words: tuple[str, ...]
    hole: str | None
    code: str | None


def split_name(name: str) -> NameParts:
    """Return a name's parts.

    Examples
    --------
    >>> split_name("Hole7_Green")
    NameParts(words=('green', 'green', 'green'), hole='7', code=None)
    >>> split_name("GR07")
    NameParts(words=('gr', 'gr', 'gr'), hole='7', code='green')
    >>> split_name("Practice Green 2").hole is None
    True
    """
    tokens = [token.lower() for token in _TOKENS.findall(name.replace("_", " "))]
    numbers = [token.lstrip("0") or "0" for token in tokens if token.isascii() and token.isdecimal()]
    words = [token for token in tokens if not token.isdecimal() and token not in _HOLE_WORDS]
    bare = [word for word in words if word not in _SIDES]
    tee = [word for word in bare if word not in _TEE_MARKERS]
    shown = (" ".join(words), " ".join(bare), " ".join(tee) if {"tee", "tees", "teebox"} & set(tee) else " ".join(bare))
    hole = numbers[0] if len(numbers) == 1 and 0 < (hole_number(numbers[0]) or 0) <= MOST_HOLES else None
    code = CODES.get(bare[0]) if hole and len(bare) == 1 else None
    return NameParts(shown, None if _PRACTICE & set(words) else hole, code)
