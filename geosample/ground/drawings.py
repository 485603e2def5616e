"""Drawings: what a DXF file of an irrigation or as-built plan shows, layer by layer, in the drawing's own coordinates.

References
----------
Autodesk, DXF Reference (header variable ``$INSUNITS``; blocks, whose things on layer 0 take the layer they are put on).
"""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geosample.errors import GroundError, Problem
from geosample.files.reading import Note
from geosample.ground.features import Content, Feature, build_line, build_polygon
from geosample.ground.naming import IGNORE, WORDS, guess_kind, plain_label

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from shapely import Geometry

_FINE = 2e-6
"""How near curves are followed, as a share of the drawing's extent: 2 mm on 1 km (own choice)."""
_SURVEY_FEET = 21  # $INSUNITS: US survey feet, 1200/3937 m
_MOST_THINGS, _DEEPEST = 200_000, 16
"""More things, or blocks in blocks, are no plan of a course (no source)."""
_TOUCH = 1e-9  # of the extent: ends this near close a line
# What the library raises of a damaged drawing, beside its own errors.
_BROKEN = (ArithmeticError, AttributeError, LookupError, OSError, RecursionError, TypeError, ValueError, AssertionError)


def read_dxf(path: Path, data: bytes) -> Content:
    """Return what a DXF drawing holds in model space: outlines, hatches, curves and lines, blocks taken apart.

    Raises
    ------
    GroundError
        When it is no whole DXF drawing, holds too many things, or nothing with a shape.

    Notes
    -----
    Coordinates stay as drawn; ``Content.unit_m`` says what one of them is. A layer tells the kind by its name, or by
    the one word of the trade in it.
    """
    from ezdxf import recover
    from ezdxf.lldxf import const

    if not data.rstrip().endswith(b"EOF") and not data.startswith(b"AutoCAD Binary DXF"):
        remedy = "copy or export it again; save a DWG as DXF"
        raise GroundError(Problem(str(path), "no end of a DXF file", "a whole DXF drawing", remedy))
    try:
        drawing, _ = recover.read(io.BytesIO(data))
        found = list(_read_drawing(path, drawing))
    except (const.DXFError, *_BROKEN) as error:
        if isinstance(error, GroundError):
            raise
        remedy = "it may be damaged: export or copy it again"
        raise GroundError(Problem(str(path), f"a drawing that can't be read ({error})", "DXF", remedy)) from error
    features = tuple(one for one in found if isinstance(one, Feature))
    notes = tuple(one for one in found if isinstance(one, Note))
    return Content(path, features, None, notes, drawing=True, unit_m=_unit_of(drawing))


def _unit_of(drawing: Drawing) -> float | None:
    """Return what one unit of the drawing is, m; None where it does not say."""
    from ezdxf import units

    code = int(drawing.header.get("$INSUNITS", 0) or 0)
    if code == _SURVEY_FEET:
        return 1200 / 3937
    known = 0 < code < len(units.METER_FACTOR)
    per_metre = units.METER_FACTOR[code] if known else None
    return 1 / float(per_metre) if per_metre else None


def _read_drawing(path: Path, drawing: Drawing) -> Iterator[Feature | Note]:
    hidden = {layer.dxf.name.lower() for layer in drawing.layers if layer.is_off() or layer.is_frozen()}
    other: Counter[str] = Counter()
    taken: Counter[str] = Counter()
    things = list(_take_apart(path, drawing.modelspace(), "", "", 0))
    extent = _extent_of(things)
    for number, (entity, layer, block) in enumerate(things, start=1):
        where = f"{path.name}, layer {layer}, thing {number}"
        try:
            shapes = [] if layer.lower() in hidden else list(_shapes_of(entity, extent))
        except _BROKEN:
            yield Note("unreadable", where, facts={"done": "left out"})
            continue
        other["hidden" if layer.lower() in hidden else "shapeless"] += not shapes
        fields, read_as = _name_thing(layer, block)
        taken[read_as] += len(shapes)
        yield from (Feature(shape, fields, (layer,), None, where) for shape in shapes)
    named = sorted((label, count) for label, count in taken.items() if label and count)
    yield from (Note("by_layer", path.name, count, facts={"label": label}) for label, count in named)
    if other.total():
        yield Note("drawing_other", path.name, facts={"things": other.total(), **other})


