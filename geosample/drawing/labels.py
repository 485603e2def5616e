"""Labels beside their points that touch neither each other nor any point."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from geosample.drawing.pages import Box, Pen, Text, text_width, write_text
from geosample.drawing.pens import Paper, clear_area, draw_line

if TYPE_CHECKING:
    from numpy.typing import NDArray

LABEL = Text(7, bold=True)
_PAD_MM = 0.5
_CROWD_MM = 15.0  # points this near compete for the same paper
_BESIDE = 0.4  # sine of the angle under which a label stands beside its point rather than above or below
_REACHES_MM = (1.0, 2.5, 4.5, 7.0, 10.0, 14.0, 19.0, 25.0, 32.0, 40.0)
_ANGLES = np.radians([20, -20, 160, -160, 60, -60, 120, -120, 0, 180, 90, -90])
_WAYS = np.column_stack([np.cos(_ANGLES), np.sin(_ANGLES)])


_MARK_MM = 2.5  # width of the marks that labels must not touch


def place_labels(
    points_mm: NDArray[np.float64],
    sizes_mm: NDArray[np.float64],
    frame: Box,
    *,
    keep_clear: Sequence[Box] = (),
) -> NDArray[np.float64]:
    """Return where each label's box goes, its bottom left corner in mm, shape (n, 2); nan where there is no room.

    Parameters
    ----------
    points_mm, sizes_mm : array, shape (n, 2)
        Places of the points, and width and height of their labels, mm.
    frame : Box
        Labels stay inside it; a point outside it gets none.
    keep_clear : sequence of Box
        Where no label may lie (a scale bar, a north arrow).

    Notes
    -----
    Each point in turn, the most crowded first, takes the nearest free place of twelve directions at growing reach.
    """
    half = _MARK_MM / 2
    taken = [np.array([*(place - half), *(place + half)]) for place in points_mm] + [_box_of(f) for f in keep_clear]
    corners = np.full((len(points_mm), 2), np.nan)
    leads: list[NDArray[np.float64]] = []
    for number in _crowded_first(points_mm):
        if not _inside(np.array([*points_mm[number], *points_mm[number]]), frame):
            continue
        for box in _boxes(points_mm[number], sizes_mm[number], half):
            lead = np.array([points_mm[number], nearest_on_box(box, points_mm[number])])
            if _inside(box, frame) and _is_free(box, lead, np.array(taken), leads, own=number):
                corners[number] = box[:2]
                taken, leads = [*taken, box], [*leads, lead]
                break
    return corners


def draw_labels(
    paper: Paper,
    points_mm: NDArray[np.float64],
    texts: Sequence[str],
    frame: Box,
    *,
    keep_clear: Sequence[Box] = (),
    style: Text | Sequence[Text] = LABEL,
) -> list[str]:
    """Write a label beside each point, a thin line leading to those set apart; return the texts that found no room.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    points_mm : array, shape (n, 2)
        Places on paper, mm.
    texts : sequence of str
        A label a place.
    frame : Box
        Labels stay inside it.
    keep_clear : sequence of Box
        Paper no label may cover.
    style : Text, or a sequence of one a label
        How the labels are set.
    """
    styles = [style] * len(texts) if isinstance(style, Text) else style
    sizes = _label_sizes(texts, styles)
    corners = place_labels(np.asarray(points_mm, dtype=float), sizes, frame, keep_clear=keep_clear)
    for place, corner, size, text, one in zip(points_mm, corners, sizes, texts, styles, strict=True):
        if np.isfinite(corner).all():
            _draw_label(paper, place, Box(*corner, *size), text, one)
    return [text for text, corner in zip(texts, corners, strict=True) if np.isnan(corner).any()]


def labels_fit(
    points_mm: NDArray[np.float64],
    texts: Sequence[str],
    frame: Box,
    *,
    keep_clear: Sequence[Box] = (),
    style: Text = LABEL,
) -> bool:
    """Return whether every label finds room beside its point, as ``draw_labels`` would set them.

    Parameters
    ----------
    points_mm : array, shape (n, 2)
        Places on paper, mm.
    texts : sequence of str
        A label a place.
    frame : Box
        Labels stay inside it.
    keep_clear : sequence of Box
        Paper no label may cover.
    style : Text
        How the labels are set.
    """
    sizes = _label_sizes(texts, [style] * len(texts))
    return not np.isnan(place_labels(points_mm, sizes, frame, keep_clear=keep_clear)).any()


def _label_sizes(texts: Sequence[str], styles: Sequence[Text]) -> NDArray[np.float64]:
    """Return each label's width and height on paper, mm, shape (n, 2)."""
    sizes = [(text_width(text, one), one.size_mm * 0.78) for text, one in zip(texts, styles, strict=True)]
    return np.array(sizes).reshape(-1, 2) + 2 * _PAD_MM


