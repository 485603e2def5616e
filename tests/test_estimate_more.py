"""Stage 5: ground off the turf, post-strata, laws over strata, how the mix moved, and the picture.

Values without a source beside them are worked out in the test from the counts.
"""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pandas as pd
import pymupdf
import pytest
from click.testing import CliRunner
from density_case import THRESHOLD
from design_case import design_visit
from estimate_case import count_visit
from scipy import stats

from geosample.cli import main
from geosample.counts import add_counts
from geosample.design import draw_design, save_design
from geosample.errors import EstimateError
from geosample.estimate import Settings, estimate_means, save_estimates
from geosample.estimate.bags import gather_bags
from geosample.estimate.domains import estimate_mean
from geosample.estimate.findings import law_rows
from geosample.estimate.model import load_mix_before
from geosample.estimate.picture import draw_estimates, write_picture
from geosample.estimate.poststrata import post_stratify
from geosample.ground import save_ground
from geosample.survey import open_survey


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


def test_points_off_the_turf_shrink_the_area_and_unreachable_ones_do_not(counted_visit):
    counts, design = counted_visit
    before = total(estimate_means(*counted_visit))
    n = before["n"]
    off = estimate_means(with_status(counts, design, "green border", "off_turf", 2), design)
    after = total(off)
    assert after["area_m2"] == pytest.approx(before["area_m2"] * (1 - 2 / n))
    assert any("2 of" in text and "lay off the turf" in text for text in off.sentences)
    lost = estimate_means(with_status(counts, design, "green border", "unreachable", 2), design)
    assert total(lost)["area_m2"] == pytest.approx(before["area_m2"])
    assert total(lost)["n"] == after["n"] == n - 2
    # The density is that of what was counted either way; only what it stands for differs.
    assert after["mean_per_m2"] == pytest.approx(total(lost)["mean_per_m2"])
    assert after["total"] == pytest.approx(after["mean_per_m2"] * after["area_m2"])


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
    assert not any("not enough bags" in text for text in answer.sentences)
    with pytest.raises(EstimateError, match="border and interior already"):
        post_stratify(drawn, small_ground, 4.572)


def test_taylor_and_iwao_wait_for_ten_strata_with_fifteen_bags(counted_visit):
    counts, design = counted_visit
    catch = gather_bags(counts, design, Settings())
    assert law_rows(catch) == []
    rng = np.random.default_rng(4)
    means = np.geomspace(0.5, 20, 12)
    bags = pd.DataFrame(
        {"stratum": np.repeat(np.arange(12), 400), "count": rng.negative_binomial(2, 2 / (2 + np.repeat(means, 400)))}
    )
    rows = {row["what"]: row["value"] for row in law_rows(dataclasses.replace(catch, bags=bags))}
    # Negative binomial with k = 2: mean crowding m + 1 + m / k - 1 = 1.5 m ... Iwao's slope 1 + 1 / k (Iwao 1968).
    assert rows["Iwao's slope"] == pytest.approx(1.5, abs=0.12)
    grouped = bags.groupby("stratum")["count"].agg(["mean", "var"])
    # Reference: SciPy's own least squares on the logarithms.
    assert rows["Taylor's slope"] == pytest.approx(
        stats.linregress(np.log(grouped["mean"]), np.log(grouped["var"])).slope
    )


def test_indices_of_clumping_are_kept_with_the_visit(counted_visit):
    findings = estimate_means(*counted_visit).findings
    kinds = set(findings.loc[findings["what"] == "variance to mean", "domain"])
    for what in ("Morisita's index", "Lloyd's mean crowding", "Lloyd's patchiness"):
        assert set(findings.loc[findings["what"] == what, "domain"]) == kinds


def test_published_thresholds_are_shown_with_their_grade(counted_visit):
    text = " ".join(estimate_means(*counted_visit, threshold_per_m2=THRESHOLD).sentences)
    assert "starting points only" in text
    assert "[S: Maryland golf BMP]" in text
    assert "None is published by surface (G)" in text
    assert "5 times in a hundred" in text


def test_a_mean_stopped_early_is_marked_so(counted_visit):
    counts, design = counted_visit
    stopped = with_status(counts, design, "fairway border", "not_extracted", 4)
    settings = {**design.visit.settings, "stop_lines": [{"stratum": "fairway border"}]}
    lined = dataclasses.replace(design, visit=dataclasses.replace(design.visit, settings=settings))
    marked = estimate_means(stopped, lined)
    assert marked.estimates["method"].str.contains("stopped early").all()
    assert any("stopped early" in text for text in marked.sentences)
    plain = estimate_means(stopped, design)
    assert not plain.estimates["method"].str.contains("stopped early").any()


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


def test_how_the_mix_moved_since_the_visit_before_is_told(two_visits, tmp_path):
    run = lambda *words: CliRunner().invoke(main, ["estimate", str(two_visits.path), *words])  # noqa: E731
    assert "Since visit" not in run("--visit", "2026-05-04").output
    moved = run("--visit", "2026-05-25")
    assert "Since visit 2026-05-04: larvae in the stem 100 % then, 0 % now and pupae 0 % then, 100 % now." in " ".join(
        moved.output.split()
    )
    before, shares = load_mix_before(two_visits, "2026-05-25", "annual bluegrass weevil")
    assert before == "2026-05-04"
    assert shares["larvae in the stem"][0] == pytest.approx(1.0)
    assert load_mix_before(two_visits, "2026-05-04", "annual bluegrass weevil") == ("", {})


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


def test_the_command_draws_the_picture_and_splits_by_the_border(tmp_path, small_ground):
    survey = open_survey(tmp_path / "course.gpkg")
    save_ground(survey, small_ground)
    plain = draw_design(small_ground, visit="2026-05-04", points=60, seed=2)
    save_design(survey, plain)
    add_counts(survey, count_visit(plain, small_ground), plain)
    words = ["estimate", str(survey.path), "--border", "15ft", "--picture", str(tmp_path / "a.pdf")]
    run = CliRunner().invoke(main, words)
    assert run.exit_code == 0, run.output
    assert (tmp_path / "a.pdf").stat().st_size > 1000
    assert "stratum fairway border" in run.output


def test_estimates_of_many_visits_leave_no_memory_behind(counted_visit):
    resource = pytest.importorskip("resource", reason="peak memory is asked of a Unix system")
    for _ in range(3):
        estimate_means(*counted_visit)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for _ in range(12):
        estimate_means(*counted_visit)
    grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    assert grown_kb < 5_000  # a visit's frames kept would be some 200 kB each time, and numerical work a good deal more


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
    told = next(line for line in answer.sentences if "points counted of" in line)
    assert f"{before + 2} with nothing written" in told
    numbers = [int(number) for number in re.findall(r"\d+", told.split(". They")[0])]
    assert numbers[1] == len(main)
    assert numbers[0] + sum(numbers[2:]) == len(main)


def test_one_bag_has_an_interval_and_no_standard_error_to_be_known():
    bags = pd.DataFrame({"stratum": ["a"], "count": 3.0, "effort_m2": 1.0, "weight_m2": 1.0, "log_sd": 0.0}).assign(
        easting=0.0, northing=0.0, line=0
    )
    found = estimate_mean(bags, pd.DataFrame({"stratum": ["a"], "kind": "green", "area_m2": 100.0}))
    assert np.isnan(found.se)
    assert 0 < found.interval.low < found.interval.value == 3.0 < found.interval.high < np.inf
