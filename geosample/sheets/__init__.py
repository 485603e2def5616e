"""Stage 3, sheets: Design in, paper, waypoints and blank forms out."""

from geosample.sheets.columns import blank_rows, make_sample_id, sheet_columns, stage_columns

__all__ = ["blank_rows", "make_sample_id", "sheet_columns", "stage_columns"]
