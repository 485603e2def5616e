"""Labels read with forgiveness: case, dashes, leading zeros, the letter O for 0, I or l for 1, and always told."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from difflib import get_close_matches

from geosample.words import METHOD_LETTERS, RECOUNT_MARK

_TOKENS = re.compile(r"\d+|[^\W\d_]+")
_PREFIX = re.compile(r"^\s*(?:point|pt|sample|bag|plug|no)\b[\s.:#]*", re.IGNORECASE)
_LOOKALIKES = str.maketrans("OIL", "011")
_METHOD_OF = {letter: method for method, letter in METHOD_LETTERS.items()}


@dataclass(frozen=True, slots=True)
class Label:
    """A label found in the design.

    Parameters
    ----------
    point_id : str
        The design's own spelling.
    method : str or None
        Where the label names its bag's method.
    recount : bool
        Whether it is the label of a blind second count.
    forgiven : str
        What was overlooked, in words; empty where nothing was.
    """

    point_id: str
    method: str | None = None
    recount: bool = False
    forgiven: str = ""


class LabelBook:
    """The design's labels, indexed by how strictly they are read.

    Parameters
    ----------
    point_ids : iterable of str
        Unique in the visit.

    Examples
    --------
    >>> book = LabelBook(["07F-03", "07F-13"])
    >>> book.find("7f 3")
    Label(point_id='07F-03', method=None, recount=False, forgiven="'7f 3' read as 07F-03 (case, dashes, zeros)")
    >>> book.find("07F-O3-B").method
    'brine'
    >>> book.find("08F-03") is None
    True
    """

    def __init__(self, point_ids: Iterable[str]) -> None:
        self.exact = {str(point_id): str(point_id) for point_id in point_ids}
        self.soft = _index(self.exact, soft_key)
        self.alike = _index(self.exact, alike_key)

    def find(self, text: str) -> Label | None:
        """Return the point, and the bag's method where the label names it; None when no single point fits."""
        plain = unicodedata.normalize("NFKC", text).strip()
        return self._find_point(plain) or self._find_bag(plain)

    def suggest(self, text: str) -> list[str]:
        """Return up to three of the design's labels that look like a text."""
        return get_close_matches(text.strip().upper(), list(self.exact), n=3, cutoff=0.6)

    def _find_point(self, text: str) -> Label | None:
        if text in self.exact:
            return Label(text)
        looks = ((self.soft, soft_key, "case, dashes, zeros"), (self.alike, alike_key, "letters for digits"))
        for index, key, why in looks:
            found = index.get(key(text))
            if found and len(found) == 1:
                return Label(found[0], forgiven=f"'{text}' read as {found[0]} ({why})")
        return None

    def _find_bag(self, text: str) -> Label | None:
        tail = re.search(r"[\W_]*([A-Za-z])(?:[\W_]*([A-Za-z]))?\s*$", text)
        if tail is None:
            return None
        letters = [letter.upper() for letter in tail.groups() if letter]
        recount = letters[-1] == RECOUNT_MARK
        method = _METHOD_OF.get(letters[0]) if len(letters) > 1 or not recount else None
        point = self._find_point(text[: tail.start()])
        if point is None or (method is None and not (recount and len(letters) == 1)):
            return None
        if len(letters) > 1 and not recount:
            return None
        return Label(point.point_id, method, recount, point.forgiven)


def soft_key(text: str) -> str:
    """Return a label without case, separators and leading zeros.

    Examples
    --------
    >>> soft_key("07F-03") == soft_key("pt 7f_3")
    True
    >>> soft_key("1-11") == soft_key("11-1")
    False
    """
    plain = _PREFIX.sub("", unicodedata.normalize("NFKC", text)).upper()
    return ".".join(token.lstrip("0") or "0" if token.isdecimal() else token for token in _TOKENS.findall(plain))


def alike_key(text: str) -> str:
    """Return the soft key with O read as 0, and I and L as 1.

    Examples
    --------
    >>> alike_key("O7F-l3") == alike_key("07F-13")
    True
    """
    plain = _PREFIX.sub("", unicodedata.normalize("NFKC", text)).upper()
    return soft_key(plain.translate(_LOOKALIKES))


def _index(ids: Iterable[str], key: Callable[[str], str]) -> dict[str, list[str]]:
    index: dict[str, list[str]] = {}
    for point_id in ids:
        index.setdefault(key(point_id), []).append(point_id)
    return index
