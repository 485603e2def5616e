"""How good the map is: its foretelling of counts left out, one by one and by blocks, beside plainer ways to foretell.

Scores of predictive distributions are mean negative log probabilities and CRPS: the lower the better.

References
----------
Gneiting & Raftery 2007, JASA 102:359-378 (proper scores); Czado, Gneiting & Held 2009, Biometrics 65:1254-1261 (PIT).
Shepard 1968, A two-dimensional interpolation function for irregularly-spaced data, Proc. 23rd ACM conference, 517-524.
Roberts et al. 2017, Ecography 40:913-929 (cross-validation by blocks).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from scipy.spatial.distance import cdist
from threadpoolctl import threadpool_limits

from geosample.density.laplace import (
    MixedField,
    Predictive,
    Sites,
    fit_even,
    leave_one_out,
    mix_foretold,
    mix_lognormal,
    settle_effects,
)
from geosample.distributions import expect, fit_k_around, log_none, normal_reach, slopes

if TYPE_CHECKING:
    from geosample.density.field import CountField

Answer = Literal["yes", "a little", "no"]
HOLD_LEVELS = (0.5, 0.8, 0.9)
LEVEL = 0.9
"""Of the interval of the gain over samples."""
MOST_FOLDS = 10
"""Groups of blocks left out in turn (own choice)."""
POWERS = (0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0)
_ALONE, _FEWEST_JUDGED = 0.5, 10
"""A sample that makes more than half of all gains and losses tells of itself, not of the map (own choice)."""
_TOUCHING_M = 1e-3
_TOLD_IN_ONES = 200.0
_MOST_COUNTED = 20_000
_LEFT_OUT = 1e-7


@dataclass(frozen=True, slots=True)
class BlockScores:
    """Scores of counts foretold from other blocks of ground, spread, range and k kept.

    Parameters
    ----------
    block_m : float
        Side of the square blocks, m.
    blocks, folds : int
        Blocks that hold samples, and groups of them left out in turn.
    log_score : dict of str to float
        Of the map and of one average for all; the lower the better.
    """

    block_m: float
    blocks: int
    folds: int
    log_score: dict[str, float]


@dataclass(frozen=True, slots=True)
class Worth:
    """What the map adds to plain averages, judged by foretelling each count from all the others.

    Parameters
    ----------
    answer : str
        yes, a little or no.
    gain, low, high : float
        Mean gain in log score over one average for all, nats a sample, and its 90 % interval over samples.
    log_score, crps : dict of str to float
        Mean scores of map, average and distance (inverse-distance weighting, tuned); the lower the better.
    holds : dict of str to float
        Share of counts inside the map's central predictive intervals, by level.
    tenths : tuple of float
        Share of counts in each tenth of what the map foretold; 0.1 each where it is right.
    left_out : tuple of int
        Counts that no way foretold and that would have decided by themselves; the scores are of the others.
    blocks : BlockScores or None
        The same by blocks, where the samples lie in more than one.
    """

    answer: Answer
    gain: float
    low: float
    high: float
    log_score: dict[str, float]
    crps: dict[str, float]
    holds: dict[str, float]
    tenths: tuple[float, ...]
    left_out: tuple[int, ...] = ()

    blocks: BlockScores | None = None

    @property
    def level(self) -> float:
        """Of the interval from low to high."""
        return LEVEL

    def as_dict(self) -> dict[str, Any]:
        """Return the scores in plain JSON types."""
        return {**asdict(self), "tenths": list(self.tenths), "left_out": list(self.left_out)}


def judge_worth(field: CountField, *, block_m: float | None) -> Worth:
    """Return what the map adds to one average for all samples, and how it scores.

    Parameters
    ----------
    field : CountField
        As fitted.
    block_m : float or None
        Side of the blocks of ground left out in turn, m; None for no scores by blocks, which take most of the time.

    Notes
    -----
    Leave-one-out with each way's own fitted parameters kept; only this visit's counts are foretold, an earlier one's
    help the map to. In simulations this was right on average where there is a pattern, and too kind to the map by less
    than 0.01 nats a sample where there is none.
    """
    fitted, sites = field.field_, field.field_.fits[0].sites  # this visit's alone
    everyone = np.ones(len(sites.count), dtype=bool)
    scores = {name: way.log_score(sites.count) for name, way in _foretell(fitted, everyone).items()}
    fair = _find_fair(scores["average"] - scores["map"])
    ways, count = _foretell(fitted, fair), sites.count[fair]
    scores = {name: way.log_score(count) for name, way in ways.items()}
    gains = scores["average"] - scores["map"]
    gain = float(gains.mean())
    half = normal_reach(LEVEL) * float(gains.std(ddof=1) / np.sqrt(len(gains))) if len(gains) > 1 else 0.0
    return Worth(
        "yes" if gain - half > 0 else "a little" if gain > 0 else "no",
        gain,
        gain - half,
        gain + half,
        {name: float(score.mean()) for name, score in scores.items()},
        {name: float(crps_counts(way, count).mean()) for name, way in ways.items()},
        {f"{level:g}": hold_share(ways["map"], count, level) for level in HOLD_LEVELS},
        tuple(float(share) for share in spread_pit(ways["map"], count)),
        tuple(int(odd) for odd in sites.count[~fair]),
        None if block_m is None else judge_blocks(field, fair, block_m=block_m),
    )


def _foretell(fitted: MixedField, fair: np.ndarray) -> dict[str, Predictive]:
    """Return each way's foretelling of the fair samples, the plainer two from those alone."""
    sites = fitted.fits[0].sites
    count, offset = sites.count[fair], sites.offset[fair]
    own = np.flatnonzero(fair)  # an earlier visit's samples stand last
    left_out = [(fit, share, *leave_one_out(fit)) for fit, share in fitted.believed]
    return {
        "map": mix_foretold(
            [
                (mix_lognormal(mean[own], spread[own], offset, fit.hyper.k), share)
                for fit, share, mean, spread in left_out
            ]
        ),
        "average": leave_out_average(count, offset, float(sites.basis[0, 0]))[0],
        "distance": leave_out_distance(sites.places[fair], count, np.exp(offset)),
    }


