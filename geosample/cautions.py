"""The one place for cautions: what is said wherever treatment or the work itself can hurt someone.

Grades: S read in the source named, A in its abstract, D arithmetic, P common practice with no source,
M from memory, G looked for and not found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

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
