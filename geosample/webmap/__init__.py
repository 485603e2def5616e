"""Stage 8, webmap: everything in the survey in, one page that needs no network out."""

from geosample.webmap.draw import draw_map, draw_story
from geosample.webmap.model import Look, Story, gather_story
from geosample.webmap.summary import summarise

__all__ = ["Look", "Story", "draw_map", "draw_story", "gather_story", "summarise"]
