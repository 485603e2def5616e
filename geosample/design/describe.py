"""A design in words and in plain JSON: what each stratum was given, and how evenly the points lie."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geosample.design.howmany import advise_points
from geosample.design.model import Design
from geosample.design.walk import walk_m
from geosample.report import Summary, show_table
from geosample.units import FOOT2_M2, Units, show_area, show_length, show_number

if TYPE_CHECKING:
    import geopandas as gpd

_SPREAD_WELL = 0.15  # the balance above which it is said (own choice)
_HEADS = ("stratum", "points", "reserve", "area", "one point stands for", "balance")


def summarise_design(design: Design) -> Summary:
    """Return the design's figures in plain types, units in the keys."""
    visit = design.visit
    main = design.points[design.points["role"] == "main"]
    return {
        "visit": visit.visit,
        "date": visit.date,
        "pest": visit.pest,
        "design_code": visit.design_code,
        "seed": visit.seed,
        "method": visit.settings["method"],
        "points": len(main),
        "reserve": len(design.points) - len(main),
        "plugs": len(main) * visit.units_per_point,
        "area_m2": float(design.strata["area_m2"].sum()),
        "point_m2": visit.point_m2,
        "walk_m": walk_m(shapely.get_coordinates(main.geometry.to_numpy())),
        "strata": [_stratum_figures(main, row) for row in visit.settings["strata"]],
    }


def describe_design(design: Design, units: Units = "us") -> list[str]:
    """Return the lines a person reads: the strata, the walk, and how the draw was made."""
    summary = summarise_design(design)
    unit = f"{design.visit.units_per_point} {design.visit.unit_shape}{'s' if design.visit.units_per_point > 1 else ''}"
    return [
        f"Visit {summary['visit']}: {summary['points']} points and {summary['reserve']} in reserve on "
        f"{show_area(summary['area_m2'], units)}, {unit} a point, design {summary['design_code']}, "
        f"seed {summary['seed']}.",
        "",
        *show_table(_HEADS, [_stratum_row(row, units) for row in summary["strata"]]),
        "",
        *_remarks(design, summary, units),
        "",
        *advise_points(design.visit, summary["strata"], units),
    ]


def _stratum_figures(main: gpd.GeoDataFrame, row: dict[str, Any]) -> dict[str, Any]:
    density = main.loc[main["stratum"] == row["stratum"], "inclusion_per_m2"]
    ends = (float(density.min()), float(density.max())) if len(density) else (float("nan"), float("nan"))
    keep = {key: row[key] for key in ("stratum", "main", "reserve", "area_m2", "balance")}
    return {**keep, "density_low_per_m2": ends[0], "density_high_per_m2": ends[1]}


def _stratum_row(row: dict[str, Any], units: Units) -> list[str]:
    stands = [show_small_area(1 / row[f"density_{end}_per_m2"], units) for end in ("high", "low")]
    spread = stands[0] if stands[0] == stands[1] else f"{stands[0]} to {stands[1]}"
    balance = f"{row['balance']:.3f}" if np.isfinite(row["balance"]) else "-"
    return [row["stratum"], f"{row['main']}", f"{row['reserve']}", show_area(row["area_m2"], units), spread, balance]


def show_small_area(area_m2: float, units: Units) -> str:
    """Return an area in ft² or m² to two or three figures, however large.

    Examples
    --------
    >>> show_small_area(7.2, "us"), show_small_area(140.0, "metric")
    ('78 ft²', '140 m²')
    """
    return f"{show_number(area_m2 / FOOT2_M2)} ft²" if units == "us" else f"{show_number(area_m2)} m²"


def _remarks(design: Design, summary: Summary, units: Units) -> Iterator[str]:
    settings = design.visit.settings
    rows = settings["strata"]
    yield (
        f"Shares: {settings['allocation']} allocation, at least {min(row['planned'] for row in rows)} a stratum. "
        "Balance (Voronoi): 0 is perfectly even, about 0.3 is chance."
    )
    poor = [row["stratum"] for row in rows if row["balance"] > _SPREAD_WELL and settings["method"] == "balanced"]
    if poor:
        yield f"Less even than usual by the luck of this draw: {', '.join(poor)}."
    odd = [row for row in rows if row["main"] != row["planned"]]
    if odd:
        told = ", ".join(f"{row['stratum']} {row['main']} for {row['planned']}" for row in odd)
        yield f"Method {settings['method']} gives a number that varies with its start: {told}. The densities are exact."
    yield f"Walk: {show_length(summary['walk_m'], units)} in straight lines from the first point to the last."
