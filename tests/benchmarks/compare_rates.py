"""How often a comparison's intervals cover and its tests raise false alarms, beside four models of statsmodels.

Run: python tests/benchmarks/compare_rates.py [--trials N] [--write].
Trials are invented as stated: blocks of one or two bags a method, negative binomial around block effects of sd 0.7.
Peers on the same trials: Poisson with blocks as factors and Pearson's scale (quasi-Poisson), negative binomial with
blocks as factors, GEE (Poisson, exchangeable within blocks, bias-reduced sandwich) and a Poisson mixed model with
blocks and bags as random (posterior mode). Their intervals are Wald's, as the library gives them.
"""

from __future__ import annotations

import math
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import statsmodels.api as sm
from bench import as_markdown, ask, beside
from numpy.typing import NDArray
from scipy import stats
from statsmodels.genmod.bayes_mixed_glm import PoissonBayesMixedGLM

from geosample.compare.answer import Blocks, fit_ratio, log_drop, one_sided_p, ratio_interval, shuffle_p

BLOCK_SD, SEED, MARGIN, REACH = 0.7, 4, 1.5, 1.959964
PEERS = ("quasi-Poisson", "NB, block factors", "GEE", "Poisson mixed")


@dataclass(frozen=True)
class Row:
    """One kind of trial: blocks in all, bags of each method in one, sites, k, true ratio, mean a bag."""

    blocks: int
    bags: int
    sites: int
    k: float
    ratio: float
    mean: float


ROWS = (
    Row(4, 1, 1, 1.0, 1.0, 3.0),
    Row(4, 2, 1, 0.3, 1.0, 3.0),
    Row(5, 2, 1, 1.0, 1.5, 3.0),
    Row(6, 1, 1, 1.0, 1.0, 3.0),
    Row(6, 2, 1, 0.3, 3.0, 2.0),
    Row(6, 2, 2, math.inf, 1.5, 1.0),
    Row(8, 1, 1, 0.3, 1.0, 3.0),
    Row(8, 1, 1, math.inf, 0.5, 2.0),
    Row(8, 2, 1, 1.0, 1.0, 1.0),
    Row(8, 2, 2, 0.3, 1.5, 2.0),
    Row(8, 2, 4, 1.0, 3.0, 3.0),
    Row(12, 1, 1, 1.0, 1.0, 0.6),
    Row(12, 1, 2, 1.0, 1.5, 4.0),
    Row(12, 2, 1, 0.3, 1.0, 1.0),
    Row(12, 2, 4, math.inf, 1.0, 2.0),
    Row(18, 1, 2, 0.3, 1.5, 4.0),
    Row(18, 2, 2, 1.0, 1.5, 3.0),
    Row(30, 1, 1, 0.3, 0.5, 3.0),
    Row(30, 1, 4, 1.0, 1.0, 1.0),
    Row(30, 2, 1, math.inf, 1.5, 1.0),
    Row(30, 2, 2, 1.0, 3.0, 2.0),
)


def draw_blocks(rng: np.random.Generator, row: Row) -> Blocks:
    """Return a trial with labels shuffled inside blocks, sites at different levels, some insects of either method."""
    size = 2 * row.bags
    block = np.repeat(np.arange(row.blocks), size)
    site = (block % row.sites).astype(np.intp)
    level = row.mean * np.geomspace(0.5, 2.0, row.sites)[site] if row.sites > 1 else row.mean
    while True:
        labels = [rng.permutation([0.0] * row.bags + [1.0] * row.bags) for _ in range(row.blocks)]
        is_method: NDArray[np.float64] = np.concatenate(labels)
        here = level * np.exp(rng.normal(-(BLOCK_SD**2) / 2, BLOCK_SD, row.blocks))[block]
        clump = np.ones(block.size) if math.isinf(row.k) else rng.gamma(row.k, 1 / row.k, block.size)
        count = rng.poisson(here * clump * np.where(is_method > 0, row.ratio, 1.0)).astype(float)
        if count[is_method > 0].any() and count[is_method == 0].any():
            return Blocks(count, np.ones(block.size), is_method, site, block)


def _wald(value: float, error: float) -> tuple[float, float]:
    return value - REACH * error, value + REACH * error


def by_peers(data: Blocks) -> dict[str, tuple[float, float]]:
    """Return each peer's 95 % limits of the log ratio; those that do not fit are left out."""
    factors = np.column_stack([data.is_method, np.eye(data.n_blocks)[data.block]])
    plain = np.column_stack([data.is_method, np.eye(data.n_sites)[data.site]])

    def quasi() -> tuple[float, float]:
        found = sm.GLM(data.count, factors, family=sm.families.Poisson()).fit(scale="X2")
        return _wald(found.params[0], found.bse[0])

    def negbin() -> tuple[float, float]:
        found = sm.NegativeBinomial(data.count, factors).fit(disp=0, maxiter=200)
        return _wald(found.params[0], found.bse[0])

    def gee() -> tuple[float, float]:
        model = sm.GEE(
            data.count, plain, groups=data.block, family=sm.families.Poisson(), cov_struct=sm.cov_struct.Exchangeable()
        )
        found = model.fit(cov_type="bias_reduced")
        return _wald(found.params[0], found.bse[0])

    def mixed() -> tuple[float, float]:
        random = np.column_stack([np.eye(data.n_blocks)[data.block], np.eye(data.count.size)])
        ident = np.repeat([0, 1], [data.n_blocks, data.count.size])
        found = PoissonBayesMixedGLM(data.count, plain, random, ident, vcp_p=1.0, fe_p=3.0).fit_map()
        return _wald(found.fe_mean[0], found.fe_sd[0])

    ways: tuple[Callable[[], tuple[float, float]], ...] = (quasi, negbin, gee, mixed)
    limits = {}
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        for name, way in zip(PEERS, ways, strict=True):
            try:
                low, high = way()
            except Exception:
                continue
            if math.isfinite(low) and math.isfinite(high) and high > low:
                limits[name] = (low, high)
    return limits


