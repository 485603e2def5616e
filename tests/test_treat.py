"""Treatment zones on known fields, so that the right answer is known; amounts and tank loads against NIST."""

from __future__ import annotations

import json
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from survey_case import fill_rows
from treat_case import THRESHOLD, finding, make_map, patch, plan, plan_map, treated

from geosample.errors import TreatError, UnitError
from geosample.ground import Ground, cut_cells, draw_squares, edge_lines, measure_edge
from geosample.pests import DEFAULT_PEST
from geosample.report.treat import tell_plan
from geosample.survey import open_survey
from geosample.survey.findings import Finding, Findings, What
from geosample.treat import TreatSettings, load_zones, save_zones, zone_rows
from geosample.treat.amounts import VOLUMES_L, WEIGHTS_KG, Sprayer, parse_rate, parse_tank, round_down
from geosample.treat.cells import Overlay, place_cells, share_inside
from geosample.treat.figures import find_disputed
from geosample.treat.model import LeftOut
from geosample.treat.suggest import find_controls
from geosample.treat.zoning import drop_slivers
from geosample.units import ACRE_M2, FOOT2_M2, FOOT_M, HECTARE_M2


@pytest.mark.parametrize(
    "asked",
    [{"swath_m": 500.0}, {"swath_m": 1e-5}, {"miss_cost": 1e300}, {"miss_cost": 1e-300}],
    ids=lambda asked: "=".join(map(str, *asked.items())),
)
def test_a_figure_no_sprayer_or_cost_has_is_refused_with_what_is_usual(asked):
    with pytest.raises(TreatError, match=r"expected from [\d.]+ to [\d,]+"):
        TreatSettings(THRESHOLD, **asked)


TOO_SMALL = ("in patches too small", "too narrow for the swath")


def left_out(zones):
    return sum(finding(zones, "smoothing", f"{reason}, area m2") for reason in TOO_SMALL)


def test_no_smallest_zone_leaves_out_scraps_that_hold_no_cell(small_ground):
    zones = plan(small_ground, patch(-50, -130, 20), smallest_m2=0.0)
    assert (zones.zones["area_m2"] >= 0.25).all()
    assert zones.zones[["low_per_m2", "high_per_m2", "mean_per_m2"]].notna().all().all()


def test_a_plan_of_nothing_proposes_no_border(small_ground):
    zones = plan(small_ground, lambda cells: np.full(len(cells), 0.5))
    assert (zones.zones["action"] != "treat").all()
    assert zones.figures.border is None


def test_a_patch_in_the_fairway_becomes_one_zone_about_its_size(small_ground):
    zones = treated(plan(small_ground, patch(-50, -130, 12)))
    assert len(zones) == 1
    assert zones["area_m2"].iloc[0] == pytest.approx(np.pi * 12**2, rel=0.08)
    assert zones["zone_id"].iloc[0] == "Z01F-1"


def test_a_surface_that_is_hot_all_over_is_treated_to_its_edge(small_ground):
    """Whatever its corners and necks: the drawn shape itself is the zone, less only what is kept off."""
    whole = treated(plan(small_ground, patch(0, 0, 1000)))
    shapes = small_ground.surfaces.set_index("surface_id").geometry
    assert len(whole) == len(shapes)
    for row in whole.itertuples():
        assert row.geometry.symmetric_difference(shapes[row.surface_id]).area < 1e-6
    kept = treated(plan(small_ground, patch(0, 0, 1000), keep_off_m={"water": 12.0}))
    pond = small_ground.obstacles.geometry[small_ground.obstacles["kind"] == "water"].union_all()
    assert kept.geometry.union_all().area == pytest.approx(
        shapes.union_all().difference(pond.buffer(12)).area, rel=1e-4
    )


def test_the_cut_off_follows_from_the_costs():
    # No published value: the losses of the two actions are equal where miss_cost p = 1 - p.
    for cost in (0.5, 1.0, 3.0, 9.0):
        chance = TreatSettings(THRESHOLD, miss_cost=cost).cutoff
        assert cost * chance == pytest.approx(1 - chance)


