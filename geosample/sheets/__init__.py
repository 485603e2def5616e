"""Stage 3, sheets: Design in, paper, waypoints and blank forms out."""

from geosample.sheets.bench import StopTable
from geosample.sheets.blanks import blank_rows, sheet_columns, stage_columns
from geosample.sheets.finding import PACE_M
from geosample.sheets.write import Sheets, find_points, save_finding, write_sheets

__all__ = [
    "PACE_M",
    "Sheets",
    "StopTable",
    "blank_rows",
    "find_points",
    "save_finding",
    "sheet_columns",
    "stage_columns",
    "write_sheets",
]
