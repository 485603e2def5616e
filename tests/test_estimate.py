"""Stage 5: what the counts say, from counts and design to facts; against published and independent values.

Values without a source beside them are worked out in the test from the counts.
"""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pymupdf
import pytest
import statsmodels.api as sm
from click.testing import CliRunner
from density_case import THRESHOLD
from scipy import special, stats
from visit_case import count_visit, design_visit, make_bags

from geosample.cli import main
from geosample.counts import add_counts
from geosample.design import draw_design, save_design
from geosample.distributions import FREE_K, WEAK_K
from geosample.errors import EstimateError
from geosample.estimate import (
    estimate_means,
    judge_border,
    load_estimates,
    load_mix_before,
    parse_recovery,
    post_stratify,
    save_estimates,
)
from geosample.estimate.bags import gather_bags, group_bags
from geosample.estimate.intervals import (
    Interval,
    border_ratio,
    combine_means,
    fit_common_k,
    fit_k,
    profile_interval,
    spread_cut,
)
from geosample.estimate.means import (
    decide_groups,
    estimate_domains,
    estimate_mean,
    linearise,
    local_squares,
    local_variance,
    replacement_variance,
    weighted_mean,
)
from geosample.estimate.model import find_laws, fit_iwao, fit_taylor, measure_clumping
from geosample.estimate.picture import draw_estimates, write_picture
from geosample.ground import save_ground
from geosample.rehearsal.worlds import SimulationModel
from geosample.survey import open_survey
from geosample.survey.findings import What


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


@pytest.mark.slow
def test_a_domain_without_counted_points_is_told_not_dropped(counted_visit):
    counts, design = counted_visit
    collars = set(design.points.loc[design.points["kind"] == "collar", "point_id"])
    left = counts.samples.assign(status=np.where(counts.samples["point_id"].isin(collars), "lost", "counted"))
    found = estimate_means(dataclasses.replace(counts, samples=left), design)
    assert row(found, "kind", "collar")["method"] == "no counted points"
    assert np.isnan(row(found, "kind", "collar")["mean_per_m2"])
    assert found.findings.first(What.ACCOUNT).detail["lost"] == {"lost": 8}


@pytest.mark.slow
def test_mixed_methods_are_refused_unless_factors_are_given(counted_visit):
    counts, design = counted_visit
    methods = np.where(np.arange(len(counts.samples)) % 2 == 0, "brine", "heat")
    mixed = dataclasses.replace(counts, samples=counts.samples.assign(method=methods))
    with pytest.raises(EstimateError, match="30 bags by brine and 30 bags by heat"):
        estimate_means(mixed, design)
    factors = (parse_recovery("brine=1"), parse_recovery("heat=1.6,1.2,2.1"))
    found = estimate_means(mixed, design, recovery=factors)
    assert np.isfinite(row(found, "all", "all")["mean_per_m2"])


@pytest.mark.slow
def test_recovery_divides_the_density_and_its_doubt_widens_the_interval(counted_visit, answer):
    plain = row(answer, "kind", "fairway")
    half = estimate_means(*counted_visit, recovery={"brine": 0.5})
    sure = row(half, "kind", "fairway")
    assert sure["mean_per_m2"] == pytest.approx(2 * plain["mean_per_m2"])
    assert sure["high_per_m2"] == pytest.approx(2 * plain["high_per_m2"], rel=1e-5)
    doubted = estimate_means(*counted_visit, recovery=[parse_recovery("brine=0.5,0.3,0.8")])
    wide = row(doubted, "kind", "fairway")
    assert wide["low_per_m2"] < sure["low_per_m2"]
    assert wide["high_per_m2"] > sure["high_per_m2"]


@pytest.mark.slow
def test_twice_the_sampled_area_halves_density_and_limits(counted_visit, answer):
    counts, design = counted_visit
    doubled = counts.samples.assign(sampled_m2=2 * counts.samples["sampled_m2"])
    found = estimate_means(dataclasses.replace(counts, samples=doubled), design)
    for name in ("mean_per_m2", "low_per_m2", "high_per_m2"):
        assert row(found, "kind", "green")[name] == pytest.approx(row(answer, "kind", "green")[name] / 2, rel=1e-5)


