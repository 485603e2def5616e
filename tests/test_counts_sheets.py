"""Counts and sheets: what is handed out comes back, second counts too; what the survey keeps; simulated counts."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from itertools import permutations
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner
from counts_case import PEST, STAGE_KEYS, edit, problems_of, scatter_design, told, write
from fill_blank import fill_blank
from statsmodels.stats.proportion import proportion_confint
from survey_case import fill_rows
from visit_case import simulate_counts

from geosample.cli import main
from geosample.compare import compare_counters, gather_recounts
from geosample.counts import add_counts, load_counts, read_counts
from geosample.counts.meaning import FORM_WORDS, know_heading, plain_heading
from geosample.counts.model import compare_recounts, recount_interval, use_weights
from geosample.demo import Fates
from geosample.design import Design
from geosample.errors import CountsError, GeosampleError
from geosample.ground import Ground
from geosample.rehearsal.worlds import SimulationModel, count_bags, draw_truth, true_density
from geosample.sheets import write_sheets
from geosample.sheets.blanks import blank_rows
from geosample.sheets.phone import entry_columns
from geosample.survey import Survey


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


def test_a_bag_that_came_after_its_point_was_reported_without_one_says_so(
    counts_survey: Survey, counts_design: Design, tmp_path: Path
) -> None:
    missed = {"entry_id": "a-1", "point_id": "01F-01", "status": "unreachable", "could_not": "Play"}
    first = read_counts(phone_file(tmp_path / "first.csv", missed), counts_design)
    assert add_counts(counts_survey, first, counts_design).differences == ()
    then = read_counts(phone_file(tmp_path / "then.csv", count("b-1", "01F-01", "4")), counts_design)
    added = add_counts(counts_survey, then, counts_design)
    assert list(added.counts.samples["status"]) == ["counted"]
    assert [(note.where, note.facts) for note in added.differences] == [
        ("01F-01-B", {"field": "status", "was": "unreachable", "now": "counted"})
    ]


def test_a_reserve_point_takes_the_place_of_an_unreachable_main_point(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    counts_sheet = edit(counts_sheet, "01F-04", **dict.fromkeys(STAGE_KEYS, ""), status="unreachable")
    counts_sheet = edit(counts_sheet, "01F-11", **dict.fromkeys(STAGE_KEYS, "1"))
    counts = read_counts(write(counts_sheet, tmp_path / "a.csv"), counts_design)
    fairway = counts_design.points[counts_design.points["kind"] == "fairway"]
    used = counts.samples.set_index("point_id")["weight_m2"]
    assert used["01F-11"] == pytest.approx(fairway["weight_m2"].iloc[0])
    assert np.isnan(used["01F-04"])
    area = counts_design.strata.set_index("stratum").loc["fairway", "area_m2"]
    assert used[used.index.str.startswith("01F")].sum() == pytest.approx(area)
    assert "01F-04 | unreachable | 01F-11 stands in for it" in told(counts)


def test_a_point_off_the_turf_shrinks_the_area_and_is_not_made_good(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    counts_sheet = edit(counts_sheet, "01F-04", **dict.fromkeys(STAGE_KEYS, ""), status="off_turf")
    counts_sheet = edit(counts_sheet, "01F-11", **dict.fromkeys(STAGE_KEYS, "1"))
    samples = read_counts(write(counts_sheet, tmp_path / "a.csv"), counts_design).samples
    ours = samples[samples["point_id"].str.startswith("01F")]
    area = counts_design.strata.set_index("stratum").loc["fairway", "area_m2"]
    # Ten main points planned, eleven answered (one of them off the turf): each stands for a tenth of ten elevenths.
    assert ours["weight_m2"].tolist() == pytest.approx([area / 11] * 11)
    turf = ours.loc[ours["status"] == "counted", "weight_m2"].sum()
    assert turf == pytest.approx(area * 10 / 11)


def test_weights_never_stand_for_more_than_the_stratum_and_methods_do_not_count_twice(counts_design: Design) -> None:
    ids = [name for name in counts_design.points["point_id"] if name.startswith("01G")]
    both = pd.DataFrame({"point_id": [*ids, *ids], "status": "counted"})
    weights = use_weights(both, counts_design.points)["weight_m2"]
    area = counts_design.strata.set_index("stratum").loc["green", "area_m2"]
    assert weights.iloc[: len(ids)].sum() == pytest.approx(area)


def test_loading_twice_adds_nothing_and_a_corrected_file_replaces_row_by_row(
    counts_sheet: pd.DataFrame, counts_design: Design, counts_survey: Survey, tmp_path: Path
) -> None:
    path = write(counts_sheet, tmp_path / "a.csv")
    first = add_counts(counts_survey, read_counts(path, counts_design), counts_design)
    assert len(first.new) == 20
    before = counts_survey.path.read_bytes()
    again = add_counts(counts_survey, read_counts(path, counts_design), counts_design)
    assert (len(again.new), len(again.changed), len(again.same)) == (0, 0, 20)
    assert counts_survey.path.read_bytes() == before
    old = int(counts_sheet.loc[counts_sheet["point_id"] == "01F-05", "L3"].iloc[0])
    fixed = edit(counts_sheet, "01F-05", L3=str(old + 2), counted_by="bench C")
    one = fixed[fixed["point_id"] == "01F-05"]
    changed = add_counts(counts_survey, read_counts(write(one, tmp_path / "b.csv"), counts_design), counts_design)
    assert changed.changed == ("01F-05-B",)
    shown = [(note.where, dict(note.facts)) for note in changed.differences]
    assert ("01F-05-B", {"field": f"{PEST.name}, L3", "was": old, "now": old + 2}) in shown
    assert ("01F-05-B", {"field": "counted_by", "was": None, "now": "bench C"}) in shown
    assert len(shown) == 2
    back = load_counts(counts_survey)
    assert len(back.samples) == 20
    assert back.counts.set_index(["sample_id", "stage"])["count"]["01F-05-B", "L3"] == old + 2


def test_a_later_sheet_completes_the_visit_and_its_weights(
    counts_sheet: pd.DataFrame, counts_design: Design, counts_survey: Survey, tmp_path: Path
) -> None:
    is_first = counts_sheet["point_id"].isin(["01F-01", "01F-02", "01F-11"])
    spare = edit(counts_sheet, "01F-11", **dict.fromkeys(STAGE_KEYS, "2"))
    add_counts(counts_survey, read_counts(write(spare[is_first], tmp_path / "a.csv"), counts_design), counts_design)
    add_counts(counts_survey, read_counts(write(spare[~is_first], tmp_path / "b.csv"), counts_design), counts_design)
    at_once = read_counts(write(spare, tmp_path / "c.csv"), counts_design)
    back = load_counts(counts_survey)
    assert back.samples["sample_id"].tolist() == at_once.samples["sample_id"].tolist()
    assert np.allclose(back.samples["weight_m2"], at_once.samples["weight_m2"])


def test_counts_come_back_from_the_survey_as_they_went_in(
    counts_sheet: pd.DataFrame, counts_design: Design, counts_survey: Survey, tmp_path: Path
) -> None:
    lon, lat = counts_design.points.loc[counts_design.points["point_id"] == "01F-01", ["lon", "lat"]].iloc[0]
    counts_sheet = edit(
        counts_sheet, "01F-01", moved="yes", lat=f"{lat + 0.0001:.7f}", lon=f"{lon:.7f}", accuracy_m="3"
    )
    fresh = read_counts(write(counts_sheet, tmp_path / "a.csv"), counts_design)
    add_counts(counts_survey, fresh, counts_design)
    back = load_counts(counts_survey)
    pd.testing.assert_frame_equal(
        pd.DataFrame(back.samples.drop(columns="geometry")), pd.DataFrame(fresh.samples.drop(columns="geometry"))
    )
    assert back.samples.geometry.geom_equals_exact(fresh.samples.geometry, 1e-6).all()
    pd.testing.assert_frame_equal(back.counts, fresh.counts)
    assert back.samples.crs == counts_design.points.crs


def test_the_command_takes_counts_in_and_says_what_it_did(
    counts_sheet: pd.DataFrame, counts_survey: Survey, tmp_path: Path
) -> None:
    counts_sheet.loc[counts_sheet["point_id"] == "01F-03", ["point_id", "sample_id"]] = ["1f3", ""]
    path = write(counts_sheet, tmp_path / "a.csv")
    run = CliRunner().invoke(main, ["counts", str(counts_survey.path), str(path), "--json"])
    assert run.exit_code == 0, run.output
    summary = json.loads(run.stdout)
    assert summary["samples"] == 20
    assert summary["added"] == {"new": 20, "unchanged": 0, "replaced": 0}
    assert [note["read_as"] for note in summary["notes"] if note.get("label") == "1f3"] == ["01F-03"]
    plain = CliRunner().invoke(main, ["counts", str(counts_survey.path), str(path), "--more"])
    assert "0 bags are new, 20 as before, 0 replaced." in plain.stdout
    assert "'1f3' read as 01F-03" in plain.stdout


def test_the_command_takes_all_rows_or_none(counts_sheet: pd.DataFrame, counts_survey: Survey, tmp_path: Path) -> None:
    path = write(edit(counts_sheet, "01F-03", L3="12?"), tmp_path / "a.csv")
    before = counts_survey.path.read_bytes()
    run = CliRunner().invoke(main, ["counts", str(counts_survey.path), str(path)])
    assert run.exit_code == 1
    assert "L3 '12?'" in run.stderr
    assert counts_survey.path.read_bytes() == before
    run = CliRunner().invoke(main, ["counts", str(counts_survey.path), str(path), "--set-aside"])
    assert run.exit_code == 0
    assert len(load_counts(counts_survey).samples) == 19


@pytest.mark.slow
def test_results_of_earlier_counts_go_when_the_counts_change_and_only_then(
    counts_survey: Survey, counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    first = read_counts(write(counts_sheet, tmp_path / "a.csv"), counts_design)
    add_counts(counts_survey, first, counts_design)
    with counts_survey.change() as change:
        change.put("findings", fill_rows("findings", visit=[counts_design.visit.visit, "another"], value=1.0))
    add_counts(counts_survey, first, counts_design)
    assert len(counts_survey.read("findings")) == 2
    # Who pulled it, and the same day written in another way, are no other numbers.
    words = counts_sheet.assign(collector="Ann", collected_at="5/4/2026")
    named = add_counts(counts_survey, read_counts(write(words, tmp_path / "w.csv"), counts_design), counts_design)
    assert len(named.changed) == 20
    assert counts_survey.read("samples")["collector"].eq("Ann").all()
    assert len(counts_survey.read("findings")) == 2
    fixed = edit(counts_sheet, counts_sheet["point_id"].iloc[0], L3="17")
    corrected = add_counts(counts_survey, read_counts(write(fixed, tmp_path / "b.csv"), counts_design), counts_design)
    assert corrected.changed
    assert counts_survey.read("findings")["visit"].tolist() == ["another"]
    assert "run estimate, density and treat again" in told(corrected.counts)


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


@pytest.mark.slow
def test_the_field_has_the_stated_mean_spread_and_correlation(small_ground: Ground) -> None:
    model = SimulationModel(mean_per_m2=100, border_ratio=1, field_sd=0.7, field_range_m=30)
    kinds = ["fairway", "fairway"]
    logs = []
    for seed in range(600):
        truth = draw_truth(small_ground, np.random.default_rng(seed), model, waves=200)
        logs.append(np.log(true_density(truth, [-40, -30], [-100, -100], kinds) / 100))
    logs = np.array(logs)
    # No published values: a log-normal of mean 1 has log mean -sd²/2; the correlation at 10 m is exp(-3 · 10 / 30).
    assert logs.mean() == pytest.approx(-(0.7**2) / 2, abs=4 * 0.7 / np.sqrt(600))
    assert logs.std() == pytest.approx(0.7, rel=0.12)
    assert np.corrcoef(logs.T)[0, 1] == pytest.approx(np.exp(-1), abs=0.15)


def test_the_border_is_the_stated_ratio_above_the_inside(small_ground: Ground) -> None:
    model = SimulationModel(border_ratio=3, border_fade_m=2, field_sd=0)
    truth = draw_truth(small_ground, np.random.default_rng(1), model)
    edge, middle = true_density(truth, [-60 - 16 * 0.8944, -60], [-120 - 16 * 0.0, -120], ["fairway", "fairway"])
    assert middle == pytest.approx(215, rel=0.01)
    assert edge > 1.5 * middle


@pytest.mark.slow
def test_bags_have_the_stated_mean_and_overdispersion(small_ground: Ground) -> None:
    design = scatter_design(small_ground)
    model = SimulationModel(border_ratio=1, field_sd=0, k=1.2)
    truth = draw_truth(small_ground, np.random.default_rng(1), model)
    rng = np.random.default_rng(2)
    totals = np.concatenate([count_bags(design, truth, rng).iloc[:, 1:].sum(axis=1) for _ in range(400)])
    mean = 215 * design.visit.point_m2
    # Negative binomial: variance m + m²/k (Bliss & Fisher 1953, Biometrics 9:176-200).
    assert totals.mean() == pytest.approx(mean, rel=0.04)
    assert totals.var() == pytest.approx(mean + mean**2 / 1.2, rel=0.12)


def test_the_same_seed_gives_the_same_counts_and_their_truth(small_ground: Ground) -> None:
    design = scatter_design(small_ground)
    one, other = (simulate_counts(design, small_ground, np.random.default_rng(4)) for _ in range(2))
    assert one.equals(other)
    assert one.columns.tolist() == ["point_id", *STAGE_KEYS]
    assert one["point_id"].tolist() == design.points["point_id"].tolist()


def test_a_model_out_of_range_is_refused(small_ground: Ground) -> None:
    with pytest.raises(GeosampleError, match=r"k: found 0.0(.|\n)*field_sd: found -1"):
        draw_truth(small_ground, np.random.default_rng(1), SimulationModel(k=0.0, field_sd=-1))


def test_a_blank_filled_by_simulation_comes_back_as_it_was_filled(small_ground: Ground, tmp_path: Path) -> None:
    design = scatter_design(small_ground, reserve=4)
    blank = write(blank_rows(design, PEST), tmp_path / "blank.csv")
    fates = Fates(lost=0.1, unreachable=0.2, not_extracted=0.1, off_turf=0.1)
    filled = fill_blank(blank, design, small_ground, tmp_path / "filled.csv", seed=11, fates=fates)
    counts = read_counts(tmp_path / "filled.csv", design)
    bags = filled[filled["L1"] != ""].set_index("sample_id")
    wide = counts.counts.pivot_table(index="sample_id", columns="stage", values="count")
    assert (wide.loc[bags.index, STAGE_KEYS] == bags[STAGE_KEYS].astype(int)).all().all()
    assert len(wide) == len(bags)
    states = counts.samples.set_index("sample_id")["status"]
    spoilt = filled[filled["status"] != ""].set_index("sample_id")["status"]
    assert set(spoilt) == {"lost", "unreachable", "not_extracted", "off_turf"}
    assert states.loc[spoilt.index].tolist() == spoilt.tolist()
    assert len(states) == len(bags) + len(spoilt)
