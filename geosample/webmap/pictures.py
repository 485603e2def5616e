"""All pictures of the density map for one page."""

from __future__ import annotations

from dataclasses import dataclass

from geosample.webmap import measures
from geosample.webmap.model import Look, Story
from geosample.webmap.raster import PixelGrid, lay_pixels


@dataclass(frozen=True, slots=True)
class Drawn:
    """The density map drawn.

    Parameters
    ----------
    grid : PixelGrid
        Where the pictures lie.
    density, width : Picture
        Expected density, and how wide its interval is.
    steps : tuple of Step
        The chance of more than each threshold, rising.
    first : int
        The step shown first: the plan's threshold where there is a plan, else the middle one.
    """

    grid: PixelGrid
    density: measures.Picture
    width: measures.Picture
    steps: tuple[measures.Step, ...]
    first: int


def draw_pictures(story: Story, look: Look) -> Drawn | None:
    """Return the density map's pictures, None before there is a map."""
    density_map, settled = story.density, story.settled
    if density_map is None or settled is None:
        return None
    grid = lay_pixels(density_map, story.surfaces)
    planned = story.planned_per_m2
    thresholds = measures.choose_thresholds(density_map, look.thresholds_per_m2, planned, look.units)
    steps = measures.draw_steps(density_map, grid, thresholds, planned)
    first = thresholds.index(planned) if planned else len(thresholds) // 2
    density = measures.draw_density(settled, grid, look.units, threshold_per_m2=story.threshold_per_m2)
    width = measures.draw_width(settled, grid, look.units)
    return Drawn(grid, density, width, tuple(steps), first)
