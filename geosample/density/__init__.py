"""Stage 6, density: Counts and Ground in, DensityMap (and how good it is) out."""

from geosample.density.mapping import map_density
from geosample.density.model import DensityMap, exceedance, load_density, save_density
from geosample.density.raster import write_density_tif
from geosample.density.settings import Settings
from geosample.density.summary import summarise_map

__all__ = [
    "DensityMap",
    "Settings",
    "exceedance",
    "load_density",
    "map_density",
    "save_density",
    "summarise_map",
    "write_density_tif",
]
