"""What lies on the map as a picture: the density map in classes, its chances, and the user's own aerial picture.

A picture laid on the page is stretched evenly in Web Mercator; drawn on any other grid it would drift.
"""

from __future__ import annotations

import base64
import io
import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Literal, cast

import numpy as np

from geosample.density import decide_at, exceedance
from geosample.errors import MapError, Problem
from geosample.ground import Aerial, Bounds, cut_aerial
from geosample.palettes import CIVIDIS, GREYS, VIRIDIS, ramp, rgb
from geosample.units import FOOT2_M2, Units, show_density
from geosample.workers import map_threads

if TYPE_CHECKING:
    from collections.abc import Sequence

    import geopandas as gpd
    from PIL import Image

    from geosample.density import DensityMap
    from geosample.webmap.story import Story

WEB_MERCATOR = "EPSG:3857"
# Half a cell keeps a 30 in collar whole; the cap keeps a phone's memory and the page's size in bounds (P).
FINEST_PIXEL_M = 0.5
MOST_PIXELS = 4_000_000
_MARGIN_PX = 2
# Two million pixels as JPEG are about 1 MB: half a metre over a hole or two, a metre over a course (P).
MOST_AERIAL_PIXELS = 2_000_000
# Crossed, light and dark, over the colour of what is expected there: never a clean look.
UNKNOWN = (GREYS[1], GREYS[4])
CHANCE_EDGES = (0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0)
_CLASSES = 6
_CROSS_PX = 8
THRESHOLD_SHARES = (0.0, 0.25, 0.5, 1.0, 2.0, 4.0)
"""Edges of the classes of density, in thresholds (own choice)."""
# Thresholds offered when the user names none, insects per ft² and per m² (P).
_LADDER_US = (5, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100, 150, 200, 300, 400)
_LADDER_METRIC = (50, 100, 150, 200, 250, 300, 400, 500, 600, 800, 1000, 1500, 2000, 3000, 4000)
_MOST_STEPS = 10


@dataclass(frozen=True, slots=True)
class Swatch:
    """One class of a picture: its colour, its ends (None: no upper one), and the ground it covers in m²."""

    colour: str
    low: float
    high: float | None
    area_m2: float


@dataclass(frozen=True, slots=True)
class Picture:
    """One measure drawn.

    Parameters
    ----------
    uri : str
        Its PNG as a data: address.
    of : {"per_m2", "share"}
        What the swatches' ends are: insects per m², or chances from 0 to 1.
    swatches : tuple of Swatch
        Its classes, the lowest first.
    unknown_m2 : float
        Of all that ground, what the counts say too little of, m²: crossed out.
    threshold_per_m2 : float, optional
        Of a chance: to be above it, insects per m².
    """

    uri: str
    of: Literal["per_m2", "share"]
    swatches: tuple[Swatch, ...]
    unknown_m2: float
    threshold_per_m2: float | None = None


@dataclass(frozen=True, slots=True)
class PixelGrid:
    """A picture's place, and which cell each pixel shows.

    Parameters
    ----------
    west, south, east, north : float
        Outer edges in EPSG:3857 metres.
    cell : array of int64, shape (rows, columns)
        The row of ``DensityMap.cells`` a pixel shows, -1 off the surfaces; the first row is the northernmost.
    lonlat : tuple of float
        West, south, east, north in degrees.
    """

    west: float
    south: float
    east: float
    north: float
    cell: np.ndarray
    lonlat: Bounds


@dataclass(frozen=True, slots=True)
class MapPictures:
    """The density map drawn.

    Parameters
    ----------
    grid : PixelGrid
        Where the pictures lie.
    density, width : Picture
        Expected density, and how wide its interval is.
    chances : tuple of Picture
        The chance of more than each threshold, rising.
    first : int
        The threshold shown first: the plan's, else the one the map was asked for, else the middle one.
    """

    grid: PixelGrid
    density: Picture
    width: Picture
    chances: tuple[Picture, ...]
    first: int