def test_border_ratio_does_not_change_with_the_order_of_the_bags(counted_visit):
    catch = gather_bags(*counted_visit)
    turned = border_ratio(catch.bags.sample(frac=1, random_state=np.random.default_rng(1)))
    straight = border_ratio(catch.bags)
    assert (turned.value, turned.low, turned.high) == pytest.approx((straight.value, straight.low, straight.high), 1e-4)


def test_collars_stay_out_of_the_border_question(counted_visit):
    catch = gather_bags(*counted_visit)
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


@pytest.mark.slow
def test_without_a_border_effect_more_is_rarely_said():
    rng = np.random.default_rng(11)
    said = 0
    for _ in range(80):
        count = rng.negative_binomial(1, 1 / 3, 40)
        parts = ["border", "interior"] * 20
        frame = pd.DataFrame({"kind": "fairway", "part": parts, "count": count, "effort_m2": 1.0, "weight_m2": 1.0})
        said += border_ratio(frame).low > 1
    # 2.5 % of 80 is 2; three Monte Carlo standard errors more is 6
    assert said <= 6


def test_decisions_fall_on_both_sides_of_far_thresholds(counted_visit):
    catch = gather_bags(*counted_visit)
    assert {one.verdict for one in decide_groups(catch, 1.0)} == {"above"}
    assert {one.verdict for one in decide_groups(catch, 1e5)} == {"below"}


@pytest.mark.slow
def test_stratum_intervals_cover_the_truth_in_a_short_run(small_ground):
    design = design_visit(small_ground, points=50, visit="2026-05-20")
    model = SimulationModel(border_ratio=1.0, field_sd=0.0, k=1.0)
    hits = []
    for seed in range(25):
        catch = gather_bags(count_visit(design, small_ground, seed=seed, model=model), design)
        strata = estimate_domains(catch, ("stratum",))
        mine = strata[strata["domain"] == "stratum"]
        truth = mine["label"].map(lambda name: model.mean_per_m2 * model.kind_factors.get(name.split()[0], 1.0))
        hits.extend((mine["low_per_m2"] <= truth) & (truth <= mine["high_per_m2"]))
    # 125 intervals at 95 %: 119 expected, three binomial standard errors below is 111
    assert sum(hits) >= 111


@pytest.mark.slow
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
        ({"level": 1.5}, "level: found 1.5"),
        ({"threshold_per_m2": 0.0}, "threshold_per_m2: found 0"),
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
    assert len(survey.read("findings")) == len(answer.findings.rows)


def test_what_is_kept_comes_back_with_what_it_rests_on(tmp_path, answer):
    survey = open_survey(tmp_path / "course.gpkg")
    save_estimates(survey, answer)
    back = load_estimates(survey, answer.visit, answer.pest)
    decided = answer.findings.of(What.DECISION)
    assert len(decided) == 3
    assert back.findings.of(What.DECISION) == decided
    assert back.findings.first(What.ACCOUNT).detail == answer.findings.first(What.ACCOUNT).detail
    assert back.estimates["high_per_m2"].tolist() == answer.estimates["high_per_m2"].tolist()
    assert load_estimates(survey, "another", answer.pest).estimates.empty


def test_the_summary_is_plain_and_the_repr_one_line(answer):
    told = json.loads(json.dumps(answer.summary()))
    assert len(told["estimates"]) == len(answer.estimates)
    border = next(row for row in told["findings"] if row["what"] == "common border ratio")
    assert border["detail"]["verdict"] == judge_border(border["low"], border["high"])
    assert repr(answer).startswith("Estimates(visit='2026-05-20', pest='annual bluegrass weevil', estimates=")
    assert len(repr(answer)) <= 200


