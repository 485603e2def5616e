"""Stage 2: the design as a whole, its promises and refusals; again at another visit; what the bench is given.

No published values for points kept or moved: what is claimed is checked by drawing many times.
"""

from __future__ import annotations

import dataclasses
import inspect
import json
from dataclasses import replace
from itertools import pairwise

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner
from scipy import stats
from survey_case import VALUES, fill_rows
from visit_case import main_points

from geosample.cli import main
from geosample.design import Request, draw_design, load_design, save_design
from geosample.design.draw import FAR_M, NEAR_M, move_point, spread_of
from geosample.design.methods import order_spread, split_plugs
from geosample.errors import DesignError
from geosample.ground import Ground, load_ground, save_ground
from geosample.sheets.blanks import bench_order
from geosample.survey import LAYERS, open_survey

ASKED = {"visit": "2026-05-04", "points": 60, "border_m": 4.572, "seed": 7}


@pytest.fixture(scope="module")
def design(small_ground):
    return draw_design(small_ground, **ASKED)


def test_gives_the_points_asked_for_and_a_fifth_in_reserve(design):
    main_ = main_points(design)
    assert len(main_) == 60
    reserve = len(design.points) - 60
    assert 12 <= reserve <= 12 + design.strata["stratum"].nunique()


def test_has_the_columns_of_the_layers(design):
    assert set(LAYERS["points"].columns) <= set(design.points.columns)
    assert set(LAYERS["strata"].columns) <= set(design.strata.columns)
    assert design.points.crs == design.strata.crs


def test_every_point_lies_in_its_part_of_its_stratum(design):
    target = design.strata.set_index(["stratum", "surface_id"]).geometry
    own = [target[key] for key in zip(design.points["stratum"], design.points["surface_id"], strict=True)]
    assert shapely.contains(np.array(own), design.points.geometry.to_numpy()).all()


def test_labels_are_unique_and_numbered_along_the_walk(design):
    assert design.points["point_id"].is_unique
    fairway = main_points(design).query("kind == 'fairway'").sort_values("walk_order")
    assert fairway["point_id"].tolist() == [f"01F-{n:02d}" for n in range(1, len(fairway) + 1)]


def test_main_points_come_first_in_the_walk_and_reserves_after(design):
    assert sorted(main_points(design)["walk_order"]) == list(range(1, 61))
    assert design.points.loc[design.points["role"] == "reserve", "walk_order"].min() == 61


def test_weights_of_main_points_add_up_to_each_stratum_area(design):
    weights = main_points(design).groupby("stratum")["weight_m2"].sum()
    areas = design.strata.groupby("stratum")["area_m2"].sum()
    pd.testing.assert_series_equal(weights, areas, check_names=False, rtol=1e-9)


def test_weight_is_one_over_density(design):
    np.testing.assert_allclose(design.points["weight_m2"] * design.points["inclusion_per_m2"], 1.0)


def test_target_areas_are_those_of_their_shapes_and_make_up_the_ground(design, small_ground):
    np.testing.assert_allclose(design.strata["area_m2"], design.strata.geometry.area)
    # shapely's buffer of the border line is a polygon of 64 sides to the circle: parts still share their cut exactly.
    assert design.strata["area_m2"].sum() == pytest.approx(small_ground.surfaces.area.sum(), rel=1e-6)


def test_border_points_are_near_the_edge_and_interior_points_are_not(design):
    by_part = design.points.groupby("part")["edge_m"]
    assert by_part.max()["border"] <= 4.572 + 1e-6
    # The border is cut with a 64-sided circle, which is at most 0.1 % short.
    assert by_part.min()["interior"] >= 4.572 * 0.998


def test_edge_distance_runs_to_the_outer_line_and_not_to_the_collar(design):
    green = design.points.query("kind == 'green'")
    # The collar is 0.762 m wide, so nothing on the green is nearer to the outer line than that (rounded corners: 1 %).
    assert green["edge_m"].min() > 0.762 * 0.99


def test_every_stratum_has_the_minimum(design):
    assert main_points(design).groupby("stratum").size().min() >= 8


def test_minimum_gives_way_when_points_do_not_reach(small_ground):
    drawn = draw_design(small_ground, **(ASKED | {"points": 20}))
    assert main_points(drawn).groupby("stratum").size().min() >= 4