@pytest.mark.slow
def test_a_dearer_miss_treats_more(small_ground):
    def slope(cells):
        return 60 * np.exp(-np.hypot(cells["easting"] + 50, cells["northing"] + 130) / 25)

    areas = [treated(plan(small_ground, slope, miss_cost=cost))["area_m2"].sum() for cost in (0.2, 1, 3, 10)]
    assert areas == sorted(areas)
    assert areas[0] < areas[-1]


@pytest.mark.slow
def test_zones_are_as_wide_as_the_swath_and_inside_their_surface(small_ground):
    def speckle(cells):
        return np.random.default_rng(4).lognormal(np.log(18), 0.9, len(cells))

    found = treated(plan(small_ground, speckle))
    surfaces = small_ground.surfaces.set_index("surface_id").geometry
    assert len(found)
    for zone in found.itertuples():
        surface = surfaces[zone.surface_id]
        assert zone.geometry.difference(surface.buffer(1e-6)).area < 1e-6
        if zone.kind != "collar":
            room = drop_slivers(surface, 15 * FOOT_M)
            inside = zone.geometry.intersection(room)
            assert drop_slivers(zone.geometry, 0.85 * 15 * FOOT_M).intersection(inside).area > 0.97 * inside.area


def test_gaps_narrower_than_a_swath_are_closed_and_told(small_ground):
    def two(cells):
        return patch(-46, -100, 7)(cells) + patch(-53, -116, 7)(cells)

    zones = plan(small_ground, two)
    assert len(treated(zones)) == 1
    assert finding(zones, "smoothing", "added, area m2") > 5


def test_a_strip_along_the_edge_is_widened_to_the_swath(small_ground):
    def rim(cells):
        edge = measure_edge(edge_lines(small_ground.surfaces), cells["easting"], cells["northing"])
        return np.where((edge < 2.5) & (cells["northing"] < -100), 90.0, 3.0)

    zones = plan(small_ground, rim)
    fairway = treated(zones, "01-fairway-1")
    assert left_out(zones) < 0.1 * fairway["area_m2"].sum()
    assert finding(zones, "smoothing", "added, area m2") > 100


def test_a_strip_not_worth_widening_is_dropped_and_told(small_ground):
    def thread(cells):
        return np.where(np.abs(cells["northing"] + 160) < 1.0, 90.0, 0.1)

    zones = plan(small_ground, thread, miss_cost=0.5)
    assert treated(zones).empty
    assert left_out(zones) > 30
    assert zones.figures.above.area_m2 > 30
    assert zones.figures.narrow[0].kind == "fairway"


def test_a_collar_is_treated_whole_width_and_its_overspray_told(small_ground):
    def north_side(cells):
        return np.where((cells["surface_id"] == "01-collar-1") & (cells["northing"] > 0), 90.0, 1.0)

    zones = plan(small_ground, north_side)
    found = treated(zones)
    collar = small_ground.surfaces.set_index("surface_id").geometry["01-collar-1"]
    half = collar.intersection(shapely.box(-50, 0, 50, 50))
    assert found["surface_id"].tolist() == ["01-collar-1"]
    assert half.difference(found.geometry.iloc[0]).area < 0.02 * half.area
    assert found["area_m2"].iloc[0] < 1.1 * half.area
    assert found["overspray_m2"].iloc[0] > 3 * half.area
    assert {"green", "unmapped"} <= set(zones.figures.overspray_m2)


@pytest.mark.slow
def test_zones_keep_off_water_by_the_distance_entered_and_no_other(small_ground):
    water = small_ground.obstacles[small_ground.obstacles["kind"] == "water"].geometry.union_all()
    hot = patch(-25, -130, 60)
    free, kept = plan(small_ground, hot), plan(small_ground, hot, keep_off_m={"water": 40.0})
    assert treated(free).distance(water).min() < 35
    assert treated(kept).distance(water).min() >= 39.9
    assert finding(kept, "smoothing", "kept off, area m2") > 10


