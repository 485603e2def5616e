"""Stage 6, density: Counts and Ground in, DensityMap (and how good it is) out."""

from geosample.density.areas import covary_places, estimate_areas, predict_at
from geosample.density.asking import read_settings
from geosample.density.followup import MOST_MISS_COST, Followup, draw_followup
from geosample.density.mapping import map_density
from geosample.density.model import (
    DensityMap,
    decide_at,
    exceedance,
    is_one_sided,
    load_density,
    load_last_density,
    load_newest_density,
    save_density,
)
from geosample.density.patches import LEVELS, find_hotspots, outline_hotspots
from geosample.density.places import show_places, tell_places, write_places
from geosample.density.raster import write_density_tif
from geosample.density.rounds import check_untreated, join_rounds
from geosample.density.settings import Settings
from geosample.density.summary import summarise_map

__all__ = [
    "LEVELS",
    "MOST_MISS_COST",
    "DensityMap",
    "Followup",
    "Settings",
    "check_untreated",
    "covary_places",
    "decide_at",
    "draw_followup",
    "estimate_areas",
    "exceedance",
    "find_hotspots",
    "is_one_sided",
    "join_rounds",
    "load_density",
    "load_last_density",
    "load_newest_density",
    "map_density",
    "outline_hotspots",
    "predict_at",
    "read_settings",
    "save_density",
    "show_places",
    "summarise_map",
    "tell_places",
    "write_density_tif",
    "write_places",
]