def test_same_seed_draws_the_same_design_and_another_seed_does_not(small_ground, design):
    again = draw_design(small_ground, **ASKED)
    pd.testing.assert_frame_equal(again.points, design.points)
    assert again.visit.design_code == design.visit.design_code
    other = draw_design(small_ground, **(ASKED | {"seed": 8}))
    assert other.visit.design_code != design.visit.design_code


@pytest.mark.slow
def test_a_seed_taken_from_the_system_is_kept(small_ground):
    drawn = draw_design(small_ground, **(ASKED | {"seed": None}))
    again = draw_design(small_ground, **(ASKED | {"seed": drawn.visit.seed}))
    pd.testing.assert_frame_equal(again.points, drawn.points)


def test_ground_is_left_as_it_was(small_ground):
    before = small_ground.surfaces.copy(deep=True)
    draw_design(small_ground, **ASKED)
    pd.testing.assert_frame_equal(small_ground.surfaces, before)


def test_survives_the_survey_file(design, small_ground, tmp_path):
    survey = open_survey(tmp_path / "course.gpkg")
    save_ground(survey, small_ground)
    save_design(survey, design)
    back = load_design(survey)
    assert back.visit == replace(design.visit, settings=json.loads(json.dumps(design.visit.settings)))
    columns = list(LAYERS["points"].columns)
    pd.testing.assert_frame_equal(
        pd.DataFrame(back.points[columns]), pd.DataFrame(design.points[columns]), check_dtype=False
    )
    assert back.strata.geometry.geom_equals_exact(design.strata.geometry, 1e-9).all()


def test_settings_hold_what_a_redraw_needs(design):
    settings = design.visit.settings
    assert {"border_m", "every_edge", "gap_m", "method", "allocation", "versions", "strata"} <= set(settings)
    assert sum(row["main"] for row in settings["strata"]) == 60
    json.dumps(settings)


def test_setback_leaves_the_target_area(small_ground):
    drawn = draw_design(small_ground, **(ASKED | {"surfaces": ("green",), "setback_m": 2.0}))
    green = small_ground.surfaces.geometry.iloc[0]
    assert drawn.strata["area_m2"].sum() == pytest.approx(green.buffer(-2.0).area, rel=1e-3)
    assert shapely.distance(drawn.points.geometry.to_numpy(), green.boundary).min() > 1.99


def test_ground_near_an_obstacle_leaves_the_target_area(small_ground):
    drawn = draw_design(small_ground, **(ASKED | {"keep_off": (("bunker", 3.0),)}))
    bunker = small_ground.obstacles.geometry.iloc[0]
    assert drawn.strata.geometry.distance(bunker).min() > 2.98
    assert shapely.distance(drawn.points.geometry.to_numpy(), bunker).min() > 2.98
    weights = main_points(drawn)["weight_m2"].sum()
    assert weights == pytest.approx(drawn.strata["area_m2"].sum(), rel=1e-9)


@pytest.mark.parametrize("method", ["grid", "triangle", "lines", "random"])
def test_every_method_makes_a_whole_design(small_ground, method):
    drawn = draw_design(small_ground, **(ASKED | {"method": method}))
    assert drawn.points["point_id"].is_unique
    assert 45 <= len(main_points(drawn)) <= 75
    assert drawn.summary()["points"] == len(main_points(drawn))


def test_edge_weight_raises_the_density_toward_the_edge_as_stated(small_ground):
    drawn = draw_design(small_ground, visit="2026-05-04", surfaces=("fairway",), border_weight=3.0, seed=3)
    points = drawn.points
    expected = 1 + 2 * np.exp(-points["edge_m"] / 4)
    ratio = points["inclusion_per_m2"] / expected
    # The density is the cell's, and a cell near the edge is 1 m across: e^(1/4) bounds the difference.
    assert ratio.max() / ratio.min() < 1.3
    assert points["inclusion_per_m2"].max() / points["inclusion_per_m2"].min() > 2


@pytest.mark.parametrize(
    ("change", "pattern"),
    [
        ({"holes": ("4",)}, r"holes: found 4; expected of: 1"),
        ({"surfaces": ("tee",)}, r"surfaces: found no tee on this course"),
        ({"setback_m": 0.5}, r"surface 01-collar-1: found no room"),
        ({"points": 6}, r"points: found 6 points for 5 strata"),
        ({"border_weight": 9.0}, r"border_weight: found 9; expected 1 to 4"),
        ({"points": 5000, "allocation": "equal"}, r"stratum collar border: found 1000 main .* at most 514"),
        ({"visit": "spring"}, r"visit: found 'spring'; expected a date"),
        ({"keep_off": (("lava", 1.0),)}, r"keep_off: found no lava .* expected of: bunker, water"),
        ({"reserve": -0.1}, r"reserve: found -0.1"),
    ],
)
def test_refuses_what_can_not_be_and_says_what_can(small_ground, change, pattern):
    with pytest.raises(DesignError, match=pattern):
        draw_design(small_ground, **(ASKED | change))


