"""The stage mix: shares of the life stages, weighted by the design and clustered by point, with joint intervals.

Insects of one bag are not independent, so that the number of insects overstates what is known; the intervals use the
effective number instead, from the variance between points.

References
----------
Korn & Graubard 1998, Survey Methodology 24:193-201 (exact limits at the effective size; from memory, unverified).
Rao & Scott 1981, JASA 76:221-230 (mean design effect; from memory, unverified).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import betaincinv, stdtr

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geosample.estimate.bags import Catch
    from geosample.pests import Pest

    Floats = NDArray[np.float64]

FEWEST_POINTS = 3  # points with insects; below that no share can be told


@dataclass(frozen=True, slots=True)
class Mix:
    """Shares of stages or groups of stages.

    Parameters
    ----------
    shares : DataFrame
        Index the stage or group, in the order of life; columns share, low, high (0 to 1), found (insects).
    level : float
        Confidence that all the intervals hold together.
    n_points, n_found : int
        Points with any insect; insects.
    n_effective : float
        Independent insects that would tell as much.
    lead : float
        Confidence that the commonest is commoner than the next, 0 to 1; missing when it can't be told.
    """

    shares: pd.DataFrame
    level: float
    n_points: int
    n_found: int
    n_effective: float
    lead: float


def mix_stages(catch: Catch, pest: Pest, *, grouped: bool, level: float = 0.95) -> Mix | None:
    """Return the shares of the stages, or of their groups; None when fewer than three points had any insect.

    Parameters
    ----------
    catch : Catch
        The visit's bags.
    pest : Pest
        The profile, for order and groups.
    grouped : bool
        Add stages of one group together.
    level : float
        Confidence that all intervals hold together (Bonferroni).
    """
    found, density = _in_order(catch, pest, grouped)
    seen = found.sum(axis=1) > 0
    if int(seen.sum()) < FEWEST_POINTS:
        return None
    amount = density.mul(catch.bags["weight_m2"].to_numpy(), axis=0).to_numpy()
    strata = catch.bags["stratum"].to_numpy()
    share = amount.sum(axis=0) / amount.sum()
    errors = (amount - amount.sum(axis=1, keepdims=True) * share) / amount.sum()
    covariance = _between_points(errors, strata)
    n_found = int(found.to_numpy().sum())
    n_effective = _effective_size(share, covariance, n_found)
    low, high = _exact_limits(share, n_effective, (1 - level) / (2 * len(share)))
    table = pd.DataFrame({"share": share, "low": low, "high": high, "found": found.sum()}, index=found.columns)
    lead = _lead(share, covariance, int(seen.sum()))
    return Mix(table, level, int(seen.sum()), n_found, n_effective, lead)


def _in_order(catch: Catch, pest: Pest, grouped: bool) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return counts and densities, a column a stage or group in the order of life."""
    stages = [s.key for s in pest.stages]
    known = [s for s in stages if s in catch.found.columns]
    others = sorted(set(catch.found.columns) - set(stages))
    found = catch.found[[*known, *others]].fillna(0.0)
    density = (found / catch.efforts[found.columns]).fillna(0.0)
    if not grouped:
        return found, density
    groups = [pest.group_of(stage) for stage in found.columns]
    names = list(dict.fromkeys(groups))
    return tuple(frame.T.groupby(groups).sum().T[names] for frame in (found, density))  # type: ignore[return-value]


def _between_points(errors: Floats, strata: NDArray[np.object_]) -> Floats:
    """Return the covariance of the shares from the spread between points within strata."""
    total = np.zeros((errors.shape[1], errors.shape[1]))
    for stratum in pd.unique(strata):
        mine = errors[strata == stratum]
        if len(mine) > 1:
            centred = mine - mine.mean(axis=0)
            total += len(mine) / (len(mine) - 1) * centred.T @ centred
    return total


def _effective_size(share: Floats, covariance: Floats, n_found: int) -> float:
    """Return the insects divided by the mean design effect over the shares, never more than the insects."""
    real = share > 0
    if int(real.sum()) < 2:  # noqa: PLR2004
        return float(n_found)
    effects = n_found * np.diag(covariance)[real] / (share[real] * (1 - share[real]))
    mean_effect = float(np.average(effects, weights=1 - share[real]))
    return n_found / max(mean_effect, 1.0)


def _exact_limits(share: Floats, n: float, tail: float) -> tuple[Floats, Floats]:
    """Return Clopper-Pearson limits at an effective number that need not be whole."""
    hit = share * n
    low = np.where(hit > 0, betaincinv(np.maximum(hit, 1e-12), n - hit + 1, tail), 0.0)
    high = np.where(hit < n, betaincinv(hit + 1, np.maximum(n - hit, 1e-12), 1 - tail), 1.0)
    return low, high


def _lead(share: Floats, covariance: Floats, n_points: int) -> float:
    """Return the one-sided confidence that the largest share is larger than the second."""
    if share.size < 2:  # noqa: PLR2004
        return float("nan")
    first, second = np.argsort(-share, kind="stable")[:2]
    variance = covariance[first, first] + covariance[second, second] - 2 * covariance[first, second]
    gap = float(share[first] - share[second])
    if variance <= 0:
        return float("nan")
    return float(stdtr(n_points - 1, gap / variance**0.5))