def test_an_obstacle_the_ground_lacks_is_told(small_ground):
    zones = plan(small_ground, patch(-50, -130, 12), keep_off_m={"building": 5.0})
    assert zones.figures.missing_obstacles == ("building",)


def test_border_only_stays_within_the_border_and_tells_what_it_leaves(small_ground):
    zones = plan(small_ground, patch(-50, -130, 40), border_only_m=15 * FOOT_M)
    strip = edge_lines(small_ground.surfaces).buffer(15 * FOOT_M + 0.01, quad_segs=32)
    found = treated(zones)
    assert len(found)
    assert found["border_only"].all()
    assert found.union_all().difference(strip).area < 1
    assert finding(zones, "smoothing", "outside the border, insects") > 1000


def test_patches_smaller_than_asked_are_left_out_and_told(small_ground):
    zones = plan(small_ground, patch(-50, -130, 3.5), smallest_m2=60.0)
    assert treated(zones).empty
    assert zones.figures.small_patches == 1


def test_ground_is_treated_by_its_chance_however_little_is_known_of_it(small_ground):
    hot = patch(-50, -130, 14)
    unknown = make_map(small_ground, hot, known=lambda cells: cells["northing"] > -60)
    zones, same = plan_map(unknown, small_ground), plan(small_ground, hot)
    assert zones.zones["zone_id"].tolist() == ["Z01F-1"]
    assert zones.zones["reason"].tolist() == ["no_plug"]
    assert zones.zones.union_all().equals(same.zones.union_all())
    assert zones.figures.unsampled.area_m2 == pytest.approx(zones.zones["area_m2"].sum())
    assert same.figures.unsampled.area_m2 == 0


def test_who_treats_only_sampled_ground_is_told_what_that_leaves(small_ground):
    hot = patch(-50, -130, 14)
    half = make_map(small_ground, hot, known=lambda cells: cells["easting"] > -50)
    zones = plan_map(half, small_ground, sampled_only=True)
    assert (treated(zones)["reason"] == "above").all()
    assert treated(zones).bounds["minx"].min() >= -51
    assert zones.figures.unsampled.area_m2 < 1
    left = zones.figures.removed[LeftOut.UNSAMPLED]
    assert left.area_m2 == pytest.approx(np.pi * 14**2 / 2, rel=0.1)
    # 90 per ft² at a log spread of 0.25 is above 30 for certain
    assert left.hot_m2 == pytest.approx(left.area_m2, rel=1e-3)
    none = make_map(small_ground, hot, known=lambda cells: cells["northing"] > 1e9)
    assert treated(plan_map(none, small_ground, sampled_only=True)).empty


def test_a_plan_says_what_other_costs_of_a_miss_would_treat(small_ground):
    # 25 per ft² inside a spread of 0.5: P(above 30) is 1 - Phi((ln 30 - ln 25 + 0.125) / 0.5) = 0.27, above 1/4 and
    # 1/10 and below 1/2 (normal table: NIST/SEMATECH e-Handbook 1.3.6.7.1).
    given = make_map(small_ground, patch(-50, -130, 14, 25.0), spread=0.5)
    inside = np.hypot(given.cells["easting"] + 50, given.cells["northing"] + 130) < 14
    zones = plan_map(given, small_ground)
    (least, none), (most, all_of_it) = zones.figures.by_cost_m2
    assert (least, most) == (1.0, 9.0)
    assert none == 0
    assert all_of_it == pytest.approx(given.cells["area_m2"][inside].sum())


