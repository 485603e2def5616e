"""The estimates as people read them: lines for the terminal, a summary for JSON, a CSV."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

from geosample.errors import EstimateError
from geosample.estimate.bags import ALL
from geosample.files.escape import write_csv
from geosample.files.saving import save_file
from geosample.holes import hole_key
from geosample.report import Summary, show_table
from geosample.units import FOOT2_M2, set_percent, show_area, show_number

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    import pandas as pd

    from geosample.estimate.model import Estimates
    from geosample.units import Units

LINE_WIDTH = 100
_HEADS = ("kind", "hole", "surface", "stratum", "part")


def show_estimates(estimates: Estimates, units: Units = "us") -> list[str]:
    """Return the lines for the terminal: the answer first, then the table of densities."""
    told = [line for text in estimates.sentences for line in textwrap.wrap(text, LINE_WIDTH, subsequent_indent="  ")]
    return [*told, "", *table_lines(estimates.estimates, units)]


def table_lines(rows: pd.DataFrame, units: Units = "us") -> list[str]:
    """Return the totals over all stages as a table, in the user's units."""
    unit = "ft²" if units == "us" else "m²"
    scale = FOOT2_M2 if units == "us" else 1.0
    totals = rows[rows["stage"] == ALL]
    level = set_percent(float(totals["level"].iloc[0])) if len(totals) else ""
    heads = ["", f"per {unit}", f"low, {level}", f"high, {level}", "bags", "area"]
    return show_table(heads, [_table_row(row, scale, units) for _, row in _in_reading_order(totals).iterrows()])


def summarise_estimates(estimates: Estimates) -> Summary:
    """Return the summary for JSON: the sentences, and every row; densities per m²."""
    drop = ["visit", "pest"]
    return {
        "visit": estimates.visit,
        "pest": estimates.pest,
        "answer": list(estimates.sentences),
        "estimates": estimates.estimates.drop(columns=drop).to_dict("records"),
        "findings": estimates.findings[estimates.findings["what"] != "answer"].drop(columns=drop).to_dict("records"),
    }


def write_estimates_csv(path: Path, estimates: Estimates) -> None:
    """Write every row of the estimates, per m² and per ft², as CSV (UTF-8).

    Raises
    ------
    EstimateError
        When the file can't be written.
    """
    rows = estimates.estimates
    feet = {f"{end}_per_ft2": rows[f"{end}_per_m2"] * FOOT2_M2 for end in ("mean", "low", "high")}
    save_file(path, write_csv(rows.assign(**feet)), EstimateError)


def _in_reading_order(rows: pd.DataFrame) -> pd.DataFrame:
    places = {name: place for place, name in enumerate((ALL, *_HEADS))}

    def key(row: tuple[str, str]) -> tuple[int, tuple[int, str]]:
        return places[row[0]], hole_key(row[1]) if row[0] == "hole" else (0, "")

    names: Iterable[tuple[str, str]] = zip(rows["domain"], rows["label"], strict=True)
    keys = [key(name) for name in names]
    return rows.iloc[sorted(range(len(rows)), key=keys.__getitem__)]


def _table_row(row: pd.Series, scale: float, units: Units) -> list[str]:
    label = "whole ground" if row["domain"] == ALL else f"{row['domain']} {row['label']}"
    values = [float(row[name]) * scale for name in ("mean_per_m2", "low_per_m2", "high_per_m2")]
    told = ["-" if math.isnan(value) else show_number(value) for value in values]
    return [label, *told, str(row["n"]), show_area(float(row["area_m2"]), units)]
