"""Walked edges: tracks of a receiver carried round a green or a fairway become outlines, with the doubt they carry.

A receiver's error hardly changes from one second to the next, so an outline keeps its shape while all of it lies to
one side; what changes on the way round shows where the ends fail to meet. That part of the gap is shared out along the
walk, as surveyors share out a misclosure (Bowditch's rule), and the doubt of the area follows from the same model.

References
----------
Beard and McLain 2012, Small Unmanned Aircraft, Princeton, section 7.5: a receiver's error is a first-order Gauss-Markov
process with a time constant of 1,100 s (read in the parameters the first author publishes with the book).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import shapely

from geosample.distributions import normal_reach
from geosample.errors import GroundError, Problem
from geosample.files.reading import Note

if TYPE_CHECKING:
    from shapely import Geometry

ACCURACY_M = 4.9
"""A phone under open sky (from memory, unverified: GPS.gov): 68 % of its fixes lie this near to the true place."""
CLOSE_M, CLOSE_SHARE = 15.0, 0.1
"""Ends this near each other, and within this share of the walked length, close an edge (own choice)."""
_TIME_S = 1100.0  # Beard and McLain 2012
_WALK_M_PER_S = 1.0  # along an edge, looking down (own choice)
_LEVEL = 0.95
_RADIUS_68, _RADIUS_95 = 1.5096, 2.4477  # of a round normal error, in standard deviations of one axis (arithmetic)
_BACK_M = 1.0  # how near to where they began people stop, standard deviation (own choice)
_FEET_M, _FEET_ALONG_M = 0.15, 3.0  # how far feet stray from the edge, and over what length (own choice)
_SPIKE_M, _SPIKE_STEPS, _SPIKE_WINDOW = 5.0, 4.0, 7
_STOP_M, _STOP_FIXES = 1.5, 6  # so many fixes one behind the other within this radius are a stop (own choice)
_STEP_M, _FEWEST, _MOST = 1.0, 60, 2000
_SMOOTH_M = 2.0
_LAP_SHARE = 0.2  # of a lap: the way that comes by its start as near as this has been round (own choice)
_LIKE_M = 20.0  # laps of one edge lie this near on the average (chosen on simulated walks)
_HEADING_M = 5.0  # the way over which a heading is taken (own choice)
_SAME_SHARE = 0.5  # of the smaller one: two walks with so much common ground are of one edge (own choice)
_PASSES = 3
_FINE_M = 0.25
_MODELLED = 200


def trace_walks(
    frame: gpd.GeoDataFrame, kinds: Collection[str], accuracy_m: float | None = None
) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the frame with its walked edges as polygons, and a note of them.

    Parameters
    ----------
    frame : GeoDataFrame
        With kind, hole, source, ``walked`` (whether a receiver recorded it), ``accuracy_m`` (what the file says, m) and
        lines in metres; ``edge_doubt_m`` and ``area_doubt`` of edges that were walked and kept before, where known.
    kinds : collection of str
        The kinds that have an area: lines of others are left as they are.
    accuracy_m : float or None
        The receiver's, m: 68 % of its fixes lie this near. None for what the file says, or ``ACCURACY_M``.

    Returns
    -------
    tuple of GeoDataFrame, list of Note
        Polygons in place of the lines that close, one for all walks of an edge, with ``edge_doubt_m`` (the whole edge
        lies this near, 95 %) and ``area_doubt`` (95 %, as a share of the area); missing for what was not walked.

    Raises
    ------
    GroundError
        When ``accuracy_m`` is no positive length.
    """
    if accuracy_m is not None and not 0 < accuracy_m < np.inf:
        raise GroundError(
            Problem("accuracy_m", f"{accuracy_m} m", "more than 0 m", "give a length such as 4.9 m (16 ft)")
        )
    known = frame.reindex(columns=["edge_doubt_m", "area_doubt"]).astype(float)
    frame = frame.assign(**known)
    lines = frame.geometry.to_numpy()
    taken = {"spikes": 0, "stops": 0, "laps": 0, "over_m": 0.0}
    rows: list[int] = []
    tracks: list[np.ndarray] = []
    many: list[bool] = []
    for i, (line, kind, recorded) in enumerate(zip(lines, frame["kind"], frame["walked"], strict=True)):
        if kind not in kinds or line.geom_type != "LineString":
            continue
        cleaned, spikes, stops = clean_track(shapely.get_coordinates(line))
        laps, over_m = part_laps(cleaned)
        if len(laps) > 1 or over_m or _closes(cleaned, recorded=bool(recorded)):
            rows += [i] * len(laps)
            tracks += laps
            many += [len(laps) > 1 or over_m > 0] * len(laps)
            seen = {"spikes": spikes, "stops": stops, "laps": len(laps) * (len(laps) > 1), "over_m": over_m}
            taken = {name: taken[name] + number for name, number in seen.items()}
    if not tracks:
        return frame, []
    said = frame["accuracy_m"].astype(float).fillna(ACCURACY_M) if accuracy_m is None else None
    fixes = (np.full(len(frame), accuracy_m) if said is None else said.to_numpy())[rows]
    closed = [close_track(track, float(fix)) for track, fix in zip(tracks, fixes, strict=True)]
    shapes, doubts = lines.copy(), known.to_numpy().copy()
    groups = list(_same_edges(frame.iloc[rows].assign(row=rows), [ring for ring, _ in closed]))
    firsts = [rows[group[0]] for group in groups]
    for first, group in zip(firsts, groups, strict=True):
        ring = average_rings([closed[k][0] for k in group])
        shapes[first] = shapely.Polygon(ring)
        # where a lap was parted from the next says nothing of how far the ends miss along the way
        gaps = [np.nan if many[k] else closed[k][1] for k in group]
        doubts[first] = doubt_edge(ring, [float(fixes[k]) for k in group], gaps)
    frame = frame.set_geometry(gpd.GeoSeries(shapes, frame.index, crs=frame.crs))
    frame = frame.assign(edge_doubt_m=doubts[:, 0], area_doubt=doubts[:, 1])
    facts = {
        "edges": len(groups),
        "walks": len(tracks),
        "edge_m": float(doubts[firsts, 0].max()),
        "least_share": float(doubts[firsts, 1].min()),
        "most_share": float(doubts[firsts, 1].max()),
        "told": said is None or bool(frame["accuracy_m"].notna().to_numpy()[rows].all()),
        "fix_m": ACCURACY_M,
        **taken,
    }
    note = Note("walked", str(frame["source"].iloc[rows[0]]), facts=facts)
    return frame.drop(index=frame.index[sorted({*rows} - {*firsts})]).reset_index(drop=True), [note]


