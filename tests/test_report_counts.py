"""Counts in words: what came back and who is missing."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
from counts_case import edit, write

from geosample.counts import add_counts, read_counts
from geosample.design import Design
from geosample.report.counts import tell_agreement, tell_counts, tell_notes
from geosample.survey import Survey


def test_what_came_back_is_told_with_the_points_that_did_not(
    counts_sheet: pd.DataFrame, counts_design: Design, counts_survey: Survey, tmp_path: Path
) -> None:
    sheet = edit(counts_sheet.query("role == 'main'"), "01F-04", status="lost", L1="", L2="", L3="", L4="", L5="")
    fresh = read_counts(write(sheet, tmp_path / "a.csv"), counts_design)
    added = add_counts(counts_survey, fresh, counts_design)
    lines = "\n".join(tell_counts(added))
    assert f"Visit {counts_design.visit.visit}: " in lines
    assert "1 lost" in lines
    assert "1 of 20 main points have no count: 01F-04" in lines
    assert any(line.startswith("01F-04: lost") for line in tell_notes(added.counts.notes))
    assert len(repr(added)) <= 200
    assert len(repr(added.counts)) <= 200


def test_a_first_counter_who_misses_small_larvae_is_told() -> None:
    found = {"stage": "small larvae", "bags": 9, "same": 3, "first": 10, "second": 30}
    [sure] = tell_agreement([{**found, "ratio": 1 / 3, "low": 0.15, "high": 0.70}])
    assert "are being missed" in sure
    [perhaps] = tell_agreement([{**found, "ratio": 0.7, "low": 0.4, "high": 1.2}])
    assert "may be missed" in perhaps
