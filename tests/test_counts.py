"""Counts: what came back is read cell by cell, and nothing is guessed or lost."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from counts_case import PEST, STAGE_KEYS, edit, problems_of, told, write

from geosample.counts import partly_counted, read_counts, tally
from geosample.design import Design
from geosample.errors import CountsError


def test_a_filled_sheet_comes_back_whole(counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path) -> None:
    counts = read_counts(write(counts_sheet, tmp_path / "a.csv"), counts_design)
    main_rows = counts_sheet[counts_sheet["role"] == "main"].set_index("sample_id")
    assert set(counts.samples["sample_id"]) == set(main_rows.index)
    assert set(counts.samples["status"]) == {"counted"}
    wide = counts.counts.pivot_table(index="sample_id", columns="stage", values="count")
    assert (wide.loc[main_rows.index, STAGE_KEYS] == main_rows[STAGE_KEYS].astype(int)).all().all()
    assert np.allclose(counts.samples["sampled_m2"], 3 * counts_design.visit.unit_m2)
    assert counts.samples["joined_by"].eq("label").all()
    assert counts.samples.crs == counts_design.points.crs
    planned = counts_design.points.set_index("point_id").geometry.loc[counts.samples["point_id"]]
    assert planned.reset_index(drop=True).geom_equals(counts.samples.geometry).all()


def test_zero_is_a_count_blank_is_not_and_a_blank_row_is_no_sample(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    none = dict.fromkeys(STAGE_KEYS, "")
    counts_sheet = edit(counts_sheet, "01G-01", **dict.fromkeys(STAGE_KEYS, "0"))
    counts_sheet = edit(counts_sheet, "01G-02", L3="", pupa="")
    counts_sheet = edit(counts_sheet, "01G-03", **none)
    counts_sheet = edit(counts_sheet, "01G-04", **none, status="lost")
    counts = read_counts(write(counts_sheet, tmp_path / "a.csv"), counts_design)
    rows = counts.counts.set_index(["sample_id", "stage"])["count"]
    assert rows.loc["01G-01-B"].tolist() == [0] * len(STAGE_KEYS)
    assert set(rows.loc["01G-02-B"].index) == set(STAGE_KEYS) - {"L3", "pupa"}
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
    # A total without one of its stages is not known: the bag is told, and no count is made of it.
    assert partly_counted(counts, PEST.name) == ["01G-02-B"]
    assert "01G-02-B" not in set(tally(counts, PEST.name)["sample_id"])
    assert "01G-02-B" in set(tally(counts, PEST.name, stages=["L4"])["sample_id"])


def test_a_stage_few_looked_for_is_asked_of_no_other_bag(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    for point in counts_sheet["point_id"][3:]:
        counts_sheet = edit(counts_sheet, point, pupa="")
    counts = read_counts(write(counts_sheet, tmp_path / "a.csv"), counts_design)
    assert partly_counted(counts, PEST.name) == []
    assert len(tally(counts, PEST.name)) == len(counts.samples)


@pytest.mark.parametrize("text", ["-2", "2.5", "12?", "3+4", "~10", "many", "NA", "(2)", "−1", ">5", "1e2", "O", "½"])
def test_a_cell_that_needs_guessing_is_asked_about_and_nothing_is_loaded(
    text: str, counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    [line] = problems_of(write(edit(counts_sheet, "01F-02", L4=text), tmp_path / "a.csv"), counts_design)
    row = int(counts_sheet.index[counts_sheet["point_id"] == "01F-02"][0]) + 2
    assert line.startswith(f"a.csv row {row}: found L4 '{text}'; expected ")


def test_a_sum_is_read_only_where_sums_are_allowed(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    path = write(edit(counts_sheet, "01F-02", L4="3+4"), tmp_path / "a.csv")
    counts = read_counts(path, counts_design, sums=True).counts.set_index(["sample_id", "stage"])["count"]
    assert counts["01F-02-B", "L4"] == 7


def test_whole_numbers_written_by_spreadsheets_are_counts(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    path = write(edit(counts_sheet, "01F-02", L4="3.0", L5=" 4 ", pupa="１"), tmp_path / "a.csv")
    counts = read_counts(path, counts_design).counts.set_index(["sample_id", "stage"])["count"]
    assert [counts["01F-02-B", stage] for stage in ("L4", "L5", "pupa")] == [3, 4, 1]


def test_every_problem_is_listed_at_once(counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path) -> None:
    counts_sheet = edit(counts_sheet, "01F-01", L1="x", status="vanished")
    counts_sheet = edit(counts_sheet, "01F-02", L2="9999")
    counts_sheet = edit(counts_sheet, "01F-03", **dict.fromkeys(STAGE_KEYS, ""), status="counted")
    counts_sheet = edit(counts_sheet, "01F-04", status="lost")
    counts_sheet = edit(counts_sheet, "01F-05", collected_at="2024-05-04")
    counts_sheet = edit(counts_sheet, "01F-06", plugs="0")
    counts_sheet = edit(counts_sheet, "01F-07", method="magic")
    counts_sheet = edit(counts_sheet, "01F-08", moved="perhaps")
    counts_sheet.loc[counts_sheet["point_id"] == "01F-09", ["point_id", "sample_id"]] = ["99X-99", ""]
    lines = problems_of(write(counts_sheet, tmp_path / "a.csv"), counts_design)
    for found in (
        "L1 'x'", "status 'vanished'", "L2 9999", "status counted without a count", "status lost with counts",
        "collected_at '2024-05-04'", "counts from 0 plugs", "method 'magic'", "moved 'perhaps'", "label '99X-99'",
    ):  # fmt: skip
        assert sum(found in line for line in lines) == 1, found
    assert len(lines) == 10


def test_bad_rows_can_be_set_aside_by_the_users_word(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    path = write(edit(edit(counts_sheet, "01F-01", L1="x"), "01F-02", L2="-1"), tmp_path / "a.csv")
    counts = read_counts(path, counts_design, set_aside=True)
    assert len(counts.samples) == 18
    assert sum(note.what == "set_aside" for note in counts.notes) == 2


def test_an_absurd_count_depends_on_the_turf_taken(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    # 2,000 per ft² on three 2.25 in plugs (π/4 · (2.25/12)² = 0.02761 ft² each): 165.7, so 165 insects.
    assert read_counts(write(edit(counts_sheet, "01F-02", L4="165"), tmp_path / "a.csv"), counts_design)
    [line] = problems_of(write(edit(counts_sheet, "01F-02", L4="166"), tmp_path / "b.csv"), counts_design)
    assert "at most 165 in 3 plugs" in line
    [line] = problems_of(write(edit(counts_sheet, "01F-02", L4="100", plugs="1"), tmp_path / "c.csv"), counts_design)
    assert "at most 55 in 1 plug " in line


def test_unknown_columns_are_listed_and_kept_and_can_be_named(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    renamed = counts_sheet.rename(columns={"L3": "larvae"}).assign(weather="dry")
    path = write(renamed, tmp_path / "a.csv")
    counts = read_counts(path, counts_design)
    assert "columns nobody knows: 'larvae', 'weather'" in told(counts)
    assert "weather: dry" in counts.samples["note"].iloc[0]
    assert "L3" not in set(counts.counts["stage"])
    named = read_counts(path, counts_design, columns={"larvae": "L3"})
    assert (named.counts["stage"] == "L3").sum() == 20
    with pytest.raises(CountsError, match="no column 'grubs'"):
        read_counts(path, counts_design, columns={"grubs": "L3"})
    with pytest.raises(CountsError, match=r"'L9'; expected one of: .*L3"):
        read_counts(path, counts_design, columns={"larvae": "L9"})


def test_a_bare_total_is_unstaged_and_a_total_beside_stages_must_be_their_sum(
    counts_design: Design, tmp_path: Path
) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Point,Method,Count\n01F-01,brine,4\n01F-02,brine,0\n")
    counts = read_counts(path, counts_design)
    assert counts.counts[["stage", "count"]].to_numpy().tolist() == [["unstaged", 4], ["unstaged", 0]]
    path.write_text("Point,Method,L3,L4,Total\n01F-01,brine,4,1,5\n01F-02,brine,1,1,3\n")
    [line] = problems_of(path, counts_design)
    assert "a.csv row 3: found total 3; expected the sum of the stages, 2" in line


def test_a_row_without_a_method_has_the_designs_own_where_it_planned_one_alone(
    counts_design: Design, tmp_path: Path
) -> None:
    path = tmp_path / "a.csv"
    path.write_text("point,L3\n01F-01,4\n")
    counts = read_counts(path, counts_design)
    assert counts.samples["sample_id"].tolist() == ["01F-01-B"]
    assert [note.facts for note in counts.notes if note.what == "method_planned"] == [{"method": "brine"}]
    assert read_counts(path, counts_design, method="heat").samples["sample_id"].tolist() == ["01F-01-H"]
    two = replace(counts_design.visit, settings={**counts_design.visit.settings, "compare": ["brine", "heat"]})
    assert "no extraction method" in problems_of(path, replace(counts_design, visit=two))[0]


def test_blanks_in_rows_marked_counted_are_asked_about_once(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    marked = counts_sheet.assign(status=counts_sheet["status"].mask(counts_sheet["L1"] != "", "counted"))
    marked.loc[marked["status"] == "counted", "L1"] = ""
    path = write(marked, tmp_path / "a.csv")
    [asked] = problems_of(path, counts_design)
    assert "blank under L1 in rows marked counted" in asked
    zero, missing = (read_counts(path, counts_design, blank=word).counts for word in ("zero", "missing"))
    assert (zero.loc[zero["stage"] == "L1", "count"] == 0).all()
    assert (zero["stage"] == "L1").sum() == 20
    assert not (missing["stage"] == "L1").any()
    # A total alone is a count whose stages are not told apart, and nothing is asked.
    path.write_text("point,status,L1,L3,unstaged\n01F-01,counted,,,4\n")
    assert read_counts(path, counts_design).counts[["stage", "count"]].to_numpy().tolist() == [["unstaged", 4]]


@pytest.mark.parametrize(
    ("comment", "counted"),
    [
        ("3 larvae", {"unstaged": 3}),
        ("2 L3 and 1 pupa", {"L3": 2, "pupa": 1}),
        ("2 third instar, 4 L4 + 1 adult.", {"L3": 2, "L4": 4, "adult": 1}),
        ("none", {"unstaged": 0}),
        ("0 larvae", {"unstaged": 0}),
    ],
)
def test_a_waypoints_comment_is_read_as_people_say_it(
    comment: str, counted: dict[str, int], counts_design: Design, tmp_path: Path
) -> None:
    point = counts_design.points.iloc[0]
    path = tmp_path / "back.gpx"
    mark = f'<wpt lat="{point["lat"]}" lon="{point["lon"]}"><name>{point["point_id"]}</name><cmt>{comment}</cmt></wpt>'
    path.write_text(f'<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">{mark}</gpx>')
    counts = read_counts(path, counts_design)
    assert dict(zip(counts.counts["stage"], counts.counts["count"], strict=True)) == counted


def test_a_moved_plug_is_mapped_where_it_was_taken_and_an_unticked_far_position_is_a_conflict(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    lon, lat = counts_design.points.loc[counts_design.points["point_id"] == "01F-01", ["lon", "lat"]].iloc[0]
    far = {"lat": f"{lat + 0.0003:.7f}", "lon": f"{lon:.7f}"}
    moved = read_counts(write(edit(counts_sheet, "01F-01", moved="x", **far), tmp_path / "a.csv"), counts_design)
    sample = moved.samples.set_index("point_id").loc["01F-01"]
    place = gpd.GeoSeries([sample.geometry], crs=counts_design.points.crs).to_crs(4326).iloc[0]
    assert (place.x, place.y) == (pytest.approx(lon, abs=1e-6), pytest.approx(lat + 0.0003, abs=1e-6))
    # WGS84's meridian radius at 41.5 N, a (1 - e²) / (1 - e² sin² φ)^1.5, is 111,064 m a degree: 33.3 m in 0.0003.
    assert sample["offset_m"] == pytest.approx(33.3, abs=0.1)
    assert sample["weight_m2"] == pytest.approx(counts_design.points.set_index("point_id").loc["01F-01", "weight_m2"])
    [line] = problems_of(write(edit(counts_sheet, "01F-01", **far), tmp_path / "b.csv"), counts_design)
    assert "label 01F-01 with a position 33 m from its place" in line
    near = edit(counts_sheet, "01F-01", lat=f"{lat + 0.00005:.7f}", lon=f"{lon:.7f}")
    stays = read_counts(write(near, tmp_path / "c.csv"), counts_design).samples.set_index("point_id").loc["01F-01"]
    assert stays.geometry.equals(counts_design.points.set_index("point_id").geometry["01F-01"])
    assert read_counts(write(edit(counts_sheet, "01F-01", **far, accuracy_m="25"), tmp_path / "d.csv"), counts_design)


def test_inputs_are_left_as_they_were(counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path) -> None:
    before = counts_design.points.copy()
    read_counts(write(counts_sheet, tmp_path / "a.csv"), counts_design)
    pd.testing.assert_frame_equal(pd.DataFrame(counts_design.points), pd.DataFrame(before))


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
        ("list.geojson", "[]", "JSON that is no object"),
        ("quote.csv", 'point_id,L3\n01F-01,"4\n01F-02,3\n', "a row that can't be parted"),
        ("odd.geojson", '{"features": [{"geometry": {"type": "Polygon"}}]}', "a Polygon where a Point should be"),
    ],
)
def test_a_file_that_can_not_be_read_says_why(
    name: str, text: str, found: str, counts_design: Design, tmp_path: Path
) -> None:
    path = tmp_path / name
    path.write_text(text)
    assert found in problems_of(path, counts_design)[0]


def test_a_missing_file_says_so(counts_design: Design, tmp_path: Path) -> None:
    assert "no such file" in problems_of(tmp_path / "none.csv", counts_design)[0]
