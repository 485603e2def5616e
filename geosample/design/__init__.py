"""Stage 2, design: Ground in, Design (where to pull plugs, how many, in what order) out."""

from geosample.design.model import Design, Visit, load_design, save_design

__all__ = ["Design", "Visit", "load_design", "save_design"]