def draw_pictures(
    story: Story, thresholds_per_m2: tuple[float, ...], units: Units, like: MapPictures | None = None
) -> MapPictures | None:
    """Return the density map's pictures, None before there is a map.

    Parameters
    ----------
    thresholds_per_m2 : tuple of float
        To step through, insects per m²; chosen from the map's range when empty.
    units : {"us", "metric"}
        In which classes and thresholds that nobody named are round.
    like : MapPictures, optional
        Another visit's, to be seen beside these: then one colour means one thing on both, and there is one threshold,
        the one it shows first.
    """
    density_map, settled = story.density, story.settled
    if density_map is None or settled is None:
        return None
    grid, asked = lay_pixels(density_map, story.surfaces), story.threshold_per_m2
    if like:
        scales = [np.array([swatch.low for swatch in one.swatches]) for one in (like.density, like.width)]
        threshold = cast("float", like.chances[like.first].threshold_per_m2)
        settled = decide_at(density_map, threshold)
        return MapPictures(
            grid,
            draw_density(settled, grid, units, edges=scales[0]),
            draw_width(settled, grid, units, edges=scales[1]),
            tuple(draw_chances(density_map, grid, [threshold])),
            0,
        )
    thresholds = choose_thresholds(density_map, thresholds_per_m2, asked, units)
    return MapPictures(
        grid,
        draw_density(settled, grid, units, threshold_per_m2=asked),
        draw_width(settled, grid, units),
        tuple(draw_chances(density_map, grid, thresholds)),
        thresholds.index(asked) if asked else len(thresholds) // 2,
    )


def lay_pixels(density_map: DensityMap, surfaces: gpd.GeoDataFrame) -> PixelGrid:
    """Return the picture grid over the mapped surfaces, each pixel with the cell at its centre.

    Parameters
    ----------
    density_map : DensityMap
        Cells keyed by surface, column and row.
    surfaces : GeoDataFrame
        The ground's surfaces in the survey's CRS, in metres.
    """
    mapped = surfaces[surfaces["surface_id"].isin(set(density_map.cells["surface_id"]))].reset_index(drop=True)
    flat = mapped.to_crs(WEB_MERCATOR)
    west, south, east, north, side = _frame(mapped, flat, density_map.cell_m)
    shape = (round((north - south) / side), round((east - west) / side))
    surface = _surface_of_pixels(flat, (west, north, side), shape)
    row, column = np.nonzero(surface >= 0)
    place = (west + (column + 0.5) * side, north - (row + 0.5) * side)
    cell = np.full(shape, -1, np.int64)
    cell[row, column] = _look_up(density_map, mapped, surface[row, column], place)
    return PixelGrid(west, south, east, north, cell, _to_lonlat(west, south, east, north))


def _frame(mapped: gpd.GeoDataFrame, flat: gpd.GeoDataFrame, cell_m: float) -> tuple[float, float, float, float, float]:
    """Return west, south, east, north and a pixel's side, all in EPSG:3857 metres."""
    west, south, east, north = (float(edge) for edge in flat.total_bounds)
    stretch = math.sqrt(float(flat.area.sum()) / float(mapped.area.sum()))
    wanted = min(cell_m / 2, FINEST_PIXEL_M) * stretch
    side = max(wanted, math.sqrt((east - west) * (north - south) / MOST_PIXELS))
    columns = math.ceil((east - west) / side) + 2 * _MARGIN_PX
    rows = math.ceil((north - south) / side) + 2 * _MARGIN_PX
    west, north = west - _MARGIN_PX * side, north + _MARGIN_PX * side
    return west, north - rows * side, west + columns * side, north, side


def _surface_of_pixels(
    flat: gpd.GeoDataFrame, corner: tuple[float, float, float], shape: tuple[int, int]
) -> np.ndarray:
    """Return which surface each pixel's centre lies on, -1 for none, shape (rows, columns)."""
    from rasterio import Affine
    from rasterio.features import rasterize

    west, north, side = corner
    transform = Affine(side, 0.0, west, 0.0, -side, north)
    burned = ((geometry, place) for place, geometry in enumerate(flat.geometry))
    return np.asarray(rasterize(burned, out_shape=shape, transform=transform, fill=-1, dtype="int32"))


def _look_up(
    density_map: DensityMap, mapped: gpd.GeoDataFrame, surface: np.ndarray, place: tuple[np.ndarray, np.ndarray]
) -> np.ndarray:
    """Return the cell under each pixel by surface, column and row; -1 where the map has none."""
    import pandas as pd
    from pyproj import Transformer

    turn = Transformer.from_crs(WEB_MERCATOR, mapped.crs, always_xy=True)
    easting, northing = turn.transform(*place)
    wanted = pd.MultiIndex.from_arrays(
        [
            surface,
            np.floor(np.asarray(easting) / density_map.cell_m).astype(np.int64),
            np.floor(np.asarray(northing) / density_map.cell_m).astype(np.int64),
        ]
    )
    cells = density_map.cells
    code = cells["surface_id"].map({name: place for place, name in enumerate(mapped["surface_id"])})
    known = pd.MultiIndex.from_arrays([code.astype("int32"), cells["column"], cells["row"]])
    return np.asarray(known.get_indexer(wanted))


