"""Stage 6, density: Counts and Ground in, DensityMap (and how good it is) out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from geosample.density.followup import MOST_MISS_COST, Looks, draw_followup, weigh_looks
from geosample.density.hotspots import find_hotspots, outline_hotspots
from geosample.density.mapping import map_density, starting_threshold
from geosample.density.model import (
    LEVELS,
    DensityMap,
    MapSettings,
    check_untreated,
    decide_at,
    earlier_counts,
    exceedance,
    is_one_sided,
    join_followup,
    load_density,
    load_newest_density,
    save_density,
    write_density_tif,
)
from geosample.density.places import (
    cells_alone,
    compare_bags,
    covary_places,
    estimate_areas,
    estimate_places,
    find_own_bags,
    predict_at,
    write_places,
)

if TYPE_CHECKING:
    from geosample.density.field import CountField

__all__ = [
    "LEVELS",
    "MOST_MISS_COST",
    "CountField",
    "DensityMap",
    "Looks",
    "MapSettings",
    "cells_alone",
    "check_untreated",
    "compare_bags",
    "covary_places",
    "decide_at",
    "draw_followup",
    "earlier_counts",
    "estimate_areas",
    "estimate_places",
    "exceedance",
    "find_hotspots",
    "find_own_bags",
    "is_one_sided",
    "join_followup",
    "load_density",
    "load_newest_density",
    "map_density",
    "outline_hotspots",
    "predict_at",
    "save_density",
    "starting_threshold",
    "weigh_looks",
    "write_density_tif",
    "write_places",
]


def __getattr__(name: str) -> object:
    """Load the estimator, and scikit-learn with it, when it is first asked for."""
    if name == "CountField":
        from geosample.density.field import CountField

        return CountField
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)
