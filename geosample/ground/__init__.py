"""Stage 1, ground: polygon files in, a clean sampling frame (Ground) out."""

from geosample.ground.cells import cut_cells
from geosample.ground.edges import edge_lines, measure_edge, only_polygons, outer_turf, split_border
from geosample.ground.model import Ground, Note, load_ground, save_ground
from geosample.ground.reading import read_ground

__all__ = [
    "Ground",
    "Note",
    "cut_cells",
    "edge_lines",
    "load_ground",
    "measure_edge",
    "only_polygons",
    "outer_turf",
    "read_ground",
    "save_ground",
    "split_border",
]