@pytest.mark.slow
def test_command_answers_first_then_a_table(tmp_path, counted_visit):
    survey = open_survey(tmp_path / "course.gpkg")
    counts, design = counted_visit
    save_design(survey, design)
    add_counts(survey, counts, design)
    asked = ["estimate", str(survey.path), "--threshold", "30/ft2", "--csv", str(tmp_path / "e.csv")]
    done = CliRunner().invoke(main, asked)
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("Against your threshold of 30/ft²: collars are")
    assert any(line.startswith("all the ground ") for line in done.stdout.splitlines())
    assert len(pd.read_csv(tmp_path / "e.csv")) == len(survey.read("estimates"))


def total(estimates, label="green border", domain="stratum"):
    rows = estimates.estimates
    found = rows[(rows["domain"] == domain) & (rows["label"] == label) & (rows["stage"] == "all")]
    return found.iloc[0]


def with_status(counts, design, stratum, status, number):
    ids = design.points.set_index("point_id")["stratum"]
    mine = counts.samples.index[counts.samples["point_id"].map(ids) == stratum][:number]
    samples = counts.samples.copy()
    samples.loc[mine, "status"] = status
    gone = set(samples.loc[mine, "sample_id"])
    kept = counts.counts[~counts.counts["sample_id"].isin(gone)]
    return dataclasses.replace(counts, samples=samples, counts=kept)


@pytest.mark.slow
def test_points_off_the_turf_shrink_the_area_and_unreachable_ones_do_not(counted_visit):
    counts, design = counted_visit
    before = total(estimate_means(*counted_visit))
    n = before["n"]
    off = estimate_means(with_status(counts, design, "green border", "off_turf", 2), design)
    after = total(off)
    assert after["area_m2"] == pytest.approx(before["area_m2"] * (1 - 2 / n))
    [shrunk] = off.findings.first(What.ACCOUNT).detail["off_turf"]
    assert shrunk == {"stratum": "green border", "off": 2, "answered": n, "share": pytest.approx(2 / n)}
    lost = estimate_means(with_status(counts, design, "green border", "unreachable", 2), design)
    assert total(lost)["area_m2"] == pytest.approx(before["area_m2"])
    assert total(lost)["n"] == after["n"] == n - 2
    # The density is that of what was counted either way; only what it stands for differs.
    assert after["mean_per_m2"] == pytest.approx(total(lost)["mean_per_m2"])
    assert after["total"] == pytest.approx(after["mean_per_m2"] * after["area_m2"])


@pytest.mark.slow
def test_post_strata_have_exact_areas_and_take_points_where_they_lie(small_ground):
    plain = draw_design(small_ground, visit="2026-05-04", points=60, seed=2)
    split = post_stratify(plain, small_ground, 4.572)
    drawn = draw_design(small_ground, visit="2026-05-04", points=60, seed=2, border_m=4.572)
    areas = split.strata.groupby("stratum")["area_m2"].sum()
    expected = drawn.strata.groupby("stratum")["area_m2"].sum()
    pd.testing.assert_series_equal(areas.sort_index(), expected.sort_index(), rtol=1e-9)
    near = split.points["edge_m"] < 4.572
    assert (split.points["part"].eq("border") == near).all()
    assert plain.points["part"].eq("whole").all()
    counts = count_visit(plain, small_ground)
    answer = estimate_means(counts, split, by=("part",))
    by_part = answer.estimates[(answer.estimates["domain"] == "part") & (answer.estimates["stage"] == "all")]
    assert set(by_part["label"]) == {"border", "interior"}
    assert answer.findings.first(What.COMMON_BORDER_RATIO) is not None
    with pytest.raises(EstimateError, match="border and interior already"):
        post_stratify(drawn, small_ground, 4.572)