def _closes(track: np.ndarray, *, recorded: bool, share: float = CLOSE_SHARE) -> bool:
    """Return whether a line is a walk round an edge: recorded by a receiver, or open, and its ends near each other."""
    if len(track) < 4:  # noqa: PLR2004 - a ring's fewest
        return False
    gap_m = float(np.hypot(*(track[-1] - track[0])))
    length_m = float(_measure_along(track)[-1])
    return (recorded or gap_m > 0) and gap_m <= min(CLOSE_M, share * length_m)


def part_laps(track: np.ndarray) -> tuple[list[np.ndarray], float]:
    """Return the laps of a track that goes round more than once, each a track, and how much it goes on after them, m.

    A lap ends where the way comes by its start, going as it went there; a track that does so only at its end, or does
    not go on as it went before, is returned whole.

    Examples
    --------
    >>> turn = np.linspace(0, 5 * np.pi, 250)  # twice and a half
    >>> laps, over_m = part_laps(np.column_stack([13 * np.cos(turn), 13 * np.sin(turn)]))
    >>> len(laps), round(over_m / (13 * np.pi), 1)
    (2, 1.0)
    """
    along = _measure_along(track)
    for first in _find_passes(track, along, 0):
        cuts, lap_m = [0, first], float(along[first])
        while passes := _find_passes(track, along, cuts[-1]):
            misses_m = np.abs(along[passes] - along[cuts[-1]] - lap_m)
            if misses_m.min() > _LAP_SHARE * lap_m:
                break
            cuts.append(passes[int(np.argmin(misses_m))])
        laps, rest = [track[start : end + 1] for start, end in pairwise(cuts)], track[cuts[-1] :]
        rest_m = float(along[-1] - along[cuts[-1]])
        if _closes(rest, recorded=True, share=_LAP_SHARE):
            laps, rest_m = [*laps, rest], 0.0
        alike = all(_goes_like(lap, laps[0], part=False) for lap in laps[1:])
        share = _LAP_SHARE if len(laps) > 1 else CLOSE_SHARE  # a bent edge may come by itself and go beside itself
        if alike and (not rest_m or _goes_like(rest, laps[0], part=True, share=share)):
            return laps, rest_m
    return [track], 0.0


