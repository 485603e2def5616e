"""The rounds: who pulls what, by which way, and how long it takes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from geosample.design import Ways, find_legs, open_ways, share_walk, walk_groups, walk_m
from geosample.sheets.blanks import ordered_points

if TYPE_CHECKING:
    import geopandas as gpd

    from geosample.design import Design
    from geosample.ground import Ground

_FAR_M = 1e6  # beyond any course


@dataclass(frozen=True, slots=True)
class Round:
    """One person's or crew's part of a visit.

    Parameters
    ----------
    design : Design
        The visit with the points of this round alone, in its walking order.
    number, of : int
        Which round of how many.
    legs : tuple of ndarray, each of shape (k, 2)
        The corners of the way to each main point from the one before, m; from the start to the first of them.
    back : ndarray, shape (k, 2)
        The way from the last main point to the end.
    """

    design: Design
    number: int
    of: int
    legs: tuple[np.ndarray, ...]
    back: np.ndarray

    @property
    def name(self) -> str:
        """What its pages are marked with; nothing where there is one round only."""
        return f"Round {self.number} of {self.of}" if self.of > 1 else ""

    @property
    def length_m(self) -> float:
        """From the start past all points to the end, m."""
        return sum(walk_m(leg) for leg in (*self.legs, self.back))

    @property
    def minutes(self) -> float:
        """For walking and pulling."""
        bench = self.design.visit.bench
        return self.length_m / bench.walk_m_per_s / 60 + len(self.legs) * bench.stop_minutes

    def facts(self) -> dict[str, Any]:
        """Return it in plain JSON types."""
        main = ordered_points(self.design, "main")
        return {
            "round": self.number,
            "of": self.of,
            "points": len(main),
            "first": int(main["walk_order"].min()),
            "last": int(main["walk_order"].max()),
            "holes": [hole for hole in dict.fromkeys(main["hole"]) if isinstance(hole, str)],
            "walk_m": self.length_m,
            "minutes": self.minutes,
        }


def split_rounds(design: Design, ground: Ground, people: int) -> list[Round]:
    """Return rounds of equal time, each walked hole by hole from the design's start to its end.

    Parameters
    ----------
    design : Design
        The visit.
    ground : Ground
        What is walked round.
    people : int
        How many rounds.
    """
    ways = open_ways(ground.obstacles)
    main, spare = ordered_points(design, "main"), ordered_points(design, "reserve")
    places = shapely.get_coordinates(main.geometry.to_numpy())
    known = design.visit.settings.get("round", {})
    start, end = (np.array(known.get(name, place)) for name, place in (("start_m", places[0]), ("end_m", places[-1])))
    if people == 1:
        return [_make_round(design, main, spare, (start, end), ways, (1, 1))]
    bench = design.visit.bench
    groups = walk_groups(main["hole"].tolist(), design.visit.settings.get("walk", "holes"))
    shares = share_walk(
        *(places, groups, start),
        end=end,
        ways=ways,
        rounds=people,
        point_m=bench.stop_minutes * 60 * bench.walk_m_per_s,
    )
    # A reserve point goes with the round that pulls the nearest main point of its surface, or else hole, or else all.
    share_of = np.empty(len(main), dtype=int)
    for number, share in enumerate(shares):
        share_of[share] = number
    apart = np.hypot(*(shapely.get_coordinates(spare.geometry)[:, None] - places[None]).transpose(2, 0, 1))
    for name in ("surface_id", "hole"):
        apart += _FAR_M * (spare[name].to_numpy()[:, None] != main[name].to_numpy()[None])
    spare_of = share_of[np.argmin(apart, axis=1)]
    made, done = [], 0
    for number, share in enumerate(shares):
        mine = main.iloc[share].reset_index(drop=True)
        mine = mine.assign(walk_order=np.arange(done + 1, done + len(mine) + 1))
        done += len(mine)
        made.append(_make_round(design, mine, spare[spare_of == number], (start, end), ways, (number + 1, people)))
    return made


def join_rounds(design: Design, rounds: list[Round]) -> Design:
    """Return the whole visit in the order of its rounds, for the sheets that are one for all."""
    if len(rounds) == 1:
        return design
    points: gpd.GeoDataFrame = pd.concat([one.design.points for one in rounds], ignore_index=True)
    return replace(design, points=points)


def _make_round(
    design: Design,
    main: gpd.GeoDataFrame,
    spare: gpd.GeoDataFrame,
    ends: tuple[np.ndarray, np.ndarray],
    ways: Ways,
    which: tuple[int, int],
) -> Round:
    points = pd.concat([main, spare], ignore_index=True)
    places = np.vstack([ends[0], shapely.get_coordinates(main.geometry.to_numpy()), ends[1]])
    *legs, back = find_legs(ways, places)
    return Round(replace(design, points=points), *which, tuple(legs), back)