def test_taylor_and_iwao_wait_for_ten_strata_with_fifteen_bags(counted_visit):
    counts, design = counted_visit
    catch = gather_bags(counts, design)
    assert find_laws(catch) == []
    rng = np.random.default_rng(4)
    means = np.geomspace(0.5, 20, 12)
    bags = pd.DataFrame(
        {"stratum": np.repeat(np.arange(12), 400), "count": rng.negative_binomial(2, 2 / (2 + np.repeat(means, 400)))}
    )
    rows = {row.what: row.value for row in find_laws(dataclasses.replace(catch, bags=bags))}
    # Negative binomial with k = 2: mean crowding m + 1 + m / k - 1 = 1.5 m ... Iwao's slope 1 + 1 / k (Iwao 1968).
    assert rows[What.IWAO_SLOPE] == pytest.approx(1.5, abs=0.12)
    grouped = bags.groupby("stratum")["count"].agg(["mean", "var"])
    # Reference: SciPy's own least squares on the logarithms.
    assert rows[What.TAYLOR_SLOPE] == pytest.approx(
        stats.linregress(np.log(grouped["mean"]), np.log(grouped["var"])).slope
    )


@pytest.mark.slow
def test_indices_of_clumping_are_kept_with_the_visit(counted_visit):
    findings = estimate_means(*counted_visit).findings
    kinds = [row.domain for row in findings.of(What.VARIANCE_TO_MEAN)]
    assert len(kinds) == 3
    for what in (What.MORISITA, What.CROWDING, What.PATCHINESS):
        assert [row.domain for row in findings.of(what)] == kinds


@pytest.mark.slow
def test_a_mean_stopped_early_is_marked_so(counted_visit):
    counts, design = counted_visit
    stopped = with_status(counts, design, "fairway border", "not_extracted", 4)
    settings = {**design.visit.settings, "stop_lines": [{"stratum": "fairway border"}]}
    lined = dataclasses.replace(design, visit=dataclasses.replace(design.visit, settings=settings))
    marked = estimate_means(stopped, lined)
    assert marked.estimates["method"].str.contains("stopped early").all()
    assert marked.findings.first(What.ACCOUNT).detail["stopped_early"] == 4
    plain = estimate_means(stopped, design)
    assert not plain.estimates["method"].str.contains("stopped early").any()
    assert plain.findings.first(What.ACCOUNT).detail["stopped_early"] == 0


@pytest.fixture
def two_visits(tmp_path, small_ground):
    """A survey with a visit of young larvae, estimated, and a later one of pupae."""
    survey = open_survey(tmp_path / "course.gpkg")
    save_ground(survey, small_ground)
    for day, seed, stage in (("2026-05-04", 3, "L2"), ("2026-05-25", 4, "pupa")):
        design = design_visit(small_ground, points=60, visit=day)
        counts = count_visit(design, small_ground, seed=seed)
        staged = counts.counts.assign(count=counts.counts["count"].where(counts.counts["stage"] == stage, 0) * 4)
        save_design(survey, design)
        add_counts(survey, dataclasses.replace(counts, counts=staged), design)
    return survey


@pytest.mark.slow
def test_how_the_mix_moved_since_the_visit_before_is_told(two_visits, tmp_path):
    run = lambda *words: CliRunner().invoke(main, ["estimate", str(two_visits.path), *words])  # noqa: E731
    assert "Since visit" not in run("--visit", "2026-05-04").output
    moved = run("--visit", "2026-05-25")
    assert (
        "Since visit 2026-05-04: eggs and larvae in the stem 100 % then, 0 % now and pupae 0 % then, 100 % now."
        in " ".join(moved.output.split())
    )
    before = load_mix_before(two_visits, "2026-05-25", "annual bluegrass weevil")
    assert before.visit == "2026-05-04"
    assert before.shares["eggs and larvae in the stem"].value == pytest.approx(1.0)
    assert load_mix_before(two_visits, "2026-05-04", "annual bluegrass weevil") is None
    found = load_estimates(two_visits, "2026-05-25", "annual bluegrass weevil").findings
    then = found.first(What.STAGE_GROUP_SHARE, "pupae").detail["before"]
    assert (then["visit"], then["share"], then["moved"]) == ("2026-05-04", 0.0, True)


