"""Blind second counts: the counters' agreement, and nothing of them in the counts themselves."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from counts_case import PEST, edit, write
from statsmodels.stats.proportion import proportion_confint

from geosample.cli import main
from geosample.compare import compare_counters, gather_recounts
from geosample.counts import read_counts
from geosample.counts.model import compare_recounts, recount_interval
from geosample.design import Design
from geosample.errors import CountsError
from geosample.survey import Survey


@pytest.fixture
def sheet(counts_sheet: pd.DataFrame) -> pd.DataFrame:
    return counts_sheet.query("role == 'main'").reset_index(drop=True)


@pytest.fixture
def second(sheet: pd.DataFrame) -> pd.DataFrame:
    """Half the bags again, with five small larvae more in each."""
    again = sheet.iloc[::2].copy()
    again["sample_id"] += "-R"
    again["L1"] = (again["L1"].astype(int) + 5).astype(str)
    return again.assign(counted_by="bench C")


@pytest.mark.parametrize(("first", "second"), [(10, 30), (0, 7), (25, 25), (3, 1)])
def test_the_ratios_interval_agrees_with_an_independent_program(first: int, second: int) -> None:
    # statsmodels, proportion_confint(method="beta"): Clopper and Pearson's interval of first / (first + second).
    low, high = proportion_confint(first, first + second, method="beta")
    assert recount_interval(first, second) == pytest.approx((low / (1 - low), high / (1 - high)))


def test_a_stage_neither_found_has_no_ratio_and_one_only_the_first_found_no_upper_end() -> None:
    assert np.isnan(recount_interval(0, 0)).all()
    assert recount_interval(4, 0)[1] == np.inf


def test_second_counts_change_no_count_and_tell_how_counters_agree(
    sheet: pd.DataFrame, second: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    alone = read_counts(write(sheet, tmp_path / "a.csv"), counts_design)
    both = read_counts([tmp_path / "a.csv", write(second, tmp_path / "b.csv")], counts_design)
    assert both.counts.equals(alone.counts)
    found = {one.stage: one for one in compare_recounts(both, PEST)}
    assert found["L1"].second == found["L1"].first + 5 * len(second)
    assert found["L1"].same == 0
    assert found["L3"].ratio == 1
    assert found["L3"].same == found["L3"].bags == len(second)
    assert found["small larvae"].high < 1
    recounts = gather_recounts(both, ("bench", "again"))
    twice, every = compare_counters(recounts), found["all stages"]
    assert twice.overall.found == (every.first, every.second)
    assert (twice.overall.bags, twice.bags) == (len(second), len(sheet))
    assert twice.overall.interval.low > 1
    untold = both.recounts
    assert untold is not None
    sums = untold.groupby(["visit", "sample_id", "pest"], as_index=False)["count"].sum().assign(stage="unstaged")
    lumped = replace(both, recounts=sums[untold.columns.intersection(sums.columns)])
    assert compare_counters(gather_recounts(lumped, ("bench", "again"))).overall.found == (every.first, every.second)


@pytest.mark.slow
def test_second_counts_may_come_later_and_are_kept_in_the_survey(
    sheet: pd.DataFrame, second: pd.DataFrame, counts_survey: Survey, tmp_path: Path
) -> None:
    for name, frame in (("b.csv", second), ("a.csv", sheet)):
        run = CliRunner().invoke(
            main, ["counts", str(counts_survey.path), str(write(frame, tmp_path / name)), "--json"]
        )
        assert run.exit_code == 0, run.output
        if name == "b.csv":
            notes = json.loads(run.stdout)["notes"]
            assert any(note["what"] == "recount_alone" for note in notes)
    summary = json.loads(run.stdout)
    assert summary["samples"] == 20
    findings = counts_survey.read("findings").set_index("domain")
    assert findings.loc["small larvae", "what"] == "recount agreement"
    assert findings.loc["small larvae", "value"] == pytest.approx(summary["recounts"][1]["ratio"])
    plain = CliRunner().invoke(main, ["counts", str(counts_survey.path), str(tmp_path / "b.csv")])
    assert f"{len(second)} bags counted twice" in plain.stdout
    assert "Small larvae are being missed" in plain.stdout


def test_two_rows_of_a_bag_are_told_apart_or_asked_about(
    sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    one = sheet[sheet["point_id"] == "01F-01"]
    copy = pd.concat([sheet, one])
    counts = read_counts(write(copy, tmp_path / "a.csv"), counts_design)
    assert [note.facts["times"] for note in counts.notes if note.what == "bag_again"] == [2]
    other = pd.concat([sheet, edit(one, "01F-01", L3="9")])
    with pytest.raises(CountsError, match="bag 01F-01-B 2 times"):
        read_counts(write(other, tmp_path / "b.csv"), counts_design)
    ticked = pd.concat([sheet.assign(recount=""), edit(one, "01F-01", L3="9").assign(recount="x")])
    counts = read_counts(write(ticked, tmp_path / "c.csv"), counts_design)
    assert counts.recounts.set_index("stage").loc["L3", "count"] == 9


def test_plugs_of_a_point_and_parts_of_a_bag_add_up_and_methods_stay_apart(
    counts_design: Design, tmp_path: Path
) -> None:
    path = tmp_path / "a.csv"
    path.write_text(
        "point,method,plug,part,L3,L4\n01F-01,brine,1,,2,0\n01F-01,brine,2,,3,1\n01F-01,heat,1,,9,9\n"
        "01F-02,brine,,a,1,1\n01F-02,brine,,b,4,\n"
    )
    counts = read_counts(path, counts_design)
    samples = counts.samples.set_index("sample_id")
    found = counts.counts.set_index(["sample_id", "stage"])["count"]
    assert samples["plugs"].to_dict() == {"01F-01-B": 2, "01F-01-H": 1, "01F-02-B": 3}
    assert found["01F-01-B", "L3"] == 5
    assert found["01F-01-H", "L3"] == 9
    assert found["01F-02-B"].to_dict() == {"L3": 5}  # part b did not look for L4
