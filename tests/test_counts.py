"""Counts: what came back is joined by label, nothing is guessed or lost, and weights stand for the turf once."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from counts_case import PEST, edit, filled_sheet, make_design, write
from survey_case import fill_rows

from geosample.cli import main
from geosample.counts import ReadRules, add_counts, load_counts, read_counts, tally
from geosample.counts.values import read_date
from geosample.counts.weights import use_weights
from geosample.design import Design, save_design
from geosample.errors import CountsError
from geosample.ground import Ground, save_ground
from geosample.survey import Survey, open_survey

STAGES = [stage.key for stage in PEST.stages]


@pytest.fixture(scope="module")
def design(small_ground: Ground) -> Design:
    return make_design(small_ground)


@pytest.fixture
def sheet(design: Design) -> pd.DataFrame:
    return filled_sheet(design)


@pytest.fixture
def survey(tmp_path: Path, small_ground: Ground, design: Design) -> Survey:
    survey = open_survey(tmp_path / "course.gpkg")
    save_ground(survey, small_ground)
    save_design(survey, design)
    return survey


def problems_of(path: Path, design: Design, rules: ReadRules | None = None) -> list[str]:
    with pytest.raises(CountsError) as caught:
        read_counts(path, design, rules=rules)
    return [str(problem) for problem in caught.value.problems]


def told(counts: object) -> str:
    return "\n".join(f"{note.where} | {note.what} | {note.done}" for note in counts.notes)


def test_a_filled_sheet_comes_back_whole(sheet: pd.DataFrame, design: Design, tmp_path: Path) -> None:
    counts = read_counts(write(sheet, tmp_path / "a.csv"), design)
    main_rows = sheet[sheet["role"] == "main"].set_index("sample_id")
    assert set(counts.samples["sample_id"]) == set(main_rows.index)
    assert set(counts.samples["status"]) == {"counted"}
    wide = counts.counts.pivot_table(index="sample_id", columns="stage", values="count")
    assert (wide.loc[main_rows.index, STAGES] == main_rows[STAGES].astype(int)).all().all()
    assert np.allclose(counts.samples["sampled_m2"], 3 * design.visit.unit_m2)
    assert counts.samples["joined_by"].eq("label").all()
    assert counts.samples.crs == design.points.crs
    planned = design.points.set_index("point_id").geometry.loc[counts.samples["point_id"]]
    assert planned.reset_index(drop=True).geom_equals(counts.samples.geometry).all()


def test_zero_is_a_count_blank_is_not_and_a_blank_row_is_no_sample(
    sheet: pd.DataFrame, design: Design, tmp_path: Path
) -> None:
    none = dict.fromkeys(STAGES, "")
    sheet = edit(sheet, "01G-01", **dict.fromkeys(STAGES, "0"))
    sheet = edit(sheet, "01G-02", L3="", pupa="")
    sheet = edit(sheet, "01G-03", **none)
    sheet = edit(sheet, "01G-04", **none, status="lost")
    counts = read_counts(write(sheet, tmp_path / "a.csv"), design)
    rows = counts.counts.set_index(["sample_id", "stage"])["count"]
    assert rows.loc["01G-01-B"].tolist() == [0] * len(STAGES)
    assert set(rows.loc["01G-02-B"].index) == set(STAGES) - {"L3", "pupa"}
    assert "01G-03-B" not in set(counts.samples["sample_id"])
    lost = counts.samples.set_index("sample_id").loc["01G-04-B"]
    assert lost["status"] == "lost"
    assert np.isnan(lost["weight_m2"])
    assert "01G-04-B" not in set(counts.counts["sample_id"])
    text = told(counts)
    assert "L3 blank beside other counts | taken as not looked for" in text
    assert "01G-03 | not returned" in text
    assert "01G-04 | lost" in text
    assert tally(counts, PEST.name, stages=["L3"])["sample_id"].isin(["01G-02-B"]).sum() == 0


@pytest.mark.parametrize("text", ["-2", "2.5", "12?", "3+4", "~10", "many", "NA", "(2)", "−1", ">5", "1e2", "O", "½"])
def test_a_cell_that_needs_guessing_is_asked_about_and_nothing_is_loaded(
    text: str, sheet: pd.DataFrame, design: Design, tmp_path: Path
) -> None:
    [line] = problems_of(write(edit(sheet, "01F-02", L4=text), tmp_path / "a.csv"), design)
    row = int(sheet.index[sheet["point_id"] == "01F-02"][0]) + 2
    assert line.startswith(f"a.csv row {row}: found L4 '{text}'; expected ")


def test_a_sum_is_read_only_where_sums_are_allowed(sheet: pd.DataFrame, design: Design, tmp_path: Path) -> None:
    path = write(edit(sheet, "01F-02", L4="3+4"), tmp_path / "a.csv")
    counts = read_counts(path, design, rules=ReadRules(sums=True)).counts.set_index(["sample_id", "stage"])["count"]
    assert counts["01F-02-B", "L4"] == 7


def test_whole_numbers_written_by_spreadsheets_are_counts(sheet: pd.DataFrame, design: Design, tmp_path: Path) -> None:
    path = write(edit(sheet, "01F-02", L4="3.0", L5=" 4 ", pupa="１"), tmp_path / "a.csv")
    counts = read_counts(path, design).counts.set_index(["sample_id", "stage"])["count"]
    assert [counts["01F-02-B", stage] for stage in ("L4", "L5", "pupa")] == [3, 4, 1]


def test_every_problem_is_listed_at_once(sheet: pd.DataFrame, design: Design, tmp_path: Path) -> None:
    sheet = edit(sheet, "01F-01", L1="x", status="vanished")
    sheet = edit(sheet, "01F-02", L2="9999")
    sheet = edit(sheet, "01F-03", **dict.fromkeys(STAGES, ""), status="counted")
    sheet = edit(sheet, "01F-04", status="lost")
    sheet = edit(sheet, "01F-05", collected_at="2024-05-04")
    sheet = edit(sheet, "01F-06", plugs="0")
    sheet = edit(sheet, "01F-07", method="magic")
    sheet = edit(sheet, "01F-08", moved="perhaps")
    sheet.loc[sheet["point_id"] == "01F-09", ["point_id", "sample_id"]] = ["99X-99", ""]
    lines = problems_of(write(sheet, tmp_path / "a.csv"), design)
    for found in (
        "L1 'x'", "status 'vanished'", "L2 9999", "status counted without a count", "status lost with counts",
        "collected_at '2024-05-04'", "counts from 0 plugs", "method 'magic'", "moved 'perhaps'", "label '99X-99'",
    ):  # fmt: skip
        assert sum(found in line for line in lines) == 1, found
    assert len(lines) == 10


def test_bad_rows_can_be_set_aside_by_the_users_word(sheet: pd.DataFrame, design: Design, tmp_path: Path) -> None:
    path = write(edit(edit(sheet, "01F-01", L1="x"), "01F-02", L2="-1"), tmp_path / "a.csv")
    counts = read_counts(path, design, rules=ReadRules(set_aside=True))
    assert len(counts.samples) == 18
    assert sum(note.done == "set aside" for note in counts.notes) == 2


def test_an_absurd_count_depends_on_the_turf_taken(sheet: pd.DataFrame, design: Design, tmp_path: Path) -> None:
    # 2,000 per ft² on three 2.25 in plugs of 0.02761 ft² (facts.md table, D): 165 insects.
    assert read_counts(write(edit(sheet, "01F-02", L4="165"), tmp_path / "a.csv"), design)
    [line] = problems_of(write(edit(sheet, "01F-02", L4="166"), tmp_path / "b.csv"), design)
    assert "at most 165 in 3 plugs" in line
    [line] = problems_of(write(edit(sheet, "01F-02", L4="100", plugs="1"), tmp_path / "c.csv"), design)
    assert "at most 55 in 1 plug " in line


@pytest.mark.parametrize(
    ("label", "why"),
    [
        ("01f-03", "case, dashes, zeros"), ("1F3", "case, dashes, zeros"), ("01F_03", "case, dashes, zeros"),
        (" 01 F 003 ", "case, dashes, zeros"), ("pt 1F-3", "case, dashes, zeros"), ("O1F-O3", "letters for digits"),
        ("l1F-03", None), ("01F–03", "case, dashes, zeros"),
    ],
)  # fmt: skip
def test_labels_are_forgiven_and_told(
    label: str, why: str | None, sheet: pd.DataFrame, design: Design, tmp_path: Path
) -> None:
    sheet.loc[sheet["point_id"] == "01F-03", ["point_id", "sample_id"]] = [label, ""]
    path = write(sheet, tmp_path / "a.csv")
    if why is None:
        assert "did you mean 01F-03" in problems_of(path, design)[0]
        return
    counts = read_counts(path, design)
    assert "01F-03-B" in set(counts.samples["sample_id"])
    assert f"read as 01F-03 ({why})" in told(counts)


def test_labels_that_fit_two_points_are_not_guessed(small_ground: Ground, tmp_path: Path) -> None:
    design = make_design(small_ground)
    points = design.points.assign(point_id=["1-1", "01-01", *design.points["point_id"][2:]])
    twins = replace(design, points=points)
    path = tmp_path / "a.csv"
    path.write_text("point_id,method,L3\n1_1,brine,2\n")
    assert "label '1_1'" in problems_of(path, twins)[0]


def test_labels_of_two_points_in_one_row_are_asked_about(sheet: pd.DataFrame, design: Design, tmp_path: Path) -> None:
    [line] = problems_of(write(edit(sheet, "01F-03", sample_id="01F-04-B", L1=""), tmp_path / "a.csv"), design)[:1]
    assert "labels '01F-03' and '01F-04-B'" in line


def test_an_older_designs_sheet_is_known_by_its_code(sheet: pd.DataFrame, design: Design, tmp_path: Path) -> None:
    path = write(sheet.assign(design_code="A1B2"), tmp_path / "old.csv")
    [line] = problems_of(path, design, ReadRules(other_codes={"A1B2": "2026-04-20"}))
    assert "design code A1B2, visit 2026-04-20's; expected K7Q2" in line
    assert "--visit 2026-04-20" in line
    assert "old.csv rows 2-27" in line
    [line] = problems_of(path, design)
    assert "a design this survey does not have" in line


def test_a_visit_date_that_a_spreadsheet_rewrote_is_forgiven(
    sheet: pd.DataFrame, design: Design, tmp_path: Path
) -> None:
    counts = read_counts(write(sheet.assign(visit="5/4/2026"), tmp_path / "a.csv"), design)
    assert len(counts.samples) == 20
    assert "visit '5/4/2026' | read as 2026-05-04" in told(counts)
    assert "visit 'June'" in problems_of(write(sheet.assign(visit="June"), tmp_path / "b.csv"), design)[0]


def test_month_and_day_are_told_apart_by_the_visits_date() -> None:
    from datetime import date

    day = date(2026, 5, 4)
    assert read_date("4/5/2026", day, 7) == day
    assert read_date("5/6/2026", day, 7) == date(2026, 5, 6)
    assert read_date("07:45", day, 7) is None


def test_unknown_columns_are_listed_and_kept_and_can_be_named(
    sheet: pd.DataFrame, design: Design, tmp_path: Path
) -> None:
    renamed = sheet.rename(columns={"L3": "larvae"}).assign(weather="dry")
    path = write(renamed, tmp_path / "a.csv")
    counts = read_counts(path, design)
    assert "columns nobody knows: 'larvae', 'weather'" in told(counts)
    assert "weather: dry" in counts.samples["note"].iloc[0]
    assert "L3" not in set(counts.counts["stage"])
    named = read_counts(path, design, columns={"larvae": "L3"})
    assert (named.counts["stage"] == "L3").sum() == 20
    with pytest.raises(CountsError, match="no column 'grubs'"):
        read_counts(path, design, columns={"grubs": "L3"})
    with pytest.raises(CountsError, match=r"'L9'; expected one of: .*L3"):
        read_counts(path, design, columns={"larvae": "L9"})


def test_a_bare_total_is_unstaged_and_a_total_beside_stages_must_be_their_sum(design: Design, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Point,Method,Count\n01F-01,brine,4\n01F-02,brine,0\n")
    counts = read_counts(path, design)
    assert counts.counts[["stage", "count"]].to_numpy().tolist() == [["unstaged", 4], ["unstaged", 0]]
    path.write_text("Point,Method,L3,L4,Total\n01F-01,brine,4,1,5\n01F-02,brine,1,1,3\n")
    [line] = problems_of(path, design)
    assert "a.csv row 3: found total 3; expected the sum of the stages, 2" in line


def test_a_row_without_a_method_is_asked_about_unless_the_user_says_it(design: Design, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("point,L3\n01F-01,4\n")
    assert "no extraction method" in problems_of(path, design)[0]
    counts = read_counts(path, design, rules=ReadRules(method="heat"))
    assert counts.samples["sample_id"].tolist() == ["01F-01-H"]


def test_a_reserve_point_takes_the_place_of_an_unreachable_main_point(
    sheet: pd.DataFrame, design: Design, tmp_path: Path
) -> None:
    sheet = edit(sheet, "01F-04", **dict.fromkeys(STAGES, ""), status="unreachable")
    sheet = edit(sheet, "01F-11", **dict.fromkeys(STAGES, "1"))
    counts = read_counts(write(sheet, tmp_path / "a.csv"), design)
    fairway = design.points[design.points["kind"] == "fairway"]
    used = counts.samples.set_index("point_id")["weight_m2"]
    assert used["01F-11"] == pytest.approx(fairway["weight_m2"].iloc[0])
    assert np.isnan(used["01F-04"])
    area = design.strata.set_index("stratum").loc["fairway", "area_m2"]
    assert used[used.index.str.startswith("01F")].sum() == pytest.approx(area)
    assert "01F-04 | unreachable | 01F-11 stands in for it" in told(counts)


def test_a_point_off_the_turf_shrinks_the_area_and_is_not_made_good(
    sheet: pd.DataFrame, design: Design, tmp_path: Path
) -> None:
    sheet = edit(sheet, "01F-04", **dict.fromkeys(STAGES, ""), status="off_turf")
    sheet = edit(sheet, "01F-11", **dict.fromkeys(STAGES, "1"))
    samples = read_counts(write(sheet, tmp_path / "a.csv"), design).samples
    ours = samples[samples["point_id"].str.startswith("01F")]
    area = design.strata.set_index("stratum").loc["fairway", "area_m2"]
    # Ten main points planned, eleven answered (one of them off the turf): each stands for a tenth of ten elevenths.
    assert ours["weight_m2"].tolist() == pytest.approx([area / 11] * 11)
    turf = ours.loc[ours["status"] == "counted", "weight_m2"].sum()
    assert turf == pytest.approx(area * 10 / 11)


def test_weights_never_stand_for_more_than_the_stratum_and_methods_do_not_count_twice(design: Design) -> None:
    ids = [name for name in design.points["point_id"] if name.startswith("01G")]
    both = pd.DataFrame({"point_id": [*ids, *ids], "status": "counted"})
    weights = use_weights(both, design.points)["weight_m2"]
    area = design.strata.set_index("stratum").loc["green", "area_m2"]
    assert weights.iloc[: len(ids)].sum() == pytest.approx(area)


def test_loading_twice_adds_nothing_and_a_corrected_file_replaces_row_by_row(
    sheet: pd.DataFrame, design: Design, survey: Survey, tmp_path: Path
) -> None:
    path = write(sheet, tmp_path / "a.csv")
    first = add_counts(survey, read_counts(path, design), design)
    assert len(first.new) == 20
    before = survey.path.read_bytes()
    again = add_counts(survey, read_counts(path, design), design)
    assert (len(again.new), len(again.changed), len(again.same)) == (0, 0, 20)
    assert survey.path.read_bytes() == before
    old = int(sheet.loc[sheet["point_id"] == "01F-05", "L3"].iloc[0])
    fixed = edit(sheet, "01F-05", L3=str(old + 2), counted_by="bench C")
    one = fixed[fixed["point_id"] == "01F-05"]
    changed = add_counts(survey, read_counts(write(one, tmp_path / "b.csv"), design), design)
    assert changed.changed == ("01F-05-B",)
    shown = [(note.where, note.what, note.done) for note in changed.differences]
    assert ("01F-05-B", f"{PEST.name}, L3: {old}", f"now {old + 2}") in shown
    assert ("01F-05-B", "counted_by blank", "now bench C") in shown
    assert len(shown) == 2
    back = load_counts(survey)
    assert len(back.samples) == 20
    assert back.counts.set_index(["sample_id", "stage"])["count"]["01F-05-B", "L3"] == old + 2


def test_a_later_sheet_completes_the_visit_and_its_weights(
    sheet: pd.DataFrame, design: Design, survey: Survey, tmp_path: Path
) -> None:
    is_first = sheet["point_id"].isin(["01F-01", "01F-02", "01F-11"])
    spare = edit(sheet, "01F-11", **dict.fromkeys(STAGES, "2"))
    add_counts(survey, read_counts(write(spare[is_first], tmp_path / "a.csv"), design), design)
    add_counts(survey, read_counts(write(spare[~is_first], tmp_path / "b.csv"), design), design)
    at_once = read_counts(write(spare, tmp_path / "c.csv"), design)
    back = load_counts(survey)
    assert back.samples["sample_id"].tolist() == at_once.samples["sample_id"].tolist()
    assert np.allclose(back.samples["weight_m2"], at_once.samples["weight_m2"])


def test_counts_come_back_from_the_survey_as_they_went_in(
    sheet: pd.DataFrame, design: Design, survey: Survey, tmp_path: Path
) -> None:
    lon, lat = design.points.loc[design.points["point_id"] == "01F-01", ["lon", "lat"]].iloc[0]
    sheet = edit(sheet, "01F-01", moved="yes", lat=f"{lat + 0.0001:.7f}", lon=f"{lon:.7f}", accuracy_m="3")
    fresh = read_counts(write(sheet, tmp_path / "a.csv"), design)
    add_counts(survey, fresh, design)
    back = load_counts(survey)
    pd.testing.assert_frame_equal(
        pd.DataFrame(back.samples.drop(columns="geometry")), pd.DataFrame(fresh.samples.drop(columns="geometry"))
    )
    assert back.samples.geometry.geom_equals_exact(fresh.samples.geometry, 1e-6).all()
    pd.testing.assert_frame_equal(back.counts, fresh.counts)
    assert back.samples.crs == design.points.crs


def test_a_moved_plug_is_mapped_where_it_was_taken_and_an_unticked_far_position_is_a_conflict(
    sheet: pd.DataFrame, design: Design, tmp_path: Path
) -> None:
    lon, lat = design.points.loc[design.points["point_id"] == "01F-01", ["lon", "lat"]].iloc[0]
    far = {"lat": f"{lat + 0.0003:.7f}", "lon": f"{lon:.7f}"}
    moved = read_counts(write(edit(sheet, "01F-01", moved="x", **far), tmp_path / "a.csv"), design)
    sample = moved.samples.set_index("point_id").loc["01F-01"]
    place = gpd.GeoSeries([sample.geometry], crs=design.points.crs).to_crs(4326).iloc[0]
    assert (place.x, place.y) == (pytest.approx(lon, abs=1e-6), pytest.approx(lat + 0.0003, abs=1e-6))
    # 0.0003 degrees of latitude on the ellipsoid at 41.5 N, 111,057 m a degree (D): 33.3 m.
    assert sample["offset_m"] == pytest.approx(33.3, abs=0.1)
    assert sample["weight_m2"] == pytest.approx(design.points.set_index("point_id").loc["01F-01", "weight_m2"])
    [line] = problems_of(write(edit(sheet, "01F-01", **far), tmp_path / "b.csv"), design)
    assert "label 01F-01 with a position 33 m from its place" in line
    near = edit(sheet, "01F-01", lat=f"{lat + 0.00005:.7f}", lon=f"{lon:.7f}")
    stays = read_counts(write(near, tmp_path / "c.csv"), design).samples.set_index("point_id").loc["01F-01"]
    assert stays.geometry.equals(design.points.set_index("point_id").geometry["01F-01"])
    assert read_counts(write(edit(sheet, "01F-01", **far, accuracy_m="25"), tmp_path / "d.csv"), design)


def test_inputs_are_left_as_they_were(sheet: pd.DataFrame, design: Design, tmp_path: Path) -> None:
    before = design.points.copy()
    read_counts(write(sheet, tmp_path / "a.csv"), design)
    pd.testing.assert_frame_equal(pd.DataFrame(design.points), pd.DataFrame(before))


def test_the_command_takes_counts_in_and_says_what_it_did(sheet: pd.DataFrame, survey: Survey, tmp_path: Path) -> None:
    sheet.loc[sheet["point_id"] == "01F-03", ["point_id", "sample_id"]] = ["1f3", ""]
    path = write(sheet, tmp_path / "a.csv")
    run = CliRunner().invoke(main, ["counts", str(survey.path), str(path), "--json"])
    assert run.exit_code == 0, run.output
    summary = json.loads(run.stdout)
    assert summary["samples"] == 20
    assert summary["added"] == {"new": 20, "unchanged": 0, "replaced": 0}
    assert "'1f3' read as 01F-03" in run.stderr
    plain = CliRunner().invoke(main, ["counts", str(survey.path), str(path)])
    assert "20 samples (20 counted); 0 new, 20 as before, 0 replaced" in plain.stdout


def test_the_command_takes_all_rows_or_none(sheet: pd.DataFrame, survey: Survey, tmp_path: Path) -> None:
    path = write(edit(sheet, "01F-03", L3="12?"), tmp_path / "a.csv")
    before = survey.path.read_bytes()
    run = CliRunner().invoke(main, ["counts", str(survey.path), str(path)])
    assert run.exit_code == 1
    assert "L3 '12?'" in run.stderr
    assert survey.path.read_bytes() == before
    run = CliRunner().invoke(main, ["counts", str(survey.path), str(path), "--set-aside"])
    assert run.exit_code == 0
    assert len(load_counts(survey).samples) == 19


@pytest.mark.parametrize(
    ("name", "text", "found"),
    [
        ("empty.csv", "", "an empty file"),
        ("prose.csv", "dear crew,\nall well\n", "no row of headings"),
        ("labels.csv", "point_id,role\n01F-01,main\n", "expected a column of counts or of status"),
        ("counts.csv", "L3,L4\n1,2\n", "expected a column of labels or of positions"),
        ("twice.csv", "point_id,L3,instar 3\n01F-01,1,2\n", "that all mean L3"),
        ("odd.doc", "x", "the ending '.doc'"),
        ("blank.csv", "point_id,L3\n01F-01,\n", "no row with a count or a status"),
        ("odd.xlsx", "x", "a workbook that can't be opened"),
        ("odd.gpx", "<gpx>", "XML that can't be read"),
        ("none.gpx", "<gpx></gpx>", "no points"),
        ("list.geojson", "[]", "a file that can't be read"),
        ("quote.csv", 'point_id,L3\n01F-01,"4\n01F-02,3\n', "a row that can't be parted"),
        ("odd.geojson", '{"features": [{"geometry": {"type": "Polygon"}}]}', "a Polygon where a Point should be"),
    ],
)
def test_a_file_that_can_not_be_read_says_why(name: str, text: str, found: str, design: Design, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_text(text)
    assert found in problems_of(path, design)[0]


def test_a_reserve_used_out_of_order_is_told(sheet: pd.DataFrame, design: Design, tmp_path: Path) -> None:
    sheet = edit(sheet, "01F-04", **dict.fromkeys(STAGES, ""), status="unreachable")
    sheet = edit(sheet, "01F-12", **dict.fromkeys(STAGES, "1"))
    counts = read_counts(write(sheet, tmp_path / "a.csv"), design)
    assert "stratum fairway | reserve used before 01F-11" in told(counts)
    unreachable = counts.samples.set_index("point_id").loc["01F-04"]
    assert (unreachable["plugs"], unreachable["sampled_m2"]) == (0, 0.0)


def test_a_missing_file_says_so(design: Design, tmp_path: Path) -> None:
    assert "no such file" in problems_of(tmp_path / "none.csv", design)[0]


def test_results_of_earlier_counts_go_when_the_counts_change_and_only_then(
    survey: Survey, sheet: pd.DataFrame, design: Design, tmp_path: Path
) -> None:
    first = read_counts(write(sheet, tmp_path / "a.csv"), design)
    add_counts(survey, first, design)
    with survey.change() as change:
        change.put("findings", fill_rows("findings", visit=[design.visit.visit, "another"], value=1.0))
    add_counts(survey, first, design)
    assert len(survey.read("findings")) == 2
    fixed = edit(sheet, sheet["point_id"].iloc[0], L3="17")
    corrected = add_counts(survey, read_counts(write(fixed, tmp_path / "b.csv"), design), design)
    assert corrected.changed
    assert survey.read("findings")["visit"].tolist() == ["another"]
    assert "run estimate, density and treat again" in told(corrected.counts)
