"""The ground for others: a picture of what was understood, kind by kind, and files of it for any other program."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geosample.errors import GroundError, Problem
from geosample.files.saving import pack_shapefiles, save_file
from geosample.palettes import GREENS, GREYS, OKABE_ITO, VIRIDIS

if TYPE_CHECKING:
    from geosample.drawing import MapLayer, MapView
    from geosample.ground.model import Ground

_FILLS = {
    "rough": GREENS[1],
    "fairway": GREENS[3],
    "approach": VIRIDIS[8],
    "tee": OKABE_ITO["purple"],
    "collar": OKABE_ITO["orange"],
    "green": OKABE_ITO["green"],
    "water": OKABE_ITO["sky"],
    "bunker": OKABE_ITO["yellow"],
    "path": GREYS[2],
    "building": GREYS[4],
    "other": GREYS[3],
    "trees": GREENS[8],
}
"""Okabe-Ito, ColorBrewer Greens and Greys, viridis; drawn in this order."""
_LEFT_OUT = OKABE_ITO["vermilion"]
_LONGEST_LABEL = 24
_LONG_MM, _WIDE_MM, _MARGIN_MM, _FOOT_MM = 228.0, 110.0, 6.0, 28.0
_LEGEND_COLUMNS = 6


def draw_ground(ground: Ground, path: Path) -> None:
    """Write a PNG of the ground, north up.

    Parameters
    ----------
    ground : Ground
        As read.
    path : Path
        The picture; an existing one is replaced.

    Raises
    ------
    GroundError
        When the name does not end in ``.png`` or the folder can't be written.
    """
    from geosample.drawing import Box, Png, Text, draw_scale_bar, draw_view, write_text

    if path.suffix.lower() != ".png":
        raise GroundError(Problem("picture", f"the ending '{path.suffix}'", ".png", "name it such as course.png"))
    view = _fit(ground)
    frame = view.frame
    paper = Png(frame.width_mm + 2 * _MARGIN_MM, frame.north_mm + _MARGIN_MM)
    unplaced = draw_view(
        *(paper, view, _kind_layers(ground), _name_layers(ground)),
        units="metric",
        scale_at=(frame.west_mm + 2, 3.0),
        legend=Box(frame.west_mm, 0.0, frame.width_mm, frame.south_mm - 2),
        legend_columns=_LEGEND_COLUMNS if frame.width_mm > _WIDE_MM * 2 else _LEGEND_COLUMNS // 2,
    )
    draw_scale_bar(paper, view, frame.west_mm + 85, 3.0, units="us")
    if unplaced:
        told = f"No room for: {', '.join(dict.fromkeys(unplaced))}"
        write_text(paper, told, frame.west_mm, frame.north_mm + 2, Text(7, colour=_LEFT_OUT))
    save_file(path, paper.to_bytes(), GroundError)


def _fit(ground: Ground) -> MapView:
    """Return all of the ground on a picture as long as the screen is wide."""
    from geosample.drawing import Box, MapView

    shapes = [*ground.surfaces.geometry, *ground.obstacles.geometry]
    if ground.left_out is not None:
        shapes += list(ground.left_out.geometry)
    west, south, east, north = shapely.total_bounds(shapes)
    wide_m, high_m = max(east - west, 1.0), max(north - south, 1.0)
    scale = int(np.ceil(1000 * max(wide_m, high_m, 40.0) / _LONG_MM))
    width_mm, height_mm = (1000 * far_m / scale + 2 * _MARGIN_MM for far_m in (wide_m, high_m))
    frame = Box(_MARGIN_MM, _FOOT_MM, max(width_mm, _WIDE_MM), height_mm)
    return MapView(frame, scale, (west + east) / 2, (south + north) / 2)


def _kind_layers(ground: Ground) -> list[MapLayer]:
    """Return what was understood, kind by kind, with the number of each."""
    from geosample.drawing import Look, MapLayer, Mark

    layers = []
    for kind, colour in _FILLS.items():
        both = [frame.geometry[frame["kind"] == kind].to_numpy() for frame in (ground.surfaces, ground.obstacles)]
        shapes = np.concatenate(both)
        line_mm = 0.2 if kind == "trees" else 0.4  # long lines of trees must not hide the turf they run beside
        looks: dict[int, Look | Mark] = {
            2: Look(colour, line_colour=GREYS[5], line_mm=0.1),
            1: Look(line_colour=colour, line_mm=line_mm),
            0: Mark(0.6, colour, colour, 0.1, rim_mm=0),
        }
        words = f"{kind} {len(shapes)}"
        for size, look in looks.items():
            some = shapes[shapely.get_dimensions(shapes) == size]
            layers.append(MapLayer(some, look, words))
            words = "" if len(some) else words
    return layers


def _name_layers(ground: Ground) -> list[MapLayer]:
    """Return the landmarks, the holes' numbers beside their greens, and what was left out or is not known."""
    from geosample.drawing import Look, MapLayer, Mark, Text

    layers = []
    if ground.landmarks is not None:
        middles = shapely.centroid(ground.landmarks.geometry.to_numpy())
        layers.append(MapLayer(middles, Mark(0.6, line_mm=0.1, rim_mm=0), f"landmark {len(middles)}"))
    greens_first = ground.surfaces.sort_values("kind", key=lambda kind: kind != "green", kind="stable")
    named = greens_first[greens_first["hole"].notna()].drop_duplicates("hole")
    holes = named["hole"].astype(str).tolist()
    beside = Look(line_mm=0)
    layers.append(MapLayer(named.geometry.to_numpy(), beside, labels=holes, label_style=Text(8.5, bold=True)))
    if ground.left_out is None:
        return layers
    left_out = ground.left_out
    shapes, size = left_out.geometry.to_numpy(), shapely.get_dimensions(left_out.geometry.to_numpy())
    words, outline = f"left out or not known {len(shapes)}", Look(line_colour=_LEFT_OUT, line_mm=0.2)
    reach = left_out.area + left_out.length
    largest = left_out.loc[reach.groupby(left_out["label"]).idxmax()]  # each label once
    labels = [str(label)[:_LONGEST_LABEL] for label in largest["label"]]
    return [
        *layers,
        MapLayer(shapes[size > 0], outline, words),
        MapLayer(shapes[size == 0], Mark(0.6, _LEFT_OUT, _LEFT_OUT, 0.1, rim_mm=0), "" if (size > 0).any() else words),
        MapLayer(largest.geometry.to_numpy(), outline, labels=labels, label_style=Text(6.5, colour=_LEFT_OUT)),
    ]


