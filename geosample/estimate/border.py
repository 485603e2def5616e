"""Does the border hold more? The ratio of border to interior density, by kind and common to the kinds.

The model is negative binomial with a mean for each kind, one border ratio and one k; its profile likelihood gives the
interval. Collars and other ground that is all border have no interior and stay out.

References
----------
Venzon & Moolgavkar 1988, Applied Statistics 37:87-94 (profile likelihood; from memory, unverified).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize

from geosample.estimate.bags import group_bags
from geosample.estimate.intervals import Interval, Search, find_limit, spread_cut
from geosample.negbin import best_common_log_k

if TYPE_CHECKING:
    import pandas as pd

    from geosample.negbin import Groups

FEWEST_A_SIDE = 3  # bags on each side; fewer say nothing about a ratio
SIDES = ["border", "interior"]
ALL_BORDER = ["collar"]  # a strip round the green, not wide enough to have an inside
_FARTHEST = 12.0  # in log ratio; a likelihood still within the cut there has no limit on that side
_SEARCH = Search(0.3, 1.7, 2 * _FARTHEST, 1e-5)


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

    low = best - find_limit(lambda shift: drop(best - shift), _SEARCH)
    high = best + find_limit(lambda shift: drop(best + shift), _SEARCH)
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