def _to_lonlat(west: float, south: float, east: float, north: float) -> Bounds:
    from pyproj import Transformer

    turn = Transformer.from_crs(WEB_MERCATOR, "EPSG:4326", always_xy=True)
    left, bottom = turn.transform(west, south)
    right, top = turn.transform(east, north)
    return left, bottom, right, top


def nice_edges(top: float) -> np.ndarray:
    """Return class edges from 0 in round steps, the last of which reaches ``top`` or nearly.

    Examples
    --------
    >>> nice_edges(83.0).tolist()
    [0.0, 20.0, 40.0, 60.0, 80.0]
    >>> nice_edges(0.0).tolist()
    [0.0, 1.0]
    """
    if top <= 0:
        return np.array([0.0, 1.0])
    scale = 10 ** np.floor(np.log10(top / _CLASSES))
    step = next(scale * base for base in (1, 2, 2.5, 5, 10) if scale * base * _CLASSES >= top)
    return np.asarray(np.arange(0, max(np.floor(top / step), 1) + 1) * step)


def draw_density(
    density_map: DensityMap,
    grid: PixelGrid,
    units: Units,
    *,
    threshold_per_m2: float | None = None,
    edges: np.ndarray | None = None,
) -> Picture:
    """Return the expected density, light where there are few and dark where there are many.

    Parameters
    ----------
    threshold_per_m2 : float, optional
        The classes are this times ``THRESHOLD_SHARES``, so that one colour means one density on every visit and in
        either unit; round steps up to the highest density where none is known.
    edges : array, optional
        The classes' lower ends, insects per m², where they are another picture's.
    """
    values = density_map.cells["expected_per_m2"].to_numpy(float)
    if edges is None and threshold_per_m2:
        edges = threshold_per_m2 * np.array(THRESHOLD_SHARES)
    elif edges is None:
        edges = _round_edges(values, density_map, units)
    return _draw_scale(density_map, grid, values, edges, VIRIDIS)


def draw_width(density_map: DensityMap, grid: PixelGrid, units: Units, *, edges: np.ndarray | None = None) -> Picture:
    """Return how wide the interval is: high less low, insects per m²; ``edges`` as for the density."""
    cells = density_map.cells
    values = (cells["high_per_m2"] - cells["low_per_m2"]).to_numpy(float)
    edges = _round_edges(values, density_map, units) if edges is None else edges
    return _draw_scale(density_map, grid, values, edges, CIVIDIS)


def _round_edges(values: np.ndarray, density_map: DensityMap, units: Units) -> np.ndarray:
    known = density_map.cells["known"].to_numpy(bool)
    unit = 1 / FOOT2_M2 if units == "us" else 1.0
    top = float(np.quantile(values[known], 0.98)) if known.any() else 0.0
    return nice_edges(top / unit) * unit


def _draw_scale(
    density_map: DensityMap, grid: PixelGrid, values: np.ndarray, edges: np.ndarray, palette: tuple[str, ...]
) -> Picture:
    ends = [*zip(edges, [*edges[1:], None], strict=True)]
    return paint(density_map, grid, np.digitize(values, edges[1:]), palette, ends, "per_m2")


def paint(
    density_map: DensityMap,
    grid: PixelGrid,
    classes: np.ndarray,
    palette: tuple[str, ...],
    ends: Sequence[tuple[float, float | None]],
    of: Literal["per_m2", "share"],
) -> Picture:
    """Return a picture of the cells' classes, crossed out where the ground is not known well enough.

    Parameters
    ----------
    classes : array of int, shape (cells,)
        The class of each cell from 0.
    palette : tuple of str
        The colours run from its light end to its dark one.
    ends : sequence of tuple
        Each class's low and high end, None for no upper one.
    of : {"per_m2", "share"}
        What the ends are.
    """
    last, cells = max(len(ends) - 1, 1), density_map.cells
    colours = [ramp(palette, 1 - place / last) for place in range(len(ends))]
    known, area_m2 = cells["known"].to_numpy(bool), cells["area_m2"].to_numpy(float)
    row, column = np.nonzero(grid.cell >= 0)
    inside = grid.cell[row, column]
    crossed = np.where(known[inside], 0, _crosses(row, column))
    pixels = np.zeros(grid.cell.shape, dtype=np.uint8)
    pixels[row, column] = np.where(crossed, len(ends) + crossed, classes[inside] + 1)
    areas = np.bincount(classes, area_m2, minlength=len(ends))
    swatches = tuple(
        Swatch(colour, float(low), None if high is None else float(high), float(area))
        for colour, (low, high), area in zip(colours, ends, areas, strict=True)
    )
    return Picture(_write_png(pixels, [*colours, *UNKNOWN]), of, swatches, float(area_m2[~known].sum()))


