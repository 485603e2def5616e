"""Stage 7, treat: DensityMap and Ground in, Zones (areas a sprayer can drive, and the plan) out."""

from geosample.treat.model import Zones, save_zones

__all__ = ["Zones", "save_zones"]
