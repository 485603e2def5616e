"""Two extraction methods compared: bags in matched blocks in, a Comparison (ratio, equivalence, what it costs) out."""

from geosample.compare.answer import compare_methods
from geosample.compare.model import Comparison, Trial, gather_trial, read_example, read_trial, save_comparison
from geosample.compare.sizing import AIMS, TrialSize, size_trial

__all__ = [
    "AIMS",
    "Comparison",
    "Trial",
    "TrialSize",
    "compare_methods",
    "gather_trial",
    "read_example",
    "read_trial",
    "save_comparison",
    "size_trial",
]
