"""Stage 6: hotspots, clusters, areas and how the map is judged, against published values; the user's own places."""

from __future__ import annotations

import warnings
from dataclasses import replace
from pathlib import Path

import esda
import geopandas as gpd
import libpysal
import numpy as np
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner
from density_case import THRESHOLD, aim_design, draw_counts, make_counts, place_points
from scipy.spatial.distance import cdist
from scipy.stats import nbinom, norm

from geosample.cli.answers import density_command
from geosample.counts import Counts, add_counts
from geosample.density import (
    DensityMap,
    cells_alone,
    covary_places,
    estimate_areas,
    estimate_places,
    exceedance,
    find_own_bags,
    load_density,
    map_density,
    predict_at,
    save_density,
)
from geosample.density.hotspots import (
    adjust_false_discovery,
    find_clusters,
    find_hotspots,
    measure_gi_star,
    measure_moran,
    neighbours_within,
    outline_hotspots,
)
from geosample.density.laplace import Predictive
from geosample.density.places import restore_field
from geosample.density.worth import crps_counts, expect_count, hold_share, spread_pit, weigh_distances
from geosample.design import save_design
from geosample.errors import DensityError, GroundError, SurveyError
from geosample.ground import Ground, read_own_shapes, save_ground
from geosample.report.density import tell_map
from geosample.survey import open_survey
from geosample.survey.findings import What

# Invented 4 x 4 counts, row by row.
GRID = np.array([0, 1, 0, 2, 0, 3, 1, 0, 4, 0, 0, 1, 7, 2, 0, 0], dtype=float)
GRID_PLACES = np.column_stack(np.divmod(np.arange(16), 4))[:, ::-1].astype(float)


def one(mean: float, k: float) -> Predictive:
    return Predictive(np.array([[mean]]), np.ones(1), k)


@pytest.fixture(scope="module")
def hot_map(small_ground: Ground) -> DensityMap:
    counts, _, _ = draw_counts(small_ground, 90, np.random.default_rng(11), border=1.0)
    return map_density(counts, small_ground, design=aim_design(small_ground), threshold_per_m2=THRESHOLD)


class TestClustersAgainstReference:
    def test_gi_star_of_the_published_example(self) -> None:
        places = np.array([(10, 10), (20, 10), (40, 10), (15, 20), (30, 20), (30, 30)], dtype=float)
        found = measure_gi_star(neighbours_within(places, 15), np.array([2, 3, 3.2, 5, 8, 7]))
        # esda documentation example
        expected = [-1.3972763, -0.2891776, 0.6506496, -0.2891776, 1.2345209, 2.0242433]
        assert found == pytest.approx(expected, abs=1e-7)

    def test_gi_star_and_false_discovery_of_the_grid(self) -> None:
        found = measure_gi_star(neighbours_within(GRID_PLACES, 1.0), GRID)
        # Computed independently: cells 1, 9 and 13
        assert found[[0, 8, 12]] == pytest.approx([-0.961509, 1.696505, 2.966358], abs=1e-6)
        # Computed independently: one-sided normal p, adjusted
        assert adjust_false_discovery(norm.sf(found))[[12, 8]] == pytest.approx([0.024108, 0.359161], abs=1e-6)

    def test_local_moran_of_the_grid(self) -> None:
        found = measure_moran(neighbours_within(GRID_PLACES, 1.0), GRID)
        # Computed independently, with variance by n; ours is by n - 1, as esda's
        assert found[[12, 8]] * 16 / 15 == pytest.approx([2.673558, 0.764236], abs=1e-6)

    def test_false_discovery_of_benjamini_and_hochberg(self) -> None:
        small = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459]
        adjusted = adjust_false_discovery(np.array([*small, 0.324, 0.4262, 0.5719, 0.6528, 0.759, 1.0]))
        # Benjamini & Hochberg 1995, JRSS B 57, section 3
        expected = [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.06385714, 0.06385714, 0.0645, 0.0765, 0.486]
        assert adjusted[:10] == pytest.approx(expected, abs=1e-8)
        assert (adjusted <= 0.05).sum() == 4

    def test_both_equal_esda_on_scattered_samples(self) -> None:
        rng = np.random.default_rng(4)
        places, value = rng.uniform(0, 100, (80, 2)), rng.negative_binomial(1, 0.2, 80).astype(float)
        near = neighbours_within(places, 18.0)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            weights = libpysal.weights.DistanceBand(places, 18.0, binary=True)
            theirs = esda.G_Local(value, weights, transform="B", star=True, permutations=0).Zs
            moran = esda.Moran_Local(value, weights, transformation="R", permutations=0).Is
        assert measure_gi_star(near, value) == pytest.approx(theirs, abs=1e-6)
        assert measure_moran(near, value) == pytest.approx(moran, abs=1e-6)

    def test_permutation_finds_a_planted_cluster_and_little_else(self) -> None:
        rng = np.random.default_rng(4)
        places = rng.uniform(0, 100, (120, 2))
        inside = np.hypot(*(places - 50).T) < 22
        value = rng.poisson(np.where(inside, 30, 3)).astype(float)
        found = find_clusters(places, value, rng)
        flagged = found.q_high <= 0.1
        assert flagged[inside].mean() > 0.6
        assert flagged[np.hypot(*(places - 50).T) > 35].mean() < 0.05

    @pytest.mark.parametrize("value", [np.zeros(5), np.full(5, 3.0)])
    def test_values_all_alike_are_no_cluster(self, value: np.ndarray) -> None:
        found = find_clusters(np.arange(10.0).reshape(5, 2), value, np.random.default_rng(1))
        assert (found.gi_star == 0).all()
        assert (found.q_high > 0.5).all()


