"""Stage 2, design: Ground in, Design (where to pull plugs, how many, in what order) out."""

from geosample.design.draw import draw_design
from geosample.design.howmany import CONTAINERS, points_for, precision_of
from geosample.design.methods import draw_spread
from geosample.design.model import (
    Design,
    Visit,
    check_open,
    design_code,
    label_points,
    load_design,
    load_last_design,
    load_visit,
    save_design,
)
from geosample.design.request import (
    Known,
    Request,
    find_name_problems,
    find_wish_problems,
    parse_holes,
    read_known,
)
from geosample.design.stops import StopPlan, check_stop_plan, expect_stops
from geosample.design.walk import order_walk

__all__ = [
    "CONTAINERS",
    "Design",
    "Known",
    "Request",
    "StopPlan",
    "Visit",
    "check_open",
    "check_stop_plan",
    "design_code",
    "draw_design",
    "draw_spread",
    "expect_stops",
    "find_name_problems",
    "find_wish_problems",
    "label_points",
    "load_design",
    "load_last_design",
    "load_visit",
    "order_walk",
    "parse_holes",
    "points_for",
    "precision_of",
    "read_known",
    "save_design",
]
