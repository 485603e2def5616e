"""The walk: round what nobody walks through, over bridges, near the shortest there can be; equal rounds."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from scipy.sparse.csgraph import minimum_spanning_tree

from geosample.demo import find_course
from geosample.design import draw_design
from geosample.design.walk import BARRED_KINDS, find_legs, measure_ways, open_ways, order_walk, share_walk, walk_m
from geosample.ground import Ground, read_ground
from geosample.sheets.rounds import split_rounds


def ways_round(*shapes: tuple[str, shapely.Geometry]):
    kinds, geometry = zip(*shapes, strict=True)
    return open_ways(gpd.GeoDataFrame({"kind": kinds}, geometry=list(geometry), crs=32618))


def least_m(far: np.ndarray) -> float:
    """Return a length no way from the first node past all to the last can be below, m.

    Held & Karp 1970, The traveling-salesman problem and minimum spanning trees, Operations Research 18:1138-1162:
    prices on the nodes raise the shortest tree's bound.
    """
    size, price, best, step = len(far), np.zeros(len(far)), 0.0, far.mean()
    wanted = np.full(size, 2)
    wanted[[0, -1]] = 1
    for _ in range(300):
        priced = far + price[:, None] + price[None, :]
        shift = priced.min() - 1.0
        priced = priced - shift
        np.fill_diagonal(priced, 0)
        priced[0, -1] = priced[-1, 0] = 0
        tree = minimum_spanning_tree(priced).tocoo()
        best = max(best, tree.data.sum() + shift * len(tree.data) - (price * wanted).sum())
        degree = np.bincount(np.concatenate([tree.row, tree.col]), minlength=size)
        price, step = price + step * (degree - wanted), 0.98 * step
    return best


def test_a_leg_goes_round_a_pond_by_its_shorter_shore() -> None:
    pond = shapely.box(-20, 10, 60, 40)
    (leg,) = find_legs(ways_round(("water", pond)), np.array([[0.0, 0.0], [0.0, 50.0]]))
    assert not shapely.crosses(shapely.LineString(leg), pond)
    # geometry: by the western corners, 20 m aside
    assert walk_m(leg) == pytest.approx(2 * np.hypot(20, 10) + 30, rel=0.06)


def test_a_path_over_water_is_a_bridge_and_trees_are_walked_through() -> None:
    pond, path = shapely.box(-60, 10, 60, 40), shapely.LineString([(5, 0), (5, 50)])
    ends = np.array([[5.0, 0.0], [5.0, 50.0]])
    (leg,) = find_legs(ways_round(("water", pond), ("path", path)), ends)
    assert walk_m(leg) == pytest.approx(50.0)
    (leg,) = find_legs(ways_round(("trees", pond), ("bunker", shapely.box(90, 90, 95, 95))), ends)
    assert len(leg) == 2


def test_where_there_is_no_dry_way_it_is_straight() -> None:
    moat = shapely.difference(shapely.Point(0, 0).buffer(40), shapely.Point(0, 0).buffer(20))
    ends = np.array([[0.0, 0.0], [100.0, 0.0]])
    (leg,) = find_legs(ways_round(("water", moat)), ends)
    np.testing.assert_array_equal(leg, ends)
    assert measure_ways(ways_round(("water", moat)), ends)[0, 1] == pytest.approx(100.0)


def test_nothing_to_walk_round_is_no_trouble() -> None:
    ways = open_ways(gpd.GeoDataFrame({"kind": []}, geometry=[], crs=32618))
    assert walk_m(find_legs(ways, np.array([[0.0, 0.0], [3.0, 4.0]]))[0]) == pytest.approx(5.0)


def test_on_a_long_narrow_fairway_the_walk_is_out_and_back() -> None:
    rng = np.random.default_rng(4)
    places, start = rng.uniform((0, -15), (350, 15), (25, 2)), np.array([-10.0, 0.0])
    stops = np.vstack([start, places[order_walk(places, [0] * 25, start)], start])
    zigzag = np.vstack([start, places[np.argsort(places[:, 0])], start])
    far = np.hypot(*(np.vstack([start, places, start])[:, None] - np.vstack([start, places, start])[None]).T)
    assert walk_m(stops) <= 1.03 * least_m(far)
    assert walk_m(stops) < 0.95 * walk_m(zigzag)


@pytest.mark.slow
@pytest.mark.parametrize("course", ["demo", "oak_bluff.kml", "maple_abbey.kml"])
def test_a_round_on_a_course_crosses_no_water_and_is_near_the_shortest(
    course: str, request: pytest.FixtureRequest
) -> None:
    if course == "demo":
        ground = read_ground(find_course(), collar_m=0.762)
    else:
        ground = read_ground(request.getfixturevalue("shared") / "courses" / course, kinds={"OB": "ignore"})
    design = draw_design(ground, visit="2026-05-04", points=60, walk="round", seed=7)
    (one,) = split_rounds(design, ground, 1)
    assert crossed_m(ground, [*one.legs, one.back]) < 0.01
    assert design.summary()["walk_m"] == pytest.approx(one.length_m)
    stops = np.vstack([one.legs[0][:1], *(leg[-1:] for leg in one.legs), one.back[-1:]])
    assert one.length_m <= 1.15 * least_m(np.hypot(*(stops[:, None] - stops[None]).T))


def crossed_m(ground: Ground, legs: list[np.ndarray]) -> float:
    """Return how much of some legs lies in what is walked round, paths over it left out, m."""
    obstacles = ground.obstacles
    solid = shapely.union_all(
        obstacles.geometry[obstacles["kind"].isin(BARRED_KINDS) & (obstacles.geom_type != "LineString")]
    )
    bridges = shapely.buffer(shapely.union_all(obstacles.geometry[obstacles["kind"] == "path"].to_numpy()), 1.6)
    lines = [shapely.LineString(leg) for leg in legs]
    return float(shapely.length(shapely.intersection(lines, shapely.difference(solid, bridges))).sum())


@pytest.mark.parametrize("rounds", [2, 3])
def test_rounds_take_equal_time_and_share_out_all_points(rounds: int) -> None:
    rng = np.random.default_rng(6)
    places, start = rng.uniform(0, 400, (60, 2)), np.array([0.0, 0.0])
    shares = share_walk(places, np.repeat(np.arange(6), 10).tolist(), start, rounds=rounds, point_m=150.0)
    assert sorted(np.concatenate(shares)) == list(range(60))
    efforts = [walk_m(np.vstack([start, places[share], start])) + 150.0 * len(share) for share in shares]
    assert max(efforts) <= 1.1 * min(efforts)


def test_a_reserve_point_goes_with_the_round_of_its_surface() -> None:
    ground = read_ground(find_course())
    design = draw_design(ground, visit="2026-05-04", points=30, holes="1-4", seed=3)
    rounds = [one.design.points for one in split_rounds(design, ground, 2)]
    pulled = [set(part.loc[part["role"] == "main", "surface_id"]) for part in rounds]
    only_one = pulled[0] - pulled[1]
    spare = (design.points["role"] == "reserve") & design.points["surface_id"].isin(only_one)
    assert spare.any()
    # Set on the other round's first point, they stay with the round that walks their surface.
    points = design.points.assign(geometry=design.points.geometry.where(~spare, rounds[1].geometry.iloc[0]))
    one, _ = (part.design.points for part in split_rounds(replace(design, points=points), ground, 2))
    assert set(design.points.loc[spare, "point_id"]) <= set(one["point_id"])


def test_the_walk_ends_where_it_is_told(small_ground: Ground) -> None:
    lonlat = gpd.GeoSeries.from_xy([-20.0], [-240.0], crs=small_ground.crs).to_crs(4326).iloc[0]
    design = draw_design(small_ground, visit="2026-05-04", points=20, end=(lonlat.x, lonlat.y), seed=7)
    (one,) = split_rounds(design, small_ground, 1)
    np.testing.assert_allclose(one.back[-1], (-20.0, -240.0), atol=0.01)
    assert walk_m(one.back) < 60
