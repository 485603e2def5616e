"""How many points: what a number of them buys and takes, how the strata share them, and when the bench may stop.

Stop lines are Wald's boundaries for negative binomial counts, cut off, with what they cost and err.

References
----------
Bliss & Fisher 1953, Biometrics 9:176-200: negative binomial counts have the variance m + m² / k, m and k per bag, so
that (SE / mean)² = (1 / m + 1 / k) / n.
Wright 2012, The equivalence of Neyman optimum allocation for sampling and equal proportions for apportioning the
U.S. House of Representatives, The American Statistician 66:217-224.
Wright 2017, Exact optimal sample allocation, Statistics and Probability Letters 129:50-57.
Bankier 1988, Power allocations, The American Statistician 42:174-177 (power 0.5).
Wald 1947, Sequential Analysis, Wiley.
Binns, Nyrop & van der Werf 2000, Sampling and Monitoring in Crop Protection, CABI, chapter 5.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from geosample import distributions
from geosample.design.frame import FINEST_M
from geosample.distributions import K_IF_UNKNOWN, normal_quantile, normal_reach, relative_variance
from geosample.errors import DesignError, Problem

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from geosample.design.request import Request


MOST_POINTS = 20_000
MORE_POINTS = 10
"""What so many more points would tell and take is told."""
POINTS_SHOWN = (20, 40, 80, 160)
PLUGS_SHOWN = (1, 3, 6)
_ON_THE_ROUND = {"pull": 0.3, "fill": 0.2, "label": 0.5}
MINUTES = {
    "brine": {**_ON_THE_ROUND, "batch": 22.5, "count": 2.0},
    "heat": {**_ON_THE_ROUND, "batch": 48 * 60.0, "count": 10.0},
}
"""What the work takes by the way of extraction, minutes: to pull a plug and to fill its hole, to label a bag, a batch
(brine 20-25 min all told, heat 48 h: common practice, no source), to count a bag under a lens, with heat crumbling it
before. The others are from memory, unverified."""
WALK_M_PER_S = 1.25
"""How fast people walk with their kit: 4.5 km or 2.8 miles an hour (from memory, unverified)."""
BEGIN = "7:00"
"""When the day begins, by the clock (own choice)."""
CONTAINERS = 6
"""Bags extracted at once (common practice, no source: as many as the containers, salt or funnels allow)."""
PULLS: dict[str, Callable[[np.ndarray, np.ndarray], np.ndarray]] = {
    "power": lambda area, _: np.sqrt(area),
    "proportional": lambda area, _: area,
    "equal": lambda area, _: np.ones_like(area),
    "optimal": lambda area, sd: area * sd,
}
"""What a stratum pulls with, from its area and the standard deviation expected of a point in it, by the allocation's
name in ``words.ALLOCATIONS``; ``power`` is by the root of the area."""
_FEWEST = 2
"""Points without which a stratum has no variance."""


def precision_of(points: int, mean: float, k: float = K_IF_UNKNOWN) -> float:
    """Return the standard error over the mean that so many points give.

    Parameters
    ----------
    points : int
        Points counted.
    mean : float
        Mean count of one bag.
    k : float
        Negative binomial k of one bag; pooled plugs have m times a plug's k only where plugs are independent.

    Examples
    --------
    >>> round(precision_of(48, 0.5, 1.0), 6)
    0.25
    """
    return math.sqrt(relative_variance(mean, k) / points)


def points_for(precision: float, mean: float, k: float = K_IF_UNKNOWN) -> int:
    """Return the number of points for a standard error of this share of the mean.

    Parameters
    ----------
    precision : float
        Standard error over the mean, above 0.
    mean : float
        Mean count of one bag.
    k : float
        Negative binomial k of one bag.

    Examples
    --------
    >>> points_for(0.25, 2.0, 1.5936)
    19
    """
    return max(2, math.ceil(relative_variance(mean, k) / precision**2 - 1e-9))


def points_to_tell(mean: float, bound: float, k: float = K_IF_UNKNOWN, *, chance: float = 0.8) -> int:
    """Return the points with which a mean is told from a bound, by a 95 % interval, with the chance given.

    Notes
    -----
    Normal approximation on the log scale: (1 / m + 1 / k) ((z.975 + z_chance) / ln(m / bound))².

    Examples
    --------
    >>> points_to_tell(2.0, 4.0, 1.0), points_to_tell(2.0, 2.2, 1.0)
    (25, 1297)
    """
    reach = normal_reach(0.95) + normal_quantile(chance)
    return max(2, math.ceil(relative_variance(mean, k) * (reach / math.log(mean / bound)) ** 2))


def pooled_bags(mean_a_plug: float, plugs: int, *, precision: float = 0.25) -> tuple[int, int]:
    """Return the bags needed when a bag's plugs are alike (share one k), and when they are independent (k a plug).

    Examples
    --------
    >>> pooled_bags(1.0, 1), pooled_bags(1.0, 6)
    ((48, 48), (35, 8))
    """
    mean = mean_a_plug * plugs
    alike, apart = (math.ceil(relative_variance(mean, k) / precision**2) for k in (K_IF_UNKNOWN, K_IF_UNKNOWN * plugs))
    return alike, apart


@dataclass(frozen=True, slots=True)
class Bench:
    """Who and what is at hand, and what the work takes.

    Parameters
    ----------
    hours : float, optional
        Hours in all, walking, pulling and extracting; None where nobody set any.
    people : int
        People at work.
    containers : int
        Bags extracted at once: closed containers for brine, funnels with their lamps for heat.
    extraction : str
        ``brine`` or ``heat``.
    plugs_pooled, bags_a_point : int
        Plugs in a bag, and bags from a point.
    walk_m_per_s : float
        How fast people walk, m/s.
    minutes : sequence of (str, float)
        The user's own minutes by the names in ``MINUTES``.
    begin : str
        When the day begins, ``7:00``.
    """

    hours: float | None = None
    people: int = 1
    containers: int = CONTAINERS
    extraction: str = "brine"
    plugs_pooled: int = 3
    bags_a_point: int = 1
    walk_m_per_s: float = WALK_M_PER_S
    minutes: Sequence[tuple[str, float]] = ()
    begin: str = BEGIN

    def takes(self, what: str) -> float:
        """Return the minutes of a piece of work."""
        return float(dict(self.minutes).get(what, MINUTES[self.extraction][what]))

    @property
    def stop_minutes(self) -> float:
        """A person's time at a point: to pull its plugs, fill the holes and label the bags."""
        return self.bags_a_point * (self.plugs_pooled * (self.takes("pull") + self.takes("fill")) + self.takes("label"))