@pytest.mark.slow
def test_only_the_kinds_and_holes_asked_for_are_treated_and_what_that_leaves_is_told(small_ground):
    given = make_map(small_ground, patch(-50, -130, 200))  # all of it is hot
    all_of_it, green = plan_map(given, small_ground), plan_map(given, small_ground, kinds=["green"], holes=["1"])
    assert set(treated(all_of_it)["kind"]) == {"green", "collar", "fairway"}
    assert set(treated(green)["kind"]) == {"green"}
    areas = small_ground.surfaces.set_index("kind")["area_m2"]
    left = green.figures.removed[LeftOut.NOT_ASKED]
    assert left.area_m2 == pytest.approx(areas["collar"] + areas["fairway"], rel=1e-3)
    said = tell_plan(green, "us")
    assert said[1].startswith("As asked, only green, hole 1; elsewhere ")
    with pytest.raises(TreatError) as caught:
        plan_map(given, small_ground, kinds=["tee"], holes=["19"])
    assert [str(one) for one in caught.value.problems] == [
        "kinds: found tee; expected of the map's: green, collar, fairway; name those",
        "holes: found 19; expected of the map's: 1; name those",
    ]


def test_a_small_patch_likelier_hot_than_not_is_treated_though_no_plug_lies_in_it(small_ground):
    """330 ft² at a chance of two thirds: log of the density over the threshold 0.43 of its spread, Phi(0.43) = 0.67."""
    radius_m = np.sqrt(340 * FOOT_M**2 / np.pi)
    per_ft2 = 30 * np.exp(0.43 * 0.8 + 0.8**2 / 2)
    given = make_map(
        small_ground,
        patch(-50, -130, radius_m, per_ft2=per_ft2, elsewhere=1.0),
        spread=0.8,
        known=lambda cells: cells["northing"] > -60,
    )
    zones = treated(plan_map(given, small_ground))
    assert zones["reason"].tolist() == ["no_plug"]
    assert zones["probability"].iloc[0] > 0.5


def test_zones_stand_in_the_order_of_what_an_acre_saves(small_ground):
    def both(cells):
        return patch(-50, -130, 14, per_ft2=40.0)(cells) + patch(0, 0, 8)(cells)

    zones = plan(small_ground, both, check_share=0.1)
    found = treated(zones)
    assert len(found) > 1
    saved = [zones.settings.saving(chance) for chance in found["probability"]]
    assert saved == sorted(saved, reverse=True)
    assert (zones.zones["action"].iloc[len(found) :] == "check").all()


def test_bags_are_counted_in_the_zone_they_lie_in(small_ground):
    places = gpd.points_from_xy([-50, -52, -50, 0], [-130, -128, -129, 0])
    rows = {"sample_id": list("ABCD"), "status": ["counted", "counted", "lost", "counted"]}
    samples = gpd.GeoDataFrame(rows, geometry=places, crs=small_ground.crs)
    zones = plan(small_ground, patch(-50, -130, 14), samples=samples)
    assert zones.zones["bags"].tolist() == [2]
    given = make_map(small_ground, patch(-50, -130, 14))
    without_a_total = replace(given, fitted={**given.fitted, "partly": ["B"]})
    assert plan_map(without_a_total, small_ground, samples=samples).zones["bags"].tolist() == [1]


def test_an_empty_plan_is_an_answer(small_ground):
    zones = plan(small_ground, patch(0, 0, 0))
    assert zones.zones.empty
    assert zones.figures.treated.area_m2 == 0
    assert zones.figures.highest_high_per_m2 < THRESHOLD


def test_a_survey_with_too_few_insects_for_a_map_gives_a_plan_that_says_nothing_is_known(small_ground):
    given = make_map(
        small_ground, lambda cells: np.full(len(cells), 0.0), spread=1.5, known=lambda cells: cells["row"] > 10**9
    )
    bound = given.cells.assign(log_mean=np.log(20.0), expected_per_m2=0.0, low_per_m2=0.0, high_per_m2=180.0)
    no_map = replace(given, cells=bound, fitted={"no_map": True})
    zones = plan_map(no_map, small_ground)
    assert zones.zones.empty
    assert zones.figures.known_share == 0