_ENDINGS = (".geojson", ".kml", ".zip")
_DECIMALS = "12"  # of a degree, 0.1 µm: the 7 that GeoJSON recommends change a green's area by 1e-5 of itself
_OWN = ["surface_id", "kind", "hole", "name", "geometry"]
_WALKED = ["edge_doubt_m", "area_doubt"]
"""Written where an edge was walked: what it is known by is lost otherwise."""


def write_ground(ground: Ground, path: Path) -> None:
    """Write surfaces, obstacles and landmarks as a file that any other program opens, and ``read_ground`` too.

    Parameters
    ----------
    ground : Ground
        As read.
    path : Path
        Ending in ``.geojson`` (RFC 7946, but with 12 decimals), ``.kml``, or ``.zip`` for shapefiles, one for
        polygons, lines and points each; an existing file is replaced.

    Raises
    ------
    GroundError
        For another ending, or when the folder can't be written.

    Notes
    -----
    Read back, no surface's area changes by more than 1e-6 of itself: pieces of one surface are known by its id, and
    walked edges keep the doubt they were given.
    """
    import pyogrio

    ending = path.suffix.lower()
    if ending not in _ENDINGS:
        raise GroundError(Problem("out", f"the ending '{path.suffix}'", ", ".join(_ENDINGS), "name it course.geojson"))
    frames = [ground.surfaces, ground.obstacles, *([] if ground.landmarks is None else [ground.landmarks])]
    doubts = [name for name in _WALKED if name in ground.surfaces and ground.surfaces[name].notna().any()]
    rows = pd.concat([frame.reindex(columns=[*doubts, *_OWN]) for frame in frames if len(frame)], ignore_index=True)
    frame = gpd.GeoDataFrame(rows, geometry="geometry", crs=ground.crs).to_crs(4326)
    if ending == ".zip":
        size = shapely.get_dimensions(frame.geometry.to_numpy())
        names = (("points", "Point"), ("lines", "LineString"), ("polygons", "Polygon"))
        frame = frame.rename(columns={"edge_doubt_m": "edge_doubt"})  # names of ten letters are all the format has
        shapes = {name: frame[size == number] for number, name in enumerate(names) if (size == number).any()}
        save_file(path, pack_shapefiles(shapes), GroundError)
        return
    text = io.BytesIO()
    if ending == ".geojson":
        how = {"driver": "GeoJSON", "RFC7946": "YES", "COORDINATE_PRECISION": _DECIMALS}
    else:
        how = {"driver": "LIBKML"}
        words = frame[["hole", "kind"]].fillna("").agg(" ".join, axis=1).str.strip()
        frame = frame.assign(Name=words)
    pyogrio.write_dataframe(frame, text, layer="ground", geometry_type="Unknown", **how)
    save_file(path, text.getvalue(), GroundError)
