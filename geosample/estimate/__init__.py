"""Stage 5, estimate: Counts and Design in, Estimates (means, stage mix, border ratio, intervals) out."""

from geosample.estimate.bags import Recovery, parse_recovery, post_stratify
from geosample.estimate.intervals import Interval
from geosample.estimate.model import (
    EarlierMix,
    Estimates,
    estimate_means,
    judge_border,
    load_estimates,
    load_mix_before,
    save_estimates,
    write_estimates_csv,
)

__all__ = [
    "EarlierMix",
    "Estimates",
    "Interval",
    "Recovery",
    "estimate_means",
    "judge_border",
    "load_estimates",
    "load_mix_before",
    "parse_recovery",
    "post_stratify",
    "save_estimates",
    "write_estimates_csv",
]