def test_areas_and_insects_add_up(small_ground):
    zones = plan(small_ground, patch(-50, -130, 20))
    found = treated(zones)
    assert finding(zones, "plan", "treated area m2") == pytest.approx(found["area_m2"].sum(), rel=1e-6)
    assert finding(zones, "plan", "insects in zones") == pytest.approx(found["insects"].sum(), rel=1e-6)
    assert np.allclose(found["mean_per_m2"] * found["area_m2"], found["insects"])
    hot, added = (finding(zones, "smoothing", f"{name}, area m2") for name in ("above the cut-off", "added"))
    left = sum(
        finding(zones, "smoothing", f"{name}, area m2") for name in ("kept off", "outside the border", *TOO_SMALL)
    )
    assert hot + added - left == pytest.approx(found["area_m2"].sum(), rel=1e-6)


def test_nothing_that_was_given_is_changed(small_ground):
    given = make_map(small_ground, patch(-50, -130, 12))
    cells, surfaces = given.cells.copy(), small_ground.surfaces.copy()
    plan_map(given, small_ground)
    pd.testing.assert_frame_equal(given.cells, cells)
    assert small_ground.surfaces.equals(surfaces)


@pytest.mark.slow
def test_shifting_the_ground_by_whole_cells_shifts_the_zones(small_ground):
    moved = Ground(
        small_ground.surfaces.assign(geometry=small_ground.surfaces.translate(300, -200)),
        small_ground.obstacles.assign(geometry=small_ground.obstacles.translate(300, -200)),
    )
    here, there = plan(small_ground, patch(-50.3, -129.8, 12)), plan(moved, patch(249.7, -329.8, 12))
    assert here.zones["area_m2"].tolist() == pytest.approx(there.zones["area_m2"].tolist(), rel=1e-3)


def test_every_setting_that_cannot_be_is_told_at_once():
    with pytest.raises(TreatError) as caught:
        TreatSettings(0.0, miss_cost=0.0, swath_m=-1.0, smallest_m2=-1.0, keep_off_m={"lake": 3.0})
    text = str(caught.value)
    for argument in ("threshold_per_m2", "miss_cost", "swath_m", "smallest_m2", "keep_off_m"):
        assert argument in text
    assert "water" in text


def test_a_map_of_other_ground_is_refused(small_ground):
    given = make_map(small_ground, patch(-50, -130, 12))
    other = Ground(small_ground.surfaces.iloc[:2], small_ground.obstacles)
    with pytest.raises(TreatError, match="run 'geosample density' again"):
        plan_map(given, other)


@pytest.mark.parametrize("harm", ["moved", "half its cells gone", "no cells"])
def test_cells_that_do_not_make_up_their_surfaces_are_refused(small_ground, harm):
    given, surfaces = make_map(small_ground, patch(-50, -130, 12)), small_ground.surfaces
    if harm == "moved":
        surfaces = surfaces.assign(geometry=surfaces.translate(3.0, 0.0))
    kept = {"moved": 1, "half its cells gone": 2, "no cells": len(given.cells) + 1}[harm]
    given = replace(given, cells=given.cells.iloc[kept - 1 :: kept])
    with pytest.raises(TreatError) as caught:
        plan_map(given, Ground(surfaces, small_ground.obstacles))
    named = "a map of no cells" if harm == "no cells" else f"cells that do not make up {surfaces['surface_id'].min()}"
    assert named in str(caught.value)


@pytest.mark.parametrize("side_m", [0.3, 0.7, 2.4, 3.7])
def test_squares_of_any_side_join_without_cracks(side_m):
    """Easting and northing as large as in UTM, where west + side is not the next cell's west to the last digit."""
    column, row = np.meshgrid(np.arange(60) + round(583_000 / side_m), np.arange(60) + round(4_507_000 / side_m))
    joined = shapely.coverage_union_all(draw_squares(column.ravel(), row.ravel(), side_m))
    assert shapely.get_num_geometries(joined) == 1
    assert shapely.get_num_coordinates(joined.normalize().simplify(1e-6)) == 5
    assert shapely.is_valid(joined)


