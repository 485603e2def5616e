"""Rows of the survey file for tests that look at a few of their columns: the others hold plausible values."""

from __future__ import annotations

from typing import Any

import pandas as pd

PEST = "annual bluegrass weevil"
VALUES: dict[str, dict[str, Any]] = {
    "visits": {
        "date": "2026-05-04",
        "pest": PEST,
        "unit_shape": "plug",
        "unit_m2": 0.0026,
        "unit_depth_mm": 50.0,
        "units_per_point": 3,
        "design_code": "ABCDE",
        "seed": 7,
        "settings": "{}",
    },
    "points": {
        "surface_id": "01-fairway-1",
        "kind": "fairway",
        "stratum": "fairway",
        "part": "whole",
        "role": "main",
        "edge_m": 2.0,
        "lon": -73.9,
        "lat": 41.5,
        "walk_order": 1,
    },
    "samples": {
        "point_id": "1",
        "method": "brine",
        "status": "counted",
        "plugs": 3,
        "sampled_m2": 0.0078,
        "moved": False,
    },
    "counts": {"sample_id": "1", "pest": PEST, "stage": "L3"},
    "findings": {"pest": PEST, "what": "k", "domain": "all"},
}


def fill_rows(layer: str, **columns: Any) -> pd.DataFrame:
    """Return rows of a layer with the columns as given and a plausible value in each other one that needs one."""
    given = pd.DataFrame(columns)
    return given.assign(**{name: value for name, value in VALUES[layer].items() if name not in columns})
