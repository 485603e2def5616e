"""Counts: rows are joined by their labels and dates, forgiven where there is one reading, asked about otherwise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from counts_case import STAGE_KEYS, edit, problems_of, scatter_design, told, write

from geosample.counts import read_counts
from geosample.counts.meaning import read_date
from geosample.design import Design
from geosample.ground import Ground
from geosample.report.counts import tell_notes


@pytest.mark.parametrize(
    ("label", "why"),
    [
        ("1F3", "case, dashes, zeros"), ("01F_03", "case, dashes, zeros"),
        (" 01 F 003 ", "case, dashes, zeros"), ("pt 1F-3", "case, dashes, zeros"), ("O1F-O3", "letters for digits"),
        ("l1F-03", None), ("01F–03", "case, dashes, zeros"),
    ],
)  # fmt: skip
def test_labels_are_forgiven_and_told(
    label: str, why: str | None, counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    counts_sheet.loc[counts_sheet["point_id"] == "01F-03", ["point_id", "sample_id"]] = [label, ""]
    path = write(counts_sheet, tmp_path / "a.csv")
    if why is None:
        assert "did you mean 01F-03" in problems_of(path, counts_design)[0]
        return
    counts = read_counts(path, counts_design)
    assert "01F-03-B" in set(counts.samples["sample_id"])
    assert f"read as 01F-03 ({why})" in told(counts)


def test_labels_in_another_case_are_forgiven_in_one_line(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    lower = counts_sheet.assign(**{name: counts_sheet[name].str.lower() for name in ("point_id", "sample_id")})
    counts = read_counts(write(lower, tmp_path / "a.csv"), counts_design)
    assert len(counts.samples) == 20
    assert sum("in another case: joined by label (20)" in line for line in tell_notes(counts.notes)) == 1


def test_a_second_label_nobody_knows_is_kept_and_told_in_one_line(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    own = counts_sheet.assign(sample_id=[f"my bag {n}" for n in range(len(counts_sheet))])
    counts = read_counts(write(own, tmp_path / "a.csv"), counts_design)
    assert sum("a second label that the design does not know" in line for line in tell_notes(counts.notes)) == 1
    assert counts.samples["note"].str.contains("own label: my bag").all()


def test_labels_that_fit_two_points_are_not_guessed(small_ground: Ground, tmp_path: Path) -> None:
    design = scatter_design(small_ground)
    points = design.points.assign(point_id=["1-1", "01-01", *design.points["point_id"][2:]])
    twins = replace(design, points=points)
    path = tmp_path / "a.csv"
    path.write_text("point_id,method,L3\n1_1,brine,2\n")
    assert "label '1_1'" in problems_of(path, twins)[0]


def test_labels_of_two_points_in_one_row_are_asked_about(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    [line] = problems_of(
        write(edit(counts_sheet, "01F-03", sample_id="01F-04-B", L1=""), tmp_path / "a.csv"), counts_design
    )[:1]
    assert "labels '01F-03' and '01F-04-B'" in line


def test_an_older_designs_sheet_is_known_by_its_code(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    path = write(counts_sheet.assign(design_code="A1B2"), tmp_path / "old.csv")
    [line] = problems_of(path, counts_design, other_codes={"A1B2": "2026-04-20"})
    assert "design code A1B2, visit 2026-04-20's; expected K7Q2" in line
    assert "--visit 2026-04-20" in line
    assert "old.csv rows 2-27" in line
    [line] = problems_of(path, counts_design)
    assert "a design this survey does not have" in line


def test_a_visit_date_that_a_spreadsheet_rewrote_is_forgiven(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    counts = read_counts(write(counts_sheet.assign(visit="5/4/2026"), tmp_path / "a.csv"), counts_design)
    assert len(counts.samples) == 20
    assert "visit '5/4/2026' | read as 2026-05-04" in told(counts)
    assert "visit 'June'" in problems_of(write(counts_sheet.assign(visit="June"), tmp_path / "b.csv"), counts_design)[0]


def test_month_and_day_are_told_apart_by_the_visits_date() -> None:
    from datetime import date

    day = date(2026, 5, 4)
    assert read_date("4/5/2026", day, 7) == day
    assert read_date("5/6/2026", day, 7) == date(2026, 5, 6)
    assert read_date("07:45", day, 7) is None


def test_a_reserve_used_out_of_order_is_told(counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path) -> None:
    counts_sheet = edit(counts_sheet, "01F-04", **dict.fromkeys(STAGE_KEYS, ""), status="unreachable")
    counts_sheet = edit(counts_sheet, "01F-12", **dict.fromkeys(STAGE_KEYS, "1"))
    counts = read_counts(write(counts_sheet, tmp_path / "a.csv"), counts_design)
    assert "stratum fairway | reserve used before 01F-11" in told(counts)
    unreachable = counts.samples.set_index("point_id").loc["01F-04"]
    assert (unreachable["plugs"], unreachable["sampled_m2"]) == (0, 0.0)
