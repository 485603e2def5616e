"""compare_methods: a Trial in, a Comparison out.

The model of bag i in block b at site s, in the words of a paper::

    y_i ~ negative binomial(mean m_i, k):  variance m_i + m_i² / k
    log m_i = log exposure_i + a_s + u_b + r x_i,   u_b ~ normal(0, sd²),   x_i = 1 for the method, 0 for the reference

a_s (sites) and r (the log ratio) are fixed, u_b (blocks) random; a_s, r, k and sd are at the maximum of the likelihood
with u_b integrated out. The ratio exp(r) has the limits where twice the log likelihood, r held and the rest fitted
anew, falls by the F(1, d) point, d being ``Blocks.freedom``; tests of r against a bound are the signed root of that
drop on Student's t with as many degrees of freedom.

The block effect is normal and integrated out, so that a block in which one method found nothing still counts (Booth,
Casella, Friedl & Hobert 2003, Statistical Modelling 3:179-191, give the negative binomial log-linear mixed model). The
integral is the trapezoid rule on an even grid, which for a smooth integrand that falls off like a normal is exact to
many digits (Trefethen & Weideman 2014, SIAM Review 56:385-458).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import wraps
from itertools import combinations
from typing import ParamSpec, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize, special, stats
from threadpoolctl import threadpool_limits

from geosample.compare.model import ALL, Comparison, Contrast, Effort, Equivalence, Ratio, Trial, Zeros
from geosample.distributions import BLOCKS, expect, log_pmf, normal_quantile, normal_reach, slope_in_k, slopes
from geosample.errors import EstimateError, Problem
from geosample.estimate import Interval

Asked = ParamSpec("Asked")
Answer = TypeVar("Answer")
Floats = NDArray[np.float64]
NODES = np.linspace(-6.0, 6.0, 81)
_LOG_WEIGHTS = -0.5 * NODES**2 - 0.5 * np.log(2 * np.pi) + np.log(NODES[1] - NODES[0])
LOG_SD = (np.log(1e-3), np.log(5.0))
LOG_RATIO = (np.log(1e-6), np.log(1e6))
"""Bounds: block effects from none to a hundredfold either way."""


@dataclass(frozen=True, slots=True)
class Blocks:
    """Bags ready for the model, one row each.

    Parameters
    ----------
    count, effort : ndarray, shape (n,)
        Insects, and turf in the bag.
    is_method : ndarray of float, shape (n,)
        1 for the method, 0 for the reference.
    site, block : ndarray of int, shape (n,)
        Codes from 0 up.
    """

    count: Floats
    effort: Floats
    is_method: Floats
    site: NDArray[np.intp]
    block: NDArray[np.intp]

    @property
    def n_sites(self) -> int:
        """How many sites."""
        return int(self.site.max()) + 1

    @property
    def n_blocks(self) -> int:
        """How many blocks."""
        return int(self.block.max()) + 1

    @property
    def freedom(self) -> int:
        """Degrees of freedom: bags less blocks less the ratio, at most twice blocks less sites, one at the least.

        More bags in a block tell little more of how blocks differ: without the second bound clumped counts (k 0.3) in
        few blocks are covered too seldom (simulated: ``tests/benchmarks/compare_rates.md``).
        """
        return max(min(self.count.size - self.n_blocks - 1, 2 * (self.n_blocks - self.n_sites)), 1)


@dataclass(frozen=True, slots=True)
class Fit:
    """A maximum: log likelihood, log ratio (one, or one a site), site intercepts, log k and log block sd."""

    log_likelihood: float
    log_ratio: Floats
    theta: Floats

    @property
    def k(self) -> float:
        """The negative binomial's k."""
        return float(np.exp(self.theta[-2]))

    @property
    def block_sd(self) -> float:
        """Standard deviation of the blocks' log density."""
        return float(np.exp(self.theta[-1]))