def _name_thing(layer: str, block: str) -> tuple[dict[str, str], str]:
    """Return what names a thing, and how its kind was read from a word in it; empty where it was not."""
    fields = {"layer": layer} | ({"block": block} if block else {})
    if block and plain_label(block) in WORDS:
        return fields | {"kind": block}, ""
    if plain_label(layer) in WORDS:
        return fields, ""
    guesses = {kind: word for word in (layer, block) if word and (kind := guess_kind(word)) != IGNORE}
    if len(guesses) != 1:
        return fields, ""
    [(kind, word)] = guesses.items()
    return fields | {"kind": kind}, f"{word} as {kind}"


def _take_apart(
    path: Path, entities: Iterable[Any], layer: str, block: str, depth: int, count: list[int] | None = None
) -> Iterator[tuple[Any, str, str]]:
    """Yield the things of a drawing with their layer and the block they stand in; blocks are taken apart."""
    count = [0] if count is None else count
    for entity in entities:
        count[0] += 1
        if count[0] > _MOST_THINGS or depth > _DEEPEST:
            found = f"more than {_MOST_THINGS:,} things, or blocks in more than {_DEEPEST} blocks"
            remedy = "save the layers of greens, fairways and tees alone"
            raise GroundError(Problem(str(path), found, "the plan of a course", remedy))
        own = str(entity.dxf.get("layer", "0"))
        own = layer if own == "0" and layer else own
        if entity.dxftype() == "INSERT":
            copies = entity.multi_insert() if entity.mcount > 1 else [entity]
            for copy in copies:
                inner = copy.virtual_entities()
                yield from _take_apart(path, inner, own, block or str(entity.dxf.name), depth + 1, count)
        else:
            yield entity, own, block


def _extent_of(things: list[tuple[Any, str, str]]) -> float:
    from ezdxf import bbox

    box = bbox.extents((entity for entity, _, _ in things), fast=True)
    return float(max(box.size.x, box.size.y)) if box.has_data else 1.0


def _shapes_of(entity: Any, extent: float) -> Iterator[Geometry]:
    """Yield the shapes of one thing: a polygon for what is closed, else a line; none for text and the like."""
    from ezdxf import path as paths

    fine = max(_FINE * extent, 1e-12)
    kind = entity.dxftype()
    if kind in {"HATCH", "MPOLYGON"}:
        rings = [_corners(one, fine) for one in paths.from_hatch(entity)]
        solids = [shapely.make_valid(shapely.Polygon(ring)) for ring in rings if len(np.unique(ring, axis=0)) > 2]  # noqa: PLR2004
        filled = shapely.Polygon()
        for solid in solids:
            filled = shapely.symmetric_difference(filled, solid)  # an inner ring is not filled
        yield from (part for part in shapely.get_parts(filled) if part.geom_type == "Polygon")
    elif kind in {"LWPOLYLINE", "POLYLINE", "SPLINE", "CIRCLE", "ELLIPSE", "ARC", "LINE"}:
        if kind == "POLYLINE" and not (entity.is_2d_polyline or entity.is_3d_polyline):
            return
        for part in paths.make_path(entity).sub_paths():
            corners = _corners(part, fine)
            near = len(corners) and np.hypot(*(corners[-1] - corners[0])) <= _TOUCH * extent
            shape, _ = build_polygon([corners]) if near and kind != "LINE" else build_line(corners)
            if shape is not None:
                yield shape


def _corners(path: Any, fine: float) -> np.ndarray:
    corners = np.array([(corner.x, corner.y) for corner in path.flattening(fine)], dtype=float).reshape(-1, 2)
    return np.asarray(corners[np.isfinite(corners).all(axis=1)])