def _goes_like(way: np.ndarray, lap: np.ndarray, *, part: bool, share: float = _LAP_SHARE) -> bool:
    """Return whether a way goes round as a lap does, in its sense or back.

    ``part`` is whether it need not go all round; ``share`` of the lap is how far it may lie from it.
    """
    (gone_m, round_m) = (_measure_along(one) for one in (way, lap))
    on, first = (one[np.searchsorted(at_m, _HEADING_M)] - one[0] for one, at_m in ((way, gone_m), (lap, round_m)))
    lap_m, length_m = round_m[-1], gone_m[-1]
    at = gone_m / (lap_m if part else length_m)
    at_m = (at if on @ first > 0 else 1 - at) % 1 * lap_m
    apart = way - np.column_stack([np.interp(at_m, round_m, lap[:, axis]) for axis in (0, 1)])
    alike = part or abs(length_m - lap_m) <= _LAP_SHARE * lap_m
    return bool(alike and np.hypot(*apart.T).mean() <= min(_LIKE_M, share * lap_m))


def _measure_along(track: np.ndarray) -> np.ndarray:
    return np.asarray(np.r_[0, np.cumsum(np.hypot(*np.diff(track, axis=0).T))])


def _find_passes(track: np.ndarray, along: np.ndarray, start: int) -> list[int]:
    """Return where a track comes by a place of its own again, nearest each time, going as it went, and goes on."""
    gone_m = along[start:] - along[start]
    apart_m = np.hypot(*(track[start:] - track[start]).T)
    reach = int(np.searchsorted(gone_m, _HEADING_M)) or 1
    if len(gone_m) <= 2 * reach:
        return []
    ahead = track[start + reach] - track[start]
    near = apart_m <= np.minimum(CLOSE_M, _LAP_SHARE * gone_m)
    near[reach:] &= (track[start + reach :] - track[start:-reach]) @ ahead > 0
    near[: 2 * reach] = False
    at = np.flatnonzero(near)
    runs = [run for run in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1) if len(run)]
    nearest = [(int(run[np.argmin(apart_m[run])]), int(run[-1])) for run in runs]
    # where it ends soon after, the gap between its ends tells how far it goes on
    return [start + end for end, last in nearest if end < last and gone_m[-1] - gone_m[end] > CLOSE_M]


def clean_track(fixes: np.ndarray) -> tuple[np.ndarray, int, int]:
    """Return a track without spikes and with each stop as one place, shape (n, 2), and how many of each there were.

    Examples
    --------
    >>> track = np.column_stack([np.arange(20.0), np.zeros(20)])
    >>> track[9] = 9, 40
    >>> cleaned, spikes, stops = clean_track(np.insert(track, 5, np.full((8, 2), [5.0, 0.2]), axis=0))
    >>> len(cleaned), spikes, stops, float(cleaned[:, 1].max()) < 1
    (18, 1, 1, True)
    """
    from scipy.ndimage import median_filter

    kept = fixes
    if len(fixes) > _SPIKE_WINDOW:
        usual = np.column_stack([median_filter(fixes[:, axis], _SPIKE_WINDOW, mode="wrap") for axis in (0, 1)])
        step_m = np.median(np.hypot(*np.diff(fixes, axis=0).T))
        kept = fixes[np.hypot(*(fixes - usual).T) <= max(_SPIKE_M, _SPIKE_STEPS * step_m)]
    places: list[np.ndarray] = []
    stops = at = 0
    step_m = np.median(np.hypot(*np.diff(kept, axis=0).T)) if len(kept) > 1 else _STOP_M
    fewest = int(max(_STOP_FIXES, 4 * _STOP_M / max(step_m, 1e-2)))  # walked through, the radius has far fewer
    while at < len(kept):
        near = np.hypot(*(kept[at : at + fewest] - kept[at]).T) <= _STOP_M
        stop = len(near) == fewest and bool(near.all())
        run = 1
        if stop:
            away = np.hypot(*(kept[at:] - kept[at]).T) > _STOP_M
            run = int(np.argmax(away)) if away.any() else len(away)
        places.append(kept[at : at + run].mean(axis=0) if stop else kept[at])
        stops += stop
        at += run
    return np.array(places), len(fixes) - len(kept), stops


