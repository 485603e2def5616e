"""Stage 8, webmap: everything in the survey in, one page that needs no network out."""

from geosample.webmap.page import draw_map
from geosample.webmap.story import MOST_OTHERS, Story, gather_results, gather_stories, gather_story

__all__ = ["MOST_OTHERS", "Story", "draw_map", "gather_results", "gather_stories", "gather_story"]
