"""Blind second counts: how the two counters agree by stage, and whether small larvae are being missed.

References
----------
Clopper & Pearson 1934, Biometrika 26:404-413: the exact interval of a share (from memory, unverified; the interval is
checked against statsmodels). Przyborowski & Wilenski 1940, Biometrika 31:313-323: two counts compared by the share of
their sum (from memory, unverified).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from geosample.survey.findings import Finding, What
from geosample.words import UNSTAGED

if TYPE_CHECKING:
    from collections.abc import Iterable

    from geosample.counts.model import Counts
    from geosample.pests import Pest

ALL_STAGES = "all stages"
SMALL_LARVAE = ("L1", "L2")
"""The instars that are easily missed without practice (common practice, no source)."""
LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class Agreement:
    """One stage's first count over the second, in the bags counted twice.

    Parameters
    ----------
    stage : str
        A stage, ``small larvae`` (instars 1 and 2), or all stages.
    bags, same : int
        Bags in which both counters looked for it, and those in which they agree to the insect.
    first, second : int
        Insects found.
    ratio, low, high : float
        First over second with its 95 % interval; not a number where neither found any.
    """

    stage: str
    bags: int
    same: int
    first: int
    second: int
    ratio: float
    low: float
    high: float


def compare_recounts(counts: Counts, pest: Pest) -> list[Agreement]:
    """Return the counters' agreement: all stages, small larvae, then each stage; empty without a bag counted twice.

    Notes
    -----
    The interval takes the two counts as independent, given their sum (Clopper and Pearson on first / sum, turned
    into a ratio). Both counters saw the same bag, so the true uncertainty is smaller: the interval is cautious.
    """
    pairs = _pair(counts)
    if pairs.empty:
        return []
    groups = [(ALL_STAGES, pairs), ("small larvae", pairs[pairs["stage"].isin(SMALL_LARVAE)])]
    order = [stage.key for stage in pest.stages] + [UNSTAGED]
    groups += [(stage, pairs[pairs["stage"] == stage]) for stage in order]
    return [_agree(name, rows) for name, rows in groups if len(rows)]


def find_agreement(agreements: Iterable[Agreement]) -> list[Finding]:
    """Return the agreement as findings, a row a stage."""
    return [
        Finding(
            *(What.RECOUNT, one.stage, one.ratio, one.low, one.high),
            detail={"first": one.first, "second": one.second, "bags": one.bags, "same": one.same},
        )
        for one in agreements
    ]


def _pair(counts: Counts) -> pd.DataFrame:
    """Return a row a bag and stage that both counters looked for: first and second."""
    if counts.recounts is None:
        return pd.DataFrame(columns=["sample_id", "stage", "first", "second"])
    keys = ["sample_id", "pest", "stage"]
    first = counts.counts[[*keys, "count"]].rename(columns={"count": "first"})
    second = counts.recounts[[*keys, "count"]].rename(columns={"count": "second"})
    return first.merge(second, on=keys)


def _agree(stage: str, rows: pd.DataFrame) -> Agreement:
    bags = rows.groupby("sample_id")[["first", "second"]].sum()
    alike = rows.assign(same=rows["first"] == rows["second"]).groupby("sample_id")["same"].all()
    first, second = int(bags["first"].sum()), int(bags["second"].sum())
    low, high = recount_interval(first, second)
    ratio = first / second if second else (math.inf if first else math.nan)
    return Agreement(stage, len(bags), int(alike.sum()), first, second, ratio, low, high)


def recount_interval(first: int, second: int) -> tuple[float, float]:
    """Return the interval of first over second, two counts of the same bags.

    Examples
    --------
    >>> [round(end, 3) for end in recount_interval(10, 30)]
    [0.145, 0.701]
    """
    from scipy.special import betaincinv

    both, tail = first + second, (1 - LEVEL) / 2
    if both == 0:
        return math.nan, math.nan
    low = 0.0 if first == 0 else float(betaincinv(first, second + 1, tail))
    high = 1.0 if second == 0 else float(betaincinv(first + 1, second, 1 - tail))
    return low / (1 - low), math.inf if second == 0 else high / (1 - high)