def time_parts(points: int, bench: Bench, *, walk_m: float = 0.0, pulled: int | None = None) -> dict[str, float]:
    """Return the minutes of each part of the work, done one after the other: the longest round, then the bench.

    Parameters
    ----------
    points : int
        Points in all.
    bench : Bench
        Who and what is at hand.
    walk_m : float
        The walk of the longest round, m.
    pulled : int, optional
        Points of that round; an even share when None.

    Examples
    --------
    >>> time_parts(90, Bench(people=2), walk_m=1500.0)
    {'walk': 20.0, 'pull': 40.5, 'fill': 27.0, 'label': 22.5, 'batch': 337.5, 'count': 90.0}
    """
    pulled = math.ceil(points / bench.people) if pulled is None else pulled
    bags = points * bench.bags_a_point
    each = {"pull": bench.plugs_pooled, "fill": bench.plugs_pooled, "label": 1}
    return {
        "walk": walk_m / bench.walk_m_per_s / 60,
        **{what: pulled * bench.bags_a_point * number * bench.takes(what) for what, number in each.items()},
        "batch": math.ceil(bags / bench.containers) * bench.takes("batch"),
        "count": bags * bench.takes("count") / bench.people,
    }


def hours_for(points: int, bench: Bench, *, walk_m: float = 0.0, pulled: int | None = None) -> float:
    """Return the hours that so many points take, as ``time_parts`` tells them.

    Examples
    --------
    >>> [round(hours_for(90, bench), 2) for bench in (Bench(containers=1), Bench(people=2))]
    [39.75, 8.62]
    """
    return sum(time_parts(points, bench, walk_m=walk_m, pulled=pulled).values()) / 60


