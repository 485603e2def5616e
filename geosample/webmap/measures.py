"""What the density map's pictures show: classes with their legend, and the ground in each."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from geosample.density import decide_at, exceedance
from geosample.errors import MapError, Problem
from geosample.palettes import CIVIDIS, VIRIDIS, ramp
from geosample.units import FOOT2_M2, Units, show_density
from geosample.webmap import wording
from geosample.webmap.png import palette_png, png_uri
from geosample.webmap.raster import PixelGrid, hatch
from geosample.workers import map_threads

if TYPE_CHECKING:
    from geosample.density import DensityMap

# Light and dark grey of ColorBrewer's Greys, crossed: never a colour of the scales, never a clean look.
UNKNOWN = ("#d9d9d9", "#636363")
CHANCE_EDGES = (0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0)
_CLASSES = 6
THRESHOLD_SHARES = (0.0, 0.25, 0.5, 1.0, 2.0, 4.0)
"""Edges of the classes of density, in thresholds (own choice)."""
# Thresholds offered when the user names none, insects per ft² and per m² (P).
_LADDER_US = (5, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100, 150, 200, 300, 400)
_LADDER_METRIC = (50, 100, 150, 200, 250, 300, 400, 500, 600, 800, 1000, 1500, 2000, 3000, 4000)
_MOST_STEPS = 10


@dataclass(frozen=True, slots=True)
class Swatch:
    """One line of a legend: a colour, what it stands for, and the ground it covers in m²."""

    colour: str
    text: Markup
    area_m2: float


@dataclass(frozen=True, slots=True)
class Picture:
    """One measure drawn: its PNG as a data: address, its legend, and the ground the counts say too little of, m²."""

    uri: str
    swatches: tuple[Swatch, ...]
    unknown_m2: float


@dataclass(frozen=True, slots=True)
class Step:
    """The chance of more than one threshold, drawn, with the ground more likely above it than not."""

    threshold_per_m2: float
    planned: bool
    picture: Picture
    likely_m2: float


def nice_edges(top: float, classes: int = _CLASSES) -> np.ndarray:
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
    scale = 10 ** np.floor(np.log10(top / classes))
    step = next(scale * base for base in (1, 2, 2.5, 5, 10) if scale * base * classes >= top)
    return np.asarray(np.arange(0, max(np.floor(top / step), 1) + 1) * step)


def draw_density(
    density_map: DensityMap, grid: PixelGrid, units: Units, *, threshold_per_m2: float | None = None
) -> Picture:
    """Return the expected density, light where there are few and dark where there are many.

    Parameters
    ----------
    threshold_per_m2 : float, optional
        The classes are this times ``THRESHOLD_SHARES``, so that one colour means one density on every visit and in
        either unit; round steps up to the highest density where none is known.
    """
    values = density_map.cells["expected_per_m2"].to_numpy(float)
    if threshold_per_m2:
        edges = threshold_per_m2 * np.array(THRESHOLD_SHARES)
    else:
        edges = _round_edges(values, density_map, units)
    return _draw_scale(density_map, grid, values, edges, VIRIDIS)


def draw_width(density_map: DensityMap, grid: PixelGrid, units: Units) -> Picture:
    """Return how wide the interval is: high less low, insects per m²."""
    cells = density_map.cells
    values = (cells["high_per_m2"] - cells["low_per_m2"]).to_numpy(float)
    return _draw_scale(density_map, grid, values, _round_edges(values, density_map, units), CIVIDIS)


def _round_edges(values: np.ndarray, density_map: DensityMap, units: Units) -> np.ndarray:
    known = density_map.cells["known"].to_numpy(bool)
    unit = 1 / FOOT2_M2 if units == "us" else 1.0
    top = float(np.quantile(values[known], 0.98)) if known.any() else 0.0
    return nice_edges(top / unit) * unit


def _draw_scale(
    density_map: DensityMap, grid: PixelGrid, values: np.ndarray, edges: np.ndarray, palette: tuple[str, ...]
) -> Picture:
    # The middle greys of the scales' dark end stay apart from the not-known grey by lightness and hatching.
    texts = [
        Markup("{} or more").format(wording.density(low)) if high is None else wording.interval(low, high)
        for low, high in zip(edges, [*edges[1:], None], strict=True)
    ]
    return paint(density_map, grid, np.digitize(values, edges[1:]), (palette, texts))


def draw_chance(density_map: DensityMap, grid: PixelGrid, threshold_per_m2: float) -> Picture:
    """Return the probability that the density is above a threshold, in classes."""
    chance, settled = exceedance(density_map, threshold_per_m2), decide_at(density_map, threshold_per_m2)
    texts = [Markup("{:.0f} to {:.0f} %").format(low * 100, high * 100) for low, high in pairwise(CHANCE_EDGES)]
    return paint(settled, grid, np.digitize(chance, CHANCE_EDGES[1:-1]), (VIRIDIS, texts))


def paint(
    density_map: DensityMap, grid: PixelGrid, classes: np.ndarray, scale: tuple[tuple[str, ...], list[Markup]]
) -> Picture:
    """Return a picture of the cells' classes, with ground not known well enough crossed out in grey.

    Parameters
    ----------
    classes : array of int, shape (cells,)
        The class of each cell from 0.
    scale : tuple of palette and texts
        The legend's text for each class; colours run from the palette's light end to its dark one.
    """
    palette, texts = scale
    last = max(len(texts) - 1, 1)
    colours = [ramp(palette, 1 - place / last) for place in range(len(texts))]
    known = density_map.cells["known"].to_numpy(bool)
    shown = np.where(known, classes + 1, 0)
    row, column = np.nonzero(grid.cell >= 0)
    inside = shown[grid.cell[row, column]]
    inside = np.where(inside > 0, inside, len(texts) + 1 + hatch(row, column))
    pixels = np.zeros(grid.cell.shape, dtype=np.uint8)
    pixels[row, column] = inside
    areas = np.bincount(shown, density_map.cells["area_m2"], minlength=len(texts) + 1)
    swatches = [Swatch(*row) for row in zip(colours, texts, areas[1:].tolist(), strict=True)]
    return Picture(png_uri(palette_png(pixels, [*colours, *UNKNOWN])), tuple(swatches), float(areas[0]))


def choose_thresholds(
    density_map: DensityMap, wanted: tuple[float, ...], planned: float | None, units: Units
) -> list[float]:
    """Return the thresholds to step through, insects per m², rising; the plan's own is always among them.

    Raises
    ------
    MapError
        When one the user asked for lies outside what the map's intervals reach.
    """
    low, high = map_range(density_map)
    if wanted:
        check_thresholds(wanted, low, high, units)
        return sorted({*wanted, *([planned] if planned else [])})
    ladder = [step / FOOT2_M2 for step in _LADDER_US] if units == "us" else [float(step) for step in _LADDER_METRIC]
    inside = [step for step in ladder if low <= step <= high]
    thinned = inside[:: max(1, -(-len(inside) // _MOST_STEPS))]
    steps = [step for step in thinned if planned is None or abs(step / planned - 1) > 0.02]  # noqa: PLR2004
    steps += [planned] if planned else []
    return sorted(steps) or [max((low + high) / 2, np.finfo(float).tiny)]


def map_range(density_map: DensityMap) -> tuple[float, float]:
    """Return the lowest low and the highest high of the map's cells, insects per m²."""
    cells = density_map.cells
    return float(cells["low_per_m2"].min()), float(cells["high_per_m2"].max())


