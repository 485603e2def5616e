"""Stage 5, estimate: Counts and Design in, Estimates (means, stage mix, border ratio, intervals) out."""

from geosample.estimate.answer import estimate_means
from geosample.estimate.bags import Settings
from geosample.estimate.intervals import Interval
from geosample.estimate.model import Estimates, save_estimates
from geosample.estimate.recovery import Recovery, parse_recovery
from geosample.estimate.sentences import judge_border

__all__ = [
    "Estimates",
    "Interval",
    "Recovery",
    "Settings",
    "estimate_means",
    "judge_border",
    "parse_recovery",
    "save_estimates",
]
