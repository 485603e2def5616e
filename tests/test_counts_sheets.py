"""What the sheets room hands out is what the counts room takes back: workbook, second counts, form."""

from __future__ import annotations

import json
import re
from itertools import permutations
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from counts_case import PEST, STAGE_KEYS, problems_of, told

from geosample.counts import read_counts
from geosample.counts.meaning import FORM_WORDS, know_heading, plain_heading
from geosample.counts.model import compare_recounts
from geosample.design import Design
from geosample.errors import CountsError
from geosample.ground import Ground
from geosample.sheets import write_sheets
from geosample.sheets.phone import entry_columns


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


@pytest.mark.parametrize("name", ["form_pull.xlsx", "form_bench.xlsx"])
def test_every_question_of_a_form_is_a_column_the_reader_knows(name: str, out: Path, counts_design: Design) -> None:
    form = pd.read_excel(out / name, sheet_name="survey")
    unknown = [name for name in form["name"] if not know_heading(name, PEST) and plain_heading(name) not in FORM_WORDS]
    assert unknown == []
    with pytest.raises(CountsError, match="the form itself"):
        read_counts(out / name, counts_design)


def test_answers_of_both_forms_come_in_together(counts_design: Design, tmp_path: Path) -> None:
    first, second = counts_design.points.iloc[0], counts_design.points.iloc[1]
    pull, bench = tmp_path / "pull.csv", tmp_path / "bench.csv"
    pull.write_text(
        "SubmissionDate,start,design_code,visit,collector,hole,point_id,could_not,plugs,moved,position,hole_filled,"
        "collected_at,note\n"
        f"x,x,K7Q2,2026-05-04,Ann,01,{first.point_id},,2,yes,{first.lat + 0.0001} {first.lon} 0 4,yes,"
        "2026-05-04T09:30,wet\n"
        f"x,x,K7Q2,2026-05-04,Ann,01,{second.point_id},flooded,,,,,2026-05-04T09:40,\n"
    )
    bench.write_text(
        "start,design_code,visit,counted_by,batch,sample_id,not_done,none_found,L3,L4,unstaged,others_found,note\n"
        f"x,K7Q2,2026-05-04,Bo,1,{first.point_id}-B,no,no,3,0,,,\n"
    )
    counts = read_counts([pull, bench], counts_design)
    rows = counts.samples.set_index("point_id")
    bag = rows.loc[first.point_id]
    assert (bag["status"], bag["plugs"], bag["moved"], bag["collector"]) == ("counted", 2, True, "Ann")
    assert bag["counted_by"] == "Bo"
    assert bag["offset_m"] == pytest.approx(11.1, abs=0.2)
    assert counts.counts.set_index("stage")["count"].to_dict() == {"L3": 3, "L4": 0}
    assert rows.loc[second.point_id, "status"] == "unreachable"


def test_answers_of_the_one_form_of_older_versions_are_read(counts_design: Design, tmp_path: Path) -> None:
    point = counts_design.points.iloc[0]
    path = tmp_path / "old.csv"
    path.write_text(
        "SubmissionDate,start,design_code,visit,collector,point_id,method,sample_id,collected_at,plugs,moved,position,"
        "status,how_to_count,L3,L4,unstaged,counted_by,note\n"
        f"x,x,K7Q2,2026-05-04,Ann,{point.point_id},heat,{point.point_id}-H,2026-05-04T09:30,3,no,,counted,,3,0,,Bo,\n"
    )
    counts = read_counts(path, counts_design)
    assert counts.samples["sample_id"].tolist() == [f"{point.point_id}-H"]
    assert counts.counts.set_index("stage")["count"].to_dict() == {"L3": 3, "L4": 0}


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


def phone_file(path: Path, *entries: dict[str, str], again: int = 1) -> Path:
    """A phone's file with these entries, all of them so many times."""
    own = {"design_code": "K7Q2", "visit": "2026-05-04"}
    frame = pd.DataFrame([{**own, **entry} for entry in entries * again], columns=list(entry_columns(PEST)))
    frame.to_csv(path, index=False, encoding="utf-8-sig", lineterminator="\r\n")
    return path


def pull(number: str, point_id: str, **more: str) -> dict[str, str]:
    own = {"collector": "Ann", "collected_at": "2026-05-04T07:31:00-04:00", "moved": "no", "hole_filled": "yes"}
    return {"entry_id": number, "point_id": point_id, "plugs": "3", **own, **more}


def count(number: str, point_id: str, found: str = "", who: str = "Bo", **more: str) -> dict[str, str]:
    own = {
        "sample_id": f"{point_id}-B",
        "method": "brine",
        "counted_by": who,
        "counted_at": "2026-05-04T14:02:00-04:00",
    }
    stages = dict.fromkeys(STAGE_KEYS, "0") | {"L3": found} if found else {}
    return {"entry_id": number, "point_id": point_id, **own, **stages, **more}