def fit_ratio(
    data: Blocks, *, log_ratio: float | None = None, by_site: bool = False, start: Floats | None = None
) -> Fit:
    """Return the maximum-likelihood fit.

    Parameters
    ----------
    data : Blocks
        The bags.
    log_ratio : float, optional
        Hold the log ratio there, for profiles.
    by_site : bool
        Let each site have a ratio of its own.
    start : ndarray, optional
        Where to begin: theta of a neighbouring fit.
    """
    slopes = _slopes(data, by_site=by_site)
    free = slopes.shape[1] if log_ratio is None else 0
    offset = np.log(data.effort) + (0.0 if log_ratio is None else log_ratio * data.is_method)
    design = np.column_stack([np.eye(data.n_sites)[data.site], slopes[:, :free]])
    bounds = [(None, None)] * data.n_sites + [LOG_RATIO] * free + [BLOCKS.log_bounds, LOG_SD]
    begin = _begin(data, free) if start is None else start
    found = optimize.minimize(
        _negative, begin, args=(data, design, offset), jac=True, method="L-BFGS-B", bounds=bounds,
        options={"maxiter": 500, "ftol": 1e-12, "gtol": 1e-7},
    )  # fmt: skip
    ratios = found.x[data.n_sites : data.n_sites + free] if free else np.array([log_ratio])
    return Fit(-float(found.fun), np.asarray(ratios, dtype=np.float64), found.x)


def trial_likelihood(data: Blocks, log_mean: Floats, log_k: float, log_sd: float) -> float:
    """Return the log likelihood of the bags at given log means (block effect 0), log k and log block sd."""
    return float(special.logsumexp(_joint(data, log_mean, log_k, log_sd), axis=1).sum())


def redraw(data: Blocks, fit: Fit, rng: np.random.Generator) -> Blocks:
    """Return the same bags with counts drawn anew from a fit of one ratio."""
    block = rng.standard_normal(data.n_blocks)[data.block] * fit.block_sd
    log_mean = fit.theta[: data.n_sites][data.site] + float(fit.log_ratio[0]) * data.is_method + block
    mean = data.effort * np.exp(np.minimum(log_mean, 20.0))
    count = rng.poisson(mean * rng.gamma(fit.k, 1 / fit.k, mean.size)).astype(np.float64)
    return replace(data, count=count)


def _slopes(data: Blocks, *, by_site: bool) -> Floats:
    if not by_site:
        return data.is_method[:, None]
    return np.eye(data.n_sites)[data.site] * data.is_method[:, None]


def _begin(data: Blocks, free: int) -> Floats:
    totals = np.bincount(data.site, data.count) + 0.5
    means = np.log(totals / np.bincount(data.site, data.effort))
    return np.concatenate([means, np.zeros(free), [0.0, np.log(0.5)]])


def _joint(data: Blocks, log_mean: Floats, log_k: float, log_sd: float) -> Floats:
    """Return log of each block's likelihood at every node times the node's weight, shape (blocks, nodes)."""
    expected = expect(log_mean[:, None] + np.exp(log_sd) * NODES)
    bags = log_pmf(data.count[:, None], expected, np.exp(log_k))
    blocks = np.zeros((data.n_blocks, NODES.size))
    np.add.at(blocks, data.block, bags)
    return np.asarray(blocks + _LOG_WEIGHTS, dtype=np.float64)


def _negative(theta: Floats, data: Blocks, design: Floats, offset: Floats) -> tuple[float, Floats]:
    """Return minus the log likelihood and its gradient."""
    k, sd = np.exp(theta[-2:])
    log_mean = design @ theta[:-2] + offset
    joint = _joint(data, log_mean, theta[-2], theta[-1])
    each = special.logsumexp(joint, axis=1)
    weight = np.exp(joint - each[:, None])[data.block]
    count, expected = data.count[:, None], expect(log_mean[:, None] + sd * NODES)
    score = slopes(count, expected, k).first
    by_k = slope_in_k(count, expected, k)
    gradient = np.concatenate(
        [
            design.T @ (weight * score).sum(axis=1),
            [k * (weight * by_k).sum(), sd * (weight * score * NODES).sum()],
        ]
    )
    return -float(each.sum()), -gradient


