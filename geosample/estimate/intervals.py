"""Intervals by likelihood: of a mean at small n too, of k, of the border's ratio; and of sums of means.

References
----------
Venzon & Moolgavkar 1988, Applied Statistics 37:87-94 (profile likelihood; from memory, unverified).
Zou & Donner 2008, Statistics in Medicine 27:1693-1702 (MOVER; from memory, unverified).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize, special

from geosample.distributions import (
    FREE_K,
    GROUPS,
    K_IF_UNKNOWN,
    ONE_MEAN,
    POISSON_LOG_K,
    WEAK_K,
    Bags,
    Prior,
    best_common_log_k,
    fit_log_k,
    fit_mean,
    log_likelihood,
    make_likelihood,
    normal_reach,
    profile,
    with_best_means,
    zero_bound,
)
from geosample.estimate.bags import group_bags

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import pandas as pd

    from geosample.distributions import Groups

MANY = 30  # bags from which k is told without shrinking (own choice, no source)
FEWEST_A_SIDE = 3  # bags on each side; fewer say nothing about a ratio
SIDES = ["border", "interior"]
ALL_BORDER = ["collar"]  # a strip round the green, not wide enough to have an inside
_FARTHEST = 12.0  # in log ratio; a likelihood still within the cut there has no limit on that side


@dataclass(frozen=True, slots=True)
class Search:
    """How a likelihood's limit is looked for, on the log scale.

    Parameters
    ----------
    first, growth : float
        The first step out from the best, and how many times longer each next one is.
    farthest : float
        A likelihood still within the cut there has no limit on that side.
    tolerance : float
        How near the limit is to be found.
    """

    first: float
    growth: float
    farthest: float
    tolerance: float


_MEAN_SEARCH = Search(0.25, 1.6, 64.0, 1e-9)  # in log mean
_RATIO_SEARCH = Search(0.3, 1.7, 2 * _FARTHEST, 1e-5)


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its limits, all in the same unit; ``high`` may be infinite."""

    value: float
    low: float
    high: float


def profile_interval(bags: Bags, *, cut: float, prior: Prior = WEAK_K) -> Interval:
    """Return the mean whose profile is within ``cut``/2 of the highest, and the ends of that range.

    Parameters
    ----------
    bags : Bags
        At least one insect among them.
    cut : float
        Drop allowed in twice the log-likelihood: 3.841 is the 95 % point of chi-square with 1 degree of freedom.
    prior : Prior
        Weak knowledge of k.

    Returns
    -------
    Interval
        Per unit of effort.
    """
    data = make_likelihood(bags, prior)
    best = fit_mean(data)
    top = profile(data, best)

    def drop(shift: float) -> float:
        return 2 * (top - profile(data, best * math.exp(shift))) - cut

    below, above = find_limit(lambda shift: drop(-shift), _MEAN_SEARCH), find_limit(drop, _MEAN_SEARCH)
    return Interval(best, best * math.exp(-below), best * math.exp(above))


def mean_interval(bags: Bags, *, level: float = 0.95, prior: Prior = WEAK_K) -> Interval:
    """Return the mean per unit of effort with its interval: profile likelihood, or the zero bound after only zeros.

    Parameters
    ----------
    bags : Bags
        One stratum's bags, or a domain's.
    level : float
        Two-sided confidence, 0 to 1.
    prior : Prior
        Weak knowledge of k; its middle serves the zero bound too, and never above ``K_IF_UNKNOWN`` unless told.

    Notes
    -----
    The cut is the F(1, n - 1) point instead of chi-square's, which alone falls short below some 15 bags.

    Examples
    --------
    >>> count = np.array([0, 0, 0, 1, 0, 2, 0, 0, 5, 0, 1, 0, 0, 0, 3.0])
    >>> found = mean_interval(Bags(count, np.ones(15), np.ones(15)))
    >>> round(found.value, 2), round(found.low, 4), round(found.high, 4)
    (0.8, 0.2896, 2.627)
    """
    if not bags.count.any():
        k = K_IF_UNKNOWN if prior == WEAK_K else math.exp(prior.mean)
        return Interval(0.0, 0.0, zero_bound(bags, tail=(1 - level) / 2, k=k))
    return profile_interval(bags, cut=spread_cut(bags.n_effective, level, prior), prior=prior)


