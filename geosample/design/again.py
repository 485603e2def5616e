"""Going again: a share of the last visit's points, each moved off its old plug hole, and the rest drawn anew.

The kept points are an equal-chance part of a draw whose density was known, and each is moved to a random place in a
ring around it, within its own piece of ground. Both steps have a known density at every place, so the visit's density
is the sum of the kept part's and the new part's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.design.methods import Drawn, Quota
from geosample.design.model import Design
from geosample.design.pivotal import draw_spread
from geosample.design.request import Request, Stream
from geosample.errors import DesignError, Problem

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd


NEAR_M, FAR_M = 0.5, 1.0
"""How far a kept point is moved, m: off the old hole, and still the same place (common practice, no source)."""
MOST_KEPT = 0.9
"""A tenth at least is drawn anew, or no new place is ever seen (own choice)."""
_DIRECTIONS, _RADII = 36, 4
_TRIES = 10_000
_SAME_AREA = 1e-6


@dataclass(frozen=True, slots=True)
class Kept:
    """The kept points of one stratum, moved.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Easting and northing, m.
    part : ndarray of int, shape (n,)
        Row of the new target each lies in.
    names : list of str
        The old points' labels.
    density : float
        Density the kept part had before it was moved, per m².
    """

    places: np.ndarray
    part: np.ndarray
    names: list[str]
    density: float


def check_again(last: Design, target: gpd.GeoDataFrame, request: Request) -> None:
    """Raise DesignError when the kept part's density can't be known: other strata, other ground, or uneven density."""
    problems = []
    if not 0 < request.keep <= MOST_KEPT:
        found = f"{request.keep:g}"
        problems.append(Problem("--keep", found, f"a share above 0, up to {MOST_KEPT:g}", "write for instance 0.3"))
    settings = last.visit.settings
    uneven = settings.get("border_weight", 1.0) != 1 or request.border_weight != 1
    if uneven or settings.get("method") not in {"balanced", "random"}:
        expected = "two visits of equal density in each stratum, drawn balanced or at random"
        remedy = "draw anew without --keep, or with --border-weight 1"
        problems.append(Problem(f"--keep from visit {last.visit.visit}", "another kind of draw", expected, remedy))
    olds, news = (frame.groupby("stratum")["area_m2"].sum() for frame in (last.strata, target))
    changed = [name for name in news.index if abs(olds.get(name, 0.0) / news[name] - 1) > _SAME_AREA]
    if changed:
        found = f"other ground in: {', '.join(changed)}"
        remedy = "ask for the same surfaces, holes and border as then, on unchanged ground"
        problems.append(Problem(f"--keep from visit {last.visit.visit}", found, "the strata of that visit", remedy))
    if problems:
        raise DesignError(problems)


def keep_points(last: Design, target: gpd.GeoDataFrame, quotas: dict[str, Quota], request: Request) -> dict[str, Kept]:
    """Return the kept points of every stratum, moved within their piece of ground."""
    rng = request.stream(Stream.KEEPING)
    main = last.points[last.points["role"] == "main"]
    kept = {}
    for stratum, quota in quotas.items():
        old = main[main["stratum"] == stratum]
        number = min(int(request.keep * quota.main + 0.5), len(old), quota.main - 1)
        chosen = old.iloc[_choose(old, number, rng)] if number > 0 else old.iloc[:0]
        rows = [_row_of(target, point) for point in chosen.to_dict("records")]
        shapes = target.geometry.to_numpy()[rows]
        places = [move_point(place, shape, rng) for place, shape in zip(chosen.geometry, shapes, strict=True)]
        density = float(old["inclusion_per_m2"].iloc[0]) * number / len(old) if number > 0 else 0.0
        named = chosen["point_id"].astype(str).tolist()
        kept[stratum] = Kept(np.reshape(places, (-1, 2)), np.asarray(rows, dtype=np.int64), named, density)
    return kept


def join_kept(drawn: Drawn, kept: Kept, shapes: np.ndarray) -> Drawn:
    """Return the new points with the kept ones before them, all with the density of the two parts together.

    Parameters
    ----------
    drawn : Drawn
        The part drawn anew, of equal density.
    kept : Kept
        The kept part.
    shapes : ndarray of Polygon
        The target's shapes, by row.
    """
    new = float(drawn.density[0])
    places, part = np.vstack([kept.places, drawn.places]), np.concatenate([kept.part, drawn.part])
    spread = [spread_of(place, shapes[row]) for place, row in zip(places, part, strict=True)]
    main = np.concatenate([np.ones(len(kept.places), dtype=bool), drawn.main])
    line = np.zeros(len(places), dtype=np.int64)
    return Drawn(places, part, new + kept.density * np.asarray(spread), main, line)


def spread_of(place: np.ndarray, shape: shapely.Geometry) -> float:
    """Return how dense moved points are at a place, for a density of one before the move.

    Notes
    -----
    A point at x moves to a uniform place in the part of its ring that lies inside the shape, a share c(x) of it. So
    the density at y is the mean over y's own ring of 1 / c(x), counting only x inside the shape. The ring is summed
    at 144 places of equal area.
    """
    shapely.prepare(shape)
    around = place + _ring()
    inside = shapely.contains_xy(shape, around[:, 0], around[:, 1])
    near = around[inside]
    if not len(near):
        return 0.0
    back = (near[:, None, :] + _ring()[None, :, :]).reshape(-1, 2)
    share = shapely.contains_xy(shape, back[:, 0], back[:, 1]).reshape(len(near), -1).mean(axis=1)
    return float(np.sum(1 / np.maximum(share, 1 / len(_ring()))) / len(_ring()))


def _ring() -> np.ndarray:
    """Return offsets spread over the ring, each standing for the same area, shape (144, 2)."""
    shares = (np.arange(_RADII) + 0.5) / _RADII
    radius = np.sqrt(NEAR_M**2 + shares * (FAR_M**2 - NEAR_M**2))
    angle = 2 * np.pi * (np.arange(_DIRECTIONS) + 0.5) / _DIRECTIONS
    return np.stack([np.outer(radius, turn(angle)).ravel() for turn in (np.cos, np.sin)], axis=1)


def _choose(old: gpd.GeoDataFrame, number: int, rng: np.random.Generator) -> np.ndarray:
    places = shapely.get_coordinates(old.geometry.to_numpy())
    return draw_spread(places, np.full(len(old), number / len(old)), rng)


def _row_of(target: pd.DataFrame, point: dict[str, object]) -> int:
    same = (target["surface_id"] == point["surface_id"]) & (target["part"] == point["part"])
    rows = np.flatnonzero(same & (target["stratum"] == point["stratum"]))
    return int(rows[0])


def move_point(place: shapely.Point, shape: shapely.Geometry, rng: np.random.Generator) -> np.ndarray:
    """Return a uniform place in the part of a point's ring that lies inside a shape, easting and northing in m.

    Raises
    ------
    DesignError
        When none of the ring lies inside, so that the old hole would be pulled again.
    """
    shapely.prepare(shape)
    at = np.array([place.x, place.y])
    for _ in range(_TRIES):
        radius = np.sqrt(rng.uniform(NEAR_M**2, FAR_M**2))
        angle = rng.uniform(0, 2 * np.pi)
        moved: np.ndarray = at + radius * np.array([np.cos(angle), np.sin(angle)])
        if shapely.contains_xy(shape, moved[0], moved[1]):
            return moved
    found = f"no ground of its own within {NEAR_M:g} to {FAR_M:g} m of {place.x:.1f}, {place.y:.1f}"
    raise DesignError(Problem("--keep", found, "room to move off the old hole", "draw anew without --keep"))


def new_quota(quota: Quota, kept: Kept) -> Quota:
    """Return what is left to draw anew."""
    return replace(quota, main=quota.main - len(kept.names))