def test_shares_of_whole_squares_are_those_of_the_pieces_on_the_surface(small_ground):
    """By shapely's overlay of the clipped pieces: a zone lies on its surface, so squares that reach over do no harm."""
    given = make_map(small_ground, patch(-50, -130, 12))
    placed = place_cells(given, small_ground, THRESHOLD)
    pieces = cut_cells(small_ground.surfaces, 1.0)
    for surface_id, surface in small_ground.surfaces.set_index("surface_id").geometry.items():
        own, clipped = (frame[frame["surface_id"] == surface_id] for frame in (placed, pieces))
        middle = surface.representative_point()
        zone = surface.intersection(middle.buffer(9.3, quad_segs=64))
        plain = shapely.area(shapely.intersection(clipped.geometry.to_numpy(), zone)) / clipped["area_m2"].to_numpy()
        assert Overlay(own, 1.0).share(zone) == pytest.approx(plain, abs=1e-6)


def test_zones_come_back_from_the_survey_as_they_went_in(small_ground, tmp_path):
    survey = open_survey(tmp_path / "course.gpkg")
    with survey.change() as change:
        change.put("visits", fill_rows("visits", visit=["May"]))
        change.put("surfaces", small_ground.surfaces)
    for density in (patch(-50, -130, 12), patch(0, 0, 0)):
        zones = plan(small_ground, density, keep_off_m={"water": 5.0})
        save_zones(survey, zones)
        back = load_zones(survey, "May")
        assert back.settings == zones.settings
        assert replace(back.figures, curve=None) == replace(zones.figures, curve=None)
        pd.testing.assert_frame_equal(back.figures.curve, zones.figures.curve, check_like=True)
        assert back.simulated == zones.simulated
        assert back.zones["zone_id"].tolist() == zones.zones["zone_id"].tolist()
        assert back.zones["area_m2"].tolist() == pytest.approx(zones.zones.area.tolist())


def test_a_share_taken_block_by_block_is_the_share_taken_at_once(small_ground):
    cells = cut_cells(small_ground.surfaces, 1.0)
    shape = shapely.Point(-50, -130).buffer(37.3, quad_segs=64).union(shapely.Point(0, 0).buffer(8.1))
    plain = shapely.area(shapely.intersection(cells.geometry.to_numpy(), shape)) / cells["area_m2"].to_numpy()
    assert share_inside(cells.geometry.to_numpy(), cells["area_m2"].to_numpy(), shape) == pytest.approx(plain, abs=1e-9)


@pytest.mark.parametrize(
    ("unit", "litres"),
    [
        # NIST SP 811 (2008), appendix B.8, "gallon (US)": 3.785 412 E-03 m³.
        ("gal", 3.785412),
        # same, "ounce (US fluid)": 2.957 353 E-05 m³.
        ("floz", 0.02957353),
        # same, "pint (US liquid)": 4.731 765 E-04 m³.
        ("pt", 0.4731765),
        # same, "quart (US liquid)": 9.463 529 E-04 m³.
        ("qt", 0.9463529),
    ],
)
def test_volumes_are_those_of_nist(unit, litres):
    assert pytest.approx(litres, rel=2e-7) == VOLUMES_L[unit]


def test_weights_are_those_of_nist():
    # NIST SP 811 (2008), appendix B.8: pound (avoirdupois) 4.535 924 E-01 kg, ounce (avoirdupois) 2.834 952 E-02 kg.
    assert WEIGHTS_KG["lb"] == pytest.approx(0.4535924, rel=2e-7)
    assert WEIGHTS_KG["oz"] == pytest.approx(0.02834952, rel=2e-7)


def test_rates_turn_over_as_in_nist():
    # Arithmetic on NIST SP 811 (2008), appendix B.8: gallon (US) 3.785 412 L over acre 4.046 873 E+03 m² (survey foot,
    # 4 parts in a million larger than the acre here).
    assert parse_rate("1gal/acre").on(HECTARE_M2).value == pytest.approx(3.785412 / 0.4046873, rel=1e-5)
    # 1 gal/1,000 ft² = 43.56 gal/acre: arithmetic, 43,560 ft² to the acre.
    assert parse_rate("1 gal / 1,000 ft2").on(ACRE_M2).value / VOLUMES_L["gal"] == pytest.approx(43.56)


