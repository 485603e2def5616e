"""Stage 1, ground: polygon files in, a clean sampling frame (Ground) out."""

from geosample.files.reading import Note
from geosample.ground.aerial import Aerial, Bounds, cut_aerial, find_bounds, note_aerial
from geosample.ground.cutting import (
    add_approaches,
    add_collars,
    clip_pieces,
    cut_cells,
    draw_squares,
    edge_lines,
    is_area,
    join_squares,
    measure_edge,
    only_polygons,
    outer_turf,
    split_border,
)
from geosample.ground.formats import FORMATS, WGS84
from geosample.ground.model import (
    Ground,
    Moved,
    Replaced,
    check_not_survey,
    ground_version,
    kept_crs,
    load_ground,
    replace_ground,
    save_ground,
)
from geosample.ground.naming import KINDS, parse_kinds
from geosample.ground.placing import Pairs, open_shapes, read_crs, read_own_shapes, turn_between
from geosample.ground.reading import UnknownKindsError, read_ground
from geosample.ground.writing import draw_ground, write_ground

__all__ = [
    "FORMATS",
    "KINDS",
    "WGS84",
    "Aerial",
    "Bounds",
    "Ground",
    "Moved",
    "Note",
    "Pairs",
    "Replaced",
    "UnknownKindsError",
    "add_approaches",
    "add_collars",
    "check_not_survey",
    "clip_pieces",
    "cut_aerial",
    "cut_cells",
    "draw_ground",
    "draw_squares",
    "edge_lines",
    "find_bounds",
    "ground_version",
    "is_area",
    "join_squares",
    "kept_crs",
    "load_ground",
    "measure_edge",
    "note_aerial",
    "only_polygons",
    "open_shapes",
    "outer_turf",
    "parse_kinds",
    "read_crs",
    "read_ground",
    "read_own_shapes",
    "replace_ground",
    "save_ground",
    "split_border",
    "turn_between",
    "write_ground",
]
