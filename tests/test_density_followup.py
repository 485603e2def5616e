"""A second round: chosen where it turns decisions, spread out, in walking order, mapped with the first."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from density_case import THRESHOLD, aim_design, draw_counts, make_counts, place_points
from scipy.spatial.distance import cdist, pdist
from scipy.stats import norm

from geosample.cli.answers import density_command
from geosample.cli.sampling import followup_command
from geosample.counts import add_counts
from geosample.density import (
    DensityMap,
    Looks,
    check_untreated,
    draw_followup,
    earlier_counts,
    join_followup,
    load_density,
    map_density,
    save_density,
    weigh_looks,
)
from geosample.density.followup import Prospect, expect_cost, look_ahead, pick_places
from geosample.design import load_design, save_design
from geosample.errors import DensityError, EstimateError
from geosample.estimate import estimate_means
from geosample.ground import Ground, save_ground
from geosample.survey import Survey, open_survey


@pytest.fixture(scope="module")
def first_map(small_ground: Ground) -> DensityMap:
    counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(11), border=1.0)
    return map_density(counts, small_ground, design=aim_design(small_ground), cell_m=4, threshold_per_m2=THRESHOLD)


class TestExpectedCost:
    def test_with_nothing_learned_it_is_the_cost_of_deciding_now(self) -> None:
        over = norm.cdf(-0.3 / 1.2)
        # min(1 - p, 3 p): a miss costs 3, a needless treatment 1
        assert expect_cost(np.array(-0.3), np.array(1.44), np.array(1.44), 3.0) == pytest.approx(
            min(1 - over, 3 * over)
        )

    def test_equals_a_simulation_of_readings(self) -> None:
        rng = np.random.default_rng(1)
        moved = -0.3 + np.sqrt(0.9) * rng.standard_normal(200_000)
        over = norm.cdf(moved / np.sqrt(0.6))
        simulated = np.minimum(1 - over, 3 * over).mean()
        assert expect_cost(np.array(-0.3), np.array(1.5), np.array(0.6), 3.0) == pytest.approx(simulated, abs=0.01)


class TestChoice:
    def prospect(self, mean: np.ndarray) -> tuple[Prospect, np.ndarray]:
        places = np.column_stack([np.arange(60) * 2.0, np.zeros(60)])
        covariance = np.exp(-3 * cdist(places, places) / 20)
        return Prospect(mean, covariance, np.full(60, 1 / 60), np.full(60, 0.8)), places

    def test_it_goes_where_the_decision_is_open_not_where_the_answer_is_plain(self) -> None:
        prospect, _ = self.prospect(np.where(np.arange(60) < 30, -6.0, -0.7))
        chosen, saved = pick_places(prospect, np.arange(60), 6, 3.0)
        assert (chosen >= 28).all()
        assert 0 < saved < 1

    def test_it_spreads_out(self) -> None:
        prospect, places = self.prospect(np.full(60, -0.7))
        chosen, _ = pick_places(prospect, np.arange(60), 6, 3.0)
        assert pdist(places[chosen]).min() >= 8

    def test_more_points_save_more(self) -> None:
        prospect, _ = self.prospect(np.full(60, -0.7))
        saved = [pick_places(prospect, np.arange(60), points, 3.0)[1] for points in (1, 3, 9)]
        assert saved == sorted(saved)


class TestDesignOfItsOwn:
    @pytest.mark.slow
    def test_points_lie_on_mapped_ground_in_walking_order_with_labels(
        self, first_map: DensityMap, small_ground: Ground
    ) -> None:
        design, saved = draw_followup(first_map, small_ground, aim_design(small_ground), visit="2026-05-18")
        assert len(design.points) == 12
        assert design.points["point_id"].is_unique
        assert design.points["walk_order"].tolist() == list(range(1, 13))
        on = small_ground.surfaces.set_index("surface_id").geometry[design.points["surface_id"]]
        assert (on.distance(design.points.geometry, align=False) < 1e-6).all()
        assert design.points["weight_m2"].isna().all()
        assert design.visit.settings["follows"] == "2026-05-04"
        assert 0 < saved < 1

    @pytest.mark.parametrize(
        ("asked", "where"),
        [
            ({"visit": "soon"}, "visit"),
            ({"visit": "20260518"}, "visit"),
            ({"visit": "2026-05-04"}, "visit"),
            ({"visit": "2020-01-01"}, "visit"),
            ({"points": 0}, "points"),
            ({"miss_cost": 0.0}, "miss_cost"),
            ({"miss_cost": 1e300}, "miss_cost"),
        ],
    )
    def test_what_cannot_be_is_refused(
        self, first_map: DensityMap, small_ground: Ground, asked: dict[str, Any], where: str
    ) -> None:
        with pytest.raises(DensityError) as caught:
            draw_followup(first_map, small_ground, aim_design(small_ground), **{"visit": "2026-05-18", **asked})
        assert [problem.where for problem in caught.value.problems] == [where]

    def test_a_map_without_a_threshold_asks_for_one(self, first_map: DensityMap, small_ground: Ground) -> None:
        bare = replace(first_map, settings=replace(first_map.settings, threshold_per_m2=None))
        with pytest.raises(DensityError, match="threshold_per_m2"):
            draw_followup(bare, small_ground, aim_design(small_ground), visit="2026-05-18")


def test_joined_rounds_keep_every_bag_apart(small_ground: Ground) -> None:
    rng = np.random.default_rng(1)
    rounds = [
        make_counts(small_ground, place_points(small_ground, number, rng), rng.poisson(3, number), visit=name)
        for name, number in (("2026-05-04", 30), ("2026-05-18", 12))
    ]
    both = join_followup(*rounds)
    assert both.visit == "2026-05-18"
    assert len(both.samples) == len(both.counts) == 42
    assert both.samples["sample_id"].is_unique
    assert set(both.counts["sample_id"]) == set(both.samples["sample_id"])


@pytest.mark.slow
def test_the_command_adds_a_visit_whose_counts_are_mapped_with_the_first(
    small_ground: Ground, first_map: DensityMap, tmp_path: Path
) -> None:
    survey = open_survey(tmp_path / "course.gpkg")
    counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(11), border=1.0)
    save_ground(survey, small_ground)
    design = aim_design(small_ground)
    save_design(survey, design)
    add_counts(survey, counts, design)
    save_density(survey, first_map)
    run = CliRunner().invoke(
        followup_command, [str(survey.path), "--visit", "2026-05-18", "--json"], catch_exceptions=False
    )
    told = json.loads(run.stdout)
    assert told["follows"] == "2026-05-04"
    drawn = load_design(survey, "2026-05-18")
    assert drawn.points["point_id"].tolist() == told["points"]
    places = np.column_stack([drawn.points.geometry.x, drawn.points.geometry.y])
    came = make_counts(small_ground, places, np.full(12, 3), visit="2026-05-18")
    add_counts(survey, replace(came, samples=came.samples.assign(point_id=told["points"])), drawn)
    out = ["--cell", "4m", "--threshold", "30/ft2", "--out", str(tmp_path)]
    CliRunner().invoke(density_command, [str(survey.path), *out], catch_exceptions=False)
    assert load_density(survey, "2026-05-18").fitted["samples"] == 72


@pytest.mark.parametrize(("day", "refused"), [("2026-05-08", True), ("2026-05-18", True), ("2026-05-20", False)])
def test_counts_from_before_a_treatment_are_not_mapped_with_those_from_after(day: str, refused: bool) -> None:
    done = pd.DataFrame({"visit": ["2026-05-04"], "date": [day], "zone_ids": ["Z01F-1"], "record": ["{}"]})
    if refused:
        with pytest.raises(DensityError, match=f"a treatment by its plan on {day}.*geosample design"):
            check_untreated(done, "2026-05-04", "2026-05-18")
    else:
        check_untreated(done, "2026-05-04", "2026-05-18")
    check_untreated(done, "2026-04-01", "2026-05-18")


ROUNDS: tuple[tuple[str, int, dict[str, str]], ...] = (
    ("2026-05-04", 40, {}),
    ("2026-05-11", 30, {"follows": "2026-05-04"}),
    ("2026-06-01", 20, {}),
)


class TestTheVisitBefore:
    @pytest.fixture
    def survey(self, small_ground: Ground, tmp_path: Path) -> Survey:
        """Three visits of 40, 30 and 20 bags; the second is a round that follows the first."""
        survey = open_survey(tmp_path / "course.gpkg")
        save_ground(survey, small_ground)
        rng = np.random.default_rng(5)
        for visit, number, follows in ROUNDS:
            design = aim_design(small_ground, visit=visit)
            design = replace(design, visit=replace(design.visit, settings={**design.visit.settings, **follows}))
            save_design(survey, design)
            places = place_points(small_ground, number, rng)
            add_counts(survey, make_counts(small_ground, places, rng.poisson(5, number), visit=visit), design)
        return survey

    def test_is_the_last_one_with_the_round_it_follows(self, survey: Survey) -> None:
        found = earlier_counts(survey, load_design(survey, "2026-06-01"))
        assert (found.visit, len(found.samples)) == ("2026-05-11", 70)
        for visit in ("2026-05-04", "2026-05-11"):  # a round's own first half is none before it
            assert earlier_counts(survey, load_design(survey, visit)) is None

    def test_is_its_last_round_alone_where_a_treatment_lies_between(self, survey: Survey) -> None:
        done = {"visit": ["2026-05-04"], "date": ["2026-05-06"], "zone_ids": ["Z1"], "record": ["{}"]}
        with survey.change() as change:
            change.put("treatments", pd.DataFrame(done))
        found = earlier_counts(survey, load_design(survey, "2026-06-01"))
        assert (found.visit, len(found.samples)) == ("2026-05-11", 30)

    def test_of_another_pest_is_none(self, survey: Survey) -> None:
        other = load_design(survey, "2026-06-01")
        assert earlier_counts(survey, replace(other, visit=replace(other.visit, pest="black cutworm"))) is None

    @pytest.mark.slow
    def test_is_in_the_map_and_its_next_round_unless_left_out(self, survey: Survey, tmp_path: Path) -> None:
        asked = [str(survey.path), "--cell", "4m", "--threshold", "30/ft2", "--out", str(tmp_path), "--json"]
        facts = [
            json.loads(CliRunner().invoke(density_command, [*asked, *more], catch_exceptions=False).stdout)
            for more in (["--alone"], [])
        ]
        assert "earlier" not in facts[0]
        assert (facts[1]["earlier"]["visit"], facts[1]["samples"]) == ("2026-05-11", 20)
        assert 60 < facts[1]["earlier"]["bags"] <= 70  # some lie on a kind that this visit has no bag of
        words = [str(survey.path), "--points", "3", "--visit", "2026-06-08"]
        result = CliRunner().invoke(followup_command, words, catch_exceptions=False)
        assert "3 points after 2026-06-01" in result.output


@pytest.mark.slow
def test_chosen_points_are_estimated_by_no_one_and_the_message_says_what_to_do(
    small_ground: Ground, first_map: DensityMap
) -> None:
    design, _ = draw_followup(first_map, small_ground, aim_design(small_ground), visit="2026-05-18")
    places = np.column_stack([design.points.geometry.x, design.points.geometry.y])
    counts = make_counts(small_ground, places, np.full(len(places), 3), visit="2026-05-18")
    with pytest.raises(EstimateError, match=r"chosen to sharpen the map of 2026-05-04, not drawn.*`visit=2026-05-04`"):
        estimate_means(counts, design)


@pytest.fixture(scope="module")
def cheap(first_map: DensityMap, small_ground: Ground) -> Looks:
    """What looking again is worth where a plug costs little."""
    design = aim_design(small_ground)
    return weigh_looks(first_map, small_ground, design, threshold_per_m2=THRESHOLD, miss_cost=3.0, price_m2=0.5)


class TestWhetherToLookAgain:
    @pytest.mark.slow
    def test_plugs_are_added_while_each_is_worth_more_than_its_price(
        self, cheap: Looks, first_map: DensityMap, small_ground: Ground
    ) -> None:
        design = aim_design(small_ground)
        dear = weigh_looks(first_map, small_ground, design, threshold_per_m2=THRESHOLD, miss_cost=3.0, price_m2=1.2)
        assert dear.points <= cheap.points
        assert cheap.points * cheap.price_m2 < cheap.saved_m2 <= small_ground.surfaces.area.sum()
        assert cheap.hours > 0
        assert cheap.or_more == (cheap.points == 12)

    @pytest.mark.slow
    def test_the_worth_is_that_of_the_places_a_follow_up_would_take(
        self, cheap: Looks, first_map: DensityMap, small_ground: Ground
    ) -> None:
        design = aim_design(small_ground)
        _, share = draw_followup(first_map, small_ground, design, visit="2026-08-01", points=cheap.points)
        prospect, cells = look_ahead(first_map, small_ground, THRESHOLD, design.visit.point_m2)
        spread = np.sqrt(np.diag(prospect.covariance))
        over = norm.cdf(prospect.mean / spread)
        now_m2 = float(cells["area_m2"] @ np.minimum(1 - over, 3 * over))
        # the cost to expect now is a mean over 24 equal steps of a mean that does not move: exact
        assert cheap.saved_m2 == pytest.approx(share * now_m2, rel=1e-6)

    def test_where_no_plug_pays_the_best_one_s_worth_is_told(self, first_map: DensityMap, small_ground: Ground) -> None:
        looks = weigh_looks(first_map, small_ground, aim_design(small_ground), threshold_per_m2=THRESHOLD, price_m2=1e6)
        assert (looks.points, looks.hours, looks.or_more) == (0, 0.0, False)
        assert 0 < looks.saved_m2 < 1e6

    def test_a_price_of_nothing_is_refused(self, first_map: DensityMap, small_ground: Ground) -> None:
        with pytest.raises(DensityError, match="price_m2: found 0 m²"):
            weigh_looks(first_map, small_ground, aim_design(small_ground), threshold_per_m2=THRESHOLD, price_m2=0.0)
