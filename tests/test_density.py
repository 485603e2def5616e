"""Stage 6: the map's numbers against reference values, its behaviour on hard input, and the survey round trip."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from click.testing import CliRunner
from density_case import PEST, PLUGS_M2, draw_counts, make_counts, make_design, place_points
from scipy.spatial.distance import cdist
from scipy.special import ndtr

from geosample.cli.density import command
from geosample.counts import Counts, save_counts
from geosample.density import (
    DensityMap,
    Settings,
    exceedance,
    load_density,
    map_density,
    read_settings,
    save_density,
    summarise_map,
    write_density_tif,
)
from geosample.density.few import upper_bound
from geosample.density.field import Hyper, Sites, find_mode, fit_field, prior_covariance
from geosample.density.fitting import Priors, evidence, fit_hyper, log_prior
from geosample.density.likelihood import log_pmf
from geosample.density.predicting import predict_log
from geosample.density.scores import crps_lognormal, crps_normal, leave_one_out, mix_lognormal
from geosample.design import save_design
from geosample.errors import DensityError
from geosample.ground import Ground, save_ground
from geosample.survey import open_survey

T_PER_M2 = 30 / 0.09290304

# Five sites of methods.md D.12; every value below is from there (independent computation in R and numpy).
D12_PLACES = np.array([(0, 0), (10, 0), (0, 10), (10, 10), (5, 5)], dtype=float)
D12_COUNTS = np.array([0, 2, 1, 5, 0], dtype=float)


def d12_covariance(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Matérn 3/2 with x = 4.744 h / 20 and unit variance, plus 4 for the level."""
    x = 4.744 * cdist(a, b) / 20
    return (1 + x) * np.exp(-x) + 4


def random_sites(number: int = 40, seed: int = 5) -> Sites:
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 120, (number, 2))
    basis = np.column_stack([np.full(number, 4.0), np.exp(-rng.uniform(0, 20, number) / 4)])
    return Sites(places, basis, rng.poisson(2 * np.exp(rng.normal(0, 1, number))).astype(float), np.zeros(number))


@pytest.fixture(scope="module")
def fine_map(small_ground: Ground) -> DensityMap:
    counts, _, _ = draw_counts(small_ground, 90, np.random.default_rng(11), border=1.0)
    return map_density(counts, small_ground, design=make_design(small_ground))


