"""Stage 4, counts: what came back and its Design in, Counts out."""

from geosample.counts.meaning import Bad, ask_two_ways, plain_heading, read_method, read_whole
from geosample.counts.model import Added, Counts, add_counts, load_counts, partly_counted, tally
from geosample.counts.reading import read_counts

__all__ = [
    "Added",
    "Bad",
    "Counts",
    "add_counts",
    "ask_two_ways",
    "load_counts",
    "partly_counted",
    "plain_heading",
    "read_counts",
    "read_method",
    "read_whole",
    "tally",
]
