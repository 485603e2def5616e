"""Counts in words: what came back and who is missing."""

from __future__ import annotations

import ast
from pathlib import Path

import pandas as pd
from counts_case import STAGE_KEYS, edit, write

import geosample
from geosample.counts import add_counts, read_counts
from geosample.design import Design
from geosample.report.counts import NOTES, SET_ASIDE, tell_agreement, tell_counts, tell_notes
from geosample.survey import Survey


def test_every_note_that_the_rooms_make_has_words() -> None:
    made = set()
    for room in ("counts", "compare", "files"):
        for path in (Path(geosample.__file__).parent / room).glob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                name = getattr(getattr(node, "func", None), "attr", getattr(getattr(node, "func", None), "id", ""))
                place = {"note": 0, "Note": 0, "_split": 2}.get(name)
                word = node.args[place] if place is not None and len(getattr(node, "args", ())) > place else None
                made |= {word.value} if isinstance(word, ast.Constant) else set()
    assert made == set(NOTES)
    assert set(SET_ASIDE) <= set(NOTES)


def test_what_came_back_is_told_with_the_points_that_did_not(
    counts_sheet: pd.DataFrame, counts_design: Design, counts_survey: Survey, tmp_path: Path
) -> None:
    sheet = edit(counts_sheet.query("role == 'main'"), "01F-04", status="lost", **dict.fromkeys(STAGE_KEYS, ""))
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