def close_track(track: np.ndarray, accuracy_m: float) -> tuple[np.ndarray, float]:
    """Return the closed outline of a track, evenly spaced and smoothed, and how far its ends miss along the way, m.

    The outline has the shape (n, 2); its last place is not the first again.

    Notes
    -----
    Of the gap between the ends, what lies across the way is the receiver's; of what lies along it, the share that the
    receiver's error has in it beside people who stop about a metre from where they began. What is left is walked no
    more, or walked twice. Smoothing goes no further than a third of the accuracy, and takes no area from a bend.
    """
    along = _measure_along(track)
    reach = int(np.searchsorted(along, min(_HEADING_M, along[-1] / 8))) or 1
    ahead = (track[reach] - track[0]) + (track[-1] - track[-1 - reach])
    ahead /= max(np.hypot(*ahead), 1e-9)
    gap = track[-1] - track[0]
    drift2 = _misclosure(along[-1], accuracy_m)
    most = 2 * np.sqrt(drift2 + _BACK_M**2)
    forward = float(gap @ ahead)
    sideways = gap - forward * ahead
    short_m = float(np.median(np.diff(along))) / 2  # the last fix comes half a step before the end, on the average
    share = np.clip(drift2 / (drift2 + _BACK_M**2) * (forward + short_m), -most, most)
    side_m = np.hypot(*sideways)
    drift = share * ahead + sideways * (min(1.0, 2 * most / side_m) if side_m else 0.0)
    closed = track - np.outer(along / along[-1], drift)
    while len(closed) > _SPIKE_WINDOW and (closed[-1] - closed[0]) @ ahead > 0:
        closed = closed[:-1]  # walked twice
    return _smooth(_space(closed), min(_SMOOTH_M, accuracy_m / 3)), forward + short_m


def _misclosure(length_m: float, accuracy_m: float) -> float:
    """Return the variance, m², by which the receiver's error changes along one axis between a walk's ends."""
    time_s = length_m / _WALK_M_PER_S
    return float(2 * (accuracy_m / _RADIUS_68) ** 2 * -np.expm1(-time_s / _TIME_S))


def _space(ring: np.ndarray) -> np.ndarray:
    closed = np.vstack([ring, ring[:1]])
    along = _measure_along(closed)
    count = int(np.clip(along[-1] / _STEP_M, _FEWEST, _MOST))
    even = np.linspace(0, along[-1], count, endpoint=False)
    return np.column_stack([np.interp(even, along, closed[:, axis]) for axis in (0, 1)])


def _smooth(ring: np.ndarray, within_m: float) -> np.ndarray:
    """Return the ring smoothed by a normal curve twice over, less once: a bend much wider than it keeps its area."""
    step_m = np.hypot(*(np.roll(ring, -1, axis=0) - ring).T).mean()
    wave = 2 * np.pi * np.fft.fftfreq(len(ring), step_m)
    once = np.exp(-((wave * within_m) ** 2) / 2)
    smooth = np.fft.ifft(np.fft.fft(ring[:, 0] + 1j * ring[:, 1]) * once * (2 - once))
    return np.column_stack([smooth.real, smooth.imag])


def _same_ground(one: Geometry, other: Geometry) -> bool:
    return bool(shapely.area(shapely.intersection(one, other)) > _SAME_SHARE * min(one.area, other.area))


def _same_edges(frame: gpd.GeoDataFrame, rings: Sequence[np.ndarray]) -> Iterable[list[int]]:
    """Yield the walks of each edge: laps of one track, or of one kind and hole, half the smaller's ground in common.

    ``row`` of the frame is the track a walk is of.
    """
    solid = [shapely.make_valid(shapely.Polygon(ring)) for ring in rings]
    left = list(range(len(rings)))
    while left:
        first = left.pop(0)
        kind, hole, row = frame["kind"].iloc[first], frame["hole"].iloc[first], frame["row"].iloc[first]
        known = isinstance(hole, str)
        same = [
            i
            for i in left
            if frame["row"].iloc[i] == row
            or (
                frame["kind"].iloc[i] == kind
                and (frame["hole"].iloc[i] == hole or not known or not isinstance(frame["hole"].iloc[i], str))
                and _same_ground(solid[first], solid[i])
            )
        ]
        left = [i for i in left if i not in same]
        yield sorted([first, *same], key=lambda i: not isinstance(frame["hole"].iloc[i], str))