def spread_cut(n: float, level: float, prior: Prior = WEAK_K) -> float:
    """Return the allowed drop in twice the log-likelihood for n bags: the F(1, n - 1) point, or of the prior's df.

    Examples
    --------
    >>> round(spread_cut(15, 0.95), 3)
    4.6
    """
    return float(special.fdtri(1, max(n - 1, prior.df), level))


def combine_means(parts: Sequence[Interval], weights: Sequence[float]) -> Interval:
    """Return a weighted sum of independent means with its interval, from the parts' own intervals (MOVER).

    Parameters
    ----------
    parts : sequence of Interval
        One a stratum; the limits need not be symmetric.
    weights : sequence of float
        Known constants, such as shares of the area; above 0.

    Examples
    --------
    >>> found = combine_means([Interval(1, 0.5, 1.8), Interval(2, 1.2, 3.4)], [0.6, 0.4])
    >>> round(found.value, 2), round(found.low, 6), round(found.high, 6)
    (1.4, 0.961366, 2.137564)
    """
    table = np.array([[part.value, part.low, part.high] for part in parts])
    share = np.asarray(weights, dtype=np.float64)
    value = float(share @ table[:, 0])
    below = math.sqrt(float(((share * (table[:, 0] - table[:, 1])) ** 2).sum()))
    above = math.sqrt(float(((share * (table[:, 2] - table[:, 0])) ** 2).sum()))
    return Interval(value, value - below, value + above)


def stretch(interval: Interval, times: float) -> Interval:
    """Return the interval with both ends so many times as far from the value, as ratios.

    Examples
    --------
    >>> stretch(Interval(2.0, 1.0, 4.0), 2.0)
    Interval(value=2.0, low=0.5, high=8.0)
    """
    value = interval.value
    if value <= 0:
        return interval
    return Interval(value, value * (interval.low / value) ** times, value * (interval.high / value) ** times)


def widen(interval: Interval, log_sd: float, *, level: float = 0.95) -> Interval:
    """Return the interval with the doubt of a factor carried through, on the log scale.

    Parameters
    ----------
    interval : Interval
        Of a value of 0 or more.
    log_sd : float
        Standard deviation of the factor's logarithm; 0 leaves the interval as it is.
    """
    if log_sd == 0:
        return interval
    reach = log_sd * normal_reach(level)
    if interval.value == 0:
        return Interval(0.0, 0.0, interval.high * math.exp(reach))
    below = math.hypot(math.log(interval.value / interval.low), reach) if interval.low > 0 else math.inf
    above = math.hypot(math.log(interval.high / interval.value), reach)
    return Interval(interval.value, interval.value * math.exp(-below), interval.value * math.exp(above))


def find_limit(drop: Callable[[float], float], search: Search) -> float:
    """Return how far from the best the drop allowed is used up; infinite when it never is within the search.

    Examples
    --------
    >>> search = Search(0.25, 1.6, 64.0, 1e-9)
    >>> round(find_limit(lambda shift: shift**2 - 4.0, search), 6), find_limit(lambda shift: -1.0, search)
    (2.0, inf)
    """
    near, far = 0.0, search.first
    while far < search.farthest:
        if drop(far) > 0:
            return float(optimize.brentq(drop, near, far, xtol=search.tolerance))
        near, far = far, far * search.growth
    return math.inf