def ratio_interval(data: Blocks, fit: Fit, *, level: float) -> Interval:
    """Return the ratio with the limits at which the likelihood falls by the F(1, d) point, d being ``Blocks.freedom``.

    The F point instead of chi-square's pays for k and the block spread being estimated. A method that found nothing
    has ratio 0 and only an upper limit, and the other way round.
    """
    cut = float(stats.f.ppf(level, 1, data.freedom))
    drop = log_drop(data, fit)
    best = float(fit.log_ratio[0])
    caught = [float(data.count[data.is_method == side].sum()) for side in (0, 1)]
    low = 0.0 if not caught[1] else math.exp(_cross(drop, cut, best, -1))
    high = math.inf if not caught[0] else math.exp(_cross(drop, cut, best, 1))
    value = 0.0 if not caught[1] else math.inf if not caught[0] else math.exp(best)
    return Interval(value, low, high)


def one_sided_p(data: Blocks, fit: Fit, log_ratio: float, side: int) -> float:
    """Return the p of the ratio lying beyond a bound, by the signed root of the drop in likelihood on Student's t.

    Parameters
    ----------
    log_ratio : float
        The bound.
    side : int
        1 when the question is whether the ratio is above it, -1 below.
    """
    away = side * (float(fit.log_ratio[0]) - log_ratio)
    root = math.copysign(math.sqrt(log_drop(data, fit)(log_ratio)), away)
    return float(stats.t.sf(root, data.freedom))


def log_drop(data: Blocks, fit: Fit) -> Callable[[float], float]:
    """Return the function of a log ratio that says by how much holding it there lowers twice the log likelihood."""
    start = np.delete(fit.theta, data.n_sites)
    known = {float(fit.log_ratio[0]): 0.0}  # a second look from another start must not tell another drop

    def drop(log_ratio: float) -> float:
        nonlocal start
        if log_ratio not in known:
            held = fit_ratio(data, log_ratio=log_ratio, start=start)
            start = held.theta
            known[log_ratio] = max(2 * (fit.log_likelihood - held.log_likelihood), 0.0)
        return known[log_ratio]

    return drop


def _cross(drop: Callable[[float], float], cut: float, best: float, side: int) -> float:
    """Return where the drop passes the cut on one side of the best log ratio, its bound where it never does."""
    end = LOG_RATIO[0] if side < 0 else LOG_RATIO[1]
    inner, step = best, 0.25
    while side * (end - inner) > 0:
        outer = best + side * step
        if side * (end - outer) <= 0:
            return float(end)
        if drop(outer) > cut:
            return float(optimize.brentq(lambda at: drop(at) - cut, inner, outer, xtol=1e-4))
        inner, step = outer, step * 2
    return float(np.clip(inner, *LOG_RATIO))


MOST = 9999
"""Shuffles drawn when there are more (common practice, no source)."""
FEWEST_BLOCKS = 3
"""With fewer blocks nothing is compared (own choice)."""
FEW_BLOCKS = 6
"""With fewer blocks no more confidence is claimed than shuffling their labels could reach (own choice)."""
FEWEST_PAIRS = 5
"""With fewer blocks no rank correlation is told (own choice)."""
PLAIN, REDRAWS = 0.2, 199
"""Above this the quick test of the sites stands; below it so many trials are drawn (common practice, no source)."""
POWER = 0.8
"""Chance to settle it that the number of blocks is worked out for (common practice, no source)."""


def one_core(work: Callable[Asked, Answer]) -> Callable[Asked, Answer]:
    """Return a function that keeps to one core: with small matrices, many times, several wait for one another."""

    @wraps(work)
    def alone(*args: Asked.args, **asked: Asked.kwargs) -> Answer:
        with threadpool_limits(1, user_api="blas"):
            return work(*args, **asked)

    return alone