@pytest.mark.slow
def test_the_picture_is_one_page_with_every_kind_and_the_threshold(counted_visit, tmp_path):
    answer = estimate_means(*counted_visit, threshold_per_m2=THRESHOLD)
    page = draw_estimates(answer, threshold_per_m2=THRESHOLD)
    write_picture(tmp_path / "answer.pdf", page)
    with pymupdf.open(tmp_path / "answer.pdf") as book:
        assert len(book) == 1
        text = book[0].get_text()
    for words in (
        "whole ground",
        "greens",
        "collars",
        "fairways",
        "yours: 30",
        "insects per ft²",
        "Life stages",
        "Line: 95 % interval.",
    ):
        assert words in text
    metric = draw_estimates(answer, units="metric")
    assert b"%PDF" in metric[:8]
    with pytest.raises(EstimateError, match=r"ends in \.pdf"):
        write_picture(tmp_path / "answer.png", page)
    with pytest.raises(EstimateError, match=r"room and permission to write"):
        write_picture(tmp_path / "answer.pdf" / "answer.pdf", page)


@pytest.mark.slow
def test_the_command_draws_the_picture_and_splits_by_the_border(tmp_path, small_ground):
    survey = open_survey(tmp_path / "course.gpkg")
    save_ground(survey, small_ground)
    plain = draw_design(small_ground, visit="2026-05-04", points=60, seed=2)
    save_design(survey, plain)
    add_counts(survey, count_visit(plain, small_ground), plain)
    words = ["estimate", str(survey.path), "--border", "15ft", "--picture", str(tmp_path / "a.pdf"), "--more"]
    run = CliRunner().invoke(main, words)
    assert run.exit_code == 0, run.output
    assert (tmp_path / "a.pdf").stat().st_size > 1000
    assert "part fairway border" in run.output


@pytest.mark.slow
def test_estimates_of_many_visits_leave_no_memory_behind(counted_visit):
    resource = pytest.importorskip("resource", reason="peak memory is asked of a Unix system")
    for _ in range(2):
        estimate_means(*counted_visit, by=())
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for _ in range(6):
        estimate_means(*counted_visit, by=())
    grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert grown_kb < 2_500  # a visit's frames kept would be some 200 kB each time, and numerical work a good deal more


def test_saved_estimates_replace_their_own_findings_only(two_visits, counted_visit):
    answer = estimate_means(*counted_visit)
    save_estimates(two_visits, answer)
    save_estimates(two_visits, answer)
    kept = two_visits.read("findings")
    assert not kept.duplicated(["visit", "pest", "what", "domain"]).any()


def test_points_on_a_line_count_as_one_in_the_variance(counted_visit, small_ground):
    drawn = draw_design(small_ground, visit="2026-05-04", surfaces=("fairway",), points=60, method="lines", seed=2)
    main = drawn.points[drawn.points["role"] == "main"]
    assert main["line"].nunique() >= 3
    counts = count_visit(drawn, small_ground)
    # Every plug of a line finds what its line has: as alike as can be, so the lines are all there is to go by.
    of_line = {line: 1 + 5 * (n % 3) for n, line in enumerate(sorted(main["line"].unique()))}
    alike = main.set_index("point_id")["line"].map(of_line)
    rows = counts.counts[counts.counts["stage"] == "L3"].copy()
    rows["count"] = rows["sample_id"].map(alike).astype(int)
    same = dataclasses.replace(counts, counts=rows)
    lined = total(estimate_means(same, drawn), "fairway")
    single = dataclasses.replace(drawn, points=drawn.points.assign(line=0))
    plain = total(estimate_means(same, single), "fairway")
    assert lined["mean_per_m2"] == pytest.approx(plain["mean_per_m2"])
    assert "lines as clusters" in lined["method"]
    assert lined["high_per_m2"] > 1.2 * plain["high_per_m2"]
    assert lined["low_per_m2"] < plain["low_per_m2"]
    # By hand: the variance between lines of the summed weighted deviations, n / (n - 1) times their sum of squares.
    weight = main["weight_m2"].to_numpy()
    density = alike.to_numpy() / drawn.visit.point_m2
    share = weight * (density - np.average(density, weights=weight)) / weight.sum()
    sums = pd.Series(share).groupby(main["line"].to_numpy()).sum()
    by_hand = len(sums) / (len(sums) - 1) * ((sums - sums.mean()) ** 2).sum()
    assert lined["se_per_m2"] == pytest.approx(by_hand**0.5)


