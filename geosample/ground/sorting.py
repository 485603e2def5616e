"""Sorting what was read: surfaces, obstacles, landmarks, what the user ignores, and what is not known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geosample.errors import GroundError, Problem
from geosample.ground.features import Remark
from geosample.ground.kinds import IGNORE, ISLAND, KINDS, LANDMARK, USER, WORDS, guess_kind, plain_label
from geosample.ground.model import Ground, Note
from geosample.ground.naming import split_name
from geosample.units import show_area
from geosample.words import OBSTACLE_KINDS, SURFACE_KINDS

_AREAL = (*SURFACE_KINDS, "bunker", "water", "building", "other", "path", ISLAND)
_RINGS = 4
_NO_WIDTH = "kept as an obstacle that takes no area from the turf; draw it as a polygon to cut it out"
_NAMED = 3  # places named in a note, the rest counted
POINT, LINE, POLYGON = shapely.GeometryType.POINT, shapely.GeometryType.LINESTRING, shapely.GeometryType.POLYGON
# What becomes of a feature, beside LANDMARK.
_AREA, _MEASURED, _LEFT_OUT = "area", "measured", "left out"


@dataclass(frozen=True, slots=True)
class Sorted:
    """What was read, by what becomes of it; all frames have the columns of ``frame_contents``."""

    polygons: gpd.GeoDataFrame  # surfaces, areal obstacles and islands
    obstacles: gpd.GeoDataFrame  # lines and points that are measured from, and trees of any shape
    landmarks: gpd.GeoDataFrame
    left_out: gpd.GeoDataFrame
    notes: tuple[Note, ...]


class UnknownKindsError(GroundError):
    """Labels that are not known; carries what was seen, so that it can be drawn.

    Parameters
    ----------
    problems : list of Problem
        A row a label.
    seen : Ground
        The shapes as drawn, nothing mended; what is not known under ``left_out``.
    """

    def __init__(self, problems: list[Problem], seen: Ground) -> None:
        self.seen = seen
        super().__init__(problems)


def sort_features(frame: gpd.GeoDataFrame) -> Sorted:
    """Return what was read, sorted, once everything with an extent is known or ignored.

    Raises
    ------
    GroundError
        When polygons or lines are not recognised: a row a label, with how many, how large and what to say.
        When there is no polygon at all.
    """
    frame = close_lines(frame)
    shape = shapely.get_type_id(frame.geometry.to_numpy())
    if not (shape == POLYGON).any():
        raise GroundError(_no_polygons(frame, shape))
    unknown = frame["kind"].isna().to_numpy() & (shape != POINT)
    if unknown.any():
        raise UnknownKindsError(_name_unknown(frame, unknown), _as_drawn(frame, unknown))
    fate = _tell_fate(frame["kind"].to_numpy(), shape)
    landmarks = _only(frame, fate == LANDMARK)
    landmarks = landmarks.assign(kind=LANDMARK, name=landmarks["name"].fillna(landmarks["label"]))
    polygons, obstacles, left_out = (_only(frame, fate == one) for one in (_AREA, _MEASURED, _LEFT_OUT))
    return Sorted(polygons, obstacles, landmarks, left_out, tuple(_note_sorting(frame, shape, fate)))


def _tell_fate(kind: np.ndarray, shape: np.ndarray) -> np.ndarray:
    """Return what becomes of each feature: the first of these that holds."""
    measured = (kind == "trees") | (np.isin(kind, OBSTACLE_KINDS) & (shape == LINE))
    measured |= np.isin(kind, ["building", "other"]) & (shape == POINT)
    fates = {
        _AREA: np.isin(kind, _AREAL) & (shape == POLYGON),
        _MEASURED: measured,
        _LEFT_OUT: pd.isna(kind) | (kind == IGNORE),
        LANDMARK: (shape == POINT) | (kind == LANDMARK),
    }
    return np.select(list(fates.values()), list(fates), _LEFT_OUT)


def _note_sorting(frame: gpd.GeoDataFrame, shape: np.ndarray, fate: np.ndarray) -> list[Note]:
    kind, line = frame["kind"].to_numpy(), shape == LINE
    open_line = np.isin(kind, (*SURFACE_KINDS, ISLAND)) & line
    told = [
        (kind == IGNORE, "ignored", "left out as asked"),
        (pd.isna(kind), "not recognised", "a point has no ground: left out"),
        (open_line, "an open line", "left out: it has no area"),
        ((fate == _MEASURED) & line & (kind != "trees"), "a line without a width", _NO_WIDTH),
        (_by_folder(frame), "known by its folder, layer or file alone", "map it with --kinds if not"),
        (_by_code(frame), "read from a short code", "map it with --kinds if it means another kind"),
        (fate == LANDMARK, "a landmark", "kept to look at; it is no ground"),
    ]
    return [note for rows, what, remedy in told for note in _count(frame, rows, what, remedy)]


def _by_folder(frame: gpd.GeoDataFrame) -> np.ndarray:
    """Return which features have a name of their own that is not known, in a folder whose name is."""
    return np.asarray((frame["by"] == "folder") & frame["name"].notna(), dtype=bool)


def _by_code(frame: gpd.GeoDataFrame) -> np.ndarray:
    """Return which features are known by nothing but a short code such as GR07."""
    return np.array(
        [
            by != USER and not set(split_name(label).words) & set(WORDS) and split_name(label).code == kind
            for by, label, kind in zip(frame["by"], frame["label"].astype(str), frame["kind"], strict=True)
        ],
        dtype=bool,
    )


def _only(frame: gpd.GeoDataFrame, rows: np.ndarray) -> gpd.GeoDataFrame:
    return frame[rows].reset_index(drop=True)


def _as_drawn(frame: gpd.GeoDataFrame, unknown: np.ndarray) -> Ground:
    surfaces, obstacles = (_only(frame, frame["kind"].isin(k).to_numpy()) for k in (SURFACE_KINDS, OBSTACLE_KINDS))
    return Ground(surfaces, obstacles, left_out=_only(frame, unknown))


def close_lines(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the frame with lines that end where they began, of kinds that have an area, made polygons."""
    shapes = frame.geometry.to_numpy().copy()
    lines = (shapely.get_type_id(shapes) == LINE) & frame["kind"].isin(_AREAL).to_numpy()
    rings = lines & shapely.is_closed(shapes) & (shapely.get_num_coordinates(shapes) >= _RINGS)
    rings &= (frame["kind"] != "path").to_numpy()  # a path that comes back to its start encloses what is no path
    shapes[rings] = [shapely.Polygon(shapely.get_coordinates(line)) for line in shapes[rings]]
    return frame.set_geometry(gpd.GeoSeries(shapes, frame.index, crs=frame.crs))