class TestLaplaceAgainstReference:
    def test_mode_and_evidence(self) -> None:
        covariance = d12_covariance(D12_PLACES, D12_PLACES) + 1e-6 * np.eye(5)
        mode = find_mode(covariance, D12_COUNTS, np.zeros(5), 1.0)
        # methods.md D.12
        expected = [-0.25043226, 0.35520465, 0.10873564, 0.82402471, 0.03656036]
        assert mode.eta == pytest.approx(expected, abs=1e-7)
        # methods.md D.12
        assert mode.evidence == pytest.approx(-9.9880289, abs=1e-6)

    @pytest.mark.parametrize(
        ("place", "mean", "spread", "over_one"),
        # methods.md D.12
        [((5, 0), -0.01617775, 0.91385626, 0.492938), ((20, 20), 0.36630307, 1.24831811, 0.615406)],
    )
    def test_prediction(self, place: tuple[float, float], mean: float, spread: float, over_one: float) -> None:
        covariance = d12_covariance(D12_PLACES, D12_PLACES) + 1e-6 * np.eye(5)
        mode = find_mode(covariance, D12_COUNTS, np.zeros(5), 1.0)
        cross = d12_covariance(np.array([place], dtype=float), D12_PLACES)[0]
        found_mean = cross @ mode.pull
        found_spread = np.sqrt(5 - cross @ mode.precision() @ cross)
        assert found_mean == pytest.approx(mean, abs=1e-7)
        assert found_spread == pytest.approx(spread, abs=1e-6)
        assert ndtr(found_mean / found_spread) == pytest.approx(over_one, abs=1e-6)

    def test_exponential_correlations(self) -> None:
        kernel = Hyper(1.0, 10.0, 1.0).kernel
        found = kernel(np.zeros((1, 2)), np.array([[0, 0], [5, 0], [10, 0], [20, 0]], dtype=float))[0]
        # methods.md D.12, exponential with practical range 10
        assert found == pytest.approx([1, 0.22313016, 0.04978707, 0.00247875], abs=1e-8)

    def test_ordinary_kriging_of_isaaks_and_srivastava(self) -> None:
        places = np.array([(61, 139), (63, 140), (64, 129), (68, 128), (71, 140), (73, 141), (75, 128)], dtype=float)
        values = np.array([477, 696, 227, 646, 606, 791, 783], dtype=float)
        kernel = Hyper(np.sqrt(10), 10.0, 1.0).kernel
        covariance, cross = kernel(places) + 1e7, kernel(np.array([[65.0, 137.0]]), places)[0] + 1e7
        weights = np.linalg.solve(covariance, cross)
        # Isaaks & Srivastava 1989, Applied Geostatistics, ch. 12, pp. 290-296 (592.7, 8.96); methods.md D.1
        assert weights @ values == pytest.approx(592.7289, abs=2e-3)
        assert 10 + 1e7 - weights @ cross == pytest.approx(8.956053, abs=1e-3)

    def test_gradient_equals_differences(self) -> None:
        sites, at = random_sites(), np.log([0.7, 25.0, 1.3])
        _, gradient, _ = evidence(sites, at)
        steps = 1e-5 * np.eye(3)
        differences = [(evidence(sites, at + s)[0] - evidence(sites, at - s)[0]) / 2e-5 for s in steps]
        assert gradient == pytest.approx(differences, abs=2e-3)

    def test_prior_gradient_equals_differences(self) -> None:
        at, steps = np.log([0.7, 25.0, 1.3]), 1e-6 * np.eye(3)
        _, gradient = log_prior(at, Priors())
        differences = [(log_prior(at + s, Priors())[0] - log_prior(at - s, Priors())[0]) / 2e-6 for s in steps]
        assert gradient == pytest.approx(differences, abs=1e-6)

    def test_prediction_at_the_samples_is_the_posterior_there(self) -> None:
        fitted = fit_field(random_sites(), Hyper(0.8, 40.0, 1.0))
        mean, spread = predict_log(fitted, fitted.sites.places, fitted.sites.basis)
        covariance = prior_covariance(fitted.sites, fitted.hyper)
        posterior = covariance - covariance @ fitted.precision @ covariance
        assert mean == pytest.approx(fitted.eta, abs=1e-4)
        assert spread == pytest.approx(np.sqrt(np.diag(posterior)), abs=1e-4)

    def test_leave_one_out_is_close_to_leaving_out(self) -> None:
        sites, hyper = random_sites(), Hyper(0.8, 40.0, 1.0)
        mean, spread = leave_one_out(fit_field(sites, hyper))
        for i in (0, 7, 23):
            rest = np.arange(len(sites.count)) != i
            without = Sites(sites.places[rest], sites.basis[rest], sites.count[rest], sites.offset[rest])
            really = predict_log(fit_field(without, hyper), sites.places[[i]], sites.basis[[i]])
            assert (mean[i], spread[i]) == pytest.approx((really[0][0], really[1][0]), abs=0.15)


class TestScoresAgainstReference:
    @pytest.mark.parametrize(
        ("mean", "k", "count", "score"),
        # methods.md D.11, negative binomial log scores
        [(1, 1, 0, 0.6931471806), (1, 1, 3, 2.7725887222), (0.5, 0.5, 0, 0.3465735903), (2, 0.8, 5, 3.1741837853)],
    )
    def test_log_score(self, mean: float, k: float, count: int, score: float) -> None:
        assert -log_pmf(np.array(count), np.array(float(mean)), k) == pytest.approx(score, abs=1e-9)
        mixed = mix_lognormal(np.log([mean]), np.array([1e-9]), np.zeros(1), k)
        assert mixed.log_score(np.array([float(count)])) == pytest.approx([score], abs=1e-6)

    def test_crps(self) -> None:
        # methods.md D.11
        assert crps_normal(np.zeros(3), np.ones(3), np.array([0.0, 1, 2])) == pytest.approx(
            [0.2336949773, 0.6024413576, 1.4527918217], abs=1e-9
        )
        # methods.md D.11
        assert crps_lognormal(np.array([0, 0.2]), np.array([1, 0.7]), np.array([1.0, 2])) == pytest.approx(
            [0.2674054670, 0.4401322341], abs=1e-9
        )

    @pytest.mark.parametrize(
        ("samples", "k", "bound"),
        # methods.md D.15, one-sided 95 % upper bounds of the mean when nothing was found
        [(10, 0.5, 0.4102821), (10, 1, 0.3492828), (30, 2, 0.1023926), (100, 0.5, 0.0308730)],
    )
    def test_zero_bound(self, samples: int, k: float, bound: float) -> None:
        assert upper_bound(0, samples, k) == pytest.approx(bound, abs=1e-7)


