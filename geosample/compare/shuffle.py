"""The permutation test: method labels are shuffled inside blocks only, as the design gave them out."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np

from geosample.compare.mixed import Blocks, Floats

MOST = 9999
"""Shuffles drawn when there are more (common practice, no source)."""


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