def _no_polygons(frame: gpd.GeoDataFrame, shape: np.ndarray) -> Problem:
    counts = {"points": int((shape == POINT).sum()), "lines": int((shape == LINE).sum())}
    found = " and ".join(f"{count} {name}" for name, count in counts.items() if count)
    files = ", ".join(sorted({source.split(", ")[0] for source in frame["source"]}))
    remedy = "draw the outlines of greens, fairways and tees, or export the layer that has them"
    return Problem(files, f"only {found}", "polygons", remedy)


def _name_unknown(frame: gpd.GeoDataFrame, unknown: np.ndarray) -> list[Problem]:
    """Return a row for each label that is not known, and one that says the whole text for ``--kinds``."""
    rows = frame[unknown].assign(word=frame["label"][unknown].map(plain_label))
    labels = []
    problems = []
    for _, group in rows.groupby("word", sort=True):
        label = str(group["label"].iloc[0])
        labels.append(label)
        problems.append(_unknown_row(group, label, frame))
    if not frame["kind"].notna().any():
        remedy = "say with --kind-from FIELD which field tells the kind, or map the labels with --kinds"
        problems.insert(0, Problem("the files together", "no kind that is known", "greens, fairways, ...", remedy))
    if len(labels) == 1:  # its own row says all there is to say
        return problems
    text = ",".join(f"{label}={guess_kind(label)}" for label in labels)
    where = f"{len(labels)} label{'s' * (len(labels) > 1)} not known"
    remedy = f'to go on like that, say: --kinds "{text}"'
    return [*problems, Problem(where, ", ".join(labels), f"kinds: {', '.join(KINDS)}", remedy)]


def _unknown_row(group: gpd.GeoDataFrame, label: str, frame: gpd.GeoDataFrame) -> Problem:
    area = float(group.area.sum())
    extent = f"{show_area(area)} ({area:,.0f} m²) in all" if area else f"{float(group.length.sum()):,.0f} m of line"
    found = f"{len(group)} not recognised, {extent}"
    guess = guess_kind(label)
    inside = _holder(group, frame)
    hint = f"; it lies inside a {inside}, so it may be an island: {label}=island" if inside else ""
    verb = "map it" if guess != IGNORE else "map it, or leave it out,"
    return Problem(
        f"'{label}' ({group['source'].iloc[0]})", found, "a known kind", f'{verb} with --kinds "{label}={guess}"{hint}'
    )


def _holder(group: gpd.GeoDataFrame, frame: gpd.GeoDataFrame) -> str | None:
    known = frame[frame["kind"].isin(_AREAL)]
    first = group.geometry.iloc[0]
    holding = known[shapely.is_valid(known.geometry.to_numpy()) & known.geometry.contains(first.representative_point())]
    holding = holding[holding.area > first.area]
    return str(holding.loc[holding.area.idxmin(), "kind"]) if len(holding) else None


def _count(frame: gpd.GeoDataFrame, rows: np.ndarray, what: str, remedy: str) -> list[Note]:
    """Return a note a label for the rows."""
    groups = frame[rows].groupby("label", sort=True)
    return [
        Note(f"{what}: {label}", str(group["source"].iloc[0]), len(group), float(group.area.sum()), remedy)
        for label, group in groups
    ]


def note_remarks(remarks: Sequence[Remark]) -> list[Note]:
    """Return the remarks as notes: those with the same words and remedy counted, the first place named."""
    groups: dict[tuple[str, str], list[Remark]] = {}
    for remark in remarks:
        groups.setdefault((remark.what, remark.remedy), []).append(remark)
    return [
        Note(
            what,
            _name_places([remark.source for remark in found]),
            len(found),
            0.0,
            remedy,
        )
        for (what, remedy), found in groups.items()
    ]


def _name_places(places: Sequence[str]) -> str:
    """Return the first places by name and the others counted.

    Examples
    --------
    >>> _name_places(["a.csv, row 2", "a.csv, row 9"]), _name_places([f"row {n}" for n in range(2, 9)])
    ('a.csv, row 2; a.csv, row 9', 'row 2; row 3; row 4 and 4 more')
    """
    more = len(places) - _NAMED
    return "; ".join(places[:_NAMED]) + (f" and {more} more" if more > 0 else "")