def _find_fair(gains: np.ndarray) -> np.ndarray:
    """Return the samples that do not decide by themselves: no more of all gains and losses than ``_ALONE``."""
    fair = np.ones(len(gains), dtype=bool)
    while fair.sum() > _FEWEST_JUDGED:
        sizes = np.where(fair, np.abs(gains), 0.0)
        worst = int(np.argmax(sizes))
        if sizes[worst] <= _ALONE * sizes.sum():
            return fair
        fair[worst] = False
    return fair


def judge_blocks(field: CountField, fair: np.ndarray, *, block_m: float) -> BlockScores | None:
    """Return how the map and one average foretell blocks of ground they were told nothing of; None of one block.

    Notes
    -----
    scikit-learn's ``GroupKFold`` over square blocks counted from the most south-western sample. Leaving out one sample
    at a time asks how the map does between plugs; a block asks how it does where no plug is near, also none of an
    earlier visit.
    """
    from sklearn import clone, config_context
    from sklearn.model_selection import GroupKFold, cross_val_score

    fitted, whole = field.field_.lead, field.field_.whole.sites
    whole = whole.take(np.concatenate([np.flatnonzero(fair), np.arange(len(fair), len(whole.count))]))
    places, count, effort, own = whole.places, whole.count, np.exp(whole.offset), int(fair.sum())
    corner = np.floor((places - places[:own].min(axis=0)) / block_m)
    block = np.unique(corner, axis=0, return_inverse=True)[1].ravel()
    number = len(np.unique(block[:own]))
    if number == 1:
        return None
    folds = list(GroupKFold(min(MOST_FOLDS, number)).split(places[:own], count[:own], block[:own]))
    sizes = [len(left_out) for _, left_out in folds]
    others = [np.flatnonzero(~np.isin(block, block[left_out])) for _, left_out in folds]
    ways = {"map": others, "average": [train for train, _ in folds]}
    hyper = {name: getattr(fitted.hyper, name) for name in ("spread", "range_m", "k")}
    flat = {
        "spread": 0.0,
        "doubtful": (),
        "allow_even": False,
        "k": leave_out_average(count[:own], np.log(effort[:own]), field.level_sd)[1],
    }
    covariates, scores = whole.basis[:, 1:], {}  # as weighed by their prior spreads already
    # small matrices, many times: a second thread in the matrix library costs more than it brings
    with config_context(enable_metadata_routing=True), threadpool_limits(1, user_api="blas"):
        for name, kept, told in (("map", hyper, {"covariates": covariates}), ("average", {**hyper, **flat}, {})):
            asked = dict.fromkeys(("exposure", *told), True)
            way = (
                clone(field)
                .set_params(**kept, covariate_sds=None, earlier=None, precise=True)
                .set_fit_request(**asked)
                .set_score_request(**asked)
            )
            cv = [(train, left_out) for train, (_, left_out) in zip(ways[name], folds, strict=True)]
            params = {"exposure": effort, **told}
            scores[name] = -float(np.average(cross_val_score(way, places, count, cv=cv, params=params), weights=sizes))
    return BlockScores(block_m, number, len(folds), scores)


def weigh_distances(distance_m: np.ndarray, power: float, effort: np.ndarray) -> np.ndarray:
    """Return the weights of samples in the mean count at places, rows adding up to 1, shape (m, n).

    Parameters
    ----------
    distance_m : ndarray, shape (m, n)
        From each place to each sample; an infinite one leaves the sample out.
    power : float
        Of the inverse distance.
    effort : ndarray, shape (n,)
        Of the samples; a sample of more turf weighs more.
    """
    logs = np.log(effort) - power * np.log(np.maximum(distance_m, _TOUCHING_M))
    weights = np.exp(logs - logs.max(axis=1, keepdims=True))
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def tune_distance_power(
    places: np.ndarray, count: np.ndarray, effort: np.ndarray, powers: Sequence[float] = POWERS
) -> tuple[float, float]:
    """Return the power and k with the best leave-one-out negative binomial log score.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> noise = rng.poisson(3.0, 60).astype(float)
    >>> tune_distance_power(rng.uniform(0, 100, (60, 2)), noise, np.ones(60))[0]
    0.25
    """
    tried = [(*fit_k_around(_left_out(places, count, effort, power), count), power) for power in powers]
    k, _, power = min(tried, key=lambda one: (-one[1], one[0], one[2]))
    return power, k


