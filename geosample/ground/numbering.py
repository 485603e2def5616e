"""Which hole a feature belongs to: a field, a folder, a name, the nearest hole; and the surfaces' ids made of it."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geosample.ground.features import Feature, Note
from geosample.ground.kinds import MOST_HOLES, WORDS, plain_label, split_name
from geosample.holes import hole_key, hole_number, hole_slug, tidy_hole
from geosample.words import SURFACE_KINDS

_FIELDS = (
    "hole",
    "hole no",
    "hole nr",
    "hole num",
    "hole number",
    "holeno",
    "holenum",
    "holenumber",
    "hole id",
    "golf hole",
    "hole numbe",  # column names in DBF tables end after ten letters
    "golfhole",
    "hole ref",
)
_FOLDER = re.compile(r"(?:hole|h|no|nr|number|#)?\s*\.?\s*#?\s*0*(\d{1,3})(?:st|nd|rd|th)?(?: hole)?")
_NAME = re.compile(r"\b(?:hole|no|nr|number)\s*#?\s*0*(\d{1,3})\b|#\s*0*(\d{1,3})\b")
_SHORT_NAME = re.compile(r"0*(\d{1,2}) [a-z ]+|[a-z ]+ 0*(\d{1,2})")


def find_holes(features: Sequence[Feature], hole_from: tuple[str, ...] = ()) -> list[str | None]:
    """Return the hole of each feature, None where the file does not say.

    Parameters
    ----------
    features : sequence of Feature
        Of one file.
    hole_from : tuple of str
        Fields to look in, and nowhere else; ``name``, ``folder`` and ``layer`` are allowed.

    Notes
    -----
    Where one number stands in folders under two courses of the file (Red 3 and Blue 3), the course's folder
    name goes before it.
    """
    found = [_find_hole(feature, hole_from) for feature in features]
    parents: dict[str, set[str]] = defaultdict(set)
    for feature, (hole, depth) in zip(features, found, strict=True):
        if hole is not None and depth:
            parents[hole].add(feature.folders[depth - 1])
    return [
        f"{feature.folders[depth - 1]} {hole}" if hole is not None and depth and len(parents[hole]) > 1 else hole
        for feature, (hole, depth) in zip(features, found, strict=True)
    ]


def _find_hole(feature: Feature, hole_from: tuple[str, ...]) -> tuple[str | None, int]:
    """Return the hole and how deep its folder lies (0 when it came from elsewhere, or from the outermost)."""
    fields = {plain_label(field): value for field, value in feature.fields.items()}
    asked = tuple(map(plain_label, hole_from))
    for field in asked or _FIELDS:
        if field in fields:
            return tidy_hole(fields[field]), 0
    if not asked and "golf" in fields and "ref" in fields:
        return tidy_hole(fields["ref"]), 0
    if not asked or {"folder", "layer"} & set(asked):
        for depth in range(len(feature.folders) - 1, -1, -1):
            match = _FOLDER.fullmatch(plain_label(feature.folders[depth]))
            if match:
                return str(int(match.group(1))), depth
    return (_in_name(feature, fields) if not asked or "name" in asked else None), 0


def _in_name(feature: Feature, fields: Mapping[str, str]) -> str | None:
    for text in filter(None, (feature.name, fields.get("name"))):
        parts, match = split_name(text), _NAME.search(plain_label(text))
        if match:
            return str(int(next(group for group in match.groups() if group)))
        if parts.hole and (parts.code or WORDS.get(parts.words[-1]) or _SHORT_NAME.fullmatch(plain_label(text))):
            return parts.hole
        if parts.hole and not parts.words[0] and _tells_kind(feature.folders):
            return parts.hole
    for folder in reversed(feature.folders):  # "export 3" is no hole, "Hole 3 par 4" is
        match = _NAME.search(plain_label(folder))
        if match:
            return str(int(next(group for group in match.groups() if group)))
    return None


def _tells_kind(folders: Sequence[str]) -> bool:
    """Return whether the innermost folder is that of a kind of turf, in which a bare number is a hole."""
    return bool(folders) and WORDS.get(plain_label(folders[-1])) in SURFACE_KINDS


def lend_holes(surfaces: gpd.GeoDataFrame, landmarks: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the surfaces with the hole of the nearest hole where they had none, and notes of it.

    Parameters
    ----------
    surfaces : GeoDataFrame
        With a ``hole``, None where unknown; as they are when no hole is known at all.
    landmarks : GeoDataFrame
        Hole lines, pins and cups whose hole is known count as well.
    """
    ground = surfaces[["hole", "geometry"]]
    known = pd.concat([ground, landmarks[["hole", "geometry"]]]) if len(landmarks) else ground
    known = known[known["hole"].notna()]
    nameless = surfaces["hole"].isna().to_numpy()
    if not nameless.any():
        return surfaces, []
    if known.empty:
        return surfaces, [Note("no_hole_known", "all surfaces", int(nameless.sum()))]
    tree = shapely.STRtree(known.geometry.to_numpy())
    places = shapely.point_on_surface(surfaces.geometry.to_numpy()[nameless])
    nearest = tree.nearest(np.where(shapely.is_empty(places), surfaces.geometry.to_numpy()[nameless], places))
    holes = surfaces["hole"].to_numpy(dtype=object).copy()
    holes[nameless] = known["hole"].to_numpy()[nearest]
    return surfaces.assign(hole=pd.Series(holes, surfaces.index, dtype=object)), _lent(surfaces[nameless])