@one_core
def compare_methods(
    trial: Trial,
    *,
    reference: str | None = None,
    method: str | None = None,
    margin: float | None = None,
    level: float = 0.95,
    seed: int = 1,
) -> Comparison:
    """Return how two methods' counts compare.

    Parameters
    ----------
    trial : Trial
        Bags in blocks; blocks without both methods are left out of the ratio.
    reference : str, optional
        The method that the other is held against; the first in the trial when None.
    method : str, optional
        The other; the second when None.
    margin : float, optional
        The ratio, above 1, up to which the methods are to be taken as the same.
    level : float
        Confidence of the intervals; the equivalence test is at half of what they leave out on both sides.
    seed : int
        Seed of the shuffles.

    Returns
    -------
    Comparison
        The ratio with its interval, by site and stage too, and whether the methods are the same within the margin.

    Raises
    ------
    EstimateError
        With everything in the way: fewer than two methods, methods that are not there, too few blocks with both,
        nothing found at all, a margin or level out of range.
    """
    reference, method = _choose_methods(trial, reference, method)
    check_numbers(margin, level)
    bags = _matched(trial.whole_bags, reference, method)
    _check_bags(bags, trial, (reference, method))
    data, asked_level = _code(bags, method), level
    level = min(level, carried_level(data))
    fit = fit_ratio(data)
    overall = _ratio(bags, method, (ALL, ALL), level, (data, fit))
    permutation_p, permutations = shuffle_p(data, np.random.default_rng(seed))
    sized_for = margin or 1.25
    blocks = _blocks_for(overall, sized_for, level, data)
    means = block_means(bags, reference, method)
    stages = _matched(trial.bags, reference, method)
    by_site, by_stage = (_ratios_by(rows, method, of, level) for rows, of in ((bags, "site"), (stages, "stage")))
    return Comparison(
        reference=reference,
        method=method,
        overall=overall,
        k=fit.k,
        block_sd=fit.block_sd,
        permutation_p=permutation_p,
        permutations=permutations,
        equivalence=None if margin is None else _equivalence(data, fit, margin, level),
        by_site=by_site,
        by_stage=by_stage,
        sites_p=_sites_p(data, fit, np.random.default_rng([seed, 1])),
        contrasts=tuple(
            one for of, ratios in (("site", by_site), ("stage", by_stage)) if (one := find_contrast(of, ratios, level))
        ),
        asked_level=asked_level,
        bags_used=len(bags),
        correlation=rank_correlation(means, level=level),
        zeros=compare_zeros(means),
        effort=(weigh_effort(trial, reference), weigh_effort(trial, method)),
        sized_for=sized_for,
        blocks_to_tell=blocks[0],
        blocks_to_show_same=blocks[1],
        trial=trial,
    )


def _choose_methods(trial: Trial, reference: str | None, method: str | None) -> tuple[str, str]:
    there = trial.methods
    problems = [
        Problem(argument, f"'{name}'", f"one of: {', '.join(there) or 'none'}", "name one that the counts hold")
        for argument, name in (("reference", reference), ("method", method))
        if name is not None and name not in there
    ]
    if len(there) < 2:  # noqa: PLR2004 - a comparison takes two
        found = f"one method, {there[0]}" if there else "no method"
        problems.append(Problem(trial.source, found, "bags of two methods", "draw a visit for two methods"))
    if problems:
        raise EstimateError(problems)
    reference = reference or next(name for name in there if name != method)
    method = method or next(name for name in there if name != reference)
    if method == reference:
        raise EstimateError(Problem("method", f"'{method}' twice", "two methods", "name another"))
    return reference, method


def check_numbers(margin: float | None, level: float) -> None:
    """Refuse a margin or a level out of range.

    Raises
    ------
    EstimateError
        With both, where both are.
    """
    problems = []
    if margin is not None and not 1 < margin <= 10:  # noqa: PLR2004 - tenfold is no sameness
        problems.append(Problem("margin", f"a ratio of {margin:.4g}", "above 1 and up to 10", "1.25 is 25% more"))
    if not 0.5 <= level < 1:  # noqa: PLR2004
        problems.append(Problem("level", f"{level:g}", "from 0.5 to below 1", "write for instance 0.95"))
    if problems:
        raise EstimateError(problems)


