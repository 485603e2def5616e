"""The map in a few lines: what it is worth, how much is known, how much may be above the threshold."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from geosample.cautions import GRADES
from geosample.density.model import DensityMap, decide_at, exceedance, is_one_sided
from geosample.density.patches import LEVELS
from geosample.errors import DensityError, Problem
from geosample.pests import list_pests, load_pest
from geosample.report import show_table
from geosample.units import Units, percent, show_area, show_density, show_length, show_number

if TYPE_CHECKING:
    from geosample.report import Summary

FEWEST_CELLS = 10
"""A surface in fewer cells than this is no map (own choice)."""


def starting_threshold(pest: str) -> tuple[float, str]:
    """Return a density per m² to start from, the first of the pest's profile, and where it comes from.

    Raises
    ------
    DensityError
        When the pest has no profile or its profile no threshold.

    Examples
    --------
    >>> per_m2, source = starting_threshold("annual bluegrass weevil")
    >>> round(per_m2), source
    (323, 'early season; lower under stress; Maryland golf BMP')
    """
    thresholds = load_pest(pest).thresholds if pest in list_pests() else ()
    if not thresholds:
        remedy = "give one, such as --threshold 30/ft2"
        raise DensityError(Problem("--threshold", f"none, and none is known for {pest}", "a density", remedy))
    first = thresholds[0]
    return first.low_per_m2, f"{first.when}; {first.source or GRADES[first.grade]}"


def summarise_map(density_map: DensityMap, threshold_per_m2: float, units: Units = "us") -> tuple[list[str], Summary]:
    """Return the lines to print and the same as a summary in plain JSON types.

    Parameters
    ----------
    density_map : DensityMap
        What is summed up.
    threshold_per_m2 : float
        What it is held against, insects per m².
    units : {"us", "metric"}
        Of the lines; the summary stays per m².
    """
    cells, fitted = density_map.cells, density_map.fitted
    area = cells["area_m2"].to_numpy(float)
    summary: dict[str, Any] = {
        "visit": density_map.visit,
        "pest": density_map.pest,
        "cells": len(cells),
        "cell_m": density_map.cell_m,
        "area_m2": float(area.sum()),
        "known_share": float(area[cells["known"].to_numpy(bool)].sum() / area.sum()),
        "threshold_per_m2": threshold_per_m2,
        "map_worth": fitted["map_worth"],
    }
    simulated = density_map.settings.get("simulated")
    lines = [
        *([simulated] if simulated else []),
        f"{density_map.pest}, visit {density_map.visit}: {show_area(area.sum(), units)} in {len(cells):,} cells.",
        *_line_of_coarse(density_map, units),
        str(fitted["map_worth"]["sentence"]),
    ]
    if fitted["no_map"]:
        return lines, {**summary, "bound_per_m2": fitted["bound_per_m2"]}
    told, decided = _lines_of_threshold(density_map, threshold_per_m2, units)
    findings = density_map.findings[["what", "domain", "value", "low", "high"]].to_dict("records")
    lines += [*_lines_of_scores(fitted["map_worth"]), *_lines_of_fit(density_map, units), *told]
    return lines, {**summary, **decided, "findings": findings}


def _lines_of_threshold(
    density_map: DensityMap, threshold_per_m2: float, units: Units
) -> tuple[list[str], dict[str, float]]:
    """Return how much can be decided at a threshold and how much is likely above it, in words and in plain figures."""
    cells, threshold = density_map.cells, show_density(threshold_per_m2, units)
    area, over = cells["area_m2"].to_numpy(float), exceedance(density_map, threshold_per_m2)
    decided = decide_at(density_map, threshold_per_m2).cells["known"].to_numpy(bool)
    settled = float(area[decided].sum() / area.sum())
    sure = float(area[is_one_sided(cells, threshold_per_m2)].sum() / area.sum())
    likely = {level: float(area[over >= level].sum()) for level in LEVELS}
    lines = [
        f"The counts speak for {percent(settled)} of the area at {threshold}; the rest is not known, which is not the "
        "same as clean.",
        f"Wholly above or below {threshold}, by the interval: {percent(sure)} of the area; elsewhere only chances say.",
        f"Above {threshold}: more likely than not on {show_area(likely[0.5], units)}, with 80 % probability or more on "
        f"{show_area(likely[0.8], units)}.",
        *_line_of_reach(threshold_per_m2, (cells["low_per_m2"].min(), cells["high_per_m2"].max()), units),
    ]
    return lines, {
        "decided_share": settled,
        "one_sided_share": sure,
        **{f"area_over_{level:g}_m2": value for level, value in likely.items()},
    }


def _line_of_coarse(density_map: DensityMap, units: Units) -> list[str]:
    """Return a warning where the cells are too large to show anything inside a surface."""
    pieces = density_map.cells["surface_id"].value_counts()
    few = int((pieces < FEWEST_CELLS).sum())
    if not few:
        return []
    return [
        f"Cells of {show_length(density_map.cell_m, units)} are large for this ground: {few} of {len(pieces)} surfaces "
        f"have fewer than {FEWEST_CELLS} cells, each of which stands for all inside it. Take smaller ones with --cell."
    ]


def _line_of_reach(threshold_per_m2: float, reach: tuple[float, float], units: Units) -> list[str]:
    if reach[0] <= threshold_per_m2 <= reach[1]:
        return []
    threshold, low, high = (show_density(value, units) for value in (threshold_per_m2, *reach))
    return [f"The threshold of {threshold} lies outside everything on the map ({low} to {high}): check its unit."]


def _lines_of_scores(worth: dict[str, Any]) -> list[str]:
    names = {"map": "this map", "average": "one average", "distance": "inverse distance, tuned"}
    rows = [[name, f"{worth['log_score'][key]:.3f}", f"{worth['crps'][key]:.3f}"] for key, name in names.items()]
    holds = ", ".join(f"{percent(float(level))} held {percent(share)}" for level, share in worth["holds"].items())
    return [
        *show_table(["each count foretold from the others", "log score", "CRPS"], rows),
        f"(lower is better; predictive intervals of {holds} of the counts)",
    ]


def _lines_of_fit(density_map: DensityMap, units: Units) -> list[str]:
    fitted, findings = density_map.fitted, density_map.findings
    factor = math.exp(fitted["spread"])
    border = findings[findings["what"] == "border effect"].to_dict("records")
    return [
        f"Fitted: k {show_number(fitted['k'])}; densities spread from place to place by a factor of "
        f"{show_number(factor)} (one standard deviation), alike within about {show_length(fitted['range_m'], units)}.",
        *(
            f"At the outer edge over far inside, as the map fits it: {show_number(row['value'])} "
            f"({show_number(row['low'])} to {show_number(row['high'])}). {row['note']}"
            for row in border
        ),
    ]