def _lent(nameless: gpd.GeoDataFrame) -> list[Note]:
    return [
        Note("hole_lent", str(group["source"].iloc[0]), len(group), float(group.area.sum()), {"kind": kind})
        for kind, group in nameless.groupby("kind", sort=True)
    ]


def miss_holes(surfaces: gpd.GeoDataFrame) -> list[Note]:
    """Return a note for holes that seem to be missing, or to lack a green where others have one.

    Examples
    --------
    >>> frame = gpd.GeoDataFrame({"hole": ["1", "3"], "kind": ["green", "tee"]}, geometry=[shapely.Point(0, 0)] * 2)
    >>> [(note.what, note.where) for note in miss_holes(frame)]
    [('hole_missing', 'hole 2'), ('hole_without_green', 'hole 3')]
    """
    numbers = _numbers(surfaces["hole"])
    with_green = _numbers(surfaces.loc[surfaces["kind"] == "green", "hole"])
    last = max(numbers, default=0)
    missing = sorted(set(range(1, last + 1)) - numbers) if last <= MOST_HOLES else []
    lacking = sorted(numbers - with_green) if with_green else []
    rows = (("hole_missing", missing), ("hole_without_green", lacking))
    return [Note(what, _name_holes(holes), len(holes)) for what, holes in rows if holes]


def _numbers(holes: pd.Series) -> set[int]:
    return {number for hole in holes if (number := hole_number(hole)) is not None}


def _name_holes(holes: list[int]) -> str:
    return f"hole{'s' * (len(holes) > 1)} {', '.join(map(str, holes))}"


def give_ids(surfaces: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the surfaces in the order of the work with ids such as ``07-fairway-1``, the largest being 1.

    Examples
    --------
    >>> from shapely import box
    >>> frame = gpd.GeoDataFrame({"hole": ["7", "7"], "kind": "tee"}, geometry=[box(0, 0, 1, 1), box(5, 5, 9, 9)])
    >>> give_ids(frame)["surface_id"].tolist()
    ['07-tee-1', '07-tee-2']
    """
    places = shapely.get_coordinates(shapely.centroid(surfaces.geometry.to_numpy()))
    holes = [hole_key(hole) for hole in surfaces["hole"]]
    sortable = surfaces.assign(
        _hole=pd.Series([number for number, _ in holes], surfaces.index),
        _text=pd.Series([text for _, text in holes], surfaces.index),
        _kind=[SURFACE_KINDS.index(kind) for kind in surfaces["kind"]],
        _small=-surfaces.area.round(3),
        _south=-places[:, 1],
        _east=places[:, 0],
    )
    keys = ["_hole", "_text", "_kind", "_small", "_south", "_east"]
    ordered = sortable.sort_values(keys, kind="stable").drop(columns=keys).reset_index(drop=True)
    stems = [
        f"{slug}-{kind}" if (slug := hole_slug(hole)) else kind
        for hole, kind in zip(ordered["hole"], ordered["kind"], strict=True)
    ]
    numbers = pd.Series(stems).groupby(stems).cumcount() + 1
    return ordered.assign(surface_id=[f"{stem}-{number}" for stem, number in zip(stems, numbers, strict=True)])