def _matched(rows: pd.DataFrame, reference: str, method: str) -> pd.DataFrame:
    """Return the rows of both methods in blocks that hold both."""
    ours = rows[rows["method"].isin([reference, method])]
    both = ours.groupby(["site", "block"])["method"].transform("nunique") == 2  # noqa: PLR2004 - the pair
    return ours[both]


def _check_bags(bags: pd.DataFrame, trial: Trial, pair: tuple[str, str]) -> None:
    blocks = bags.groupby(["site", "block"]).ngroups
    problems = []
    if blocks < FEWEST_BLOCKS:
        found = f"{blocks} blocks with counts of both {pair[0]} and {pair[1]}"
        problems.append(Problem(trial.source, found, f"at least {FEWEST_BLOCKS}", "count more blocks"))
    elif not bags["count"].any():
        found = f"no insect in {len(bags)} bags"
        problems.append(Problem(trial.source, found, "some, to compare", "sample where there are insects"))
    if problems:
        raise EstimateError(problems)


def _code(bags: pd.DataFrame, method: str) -> Blocks:
    site = np.asarray(pd.factorize(bags["site"])[0], dtype=np.intp)
    block = bags.groupby(["site", "block"], sort=False).ngroup().to_numpy()
    count, effort = (bags[name].to_numpy(dtype=np.float64) for name in ("count", "effort"))
    is_method = np.asarray(bags["method"] == method, dtype=np.float64)
    return Blocks(count, effort, is_method, site, np.asarray(block, dtype=np.intp))


def _ratio(
    bags: pd.DataFrame, method: str, place: tuple[str, str], level: float, fitted: tuple[Blocks, Fit] | None = None
) -> Ratio:
    data, fit = fitted if fitted is not None else (code := _code(bags, method), fit_ratio(code))
    sides = [data.is_method == side for side in (0, 1)]
    found = tuple(int(data.count[side].sum()) for side in sides)
    return Ratio(
        *place,
        found=(found[0], found[1]),
        bags=(int(sides[0].sum()), int(sides[1].sum())),
        blocks=data.n_blocks,
        interval=ratio_interval(data, fit, level=level),
        level=level,
    )


def _ratios_by(rows: pd.DataFrame, method: str, column: str, level: float) -> tuple[Ratio, ...]:
    """Return a ratio for each site or stage that has any insects, at a level that lets all hold together."""
    groups = [
        (str(name), part)
        for name, part in rows.groupby(column, sort=False)
        if part["count"].any() and part.groupby(["site", "block"]).ngroups >= FEWEST_BLOCKS
    ]
    if rows[column].nunique() < 2:  # noqa: PLR2004 - one group is the whole
        return ()
    each = 1 - (1 - level) / max(len(groups), 1)
    return tuple(_ratio(part, method, (name, ALL) if column == "site" else (ALL, name), each) for name, part in groups)


def carried_level(data: Blocks) -> float:
    """Return the most confidence that so few blocks can carry; 1 for ``FEW_BLOCKS`` or more.

    The least p that shuffling labels inside blocks can give, two-sided, is 2 over the number of shuffles: nothing that
    was not assumed can be surer.
    """
    if data.n_blocks >= FEW_BLOCKS:
        return 1.0
    sizes = [(int((data.block == b).sum()), int(data.is_method[data.block == b].sum())) for b in range(data.n_blocks)]
    return max(1 - 2 / math.prod(math.comb(n, taken) for n, taken in sizes), 0.5)


