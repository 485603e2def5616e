"""Stage 2, going again: points kept and moved, with the density that is claimed.

No published values: what is claimed is checked by drawing many times.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from design_case import main_points
from scipy import stats

from geosample.design import draw_design
from geosample.design.draw import FAR_M, NEAR_M, move_point, spread_of
from geosample.errors import DesignError

ASKED = {"visit": "2026-05-04", "points": 40, "surfaces": ("green", "collar"), "seed": 7}


AGAIN = ASKED | {"visit": "2026-05-25", "keep": 0.4}


@pytest.fixture(scope="module")
def last(small_ground):
    return draw_design(small_ground, **ASKED)


def test_kept_points_are_moved_off_the_old_hole_and_stay_in_their_piece_of_ground(small_ground, last):
    again = main_points(draw_design(small_ground, **AGAIN, last=last))
    kept = again[again["kept_from"].notna()]
    assert len(kept) == round(0.4 * len(again))
    old = last.points.set_index("point_id").loc[kept["kept_from"]]
    moved = kept.geometry.distance(old.geometry, align=False)
    assert moved.between(NEAR_M, FAR_M).all()
    assert (kept["surface_id"].to_numpy() == old["surface_id"].to_numpy()).all()
    shapes = small_ground.surfaces.set_index("surface_id").geometry.loc[kept["surface_id"]]
    assert kept.geometry.within(shapes, align=False).all()


def test_a_point_with_no_room_to_move_is_not_pulled_again_from_the_old_hole():
    with pytest.raises(DesignError, match=r"no ground of its own within 0.5 to 1 m.*without `keep`"):
        move_point(shapely.Point(0.1, 0.1), shapely.box(0, 0, 0.2, 0.2), np.random.default_rng(1))


def test_a_point_with_room_around_moves_to_any_place_of_its_ring_alike(small_ground):
    green, rng = small_ground.surfaces.set_index("kind").geometry["green"], np.random.default_rng(9)
    away = np.array([move_point(shapely.Point(2.0, 1.0), green, rng) for _ in range(4000)]) - (2.0, 1.0)
    area = (np.hypot(*away.T) ** 2 - NEAR_M**2) / (FAR_M**2 - NEAR_M**2)
    turn = np.arctan2(away[:, 1], away[:, 0]) / (2 * np.pi) + 0.5
    # Kolmogorov and Smirnov's test of an even spread, by SciPy; seeded, and else a false alarm in 500 runs.
    for share in (area, turn):
        assert stats.kstest(share, "uniform").pvalue > 0.001


@pytest.mark.slow
def test_moving_keeps_the_density_that_is_claimed(small_ground):
    # Points uniform over the collar, each moved once: how many fall into each of 12 sectors and two bands, against
    # the density claimed. 24 places; 4.5 standard errors: a false alarm in about 1 in 6,000 runs.
    rng = np.random.default_rng(8)
    collar = small_ground.surfaces.set_index("kind").geometry["collar"]
    west, south, east, north = collar.bounds
    tried = np.column_stack([rng.uniform(west, east, 60_000), rng.uniform(south, north, 60_000)])
    inside = tried[shapely.contains_xy(collar, *tried.T)][:4000]
    moved = np.array([move_point(shapely.Point(place), collar, rng) for place in inside])
    green = small_ground.surfaces.set_index("kind").geometry["green"]
    grid = tried[shapely.contains_xy(collar, *tried.T)][4000:]
    claimed = np.array([spread_of(place, collar) for place in grid])

    def bins(places):
        sector = np.floor((np.arctan2(places[:, 1], places[:, 0]) + np.pi) / (2 * np.pi) * 12).astype(int) % 12
        outer = shapely.distance(shapely.points(places), green) > 0.381
        return sector * 2 + outer

    expected = np.bincount(bins(grid), weights=claimed, minlength=24) / claimed.sum() * len(moved)
    found = np.bincount(bins(moved), minlength=24)
    noise = np.sqrt(expected + (expected / np.sqrt(np.bincount(bins(grid), minlength=24))) ** 2)
    assert (np.abs(found - expected) < 4.5 * noise).all()
    # And the claim is no formality: near the ends of so thin a ring the density is not that of a plain draw.
    assert claimed.std() > 0.01
    assert claimed.mean() == pytest.approx(1.0, abs=0.03)


@pytest.mark.slow
def test_a_visit_with_kept_points_is_unbiased_for_a_known_field(small_ground):
    # The field is the northing's own: Horvitz-Thompson totals over 20 pairs of draws of a collar, where moves are most
    # hemmed in, against the exact total, whole and east half; 4 standard errors, by Student's t with 19 degrees of
    # freedom a false alarm in about 1 in 600.
    totals = []
    collar = {"surfaces": ("collar",), "points": 20, "reserve": 0.0}
    for seed in range(20):
        first = draw_design(small_ground, **(ASKED | {"seed": seed, **collar}))
        points = main_points(draw_design(small_ground, **(AGAIN | {"seed": 1000 + seed, **collar}), last=first))
        field = points.geometry.y.to_numpy() + 50
        weight = points["weight_m2"].to_numpy()
        totals.append([weight @ field, weight[points.geometry.x > 0].sum()])
    ground = small_ground.surfaces[small_ground.surfaces["kind"] == "collar"]
    middle = ground.geometry.centroid.y + 50
    east = ground.geometry.intersection(shapely.box(0, -100, 100, 100)).area.sum()
    exact = np.array([(middle * ground.area).sum(), east])
    error = np.std(totals, axis=0, ddof=1) / np.sqrt(len(totals))
    assert (np.abs(np.mean(totals, axis=0) - exact) < 4 * error).all()
    assert (error / exact < 0.03).all()


@pytest.mark.parametrize(
    ("change", "pattern"),
    [
        ({"keep": 0.95}, "keep: found 0.95"),
        ({"border_weight": 2.0}, "another kind of draw"),
        ({"border_m": 1.0}, "found other ground in: "),
    ],
)
def test_what_would_leave_densities_unknown_is_refused(small_ground, last, change, pattern):
    with pytest.raises(DesignError, match=pattern):
        draw_design(small_ground, **(AGAIN | change), last=last)


def test_keeping_without_a_visit_before_is_refused(small_ground):
    with pytest.raises(DesignError, match="no visit before"):
        draw_design(small_ground, **AGAIN)
