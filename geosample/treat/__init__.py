"""Stage 7, treat: DensityMap and Ground in, Zones (areas a sprayer can drive, and the plan) out."""

from geosample.treat.amounts import Sprayer
from geosample.treat.cells import use_averages
from geosample.treat.model import Figures, TreatSettings, Zones, load_zones, save_zones
from geosample.treat.plan_pdf import draw_plan, write_plan
from geosample.treat.suggest import gather_evidence, suggest_zones
from geosample.treat.zone_files import write_zones, zone_rows

__all__ = [
    "Figures",
    "Sprayer",
    "TreatSettings",
    "Zones",
    "draw_plan",
    "gather_evidence",
    "load_zones",
    "save_zones",
    "suggest_zones",
    "use_averages",
    "write_plan",
    "write_zones",
    "zone_rows",
]
