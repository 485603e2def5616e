"""Stage 2: what every method of drawing must hold; the walk, near the shortest there can be, and equal rounds."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from scipy.sparse.csgraph import minimum_spanning_tree

from geosample.demo import find_course
from geosample.design import Request, draw_design
from geosample.design.frame import cut_frame, mark_out, place_within
from geosample.design.howmany import (
    PULLS,
    Quota,
    StopPlan,
    check_stop_plan,
    expect_stops,
    points_for,
    precision_of,
    share_points,
)
from geosample.design.methods import DRAWS, balance_of, chances_of, draw_spread, fight_pair, order_along
from geosample.design.walk import (
    BARRED_KINDS,
    find_legs,
    measure_ways,
    mend_tour,
    open_ways,
    order_walk,
    share_walk,
    walk_m,
)
from geosample.errors import DesignError
from geosample.ground import Ground, edge_lines, read_ground
from geosample.sheets.rounds import split_rounds
from geosample.words import ALLOCATIONS, DRAW_METHODS

TIMES = 400
TIMES_BALANCED = 150
"""A balanced draw takes ten times as long as any other."""


@pytest.fixture(scope="module", params=["green", "collar", "fairway"])
def case(request, small_ground):
    """A frame with edge-weighted density, and its quota for the contract."""
    target = mark_out(small_ground, Request(visit="2026-05-04"))
    lines = edge_lines(small_ground.surfaces)
    frame = cut_frame(target[target["kind"] == request.param], 24, lines=lines, border_weight=2.0)
    return frame, Quota(20, 4, order=order_of(frame, small_ground))


def order_of(frame, ground):
    """Return the order along its ring of a collar's cells, as ``draw_design`` gives it to the methods."""
    if frame.kind != "collar":
        return None
    ring = ground.surfaces.set_index("kind").geometry["collar"]
    return order_along(frame, dict.fromkeys(np.unique(frame.part).tolist(), ring))


@pytest.mark.parametrize("method", list(DRAWS))
class TestEveryMethod:
    @pytest.mark.slow
    def test_density_is_true_in_every_block(self, case, method):
        frame, quota = case
        quota = quota if method != "random" else Quota(20, 4)
        block = np.argsort(np.argsort(frame.places @ [0.6, 0.8])) * 20 // len(frame.places)
        tree = shapely.STRtree(frame.shapes)
        times = TIMES_BALANCED if method == "balanced" else TIMES
        hits = np.zeros((times, 20))
        rng = np.random.default_rng(11)
        for draw in range(times):
            drawn = DRAWS[method](frame, quota, rng)
            at, cell = tree.query(shapely.points(drawn.places[drawn.main]), predicate="intersects")
            cell = cell[np.unique(at, return_index=True)[1]]
            hits[draw] = np.bincount(block[cell], minlength=20)
        expected = np.bincount(block, weights=frame.density(20) * frame.area_m2, minlength=20)
        error = np.maximum(hits.std(axis=0, ddof=1), 0.05) / np.sqrt(times)
        # 300 blocks over all methods and shapes; 4.5 standard errors: a false alarm in about 1 in 500 runs.
        assert (np.abs(hits.mean(axis=0) - expected) < 4.5 * error).all()

    def test_density_stored_is_that_of_the_cell(self, case, method):
        frame, quota = case
        quota = quota if method != "random" else Quota(20, 4)
        drawn = DRAWS[method](frame, quota, np.random.default_rng(3))
        at, cell = shapely.STRtree(frame.shapes).query(shapely.points(drawn.places), predicate="intersects")
        np.testing.assert_allclose(drawn.density[at], frame.density(20)[cell], rtol=1e-9)

    def test_main_points_come_before_reserve(self, case, method):
        drawn = DRAWS[method](*case, np.random.default_rng(4))
        assert (np.diff(drawn.main.astype(int)) <= 0).all()
        assert len(drawn.main) == len(drawn.places) == len(drawn.part) == len(drawn.line)