def average_rings(rings: list[np.ndarray]) -> np.ndarray:
    """Return the outline in the middle of several walks of one edge.

    Notes
    -----
    The middles are laid upon each other first: an outline lies to one side as a whole. Each place then goes to the mean
    of the places nearest to it on all the walks, and so again from there.

    Examples
    --------
    >>> turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    >>> rings = [np.column_stack([r * np.cos(turn) + east, r * np.sin(turn)]) for r, east in ((12, 3), (14, -3))]
    >>> round(shapely.Polygon(average_rings(rings)).area / np.pi), abs(round(float(average_rings(rings).mean()), 3))
    (169, 0.0)
    """
    from scipy.spatial import cKDTree

    if len(rings) == 1:
        return rings[0]
    middles = [shapely.get_coordinates(shapely.Polygon(ring).centroid)[0] for ring in rings]
    laid = [shapely.linearrings(ring - middle) for ring, middle in zip(rings, middles, strict=True)]
    fine = [shapely.get_coordinates(shapely.segmentize(ring, _FINE_M)) for ring in laid]
    trees = [cKDTree(places) for places in fine]
    mean = rings[0] - middles[0]
    for _ in range(_PASSES):
        near = [places[tree.query(mean)[1]] for places, tree in zip(fine, trees, strict=True)]
        mean = _space(np.mean(near, axis=0))
    return np.asarray(mean + np.mean(middles, axis=0))


def doubt_edge(ring: np.ndarray, accuracy_m: list[float], gap_m: list[float]) -> tuple[float, float]:
    """Return how far the true edge may lie, m, and how far its area may be off, as a share of it; both at 95 %.

    Parameters
    ----------
    ring : ndarray, shape (n, 2)
        The outline, m.
    accuracy_m, gap_m : list of float
        The receiver's accuracy, m, and how far the ends missed along the way, m, on each walk of it; NaN for a lap of
        several, whose ends are where the way comes by its start.

    Notes
    -----
    The area's error is the sum of the error across the edge; its variance follows from the covariance of the
    receiver's errors round the ring after the misclosure is shared out, of what is not known of the gap (more where it
    is wider than both its causes make it, by Birge's ratio), and of the feet. Walks one behind the other share what
    moves the whole outline, so that the edge's doubt is not lessened by their number; the area's is.
    """
    closed = _space(ring)
    if len(closed) > _MODELLED:
        closed = closed[:: len(closed) // _MODELLED + 1]
    step = np.roll(closed, -1, axis=0) - closed
    length_m = float(np.hypot(*step.T).sum())
    across = (
        np.column_stack([step[:, 1], -step[:, 0]]) + np.roll(np.column_stack([step[:, 1], -step[:, 0]]), 1, 0)
    ) / 2
    part = np.arange(len(closed)) / len(closed)
    moved = part @ across  # what one metre of misclosure shared out adds to the area, per axis
    weights = across.copy()
    weights[-1] -= moved
    weights[0] += moved
    time_s = part * length_m / _WALK_M_PER_S
    alike = np.exp(-np.abs(time_s[:, None] - time_s) / _TIME_S)
    shape2 = float(np.einsum("ia,ij,ja->", weights, alike, weights))
    feet2 = 2 * _FEET_M**2 * _FEET_ALONG_M * length_m
    ahead = step[0] / max(np.hypot(*step[0]), 1e-9)
    variances = []
    for one, gap in zip(accuracy_m, gap_m, strict=True):
        drift2 = _misclosure(length_m, one)
        both2 = drift2 + _BACK_M**2
        gap2 = drift2 if np.isnan(gap) else drift2 * _BACK_M**2 / both2 * max(1.0, gap**2 / both2)
        variances.append((one / _RADIUS_68) ** 2 * shape2 + float(moved @ ahead) ** 2 * gap2 + feet2)
    area = abs(shapely.Polygon(closed).area)
    share = normal_reach(_LEVEL) * float(np.sqrt(np.mean(variances) / len(variances))) / area
    worst2 = np.mean([_misclosure(length_m, one) for one in accuracy_m]) / 2  # the worst place, not any one
    axis_m = float(np.sqrt(np.mean(np.square(accuracy_m)) / _RADIUS_68**2 + worst2 + _FEET_M**2))
    return _RADIUS_95 * axis_m, share
