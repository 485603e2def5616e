"""Stage 6: the map's numbers against reference values, its behaviour on hard input, and the survey round trip."""

from __future__ import annotations

import json
import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from click.testing import CliRunner
from density_case import PEST, PLUGS_M2, THRESHOLD, aim_design, draw_counts, make_counts, place_points
from scipy.stats import norm
from work_case import count_calls

from geosample.cli import main
from geosample.cli.answers import density_command, read_recoveries
from geosample.counts import Counts, add_counts
from geosample.density import (
    DensityMap,
    MapSettings,
    decide_at,
    exceedance,
    laplace,
    load_density,
    map_density,
    model,
    save_density,
    write_density_tif,
)
from geosample.density.mapping import upper_bound
from geosample.design import save_design
from geosample.errors import DensityError
from geosample.ground import Ground, save_ground
from geosample.palettes import GREYS
from geosample.report.density import tell_map
from geosample.survey import open_survey
from geosample.survey.findings import What


@pytest.fixture(scope="module")
def fine_map(small_ground: Ground) -> DensityMap:
    counts, _, _ = draw_counts(small_ground, 90, np.random.default_rng(11), border=1.0)
    return map_density(counts, small_ground, design=aim_design(small_ground))


def interval_sd(found: DensityMap) -> np.ndarray:
    """Return the spread of the log density by the models with a field, as the cells' intervals have it."""
    low, high = (np.log(found.cells[f"{end}_per_m2"].to_numpy()) for end in ("low", "high"))
    return np.asarray((high - low) / (2 * norm.ppf(0.95) * found.settings.widen_interval))