@pytest.mark.slow
@pytest.mark.parametrize("points", [20, 50, 100])
def test_balanced_draws_are_spread(small_ground, points):
    target = mark_out(small_ground, Request(visit="2026-05-04"))
    rng = np.random.default_rng(5)
    for kind in ("green", "collar", "fairway"):
        frame = cut_frame(target[target["kind"] == kind], points, lines=None)
        quota = Quota(points, 0, order=order_of(frame, small_ground))
        draws = [DRAWS["balanced"](frame, quota, rng) for _ in range(25)]
        balance = [balance_of(d.places, frame.places, chances_of(frame, points)) for d in draws]
        # Stevens & Olsen 2004, JASA 99:262-278, measure and method: their tessellated draws come to about 0.11 on thin
        # shapes, draws by chance alone to about 0.3 (both simulated); these may do no worse than theirs.
        assert np.mean(balance) <= 0.11


def test_lines_carry_their_number_and_single_points_none(case):
    frame, quota = case
    drawn = DRAWS["lines"](frame, quota, np.random.default_rng(1))
    assert (drawn.line > 0).all() == (quota.order is None)


def test_a_design_draws_a_collar_along_its_ring_and_so_on_no_lines(small_ground):
    points = draw_design(small_ground, visit="2026-05-04", method="lines", seed=1).points
    assert ((points["line"] > 0) == (points["kind"] != "collar")).all()


def test_pivotal_keeps_every_chance():
    rng = np.random.default_rng(2)
    places, chance = rng.random((30, 2)), rng.uniform(0.1, 0.9, 30)
    hits = np.zeros(30)
    for _ in range(1000):
        hits[draw_spread(places, chance, rng)] += 1
    # Within 4 binomial standard errors (30 units: a false alarm in about 1 in 500 runs).
    assert (np.abs(hits / 1000 - chance) < 4 * np.sqrt(chance * (1 - chance) / 1000)).all()


def test_pivotal_step_has_its_chances():
    # The pivotal step, Deville & Tillé 1998, Biometrika 85:89-101:
    # (0.6, 0.7) -> (1, 0.3) with chance 0.428571; (0.3, 0.4) -> (0, 0.7) with chance 0.571429.
    luck = (np.arange(10_000) + 0.5) / 10_000
    first = [fight_pair(0.6, 0.7, x)[0] == 1 for x in luck]
    second = [fight_pair(0.3, 0.4, x)[0] == 0 for x in luck]
    assert (np.mean(first), np.mean(second)) == pytest.approx((0.428571, 0.571429), abs=1e-3)


def test_voronoi_balance_of_the_lattice():
    # Computed independently: 6 x 6 lattice, every second row and column 0.0850694444; corner block 1.25.
    lattice = np.array([(x, y) for y in range(6) for x in range(6)], dtype=float)
    even, corner = (lattice % 2 == 0).all(axis=1), (lattice < 3).all(axis=1)
    quarter = np.full(36, 0.25)
    assert balance_of(lattice[even], lattice, quarter) == pytest.approx(0.0850694444, abs=1e-10)
    assert balance_of(lattice[corner], lattice, quarter) == pytest.approx(1.25, abs=1e-10)


def test_places_are_uniform_in_a_triangle():
    triangle = shapely.Polygon([(0, 0), (3, 0), (0, 3)])
    places = place_within(np.full(20_000, triangle, dtype=object), np.random.default_rng(1))
    # Centroid (1, 1); the standard deviation along an axis is 3/sqrt(18) (geometry): 4 standard errors.
    assert np.abs(places.mean(axis=0) - 1).max() < 4 * 3 / np.sqrt(18) / np.sqrt(20_000)


def test_wright_allocation_of_the_published_examples():
    # Wright's optimum (2012), computed independently: viewing survey 17, 21, 20; California schools 147, 21, 32.
    assert share_points(58, [1550 * 5, 620 * 15, 930 * 10], minimum=[1, 1, 1]) == [17, 21, 20]
    schools = [4421 * 131.3462986, 755 * 107.6562536, 1018 * 124.7170559]
    assert share_points(200, schools, minimum=[1, 1, 1]) == [147, 21, 32]


