"""The passes over the zones: what they cover, what they keep off, what is left and told.

No published values: areas are measured with shapely, and what must hold of any passes is checked.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from treat_case import patch, plan

from geosample.treat import Zones, write_zones
from geosample.treat.passes import find_places, lay_passes
from geosample.words import IN_SHORT

SWATH_M = 15 * 0.3048
EVERYWHERE = patch(0, 0, 1e9)


def lines_of(zones: Zones) -> np.ndarray:
    return np.array([line for drive in zones.drives for line in drive.passes], dtype=object)


def booms(zones: Zones, *, cap: str = "flat") -> shapely.Geometry:
    return shapely.union_all(shapely.buffer(lines_of(zones), zones.settings.swath_m / 2, cap_style=cap))


@pytest.fixture(scope="module", params=["all of it", "a patch", "kept off water", "an edge", "strips", "wide"])
def planned(request, small_ground) -> Zones:
    given = {
        "all of it": (EVERYWHERE, {}),
        "a patch": (patch(-50, -130, 14), {}),
        "kept off water": (EVERYWHERE, {"keep_off_m": {"water": 12.0, "bunker": 1.0}}),
        "an edge": (EVERYWHERE, {"border_only_m": 6.0}),
        "strips": (EVERYWHERE, {"check_share": 0.1}),
        "wide": (EVERYWHERE, {"swath_m": 12.0, "keep_off_m": {"water": 5.0}}),
    }
    density, asked = given[request.param]
    return plan(small_ground, density, **asked)


def test_passes_cover_the_zones_but_for_what_is_told(planned):
    treat = planned.of("treat").union_all()
    missed = treat.difference(booms(planned)).area
    driving = planned.figures.driving
    assert missed == pytest.approx(driving.kept_off_m2 + driving.corners_m2, abs=0.5)
    assert driving.corners_m2 < (0.06 if len(planned.of("check")) else 0.02) * treat.area


def test_no_boom_is_over_water_or_ground_kept_off(planned, small_ground):
    shut = [
        small_ground.obstacles.geometry[small_ground.obstacles["kind"] == kind].buffer(distance_m).union_all()
        for kind, distance_m in {"water": 0.0, **planned.settings.keep_off_m}.items()
    ]
    over = shapely.buffer(lines_of(planned), planned.settings.swath_m / 2)
    assert not shapely.intersects(over, shapely.union_all(shut)).any()


def test_a_creek_drawn_as_a_line_is_water_too(small_ground):
    creek = shapely.LineString([(-80, -150), (20, -140)])
    row = gpd.GeoDataFrame(
        {"kind": ["water"], "hole": "1", "source": "invented"}, geometry=[creek], crs=small_ground.crs
    )
    crossed = replace(small_ground, obstacles=pd.concat([small_ground.obstacles, row], ignore_index=True))
    zones = plan(crossed, EVERYWHERE)
    assert zones.of("treat").intersects(creek).any()
    assert not shapely.intersects(shapely.buffer(lines_of(zones), SWATH_M / 2), creek).any()
    assert zones.figures.driving.kept_off_m2 > 10 * SWATH_M


def test_areas_add_up(planned):
    treat, swept = planned.of("treat").union_all(), booms(planned)
    driving = planned.figures.driving
    assert sum(planned.figures.overspray_m2.values()) == pytest.approx(swept.difference(treat).area, abs=1)
    on_zones = treat.area - driving.kept_off_m2 - driving.corners_m2
    assert swept.area == pytest.approx(on_zones + sum(planned.figures.overspray_m2.values()), abs=1)
    assert driving.length_m == pytest.approx(shapely.length(lines_of(planned)).sum())
    assert sum(drive.area_m2 for drive in planned.drives) == pytest.approx(treat.area, rel=1e-6)
    assert sorted(name for drive in planned.drives for name in drive.zone_ids) == sorted(planned.of("treat")["zone_id"])


def test_no_pass_runs_over_a_check_strip(planned):
    strips = planned.of("check").union_all()
    assert not shapely.intersects(lines_of(planned), shapely.buffer(strips, -0.01)).any()
    assert booms(planned).intersection(strips).area < 0.01 * strips.area + 1e-9


def test_straight_passes_lie_a_swath_apart_and_never_twice_over_the_same_ground(small_ground):
    zones = plan(small_ground, patch(-50, -130, 14))
    [drive] = zones.drives
    middles = shapely.get_coordinates([line.interpolate(0.5, normalized=True) for line in drive.passes])
    ahead = np.diff(shapely.get_coordinates(drive.passes[0]), axis=0)[0]
    aside = np.array([-ahead[1], ahead[0]]) / np.hypot(*ahead)
    assert np.diff(np.sort(middles @ aside)) == pytest.approx(SWATH_M)
    assert drive.twice_m2 == pytest.approx(0, abs=0.1)


def test_the_pass_down_a_collar_is_one_ring_along_its_middle(small_ground):
    collar = small_ground.surfaces.set_index("kind").geometry["collar"]
    frame = plan(small_ground, EVERYWHERE).zones
    alone = frame[frame["kind"] == "collar"].assign(geometry=[shapely.multipolygons([collar.geoms[0]])])
    [drive], over = lay_passes(alone, small_ground, swath_m=SWATH_M, keep_off_m={})
    [ring] = drive.passes
    assert ring.is_closed
    assert shapely.length(ring) == pytest.approx(shapely.length(collar.geoms[0].exterior), rel=0.1)
    assert over["green"] > collar.area


def test_a_green_and_its_collar_are_driven_as_one_so_that_the_green_gets_no_second_pass(small_ground):
    zones = plan(small_ground, patch(0, 0, 25))
    both = next(drive for drive in zones.drives if "green" in drive.kinds)
    assert set(both.kinds) == {"green", "collar"}
    assert len(both.zone_ids) == len(set(both.zone_ids)) == 2


def test_every_next_zone_is_begun_at_its_nearer_end(small_ground):
    drives = plan(small_ground, EVERYWHERE).drives
    for before, after in itertools.pairwise(drives):
        last = shapely.get_point(before.passes[-1], -1)
        start, end = shapely.get_point(after.passes[0], 0), shapely.get_point(after.passes[-1], -1)
        assert shapely.distance(last, start) <= shapely.distance(last, end)


def test_every_file_holds_the_passes_with_the_caution(small_ground, tmp_path):
    zones = replace(plan(small_ground, EVERYWHERE), simulated=True)
    names = {path.name for path in write_zones(zones, tmp_path)}
    assert {"passes.geojson", "passes.kml", "passes.gpx", "passes_shapefile.zip"} <= names
    for name in ("passes.geojson", "passes_shapefile.zip", "passes.kml"):
        back = gpd.read_file(tmp_path / name).to_crs(zones.crs)
        assert back.length.tolist() == pytest.approx(shapely.length(lines_of(zones)).tolist(), abs=0.1)
        told = back["description"] if "description" in back else back["caution"]
        assert all(IN_SHORT in text for text in told)
    tracks = gpd.read_file(tmp_path / "passes.gpx", layer="tracks").to_crs(zones.crs)
    assert len(tracks) == len(zones.drives)
    assert all(text.endswith(f"Simulated counts. {IN_SHORT}") for text in tracks["desc"])
    assert tracks.length.tolist() == pytest.approx([drive.length_m for drive in zones.drives], abs=0.5)


@pytest.mark.slow
def test_where_a_zone_lies_is_told_by_part_and_stretch(small_ground):
    whole = find_places(plan(small_ground, EVERYWHERE).zones, small_ground)
    assert {place.part for place in whole.values()} == {"all"}
    [spot] = find_places(plan(small_ground, patch(-50, -130, 14)).zones, small_ground).values()
    assert 0 < spot.start_m < spot.end_m < spot.whole_m
    assert spot.end_m - spot.start_m == pytest.approx(28, abs=8)
    edges = find_places(plan(small_ground, EVERYWHERE, border_only_m=6.0).zones, small_ground)
    assert {place.part for place in edges.values()} == {"all", "rim", "both edges"}
