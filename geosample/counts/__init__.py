"""Stage 4, counts: what came back and its Design in, Counts out."""

from geosample.counts.adding import Added, add_counts
from geosample.counts.headings import plain_heading
from geosample.counts.model import Counts, ReadRules, load_counts, tally
from geosample.counts.reading import read_counts
from geosample.counts.values import Bad, ask_two_ways, read_method, read_whole

__all__ = [
    "Added",
    "Bad",
    "Counts",
    "ReadRules",
    "add_counts",
    "ask_two_ways",
    "load_counts",
    "plain_heading",
    "read_counts",
    "read_method",
    "read_whole",
    "tally",
]
