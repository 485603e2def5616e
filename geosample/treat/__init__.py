"""Stage 7, treat: DensityMap and Ground in, Zones (areas a sprayer can drive, and the plan) out."""

from geosample.treat.areas import sum_areas
from geosample.treat.model import Zones, load_zones, save_zones
from geosample.treat.plan import draw_plan, write_plan
from geosample.treat.settings import TreatSettings
from geosample.treat.suggest import suggest_zones
from geosample.treat.write import write_zones, zone_rows

__all__ = [
    "TreatSettings",
    "Zones",
    "draw_plan",
    "load_zones",
    "save_zones",
    "suggest_zones",
    "sum_areas",
    "write_plan",
    "write_zones",
    "zone_rows",
]