def nearest_on_box(box: NDArray[np.float64], place: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the place of a box (west, south, east, north) nearest to another place.

    Examples
    --------
    >>> nearest_on_box(np.array([0.0, 0, 2, 1]), np.array([5.0, 0.5])).tolist()
    [2.0, 0.5]
    """
    return np.clip(place, box[:2], box[2:])


def _draw_label(paper: Paper, place: NDArray[np.float64], box: Box, text: str, style: Text) -> None:
    end = nearest_on_box(_box_of(box), place)
    if np.hypot(*(end - place)) > _REACHES_MM[1]:
        draw_line(paper, [place, end], Pen(width_mm=0.15))
    clear_area(paper, box.inset(0.15))
    write_text(paper, text, box.west_mm + _PAD_MM, box.south_mm + _PAD_MM + 0.05 * style.size_mm, style)


def _box_of(frame: Box) -> NDArray[np.float64]:
    return np.array([frame.west_mm, frame.south_mm, frame.east_mm, frame.north_mm])


def _crowded_first(points_mm: NDArray[np.float64]) -> NDArray[np.intp]:
    if len(points_mm) == 0:
        return np.zeros(0, dtype=np.intp)
    apart = np.hypot(*(points_mm[:, None, :] - points_mm[None, :, :]).transpose(2, 0, 1))
    return np.argsort(-(apart < _CROWD_MM).sum(axis=1), kind="stable")


def _boxes(place: NDArray[np.float64], size: NDArray[np.float64], half: float) -> NDArray[np.float64]:
    """Return candidate boxes round a place, nearest first: the box's near side touches the reach."""
    reach = np.repeat(half + np.array(_REACHES_MM), len(_WAYS))[:, None]
    times = (len(_REACHES_MM), 1)
    corners = place + reach * np.tile(_WAYS, times) + np.tile(_box_shifts(_WAYS), times) * size
    return np.hstack([corners, corners + size])


def _box_shifts(ways: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far a box is moved, in its own widths and heights, to stand on the far side of its corner."""
    shifts = np.where(np.isclose(ways, 0), -0.5, np.where(ways > 0, 0.0, -1.0))
    shifts[np.abs(ways[:, 1]) < _BESIDE, 1] = -0.5
    return shifts


def _inside(box: NDArray[np.float64], frame: Box) -> bool:
    west, south, east, north = box
    return bool(west >= frame.west_mm and south >= frame.south_mm and east <= frame.east_mm and north <= frame.north_mm)


def _is_free(
    box: NDArray[np.float64],
    lead: NDArray[np.float64],
    taken: NDArray[np.float64],
    leads: list[NDArray[np.float64]],
    *,
    own: int,
) -> bool:
    """Return whether a box and the line leading to it are clear of what is drawn already."""
    if _touching(box, taken).any():
        return False
    # Marks that overlap the point's own can't be avoided by its line; all others are.
    others = taken[~_touching(taken[own], taken)]
    steps = _along(lead)[:, None, :2]
    crossed = (steps >= others[None, :, :2]) & (steps <= others[None, :, 2:])
    if crossed.all(axis=2).any():
        return False
    return not any(_touching(box, _along(other)).any() for other in leads)


def _touching(box: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.bool_]:
    if len(others) == 0:
        return np.zeros(0, dtype=bool)
    apart = (others[:, 0] > box[2]) | (others[:, 2] < box[0]) | (others[:, 1] > box[3]) | (others[:, 3] < box[1])
    return np.asarray(~apart)


def _along(lead: NDArray[np.float64]) -> NDArray[np.float64]:
    steps = lead[0] + np.linspace(0.0, 1.0, 12)[:, None] * (lead[1] - lead[0])
    return np.hstack([steps, steps])