def test_amounts_and_loads_for_an_area_worked_by_hand():
    # By hand: 50,000 ft² at 0.2 fl oz and 2 gal per 1,000 ft² is 10 fl oz in 100 gal; a 60 gal tank covers 30,000 ft²
    # with 6 fl oz, and 40 gal with 4 fl oz are left.
    sprayer = Sprayer(
        parse_rate("0.2 floz/1000ft2"), parse_rate("2gal/1000ft2", where="--carrier"), parse_tank("60gal")
    )
    area_m2 = 50_000 * FOOT2_M2
    assert (sprayer.rate.on(area_m2).show(), sprayer.carrier.on(area_m2).show()) == ("10 fl oz", "100 gal")
    assert show_loads(sprayer, area_m2) == (1, "60 gal", "6 fl oz", "40 gal", "4 fl oz")


def show_loads(sprayer, area_m2):
    loads = sprayer.loads(area_m2)
    amounts = (loads.tank, loads.product, loads.last, loads.last_product)
    return (loads.full, *(amount.show() for amount in amounts))


@given(st.floats(1e-3, 1e6))
def test_a_shown_amount_is_never_more_and_hardly_less(value):
    shown = float(round_down(value).replace(",", ""))
    assert shown <= value * (1 + 1e-9)
    assert shown >= value * 0.989


@pytest.mark.parametrize(
    ("text", "word"),
    [("0.2", "over one of"), ("0.2/1000ft2", "oz is a weight"), ("2gal", "over one of"), ("2gal/h", "over one of")],
)
def test_a_rate_without_its_units_is_refused_with_those_allowed(text, word):
    with pytest.raises(UnitError, match=word):
        parse_rate(text)


def test_a_carrier_by_weight_is_refused():
    with pytest.raises(UnitError, match="--carrier"):
        parse_rate("2lb/1000ft2", where="--carrier", dimension="volume")


def shares(**stages: float) -> Findings:
    return Findings("May", "x", tuple(Finding(What.STAGE_SHARE, stage, share) for stage, share in stages.items()))


def test_the_commonest_stages_come_first_as_classes_not_products():
    first, second, *others = find_controls(shares(L3=0.1, L4=0.6, adult=0.3), DEFAULT_PEST, None)
    assert first.share == pytest.approx(0.6)
    assert first.irac == ("5", "22A", "1B", "28")
    assert "adults" in second.when
    assert sum(one.share for one in (first, second, *others)) == pytest.approx(1.0)  # each stage in one class


def test_a_group_used_last_is_called_out():
    before = pd.DataFrame({"date": ["2026-04-20"], "record": [json.dumps({"irac_group": "28"})]})
    controls = find_controls(shares(L3=1.0), DEFAULT_PEST, before)
    assert {(one.used, one.used_on) for one in controls if "28" in one.irac} == {(("28",), "2026-04-20")}
    assert not any(one.used for one in find_controls(shares(L3=1.0), DEFAULT_PEST, None))


def test_nothing_is_said_of_control_without_stages_or_a_profile():
    assert find_controls(None, DEFAULT_PEST, None) == ()
    assert find_controls(shares(L3=1.0), "an insect of my own", None) == ()


def test_the_table_gives_each_zone_its_amounts_at_the_users_own_rates(small_ground):
    sprayer = Sprayer(parse_rate("0.2floz/1000ft2"), parse_rate("2gal/1000ft2"))
    table = zone_rows(plan(small_ground, patch(-50, -130, 14), sprayer=sprayer))
    feet = table["area_ft2"].iloc[0]
    assert float(table["product"].iloc[0].split()[0]) == pytest.approx(0.2 * feet / 1000, rel=0.01)
    assert float(table["carrier"].iloc[0].split()[0]) == pytest.approx(2 * feet / 1000, rel=0.01)
    assert not {"product", "carrier"} & set(zone_rows(plan(small_ground, patch(-50, -130, 14))).columns)


