"""compare_methods: a Trial in, a Comparison out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from geosample.compare.agree import block_means, compare_zeros, rank_correlation, weigh_effort
from geosample.compare.mixed import Blocks, Fit, fit_ratio, redraw
from geosample.compare.model import ALL, Comparison, Equivalence, Ratio, Trial
from geosample.compare.profile import one_sided_p, ratio_interval
from geosample.compare.shuffle import shuffle_p
from geosample.errors import EstimateError, Problem

FEWEST_BLOCKS = 3
"""With fewer blocks nothing is compared (own choice)."""
PLAIN, REDRAWS = 0.2, 199
"""Above this the quick test of the sites stands; below it so many trials are drawn (common practice, no source)."""
POWER = 0.8
"""Chance to settle it that the number of blocks is worked out for (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of a trial.

    Parameters
    ----------
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
    """

    reference: str | None = None
    method: str | None = None
    margin: float | None = None
    level: float = 0.95
    seed: int = 1


def compare_methods(trial: Trial, question: Question | None = None) -> Comparison:
    """Return how two methods' counts compare.

    Parameters
    ----------
    trial : Trial
        Bags in blocks; blocks without both methods are left out of the ratio.
    question : Question, optional
        Which methods, what margin, what confidence.

    Raises
    ------
    EstimateError
        With everything in the way: fewer than two methods, methods that are not there, too few blocks with both,
        nothing found at all, a margin or level out of range.
    """
    asked = question or Question()
    reference, method = _choose_methods(trial, asked)
    _check(asked)
    bags = _matched(trial.whole_bags, reference, method)
    _check_bags(bags, trial, (reference, method))
    data = _code(bags, method)
    fit = fit_ratio(data)
    overall = _ratio(bags, method, (ALL, ALL), asked.level, (data, fit))
    permutation_p, permutations = shuffle_p(data, np.random.default_rng(asked.seed))
    means = block_means(bags, reference, method)
    stages = _matched(trial.bags, reference, method)
    return Comparison(
        reference=reference,
        method=method,
        overall=overall,
        k=fit.k,
        block_sd=fit.block_sd,
        permutation_p=permutation_p,
        permutations=permutations,
        equivalence=None if asked.margin is None else _equivalence(data, fit, asked),
        by_site=_ratios_by(bags, method, "site", asked.level),
        by_stage=_ratios_by(stages, method, "stage", asked.level),
        sites_p=_sites_p(data, fit, np.random.default_rng([asked.seed, 1])),
        correlation=rank_correlation(means, level=asked.level),
        zeros=compare_zeros(means),
        effort=(weigh_effort(trial, reference), weigh_effort(trial, method)),
        blocks_for=_blocks_for(overall, asked, data),
        trial=trial,
    )


def _choose_methods(trial: Trial, asked: Question) -> tuple[str, str]:
    there = trial.methods
    problems = [
        Problem(option, f"'{name}'", f"one of: {', '.join(there) or 'none'}", "name one that the counts hold")
        for option, name in (("--reference", asked.reference), ("--method", asked.method))
        if name is not None and name not in there
    ]
    if len(there) < 2:  # noqa: PLR2004 - a comparison takes two
        found = f"one method, {there[0]}" if there else "no method"
        problems.append(Problem(trial.source, found, "bags of two methods", "draw a visit with design --compare"))
    if problems:
        raise EstimateError(problems)
    reference = asked.reference or next(name for name in there if name != asked.method)
    method = asked.method or next(name for name in there if name != reference)
    if method == reference:
        raise EstimateError(Problem("--method", f"'{method}' twice", "two methods", "name another"))
    return reference, method


def _check(asked: Question) -> None:
    problems = []
    if asked.margin is not None and not 1 < asked.margin <= 10:  # noqa: PLR2004 - tenfold is no sameness
        expected = "a margin above 0 % and up to 900 %"
        problems.append(Problem("--margin", f"{asked.margin - 1:.4g}", expected, "write for instance 25%"))
    if not 0.5 <= asked.level < 1:  # noqa: PLR2004
        problems.append(Problem("--level", f"{asked.level:g}", "from 0.5 to below 1", "write for instance 0.95"))
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


def _equivalence(data: Blocks, fit: Fit, asked: Question) -> Equivalence:
    """Return two one-sided tests (Schuirmann 1987, J. Pharmacokinet. Biopharm. 15:657-680) on the log ratio."""
    margin = float(asked.margin or 1)
    alpha = 1 - asked.level
    log_margin = math.log(margin)
    p = max(one_sided_p(data, fit, -log_margin, 1), one_sided_p(data, fit, log_margin, -1))
    return Equivalence(margin, p, ratio_interval(data, fit, level=1 - 2 * alpha), p <= alpha)


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


def _blocks_for(overall: Ratio, asked: Question, data: Blocks) -> dict[str, int]:
    """Return about how many blocks like these would settle what may be open, with a chance of 80 %.

    The variance of the log ratio a block is taken from the interval found (normal approximation).
    """
    low, high = overall.interval.low, overall.interval.high
    if low <= 0 or not math.isfinite(high):
        return {}
    reach = float(stats.t.ppf((1 + asked.level) / 2, data.freedom))
    a_block = ((math.log(high) - math.log(low)) / (2 * reach)) ** 2 * data.n_blocks
    two_sided, one_sided = stats.norm.ppf((1 + asked.level) / 2), stats.norm.ppf(asked.level)
    power, both = stats.norm.ppf(POWER), stats.norm.ppf((1 + POWER) / 2)
    margin = math.log(asked.margin or 1.25)
    name = f"{100 * (math.exp(margin) - 1):.0f} %"
    return {
        f"tell a difference of {name}": math.ceil(a_block * ((two_sided + power) / margin) ** 2),
        f"show that they are the same within {name}": math.ceil(a_block * ((one_sided + both) / margin) ** 2),
    }
