"""Stage 4, counts: what came back and its Design in, Counts out."""

from geosample.counts.meaning import Bad, find_columns, know_heading, plain_heading, read_method, read_whole
from geosample.counts.model import (
    Added,
    Counts,
    add_counts,
    find_partly,
    load_counts,
    pair_recounts,
    partly_counted,
    tally,
)
from geosample.counts.reading import read_counts
from geosample.counts.rows import ReadRules, effort_in, is_blank, list_rows, read_amount, read_row, settle_blanks

__all__ = [
    "Added",
    "Bad",
    "Counts",
    "ReadRules",
    "add_counts",
    "effort_in",
    "find_columns",
    "find_partly",
    "is_blank",
    "know_heading",
    "list_rows",
    "load_counts",
    "pair_recounts",
    "partly_counted",
    "plain_heading",
    "read_amount",
    "read_counts",
    "read_method",
    "read_row",
    "read_whole",
    "settle_blanks",
    "tally",
]