def leave_out_distance(places: np.ndarray, count: np.ndarray, effort: np.ndarray) -> Predictive:
    """Return every count foretold from all the others by tuned inverse-distance weighting, negative binomial.

    Notes
    -----
    A single sample has no others: it is foretold by itself.
    """
    if len(count) == 1:
        return Predictive(np.maximum(count, 0.5)[:, None], np.ones(1), 1.0)
    power, k = tune_distance_power(places, count, effort)
    return Predictive(_left_out(places, count, effort, power)[:, None], np.ones(1), k)


def _left_out(places: np.ndarray, count: np.ndarray, effort: np.ndarray, power: float) -> np.ndarray:
    """Return each count's expectation from all the other samples, shape (n,)."""
    distance_m = cdist(places, places)
    np.fill_diagonal(distance_m, np.inf)
    return expect_count(weigh_distances(distance_m, power, effort), count, effort, effort)


def expect_count(weights: np.ndarray, count: np.ndarray, effort: np.ndarray, effort_there: np.ndarray) -> np.ndarray:
    """Return expected counts from weights, never quite 0: half an insect in all is the least the counts can tell."""
    least = 0.5 / effort.sum()
    return np.asarray(np.maximum(weights @ (count / effort), least) * effort_there)


def leave_out_average(count: np.ndarray, offset: np.ndarray, level_sd: float) -> tuple[Predictive, float]:
    """Return every count foretold by one density for all, from all the others, and the k it has.

    Parameters
    ----------
    count, offset : ndarray, shape (n,)
        Counts, and the log of their expectation where the level is zero.
    level_sd : float
        Prior spread of the level, as in the map.

    Notes
    -----
    The map's model without field and covariates: one latent value, Laplace's approximation, k at its most likely.
    """
    sites = Sites(np.zeros((len(count), 2)), np.full((len(count), 1), level_sd), count, offset)
    k, _ = fit_even(sites)
    level = level_sd * float(settle_effects(sites, k)[0][0])
    slope = slopes(count, expect(level + offset), k)
    others = slope.weight.sum() - slope.weight + level_sd**-2
    target = slope.weight * level + slope.first
    return mix_lognormal((target.sum() - target) / others, others**-0.5, offset, k), k


def crps_counts(predictive: Predictive, count: np.ndarray) -> np.ndarray:
    """Return the continuous ranked probability score of counts: the sum of (F(x) - 1[x >= y])² over whole x.

    Notes
    -----
    The pmf is built up by its recursion until all chance but a billionth lies below. A prediction of many hundreds is
    told in tens, or hundreds: a negative binomial with mean mu and size k is there a gamma in all but name.

    Examples
    --------
    >>> one = Predictive(np.array([[1.0]]), np.array([1.0]), 1.0)
    >>> float(crps_counts(one, np.array([0.0]))[0].round(6))
    0.333333
    """
    step = np.maximum(1.0, np.floor(np.maximum(predictive.expected @ predictive.share, 0.0) / _TOLD_IN_ONES))
    k = np.asarray(predictive.k, dtype=float)
    expected, value = predictive.expected / step[:, None], np.round(count / step)
    odds = expected / (k + expected)
    chance = np.exp(log_none(expected, k))
    below, total = np.zeros(len(count)), np.zeros(len(count))
    for x in range(_MOST_COUNTED):
        below += chance @ predictive.share
        total += (below - (x >= value)) ** 2
        if (below > 1 - _LEFT_OUT).all():
            break
        chance *= odds * (k + x) / (x + 1)
    return np.asarray(step * (total + np.maximum(value - x - 1, 0.0)))


def spread_pit(predictive: Predictive, count: np.ndarray) -> np.ndarray:
    """Return the share of counts in each tenth of what was foretold: all 0.1 where it is right, shape (10,).

    Notes
    -----
    The non-randomised mean probability integral transform of Czado, Gneiting & Held 2009, equation 2.
    """
    low, high = predictive.cdf(count - 1), predictive.cdf(count)
    width = np.maximum(high - low, 1e-12)
    edges = np.linspace(0, 1, 11)[:, None]
    return np.asarray(np.diff(np.clip((edges - low) / width, 0, 1).mean(axis=1)))


def hold_share(predictive: Predictive, count: np.ndarray, level: float) -> float:
    """Return the share of counts inside the central predictive interval; above the level for counts with few values."""
    tail = (1 - level) / 2
    return float(((predictive.cdf(count) >= tail) & (predictive.cdf(count - 1) < 1 - tail)).mean())