class TestScoresOfCounts:
    @pytest.mark.parametrize(
        ("mean", "k", "count", "crps"),
        # Computed independently from the sum over whole counts
        [(1.0, 1.0, 0, 1 / 3), (1.0, 1.0, 3, 1.5833333333), (0.5, 0.5, 0, 0.1023755459), (2.0, 0.8, 5, 2.3783076124)],
    )
    def test_crps(self, mean: float, k: float, count: int, crps: float) -> None:
        assert crps_counts(one(mean, k), np.array([float(count)])) == pytest.approx([crps], abs=1e-7)

    def test_crps_of_large_counts_is_close_to_a_sample_of_them(self) -> None:
        drawn = nbinom.rvs(1.5, 1.5 / 5001.5, size=4000, random_state=1).astype(float)
        pairs = np.abs(drawn[:2000] - drawn[2000:]).mean() / 2
        for count in (0.0, 3000.0, 40_000.0):
            expected = np.abs(drawn - count).mean() - pairs
            assert crps_counts(one(5000.0, 1.5), np.array([count])) == pytest.approx([expected], rel=0.05)

    def test_tenths_are_even_when_the_prediction_is_right(self) -> None:
        count = nbinom.rvs(1.2, 1.2 / 4.2, size=4000, random_state=2).astype(float)
        right = Predictive(np.full((4000, 1), 3.0), np.ones(1), 1.2)
        assert spread_pit(right, count) == pytest.approx(np.full(10, 0.1), abs=0.02)
        assert hold_share(right, count, 0.9) > 0.89

    def test_pit_of_one_count(self) -> None:
        # By hand: NB(1, 1), y = 3 covers 0.875 to 0.9375: 0.4 of it lies in the ninth tenth, the rest in the last.
        assert spread_pit(one(1.0, 1.0), np.array([3.0])) == pytest.approx([0] * 8 + [0.4, 0.6], abs=1e-9)

    @pytest.mark.parametrize(
        ("power", "expected"),
        # Computed independently: inverse distance on the seven samples of Isaaks & Srivastava
        [(0.5, 597.017078), (1, 593.953671), (2, 597.620376), (3, 609.259585), (5, 635.374780), (10, 672.993433)],
    )
    def test_inverse_distance(self, power: float, expected: float) -> None:
        places = np.array([(61, 139), (63, 140), (64, 129), (68, 128), (71, 140), (73, 141), (75, 128)], dtype=float)
        values, effort = np.array([477, 696, 227, 646, 606, 791, 783], dtype=float), np.ones(7)
        weights = weigh_distances(cdist(np.array([[65.0, 137.0]]), places), power, effort)
        assert expect_count(weights, values, effort, np.ones(1)) == pytest.approx([expected], abs=1e-5)


