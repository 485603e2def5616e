"""Stage 4, counts: what came back and its Design in, Counts out."""

from geosample.counts.model import Counts, RowNote, load_counts, save_counts, tally

__all__ = ["Counts", "RowNote", "load_counts", "save_counts", "tally"]
