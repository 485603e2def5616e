"""Two extraction methods compared: bags in matched blocks in, a Comparison (ratio, equivalence, what it costs) out."""

from geosample.compare.answer import compare_methods
from geosample.compare.counters import CounterComparison, compare_counters, gather_recounts, read_recounts
from geosample.compare.model import Comparison, Trial, gather_trial, read_example, read_trial, save_comparison
from geosample.compare.sizing import AIMS, TrialSize, size_trial

__all__ = [
    "AIMS",
    "Comparison",
    "CounterComparison",
    "Trial",
    "TrialSize",
    "compare_counters",
    "compare_methods",
    "gather_recounts",
    "gather_trial",
    "read_example",
    "read_recounts",
    "read_trial",
    "save_comparison",
    "size_trial",
]