class TestHotspots:
    def test_patches_are_the_cells_over_the_level(self, hot_map: DensityMap) -> None:
        over = exceedance(hot_map, THRESHOLD)
        for level in (0.5, 0.8):
            patches = find_hotspots(hot_map.cells, over, level)
            assert patches["area_m2"].sum() == pytest.approx(hot_map.cells["area_m2"][over >= level].sum())
            assert (patches["probability"] >= level).all()
            assert patches["area_m2"].is_monotonic_decreasing

    def test_findings_list_them_at_both_levels_with_the_clusters_beside(self, hot_map: DensityMap) -> None:
        hot = hot_map.findings.of(What.HOTSPOT)
        assert {row.domain.split(":")[0] for row in hot} == {"50%", "80%"}
        assert {row.threshold_per_m2 for row in hot} == {THRESHOLD}
        assert all(row.detail["probability"] >= row.detail["level"] for row in hot)
        found = hot_map.findings.first(What.CLUSTERS)
        assert found.value == len(found.detail["high"])

    def test_no_cell_over_is_no_hotspot(self, hot_map: DensityMap) -> None:
        assert find_hotspots(hot_map.cells, np.zeros(len(hot_map.cells)), 0.5).empty

    def test_outlines_hold_the_area_of_their_patches_and_stay_on_turf(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(3))
        made = map_density(counts, small_ground, cell_m=1.0)
        over = exceedance(made, float(made.cells["expected_per_m2"].quantile(0.7)))
        surfaces = small_ground.surfaces.set_index("surface_id").geometry
        found = find_hotspots(made.cells, over, 0.5)
        shapes = outline_hotspots(made.cells, over, 0.5, 1.0, surfaces)
        assert len(shapes) == len(found) > 0
        large = found["area_m2"] > 50
        assert shapes.area[large].to_numpy() == pytest.approx(found["area_m2"][large].to_numpy(), rel=0.05)
        turf = shapely.union_all(surfaces.to_numpy())
        assert shapely.difference(shapely.union_all(shapes.to_numpy()), turf).area < 1e-6


class TestJudgement:
    def test_findings_hold_scores_coverage_and_calibration(self, hot_map: DensityMap) -> None:
        rows = hot_map.findings
        assert [row.domain for row in rows.of(What.MAP_SCORE)] == ["map", "average", "distance"]
        assert [row.domain for row in rows.of(What.MAP_COVERAGE)] == ["0.5", "0.8", "0.9"]
        assert sum(hot_map.fitted["map_worth"]["tenths"]) == pytest.approx(1.0)
        assert hot_map.fitted["map_worth"]["holds"]["0.9"] > 0.8


class TestAreas:
    def test_restored_field_is_the_fitted_one(self, hot_map: DensityMap, small_ground: Ground) -> None:
        cells = hot_map.cells.sample(200, random_state=1)
        points = gpd.GeoDataFrame(
            geometry=gpd.points_from_xy(cells["easting"], cells["northing"]), crs=small_ground.crs
        )
        found = predict_at(hot_map, small_ground, points)
        assert found["log_mean"].to_numpy() == pytest.approx(cells["log_mean"].to_numpy(), abs=1e-6)
        assert found["log_sd"].to_numpy() == pytest.approx(cells["log_sd"].to_numpy(), abs=1e-6)

    def test_mean_of_a_surface_is_that_of_its_cells_and_surer_than_any(
        self, hot_map: DensityMap, small_ground: Ground
    ) -> None:
        found = estimate_areas(hot_map, small_ground, small_ground.surfaces, threshold_per_m2=THRESHOLD)
        cells = hot_map.cells.assign(total=hot_map.cells["expected_per_m2"] * hot_map.cells["area_m2"])
        sums = cells.groupby("surface_id")[["total", "area_m2"]].sum()
        means = (sums["total"] / sums["area_m2"])[small_ground.surfaces["surface_id"]].to_numpy()
        assert found["mean_per_m2"].to_numpy() == pytest.approx(means, rel=0.05)
        assert found["area_m2"].to_numpy() == pytest.approx(small_ground.surfaces.area.to_numpy(), rel=1e-6)
        fairway = hot_map.cells[hot_map.cells["surface_id"] == "01-fairway-1"]
        width = np.log(found["high_per_m2"] / found["low_per_m2"]).iloc[2]
        assert width < np.log(fairway["high_per_m2"] / fairway["low_per_m2"]).median() / 2
        assert set(found["decision"]) <= {"above", "below", "undecided"}

    @pytest.mark.slow
    def test_intervals_of_area_means_hold_the_truth(self, small_ground: Ground) -> None:
        held = []
        for seed in range(12):
            rng = np.random.default_rng(seed)
            counts, places, density = draw_counts(small_ground, 400, rng)
            some = make_counts(small_ground, places[:60], counts.counts["count"].to_numpy()[:60])
            half = shapely.box(-100, -130, 50, -30)
            found = estimate_areas(
                map_density(some, small_ground, cell_m=5),
                small_ground,
                gpd.GeoDataFrame(geometry=[half], crs=small_ground.crs),
            )
            true = density[shapely.contains_xy(half, places[:, 0], places[:, 1])].mean()
            held.append(found["low_per_m2"].iloc[0] < true < found["high_per_m2"].iloc[0])
        # of 12 at 90 %: fewer than 8 has a chance of 0.4 %
        assert sum(held) >= 8

    def test_area_off_the_map_is_refused_by_name(self, hot_map: DensityMap, small_ground: Ground) -> None:
        away = gpd.GeoDataFrame(geometry=[shapely.box(900, 900, 910, 910)], index=["practice"], crs=small_ground.crs)
        with pytest.raises(DensityError, match="area practice"):
            estimate_areas(hot_map, small_ground, away)

    def test_a_bound_has_no_areas(self, small_ground: Ground) -> None:
        places = place_points(small_ground, 30, np.random.default_rng(1))
        bound = map_density(make_counts(small_ground, places, np.zeros(30)), small_ground, cell_m=5)
        with pytest.raises(DensityError, match="only a bound"):
            restore_field(bound)