class TestTheMap:
    def test_cells_cover_the_ground_exactly(self, fine_map: DensityMap, small_ground: Ground) -> None:
        area = fine_map.cells.groupby("surface_id")["area_m2"].sum()
        true = small_ground.surfaces.set_index("surface_id").geometry.area
        assert area.to_numpy() == pytest.approx(true[area.index].to_numpy(), rel=1e-9)

    def test_intervals_hold_what_they_say(self, small_ground: Ground) -> None:
        inside, total = 0, 0
        for seed, range_m in enumerate((5, 5, 10, 10, 20, 40)):
            rng = np.random.default_rng(seed)
            counts, places, density = draw_counts(small_ground, 140, rng, border=0.8, spread=1.0, range_m=range_m)
            shown = np.arange(len(places)) < 90
            some = make_counts(small_ground, places[shown], counts.counts["count"].to_numpy()[shown])
            cells = map_density(some, small_ground, cell_m=2).cells
            at = shapely.STRtree(shapely.points(cells[["easting", "northing"]].to_numpy()))
            near = cells.iloc[at.nearest(shapely.points(places[~shown]))]
            inside += int(((near["low_per_m2"] < density[~shown]) & (density[~shown] < near["high_per_m2"])).sum())
            total += int((~shown).sum())
        # 300 places; the standard error of a share of 0.9 among correlated places is about 0.03
        assert 0.82 < inside / total < 0.98

    def test_dense_samples_recover_the_field(self, small_ground: Ground) -> None:
        counts, places, density = draw_counts(small_ground, 400, np.random.default_rng(4), mean_per_m2=4000, k=5)
        cells = map_density(counts, small_ground, cell_m=2.0).cells
        at = shapely.STRtree(shapely.points(cells[["easting", "northing"]].to_numpy()))
        near = cells.iloc[at.nearest(shapely.points(places))]
        assert np.corrcoef(near["log_mean"], np.log(density))[0, 1] > 0.85

    def test_a_place_far_from_every_plug_is_never_known(self, small_ground: Ground) -> None:
        rng = np.random.default_rng(2)
        places = place_points(small_ground, 400, rng)
        places = places[places[:, 1] > -60]
        found = rng.poisson(rng.gamma(1.0, 4.0, len(places)))
        design = make_design(small_ground)
        result = map_density(make_counts(small_ground, places, found), small_ground, design=design)
        cells = result.cells
        far = cells["northing"].to_numpy() < -200
        assert far.any()
        assert not cells["known"].to_numpy()[far].any()
        assert (cells["log_sd"].to_numpy()[far] >= result.fitted["spread"]).all()

    def test_known_is_the_ratio_of_what_is_kept_and_can_be_changed(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 90, np.random.default_rng(11))
        shares = []
        for ratio in (0.3, 0.5, 0.8):
            cells = map_density(counts, small_ground, cell_m=3, settings=Settings(known_ratio=ratio)).cells
            # no cell of this ground lies beyond reach of 90 plugs
            assert (cells["known"] == ((cells["log_sd"] / cells["prior_sd"]) ** 2 <= ratio)).all()
            shares.append(cells["known"].mean())
        assert shares == sorted(shares)
        assert shares[0] < shares[2]

    def test_surfaces_nobody_aimed_at_or_sampled_are_left_out(self, small_ground: Ground) -> None:
        counts, places, _ = draw_counts(small_ground, 200, np.random.default_rng(1))
        fairway = small_ground.surfaces.geometry.iloc[2]
        on = shapely.contains_xy(fairway, places[:, 0], places[:, 1])
        some = make_counts(small_ground, places[on], counts.counts["count"].to_numpy()[on])
        assert set(map_density(some, small_ground, cell_m=5).cells["surface_id"]) == {"01-fairway-1"}
        aimed = make_design(small_ground, surface_ids=["01-fairway-1", "01-green-1"])
        cells = map_density(some, small_ground, design=aimed, cell_m=5).cells
        assert set(cells["surface_id"]) == {"01-fairway-1", "01-green-1"}

    def test_moving_the_whole_course_changes_nothing(self, small_ground: Ground) -> None:
        counts, places, _ = draw_counts(small_ground, 60, np.random.default_rng(8))
        moved = Ground(
            small_ground.surfaces.assign(geometry=small_ground.surfaces.translate(5000, -3000)),
            small_ground.obstacles.assign(geometry=small_ground.obstacles.translate(5000, -3000)),
        )
        found = counts.counts["count"].to_numpy()
        here = map_density(counts, small_ground, cell_m=5).cells
        there = map_density(make_counts(moved, places + np.array([5000, -3000]), found), moved, cell_m=5).cells
        assert there["log_mean"].to_numpy() == pytest.approx(here["log_mean"].to_numpy(), abs=1e-5)

    def test_twice_the_turf_for_the_same_counts_is_half_the_density(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(8))
        double = Counts(counts.visit, counts.samples.assign(sampled_m2=2 * PLUGS_M2), counts.counts)
        one = map_density(counts, small_ground, cell_m=5).cells["expected_per_m2"].to_numpy()
        two = map_density(double, small_ground, cell_m=5).cells["expected_per_m2"].to_numpy()
        assert two == pytest.approx(one / 2, rel=1e-6)

    def test_recovery_raises_the_density(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(8))
        plain = map_density(counts, small_ground, cell_m=5).cells["expected_per_m2"].to_numpy()
        half = Settings(recovery={"brine": 0.5})
        corrected = map_density(counts, small_ground, cell_m=5, settings=half).cells["expected_per_m2"].to_numpy()
        assert corrected == pytest.approx(2 * plain, rel=1e-6)

    def test_doubt_about_recovery_widens_every_interval(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(8))
        plain = map_density(counts, small_ground, cell_m=5).cells
        unsure = read_settings(recoveries=["brine=0.6,0.4,0.9"])
        told = map_density(counts, small_ground, cell_m=5, settings=unsure).cells
        assert told["log_mean"].to_numpy() == pytest.approx(plain["log_mean"].to_numpy() - np.log(0.6), abs=1e-6)
        # 95 % limits 0.4 and 0.9 are ln(0.9 / 0.4) / (2 x 1.96) of the log
        added = told["log_sd"] ** 2 - plain["log_sd"] ** 2
        assert added.to_numpy() == pytest.approx((np.log(2.25) / 3.919928) ** 2, abs=1e-6)

    def test_recovery_by_stage_is_refused(self) -> None:
        with pytest.raises(DensityError, match="adds the stages up"):
            read_settings(recoveries=["brine:L1=0.8"])

    def test_border_effect_is_found_where_it_is_and_left_open_where_it_is_not(self, small_ground: Ground) -> None:
        rng = np.random.default_rng(21)
        strong, _, _ = draw_counts(small_ground, 250, rng, border=2.0, mean_per_m2=800, spread=0.4)
        finding = map_density(strong, small_ground, cell_m=5).findings.set_index("what").loc["border effect"]
        assert finding["low"] > 1
        none, _, _ = draw_counts(small_ground, 250, rng, border=0.0, mean_per_m2=800, spread=0.4)
        finding = map_density(none, small_ground, cell_m=5).findings.set_index("what").loc["border effect"]
        assert finding["low"] < 1 < finding["high"]

    def test_covariates_can_be_left_out(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(8))
        found = map_density(counts, small_ground, cell_m=5, settings=Settings(covariates=())).findings
        assert "border effect" not in set(found["what"])

    def test_worth_is_yes_for_a_strong_pattern_and_not_for_none(self, small_ground: Ground) -> None:
        rng = np.random.default_rng(9)
        strong, _, _ = draw_counts(small_ground, 200, rng, spread=1.5, range_m=80, k=3)
        fitted = map_density(strong, small_ground, cell_m=5).fitted
        assert fitted["map_worth"]["answer"] == "yes"
        assert fitted["map_worth"]["sentence"].startswith("This map adds to the plain averages: yes")
        flat, _, _ = draw_counts(small_ground, 60, rng, spread=1e-3)
        assert map_density(flat, small_ground, cell_m=5).fitted["map_worth"]["answer"] != "yes"

    def test_inputs_stay_as_they_were(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 40, np.random.default_rng(8))
        samples, rows, surfaces = counts.samples.copy(), counts.counts.copy(), small_ground.surfaces.copy()
        map_density(counts, small_ground, cell_m=5)
        pd.testing.assert_frame_equal(counts.samples, samples)
        pd.testing.assert_frame_equal(counts.counts, rows)
        pd.testing.assert_frame_equal(small_ground.surfaces, surfaces)