def find_contrast(of: str, ratios: Sequence[Ratio], level: float) -> Contrast | None:
    """Return the two ratios that lie farthest apart, one over the other; None without two that have both limits.

    Notes
    -----
    From each ratio's own limits, on the log scale (MOVER: Zou & Donner 2008, Statistics in Medicine 27:1693-1702; from
    memory, unverified), as for independent ratios. Stages come from the same bags, whose clumps their ratios share, so
    that limits between stages are rather too wide. The ratios' levels pay for looking at all of them (Bonferroni).
    """
    held = [one for one in ratios if one.interval.low > 0 and math.isfinite(one.interval.high)]
    if len(held) < 2:  # noqa: PLR2004 - a contrast takes two
        return None
    low, high = (pick(held, key=lambda one: one.interval.value) for pick in (min, max))
    first, second = (
        [math.log(x) for x in (one.interval.value, one.interval.low, one.interval.high)] for one in (low, high)
    )
    apart = second[0] - first[0]
    down = math.hypot(second[0] - second[1], first[2] - first[0])
    up = math.hypot(second[2] - second[0], first[0] - first[1])
    limits = Interval(*(math.exp(x) for x in (apart, apart - down, apart + up)))
    return Contrast(of, getattr(low, of), getattr(high, of), limits, level)


def _equivalence(data: Blocks, fit: Fit, margin: float, level: float) -> Equivalence:
    """Return two one-sided tests (Schuirmann 1987, J. Pharmacokinet. Biopharm. 15:657-680) on the log ratio."""
    alpha = 1 - level
    log_margin = math.log(margin)
    p = max(one_sided_p(data, fit, -log_margin, 1), one_sided_p(data, fit, log_margin, -1))
    return Equivalence(margin, p, ratio_interval(data, fit, level=1 - 2 * alpha), 1 - 2 * alpha, p <= alpha)


def _sites_p(data: Blocks, fit: Fit, rng: np.random.Generator) -> float:
    """Return the p of one ratio for all sites, by the drop in likelihood.

    On F first, which is quick and calls too many sites different when blocks are few; where that is not plainly large,
    the drop is held against those of trials drawn from the fitted model of one ratio (parametric bootstrap: Davison &
    Hinkley 1997, Bootstrap Methods and their Application, section 4.4; from memory, unverified).
    """
    extra = data.n_sites - 1
    if extra < 1:
        return math.nan
    drop = _sites_drop(data, fit)
    quick = float(stats.f.sf(drop / extra, extra, max(data.freedom - extra, 1)))
    if quick > PLAIN:
        return quick
    drawn = [redraw(data, fit, rng) for _ in range(REDRAWS)]
    more = sum(_sites_drop(one, fit_ratio(one, start=fit.theta)) >= drop for one in drawn if one.count.any())
    return (1 + more) / (REDRAWS + 1)


def _sites_drop(data: Blocks, fit: Fit) -> float:
    apart = fit_ratio(data, by_site=True)
    return max(2 * (apart.log_likelihood - fit.log_likelihood), 0.0)


def _blocks_for(overall: Ratio, margin: float, level: float, data: Blocks) -> tuple[int, int] | tuple[None, None]:
    """Return about how many blocks like these would tell a ratio of the margin, or show sameness within, at 80 %.

    The variance of the log ratio a block is taken from the interval found (normal approximation).
    """
    low, high = overall.interval.low, overall.interval.high
    if low <= 0 or not math.isfinite(high):
        return None, None
    reach = float(stats.t.ppf((1 + level) / 2, data.freedom))
    a_block = ((math.log(high) - math.log(low)) / (2 * reach)) ** 2 * data.n_blocks
    two_sided, one_sided = normal_reach(level), normal_quantile(level)
    power, both = normal_quantile(POWER), normal_reach(POWER)
    tell, show = ((two_sided + power) / math.log(margin)) ** 2, ((one_sided + both) / math.log(margin)) ** 2
    return math.ceil(a_block * tell), math.ceil(a_block * show)


# The permutation test: method labels are shuffled inside blocks only, as the design gave them out


