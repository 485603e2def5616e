"""size_trial: the blocks a trial takes to tell a ratio, or to show likeness within it, by playing it.

Counts are drawn as ``compare_methods`` takes them to be, and judged by its own test, so that what is promised is what
the analysis will do. Both methods' means lie as far from the stated one, the root of the ratio up and down.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from scipy import stats

from geosample.compare.answer import POWER, Blocks, carried_level, fit_ratio, log_drop, one_core, one_sided_p
from geosample.distributions import normal_quantile, normal_reach, relative_variance
from geosample.errors import EstimateError, Problem
from geosample.results import Result

AIMS = ("difference", "equivalence")
"""To tell a true ratio of the margin from 1, or to show methods that are alike to lie within the margin."""
ROUNDS = 150
"""Trials played for each number of blocks: a chance of 80 % is known to within 3 % (its standard error)."""
ENOUGH = 9000
"""Blocks played at most for the power told; larger trials are played fewer times, and the standard error tells."""
FEWEST, MOST = 4, 600
_TURNS, _NEAR = 3, 0.05


@dataclass(frozen=True, slots=True, repr=False)
class TrialSize(Result):
    """How many blocks a trial takes, and what was assumed.

    Parameters
    ----------
    aim : str
        One of ``AIMS``.
    margin : float
        The ratio, above 1.
    asked : float
        The power asked for.
    blocks : int
        Blocks in all.
    power, power_se : float
        The share of the trials played with so many blocks that told it, and its standard error.
    rounds : int
        Trials played with them.
    mean, k, block_sd : float
        Mean count of a unit, its negative binomial k within its block, and the standard deviation of the blocks' log
        density.
    level : float
        Confidence of the intervals; a test of equivalence is at half of the rest on each side.
    """

    aim: str
    margin: float
    asked: float
    blocks: int
    power: float
    power_se: float
    rounds: int
    mean: float
    k: float
    block_sd: float
    level: float

    def summary(self) -> dict[str, Any]:
        """Return the facts in plain types."""
        return asdict(self)


@one_core
def size_trial(  # noqa: PLR0913 - plain keywords are what a script is to write
    *,
    mean: float,
    k: float,
    margin: float,
    power: float = POWER,
    aim: str = "difference",
    sites: int = 1,
    block_sd: float = 0.0,
    blocks: int | None = None,
    level: float = 0.95,
    rounds: int = ROUNDS,
    seed: int = 1,
) -> TrialSize:
    """Return how many blocks of one unit a method a trial takes, by playing it.

    Parameters
    ----------
    mean : float
        Mean count of a unit (a plug or a bag).
    k : float
        Negative binomial k of a unit within its block. The k of a survey is of bags from all over the ground: used
        here, with ``block_sd`` 0, no spread is taken to be the blocks', which errs on the side of more blocks.
    margin : float
        The ratio that is to be told from 1, or within which methods that are alike are to be shown to lie; above 1.
    power : float
        With what chance, 0.5 to 0.99.
    aim : str
        ``difference`` or ``equivalence``.
    sites : int
        Sites the blocks are shared by, of the same density.
    block_sd : float
        Standard deviation of the blocks' log density.
    blocks : int, optional
        Play so many, and look for no other number.
    level : float
        Confidence of the interval.
    rounds : int
        Trials played for each number of blocks.
    seed : int
        Seed of the counts.

    Returns
    -------
    TrialSize
        Blocks for the chance asked for, and what was assumed.

    Raises
    ------
    EstimateError
        With all numbers out of range; and when more than 600 blocks would be needed.

    Notes
    -----
    The first number is the normal approximation's on the log scale, a block's variance being 2 (1/m + 1/k) (Bliss &
    Fisher 1953); each number's share played tells that variance anew, and the mean of what they tell gives the next,
    until it stands still.
    """
    _check(mean, k, margin, power, aim, blocks)
    least = max(FEWEST, 2 * sites)
    reach, goal = _reaches(aim, level, power)
    variance = 2 * relative_variance(mean, k)
    world = sites, mean, k, block_sd
    number, tried, told_by = blocks or 0, list[int](), list[float]()
    while blocks is None:
        number = max(least, math.ceil(variance * (goal / math.log(margin)) ** 2))
        if number > MOST:
            found = f"{margin:g} at {mean:.2g} insects a unit, k {k:.2g}, which takes about {number:,} blocks"
            remedy = "widen the margin, pool more plugs, or sample where there are more insects"
            raise EstimateError(Problem("margin", found, f"up to {MOST} blocks", remedy))
        if any(abs(number - other) <= _NEAR * number for other in tried) or len(tried) == _TURNS:
            break
        tried.append(number)
        some = max(rounds // 3, 1)
        share = _play((number, *world), margin, aim, level, some, seed)
        share = min(max(share, 0.5 / some), 1 - 0.5 / some)
        told_by.append(number * (math.log(margin) / max(_quantile(aim, share) + reach, 0.3)) ** 2)
        variance = sum(told_by) / len(told_by)
    rounds = max(min(rounds, ENOUGH // number), rounds // 3)
    told = _play((number, *world), margin, aim, level, rounds, seed + 1)
    error = math.sqrt(max(told * (1 - told), 0.25 / rounds) / rounds)
    return TrialSize(aim, margin, power, number, told, error, rounds, mean, k, block_sd, level)


def _reaches(aim: str, level: float, power: float) -> tuple[float, float]:
    """Return the standard errors between 1 and the margin that the test takes, and that the power takes in all."""
    reach = normal_reach(level) if aim == "difference" else normal_quantile(level)
    return reach, reach + _quantile(aim, power)


def _quantile(aim: str, share: float) -> float:
    """Return the normal quantile of a power; a test of equivalence can fail on either side."""
    return normal_quantile(share) if aim == "difference" else normal_quantile((1 + share) / 2)


@lru_cache(64)  # a draft of a trial asks for the same again, each time another answer on its card changes
def _play(
    world: tuple[int, int, float, float, float], margin: float, aim: str, level: float, rounds: int, seed: int
) -> float:
    """Return the share of the trials that tell what they are for."""
    blocks, sites, mean, k, block_sd = world
    rng = np.random.default_rng([seed, blocks])
    block = np.repeat(np.arange(blocks), 2)
    is_method = np.tile([0.0, 1.0], blocks)
    ones, site = np.ones(block.size), (block % sites).astype(np.intp)
    log_ratio = math.log(margin) if aim == "difference" else 0.0
    each = mean * np.exp((is_method - 0.5) * log_ratio - block_sd**2 / 2)
    told = 0
    for _ in range(rounds):
        here = each * np.exp(block_sd * rng.standard_normal(blocks))[block]
        count = rng.poisson(here * rng.gamma(k, 1 / k, block.size)).astype(np.float64)
        told += bool(count.any()) and _tells(Blocks(count, ones, is_method, site, block), margin, aim, level)
    return told / rounds


def _tells(data: Blocks, margin: float, aim: str, level: float) -> bool:
    fit, sure = fit_ratio(data), min(level, carried_level(data))
    if aim == "difference":
        return log_drop(data, fit)(0.0) > float(stats.f.ppf(sure, 1, data.freedom))
    return all(one_sided_p(data, fit, side * math.log(margin), -side) <= 1 - sure for side in (-1, 1))


def _check(mean: float, k: float, margin: float, power: float, aim: str, blocks: int | None) -> None:
    problems = [
        Problem(where, f"{value:g}", f"above {low:g}, up to {high:g}", remedy)
        for where, value, low, high, remedy in (
            ("mean", mean, 0.0, 1000.0, "give the insects expected in a unit"),
            ("k", k, 0.0, 1000.0, "insect counts have 0.2 to 5 a bag (M)"),
            ("margin", margin, 1.0, 10.0, "1.25 is 25% more"),
            ("power", power, 0.49, 0.99, "0.8 is usual"),
        )
        if not low < value <= high
    ]
    if aim not in AIMS:
        problems.append(Problem("aim", repr(aim), f"of: {', '.join(AIMS)}", "name one of them"))
    if blocks is not None and not FEWEST <= blocks <= MOST:
        problems.append(Problem("blocks", f"{blocks}", f"{FEWEST} to {MOST}", "give blocks in that range"))
    if problems:
        raise EstimateError(problems)
