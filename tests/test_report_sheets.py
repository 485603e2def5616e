"""The words of the sheets: steps carry their grade, units are the user's, and gaps are named."""

from __future__ import annotations

from pathlib import Path

from geosample.design import Design
from geosample.report.sheets import (
    tell_bench,
    tell_overview,
    tell_sheets,
    tell_sheets_more,
    tell_sources,
    tell_stop_table,
    tell_unit,
)
from geosample.sheets import Sheets, StopTable
from geosample.words import BENCH


def test_sources_stand_in_one_line_and_no_grade_in_any_other(sheets_design: Design) -> None:
    (sources,) = tell_sources("brine")
    assert "New York golf BMP 2019" in sources
    told = [*tell_bench("brine"), *tell_overview(sheets_design.visit, "us", pace_m=0.762, spare=True)]
    assert not any("source" in text or "[" in text for text in told)


def test_dangers_stand_after_the_steps() -> None:
    assert tell_bench("heat")[-1] == BENCH[0].text


def test_a_plug_is_told_in_the_users_units(sheets_design: Design) -> None:
    assert "2.25 in across" in tell_unit(sheets_design.visit, "us")
    assert "57 mm across" in tell_unit(sheets_design.visit, "metric")


def test_stop_lines_say_what_low_and_high_mean() -> None:
    table = StopTable("green", ((1, None, 6),), low_per_m2=107.639, high_per_m2=322.917, k=0.8)
    text = tell_stop_table(table, "us")[0]
    assert "10.0/ft² or less" in text
    assert "high 30/ft² or more" in text


def test_points_without_label_or_words_are_named(sheets_design: Design) -> None:
    made = Sheets((Path("a.pdf"),), sheets_design, unlabelled=("01F-01",), wordless=("02F-01", "02F-02"))
    files, _, printing, unlabelled, wordless = tell_sheets(made)
    assert "1 file in" in files
    assert "100 %" in printing
    assert unlabelled == "Points without room for their labels on the map: 01F-01."
    assert wordless.endswith("only the waypoint: 02F-01, 02F-02.")


def test_many_points_without_words_are_counted_and_all_named_on_request(sheets_design: Design) -> None:
    names = tuple(f"02F-{n:02d}" for n in range(1, 19))
    made = Sheets((Path("field_map.pdf"), Path("own.txt")), sheets_design, unlabelled=(), wordless=names)
    assert tell_sheets(made)[-1].endswith("02F-05 and 13 more.")
    assert "to print: field_map.pdf; also: own.txt." in tell_sheets(made)
    assert ", ".join(names) in tell_sheets_more(made)[-1]
    assert tell_sheets_more(made)[0] == "wrote field_map.pdf"
