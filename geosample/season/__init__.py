"""Season: the visits of a year, what changed between them, what was used, and when degree-days say to look again."""

from geosample.season.change import Change, compare_means, map_change
from geosample.season.degree_days import Temperatures, read_temperatures, sum_year
from geosample.season.model import Season, read_ledger, tell_season, write_changes, write_ledger, write_season

__all__ = [
    "Change",
    "Season",
    "Temperatures",
    "compare_means",
    "map_change",
    "read_ledger",
    "read_temperatures",
    "sum_year",
    "tell_season",
    "write_changes",
    "write_ledger",
    "write_season",
]