def shuffle_p(data: Blocks, rng: np.random.Generator, *, most: int = MOST) -> tuple[float, int]:
    """Return the two-sided p of no difference and how many shuffles it rests on.

    The statistic is the summed density of the method's bags less what its blocks' means would give. All shuffles are
    looked at when there are few, else ``most`` random ones and the observed (Phipson & Smyth 2010, Stat. Appl. Genet.
    Mol. Biol. 9:39: a p is never 0).
    """
    density = data.count / data.effort
    blocks = [np.flatnonzero(data.block == block) for block in range(data.n_blocks)]
    sizes = [(rows.size, int(data.is_method[rows].sum())) for rows in blocks]
    expected = sum(taken * density[rows].mean() for rows, (_, taken) in zip(blocks, sizes, strict=True))
    seen = abs(float(density @ data.is_method) - expected)
    total = math.prod(math.comb(n, taken) for n, taken in sizes)
    if total <= most:
        sums = _all_sums([density[rows] for rows in blocks], [taken for _, taken in sizes])
        return float(np.mean(np.abs(sums - expected) >= seen - 1e-9)), total
    sums = np.zeros(most)
    for rows, (_, taken) in zip(blocks, sizes, strict=True):
        order = rng.random((most, rows.size)).argsort(axis=1)[:, :taken]
        sums += density[rows][order].sum(axis=1)
    return float((1 + np.sum(np.abs(sums - expected) >= seen - 1e-9)) / (most + 1)), most


def _all_sums(densities: list[Floats], taken: list[int]) -> Floats:
    sums = np.zeros(1)
    for values, number in zip(densities, taken, strict=True):
        mine = np.array([values[list(chosen)].sum() for chosen in combinations(range(values.size), number)])
        sums = (sums[:, None] + mine).ravel()
    return sums


# Agreement beyond the mean


def block_means(bags: pd.DataFrame, reference: str, method: str) -> pd.DataFrame:
    """Return a row a block: the density each of the two methods found in it."""
    sums = bags.groupby(["site", "block", "method"], sort=False)[["count", "effort"]].sum()
    density = (sums["count"] / sums["effort"]).unstack("method")
    return density[[reference, method]]


def rank_correlation(means: pd.DataFrame, *, level: float) -> Interval:
    """Return Spearman's correlation of the blocks' means with its interval; not a number for too few blocks.

    The interval is Bonett & Wright's (2000, Psychometrika 65:23-28; formula from memory, unverified):
    tanh(atanh r ± z sqrt((1 + r²/2) / (n - 3))).
    """
    if len(means) < FEWEST_PAIRS or (means.nunique() < 2).any():  # noqa: PLR2004 - a constant has no ranks
        return Interval(math.nan, math.nan, math.nan)
    r = float(stats.spearmanr(means.iloc[:, 0], means.iloc[:, 1]).statistic)
    half = normal_reach(level) * math.sqrt((1 + r * r / 2) / (len(means) - 3))
    middle = math.atanh(min(max(r, -1 + 1e-12), 1 - 1e-12))
    return Interval(r, math.tanh(middle - half), math.tanh(middle + half))


def compare_zeros(means: pd.DataFrame) -> Zeros:
    """Return blocks by who found any, with the exact p of the one-sided ones falling either way (McNemar)."""
    first, second = (means > 0).to_numpy().T
    alone = int(np.sum(first & ~second)), int(np.sum(second & ~first))
    p = float(stats.binomtest(alone[0], sum(alone)).pvalue) if sum(alone) else 1.0
    return Zeros(int(np.sum(first & second)), int(np.sum(~first & ~second)), *alone, p)


def weigh_effort(trial: Trial, method: str) -> Effort:
    """Return what a method took a bag, and a found insect, as far as it was noted, and its insects by stage."""
    bags = trial.whole_bags
    mine = bags[bags["method"] == method]
    minutes, wait_hours, cost = (float(mine[name].mean()) for name in ("minutes", "wait_hours", "cost"))
    noted = mine[mine["minutes"].notna()]
    per_insect = float(noted["minutes"].sum() / noted["count"].sum()) if noted["count"].sum() else math.nan
    staged = trial.bags[(trial.bags["method"] == method) & (trial.bags["stage"] != ALL)]
    found = staged.groupby("stage", sort=False)["count"].sum()
    shares = {str(stage): float(n / found.sum()) for stage, n in found.items()} if found.sum() else {}
    return Effort(method, len(mine), int(mine["count"].sum()), minutes, wait_hours, cost, per_insect, shares)
