"""Stage 2, design: Ground in, Design (where to pull plugs, how many, in what order) out."""

from geosample.design.describe import describe_design, summarise_design
from geosample.design.draw import draw_design
from geosample.design.model import Design, Visit, check_open, load_design, save_design
from geosample.design.request import Request

__all__ = [
    "Design",
    "Request",
    "Visit",
    "check_open",
    "describe_design",
    "draw_design",
    "load_design",
    "save_design",
    "summarise_design",
]
