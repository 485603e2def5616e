"""Holes lent to what has none, and the surfaces' ids."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geosample.ground.model import Note
from geosample.ground.naming import MOST_HOLES
from geosample.holes import hole_key, hole_number, hole_slug
from geosample.words import SURFACE_KINDS


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
        note = Note(
            "no hole known",
            "all surfaces",
            int(nameless.sum()),
            0.0,
            "left without; give them a field hole, or name one with --hole-from",
        )
        return surfaces, [note]
    tree = shapely.STRtree(known.geometry.to_numpy())
    places = shapely.point_on_surface(surfaces.geometry.to_numpy()[nameless])
    nearest = tree.nearest(np.where(shapely.is_empty(places), surfaces.geometry.to_numpy()[nameless], places))
    holes = surfaces["hole"].to_numpy(dtype=object).copy()
    holes[nameless] = known["hole"].to_numpy()[nearest]
    return surfaces.assign(hole=pd.Series(holes, surfaces.index, dtype=object)), _lent(surfaces[nameless])


def _lent(nameless: gpd.GeoDataFrame) -> list[Note]:
    return [
        Note(
            f"a {kind} without a hole",
            str(group["source"].iloc[0]),
            len(group),
            float(group.area.sum()),
            "given the nearest hole's; where that is wrong, give it a field hole, or see --hole-from",
        )
        for kind, group in nameless.groupby("kind", sort=True)
    ]


def miss_holes(surfaces: gpd.GeoDataFrame) -> list[Note]:
    """Return a note for holes that seem to be missing, or to lack a green where others have one.

    Examples
    --------
    >>> frame = gpd.GeoDataFrame({"hole": ["1", "3"], "kind": ["green", "tee"]}, geometry=[shapely.Point(0, 0)] * 2)
    >>> [(note.what, note.where) for note in miss_holes(frame)]
    [('a hole without any ground', 'hole 2'), ('a hole without a green', 'hole 3')]
    """
    numbers = _numbers(surfaces["hole"])
    with_green = _numbers(surfaces.loc[surfaces["kind"] == "green", "hole"])
    last = max(numbers, default=0)
    missing = sorted(set(range(1, last + 1)) - numbers) if last <= MOST_HOLES else []
    lacking = sorted(numbers - with_green) if with_green else []
    remedy = "look whether it is in the file, and under which name"
    rows = (("a hole without any ground", missing), ("a hole without a green", lacking))
    return [Note(what, _name_holes(holes), len(holes), 0.0, remedy) for what, holes in rows if holes]


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