def test_allocation_keeps_caps():
    assert share_points(20, [100.0, 1.0], minimum=[2, 2], most=[12, 20]) == [12, 8]


PLAN = StopPlan(low=0.5, high=1.5, k=0.8)


def test_stop_lines_are_walds():
    # Wald 1947, computed independently: slope 0.8643515215, intercepts -/+ 4.1608788039.
    assert PLAN.slope == pytest.approx(0.8643515215, abs=1e-10)
    assert PLAN.intercepts == pytest.approx((-4.1608788039, 4.1608788039), abs=1e-9)


@pytest.mark.parametrize(
    ("mean", "low", "bags"),
    # Exact with truncation at 60, computed independently and by 40,000 simulated runs.
    [
        (0.25, 0.998742, 7.224238),
        (0.5, 0.952013, 11.126489),
        (0.75, 0.711998, 14.484001),
        (1.0, 0.380571, 13.522456),
        (1.5, 0.088497, 8.441767),
        (3.0, 0.005298, 3.721869),
    ],
)
def test_stop_lines_have_exact_properties(mean, low, bags):
    assert expect_stops(PLAN, mean) == pytest.approx((low, bags), abs=1e-6)


def test_stop_table():
    # Stop table of the same plan, computed independently (-1: no stop yet).
    rows = [PLAN.limits(n) for n in (1, 3, 5, 8, 10, 15, 20, 30)]
    assert rows == [(-1, 6), (-1, 7), (0, 9), (2, 12), (4, 13), (8, 18), (13, 22), (21, 31)]


def test_stop_plan_refuses_means_the_wrong_way_round():
    with pytest.raises(DesignError, match="means: found 2 and 1"):
        check_stop_plan(StopPlan(low=2.0, high=1.0, k=1.0))


def test_how_many_points_for_a_precision():
    # (1 / m + 1 / k) / D² by hand, D = 0.25: (m, k) (.5, 1) 48; (1, 1) 32; (1, .5) 48.
    assert [points_for(0.25, m, k) for m, k in ((0.5, 1.0), (1.0, 1.0), (1.0, 0.5))] == [48, 32, 48]
    assert precision_of(32, 1.0, 1.0) == pytest.approx(0.25)


def round_trip(places, order):
    return places[[0, *order, 0]]


@pytest.mark.parametrize("side", [8, 12, 16])
def test_walk_is_within_a_twentieth_of_the_best_on_a_lattice(side):
    # On a lattice of even side with step 1 the best round is as long as it has points (geometry: no step is shorter,
    # and a round up and down the columns reaches it). The points come in random order.
    lattice = np.array([(x, y) for y in range(side) for x in range(side)], dtype=float)
    lattice = np.random.default_rng(side).permutation(lattice)
    order = order_walk(lattice, [0] * side**2, lattice[0])
    assert sorted(order) == list(range(side**2))
    assert walk_m(round_trip(lattice, order)) <= 1.05 * side**2


def test_walk_is_within_a_twentieth_of_the_best_of_many_starts():
    # No published value: the best of 40 tours mended from random starts stands in for the best known.
    places = np.random.default_rng(8).random((60, 2)) * 100
    far = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    rng = np.random.default_rng(9)
    tours = [mend_tour(rng.permutation(60), far) for _ in range(40)]
    best = min(far[tour, np.roll(tour, -1)].sum() for tour in tours)
    assert walk_m(round_trip(places, order_walk(places, [0] * 60, places[0]))) <= 1.05 * best


def test_the_ways_named_to_the_user_are_the_tables_own():
    assert sorted(DRAW_METHODS) == sorted(DRAWS)
    assert sorted(ALLOCATIONS) == sorted(PULLS)


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