@pytest.fixture(scope="module")
def visits(small_ground: Ground) -> list[Counts]:
    """140 bags, and 60 of the same patches four weeks later."""
    rng = np.random.default_rng(3)
    places = place_points(small_ground, 200, rng)
    found = rng.poisson(np.exp(2 + 1.5 * np.sin(places[:, 0] / 9)))
    parts = {"2026-05-04": slice(0, 140), "2026-06-01": slice(140, 200)}
    return [make_counts(small_ground, places[part], found[part], visit=name) for name, part in parts.items()]


@pytest.fixture(scope="module")
def plain(visits: list[Counts], small_ground: Ground) -> DensityMap:
    return map_density(visits[1], small_ground, cell_m=3)


@pytest.fixture(scope="module")
def told(visits: list[Counts], small_ground: Ground) -> DensityMap:
    return map_density(visits[1], small_ground, cell_m=3, earlier=visits[0])


class TestAnEarlierVisitsBags:
    def test_sharpen_the_map_and_are_told(self, plain: DensityMap, told: DensityMap) -> None:
        assert told.fitted["earlier"]["weight"] > 0.9
        assert told.fitted["earlier"] == pytest.approx({"visit": "2026-05-04", "bags": 140, "weight": 1.0}, abs=0.1)
        assert (
            "The 140 bags of 2026-05-04 are taken in as far as both visits show one pattern: with a weight of "
            in " ".join(tell_map(told))
        )
        assert "earlier" not in plain.fitted
        assert told.cells["log_sd"].mean() < 0.9 * plain.cells["log_sd"].mean()

    def test_only_this_visits_counts_are_foretold_and_told(
        self, plain: DensityMap, told: DensityMap, visits: list[Counts], small_ground: Ground
    ) -> None:
        worth, bare = told.fitted["map_worth"], plain.fitted["map_worth"]
        assert (told.fitted["samples"], told.fitted["insects"]) == (60, plain.fitted["insects"])
        for way in ("average", "distance"):
            assert worth["log_score"][way] == bare["log_score"][way]
        assert worth["log_score"]["map"] < bare["log_score"]["map"]
        assert told.bag_places == pytest.approx(plain.bag_places)
        bags = [find_own_bags(one, small_ground, visits[1].samples) for one in (told, plain)]
        pd.testing.assert_frame_equal(*bags)
        assert worth["blocks"]["log_score"]["average"] == pytest.approx(bare["blocks"]["log_score"]["average"])

    def test_a_bag_without_a_design_weight_counts_like_the_mean_of_the_others(
        self, plain: DensityMap, visits: list[Counts], small_ground: Ground
    ) -> None:
        weights = np.r_[np.nan, np.arange(1.0, len(visits[1].samples))]
        samples = visits[1].samples.assign(weight_m2=weights)
        found = find_own_bags(plain, small_ground, samples)["weight_m2"].to_numpy()
        assert sorted(found) == pytest.approx(sorted([*weights[1:], weights[1:].mean()]))
        none = find_own_bags(plain, small_ground, samples.assign(weight_m2=np.nan))["weight_m2"]
        assert (none == 1.0).all()

    def test_a_stored_map_reads_as_it_was_made(self, told: DensityMap, small_ground: Ground, tmp_path: Path) -> None:
        survey = open_survey(tmp_path / "course.gpkg")
        save_ground(survey, small_ground)
        save_design(survey, aim_design(small_ground, visit="2026-06-01"))
        save_density(survey, told)
        back = load_density(survey, "2026-06-01")
        cells = back.cells.iloc[::7]
        middles = gpd.GeoDataFrame(geometry=shapely.points(cells[["easting", "northing"]]), crs=small_ground.crs)
        found = predict_at(back, small_ground, middles)
        for name in ("log_mean", "log_sd", "low_per_m2", "high_per_m2"):
            assert found[name].to_numpy() == pytest.approx(told.cells[name].to_numpy()[::7], rel=1e-3, abs=1e-3)
        covariance = covary_places(back, small_ground, cells.head(20))
        half = np.log(cells["high_per_m2"] / cells["low_per_m2"]).to_numpy()[:20] / 2 / norm.ppf(0.95)
        assert np.sqrt(np.diag(covariance)) == pytest.approx(half, rel=0.02)

    def test_by_its_own_bags_it_is_the_map_made_without(
        self, plain: DensityMap, told: DensityMap, small_ground: Ground
    ) -> None:
        alone = cells_alone(told, small_ground)
        for name in ("log_mean", "log_sd", "low_per_m2", "high_per_m2"):
            assert alone[name].to_numpy() == pytest.approx(plain.cells[name].to_numpy(), rel=1e-3, abs=1e-3)
        assert alone["known"].tolist() == plain.cells["known"].tolist()
        assert cells_alone(plain, small_ground) is plain.cells

    @pytest.mark.parametrize("left", ["few insects", "another pest", "other ground", "another system"])
    def test_what_is_of_no_use_is_left_out(
        self, visits: list[Counts], plain: DensityMap, small_ground: Ground, left: str
    ) -> None:
        first = visits[0]
        samples, counts = first.samples, first.counts
        other = {
            "few insects": replace(first, counts=counts.assign(count=(counts.index < 4).astype(int))),
            "another pest": replace(first, counts=counts.assign(pest="black cutworm")),
            "other ground": replace(first, samples=samples.assign(geometry=samples.translate(500, 0))),
            "another system": replace(first, samples=samples.to_crs(4326)),
        }[left]
        made = map_density(visits[1], small_ground, cell_m=3, earlier=other)
        assert "earlier" not in made.fitted
        assert made.cells["log_mean"].to_numpy() == pytest.approx(plain.cells["log_mean"].to_numpy())


