"""Stop lines for the strata of a design: where a sequential plan is sound, with what it would cost and err."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from geosample.design.model import Visit
from geosample.design.sequential import StopPlan, check_stop_plan, expect_stops
from geosample.report import show_table
from geosample.units import Units, percent, show_density

LEAST_BAGS = 5
"""Bags extracted before a stop: fewer tell nothing of the spread (5 for a variance: common practice, no source)."""
_NEVER = 10**9


@dataclass(frozen=True, slots=True)
class StopAsk:
    """Between what densities a stop is to tell.

    Parameters
    ----------
    low_per_m2, high_per_m2 : float
        The density that needs nothing and the one that needs treating, insects per m².
    error : float
        Chance aimed at of a wrong answer at either.
    """

    low_per_m2: float
    high_per_m2: float
    error: float = 0.1


def plan_stop_lines(
    ask: StopAsk, visit: Visit, strata: Sequence[Mapping[str, Any]], *, k: float, why_not: str = ""
) -> list[dict[str, Any]]:
    """Return a plan for each stratum, in plain types, as it stands in ``visit.settings["stop_lines"]``.

    Parameters
    ----------
    ask : StopAsk
        The two densities and the error chance.
    visit : Visit
        Gives the turf in a bag and the plugs pooled.
    strata : sequence of mapping
        The design's strata: ``stratum`` and ``main``.
    k : float
        Negative binomial k of one bag.
    why_not : str
        Why no stratum of this design can have stop lines; empty when they can.

    Returns
    -------
    list of dict
        ``stratum``, ``why_not`` (empty where there is a plan), ``low_per_m2``, ``high_per_m2``, ``k``, ``rows``: a list
        of [plugs, stop at this total or fewer, stop at this or more] with None where a line is not reached yet; and
        ``expect``: a list of {``density_per_m2``, ``says_low``, ``bags``}, exact.

    Raises
    ------
    DesignError
        When the densities, error chance or k can't be.
    """
    return [_plan_one(ask, visit, row, k, why_not) for row in strata]


def _plan_one(ask: StopAsk, visit: Visit, row: Mapping[str, Any], k: float, why_not: str) -> dict[str, Any]:
    bags = int(row["main"])
    means = [density * visit.point_m2 for density in (ask.low_per_m2, ask.high_per_m2)]
    least = min(LEAST_BAGS, max(bags, 1))
    plan = check_stop_plan(
        StopPlan(low=means[0], high=means[1], k=k, alpha=ask.error, beta=ask.error, least=least, most=max(bags, least))
    )
    reason = why_not or (f"only {bags} bags" if bags <= LEAST_BAGS else "")
    densities = [ask.low_per_m2, math.sqrt(ask.low_per_m2 * ask.high_per_m2), ask.high_per_m2]
    expected = [expect_stops(plan, density * visit.point_m2) for density in densities]
    return {
        "stratum": row["stratum"],
        "why_not": reason,
        "low_per_m2": ask.low_per_m2,
        "high_per_m2": ask.high_per_m2,
        "k": k,
        "rows": [] if reason else [_plain_row(plan, n, visit.units_per_point) for n in range(least, bags + 1)],
        "expect": []
        if reason
        else [
            {"density_per_m2": density, "says_low": low, "bags": number}
            for density, (low, number) in zip(densities, expected, strict=True)
        ],
    }


def _plain_row(plan: StopPlan, bags: int, plugs: int) -> list[int | None]:
    low, high = plan.limits(bags)
    return [bags * plugs, None if low < 0 else low, None if high >= _NEVER else high]


def tell_stop_lines(plans: Sequence[Mapping[str, Any]], bags: Mapping[str, int], units: Units) -> list[str]:
    """Return the lines a person reads: what each stratum's stop lines cost and how often they err.

    Parameters
    ----------
    plans : sequence of mapping
        As ``plan_stop_lines`` gives them.
    bags : mapping of str to int
        Stratum -> bags pulled.
    units : str
        ``us`` or ``metric``.
    """
    if not plans:
        return []
    low, high = (show_density(plans[0][f"{end}_per_m2"], units) for end in ("low", "high"))
    rows = [
        [
            plan["stratum"],
            f"{bags[plan['stratum']]}",
            *(percent(at["says_low"] if n == 0 else 1 - at["says_low"]) for n, at in _ends(plan)),
            *(f"{at['bags']:.0f}" for at in plan["expect"]),
        ]
        for plan in plans
        if not plan["why_not"]
    ]
    heads = ["stratum", "bags", f"right at {low}", f"right at {high}", "bags at low", "between", "at high"]
    none = [f"No stop lines for {plan['stratum']}: {plan['why_not']}." for plan in plans if plan["why_not"]]
    table = show_table(heads, rows) if rows else []
    return [f"Stop lines for extraction, k {plans[0]['k']:.2g} a bag (all plugs are pulled):", *table, *none]


def _ends(plan: Mapping[str, Any]) -> list[tuple[int, Mapping[str, Any]]]:
    return [(0, plan["expect"][0]), (2, plan["expect"][-1])]