def test_points_of_which_nothing_came_back_are_counted_among_those_not_counted(counted_visit):
    counts, design = counted_visit
    main = set(design.points.loc[design.points["role"] == "main", "point_id"])
    before = len(main - set(counts.samples["point_id"]))
    gone = [name for name in counts.samples["point_id"] if name in main][:2]
    samples = counts.samples[~counts.samples["point_id"].isin(gone)]
    kept = counts.counts[counts.counts["sample_id"].isin(samples["sample_id"])]
    answer = estimate_means(dataclasses.replace(counts, samples=samples, counts=kept), design)
    facts = answer.findings.first(What.ACCOUNT).detail
    assert facts["silent"] == before + 2
    assert facts["planned"] == len(main)
    assert facts["counted"] + facts["silent"] + sum(facts["lost"].values()) == len(main)


def test_one_bag_has_an_interval_and_no_standard_error_to_be_known():
    bags = pd.DataFrame({"stratum": ["a"], "count": 3.0, "effort_m2": 1.0, "weight_m2": 1.0, "log_sd": 0.0}).assign(
        easting=0.0, northing=0.0, line=0
    )
    found = estimate_mean(bags, pd.DataFrame({"stratum": ["a"], "kind": "green", "area_m2": 100.0}))
    assert np.isnan(found.se)
    assert 0 < found.interval.low < found.interval.value == 3.0 < found.interval.high < np.inf


CHI2_95 = 3.841458820694124
MITES = np.repeat(np.arange(8.0), [70, 38, 17, 10, 9, 3, 2, 1])
FIFTEEN = [0, 0, 0, 1, 0, 2, 0, 0, 5, 0, 1, 0, 0, 0, 3]
TWENTY = [0, 2, 1, 0, 0, 4, 1, 0, 0, 7, 0, 1, 3, 0, 0, 0, 2, 0, 1, 0]
PLACES = np.array([(1, 2), (3, 8), (6, 5), (8, 9), (2, 5), (5, 1), (9, 3), (4, 10), (7, 7), (10, 6)], dtype=float)
VALUES = np.array([0, 2, 1, 5, 0, 3, 1, 4, 2, 0], dtype=float)


def test_horse_kicks_vary_as_a_random_scatter():
    # pscl::prussian, in R 4.2
    assert measure_clumping(np.repeat(np.arange(5.0), [109, 65, 22, 3, 1])).ratio == pytest.approx(1.0015652, rel=1e-6)


def test_red_mite_indices_and_intervals():
    # Computed with R 4.2
    found = measure_clumping(MITES)
    values = (found.ratio, found.morisita, found.crowding, found.patchiness)
    assert values == pytest.approx((1.9828313, 1.8563851, 2.1294979, 1.8571203), rel=1e-6)
    # R's interval takes chi-square's cut, which is the F point of this level.
    level = special.fdtr(1, len(MITES) - 1, CHI2_95)
    k = fit_k(make_bags(MITES), level=level)
    assert (k.low, k.high) == pytest.approx((0.6254235, 1.8362416), rel=1e-6)
    mean = profile_interval(make_bags(MITES), cut=CHI2_95, prior=FREE_K)
    assert (mean.low, mean.high) == pytest.approx((0.9209861, 1.4297685), rel=1e-7)


@pytest.mark.parametrize(
    ("counts", "prior", "cut", "low", "high"),
    [
        # Computed independently
        (FIFTEEN, FREE_K, CHI2_95, 0.2744485, 3.1792085),
        (FIFTEEN, WEAK_K, CHI2_95, 0.3182253, 2.2862226),
        (FIFTEEN, WEAK_K, spread_cut(15, 0.95), 0.2895530, 2.6270255),
        (TWENTY, FREE_K, CHI2_95, 0.5201819, 2.5989840),
        (TWENTY, WEAK_K, CHI2_95, 0.5456418, 2.3869452),
        (TWENTY, WEAK_K, spread_cut(20, 0.95), 0.5187645, 2.5502345),
    ],
)
def test_profile_interval(counts, prior, cut, low, high):
    found = profile_interval(make_bags(counts), cut=cut, prior=prior)
    assert (found.low, found.high) == pytest.approx((low, high), rel=2e-7)


