"""Stop lines for extraction: Wald's boundaries for negative binomial counts, cut off, with what they cost and err.

References
----------
Wald 1947, Sequential Analysis, Wiley.
Binns, Nyrop & van der Werf 2000, Sampling and Monitoring in Crop Protection, CABI, chapter 5.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from geosample import negbin
from geosample.errors import DesignError, Problem

if TYPE_CHECKING:
    from geosample.design.request import Request

LEAST_BAGS = 5
"""Bags extracted before a stop: fewer tell nothing of the spread (5 for a variance: common practice, no source)."""
WHY_NO_STOPS = ("edge_weight", "method", "split", "kept", "few_bags")
"""Why a stratum has no stop lines: its density rises to the edge, its points are no balanced or random sample in any
order, its plugs are split between methods, kept points make its density uneven, it has no more than ``LEAST_BAGS``."""
_NEVER = 10**9


@dataclass(frozen=True, slots=True, kw_only=True)
class StopPlan:
    """A sequential plan on counts per bag.

    Parameters
    ----------
    low, high : float
        Mean count per bag that needs nothing, and that needs treating.
    k : float
        Negative binomial k per bag.
    alpha, beta : float
        Chance aimed at of calling low "high", and high "low".
    least, most : int
        Fewest bags before a stop; most bags, where the slope decides.
    """

    low: float
    high: float
    k: float
    alpha: float = 0.1
    beta: float = 0.1
    least: int = 1
    most: int = 60

    @property
    def _log_odds(self) -> float:
        return math.log(self.high * (self.k + self.low) / (self.low * (self.k + self.high)))

    @property
    def slope(self) -> float:
        """Count per bag along which both lines rise."""
        return self.k * math.log((self.k + self.high) / (self.k + self.low)) / self._log_odds

    @property
    def intercepts(self) -> tuple[float, float]:
        """Where the low and the high line start, in counts."""
        low = math.log(self.beta / (1 - self.alpha)) / self._log_odds
        return low, math.log((1 - self.beta) / self.alpha) / self._log_odds

    def limits(self, bags: int) -> tuple[int, int]:
        """Return the totals to stop at after so many bags: this or fewer (-1: never), this or more.

        Examples
        --------
        >>> plan = StopPlan(low=0.5, high=1.5, k=0.8)
        >>> plan.limits(5), plan.limits(20)
        ((0, 9), (13, 22))
        """
        middle = self.slope * bags
        if bags >= self.most:
            return math.floor(middle), math.floor(middle) + 1
        if bags < self.least:
            return -1, _NEVER
        low, high = self.intercepts
        return max(math.floor(low + middle), -1), math.ceil(high + middle)


def check_stop_plan(plan: StopPlan) -> StopPlan:
    """Return the plan once it has been checked.

    Raises
    ------
    DesignError
        When the means, k, chances or numbers of bags can't be.
    """
    rules = [
        ("means", 0 < plan.low < plan.high, f"{plan.low:g} and {plan.high:g}", "0 < low < high"),
        ("k", plan.k > 0, f"{plan.k:g}", "more than 0"),
        ("error chances", 0 < plan.alpha < 0.5 > plan.beta > 0, f"{plan.alpha:g}, {plan.beta:g}", "between 0 and 0.5"),  # noqa: PLR2004
        ("bags", 1 <= plan.least <= plan.most <= 1000, f"{plan.least} to {plan.most}", "1 <= least <= most <= 1000"),  # noqa: PLR2004
    ]
    wrong = [Problem(f"stop plan: {what}", found, want, "change it") for what, fine, found, want in rules if not fine]
    if wrong:
        raise DesignError(wrong)
    return plan


def expect_stops(plan: StopPlan, mean: float) -> tuple[float, float]:
    """Return the chance of the answer "low" and the expected number of bags, exactly.

    Parameters
    ----------
    plan : StopPlan
        The plan in use.
    mean : float
        True mean count per bag.

    Notes
    -----
    The distribution of the running total inside the lines is carried from bag to bag. Wald's own approximations are
    far off at the sizes used here (the plan below, at a mean of its slope: 9.6 bags by his, 14.5 in truth), so they are
    not offered.

    Examples
    --------
    >>> low, bags = expect_stops(StopPlan(low=0.5, high=1.5, k=0.8), 0.5)
    >>> round(low, 4), round(bags, 3)
    (0.952, 11.126)
    """
    top = math.ceil(plan.intercepts[1] + plan.slope * plan.most) + 1
    # The last bin holds every total from there on, so that none is lost before the first stop is allowed.
    count = np.append(
        np.exp(negbin.log_pmf(np.arange(float(top)), mean, plan.k)), 1 - negbin.cdf(top - 1, mean, plan.k)
    )
    inside = np.zeros(top + 1)
    inside[0] = 1.0
    said_low = bags = 0.0
    for n in range(1, plan.most + 1):
        bags += float(inside.sum())
        totals = np.convolve(inside, count)
        inside = np.append(totals[:top], totals[top:].sum())
        low, high = plan.limits(n)
        said_low += float(inside[: low + 1].sum())
        inside[: low + 1] = 0.0
        inside[min(high, top + 1) :] = 0.0
    return said_low, bags


def plan_stop_lines(
    strata: Sequence[Mapping[str, Any]], request: Request, *, point_m2: float, plugs: int, k: float
) -> list[dict[str, Any]]:
    """Return a plan for each stratum, in plain types, as it stands in ``visit.settings["stop_lines"]``.

    Parameters
    ----------
    strata : sequence of mapping
        The design's strata: ``stratum`` and ``main``.
    request : Request
        The two densities, and how the points were drawn: where a total means nothing, no stratum has stop lines.
    point_m2 : float
        Turf in a bag, m².
    plugs : int
        Plugs pooled in a bag.
    k : float
        Negative binomial k of one bag.

    Returns
    -------
    list of dict
        ``stratum``, ``bags``, ``why_not`` (empty where there is a plan, else one of ``WHY_NO_STOPS``), ``low_per_m2``,
        ``high_per_m2``, ``k``, ``rows``: a list of [plugs, stop at this total or fewer, stop at this or more] with None
        where a line is not reached yet; and ``expect``: a list of {``density_per_m2``, ``says_low``, ``bags``}, exact.

    Raises
    ------
    DesignError
        When the densities or k can't be.
    """
    low_per_m2, high_per_m2 = request.stop_low_per_m2 or 0.0, request.stop_high_per_m2 or 0.0
    why_not = _why_no_stops(request)
    plans = []
    for row in strata:
        bags = int(row["main"])
        least = min(LEAST_BAGS, max(bags, 1))
        means = {"low": low_per_m2 * point_m2, "high": high_per_m2 * point_m2}
        plan = check_stop_plan(StopPlan(**means, k=k, least=least, most=max(bags, least)))
        reason = why_not or ("few_bags" if bags <= LEAST_BAGS else "")
        densities = [] if reason else [low_per_m2, math.sqrt(low_per_m2 * high_per_m2), high_per_m2]
        expected = [(density, *expect_stops(plan, density * point_m2)) for density in densities]
        limits = [] if reason else [(n, *plan.limits(n)) for n in range(least, bags + 1)]
        plans.append(
            {
                "stratum": row["stratum"],
                "bags": bags,
                "why_not": reason,
                "low_per_m2": low_per_m2,
                "high_per_m2": high_per_m2,
                "k": k,
                "rows": [[n * plugs, None if a < 0 else a, None if b >= _NEVER else b] for n, a, b in limits],
                "expect": [{"density_per_m2": d, "says_low": low, "bags": number} for d, low, number in expected],
            }
        )
    return plans


def _why_no_stops(request: Request) -> str:
    if request.border_weight != 1:
        return "edge_weight"
    if request.method not in {"balanced", "random"}:
        return "method"
    if request.compare:
        return "split"
    return "kept" if request.keep else ""
