"""Stage 4, counts: what came back and its Design in, Counts out."""

from geosample.counts.adding import Added, add_counts
from geosample.counts.model import Counts, RowNote, load_counts, tally
from geosample.counts.reading import read_counts
from geosample.counts.rules import ReadRules

__all__ = [
    "Added",
    "Counts",
    "ReadRules",
    "RowNote",
    "add_counts",
    "load_counts",
    "read_counts",
    "tally",
]