def test_mover_over_two_strata():
    # Zou & Donner 2008 formula by hand
    found = combine_means([Interval(1, 0.5, 1.8), Interval(2, 1.2, 3.4)], [0.6, 0.4])
    assert (found.value, found.low, found.high) == pytest.approx((1.4, 0.9613657560, 2.1375635566), rel=1e-9)


def test_weighted_mean_of_thompsons_exercise():
    # Thompson, Sampling, chapter 6, exercises 1-2: Hájek total computed
    inclusion = 1 - (1 - np.array([0.06, 0.20, 0.10])) ** 3
    values = np.array([3.0, 10.0, 7.0])
    assert 10 * weighted_mean(values, 1 / inclusion) == pytest.approx(54.999821, rel=1e-7)


def test_local_mean_variance():
    # Stevens & Olsen 2003, against the published R implementation, which leaves the degrees of freedom out
    even = np.full(10, 0.1)
    assert local_squares(VALUES / even, PLACES, even)[0].sum() == pytest.approx(1846.230914, rel=1e-9)
    assert replacement_variance(VALUES / even) == pytest.approx(3066.666667, rel=1e-9)
    uneven = np.array([0.05, 0.1, 0.15, 0.2, 0.1, 0.05, 0.1, 0.1, 0.05, 0.1])
    assert local_squares(VALUES / uneven, PLACES, uneven)[0].sum() == pytest.approx(3272.888663, rel=1e-9)
    shares = linearise(VALUES, 1 / uneven)
    assert local_squares(shares, PLACES, uneven)[0].sum() == pytest.approx(0.1682322319, rel=1e-8)


def test_corrected_local_variance_is_unbiased_for_pure_noise():
    rng = np.random.default_rng(7)
    places, inclusion = rng.uniform(size=(30, 2)), np.ones(30)
    found = [local_variance(rng.normal(size=30), places, inclusion) for _ in range(400)]
    assert np.mean(found) / 30 == pytest.approx(1, abs=0.06)


def test_webworms_in_shared_data(shared: Path):
    # Beall 1940, Ecology 21:460-474; fits computed with R 4.2
    data = pd.read_csv(shared / "counts" / "beall.webworms.txt", sep="\t")
    k = {name: fit_k(make_bags(mine["y"])).value for name, mine in data.groupby("trt")}
    assert [k[name] for name in ("T1", "T2", "T3", "T4")] == pytest.approx(
        [1.9113095, 3.0220686, 2.1576755, 1.4234078], rel=1e-6
    )
    # one k common to the treatments, each with its mean: statsmodels' NegativeBinomial, a column a treatment
    dummies = pd.get_dummies(data["trt"]).to_numpy(float)
    theirs = sm.NegativeBinomial(data["y"], dummies).fit(disp=0, maxiter=500, gtol=1e-8)
    bags = data.assign(count=data["y"].astype(float), effort_m2=1.0, weight_m2=1.0)
    assert fit_common_k(group_bags(bags, "trt")).value == pytest.approx(1 / theirs.params.iloc[-1], abs=5e-4)
    cells = data.groupby(["block", "trt"])["y"].agg(["mean", "var"])
    taylor = fit_taylor(cells["mean"].to_numpy(), cells["var"].to_numpy())
    iwao = fit_iwao(cells["mean"].to_numpy(), cells["var"].to_numpy())
    assert (taylor.intercept, taylor.slope, taylor.r2) == pytest.approx((1.2654011, 1.1291665, 0.9243632), rel=1e-6)
    assert (iwao.intercept, iwao.slope, iwao.r2) == pytest.approx((0.0464626, 1.2349741, 0.8292472), abs=6e-8)
