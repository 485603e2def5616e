"""Stage 7, treat: DensityMap and Ground in, Zones (areas a sprayer can drive, and the plan) out."""

from geosample.treat.model import Zones, load_zones, save_zones
from geosample.treat.settings import TreatSettings
from geosample.treat.suggest import suggest_zones

__all__ = ["TreatSettings", "Zones", "load_zones", "save_zones", "suggest_zones"]
