"""Stage 2, design: Ground in, Design (where to pull plugs, how many, in what order) out."""

from geosample.design.draw import draw_design
from geosample.design.howmany import CONTAINERS
from geosample.design.methods import draw_spread
from geosample.design.model import (
    Design,
    Visit,
    check_day,
    check_open,
    day_facts,
    design_code,
    label_points,
    load_design,
    load_last_design,
    load_visit,
    save_design,
)
from geosample.design.request import Request, find_name_problems, find_wish_problems, read_known
from geosample.design.walk import Ways, find_legs, open_ways, order_walk, share_walk, walk_groups, walk_m

__all__ = [
    "CONTAINERS",
    "Design",
    "Known",
    "Request",
    "Visit",
    "Ways",
    "check_day",
    "check_open",
    "day_facts",
    "design_code",
    "draw_design",
    "draw_spread",
    "find_legs",
    "find_name_problems",
    "find_wish_problems",
    "label_points",
    "load_design",
    "load_last_design",
    "load_visit",
    "open_ways",
    "order_walk",
    "read_known",
    "save_design",
    "share_walk",
    "walk_groups",
    "walk_m",
]
