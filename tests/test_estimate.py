"""Stage 5: what the counts say, from counts and design to sentences."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from density_case import THRESHOLD
from design_case import design_visit
from estimate_case import count_visit

from geosample.cli import main
from geosample.counts import add_counts
from geosample.demo.simulate import SimulationModel
from geosample.design import save_design
from geosample.errors import EstimateError
from geosample.estimate import Settings, estimate_means, parse_recovery, save_estimates
from geosample.estimate.bags import gather_bags
from geosample.estimate.border import border_ratio
from geosample.estimate.decision import decide_groups
from geosample.survey import open_survey


@pytest.fixture(scope="module")
def answer(counted_visit):
    return estimate_means(*counted_visit, by=("kind", "hole", "surface", "stratum", "part"), threshold_per_m2=THRESHOLD)


def emptied(counts):
    return dataclasses.replace(counts, counts=counts.counts.assign(count=0))


def row(answer, domain, label, stage="all"):
    rows = answer.estimates
    found = rows[(rows["domain"] == domain) & (rows["label"] == label) & (rows["stage"] == stage)]
    assert len(found) == 1
    return found.iloc[0]


def test_stratum_mean_is_the_hajek_mean_by_hand(counted_visit, answer):
    counts, _ = counted_visit
    totals = counts.counts.groupby("sample_id")["count"].sum()
    points = counted_visit[1].points.set_index("point_id")
    samples = counts.samples.set_index("sample_id")
    mine = samples.index[samples["point_id"].map(points["stratum"]) == "fairway border"]
    weight = samples.loc[mine, "weight_m2"]
    by_hand = (weight * totals[mine] / samples.loc[mine, "sampled_m2"]).sum() / weight.sum()
    assert row(answer, "stratum", "fairway border")["mean_per_m2"] == pytest.approx(by_hand)


def test_whole_is_the_sum_of_the_strata_over_their_exact_areas(answer):
    strata = answer.estimates[(answer.estimates["domain"] == "stratum") & (answer.estimates["stage"] == "all")]
    whole = row(answer, "all", "all")
    assert whole["area_m2"] == pytest.approx(strata["area_m2"].sum(), rel=1e-9)
    assert whole["total"] == pytest.approx(strata["total"].sum(), rel=1e-9)


def test_stage_totals_add_up_to_the_total(answer):
    stages = answer.estimates[(answer.estimates["domain"] == "all") & (answer.estimates["stage"] != "all")]
    assert stages["total"].sum() == pytest.approx(row(answer, "all", "all")["total"], rel=1e-9)


def test_every_interval_holds_its_estimate(answer):
    rows = answer.estimates
    assert ((rows["low_per_m2"] <= rows["mean_per_m2"]) & (rows["mean_per_m2"] <= rows["high_per_m2"])).all()


def test_all_zeros_give_an_upper_bound_and_never_zero_plus_or_minus_zero(counted_visit):
    found = estimate_means(emptied(counted_visit[0]), counted_visit[1])
    totals = found.estimates[found.estimates["stage"] == "all"]
    assert (totals["mean_per_m2"] == 0).all()
    assert (totals["high_per_m2"] > 0).all()
    assert "none found" in found.sentences[0]
    assert "up to" in found.sentences[0]


def test_a_domain_without_counted_points_is_told_not_dropped(counted_visit):
    counts, design = counted_visit
    collars = set(design.points.loc[design.points["kind"] == "collar", "point_id"])
    left = counts.samples.assign(status=np.where(counts.samples["point_id"].isin(collars), "lost", "counted"))
    found = estimate_means(dataclasses.replace(counts, samples=left), design)
    assert row(found, "kind", "collar")["method"] == "no counted points"
    assert np.isnan(row(found, "kind", "collar")["mean_per_m2"])
    assert any("not counted: 8 lost" in text for text in found.sentences)


def test_mixed_methods_are_refused_unless_factors_are_given(counted_visit):
    counts, design = counted_visit
    methods = np.where(np.arange(len(counts.samples)) % 2 == 0, "brine", "heat")
    mixed = dataclasses.replace(counts, samples=counts.samples.assign(method=methods))
    with pytest.raises(EstimateError, match="30 bags by brine and 30 bags by heat"):
        estimate_means(mixed, design)
    factors = (parse_recovery("brine=1"), parse_recovery("heat=1.6,1.2,2.1"))
    found = estimate_means(mixed, design, settings=Settings(recovery=factors))
    assert np.isfinite(row(found, "all", "all")["mean_per_m2"])


def test_recovery_divides_the_density_and_its_doubt_widens_the_interval(counted_visit, answer):
    plain = row(answer, "kind", "fairway")
    half = estimate_means(*counted_visit, settings=Settings(recovery=(parse_recovery("brine=0.5"),)))
    sure = row(half, "kind", "fairway")
    assert sure["mean_per_m2"] == pytest.approx(2 * plain["mean_per_m2"])
    assert sure["high_per_m2"] == pytest.approx(2 * plain["high_per_m2"], rel=1e-5)
    doubted = estimate_means(*counted_visit, settings=Settings(recovery=(parse_recovery("brine=0.5,0.3,0.8"),)))
    wide = row(doubted, "kind", "fairway")
    assert wide["low_per_m2"] < sure["low_per_m2"]
    assert wide["high_per_m2"] > sure["high_per_m2"]


def test_twice_the_sampled_area_halves_density_and_limits(counted_visit, answer):
    counts, design = counted_visit
    doubled = counts.samples.assign(sampled_m2=2 * counts.samples["sampled_m2"])
    found = estimate_means(dataclasses.replace(counts, samples=doubled), design)
    for name in ("mean_per_m2", "low_per_m2", "high_per_m2"):
        assert row(found, "kind", "green")[name] == pytest.approx(row(answer, "kind", "green")[name] / 2, rel=1e-5)


def test_border_ratio_does_not_change_with_the_order_of_the_bags(counted_visit):
    catch = gather_bags(*counted_visit, Settings())
    turned = border_ratio(catch.bags.sample(frac=1, random_state=np.random.default_rng(1)))
    straight = border_ratio(catch.bags)
    assert (turned.value, turned.low, turned.high) == pytest.approx((straight.value, straight.low, straight.high), 1e-4)


def test_collars_stay_out_of_the_border_question(counted_visit):
    catch = gather_bags(*counted_visit, Settings())
    without = border_ratio(catch.bags[catch.bags["kind"] != "collar"])
    assert border_ratio(catch.bags).value == pytest.approx(without.value)


def test_border_says_more_where_it_holds_four_times_as_many_and_cannot_tell_on_little():
    def bags(border, interior):
        parts = ["border"] * len(border) + ["interior"] * len(interior)
        numbers = {"count": [*border, *interior], "effort_m2": 0.01, "weight_m2": 1.0}
        return pd.DataFrame({"kind": "fairway", "part": parts, **numbers})

    assert border_ratio(bags([8, 5, 9, 4, 6, 8, 3, 9, 7, 5], [1, 2, 0, 3, 1, 2, 1, 0, 2, 3])).low > 1
    unsure = border_ratio(bags([2, 0, 5, 1], [1, 3, 0, 1]))
    assert unsure.low < 1 < unsure.high
    assert border_ratio(bags([1, 2], [3, 4])) is None


def test_without_a_border_effect_more_is_rarely_said():
    rng = np.random.default_rng(11)
    said = 0
    for _ in range(150):
        count = rng.negative_binomial(1, 1 / 3, 40)
        parts = ["border", "interior"] * 20
        frame = pd.DataFrame({"kind": "fairway", "part": parts, "count": count, "effort_m2": 1.0, "weight_m2": 1.0})
        said += border_ratio(frame).low > 1
    # 2.5 % of 150 is 4; three Monte Carlo standard errors more is 9
    assert said <= 9


def test_decisions_fall_on_both_sides_of_far_thresholds(counted_visit):
    catch = gather_bags(*counted_visit, Settings())
    assert {one.verdict for one in decide_groups(catch, 1.0)} == {"above"}
    assert {one.verdict for one in decide_groups(catch, 1e5)} == {"below"}


def test_stratum_intervals_cover_the_truth_in_a_short_run(small_ground):
    design = design_visit(small_ground, points=50, visit="2026-05-20")
    model = SimulationModel(border_ratio=1.0, field_sd=0.0, k=1.0)
    hits = []
    for seed in range(25):
        catch_of = count_visit(design, small_ground, seed=seed, model=model)
        strata = estimate_means(catch_of, design, by=("stratum",)).estimates
        mine = strata[(strata["domain"] == "stratum") & (strata["stage"] == "all")]
        truth = mine["label"].map(lambda name: model.mean_per_m2 * model.kind_factors.get(name.split()[0], 1.0))
        hits.extend((mine["low_per_m2"] <= truth) & (truth <= mine["high_per_m2"]))
    # 125 intervals at 95 %: 119 expected, three binomial standard errors below is 111
    assert sum(hits) >= 111


def test_inputs_are_left_as_they_were(counted_visit):
    before = [
        frame.copy()
        for frame in (
            counted_visit[0].samples,
            counted_visit[0].counts,
            counted_visit[1].points,
            counted_visit[1].strata,
        )
    ]
    estimate_means(*counted_visit)
    after = (counted_visit[0].samples, counted_visit[0].counts, counted_visit[1].points, counted_visit[1].strata)
    for old, new in zip(before, after, strict=True):
        pd.testing.assert_frame_equal(pd.DataFrame(old), pd.DataFrame(new))


@pytest.mark.parametrize(
    ("kwargs", "words"),
    [
        ({"by": ("moon",)}, "found moon; expected some of: kind, hole, surface, stratum, part"),
        ({"level": 1.5}, "--level: found 1.5"),
        ({"threshold_per_m2": 0.0}, "--threshold: found 0"),
    ],
)
def test_requests_that_make_no_sense_are_refused(counted_visit, kwargs, words):
    with pytest.raises(EstimateError, match=words):
        estimate_means(*counted_visit, **kwargs)


@pytest.mark.parametrize("text", ["heat", "heat=0", "heat=a", "=1", "heat=1,2,3", "heat=1,0.5"])
def test_a_recovery_that_is_none_is_refused(text):
    with pytest.raises(EstimateError, match="method=value"):
        parse_recovery(text)


def test_save_twice_leaves_one_set_of_rows(tmp_path, answer):
    survey = open_survey(tmp_path / "course.gpkg")
    save_estimates(survey, answer)
    save_estimates(survey, answer)
    assert len(survey.read("estimates")) == len(answer.estimates)
    assert len(survey.read("findings")) == len(answer.findings)


def test_command_answers_first_then_a_table(tmp_path, counted_visit):
    survey = open_survey(tmp_path / "course.gpkg")
    counts, design = counted_visit
    save_design(survey, design)
    add_counts(survey, counts, design)
    asked = ["estimate", str(survey.path), "--threshold", "30/ft2", "--csv", str(tmp_path / "e.csv")]
    done = CliRunner().invoke(main, asked)
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("Collars hold about")
    assert "whole ground" in done.stdout
    assert len(pd.read_csv(tmp_path / "e.csv")) == len(survey.read("estimates"))
