"""Paths on a page: rings and lines as the page's own drawing operators."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import shapely

if TYPE_CHECKING:
    import numpy as np
    from shapely import Geometry

_BEZIER = 4 / 3 * (2**0.5 - 1)
"""How far along a quarter circle's tangents its curve's handles lie, in radii."""


def rings_of(polygon: Geometry) -> list[np.ndarray]:
    """Return the corners of a polygon's rings, the outer one first, each of shape (n, 2)."""
    return [shapely.get_coordinates(ring) for ring in (polygon.exterior, *polygon.interiors)]


def trace_rings(canvas: Any, rings: Iterable[np.ndarray], *, closed: bool = True) -> Any:
    """Return a path along rings (mm), or along open lines."""
    path = canvas.beginPath()
    for corners in rings:
        steps = " ".join(f"{east:.3f} {north:.3f} l" for east, north in corners[1:].tolist())
        start = f"{corners[0][0]:.3f} {corners[0][1]:.3f} m"
        _write(path, f"{start} {steps} h" if closed else f"{start} {steps}")
    return path


def trace_lines(canvas: Any, ends: Iterable[Sequence[float]]) -> Any:
    """Return a path of single lines: west, south, east, north of each."""
    path = canvas.beginPath()
    _write(path, " ".join(f"{a:.3f} {b:.3f} m {c:.3f} {d:.3f} l" for a, b, c, d in ends))
    return path


def trace_boxes(canvas: Any, boxes: Iterable[Sequence[float]]) -> Any:
    """Return a path of upright boxes: west, south, width, height of each."""
    path = canvas.beginPath()
    _write(
        path, " ".join(f"{west:.4f} {south:.4f} {width:.4f} {height:.4f} re" for west, south, width, height in boxes)
    )
    return path


def trace_circles(canvas: Any, middles: Iterable[Sequence[float]], radius_mm: float) -> Any:
    """Return a path of circles, each of four curves."""
    path, r, b = canvas.beginPath(), radius_mm, _BEZIER * radius_mm
    _write(
        path,
        " ".join(
            f"{e + r:.3f} {n:.3f} m {e + r:.3f} {n + b:.3f} {e + b:.3f} {n + r:.3f} {e:.3f} {n + r:.3f} c "
            f"{e - b:.3f} {n + r:.3f} {e - r:.3f} {n + b:.3f} {e - r:.3f} {n:.3f} c "
            f"{e - r:.3f} {n - b:.3f} {e - b:.3f} {n - r:.3f} {e:.3f} {n - r:.3f} c "
            f"{e + b:.3f} {n - r:.3f} {e + r:.3f} {n - b:.3f} {e + r:.3f} {n:.3f} c h"
            for e, n in middles
        ),
    )
    return path


def _write(path: Any, operators: str) -> None:
    """Append PDF path operators (ISO 32000, 8.5.2); a micrometre is the finest step.

    Written straight into the path, since reportlab's own calls spend most of a book's time on formatting numbers.
    """
    path._code.append(operators)