def test_tells_every_problem_at_once(small_ground):
    with pytest.raises(DesignError) as caught:
        draw_design(small_ground, **(ASKED | {"visit": "", "points": 0, "plugs": 500, "method": "dowsing"}))
    assert {problem.where for problem in caught.value.problems} == {"visit", "points", "plugs", "method"}


def test_refuses_a_surface_smaller_than_a_plug(small_ground):
    speck = gpd.GeoDataFrame(
        {"surface_id": ["09-green-1"], "hole": "9", "kind": "green", "name": None, "source": "invented"},
        geometry=[shapely.box(500, 500, 500.05, 500.05)],
        crs=small_ground.crs,
    )
    surfaces = gpd.GeoDataFrame(pd.concat([small_ground.surfaces, speck.assign(area_m2=0.0025)], ignore_index=True))
    with pytest.raises(DesignError, match=r"surface 09-green-1: found 0\.0025 m²"):
        draw_design(Ground(surfaces, small_ground.obstacles), **(ASKED | {"border_m": None}))


@pytest.fixture
def survey_path(small_ground, tmp_path):
    path = tmp_path / "course.gpkg"
    save_ground(open_survey(path), small_ground)
    return path


def run(*words):
    return CliRunner().invoke(main, ["design", *map(str, words)])


def test_command_says_what_each_stratum_got(survey_path):
    result = run(survey_path, "--visit", "2026-05-04", "--points", 60, "--holes", "1", "--border", "15ft", "--seed", 7)
    assert result.exit_code == 0, result.output
    assert "60 points" in result.output
    assert "collar border" in result.output
    assert len(load_design(open_survey(survey_path)).points) >= 72


def test_command_gives_json_alone(survey_path):
    result = run(survey_path, "--visit", "2026-05-04", "--seed", 7, "--json")
    summary = json.loads(result.stdout)
    assert summary["points"] == 90
    assert sum(row["main"] for row in summary["strata"]) == 90


def test_command_refuses_a_visit_that_has_counts(survey_path, design):
    survey = open_survey(survey_path)
    save_design(survey, design)
    row = design.points.iloc[[0]][["visit", "point_id", "geometry"]].assign(**VALUES["samples"])
    with survey.change() as change:
        change.put("samples", row.assign(sample_id=row["point_id"]))
    result = run(survey_path, "--visit", "2026-05-04", "--seed", 9)
    assert result.exit_code == 1
    assert "1 samples that have come back" in result.output
    pd.testing.assert_series_equal(load_design(survey).points["point_id"], design.points["point_id"])


def test_command_without_ground_says_which_stage_to_run(tmp_path):
    path = tmp_path / "empty.gpkg"
    with open_survey(path).change() as change:
        change.put("findings", fill_rows("findings", visit=["x"]))
    result = run(path, "--visit", "2026-05-04")
    assert result.exit_code == 1
    assert "geosample ground" in result.output


def test_command_takes_a_precision_at_an_expected_density(survey_path):
    words = [survey_path, "--visit", "2026-05-04", "--seed", 7, "--json", "--precision", 0.25]
    result = run(*words, "--expected", "20/ft2", "--plugs", 1)
    # Arithmetic: 20 x 0.02761 ft2 = 0.5522 a plug; (1 / 0.5522 + 1 / 0.5) / 0.0625 = 60.97.
    assert json.loads(result.stdout)["points"] == 61
    assert run(*words).exit_code == 2


@pytest.mark.slow
def test_command_takes_distances_to_keep_off(survey_path):
    words = [survey_path, "--visit", "2026-05-04", "--seed", 7, "--json"]
    less, whole = (json.loads(run(*words, *more).stdout)["area_m2"] for more in (("--keep-off", "bunker=10ft"), ()))
    assert less < whole
    green = load_ground(open_survey(survey_path)).surfaces.set_index("surface_id").to_crs(4326).geometry["01-green-1"]
    lon, lat = green.representative_point().coords[0]
    around = json.loads(run(*words, "--keep-off", f"{lon:.7f},{lat:.7f}=1m").stdout)["area_m2"]
    assert whole - around == pytest.approx(np.pi, rel=0.01)  # a round of 1 m
    assert "longitude and latitude" in run(*words, "--keep-off", "10,91=1m").stderr
    assert run(*words, "--keep-off", "bunker").exit_code == 2