def fit_k(bags: Bags, *, level: float = 0.95) -> Interval | None:
    """Return k with its profile interval; infinite where the counts are as even as Poisson's.

    Parameters
    ----------
    bags : Bags
        Of one mean.
    level : float
        Two-sided confidence.

    Returns
    -------
    Interval or None
        None when nothing was found.

    Notes
    -----
    The prior is ``WEAK_K`` below ``MANY`` bags and none from there on: small samples overstate k.
    """
    if not bags.count.any():
        return None
    data = make_likelihood(bags, FREE_K if bags.n_effective >= MANY else WEAK_K)
    mean = float(data.weight @ data.count / (data.weight @ data.effort))
    best = fit_log_k(data, mean)
    allowed = spread_cut(bags.n_effective, level)

    def height(log_k: float) -> float:
        return log_likelihood(data, mean, log_k) + float(data.prior.log_density(log_k))

    top = height(best)

    def drop(log_k: float) -> float:
        return 2 * (top - height(log_k)) - allowed

    low, high = _limits(drop, best, ONE_MEAN.log_bounds)
    return Interval(*(math.exp(v) if v < POISSON_LOG_K else math.inf for v in (best, low, high)))


def fit_common_k(groups: Groups, *, level: float = 0.95) -> Interval:
    """Return the k common to groups with means of their own, with its profile interval (weak prior on log k).

    Pooling groups of different means as one would take the spread between their means for clumping.
    """
    best, top = best_common_log_k(groups)
    cut = spread_cut(float(groups.weight.sum()) - groups.n + 1, level)

    def drop(log_k: float) -> float:
        return 2 * (top - with_best_means(groups, 0.0, log_k)) - cut

    low, high = _limits(drop, best, GROUPS.log_bounds)
    return Interval(math.exp(best), math.exp(low), math.exp(high))


def _limits(drop: Callable[[float], float], best: float, ends: tuple[float, float]) -> tuple[float, float]:
    """Return where the drop allowed is used up on both sides of the best; infinite where it is not within the ends."""
    first, last = ends
    low = float(optimize.brentq(drop, first, best)) if drop(first) > 0 else -math.inf
    high = float(optimize.brentq(drop, best, last)) if drop(last) > 0 else math.inf
    return low, high


def border_ratio(bags: pd.DataFrame, *, level: float = 0.95) -> Interval | None:
    """Return border over interior density, common to the kinds given, with its interval.

    Parameters
    ----------
    bags : DataFrame
        Columns kind, part, count, effort_m2, weight_m2.
    level : float
        Two-sided confidence.

    Returns
    -------
    Interval or None
        None when no kind has enough bags on both sides, or nothing was found in any. The ends may be 0 or infinite.
    """
    sides = split_sides(bags)
    if sides is None:
        return None
    best = _best_log_ratio(sides)
    top = _profile(sides, best)
    cut = spread_cut(float(sides.weight.sum()) - sides.n, level)

    def drop(log_ratio: float) -> float:
        return 2 * (top - _profile(sides, log_ratio)) - cut

    low = best - find_limit(lambda shift: drop(best - shift), _RATIO_SEARCH)
    high = best + find_limit(lambda shift: drop(best + shift), _RATIO_SEARCH)
    return Interval(_told(best), _told(low), _told(high))


def split_sides(bags: pd.DataFrame) -> Groups | None:
    """Return the bags of the kinds with enough of them on both sides and any insect; None when there are none."""
    sided = bags[bags["part"].isin(SIDES) & ~bags["kind"].isin(ALL_BORDER)]
    n = sided.groupby(["kind", "part"]).size().unstack(fill_value=0).reindex(columns=SIDES, fill_value=0)
    enough = n.index[n.min(axis=1) >= FEWEST_A_SIDE]
    kept = sided[sided["kind"].isin(enough)]
    return group_bags(kept, "kind", side=np.where(kept["part"] == "border", 1.0, 0.0)) if len(kept) else None


def _profile(sides: Groups, log_ratio: float) -> float:
    return best_common_log_k(sides, log_ratio)[1]


def _best_log_ratio(sides: Groups) -> float:
    def fall(log_ratio: float) -> float:
        return -_profile(sides, log_ratio)

    found = optimize.minimize_scalar(fall, bounds=(-_FARTHEST, _FARTHEST), method="bounded", options={"xatol": 1e-5})
    return float(found.x)


def _told(log_ratio: float) -> float:
    """Return the ratio; beyond reach it is 0 or infinite (one side had no insects at all)."""
    if log_ratio <= 1 - _FARTHEST:
        return 0.0
    return math.exp(log_ratio) if log_ratio < _FARTHEST - 1 else math.inf
