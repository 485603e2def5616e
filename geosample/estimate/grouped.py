"""Counts in groups with means of their own, one ratio between the two sides of each, and one k.

For a given ratio and k each group's mean is found by Newton steps of its own, all groups at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize, special

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence

    import pandas as pd
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LOG_K_RANGE = (-5.0, 8.0)
_NEWTON_STEPS = 40
_TOLERANCE = 1e-10


@dataclass(frozen=True, slots=True)
class Groups:
    """Counts in groups that share a ratio between their sides and a k.

    Parameters
    ----------
    count, effort, weight : ndarray, shape (n,)
        As in ``Bags``; weights sum to the effective number of bags within each group and side.
    group : ndarray of int, shape (n,)
        Which group, from 0, none empty and none without an insect.
    side : ndarray of float, shape (n,)
        1 where the ratio applies (the border), 0 elsewhere.
    """

    count: Floats
    effort: Floats
    weight: Floats
    group: NDArray[np.int64]
    side: Floats


def group_bags(bags: pd.DataFrame, column: str, *, side: Floats | None = None) -> Groups | None:
    """Return the bags in the groups of a column, those without any insect left out; None when all are.

    Parameters
    ----------
    bags : DataFrame
        count, effort_m2, weight_m2 and the column.
    side : ndarray of float, shape (n,), optional
        1 where the ratio applies; 0 everywhere when None.
    """
    found = bags.groupby(column)["count"].sum()
    names: Sequence[Hashable] = [name for name in found.index if found[name] > 0]
    kept = bags[column].isin(names).to_numpy()
    if not kept.any():
        return None
    mine = bags[kept]
    sides = np.zeros(len(mine)) if side is None else side[kept]
    cell = [mine[column].to_numpy(), sides]
    raw = mine["weight_m2"]
    weight = raw * raw.groupby(cell).transform("sum") / (raw**2).groupby(cell).transform("sum")
    count, effort = (mine[name].to_numpy(dtype=np.float64) for name in ("count", "effort_m2"))
    order = {name: place for place, name in enumerate(names)}
    group = np.array([order[name] for name in mine[column]], dtype=np.int64)
    return Groups(count, effort, weight.to_numpy(dtype=np.float64), group, sides)


def best_log_k(groups: Groups, log_ratio: float) -> tuple[float, float]:
    """Return the best log k at a log ratio, and the penalised log-likelihood there."""

    def fall(log_k: float) -> float:
        return -with_best_means(groups, log_ratio, log_k)

    found = optimize.minimize_scalar(fall, bounds=LOG_K_RANGE, method="bounded", options={"xatol": 1e-5})
    return float(found.x), -float(found.fun)


def with_best_means(groups: Groups, log_ratio: float, log_k: float) -> float:
    """Return the log-likelihood at a log ratio and log k with the groups' best means, weak prior on log k included."""
    k = math.exp(log_k)
    effort = groups.effort * np.exp(log_ratio * groups.side)
    log_mean = _start_means(groups, effort)
    for _ in range(_NEWTON_STEPS):
        expected = effort * np.exp(log_mean[groups.group])
        pull = k / (k + expected)
        score = np.bincount(groups.group, groups.weight * (groups.count - expected) * pull)
        bend = np.bincount(groups.group, groups.weight * expected * pull * (k + groups.count) / (k + expected))
        step = np.clip(score / bend, -1.0, 1.0)
        log_mean = log_mean + step
        if float(np.abs(step).max()) < _TOLERANCE:
            break
    expected = effort * np.exp(log_mean[groups.group])
    each = special.gammaln(groups.count + k) - special.gammaln(k) - k * np.log1p(expected / k)
    each = each + special.xlogy(groups.count, expected / (k + expected))
    return float(groups.weight @ each) - 0.5 * log_k**2


def _start_means(groups: Groups, effort: Floats) -> Floats:
    found = np.bincount(groups.group, groups.weight * groups.count)
    searched = np.bincount(groups.group, groups.weight * effort)
    return np.asarray(np.log(found / searched))
