"""What the sheets room hands out is what the counts room takes back: workbook, second counts, form."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from counts_case import PEST, STAGE_KEYS

from geosample.counts import read_counts
from geosample.counts.meaning import FORM_WORDS, know_heading, plain_heading
from geosample.counts.model import compare_recounts
from geosample.design import Design
from geosample.errors import CountsError
from geosample.ground import Ground
from geosample.sheets import write_sheets


@pytest.fixture(scope="module")
def out(counts_design: Design, small_ground: Ground, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sheets")
    write_sheets(counts_design, small_ground, folder)
    return folder


def test_a_filled_workbook_comes_back(out: Path, counts_design: Design, tmp_path: Path) -> None:
    book = openpyxl.load_workbook(out / "blank_counts.xlsx")
    page = book.worksheets[0]
    head = [cell.value for cell in page[1]]
    for number in range(2, 8):
        for stage in STAGE_KEYS:
            page.cell(number, head.index(stage) + 1).value = number if stage == "L3" else 0
    book.save(tmp_path / "filled.xlsx")
    counts = read_counts(tmp_path / "filled.xlsx", counts_design)
    assert counts.counts.groupby("stage")["count"].sum()["L3"] == sum(range(2, 8))
    assert len(counts.samples) == 6
    assert not any(note.what == "lines_above" for note in counts.notes)


def test_the_second_counts_blank_is_known_for_what_it_is(out: Path, counts_design: Design, tmp_path: Path) -> None:
    again = pd.read_csv(out / "blank_recounts.csv", dtype=str, keep_default_na=False, encoding="utf-8-sig")
    first = pd.read_csv(out / "blank_counts.csv", dtype=str, keep_default_na=False, encoding="utf-8-sig")
    for name, frame, count in (("first.csv", first, "2"), ("again.csv", again, "3")):
        frame.assign(**dict.fromkeys(STAGE_KEYS, count)).to_csv(tmp_path / name, index=False)
    counts = read_counts([tmp_path / "first.csv", tmp_path / "again.csv"], counts_design)
    assert set(counts.counts["count"]) == {2}
    found = compare_recounts(counts, PEST)[0]
    assert (found.bags, found.first, found.second) == (len(again), 18 * len(again), 27 * len(again))


def test_every_question_of_the_form_is_a_column_the_reader_knows(out: Path, counts_design: Design) -> None:
    form = pd.read_excel(out / "form.xlsx", sheet_name="survey")
    unknown = [name for name in form["name"] if not know_heading(name, PEST) and plain_heading(name) not in FORM_WORDS]
    assert unknown == []
    with pytest.raises(CountsError, match="the form itself"):
        read_counts(out / "form.xlsx", counts_design)


def test_untouched_waypoints_hold_no_counts(out: Path, counts_design: Design) -> None:
    for name in ("points.gpx", "points.kml"):
        with pytest.raises(CountsError, match="expected a column of counts or of status"):
            read_counts(out / name, counts_design)


def test_a_tick_says_none_found_and_the_paper_s_other_columns_are_read(
    out: Path, counts_design: Design, tmp_path: Path
) -> None:
    sheet = pd.read_csv(out / "blank_counts.csv", dtype=str, keep_default_na=False, encoding="utf-8-sig")
    sheet.loc[0, ["none_found", "others_found", "hole_filled"]] = ["x", "2 ants", "yes"]
    sheet.loc[1, "could_not"] = "flooded"
    sheet.loc[2, "not_done"] = "x"
    sheet.loc[3, "unstaged"] = "4"
    sheet.to_csv(tmp_path / "typed.csv", index=False)
    counts = read_counts(tmp_path / "typed.csv", counts_design)
    found = counts.samples.set_index("sample_id").loc[sheet["sample_id"][:4]]
    assert found["status"].tolist() == ["counted", "unreachable", "not_extracted", "counted"]
    assert found["note"].iloc[0] == "others found: 2 ants; hole filled: yes"
    assert found["note"].iloc[1] == "could not: flooded"
    totals = counts.counts.groupby("sample_id")["count"].agg(["sum", "size"]).loc[sheet["sample_id"][[0, 3]]]
    assert totals["sum"].tolist() == [0, 4]
    assert totals["size"].iloc[0] == len(STAGE_KEYS)


def test_a_tick_beside_counts_is_asked_about(out: Path, counts_design: Design, tmp_path: Path) -> None:
    sheet = pd.read_csv(out / "blank_counts.csv", dtype=str, keep_default_na=False, encoding="utf-8-sig")
    sheet.loc[0, ["none_found", "L3"]] = ["x", "2"]
    sheet.to_csv(tmp_path / "typed.csv", index=False)
    with pytest.raises(CountsError, match="none found ticked beside counts"):
        read_counts(tmp_path / "typed.csv", counts_design)