def check_thresholds(wanted: tuple[float, ...], low: float, high: float, units: Units) -> None:
    """Raise MapError naming every threshold that no interval of the map reaches."""
    reach = f"between {show_density(low, units)} and {show_density(high, units)}, what the map's intervals reach"
    problems = [
        Problem("--threshold", show_density(value, units), reach, "choose one in that range")
        for value in wanted
        if not low <= value <= high
    ]
    if problems:
        raise MapError(problems)


def draw_steps(density_map: DensityMap, grid: PixelGrid, thresholds: list[float], planned: float | None) -> list[Step]:
    """Return the chance picture of every threshold."""

    def draw(value: float) -> Step:
        return Step(value, value == planned, draw_chance(density_map, grid, value), _likely_area(density_map, value))

    return map_threads(draw, thresholds)


def _likely_area(density_map: DensityMap, threshold_per_m2: float) -> float:
    cells = density_map.cells
    known = decide_at(density_map, threshold_per_m2).cells["known"].to_numpy(bool)
    likely = (exceedance(density_map, threshold_per_m2) > 0.5) & known  # noqa: PLR2004
    return float(cells["area_m2"].to_numpy()[likely].sum())


def unknown_area(density_map: DensityMap) -> float:
    """Return the mapped ground that the counts say too little about, m²."""
    cells = density_map.cells
    return float(cells.loc[~cells["known"], "area_m2"].sum())