def test_every_column_of_a_phone_s_file_is_known_and_the_page_has_them(out: Path) -> None:
    page = (out / "field_page.html").read_text(encoding="utf-8")
    [given] = re.findall(r'<script type="application/json" id="given">(.*?)</script>', page)
    columns = json.loads(given)["columns"]
    assert columns == list(entry_columns(PEST))
    assert [name for name in columns if not know_heading(name, PEST)] == []


def test_a_phone_s_round_and_bench_come_in_together_with_who_and_when(counts_design: Design, tmp_path: Path) -> None:
    moved = {"moved": "yes", "moved_to": "4 paces toward the tee", "plugs": "2"}
    field = phone_file(tmp_path / "field.csv", pull("a-1", "01F-01"), pull("a-2", "01F-02", **moved))
    bench = phone_file(
        *(tmp_path / "bench.csv", count("b-1", "01F-01", "4"), count("b-2", "01F-02", none_found="yes")),
        count("b-3", "01F-03", status="lost"),
        {
            "entry_id": "a-3",
            "point_id": "01G-01",
            "status": "off_turf",
            "could_not": "No turf there",
            "collector": "Ann",
        },
    )
    for files in permutations([field, bench]):
        counts = read_counts(files, counts_design)
        samples = counts.samples.set_index("point_id")
        assert dict(samples["status"]) == {
            "01F-01": "counted",
            "01F-02": "counted",
            "01F-03": "lost",
            "01G-01": "off_turf",
        }
        assert list(samples.loc["01F-01", ["collector", "counted_by"]]) == ["Ann", "Bo"]
        assert samples.loc["01F-01", "collected_at"].startswith("2026-05-04T07:31")
        assert "counted at: 2026-05-04T14:02" in samples.loc["01F-01", "note"]
        assert "moved to: 4 paces toward the tee" in samples.loc["01F-02", "note"]
        assert (samples.loc["01F-02", "moved"], samples.loc["01F-02", "plugs"]) == (True, 2)
        assert counts.counts.groupby("sample_id")["count"].sum().to_dict() == {"01F-01-B": 4, "01F-02-B": 0}


def test_an_entry_five_times_counts_once_and_a_replaced_or_taken_back_one_not_at_all(
    counts_design: Design, tmp_path: Path
) -> None:
    entries = [
        *(count("b-1", "01F-01", "4"), count("b-2", "01F-01", "5", replaces="b-1")),
        *(
            count("b-3", "01F-02", "7"),
            {"entry_id": "b-4", "sample_id": "01F-02-B", "status": "withdrawn", "replaces": "b-3"},
        ),
        count("b-5", "01F-03", "1"),
    ]
    files = [phone_file(tmp_path / "one.csv", *entries, again=5), phone_file(tmp_path / "two.csv", *entries[::-1])]
    counts = read_counts(files, counts_design)
    assert counts.counts.groupby("sample_id")["count"].sum().to_dict() == {"01F-01-B": 5, "01F-03-B": 1}
    assert {note.what for note in counts.notes} >= {"entry_again", "entry_replaced"}
    assert "the same entry of a phone again" in told(counts)


def test_entries_that_differ_stand_side_by_side_until_a_person_settles_them(
    counts_design: Design, tmp_path: Path
) -> None:
    two = phone_file(tmp_path / "two.csv", count("a-1", "01F-01", "4"), count("b-1", "01F-01", "5", who="Cy"))
    [problem] = problems_of(two, counts_design)
    assert "bag 01F-01-B 2 times" in problem
    assert "L3 4" in problem
    assert "L3 5" in problem
    settled = [count("a-1", "01F-01", "4"), count("b-1", "01F-01", "5"), count("desk-1", "01F-01", "5", replaces="a-1")]
    counts = read_counts(phone_file(tmp_path / "settled.csv", *settled), counts_design)
    assert counts.counts["count"].sum() == 5
    pulls = phone_file(
        tmp_path / "p.csv", pull("a-1", "01F-01"), pull("b-1", "01F-01", plugs="2"), count("c-1", "01F-01", "4")
    )
    assert "plugs 3" in problems_of(pulls, counts_design)[0]
    missed = {"entry_id": "b-1", "point_id": "01F-01", "status": "unreachable", "could_not": "Play", "method": "brine"}
    assert (
        "could not Play" in problems_of(phone_file(tmp_path / "m.csv", pull("a-1", "01F-01"), missed), counts_design)[0]
    )
    changed = phone_file(tmp_path / "c.csv", count("a-1", "01F-01", "4"), count("a-1", "01F-01", "5"))
    assert "entry a-1 twice, saying different things" in problems_of(changed, counts_design)[0]
