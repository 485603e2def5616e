"""Errors a user can mend: every problem at once, each with where, found, expected and what to do.

``GeosampleError`` is the base; each stage that reads something has its own::

    GeosampleError (a ValueError)
    +-- UnitError      a quantity without a unit, or with the wrong one
    +-- SurveyError    the survey file
    +-- FileError      a text, table or archive that can't be read
    +-- GroundError    polygons
    +-- DesignError    the sampling design
    +-- PaperError     a page that can't be laid out
    +-- SheetsError    paper and waypoints
    +-- CountsError    what came back
    +-- EstimateError  means and intervals
    +-- DensityError   the density map
    +-- RehearsalError a survey that can't be played
    +-- TreatError     treatment areas
    +-- SeasonError    temperatures, and visits that can't be told together
    +-- MapError       the page
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

MOST_ALIKE = 5
"""How many names or rows are listed before the others are counted."""


def list_names(names: Sequence[object], most: int = 10) -> str:
    """Return the first names in words, and how many more there are.

    Examples
    --------
    >>> list_names(["01F-01", "01F-02"]), list_names(range(1, 1235), most=2)
    ('01F-01, 01F-02', '1, 2 and 1,232 more')
    """
    more = f" and {len(names) - most:,} more" if len(names) > most else ""
    return f"{', '.join(map(str, names[:most]))}{more}"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong, in four parts.

    Parameters
    ----------
    where : str
        File, row, layer, option or point the user can look up.
    found : str
        What was there, with its value and unit.
    expected : str
        What would have been right.
    remedy : str
        What to do next.
    """

    where: str
    found: str
    expected: str
    remedy: str

    def __str__(self) -> str:
        """Return the problem as one line.

        Examples
        --------
        >>> print(Problem("--border", "15", "a length with its unit", "write 15ft or 4.5m"))
        --border: found 15; expected a length with its unit; write 15ft or 4.5m
        """
        line = f"{self.where}: found {self.found}; expected {self.expected}; {self.remedy}"
        return " ".join(line.split())


class GeosampleError(ValueError):
    """Bad data or a request that can't be met; carries all its problems.

    Parameters
    ----------
    problems : Problem or iterable of Problem
        At least one.

    Examples
    --------
    >>> error = GeosampleError([Problem("a.kml", "nothing", "polygons", "export them again")])
    >>> len(error.problems)
    1
    """

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        self.problems = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


def list_problems(problems: Sequence[Problem], *, more: bool = False) -> list[str]:
    """Return a line a problem; of more than five that are the same fault in other places, one line with their number.

    Parameters
    ----------
    problems : sequence of Problem
        Those of one error. Two are the same fault where they differ in their place, in numbers and in what is quoted.
    more : bool
        Whether every one has its line.

    Examples
    --------
    >>> found = [Problem(f"a.csv row {n}", f"'X{n}'", "a label of the plan", "mend it") for n in range(2, 112)]
    >>> [line] = list_problems(found)
    >>> line[:94]
    "a.csv row 2: found 'X2'; expected a label of the plan; mend it. The same in 110 places: also a"
    >>> line[-57:]
    " a.csv row 6 ('X6') and 105 more (--more lists every one)"
    >>> len(list_problems(found, more=True))
    110
    """
    faults: dict[tuple[str, ...], list[Problem]] = {}
    for one in problems:
        fault = tuple(mask_numbers(part) for part in (one.found, one.expected, one.remedy))
        faults.setdefault(fault, []).append(one)
    return [line for alike in faults.values() for line in _list_alike(alike, more=more)]


_QUOTED = re.compile(r"""'[^']*'|"[^"]*"|\S*\d\S*""")
_SEVERAL = re.compile(r"#(?:(?:,| or| and) #)+")


def mask_numbers(text: str) -> str:
    """Return a text without what differs where the same is said of several places: numbers, labels, what is quoted.

    Examples
    --------
    >>> mask_numbers("label '7f 3'; did you mean 07F-03 or 07F-13 ?"), mask_numbers("12.5 ft")
    ('label #; did you mean # ?', '# ft')
    """
    return _SEVERAL.sub("#", _QUOTED.sub("#", text))


def _list_alike(alike: Sequence[Problem], *, more: bool) -> list[str]:
    if more or len(alike) <= MOST_ALIKE:
        return [str(one) for one in alike]
    first, *others = alike
    others_said = [one.where if one.found == first.found else f"{one.where} ({one.found})" for one in others]
    also = list_names(others_said, most=MOST_ALIKE - 1)
    return [f"{first}. The same in {len(alike):,} places: also {also} (--more lists every one)"]


class UnitError(GeosampleError):
    """A quantity without a unit, with the wrong one, or out of its range."""


class SurveyError(GeosampleError):
    """The survey file is missing, is not one, lacks a stage, or can't be written."""


class FileError(GeosampleError):
    """A text, a table or an archive that can't be read: damaged, too large or unsafe."""


class GroundError(GeosampleError):
    """Polygons that can't be made into a sampling frame."""


class DesignError(GeosampleError):
    """A sampling design that can't be drawn as asked."""


class PaperError(GeosampleError):
    """A page that can't be laid out: a paper size that is not known, a map that fits no scale."""


class SheetsError(GeosampleError):
    """Sheets that can't be written."""


class CountsError(GeosampleError):
    """Counts that can't be taken in as they came back."""


class EstimateError(GeosampleError):
    """Means or intervals that can't be worked out from these counts."""


class DensityError(GeosampleError):
    """A density map that can't be made from these counts."""


class RehearsalError(GeosampleError):
    """A survey that can't be played before it is walked."""


class TreatError(GeosampleError):
    """Treatment areas that can't be worked out as asked."""


class SeasonError(GeosampleError):
    """Temperatures that can't be read, or visits that can't be told together."""


class MapError(GeosampleError):
    """A page that can't be drawn."""
