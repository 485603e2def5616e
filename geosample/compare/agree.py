"""Agreement beyond the mean: rank correlation over blocks, who found any, and what each method takes."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from scipy import stats

from geosample.compare.model import Effort, Trial, Zeros
from geosample.estimate import Interval
from geosample.normal import normal_reach

FEWEST_BLOCKS = 5
"""With fewer pairs limits of agreement are not told (own choice)."""
USUAL = {
    "brine": "20-25 min a batch, all told (common practice, no source)",
    "heat": "48 h a batch, nearly all of it waiting (common practice, no source)",
}
"""What a batch usually takes; facts without a published source."""


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
    if len(means) < FEWEST_BLOCKS or (means.nunique() < 2).any():  # noqa: PLR2004 - a constant has no ranks
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
    """Return what a method took a bag, and a found insect, as far as it was noted."""
    bags = trial.whole_bags
    mine = bags[bags["method"] == method]
    found = int(mine["count"].sum())
    minutes, cost = mine["minutes"].mean(), mine["cost"].mean()
    noted = mine[mine["minutes"].notna()]
    per_insect = noted["minutes"].sum() / noted["count"].sum() if noted["count"].sum() else math.nan
    usual = USUAL.get(method, "")
    return Effort(method, len(mine), float(minutes), float(cost), float(per_insect) if found else math.nan, usual)