def _crosses(row: np.ndarray, column: np.ndarray) -> np.ndarray:
    """Return 1 on the light side of crossing lines, 2 on their dark side and 0 between them, for ground not known.

    Two tones are seen on light and on dark colours; stripes one way are the zones' own look.
    """
    ways = np.stack([(row + column) % _CROSS_PX, (row - column) % _CROSS_PX])
    return np.asarray(np.where((ways == 0).any(axis=0), 2, (ways == 1).any(axis=0)))


def _write_png(classes: np.ndarray, colours: list[str]) -> str:
    """Return class numbers as a PNG's data: address: 0 is see-through, else 1 + the place in ``colours``."""
    from PIL import Image

    image = Image.fromarray(classes).convert("P")
    image.putpalette([0, 0, 0, *(part for colour in colours for part in rgb(colour))])
    return _encode(image, "PNG", transparency=0)


def _encode(image: Image.Image, kind: str, **how: int) -> str:
    """Return a picture as a data: address."""
    content = io.BytesIO()
    image.save(content, format=kind, **how)
    return f"data:image/{kind.lower()};base64,{base64.b64encode(content.getvalue()).decode('ascii')}"


def choose_thresholds(
    density_map: DensityMap, wanted: tuple[float, ...], asked: float | None, units: Units
) -> list[float]:
    """Return the thresholds to step through, insects per m², rising; the plan's or the map's own is among them.

    Raises
    ------
    MapError
        When one the user asked for lies outside what the map's intervals reach.
    """
    cells = density_map.cells
    low, high = float(cells["low_per_m2"].min()), float(cells["high_per_m2"].max())
    reach = f"between {show_density(low, units)} and {show_density(high, units)}, what the map's intervals reach"
    beyond = [show_density(value, units) for value in wanted if not low <= value <= high]
    if beyond:
        raise MapError(Problem("thresholds_per_m2", found, reach, "choose one in that range") for found in beyond)
    if wanted:
        return sorted({*wanted, *([asked] if asked else [])})
    ladder = [step / FOOT2_M2 for step in _LADDER_US] if units == "us" else [float(step) for step in _LADDER_METRIC]
    inside = [step for step in ladder if low <= step <= high]
    thinned = inside[:: max(1, -(-len(inside) // _MOST_STEPS))]
    steps = [step for step in thinned if asked is None or abs(step / asked - 1) > 0.02]  # noqa: PLR2004
    steps += [asked] if asked else []
    return sorted(steps) or [max((low + high) / 2, np.finfo(float).tiny)]


def draw_chances(density_map: DensityMap, grid: PixelGrid, thresholds_per_m2: Sequence[float]) -> list[Picture]:
    """Return the probability that the density is above each threshold, in classes."""

    def draw(threshold_per_m2: float) -> Picture:
        chance, settled = exceedance(density_map, threshold_per_m2), decide_at(density_map, threshold_per_m2)
        classes = np.digitize(chance, CHANCE_EDGES[1:-1])
        picture = paint(settled, grid, classes, VIRIDIS, [*pairwise(CHANCE_EDGES)], "share")
        return replace(picture, threshold_per_m2=threshold_per_m2)

    return map_threads(draw, thresholds_per_m2)


def draw_aerial(aerial: Aerial, lonlat: Bounds) -> str:
    """Return the part of a picture from above that lies within bounds (degrees) as a JPEG data: address."""
    from PIL import Image
    from rasterio.warp import transform_bounds

    west, south, east, north = transform_bounds("EPSG:4326", WEB_MERCATOR, *lonlat)
    corners = np.array([(west, north), (east, north), (west, south)])
    pixels = cut_aerial(aerial, corners, WEB_MERCATOR, MOST_AERIAL_PIXELS)
    return _encode(Image.fromarray(pixels), "JPEG", quality=80)
