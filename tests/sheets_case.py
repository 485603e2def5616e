"""What the tests of the sheets share: a reader of what was drawn."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pymupdf

POINT_MM = 25.4 / 72
MARK_MM = 1.8


@dataclass(frozen=True)
class Page:
    """A drawn page: its words with their boxes, and the middles of its point marks in drawing order, mm."""

    text: str
    words: list[tuple[str, np.ndarray]]
    marks: np.ndarray
    width_mm: float
    height_mm: float


def read_pages(path: Path) -> list[Page]:
    with pymupdf.open(path) as file:
        return [_read_page(page) for page in file]


def _read_page(page: pymupdf.Page) -> Page:
    words = [(word[4], np.array(word[:4]) * POINT_MM) for word in page.get_text("words")]
    marks = [_middle(shape["rect"]) for shape in page.get_drawings() if _is_mark(shape)]
    rect = page.rect
    return Page(page.get_text(), words, np.array(marks).reshape(-1, 2), rect.width * POINT_MM, rect.height * POINT_MM)


def _is_mark(shape: dict) -> bool:
    """Return whether a shape is the disc or ring of a point: a circle with an outline, of the mark's width."""
    round_ = len(shape["items"]) == 4 and all(item[0] == "c" for item in shape["items"])
    return round_ and shape["color"] is not None and abs(shape["rect"].width * POINT_MM - MARK_MM) < 0.01


def _middle(rect: pymupdf.Rect) -> tuple[float, float]:
    return ((rect.x0 + rect.x1) / 2 * POINT_MM, (rect.y0 + rect.y1) / 2 * POINT_MM)
