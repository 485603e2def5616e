"""Stage 5, estimate: Counts and Design in, Estimates (means, stage mix, border ratio, intervals) out."""

from geosample.estimate.model import Estimates, save_estimates

__all__ = ["Estimates", "save_estimates"]
