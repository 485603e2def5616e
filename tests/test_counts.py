"""Counts: what came back is read cell by cell and joined by label or position; nothing is guessed or lost."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pytest
import shapely
from counts_case import PEST, STAGE_KEYS, edit, problems_of, scatter_design, told, write
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment
from scipy.spatial import KDTree

from geosample.compare.model import read_trial
from geosample.counts import Bad, partly_counted, read_counts, read_whole, tally
from geosample.counts.joining import Claim, Placed, Plan, assign_places
from geosample.counts.meaning import read_date
from geosample.counts.rows import Bag, Reach, find_reach, read_degrees
from geosample.design import Design
from geosample.errors import CountsError, EstimateError
from geosample.ground import Ground
from geosample.report.counts import tell_notes, tell_partly


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
    assert partly_counted(counts, PEST.name) == counts.summary()["partly_counted"] == ["01G-02-B"]
    assert "so left out: 1 bag (01G-02-B)." in tell_partly(["01G-02-B"])[0]
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


# Unicode CLDR, number symbols group and decimal of each locale (from memory); hand-typed marks beside them.
LOCALES = {
    "en-US": (",", "."),
    "en-IN": (",", "."),
    "de-DE": (".", ","),
    "fr-FR": ("\u202f", ","),
    "fr-FR, older": ("\u00a0", ","),
    "de-CH": ("’", "."),
    "de-CH, typed": ("'", "."),
    "sv-SE": ("\u00a0", ","),
    "typed": (" ", ","),
}
TWO_WAYS = ["1,000", "1.000", "1 000", "1\u00a0000", "1\u202f000", "1'000", "1’000", "12,000", "1,234"]


def forms(count: int, group: str, decimal: str) -> list[str]:
    """Return a count plain and grouped, each with no decimals, one, two and three."""
    whole = [str(count), f"{count:,}".replace(",", group)]
    return [f"{text}{f'{decimal}{zeros}' if zeros else ''}" for text in whole for zeros in ("", "0", "00", "000")]


@pytest.mark.parametrize("locale", LOCALES)
def test_a_count_is_taken_rightly_or_asked_about(locale: str) -> None:
    group, decimal = LOCALES[locale]
    for count in range(20_001):
        plain, *others = forms(count, group, decimal)
        assert read_whole(plain) == count
        for text in others:
            read = read_whole(text)
            assert read == count or isinstance(read, Bad), text


@pytest.mark.parametrize(("group", "decimal"), LOCALES.values())
def test_below_a_thousand_and_with_both_marks_nothing_is_asked(group: str, decimal: str) -> None:
    for count in (0, 2, 17, 999):
        assert [read_whole(f"{count}{decimal}{zeros}") for zeros in ("0", "00")] == [count, count]
    assert read_whole(f"12{group}345{decimal}0") == 12_345
    assert read_whole(f"12{group}345{decimal}00") == 12_345


@pytest.mark.parametrize("text", TWO_WAYS)
def test_a_number_of_two_ways_is_asked_about_by_row_and_column(
    text: str, counts_design: Design, counts_sheet: pd.DataFrame, tmp_path: Path
) -> None:
    path = write(edit(counts_sheet, "01F-03", L3=text), tmp_path / "a.csv")
    (problem,) = problems_of(path, counts_design)
    row = counts_sheet.index[counts_sheet["point_id"] == "01F-03"][0] + 2
    assert problem.startswith(f"a.csv row {row}: found L3 '")
    assert "one way" in problem
    assert f"write {''.join(filter(str.isdecimal, text))} if it is that many" in problem


def test_a_workbook_s_own_numbers_are_numbers_and_its_texts_are_asked_about(
    counts_design: Design, counts_sheet: pd.DataFrame, tmp_path: Path
) -> None:
    sheet = edit(counts_sheet, "01F-03", L3="1000").astype(object)
    sheet.loc[sheet["point_id"] == "01F-03", "plugs"] = 900
    for value, taken in ((1000, True), (1000.0, True), ("1,000", False), (1.5, False)):
        book = openpyxl.Workbook()
        book.active.append(list(sheet.columns))
        for row in sheet.itertuples(index=False):
            book.active.append([value if cell == "1000" else cell for cell in row])
        book.save(tmp_path / "a.xlsx")
        if taken:
            counts = read_counts(tmp_path / "a.xlsx", counts_design).counts
            assert 1000 in set(counts["count"])
        else:
            assert "L3" in problems_of(tmp_path / "a.xlsx", counts_design)[0]


@pytest.mark.parametrize("said", ["L3=1,000, L4=2", "L3 1,000 L4 2", "L4: 2; L3: 1.000", "L3=1 000\nL4=2", "1'000"])
def test_a_waypoint_s_comment_is_asked_about_too(said: str, counts_design: Design, tmp_path: Path) -> None:
    place = counts_design.points.iloc[0]
    path = tmp_path / "a.gpx"
    where, name = f'lat="{place["lat"]}" lon="{place["lon"]}"', place["point_id"]
    path.write_text(f"<gpx><wpt {where}><name>{name}</name><cmt>{said}</cmt></wpt></gpx>")
    problems = problems_of(path, counts_design)
    assert [problem for problem in problems if "write 1000 if it is that many" in problem]


def test_a_trial_s_numbers_are_asked_about(tmp_path: Path) -> None:
    path = tmp_path / "trial.csv"
    path.write_text('block;method;count;cost\nA;brine;1.000;2\nA;heat;3;"1,000"\n')
    with pytest.raises(EstimateError) as caught:
        read_trial(path)
    assert [problem.where for problem in caught.value.problems] == ["trial.csv row 2, count", "trial.csv row 3, cost"]


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


def bag(accuracy_m: float = math.nan) -> Bag:
    return Bag("row", "brine", "counted", 3, False, False, {}, {}, accuracy_m=accuracy_m, lon=-73.9, lat=41.5)


def plan_of(metres: np.ndarray, within_m: float, kinds: list[str] | None = None) -> Plan:
    names = np.array([f"p{i}" for i in range(len(metres))], dtype=object)
    kind = np.array(kinds or ["fairway"] * len(metres), dtype=object)
    return Plan(names, kind, kind, metres, within_m, KDTree(metres))


def sheet_at(design: Design, places: list[tuple[float, float]], folder: Path, **columns: list[str]) -> Path:
    """A sheet without labels: places in metres, one insect in the first row, two in the second ..."""
    lonlat = gpd.GeoSeries(shapely.points(places), crs=design.points.crs).to_crs(4326)
    rows = pd.DataFrame({"lat": lonlat.y, "lon": lonlat.x, "method": "brine", "L3": range(1, len(places) + 1)})
    path = folder / "a.csv"
    rows.assign(**columns).to_csv(path, index=False)
    return path


@given(st.integers(0, 10_000), st.integers(1, 12), st.integers(1, 12))
def test_the_assignment_is_the_one_an_independent_solver_finds(seed: int, rows: int, points: int) -> None:
    rng = np.random.default_rng(seed)
    places, metres = rng.uniform(0, 30, (rows, 2)), rng.uniform(0, 30, (points, 2))
    found = assign_places([Placed(bag(), Claim())] * rows, places, plan_of(metres, 12.0), set())
    cost = np.hypot(*(places[:, None] - metres[None]).transpose(2, 0, 1))
    # scipy.optimize.linear_sum_assignment, dense, with pairs out of reach at a cost no sum of distances reaches.
    r, p = linear_sum_assignment(np.where(cost <= 12.0, cost, 1e6))
    kept = cost[r, p] <= 12.0
    assert len(found) == kept.sum()
    assert sum(cost[i, j] for i, j in found.items()) == pytest.approx(cost[r, p][kept].sum(), abs=0.05)
    assert len(set(found.values())) == len(found)


def test_the_nearest_pair_does_not_rob_its_neighbour() -> None:
    # Row 0 lies 4 m from p0 and 3 m from p1; row 1 lies 5 m from p1 alone: greedy would leave row 1 out.
    found = assign_places(
        [Placed(bag(), Claim())] * 2,
        np.array([[4.0, 0.0], [12.0, 0.0]]),
        plan_of(np.array([[0.0, 0.0], [7.0, 0.0]]), 6.0),
        set(),
    )
    assert found == {0: 0, 1: 1}


def test_reach_grows_by_the_receivers_accuracy_and_the_kind_named_is_kept() -> None:
    metres = np.array([[0.0, 0.0], [13.0, 0.0]])
    place = np.array([[12.0, 0.0]])
    plan = plan_of(metres, 10.0, ["green", "collar"])
    assert assign_places([Placed(bag(), Claim(), kind="green")], place, plan, set()) == {}
    assert assign_places([Placed(bag(3.0), Claim(), kind="green")], place, plan, set()) == {0: 0}
    assert assign_places([Placed(bag(), Claim())], place, plan, set()) == {0: 1}
    assert assign_places([Placed(bag(), Claim())], place, plan, {1}) == {}


def test_rows_without_labels_join_the_points_no_label_took(counts_design: Design, tmp_path: Path) -> None:
    points = counts_design.points.set_index("point_id").geometry
    near = [(points[name].x + 1.0, points[name].y) for name in ("01F-01", "01F-02", "01F-03")]
    path = sheet_at(counts_design, near, tmp_path, point_id=["01F-01", "", "99"])
    counts = read_counts(path, counts_design)
    samples = counts.samples.set_index("point_id")
    found = counts.counts.set_index("sample_id")["count"]
    assert samples["joined_by"].to_dict() == {"01F-01": "label", "01F-02": "position", "01F-03": "position"}
    assert found.to_dict() == {"01F-01-B": 1, "01F-02-B": 2, "01F-03-B": 3}
    assert samples["offset_m"].tolist() == pytest.approx([1.0] * 3, abs=0.01)
    assert samples.loc["01F-02"].geometry.equals(points["01F-02"])
    [note] = [note for note in counts.notes if note.facts.get("label") == "99"]
    assert (note.what, note.facts["point"]) == ("joined_by_position", "01F-03")
    assert note.facts["offset_m"] == pytest.approx(1.0, abs=0.01)


def test_a_position_near_no_free_point_is_asked_about(counts_design: Design, tmp_path: Path) -> None:
    points = counts_design.points.set_index("point_id").geometry
    far = (points["01F-01"].x + 200, points["01F-01"].y)
    with pytest.raises(CountsError, match="no label and a position that no free point is near"):
        read_counts(sheet_at(counts_design, [far], tmp_path), counts_design)


def test_a_moved_plug_needs_its_label(counts_design: Design, tmp_path: Path) -> None:
    at = counts_design.points.geometry.iloc[0]
    with pytest.raises(CountsError, match="no label"):
        read_counts(sheet_at(counts_design, [(at.x, at.y)], tmp_path, moved=["yes"]), counts_design)


@pytest.mark.parametrize(("away_m", "taken"), [(95.0, True), (105.0, False)])
def test_a_plug_ticked_as_moved_may_not_have_moved_out_of_sight(
    counts_design: Design, tmp_path: Path, away_m: float, taken: bool
) -> None:
    at = counts_design.points.set_index("point_id").geometry["01F-01"]
    sheet = sheet_at(counts_design, [(at.x + away_m, at.y)], tmp_path, moved=["yes"], point_id=["01F-01"])
    if taken:
        assert read_counts(sheet, counts_design).samples["offset_m"].tolist() == pytest.approx([away_m], abs=0.01)
    else:
        with pytest.raises(CountsError, match=r"01F-01 moved 105 m from its place.*at most 100 m.*clear it"):
            read_counts(sheet, counts_design)


def test_two_points_nearly_as_near_are_told(counts_design: Design, tmp_path: Path) -> None:
    first, second = counts_design.points.geometry.iloc[0], shapely.Point(
        counts_design.points.geometry.iloc[0].x + 4, counts_design.points.geometry.iloc[0].y
    )  # fmt: skip
    geometry = gpd.GeoSeries([first, second, *counts_design.points.geometry.iloc[2:]], crs=counts_design.points.crs)
    close = replace(counts_design, points=counts_design.points.set_geometry(geometry))
    counts = read_counts(sheet_at(close, [(first.x + 1.9, first.y)], tmp_path), close)
    [note] = [note for note in counts.notes if "rival" in note.facts]
    assert (note.facts["rival"], round(note.facts["rival_m"], 1)) == ("01G-02", 2.1)


def test_a_label_on_another_surface_is_asked_about(counts_design: Design, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("point_id,surface_id,method,L3\n01F-01,01-green-1,brine,2\n")
    with pytest.raises(CountsError, match="label 01F-01 on surface 01-green-1; expected 01-fairway-1"):
        read_counts(path, counts_design)


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("41.5", 41.5), ("-73.91", -73.91), ("41,5", 41.5), ("73.91 W", -73.91), ("W73.91", -73.91),
        ("41°30'00\"N", 41.5), ("41º30'", 41.5), ("41 30 36 S", -41.51), ("41-30-36 N", 41.51), ("-73 54.6", -73.91),
        ("N 41° 30.6'", 41.51), ("41°30′36″", 41.51), ("", None), ("north", None), ("41°61'", None),
        ("41 30 36 12", None), ("-41 N", None), ("41N 30W", None), ("4e1", None),
    ],
)  # fmt: skip
def test_degrees_are_read_as_people_write_them(text: str, degrees: float | None) -> None:
    assert read_degrees(text) == degrees


def test_a_position_that_two_mendings_fit_is_asked_about(counts_design: Design, tmp_path: Path) -> None:
    # On the equator's own meridian every sign fits: nothing tells north from south.
    lonlat = counts_design.points.assign(lat=0.0005, lon=0.001)
    here = replace(counts_design, points=lonlat)
    path = tmp_path / "a.csv"
    path.write_text("point_id,method,L3,lat,lon\n01F-01,brine,2,0.0300,0.0200\n")
    with pytest.raises(CountsError, match="expected a place within 2 km"):
        read_counts(path, here)


def test_half_a_position_is_asked_about(counts_design: Design, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("point_id,method,L3,lat,lon\n01F-01,brine,2,41.5,\n")
    with pytest.raises(CountsError, match=r"position '41\.5', ''"):
        read_counts(path, counts_design)


def test_the_reach_is_two_kilometres_each_way() -> None:
    reach = find_reach(np.array([-73.9]), np.array([41.5]))
    assert isinstance(reach, Reach)
    # On WGS84 at 41.5 N a degree of latitude is 111.06 km and one of longitude 83.50 km (its radii of curvature).
    assert reach.holds(41.5 + 1.9 / 111.06, -73.9)
    assert not reach.holds(41.5 + 2.1 / 111.06, -73.9)
    assert reach.holds(41.5, -73.9 - 1.9 / 83.5)
    assert not reach.holds(41.5, -73.9 - 2.1 / 83.5)