def run_row(row: Row, trials: int, peers: int) -> dict[str, object]:
    """Return the rates of one kind of trial, in per cent, and each peer's on the first ``peers`` of the trials."""
    rng = np.random.default_rng([SEED, row.blocks, row.bags, row.sites, int(10 * min(row.k, 99)), int(10 * row.ratio)])
    truth, hits = math.log(row.ratio), []
    cover: dict[str, list[bool]] = {name: [] for name in PEERS}
    width: dict[str, list[float]] = {name: [] for name in PEERS}
    ours, zeros, alarms, alike = [], [], [], []
    for turn in range(trials):
        data = draw_blocks(rng, row)
        zeros.append(float((data.count == 0).mean()))
        fit = fit_ratio(data)
        # The limits lie where the drop passes the cut: a truth whose drop stays below it lies between them.
        missed = log_drop(data, fit)(truth) > stats.f.ppf(0.95, 1, data.freedom)
        above = float(fit.log_ratio[0]) > truth
        hits.append([missed and above, missed and not above])
        if row.ratio == 1:
            alarms.append(shuffle_p(data, rng, most=999)[0] <= 0.05)
        if row.ratio in {MARGIN}:
            bounds = [one_sided_p(data, fit, side * math.log(MARGIN), -side) for side in (-1, 1)]
            alike.append(max(bounds) <= 0.05)
        if turn < peers:
            interval = ratio_interval(data, fit, level=0.95)
            if interval.low > 0 and math.isfinite(interval.high):
                ours.append(math.log(interval.high / interval.low))
        for name, (low, high) in (by_peers(data) if turn < peers else {}).items():
            cover[name].append(low <= truth <= high)
            width[name].append(high - low)
    high, low = 100 * np.mean(hits, axis=0)
    told: dict[str, object] = {
        "blocks": row.blocks,
        "bags a method": row.bags,
        "sites": row.sites,
        "k": f"{row.k:g}",
        "zeros": f"{100 * np.mean(zeros):.0f}",
        "ratio": row.ratio,
        "covers": f"{100 - high - low:.1f}",
        "too high": f"{high:.1f}",
        "too low": f"{low:.1f}",
        "width": f"{np.median(ours):.2f}" if ours else "",
        "shuffles differ": f"{100 * np.mean(alarms):.1f}" if alarms else "",
        "called alike": f"{100 * np.mean(alike):.1f}" if alike else "",
    }
    for name in PEERS:
        missing = peers - len(cover[name])
        note = f" [{missing} not fitted]" if missing else ""
        told[name] = f"{100 * np.mean(cover[name]):.1f} ({np.median(width[name]):.2f}){note}" if cover[name] else "none"
    return told


def main() -> None:
    asked = ask(__doc__, beside(__file__), trials=(1000, 2), peers=(60, 2))
    start, rows = time.monotonic(), []
    for row in ROWS[: 2 if asked.smallest else None]:
        rows.append(run_row(row, asked.trials, min(asked.peers, asked.trials)))
        print(f"{time.monotonic() - start:.0f} s {rows[-1]}", flush=True)
    table = pd.DataFrame(rows)
    error = 100 * math.sqrt(0.95 * 0.05 / asked.trials)
    cover = table["covers"].astype(float)
    many = table["blocks"] >= 8
    text = (
        f"# Rates of the comparison of two methods\n\nMade by `compare_rates.py`: {asked.trials} invented trials a row;"
        f" per cent, Monte Carlo error about {error:.1f} near 95 or 5.\n\n"
        f"- 95 % intervals cover {cover.mean():.1f} % on average; least {cover.min():.1f} %; with 8 blocks or more "
        f"{cover[many].min() if many.any() else math.nan:.1f} to {cover[many].max() if many.any() else math.nan:.1f} "
        "%.\n"
        "- `shuffles differ`: the permutation test says a difference at 5 % where there is none. `called alike`: "
        f"equivalence at 5 % where the true ratio lies at the margin, {MARGIN:g}, and calling them alike is wrong.\n"
        f"- Peers: cover (and median width of the log interval, as ours is) on a row's first {asked.peers} trials; "
        "statsmodels, Wald limits.\n\n"
        f"{as_markdown(table)}\n"
    )
    asked.publish(text)


if __name__ == "__main__":
    main()