def test_knows_what_numbers_of_points_would_buy(design):
    buys = design.summary()["precision"]
    assert (buys["k"], buys["k_known"]) == (0.5, False)
    assert [row["points"] for row in buys["points"]] == [20, 40, 80, 160]
    # Bliss & Fisher 1953: (SE / mean)^2 = (1 / m + 1 / k) / n.
    mean = buys["densities_per_m2"][0] * design.visit.point_m2
    assert buys["points"][0]["se_over_mean"][0] == pytest.approx(np.sqrt((1 / mean + 2) / 20))
    assert sum(row["points"] for row in buys["strata"]) == 60


def test_knows_itself_in_a_line_and_as_a_table(design):
    assert len(repr(design)) <= 200
    assert "points=60" in repr(design)
    assert "fairway border" in design._repr_html_()
    assert design.to_geodataframe().crs == design.crs


def test_the_arguments_are_the_fields_of_the_request():
    given = inspect.signature(draw_design).parameters
    fields = {field.name: field for field in dataclasses.fields(Request)}
    assert set(given) - set(fields) == {"ground", "last", "areas", "area_name"} - set(fields)
    assert set(fields) - set(given) == {"spots", "surfaces_missing"}
    open_ = {"visit", "points", "surfaces"}  # required, or settled by what else is asked
    for name in set(given) & set(fields) - open_:
        assert given[name].default == fields[name].default or {given[name].default, fields[name].default} <= {None, ()}


def test_a_course_without_collars_is_sampled_where_no_surfaces_were_asked_for(small_ground):
    surfaces = small_ground.surfaces[small_ground.surfaces["kind"] != "collar"]
    bare = Ground(surfaces, small_ground.obstacles)
    drawn = draw_design(bare, visit="2026-05-04", points=30, seed=1)
    assert set(drawn.points["kind"]) == {"green", "fairway"}
    assert drawn.summary()["surfaces_missing"] == ["collar"]
    with pytest.raises(DesignError, match="surfaces: found no collar on this course"):
        draw_design(bare, visit="2026-05-04", surfaces=("green", "collar"))


def test_areas_and_starts_that_can_not_be_are_refused(small_ground):
    own = gpd.GeoDataFrame({"zone": ["wet"]}, geometry=[shapely.box(0, 0, 5, 5)])
    with pytest.raises(DesignError, match="areas: found no coordinate system"):
        draw_design(small_ground, visit="2026-05-04", areas=own)
    with pytest.raises(DesignError, match="areas: found no column 'name'"):
        draw_design(small_ground, visit="2026-05-04", areas=own.set_crs(small_ground.crs))
    with pytest.raises(DesignError, match=r"start: found 41\.5, -173\.9"):
        draw_design(small_ground, visit="2026-05-04", start=(41.5, -173.9))


def test_the_command_names_its_options_where_the_room_names_arguments(survey_path, small_ground):
    with pytest.raises(DesignError, match=r"border_m: found 200 m; .* give a width such as `border_m=4.6`"):
        draw_design(small_ground, visit="2026-05-04", border_m=200.0)
    result = run(survey_path, "--visit", "2026-05-04", "--border", "200m", "--minimum", 9999)
    assert "--border: found 200 m; expected 0.1 to 100 m; give a width such as --border 4.6m" in result.output
    assert "--minimum: found 9,999" in result.output


def test_an_older_survey_says_in_a_sentence_that_its_counts_are_simulated(design):
    older = replace(design.visit, settings={**design.visit.settings, "simulated": "Simulated counts, seed 7."})
    assert older.simulated is True
    assert design.visit.simulated is False


FORTY = {"visit": "2026-05-04", "points": 40, "surfaces": ("green", "collar"), "seed": 7}


AGAIN = FORTY | {"visit": "2026-05-25", "keep": 0.4}


@pytest.fixture(scope="module")
def last(small_ground):
    return draw_design(small_ground, **FORTY)


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
        first = draw_design(small_ground, **(FORTY | {"seed": seed, **collar}))
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


STOPS = {"stop_low_per_m2": 100.0, "stop_high_per_m2": 600.0, "k": 1.0}


