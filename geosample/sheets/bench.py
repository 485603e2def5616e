"""What the bench does: the steps of each extraction method in our own words, each with its grade, and its dangers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from geosample.cautions import BENCH, FIELD, GRADES, Caution, Grade
from geosample.design import CONTAINERS
from geosample.errors import Problem, SheetsError
from geosample.units import Units, show_density
from geosample.words import RECOUNT_MARK

if TYPE_CHECKING:
    from geosample.design import Design

RECOUNT_EVERY = 10
"""One bag in this many is counted again by somebody else (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do at the bench, with the grade of what stands behind it."""

    text: str
    grade: Grade
    source: str = ""

    def __str__(self) -> str:
        """Return the step with its grade or source behind it."""
        return f"{self.text} [{self.source or GRADES[self.grade]}]"


@dataclass(frozen=True, slots=True)
class StopTable:
    """When to stop extracting the bags of one stratum, read off without arithmetic.

    Parameters
    ----------
    stratum : str
        Whose bags, in words.
    rows : tuple of (int, int or None, int or None)
        After so many plugs: stop at this total or fewer, stop at this total or more; None where neither line is
        reached yet.
    note : str
        What stopping low and high means, what the plan rests on, and its grade.
    """

    stratum: str
    rows: tuple[tuple[int, int | None, int | None], ...]
    note: str


def stop_tables(design: Design, units: Units) -> list[StopTable]:
    """Return the design's own stop lines, as ``geosample.design.stops.plan_stop_lines`` left them in its settings."""
    return [
        StopTable(
            plan["stratum"],
            tuple((plugs, low, high) for plugs, low, high in plan["rows"]),
            f"Low means {show_density(plan['low_per_m2'], units)} or less, high "
            f"{show_density(plan['high_per_m2'], units)} or more. Worked out "
            f"for k {plan['k']:.2g} a bag. A mean from bags stopped early is marked so.",
        )
        for plan in design.visit.settings.get("stop_lines") or []
        if plan["rows"]
    ]


_BRINE = (
    Step("Stir 1 lb of salt into 1 gal of water (120 g a litre).", "P"),
    Step("Crumble the plugs into a container that closes, about a minute a plug: the finer, the more you find.", "P"),
    Step("Cover with brine, leave some air in, close it and shake for five minutes.", "P"),
    Step("Let it stand and skim what floats. A batch takes 20-25 minutes, all told.", "P"),
    Step(
        "Or soak longer: the first larvae are up within 30 minutes, leave it at least 90.",
        "S",
        "New York golf BMP 2019",
    ),
    Step("Look again with a lens: small larvae are easily missed without practice.", "P"),
    Step(
        "Count each stage apart. Write 0 where you looked and found none; leave blank what you did not look for.", "P"
    ),
)
_HEAT = (
    Step("Crumble the plugs on mesh in the funnel, over a jar of water.", "P"),
    Step("Set the lamp (250 W is usual) above the turf, clear of anything that burns.", "P"),
    Step("Leave it 48 hours a batch.", "P"),
    Step("Research runs it 3-4 days at about 32 °C (90 °F).", "A", "Koppenhöfer et al. 2025"),
    Step("Count what fell into the water, each stage apart. Write 0 where you looked and found none.", "P"),
)
_FLUSH = (
    Step("Mark the area the design gives, and flush only that.", "P"),
    Step("Pour 0.8 % soap in two portions of 500 mL.", "A", "2023, Insects 14:509"),
    Step("Count what comes up, each stage apart, for as many minutes as the visit has agreed.", "P"),
)
_HAND = (
    Step("Tear the plug apart over a pale tray, thatch and crowns first, and open the stems.", "P"),
    Step("Count each stage apart. Write 0 where you looked and found none.", "P"),
)
_OTHER = (
    Step("Write down what you did, step by step, and keep to it for the whole visit.", "P"),
    Step("Count each stage apart. Write 0 where you looked and found none.", "P"),
)
STEPS: dict[str, tuple[Step, ...]] = {
    "brine": _BRINE,
    "heat": _HEAT,
    "flush": _FLUSH,
    "hand": _HAND,
    "other": _OTHER,
}
_DANGERS: dict[str, tuple[Caution, ...]] = {
    "brine": (BENCH[1],),
    "heat": (BENCH[0],),
    "flush": FIELD[:3],
    "hand": (),
    "other": BENCH,
}


def method_steps(method: str) -> tuple[Step, ...]:
    """Return the steps of a method.

    Raises
    ------
    SheetsError
        When there is no such method.
    """
    if method not in STEPS:
        raise SheetsError(Problem("--extraction", repr(method), f"one of: {', '.join(STEPS)}", "name one of them"))
    return STEPS[method]


def method_dangers(method: str) -> tuple[Caution, ...]:
    """Return what to beware of with a method."""
    return _DANGERS[method]


def choose_recounts(sample_ids: list[str], *, seed: int) -> list[str]:
    """Return the bags a second person counts blind: every tenth, from a start drawn with the design's seed.

    A random start, so that nobody can tell beforehand which bags are looked at twice.

    Examples
    --------
    >>> bags = [f"b{number}" for number in range(25)]
    >>> len(choose_recounts(bags, seed=7)) in (2, 3)
    True
    """
    if not sample_ids:
        return []
    start = int(np.random.default_rng(seed).integers(min(RECOUNT_EVERY, len(sample_ids))))
    return sample_ids[start::RECOUNT_EVERY]


def recount_rows(rows: pd.DataFrame, *, seed: int) -> pd.DataFrame:
    """Return the blank rows of the second count: the chosen bags' own rows, their labels marked.

    Parameters
    ----------
    rows : DataFrame
        The blank sheet, as ``blank_rows`` makes it.
    seed : int
        The design's, so that paper and file choose the same bags.
    """
    main = rows[rows["role"] == "main"]
    chosen = choose_recounts(list(main["sample_id"]), seed=seed)
    again = main[main["sample_id"].isin(chosen)].reset_index(drop=True)
    return again.assign(sample_id=[f"{sample_id}-{RECOUNT_MARK}" for sample_id in again["sample_id"]])


def batch_of(number: int, *, size: int = CONTAINERS) -> int:
    """Return which batch the n-th bag (from 1) is extracted in.

    Examples
    --------
    >>> [batch_of(number, size=4) for number in (1, 4, 5)]
    [1, 1, 2]
    """
    return math.ceil(number / size)