class TestHardInput:
    @pytest.mark.parametrize("insects", [0, 1, 4])
    def test_too_few_insects_make_no_map_but_a_bound(self, small_ground: Ground, insects: int) -> None:
        places = place_points(small_ground, 30, np.random.default_rng(1))
        found = np.zeros(30)
        found[:insects] = 1
        result = map_density(make_counts(small_ground, places, found), small_ground, cell_m=5)
        assert not result.cells["known"].any()
        assert result.fitted["no_map"]
        assert "No map" in result.findings["note"].iloc[0]
        assert np.isfinite(result.cells.select_dtypes("number").to_numpy()).all()
        # the bound with k = 0.5 for the total (methods.md A.12), over the turf in one bag
        bound = upper_bound(insects, 30, 0.5) / PLUGS_M2
        assert result.cells["high_per_m2"].to_numpy() == pytest.approx(bound)
        over = exceedance(result, bound)
        assert over == pytest.approx(0.05, abs=1e-6)

    def hard_counts(self, ground: Ground, case: str) -> Counts:
        rng = np.random.default_rng(6)
        places, some = place_points(ground, 40, rng), rng.poisson(3, 40)
        huge = np.where(np.arange(40) == 5, 10_000, some)
        cases = {
            "duplicates": (np.concatenate([places[:20], places[:20]]), some),
            "all in one spot": (np.repeat(places[:1], 40, axis=0), some),
            "one huge count": (places, huge),
            "one huge count among zeros": (places, np.where(huge == 10_000, huge, 0)),
            "one point": (places[:1], np.array([7])),
            "two points": (places[:2], np.array([7, 0])),
            "all the same": (places, np.full(40, 4)),
            "all large": (places, rng.poisson(5000, 40)),
        }
        return make_counts(ground, *cases[case])

    @pytest.mark.parametrize(
        "case",
        [
            "duplicates",
            "all in one spot",
            "one huge count",
            "one huge count among zeros",
            "one point",
            "two points",
            "all the same",
            "all large",
        ],
    )
    def test_the_map_is_finite_and_ordered(self, small_ground: Ground, case: str) -> None:
        result = map_density(self.hard_counts(small_ground, case), small_ground, cell_m=3)
        cells = result.cells
        numbers = cells.select_dtypes("number").to_numpy()
        assert np.isfinite(numbers).all()
        assert (cells["low_per_m2"] <= np.exp(cells["log_mean"])).all()
        assert (np.exp(cells["log_mean"]) <= cells["high_per_m2"]).all()
        assert (cells["log_sd"] > 0).all()
        assert np.isfinite(exceedance(result, T_PER_M2)).all()
        json.dumps(result.fitted, allow_nan=False)

    @pytest.mark.parametrize("seed", range(12))
    def test_odd_surveys_give_finite_maps_without_a_warning(self, small_ground: Ground, seed: int) -> None:
        rng = np.random.default_rng(seed)
        number = int(rng.choice([1, 3, 12, 60]))
        places = place_points(small_ground, number, rng)[rng.integers(0, max(1, number // 2), number)]
        rare = np.where(rng.random(number) < 0.1, 10 ** rng.integers(1, 7), 0)
        found = (rng.poisson(0.1, number), rng.negative_binomial(0.05, 0.001, number), rare, rng.poisson(1e5, number))
        counts = make_counts(small_ground, places, found[seed % 4])
        uneven = counts.samples.assign(sampled_m2=np.exp(rng.normal(-5, 3, number)))
        settings = Settings(threshold_per_m2=float(rng.choice([0, 1e-6, 300, 1e9])))
        odd = Counts(counts.visit, uneven, counts.counts)
        result = map_density(odd, small_ground, cell_m=5, settings=settings)
        assert np.isfinite(result.cells.select_dtypes("number").to_numpy()).all()
        json.dumps(result.fitted, allow_nan=False)

    def test_a_threshold_of_zero_is_exceeded_everywhere(self, fine_map: DensityMap) -> None:
        assert (exceedance(fine_map, 0.0) == 1).all()

    def test_a_cell_larger_than_the_surface_keeps_its_area(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 40, np.random.default_rng(8))
        cells = map_density(counts, small_ground, cell_m=1000).cells
        assert cells["area_m2"].sum() == pytest.approx(small_ground.surfaces.area.sum())

    @pytest.mark.parametrize(("cell_m", "said"), [(1000.0, True), (2.0, False)])
    def test_cells_too_large_for_the_ground_are_said_to_be(
        self, small_ground: Ground, cell_m: float, said: bool
    ) -> None:
        counts, _, _ = draw_counts(small_ground, 40, np.random.default_rng(8))
        lines, _ = summarise_map(map_density(counts, small_ground, cell_m=cell_m), T_PER_M2, "metric")
        surfaces = len(small_ground.surfaces)
        words = f"Cells of 1,000.0 m are large for this ground: {surfaces} of {surfaces} surfaces"
        assert any(line.startswith(words) for line in lines) == said

    @pytest.mark.parametrize("cell_m", [1e-6, 0.0, -1.0, float("nan")])
    def test_a_cell_of_no_use_is_refused_with_one_that_is(self, small_ground: Ground, cell_m: float) -> None:
        counts, _, _ = draw_counts(small_ground, 40, np.random.default_rng(8))
        with pytest.raises(DensityError, match="--cell"):
            map_density(counts, small_ground, cell_m=cell_m)

    def test_one_enormous_count_does_not_judge_the_map_by_itself(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(5))
        huge = counts.counts.copy()
        huge.loc[huge.index[10], "count"] = 9000
        worth = map_density(replace(counts, counts=huge), small_ground, cell_m=4.0).fitted["map_worth"]
        assert worth["left_out"] == [9000]
        assert max(worth["log_score"].values()) < 10  # nats a sample; with that count in it, some hundreds
        assert "Judged without the count of 9,000" in worth["sentence"]
        plain = map_density(counts, small_ground, cell_m=4.0).fitted["map_worth"]
        assert plain["left_out"] == []

    def test_a_threshold_of_nothing_is_refused(self) -> None:
        for threshold in (0.0, -1.0, float("nan")):
            with pytest.raises(DensityError, match="--threshold"):
                read_settings(threshold_per_m2=threshold)

    def test_every_sample_off_the_ground_is_named(self, small_ground: Ground) -> None:
        counts, places, _ = draw_counts(small_ground, 20, np.random.default_rng(8))
        places[[3, 8]] += 5000
        with pytest.raises(DensityError) as caught:
            map_density(make_counts(small_ground, places, counts.counts["count"].to_numpy()), small_ground)
        assert [problem.where for problem in caught.value.problems] == ["sample S-003", "sample S-008"]

    def test_unknown_covariate_is_refused(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 20, np.random.default_rng(8))
        with pytest.raises(DensityError, match="edge, kind, trees, last"):
            map_density(counts, small_ground, settings=Settings(covariates=("moon",)))

    @pytest.mark.parametrize("ratio", [0.0, 1.0, 2.0, float("nan")])
    def test_a_share_of_variance_that_knows_all_or_nothing_is_refused(self, small_ground: Ground, ratio: float) -> None:
        counts, _, _ = draw_counts(small_ground, 20, np.random.default_rng(8))
        with pytest.raises(DensityError, match="--known: found"):
            map_density(counts, small_ground, settings=Settings(known_ratio=ratio))

    def test_a_recovery_of_a_method_nobody_used_is_refused(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 20, np.random.default_rng(8))
        with pytest.raises(DensityError, match="--recovery heat: found a method no sample was taken by; expected one"):
            map_density(counts, small_ground, settings=Settings(recovery={"heat": 0.5}))

    @pytest.mark.parametrize("words", ["edge,none", "edge,edge", "", "edge,"])
    def test_covariates_that_contradict_themselves_are_refused(self, small_ground: Ground, words: str) -> None:
        counts, _, _ = draw_counts(small_ground, 20, np.random.default_rng(8))
        with pytest.raises(DensityError, match="--covariates"):
            map_density(counts, small_ground, settings=read_settings(covariates=words))

    def test_a_threshold_nothing_on_the_map_reaches_is_pointed_out(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 40, np.random.default_rng(8))
        made = map_density(counts, small_ground, cell_m=4.0)
        for threshold, said in ((1e12, True), (T_PER_M2, False)):
            lines, _ = summarise_map(made, threshold)
            assert any("check its unit" in line for line in lines) == said

    def test_trees_without_trees_are_refused(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 20, np.random.default_rng(8))
        with pytest.raises(DensityError, match="trees"):
            map_density(counts, small_ground, settings=Settings(covariates=("edge", "trees")))


class TestFilesOfTheMap:
    def test_survey_round_trip(self, fine_map: DensityMap, small_ground: Ground, tmp_path: Path) -> None:
        survey = open_survey(tmp_path / "course.gpkg")
        save_ground(survey, small_ground)
        save_design(survey, make_design(small_ground))
        save_density(survey, fine_map)
        back = load_density(survey)
        assert back.fitted == fine_map.fitted
        assert back.cell_m == fine_map.cell_m
        columns = ["surface_id", "column", "row", "log_mean", "log_sd", "prior_sd", "edge_m", "known"]
        pd.testing.assert_frame_equal(back.cells[columns], fine_map.cells[columns], check_dtype=False)
        assert exceedance(back, T_PER_M2) == pytest.approx(exceedance(fine_map, T_PER_M2))
        assert list(back.findings["what"]) == list(fine_map.findings["what"])

    def test_raster_shows_the_cells_where_they_are(
        self, fine_map: DensityMap, small_ground: Ground, tmp_path: Path
    ) -> None:
        path = tmp_path / "density.tif"
        write_density_tif(path, fine_map, small_ground.crs, threshold_per_m2=T_PER_M2, units="metric")
        whole = fine_map.cells[fine_map.cells["area_m2"] > 0.999].sample(50, random_state=1)
        with rasterio.open(path) as file:
            assert file.descriptions == ("expected", "low", "high", "exceedance", "known")
            assert set(file.units[:3]) == {"insects per square metre"}
            assert file.nodata == -9999
            assert file.crs.to_dict()["proj"] == "laea"
            assert file.tags()["threshold"] == "323/m²"
            values = np.array(list(file.sample(whole[["easting", "northing"]].to_numpy())))
        shown = whole[["expected_per_m2", "low_per_m2", "high_per_m2"]].to_numpy()
        assert values[:, :3] == pytest.approx(shown, rel=1e-6)
        assert values[:, 3] == pytest.approx(exceedance(fine_map, T_PER_M2)[whole.index], abs=1e-6)

    def test_ninety_samples_and_thirty_thousand_cells_take_seconds(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 90, np.random.default_rng(11))
        start = time.process_time()
        assert len(map_density(counts, small_ground, cell_m=0.55).cells) > 25_000
        assert time.process_time() - start < 8

    def test_command_writes_the_raster_and_keeps_the_map(self, small_ground: Ground, tmp_path: Path) -> None:
        survey = open_survey(tmp_path / "course.gpkg")
        counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(11))
        save_ground(survey, small_ground)
        save_design(survey, make_design(small_ground))
        save_counts(survey, counts)
        run = [str(survey.path), "--cell", "3m", "--threshold", "30/ft2", "--out", str(tmp_path / "maps")]
        plain = CliRunner().invoke(command, run, catch_exceptions=False)
        assert plain.exit_code == 0
        assert "This map adds to the plain averages" in plain.stdout
        assert (tmp_path / "maps" / "density.tif").is_file()
        summary = json.loads(CliRunner().invoke(command, [*run, "--json"], catch_exceptions=False).stdout)
        assert summary["pest"] == PEST
        assert summary["map_worth"]["answer"] in {"yes", "a little", "no"}
        assert len(load_density(survey).cells) == summary["cells"]


def test_hyper_parameters_are_recovered_from_many_counts() -> None:
    rng = np.random.default_rng(12)
    places = rng.uniform(0, 150, (500, 2))
    covariance = 1.0 * np.exp(-3 * cdist(places, places) / 45) + 1e-9 * np.eye(500)
    eta = np.linalg.cholesky(covariance) @ rng.standard_normal(500)
    counts = rng.poisson(rng.gamma(1.5, 8 * np.exp(eta) / 1.5)).astype(float)
    hyper = fit_hyper(Sites(places, np.full((500, 1), 4.0), counts, np.full(500, np.log(8.0))), Priors())
    assert hyper.spread == pytest.approx(1.0, rel=0.35)
    assert 20 < hyper.range_m < 100
    assert hyper.k == pytest.approx(1.5, rel=0.3)