@pytest.mark.slow
def test_every_bag_is_as_likely_as_any_other_to_be_extracted_early(small_ground):
    places = np.random.default_rng(1).uniform(0, 50, (13, 2))
    rng = np.random.default_rng(2)
    ranks = np.array([np.argsort(order_spread(places, rng)) for _ in range(800)])
    # Ranks 0 to 12 uniform for each of 13 bags; chi-square at 1 in 1,000 over 13 tests.
    for bag in range(13):
        assert stats.chisquare(np.bincount(ranks[:, bag], minlength=13)).pvalue > 0.001 / 13


@pytest.mark.slow
def test_whatever_is_extracted_first_lies_spread(small_ground):
    design = draw_design(small_ground, **(FORTY | {"points": 60}))
    points = main_points(design)
    for _, rows in points.groupby("stratum"):
        assert sorted(rows["extract_order"]) == list(range(1, len(rows) + 1))
    # The nearest pair among the first 12 of a stratum is farther apart than among 12 taken at random, on average.
    green = shapely.get_coordinates(points.geometry[points["kind"] == "green"].to_numpy())
    rng = np.random.default_rng(3)

    def nearest(rows):
        gaps = np.hypot(*(green[rows][:, None] - green[rows][None]).transpose(2, 0, 1))
        return gaps[gaps > 0].min()

    early = np.mean([nearest(order_spread(green, rng)[:12]) for _ in range(100)])
    chance = np.mean([nearest(rng.permutation(len(green))[:12]) for _ in range(100)])
    assert early > 1.2 * chance


def test_the_bench_takes_the_strata_in_step_unless_there_are_stop_lines(small_ground):
    design = draw_design(small_ground, **FORTY)
    bags = bench_order(design, "brine")
    main_bags = bags[bags["role"] == "main"]
    half = main_bags.iloc[: len(main_bags) // 2]["stratum"].value_counts() / main_bags["stratum"].value_counts()
    assert half.between(0.4, 0.6).all()
    stopping = draw_design(small_ground, **(FORTY | STOPS))
    ordered = bench_order(stopping, "brine")
    strata = ordered.loc[ordered["role"] == "main", "stratum"].tolist()
    assert sum(a != b for a, b in pairwise(strata)) == len(set(strata)) - 1


def test_stop_lines_answer_as_often_as_they_say(small_ground):
    # Counts drawn from the plan's own negative binomial, read off the printed rows; 4 standard errors.
    visit = draw_design(small_ground, **(FORTY | STOPS | {"points": 60})).visit
    [plan, *_] = visit.stop_lines
    rng, draws = np.random.default_rng(4), 4000
    for at in plan["expect"]:
        mean = at["density_per_m2"] * visit.point_m2
        totals = rng.negative_binomial(1.0, 1 / (1 + mean), (draws, 200)).cumsum(axis=1)
        open_, low, bags = np.ones(draws, dtype=bool), np.zeros(draws, dtype=bool), np.zeros(draws)
        for plugs, fewer, more in plan["rows"]:
            n = plugs // visit.units_per_point
            total = totals[:, n - 1]
            stop_low = open_ & (fewer is not None) & (total <= (-1 if fewer is None else fewer))
            stop = stop_low | (open_ & (more is not None) & (total >= (10**9 if more is None else more)))
            low |= stop_low
            bags[stop] = n
            open_ &= ~stop
        assert not open_.any()
        assert low.mean() == pytest.approx(at["says_low"], abs=4 * np.sqrt(0.25 / draws))
        assert bags.mean() == pytest.approx(at["bags"], abs=4 * bags.std() / np.sqrt(draws))


def test_few_bags_have_no_stop_lines_and_the_reason_is_kept(small_ground):
    design = draw_design(small_ground, **(FORTY | STOPS | {"points": 8, "minimum": 2}))
    plans = design.visit.stop_lines
    few = [plan for plan in plans if plan["why_not"]]
    assert [plan["stratum"] for plan in few] == [
        row["stratum"] for row in design.visit.settings["strata"] if row["main"] <= 5
    ]
    assert few
    assert all(plan["why_not"] == "few_bags" and plan["rows"] == [] for plan in few)


def test_plugs_are_dealt_out_evenly_and_at_random():
    splits = [split.split() for split in split_plugs(3000, ["brine", "heat"], 2, np.random.default_rng(5))]
    assert all(split.count("brine") == split.count("heat") == 2 for split in splits)
    # Six orders, all alike: chi-square at 1 in 1,000.
    orders = pd.Series([" ".join(split) for split in splits]).value_counts()
    assert len(orders) == 6
    assert stats.chisquare(orders).pvalue > 0.001