def points_in_hours(bench: Bench, walk_m: float = 0.0) -> int:
    """Return how many points can be pulled and extracted in the hours at hand, beside a walk of this length.

    Examples
    --------
    >>> points_in_hours(Bench(hours=8, containers=1)), points_in_hours(Bench(hours=8, people=2), walk_m=1500.0)
    (18, 78)
    """
    over = (n for n in range(1, MOST_POINTS + 1) if hours_for(n, bench, walk_m=walk_m) > (bench.hours or 0.0))
    return next(over, MOST_POINTS + 1) - 1


@dataclass(frozen=True, slots=True)
class Quota:
    """How many points a stratum is to have, main and reserve, and the order of its cells where that matters."""

    main: int
    reserve: int
    order: np.ndarray | None = None

    @property
    def all(self) -> int:
        """Main and reserve points together."""
        return self.main + self.reserve


def share_request(target: gpd.GeoDataFrame, request: Request, point_m2: float) -> dict[str, Quota]:
    """Return the number of main and reserve points of each stratum, in the target's order.

    Parameters
    ----------
    target : GeoDataFrame
        The target area by stratum and surface.
    request : Request
        Points, allocation, minimum, reserve.
    point_m2 : float
        Turf taken at one point, m².

    Raises
    ------
    DesignError
        When a stratum has no room for its points, or there are too few points for the strata.
    """
    strata = target.groupby("stratum", sort=False)
    areas, kinds = strata["area_m2"].sum(), strata["kind"].first()
    _check_names(kinds, request)
    _check_surfaces(target, point_m2)
    minimum = max(min(request.minimum, request.points // len(areas)), min(_FEWEST, request.minimum))
    pull = PULLS[request.allocation](areas.to_numpy(dtype=float), expect_sd(kinds, request, point_m2))
    caps = _find(dict(request.most), kinds, request.points)
    main = share_points(request.points, pull.tolist(), minimum=[min(minimum, cap) for cap in caps], most=caps)
    quotas = {name: Quota(n, math.ceil(request.reserve * n - 1e-9)) for name, n in zip(areas.index, main, strict=True)}
    crowded = [
        Problem(
            f"stratum {name}",
            f"{quotas[name].main} main and {quotas[name].reserve} reserve points on {area:.2f} m²",
            f"at most {room_for_points(area)} there, one to two cells of {FINEST_M:g} m",
            "ask for fewer points or a smaller `minimum` or `reserve`",
        )
        for name, area in areas.items()
        if quotas[name].all > room_for_points(area)
    ]
    if crowded:
        raise DesignError(crowded)
    return quotas


def expect_sd(kinds: pd.Series, request: Request, point_m2: float) -> np.ndarray:
    """Return the standard deviation expected of a bag's count in each stratum, shape (n,): 1 where nothing is known.

    Parameters
    ----------
    kinds : Series
        Stratum -> its kind.
    request : Request
        Densities expected by stratum or kind, and k.
    point_m2 : float
        Turf in a bag, m².

    Notes
    -----
    Negative binomial: variance mean + mean² / k (Bliss & Fisher 1953).
    """
    if not request.expected:
        return np.ones(len(kinds))
    known = dict(request.expected)
    middle = float(np.mean(list(known.values())))
    means = np.maximum(np.array(_find(known, kinds, middle)) * point_m2, 1e-3)
    return np.asarray(np.sqrt(means + means**2 / (request.k or K_IF_UNKNOWN)))


Number = TypeVar("Number", int, float)


def _find(known: Mapping[str, Number], kinds: pd.Series, otherwise: Number) -> list[Number]:
    return [known.get(str(name), known.get(str(kind), otherwise)) for name, kind in kinds.items()]


def _check_names(kinds: pd.Series, request: Request) -> None:
    """Refuse a cap of no stratum, and densities none of which is for one here: an earlier visit may have had others."""
    there = {*map(str, kinds.index), *map(str, kinds)}
    wrong = [("most", name) for name, _ in request.most if name not in there]
    if request.expected and not any(name in there for name, _ in request.expected):
        wrong += [("expected", name) for name, _ in request.expected]
    allowed = f"of: {', '.join(sorted(there))}"
    if wrong:
        raise DesignError([Problem(where, repr(name), allowed, "name a stratum or a kind") for where, name in wrong])


def room_for_points(area_m2: float) -> int:
    """Return how many points an area can hold: one to every two of the finest cells."""
    return int(area_m2 / (2 * FINEST_M**2))


def _check_surfaces(target: gpd.GeoDataFrame, point_m2: float) -> None:
    areas = target.groupby("surface_id", sort=False)["area_m2"].sum()
    expected = f"more than one point takes, {point_m2:.4f} m²"
    remedy = "leave it out, mend its polygon, or pull less turf at a point"
    small = [
        Problem(f"surface {name}", f"{area:.4f} m²", expected, remedy) for name, area in areas[areas < point_m2].items()
    ]
    if small:
        raise DesignError(small)


def share_points(
    points: int, want: Sequence[float], *, minimum: Sequence[int], most: Sequence[int] | None = None
) -> list[int]:
    """Return the whole numbers of points that make the sum of want² / n smallest.

    Parameters
    ----------
    points : int
        Points to share.
    want : sequence of float
        What each stratum pulls with: area x standard deviation (over the root of the cost) for Wright's optimum,
        area for a proportional share, the root of the area for a power share, 1 for equal shares.
    minimum, most : sequence of int
        Fewest and most points of each stratum; no limit above when ``most`` is None.

    Raises
    ------
    DesignError
        When the minimums need more points than there are, or the limits hold fewer.

    Notes
    -----
    Priority values: one point at a time to the stratum with the largest want / root(n (n + 1)), which gives the exact
    integer optimum.

    Examples
    --------
    >>> share_points(58, [1550 * 5, 620 * 15, 930 * 10], minimum=[1, 1, 1])
    [17, 21, 20]
    """
    given = list(minimum)
    limit = [points] * len(given) if most is None else list(most)
    _check_limits(points, given, limit)
    heap = [(_priority(want[h], given[h]), h) for h in range(len(given)) if given[h] < limit[h]]
    heapq.heapify(heap)
    for _ in range(points - sum(given)):
        _, h = heapq.heappop(heap)
        given[h] += 1
        if given[h] < limit[h]:
            heapq.heappush(heap, (_priority(want[h], given[h]), h))
    return given


def _priority(want: float, given: int) -> float:
    """Return the priority with its sign turned, as a heap gives the smallest first."""
    return -want / np.sqrt(given * (given + 1)) if given else -np.inf


def _check_limits(points: int, minimum: list[int], most: list[int]) -> None:
    low, high = sum(minimum), sum(most)
    if low > points:
        found = f"{points} points for {len(minimum)} strata that need {low} between them"
        remedy = f"ask for `points={low}` or more, a smaller `minimum`, or fewer strata"
        raise DesignError(Problem("points", found, f"at least {low}", remedy))
    if high < points or any(a > b for a, b in zip(minimum, most, strict=True)):
        found = f"{points} points where the strata hold {high}"
        raise DesignError(Problem("points", found, f"at most {high}", "ask for fewer points, or sample more ground"))


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
        np.exp(distributions.log_pmf(np.arange(float(top)), mean, plan.k)), 1 - distributions.cdf(top - 1, mean, plan.k)
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
