"""What the reader may take for granted, and the log of what it saw."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from geosample.counts.model import RowNote
from geosample.errors import CountsError, Problem
from geosample.units import FOOT2_M2

MOST_PER_M2 = 2000 / FOOT2_M2
"""Counts above this density are asked about: 2,000 per ft² (no published maximum found; several times any density
in the trade's thresholds, so a slip of the pen rather than a find)."""
DAYS_OF_VISIT = 7
"""A plug dated more than this many days from the visit is asked about (common practice, no source)."""
GPS_WITHIN_M = 10.0
"""How far a position may lie from its point, m, before the receiver's own accuracy is added: twice a phone's usual
4.9 m under open sky (GPS.gov, from memory)."""

MOST_MOVED_M = 100.0
"""A plug ticked as moved farther than this, m, is asked about: a slip of the pen rather than a walk (own choice)."""


@dataclass(frozen=True, slots=True)
class ReadRules:
    """What the user allows beyond the careful reading.

    Parameters
    ----------
    method : str or None
        The extraction method of rows that don't say theirs; None asks about them.
    sums : bool
        Read ``3+4`` as 7.
    set_aside : bool
        Take the good rows and list the bad ones, instead of taking none.
    most_per_m2 : float
        A count above this density, insects per m², is asked about.
    days : int
        How many days from the visit's date a plug may be dated.
    other_codes : mapping of str to str
        Design code -> visit, of the survey's other visits, to name the visit an old sheet belongs to.
    """

    method: str | None = None
    sums: bool = False
    set_aside: bool = False
    most_per_m2: float = MOST_PER_M2
    days: int = DAYS_OF_VISIT
    other_codes: Mapping[str, str] = field(default_factory=dict)


class Log:
    """What was forgiven or set aside (notes), and what must be settled first (problems)."""

    def __init__(self) -> None:
        self.notes: list[RowNote] = []
        self.problems: list[Problem] = []
        self.refused = False

    def note(self, where: str, what: str, done: str) -> None:
        """Remember something that was read with a little help."""
        self.notes.append(RowNote(where, what, done))

    def ask(self, where: str, found: str, expected: str, remedy: str) -> None:
        """Remember something that only the user can settle."""
        self.problems.append(Problem(where, found, expected, remedy))

    def refuse(self, where: str, found: str, expected: str, remedy: str) -> None:
        """Ask about a whole file or its columns: without an answer none of its rows can be read, set aside or not."""
        self.refused = True
        self.ask(where, found, expected, remedy)

    def settle(self, *, set_aside: bool) -> None:
        """Raise CountsError with every problem, or turn each into a note where bad rows may be set aside."""
        if self.problems and (self.refused or not set_aside):
            raise CountsError(self.problems)
        self.notes.extend(RowNote(p.where, f"{p.found}; expected {p.expected}", "set aside") for p in self.problems)
        self.problems.clear()


_MOST_NAMED = 6


def show_rows(wheres: Iterable[str]) -> str:
    """Return the rows' names in one phrase, the file named once.

    Examples
    --------
    >>> show_rows(["a.csv row 2", "a.csv row 3", "a.csv row 4", "b.csv row 9"])
    'a.csv rows 2-4; b.csv row 9'
    """
    files: dict[str, list[int]] = {}
    others: list[str] = []
    for where in wheres:
        file, word, number = where.rpartition(" row ")
        if word and number.isdigit():
            files.setdefault(file, []).append(int(number))
        else:
            others.append(where)
    phrases = [f"{file} row{'s' if len(rows) > 1 else ''} {_ranges(rows)}" for file, rows in files.items()]
    if len(others) > _MOST_NAMED:
        others = [*others[:_MOST_NAMED], f"and {len(others) - _MOST_NAMED} more"]
    return "; ".join([*phrases, *others])


def _ranges(numbers: list[int]) -> str:
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    shown = [str(low) if low == high else f"{low}-{high}" for low, high in runs[:_MOST_NAMED]]
    left = len(runs) - _MOST_NAMED
    return ", ".join(shown) + (f" and {left} more places" if left > 0 else "")
