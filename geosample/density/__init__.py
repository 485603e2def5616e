"""Stage 6, density: Counts and Ground in, DensityMap (and how good it is) out."""

from geosample.density.areas import estimate_areas, predict_at
from geosample.density.mapping import map_density
from geosample.density.model import DensityMap, exceedance, load_density, load_last_density, save_density
from geosample.density.raster import write_density_tif
from geosample.density.settings import Settings
from geosample.density.summary import summarise_map

__all__ = [
    "DensityMap",
    "Settings",
    "estimate_areas",
    "exceedance",
    "load_density",
    "load_last_density",
    "map_density",
    "predict_at",
    "save_density",
    "summarise_map",
    "write_density_tif",
]
