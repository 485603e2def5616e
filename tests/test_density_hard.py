"""Input a map can not be made of, or only with honesty: few, odd, huge, misplaced."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from density_case import PLUGS_M2, THRESHOLD, draw_counts, make_counts, place_points

from geosample.counts import Counts
from geosample.density import (
    decide_at,
    exceedance,
    map_density,
)
from geosample.density.mapping import upper_bound
from geosample.errors import DensityError
from geosample.ground import Ground
from geosample.report.density import tell_map
from geosample.survey.findings import What


class TestHardInput:
    @pytest.mark.parametrize("insects", [0, 1, 4])
    def test_too_few_insects_make_no_map_but_a_bound(self, small_ground: Ground, insects: int) -> None:
        places = place_points(small_ground, 30, np.random.default_rng(1))
        found = np.zeros(30)
        found[:insects] = 1
        result = map_density(make_counts(small_ground, places, found), small_ground, cell_m=5)
        assert not result.cells["known"].any()
        assert result.fitted["no_map"]
        [told] = result.findings
        assert (told.what, told.value, told.detail["samples"]) == (What.NO_MAP, insects, 30)
        numbers = result.cells.drop(columns="nearest_m").select_dtypes("number")
        assert np.isfinite(numbers.to_numpy()).all()
        assert not decide_at(result, 1e9).cells["known"].any()  # no chance settles what is not mapped
        # the bound with k = 0.5 for the total, over the turf in one bag
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

    @pytest.mark.slow
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
        assert np.isfinite(exceedance(result, THRESHOLD)).all()
        json.dumps(result.fitted, allow_nan=False)

    @pytest.mark.slow
    @pytest.mark.parametrize("seed", range(12))
    def test_odd_surveys_give_finite_maps_without_a_warning(self, small_ground: Ground, seed: int) -> None:
        rng = np.random.default_rng(seed)
        number = int(rng.choice([1, 3, 12, 60]))
        places = place_points(small_ground, number, rng)[rng.integers(0, max(1, number // 2), number)]
        rare = np.where(rng.random(number) < 0.1, 10 ** rng.integers(1, 7), 0)
        found = (rng.poisson(0.1, number), rng.negative_binomial(0.05, 0.001, number), rare, rng.poisson(1e5, number))
        counts = make_counts(small_ground, places, found[seed % 4])
        uneven = counts.samples.assign(sampled_m2=np.exp(rng.normal(-5, 3, number)))
        threshold = float(rng.choice([1e-9, 1e-6, 300, 1e9]))
        odd = Counts(counts.visit, uneven, counts.counts)
        result = map_density(odd, small_ground, cell_m=5, threshold_per_m2=threshold)
        numbers = result.cells.drop(columns=["nearest_m"] if result.fitted["no_map"] else []).select_dtypes("number")
        assert np.isfinite(numbers.to_numpy()).all()
        json.dumps(result.fitted, allow_nan=False)

    def test_a_cell_larger_than_the_surface_keeps_its_area(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 40, np.random.default_rng(8))
        cells = map_density(counts, small_ground, cell_m=1000).cells
        assert cells["area_m2"].sum() == pytest.approx(small_ground.surfaces.area.sum())

    @pytest.mark.parametrize(("cell_m", "said"), [(1000.0, True), (2.0, False)])
    def test_cells_too_large_for_the_ground_are_said_to_be(
        self, small_ground: Ground, cell_m: float, said: bool
    ) -> None:
        counts, _, _ = draw_counts(small_ground, 40, np.random.default_rng(8))
        facts = map_density(counts, small_ground, cell_m=cell_m).summary()
        assert facts["coarse_surfaces"] == (facts["surfaces"] if said else 0)

    @pytest.mark.parametrize("cell_m", [1e-6, 0.0, -1.0, float("nan")])
    def test_a_cell_of_no_use_is_refused_with_one_that_is(self, small_ground: Ground, cell_m: float) -> None:
        counts, _, _ = draw_counts(small_ground, 40, np.random.default_rng(8))
        with pytest.raises(DensityError, match="cell_m"):
            map_density(counts, small_ground, cell_m=cell_m)

    @pytest.mark.slow
    def test_one_enormous_count_does_not_judge_the_map_by_itself(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(5))
        huge = counts.counts.copy()
        huge.loc[huge.index[10], "count"] = 9000
        worth = map_density(replace(counts, counts=huge), small_ground, cell_m=4.0).fitted["map_worth"]
        assert worth["left_out"] == [9000]
        assert max(worth["log_score"].values()) < 10  # nats a sample; with that count in it, some hundreds
        plain = map_density(counts, small_ground, cell_m=4.0).fitted["map_worth"]
        assert plain["left_out"] == []

    @pytest.mark.parametrize("threshold", [0.0, -1.0, float("nan")])
    def test_a_threshold_of_nothing_is_refused(self, small_ground: Ground, threshold: float) -> None:
        counts, _, _ = draw_counts(small_ground, 20, np.random.default_rng(8))
        with pytest.raises(DensityError, match="threshold_per_m2"):
            map_density(counts, small_ground, threshold_per_m2=threshold)

    def test_every_sample_off_the_ground_is_named(self, small_ground: Ground) -> None:
        counts, places, _ = draw_counts(small_ground, 20, np.random.default_rng(8))
        places[[3, 8]] += 5000
        with pytest.raises(DensityError) as caught:
            map_density(make_counts(small_ground, places, counts.counts["count"].to_numpy()), small_ground)
        assert [problem.where for problem in caught.value.problems] == ["sample S-003", "sample S-008"]

    def test_unknown_covariate_is_refused(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 20, np.random.default_rng(8))
        with pytest.raises(DensityError, match="edge, kind, trees, last"):
            map_density(counts, small_ground, covariates=("moon",))

    @pytest.mark.parametrize("ratio", [0.0, 1.0, 2.0, float("nan")])
    def test_a_share_of_variance_that_knows_all_or_nothing_is_refused(self, small_ground: Ground, ratio: float) -> None:
        counts, _, _ = draw_counts(small_ground, 20, np.random.default_rng(8))
        with pytest.raises(DensityError, match="known_ratio: found"):
            map_density(counts, small_ground, known_ratio=ratio)

    def test_a_recovery_of_a_method_nobody_used_is_refused(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 20, np.random.default_rng(8))
        with pytest.raises(DensityError, match="`recovery` of heat: found a method no sample was taken by; expected"):
            map_density(counts, small_ground, recovery={"heat": 0.5})

    @pytest.mark.parametrize("words", ["edge,none", "edge,edge", "", "edge,"])
    def test_covariates_that_contradict_themselves_are_refused(self, small_ground: Ground, words: str) -> None:
        counts, _, _ = draw_counts(small_ground, 20, np.random.default_rng(8))
        with pytest.raises(DensityError, match="covariates"):
            map_density(counts, small_ground, covariates=words.split(","))

    def test_a_threshold_nothing_on_the_map_reaches_is_pointed_out(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 40, np.random.default_rng(8))
        for threshold, said in ((1e12, True), (THRESHOLD, False)):
            lines = tell_map(map_density(counts, small_ground, cell_m=4.0, threshold_per_m2=threshold))
            assert any("check its unit" in line for line in lines) == said

    def test_trees_without_trees_are_refused(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 20, np.random.default_rng(8))
        with pytest.raises(DensityError, match="trees"):
            map_density(counts, small_ground, covariates=("edge", "trees"))