def test_loads_add_up_to_the_total_that_was_told():
    sprayer = Sprayer(parse_rate("0.2floz/1000ft2"), parse_rate("2gal/1000ft2"), parse_tank("100gal"))
    area_m2 = 67_900 * FOOT2_M2
    # 67,900 ft2: 13.58 fl oz and 135.8 gal, cut to 13.5 and 135; one full tank of 100 gal takes 10 fl oz
    assert (sprayer.rate.on(area_m2).show(), sprayer.carrier.on(area_m2).show()) == ("13.5 fl oz", "135 gal")
    assert show_loads(sprayer, area_m2) == (1, "100 gal", "10 fl oz", "35 gal", "3.5 fl oz")


@pytest.mark.parametrize("text", ["1e-9 floz", "0.0000001gal", "9" * 400 + "gal"])
def test_an_amount_no_label_has_is_refused(text):
    with pytest.raises(UnitError):
        parse_rate(f"{text}/1000ft2")


def test_the_figures_come_back_from_plain_types_as_they_went_in():
    for sprayer in (Sprayer(), Sprayer(parse_rate("0.2oz/1000ft2"), parse_rate("2gal/1000ft2"), parse_tank("100gal"))):
        assert Sprayer.of_plain(json.loads(json.dumps(sprayer.plain()))) == sprayer


def test_where_plan_and_bags_lie_on_opposite_sides_of_the_threshold_is_found(small_ground, tmp_path):
    """The hole's fairway is high to the map and its bags low; its green the other way round."""
    survey = open_survey(tmp_path / "course.gpkg")
    with survey.change() as change:
        change.put("visits", fill_rows("visits", visit=["May"]))
        change.put("surfaces", small_ground.surfaces)
    surfaces = small_ground.surfaces
    high = surfaces["kind"] == "fairway"
    made = make_map(small_ground, lambda cells: np.where(cells["surface_id"].str.contains("fairway"), 60.0, 5.0))
    places = surfaces[surfaces["kind"].isin(["fairway", "green"])].representative_point()
    assert len(places) == 2
    counts = np.where(high[places.index], 1.0, 40.0)
    effort_m2 = 0.01
    sites = {
        "places": np.column_stack([places.x, places.y]).tolist(),
        "count": counts.tolist(),
        "offset": np.full(len(places), np.log(effort_m2 * 100.0)).tolist(),
    }
    told = replace(made, fitted={"sites": sites, "rate_per_m2": 100.0})
    samples = gpd.GeoDataFrame({"weight_m2": 1.0}, index=range(len(places)), geometry=places.to_numpy(), crs=places.crs)
    ids = [f"S-{place}" for place in range(len(places))]
    samples = samples.assign(status="counted", sample_id=ids)
    zones = plan_map(made, small_ground)
    disputed = find_disputed(told, small_ground, zones.zones, samples, THRESHOLD)
    found = {one.kind: one for one in disputed}
    assert set(found) == {"fairway", "green"}
    assert (found["fairway"].treated, found["green"].treated) == (True, False)
    assert found["fairway"].own_per_m2 == pytest.approx(100.0)
    assert found["green"].own_per_m2 == pytest.approx(4000.0)
    assert found["fairway"].plan_per_m2 > THRESHOLD > found["green"].plan_per_m2
    assert find_disputed(made, small_ground, zones.zones, samples, THRESHOLD) == ()  # no record of its bags
    known = replace(zones, figures=replace(zones.figures, disputed=disputed))
    save_zones(survey, known)
    assert load_zones(survey, known.visit).figures.disputed == disputed
    said = "\n".join(tell_plan(known, "us"))
    assert "treated though its bags average less than 30/ft²: hole 1 fairway (1 bag at 9.3/ft²" in said
    assert "left though its bags average more than 30/ft²: hole 1 green (1 bag at 372/ft²" in said
