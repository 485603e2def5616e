"""How often a comparison's intervals cover, its tests raise false alarms, and it calls methods at the margin the same.

Run: python tests/benchmarks/compare_rates.py [--trials N] [--write].
Trials are blocks of four bags, two a method; k 1.5 a bag, sd of the blocks' log density 0.7: invented, as stated.
"""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pandas as pd
from bench import as_markdown, ask, beside
from numpy.typing import NDArray

from geosample.compare.answer import Blocks, fit_ratio, one_sided_p, ratio_interval, shuffle_p

K, BLOCK_SD, SEED = 1.5, 0.7, 4
MARGIN = 1.5


def draw_blocks(rng: np.random.Generator, blocks: int, mean: float, ratio: float) -> Blocks:
    """Return a trial of blocks of four, labels shuffled inside blocks."""
    block = np.repeat(np.arange(blocks), 4)
    is_method: NDArray[np.float64] = np.concatenate([rng.permutation([0.0, 0.0, 1.0, 1.0]) for _ in range(blocks)])
    here = mean * np.exp(rng.normal(-(BLOCK_SD**2) / 2, BLOCK_SD, blocks))[block]
    count = rng.poisson(here * rng.gamma(K, 1 / K, block.size) * np.where(is_method > 0, ratio, 1.0))
    return Blocks(count.astype(float), np.ones(block.size), is_method, np.zeros(block.size, dtype=np.intp), block)


def run_cell(blocks: int, mean: float, ratio: float, trials: int) -> dict[str, object]:
    """Return the rates of one cell of the study, in per cent."""
    rng = np.random.default_rng([SEED, blocks, int(10 * mean), int(10 * ratio)])
    hits = []
    for _ in range(trials):
        data = draw_blocks(rng, blocks, mean, ratio)
        while not data.count.any():
            data = draw_blocks(rng, blocks, mean, ratio)
        fit = fit_ratio(data)
        interval = ratio_interval(data, fit, level=0.95)
        bounds = [one_sided_p(data, fit, side * math.log(MARGIN), -side) for side in (-1, 1)]
        shuffled = shuffle_p(data, rng, most=999)[0]
        hits.append([interval.low > ratio, interval.high < ratio, shuffled <= 0.05, max(bounds) <= 0.05])
    above, below, alarm, same = 100 * np.mean(hits, axis=0)
    return {
        "blocks": blocks,
        "mean a bag": mean,
        "true ratio": ratio,
        "95 % interval covers": round(100 - above - below, 1),
        "misses, too high": round(above, 1),
        "misses, too low": round(below, 1),
        "shuffles say a difference (5 %)": round(alarm, 1),
        "called the same within 50 % (5 %)": round(same, 1),
    }


def main() -> None:
    asked = ask(__doc__, beside(__file__), trials=(400, 2))
    trials = asked.trials
    cells = [*product((6, 12, 24), (1.0, 4.0), (1.0, MARGIN))][: 1 if asked.smallest else None]
    table = pd.DataFrame([run_cell(*cell, trials) for cell in cells])
    error = 100 * math.sqrt(0.95 * 0.05 / trials)
    text = (
        f"# Rates of the comparison of two methods\n\nMade by `compare_rates.py`: {trials} invented trials a row, "
        f"blocks of four bags, k {K} a bag, block sd {BLOCK_SD}; per cent, "
        f"Monte Carlo error about {error:.1f} near 95 or 5.\n"
        f"Where the true ratio is {MARGIN:g} the methods lie at the margin, and calling them the same is wrong.\n\n"
        f"{as_markdown(table)}\n\nMean cover: {table['95 % interval covers'].mean():.1f} %.\n"
    )
    asked.publish(text)


if __name__ == "__main__":
    main()
