"""Stage 2, design: Ground in, Design (where to pull plugs, how many, in what order) out."""

from geosample.design.describe import describe_design, summarise_design
from geosample.design.draw import draw_design
from geosample.design.effort import CONTAINERS
from geosample.design.howmany import advise_points, points_for, precision_of
from geosample.design.model import Design, Visit, check_open, load_design, save_design
from geosample.design.request import Request
from geosample.design.sequential import StopPlan, check_stop_plan, expect_stops

__all__ = [
    "CONTAINERS",
    "Design",
    "Request",
    "StopPlan",
    "Visit",
    "advise_points",
    "check_open",
    "check_stop_plan",
    "describe_design",
    "draw_design",
    "expect_stops",
    "load_design",
    "points_for",
    "precision_of",
    "save_design",
    "summarise_design",
]