class TestTheMap:
    def test_cells_cover_the_ground_exactly(self, fine_map: DensityMap, small_ground: Ground) -> None:
        area = fine_map.cells.groupby("surface_id")["area_m2"].sum()
        true = small_ground.surfaces.set_index("surface_id").geometry.area
        assert area.to_numpy() == pytest.approx(true[area.index].to_numpy(), rel=1e-9)

    @pytest.mark.slow
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

    @pytest.mark.slow
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
        design = aim_design(small_ground)
        result = map_density(make_counts(small_ground, places, found), small_ground, design=design)
        cells = result.cells
        far = cells["northing"].to_numpy() < -200
        assert far.any()
        assert not cells["known"].to_numpy()[far].any()
        assert (interval_sd(result)[far] >= result.fitted["spread"]).all()

    def test_bags_of_next_to_nothing_settle_a_threshold_though_not_the_density(self, small_ground: Ground) -> None:
        places = place_points(small_ground, 90, np.random.default_rng(6))
        found = np.zeros(90)
        found[::6] = 1
        low = map_density(make_counts(small_ground, places, found), small_ground, cell_m=3)
        threshold = 8 / PLUGS_M2  # eight in a bag
        settled = decide_at(low, threshold).cells["known"]
        assert low.cells["known"].mean() < 0.5
        assert settled.mean() > 0.9
        assert (exceedance(low, threshold)[settled & ~low.cells["known"]] <= 0.02).all()
        middling = float(np.exp(low.cells["log_mean"].median()))
        assert decide_at(low, middling).cells["known"].sum() == low.cells["known"].sum()

    @pytest.mark.slow
    def test_ground_settled_as_low_is_seldom_above_the_threshold(self, small_ground: Ground) -> None:
        above = []
        for seed in range(12):
            rng = np.random.default_rng(500 + seed)
            range_m, border = (10, 20, 40, 60)[seed % 4], (0.0, 0.8)[seed % 2]
            counts, places, density = draw_counts(
                small_ground, 180, rng, mean_per_m2=80, border=border, range_m=range_m
            )
            shown = np.arange(180) < 60
            some = make_counts(small_ground, places[shown], counts.counts["count"].to_numpy()[shown])
            found = map_density(some, small_ground, cell_m=4)
            at = shapely.STRtree(shapely.points(found.cells[["easting", "northing"]].to_numpy()))
            near = at.nearest(shapely.points(places[~shown]))
            settled = (decide_at(found, THRESHOLD).cells["known"] & ~found.cells["known"]).to_numpy()[near]
            above.append(density[~shown][settled] > THRESHOLD)
        share = np.concatenate(above)
        # no published value: 1 to 8 % in longer simulations; the decision's cut-off lies at 25 % and more
        assert len(share) > 150
        assert share.mean() < 0.12

    def test_no_chance_settles_ground_beyond_reach(self, small_ground: Ground) -> None:
        places = place_points(small_ground, 60, np.random.default_rng(6))
        places = places[places[:, 1] > -60]
        design = aim_design(small_ground)
        low = map_density(make_counts(small_ground, places, np.arange(len(places)) % 2), small_ground, design=design)
        settled = decide_at(low, 1e6).cells
        beyond = settled["nearest_m"] > MapSettings().reach_m
        assert beyond.any()
        assert settled["known"].equals(~beyond)

    def test_known_is_the_ratio_of_what_is_kept_and_can_be_changed(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 90, np.random.default_rng(11))
        shares = []
        for ratio in (0.3, 0.5, 0.8):
            found = map_density(counts, small_ground, cell_m=3, known_ratio=ratio)
            cells = found.cells
            # no cell of this ground lies beyond reach of 90 plugs
            assert (cells["known"] == ((interval_sd(found) / cells["prior_sd"]) ** 2 <= ratio)).all()
            shares.append(cells["known"].mean())
        assert shares == sorted(shares)
        assert shares[0] < shares[2]

    def test_surfaces_nobody_aimed_at_or_sampled_are_left_out(self, small_ground: Ground) -> None:
        counts, places, _ = draw_counts(small_ground, 200, np.random.default_rng(1))
        fairway = small_ground.surfaces.geometry.iloc[2]
        on = shapely.contains_xy(fairway, places[:, 0], places[:, 1])
        some = make_counts(small_ground, places[on], counts.counts["count"].to_numpy()[on])
        assert set(map_density(some, small_ground, cell_m=5).cells["surface_id"]) == {"01-fairway-1"}
        aimed = aim_design(small_ground, surface_ids=["01-fairway-1", "01-green-1"])
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
        corrected = (
            map_density(counts, small_ground, cell_m=5, recovery={"brine": 0.5}).cells["expected_per_m2"].to_numpy()
        )
        assert corrected == pytest.approx(2 * plain, rel=1e-6)

    def test_doubt_about_recovery_widens_every_interval(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(8))
        plain = map_density(counts, small_ground, cell_m=5).cells
        doubt = np.log(2.25) / 3.919928
        told = map_density(counts, small_ground, cell_m=5, recovery={"brine": 0.6}, recovery_sd=doubt).cells
        assert told["log_mean"].to_numpy() == pytest.approx(plain["log_mean"].to_numpy() - np.log(0.6), abs=1e-6)
        # 95 % limits 0.4 and 0.9 are ln(0.9 / 0.4) / (2 x 1.96) of the log
        added = told["log_sd"] ** 2 - plain["log_sd"] ** 2
        assert added.to_numpy() == pytest.approx(doubt**2, abs=1e-6)

    def test_recovery_is_read_by_method_with_its_doubt_and_refused_by_stage(self) -> None:
        told = read_recoveries(["brine=0.6,0.4,0.9"])
        assert told["recovery"] == {"brine": 0.6}
        assert told["recovery_sd"] == pytest.approx(np.log(2.25) / 3.919928, abs=1e-6)
        with pytest.raises(DensityError, match="adds the stages up"):
            read_recoveries(["brine:L1=0.8"])

    @pytest.mark.slow
    def test_border_effect_is_found_where_it_is_and_left_open_where_it_is_not(self, small_ground: Ground) -> None:
        rng = np.random.default_rng(21)
        strong, _, _ = draw_counts(small_ground, 250, rng, border=2.0, mean_per_m2=800, spread=0.4)
        finding = map_density(strong, small_ground, cell_m=5).findings.first(What.BORDER_EFFECT)
        assert finding.low > 1
        assert finding.detail["verdict"] == "higher"
        none, _, _ = draw_counts(small_ground, 250, rng, border=0.0, mean_per_m2=800, spread=0.4)
        finding = map_density(none, small_ground, cell_m=5).findings.first(What.BORDER_EFFECT)
        assert finding.low < 1 < finding.high
        assert finding.detail["verdict"] == "unsettled"

    def test_covariates_can_be_left_out(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(8))
        found = map_density(counts, small_ground, cell_m=5, covariates=()).findings
        assert found.first(What.BORDER_EFFECT) is None

    def test_worth_is_yes_for_a_strong_pattern_and_not_for_none(self, small_ground: Ground) -> None:
        rng = np.random.default_rng(9)
        strong, _, _ = draw_counts(small_ground, 200, rng, spread=1.5, range_m=80, k=3)
        fitted = map_density(strong, small_ground, cell_m=5).fitted
        assert fitted["map_worth"]["answer"] == "yes"
        flat, _, _ = draw_counts(small_ground, 60, rng, spread=1e-3)
        assert map_density(flat, small_ground, cell_m=5).fitted["map_worth"]["answer"] != "yes"

    def test_inputs_stay_as_they_were(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 40, np.random.default_rng(8))
        samples, rows, surfaces = counts.samples.copy(), counts.counts.copy(), small_ground.surfaces.copy()
        map_density(counts, small_ground, cell_m=5)
        pd.testing.assert_frame_equal(counts.samples, samples)
        pd.testing.assert_frame_equal(counts.counts, rows)
        pd.testing.assert_frame_equal(small_ground.surfaces, surfaces)

    def test_a_threshold_of_zero_is_exceeded_everywhere(self, fine_map: DensityMap) -> None:
        assert (exceedance(fine_map, 0.0) == 1).all()


