"""What the counts say in words: the answer's sentences, and the table under them."""

from __future__ import annotations

import dataclasses

import pytest
from density_case import THRESHOLD

from geosample.counts import Counts
from geosample.design import Design
from geosample.estimate import Estimates, estimate_means
from geosample.report.estimate import tell_answer, tell_estimates, tell_estimates_more, tell_stages, tell_table
from geosample.survey.findings import Finding, What
from geosample.units import Units


@pytest.fixture(scope="module")
def answer(counted_visit: tuple[Counts, Design]) -> Estimates:
    return estimate_means(*counted_visit, threshold_per_m2=THRESHOLD)


def retold(answer: Estimates, *rows: Finding) -> str:
    """Return the answer with some findings in place of those about the same things."""
    kinds = {row.what for row in rows}
    kept = [row for row in answer.findings if row.what not in kinds]
    findings = dataclasses.replace(answer.findings, rows=(*kept, *rows))
    return " ".join(tell_answer(dataclasses.replace(answer, findings=findings)))


def test_published_thresholds_are_told_with_their_grade(answer: Estimates) -> None:
    text = " ".join(tell_answer(answer))
    assert "starting points only" in text
    assert "Sources and how sure: thresholds, in their order: Maryland golf BMP (read in its source)" in text
    assert "None is published by surface." in text
    assert "5 times in a hundred" in text


def test_zeros_are_told_with_what_they_still_allow(counted_visit: tuple[Counts, Design]) -> None:
    counts, design = counted_visit
    none = estimate_means(dataclasses.replace(counts, counts=counts.counts.assign(count=0)), design)
    told = tell_answer(none)
    assert "none found in" in told[0]
    assert "which still allows up to" in told[0]
    assert any("not enough bags with insects" in text for text in told)
    assert any("too few points with insects" in text for text in told)


def test_the_account_names_what_is_missing_and_never_calls_it_zero(answer: Estimates) -> None:
    account = answer.findings.first(What.ACCOUNT)
    assert account is not None
    off = [{"stratum": "green border", "off": 2, "answered": 9, "share": 2 / 9}]
    more = {"lost": {"off_turf": 2}, "silent": 3, "left_out": ["X1"], "pooled": 4, "off_turf": off, "stopped_early": 5}
    more["partly"] = [f"01F-{number:02d}-B" for number in range(1, 8)]
    text = retold(answer, Finding(What.ACCOUNT, "all", detail={**account.detail, **more}))
    for words in (
        "not counted: 2 off turf, 3 with nothing written. They are taken as missing by chance, not as zero",
        "no planned point and so no design weight: X1.",
        "Left out, a stage being blank: 7 bags (01F-01-B, 01F-02-B, 01F-03-B, 01F-04-B, 01F-05-B and 2 more).",
        "4 bags were pooled",
        "green border: 2 of 9 points lay off the turf, so its area is taken as 22 % smaller.",
        "Extraction was stopped early on 5 bags",
    ):
        assert words in text


@pytest.mark.parametrize(
    ("verdict", "high", "said"),
    [
        ("more", 5.0, "The border holds more: 2.0 times the interior's density (1.2 to 5.0, 95 % interval)."),
        ("less", 0.9, "The border holds less, not more"),
        ("no_more", 1.2, "The border holds no more, or little more"),
        ("open", float("inf"), "(1.2 upward, 95 % interval). Do not treat the border alone"),
    ],
)
def test_the_border_is_told_by_its_verdict(answer: Estimates, verdict: str, high: float, said: str) -> None:
    detail = {"verdict": verdict, "level": 0.95, "n": 50, "margin": 1.5}
    assert said in retold(answer, Finding(What.COMMON_BORDER_RATIO, "all", 2.0, 1.2, high, detail=detail))


def test_undecided_kinds_say_how_many_more_points(answer: Estimates) -> None:
    def decided(verdict: str, more: int | None) -> str:
        detail = {"verdict": verdict, "level": 0.9, "n": 20, "more": more}
        return retold(answer, Finding(What.DECISION, "green", 300.0, 200.0, 400.0, THRESHOLD, detail))

    assert "greens are undecided, about 1 more point would settle it." in decided("undecided", 1)
    assert "ten times the points would not be sure to settle it" in decided("undecided", None)
    assert "greens are above it." in decided("above", None)
    assert "interval is (greens at least 19/ft²)" in decided("above", None)


def test_a_mix_is_told_with_its_doubt_and_both_ages_with_a_warning(answer: Estimates) -> None:
    def mixed(adults: float, lead: float | None) -> str:
        detail = {"level": 0.95, "lead": lead, "found": 9, "n_found": 20, "n_points": 9, "n_effective": 12.0}
        shares = {"larvae in the soil": 1 - adults, "adults": adults}
        rows = [
            Finding(What.STAGE_GROUP_SHARE, name, v, v / 2, (1 + v) / 2, detail=detail) for name, v in shares.items()
        ]
        return retold(answer, *rows)

    assert "Most common stage: larvae in the soil (90 %, with 95 % confidence 45 to 95 %)" in mixed(0.1, 0.99)
    assert "Most common so far: larvae in the soil (60 %" in mixed(0.4, 0.7)
    assert "but adults may be as common" in mixed(0.4, 0.7)
    assert "does nothing to larvae" in mixed(0.4, 0.7)
    assert "does nothing to larvae" not in mixed(0.1, 0.99)


@pytest.mark.parametrize(("units", "unit"), [("us", "per ft²"), ("metric", "per m²")])
def test_the_table_is_in_the_units_asked_for_whole_ground_first(answer: Estimates, units: Units, unit: str) -> None:
    lines = tell_estimates_more(answer, units)
    head = lines.index("") + 1
    assert unit in lines[head]
    assert "low, 95 %" in lines[head]
    assert lines[head + 1].startswith("all the ground")
    assert not [line for line in tell_estimates(answer, units) if line.startswith(("hole", "stratum"))]


def test_too_few_bags_are_told_in_words_not_as_a_limit_of_thousands(answer: Estimates) -> None:
    row = answer.estimates.iloc[[1]].assign(n=2, mean_per_m2=500.0, low_per_m2=80.0, high_per_m2=164_550.0)
    [_, told] = tell_table(row)
    assert "too few bags" in told
    assert "15,287" not in told


def test_stage_shares_told_together_add_up_to_100() -> None:
    told = tell_stages(
        [Finding(What.STAGE_GROUP_SHARE, name, share) for name, share in zip("abc", [1 / 3] * 3, strict=True)]
    )
    assert told == "Life stages: a 34 %, b 33 %, c 33 %."


def test_stage_shares_are_told_with_the_widest_side_of_their_intervals() -> None:
    told = tell_stages(
        [
            Finding(What.STAGE_GROUP_SHARE, "a", 0.9, 0.8, 0.96, detail={"level": 0.9}),
            Finding(What.STAGE_GROUP_SHARE, "b", 0.1, 0.04, 0.24, detail={"level": 0.9}),
        ]
    )
    assert told == "Life stages: a 90 %, b 10 %; each give or take 14 % of them all (90 % interval)."
