"""Stage 6, density: Counts and Ground in, DensityMap (and how good it is) out."""

from geosample.density.model import DensityMap, exceedance, load_density, save_density

__all__ = ["DensityMap", "exceedance", "load_density", "save_density"]