class TestInANotebook:
    def test_the_summary_is_plain_and_says_what_is_above_the_threshold(self, small_ground: Ground) -> None:
        counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(8))
        made = map_density(counts, small_ground, design=aim_design(small_ground), cell_m=4, threshold_per_m2=THRESHOLD)
        facts = made.summary()
        json.dumps(facts)
        assert facts["area_m2"] == pytest.approx(small_ground.surfaces.area.sum())
        over = exceedance(made, THRESHOLD) >= 0.8
        assert facts["area_over_0.8_m2"] == pytest.approx(made.cells["area_m2"][over].sum())
        assert 0 <= facts["known_share"] <= facts["decided_share"] <= 1

    def test_it_shows_itself_in_a_line_and_in_a_table(self, fine_map: DensityMap) -> None:
        assert repr(fine_map).startswith("DensityMap(visit='2026-05-04', pest='annual bluegrass weevil'")
        assert len(repr(fine_map)) <= 200
        assert "known_share" in fine_map._repr_html_()

    def test_cells_become_squares_that_hold_their_pieces(self, fine_map: DensityMap, small_ground: Ground) -> None:
        squares = fine_map.to_geodataframe()
        assert squares.crs == small_ground.crs
        assert squares.area.to_numpy() == pytest.approx(1.0)
        assert (squares.area >= squares["area_m2"] - 1e-9).all()
        middle = shapely.points(squares[["easting", "northing"]].to_numpy())
        assert shapely.covers(squares.geometry.to_numpy(), middle).all()

    def test_the_map_to_explore_holds_every_cell_or_larger_ones_and_greys_the_unknown(
        self, fine_map: DensityMap, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        small = replace(fine_map, cells=fine_map.cells[fine_map.cells["northing"] < -250])

        def colours() -> np.ndarray:
            return np.array(re.findall(r'"colour": "(#[0-9a-f]{6})"', small.explore().get_root().render()))

        whole, known = colours(), small.cells["known"].to_numpy(bool)
        assert len(whole) == len(known) > 100
        assert (whole[~known] == GREYS[3]).all()
        assert not (whole[known] == GREYS[3]).any()
        monkeypatch.setattr(model, "MOST_SHOWN", len(known) // 3)
        assert 0.15 < len(colours()) / len(whole) < 0.35

    def test_a_plot_needs_matplotlib_and_says_so(self, fine_map: DensityMap, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setitem(sys.modules, "matplotlib", None)
        monkeypatch.setitem(sys.modules, "matplotlib.pyplot", None)
        with pytest.raises(DensityError, match=r"no matplotlib; .*pip install matplotlib"):
            fine_map.plot()


class TestFilesOfTheMap:
    def test_survey_round_trip(self, fine_map: DensityMap, small_ground: Ground, tmp_path: Path) -> None:
        survey = open_survey(tmp_path / "course.gpkg")
        save_ground(survey, small_ground)
        save_design(survey, aim_design(small_ground))
        save_density(survey, fine_map)
        back = load_density(survey)
        assert back.fitted == fine_map.fitted
        assert back.cell_m == fine_map.cell_m
        columns = ["surface_id", "column", "row", "log_mean", "log_sd", "prior_sd", "edge_m", "known"]
        pd.testing.assert_frame_equal(back.cells[columns], fine_map.cells[columns], check_dtype=False)
        assert exceedance(back, THRESHOLD) == pytest.approx(exceedance(fine_map, THRESHOLD))
        assert back.settings == fine_map.settings
        assert back.crs == small_ground.crs
        assert [(row.what, row.domain, row.detail) for row in back.findings] == [
            (row.what, row.domain, row.detail) for row in fine_map.findings
        ]

    def test_raster_shows_the_cells_where_they_are(self, fine_map: DensityMap, tmp_path: Path) -> None:
        path = tmp_path / "density.tif"
        write_density_tif(path, fine_map, threshold_per_m2=THRESHOLD, units="metric")
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
        assert values[:, 3] == pytest.approx(exceedance(fine_map, THRESHOLD)[whole.index], abs=1e-6)

    @pytest.mark.slow
    def test_thirty_thousand_cells_are_no_more_fitting_and_hardly_more_calls_than_a_thousand(
        self, small_ground: Ground, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        counts, _, _ = draw_counts(small_ground, 90, np.random.default_rng(11))
        modes: list[int] = []
        find = laplace.find_mode  # each finding of a mode solves a system as large as there are samples
        monkeypatch.setattr(laplace, "find_mode", lambda *a, **k: (modes.append(1), find(*a, **k))[1])

        def look(cell_m: float) -> tuple[int, int, int]:
            modes.clear()
            made: list[DensityMap] = []
            calls = count_calls(lambda: made.append(map_density(counts, small_ground, cell_m=cell_m)))
            return len(made[0].cells), calls, len(modes)

        look(3.0)
        coarse, fine = look(3.0), look(0.55)
        assert fine[0] > 25 * coarse[0] > 25_000
        assert fine[1] < 1.5 * coarse[1]
        assert fine[2] == coarse[2] < 60

    @pytest.mark.slow
    def test_command_writes_the_raster_and_keeps_the_map(self, small_ground: Ground, tmp_path: Path) -> None:
        survey = open_survey(tmp_path / "course.gpkg")
        counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(11))
        save_ground(survey, small_ground)
        design = aim_design(small_ground)
        save_design(survey, design)
        add_counts(survey, counts, design)
        run = [str(survey.path), "--cell", "3m", "--threshold", "30/ft2", "--out", str(tmp_path / "maps")]
        plain = CliRunner().invoke(density_command, run, catch_exceptions=False)
        assert plain.exit_code == 0
        assert "The map foretells" in plain.stdout
        assert (tmp_path / "maps" / "density.tif").is_file()
        summary = json.loads(CliRunner().invoke(density_command, [*run, "--json"], catch_exceptions=False).stdout)
        assert summary["pest"] == PEST
        assert summary["map_worth"]["answer"] in {"yes", "a little", "no"}
        assert len(load_density(survey).cells) == summary["cells"]
        refused = CliRunner().invoke(main, ["density", *run, "--known", "2", "--recovery", "heat=0.5"])
        assert refused.exit_code == 1
        assert "--known: found 2" in refused.output
        assert (
            "--recovery of heat: found a method"
            in CliRunner().invoke(main, ["density", *run, "--recovery", "heat=0.5"]).output
        )


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
        with pytest.raises(DensityError, match="edge, kind, trees, or none"):
            map_density(counts, small_ground, covariates=("moon",))
        with pytest.raises(DensityError, match=r"covariates: found last.*taken in by themselves"):
            map_density(counts, small_ground, covariates=("edge", "last"))

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