def test_a_map_with_a_covariate_of_older_versions_is_named(
    hot_map: DensityMap, small_ground: Ground, tmp_path: Path
) -> None:
    survey = open_survey(tmp_path / "course.gpkg")
    save_ground(survey, small_ground)
    save_design(survey, aim_design(small_ground))
    save_density(survey, replace(hot_map, settings=replace(hot_map.settings, covariates=("edge", "last"))))
    with pytest.raises(SurveyError, match=r"2026-05-04.*of an older version.*geosample density course\.gpkg --visit"):
        load_density(survey)


THRESHOLD_PER_M2 = 300.0


@pytest.fixture(scope="module")
def mapped(small_ground: Ground) -> DensityMap:
    counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(3))
    return map_density(counts, small_ground, cell_m=1.0)


def own_shapes(ground: Ground, shapes: list[shapely.Geometry]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"name": [f"own {i}" for i in range(len(shapes))]}, geometry=shapes, crs=ground.crs)


def test_a_point_in_the_middle_of_a_cell_reads_as_the_cell(mapped: DensityMap, small_ground: Ground) -> None:
    cell = mapped.cells.iloc[len(mapped.cells) // 2]
    at = own_shapes(small_ground, [shapely.Point(cell["easting"], cell["northing"])])
    row = estimate_places(mapped, small_ground, at, THRESHOLD_PER_M2).iloc[0]
    for end in ("low", "high"):
        assert row[f"{end}_per_m2"] == pytest.approx(cell[f"{end}_per_m2"], rel=1e-4)
    assert row["mean_per_m2"] == pytest.approx(cell["expected_per_m2"], rel=1e-4)
    one = exceedance(mapped, THRESHOLD_PER_M2)[len(mapped.cells) // 2]
    assert row["probability"] == pytest.approx(one, abs=1e-4)


def test_an_areas_mean_is_the_mean_of_its_cells(mapped: DensityMap, small_ground: Ground) -> None:
    surface = small_ground.surfaces.iloc[0]
    at = own_shapes(small_ground, [surface.geometry, surface.geometry.representative_point()])
    table = estimate_places(mapped, small_ground, at, THRESHOLD_PER_M2)
    assert table["what"].tolist() == ["area", "point"]
    cells = mapped.cells[mapped.cells["surface_id"] == surface["surface_id"]]
    mean = np.average(cells["expected_per_m2"], weights=cells["area_m2"])
    assert table["mean_per_m2"].iloc[0] == pytest.approx(mean, rel=0.02)
    assert table["area_m2"].iloc[0] == pytest.approx(surface.geometry.area)
    assert np.isnan(table["area_m2"].iloc[1])
    assert (table["low_per_m2"] < table["mean_per_m2"]).all()


def test_all_that_cannot_be_told_is_named_at_once(mapped: DensityMap, small_ground: Ground) -> None:
    west, south, _, _ = small_ground.surfaces.total_bounds
    inside = small_ground.surfaces.geometry.iloc[0].representative_point()
    shapes = [inside, shapely.LineString([inside, (inside.x + 1, inside.y)]), shapely.Point(west - 500, south)]
    with pytest.raises(DensityError) as caught:
        estimate_places(mapped, small_ground, own_shapes(small_ground, shapes), THRESHOLD_PER_M2)
    assert [problem.where for problem in caught.value.problems] == ["`at`, own 1", "`at`, own 2"]


def test_a_row_without_a_shape_is_named(small_ground: Ground, tmp_path: Path) -> None:
    inside = small_ground.surfaces.geometry.iloc[0].representative_point()
    own_shapes(small_ground, [inside, None]).to_file(tmp_path / "mine.gpkg")
    with pytest.raises(GroundError, match="feature 2: found a feature without a shape"):
        read_own_shapes(tmp_path / "mine.gpkg", small_ground.crs, option="--at")
    with pytest.raises(GroundError, match="no such file"):
        read_own_shapes(tmp_path / "yours.gpkg", small_ground.crs, option="--at")


@pytest.mark.slow
def test_the_command_writes_a_table_of_own_places(small_ground: Ground, tmp_path: Path) -> None:
    path = tmp_path / "course.gpkg"
    survey = open_survey(path)
    save_ground(survey, small_ground)
    design = aim_design(small_ground)
    save_design(survey, design)
    add_counts(survey, draw_counts(small_ground, 60, np.random.default_rng(3))[0], design)
    shapes = [small_ground.surfaces.geometry.iloc[0], small_ground.surfaces.geometry.iloc[1].representative_point()]
    own_shapes(small_ground, shapes).to_crs(4326).to_file(tmp_path / "mine.geojson")
    asked = [str(path), "--cell", "2m", "--at", str(tmp_path / "mine.geojson"), "--out", str(tmp_path / "maps")]
    done = CliRunner().invoke(density_command, asked, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    table = pd.read_csv(tmp_path / "maps" / "density_at.csv")
    assert table["name"].tolist() == ["own 0", "own 1"]
    assert table["mean_per_ft2"].to_numpy() == pytest.approx(table["mean_per_m2"].to_numpy() * 0.09290304)
    assert "own 0" in done.output


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("not a map at all", "JSON that can't be read"),
        ("name,count\na,1\n", "a column WKT"),
        ("wkt,name\nPOINT (1 1),a\n", "no coordinate system"),
    ],
)
def test_a_file_of_no_use_is_refused_in_words(small_ground: Ground, tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "mine.csv"
    path.write_text(text, encoding="utf-8")
    if words.startswith("JSON"):
        path = path.rename(tmp_path / "mine.geojson")
    with pytest.raises(GroundError, match=words):
        read_own_shapes(path, small_ground.crs, option="--at")
