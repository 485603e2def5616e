"""Ground in words: what was understood, mended and left out, in the units asked for."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import geosample.ground
from geosample.ground import Moved, Note, Replaced, read_ground
from geosample.ground.model import OlderVisit
from geosample.report.ground import NOTES, tell_ground, tell_ground_more, tell_note, tell_replaced

ROOM = Path(geosample.ground.__file__).parent


def test_scraps_are_told_in_one_line_in_the_units_asked_for() -> None:
    facts = {"given": 2, "given_m2": 2.0, "left": 1, "left_m2": 0.4, "under_m2": 3.0, "under_share": 0.01}
    note = Note("scraps", "surfaces", 3, 2.4, {**facts, "under_wide_m": 0.5})
    assert tell_note(note, "metric").startswith(
        "3 pieces too small for a surface, 2.4 m²: 2 given to the one beside, 1 left out (0.4 m²); "
        "under 3 m², or under 1% of theirs and 50 cm wide"
    )
    us = tell_note(note, "us")
    assert "26 ft²: 2 given to the one beside, 1 left out (4.3 ft²); under 32 ft²" in us
    assert "20 in wide" in us


@pytest.mark.parametrize(
    ("kept", "words"),
    [("7", "a tee drawn twice on hole 7: only the one on hole 7 is kept (a.kml)"), ("8", "is that the right hole?")],
)
def test_what_was_drawn_twice_is_doubted_where_the_holes_differ(kept: str, words: str) -> None:
    assert words in tell_note(Note("drawn_twice", "a.kml", facts={"kind": "tee", "hole": "7", "kept_hole": kept}))


def test_every_note_that_the_room_makes_has_words() -> None:
    made = set()
    for path in ROOM.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in {"Note", "_left_out"}:
                made |= {node.args[0].value} if isinstance(node.args[0], ast.Constant) else set()
    assert len(made) > 20
    assert made <= set(NOTES)


def test_visits_on_a_replaced_ground_are_told() -> None:
    moved = [
        Moved("green", "07-green-1", "07-green-1", 500.0, 550.0, 60.0),
        Moved("bunker", "bunker", None, 40.0, 0.0, 40.0),
        Moved("tee", None, "07-tee-2", 0.0, 90.0, 90.0),
    ]
    lines = tell_replaced(Replaced((OlderVisit("May", 9, 2),), tuple(moved)), "metric")
    assert lines[0] == (
        "Moved: 07-green-1 changed from 500 m² to 550 m² (60 m² apart), bunker gone (40 m²), 07-tee-2 new (90 m²)."
    )
    assert "visit May stays on the ground it was drawn on" in lines[1]
    assert "2 of its 9 points would lie off" in lines[1]
    assert tell_replaced(Replaced()) == []


def test_a_ground_shows_itself(hole_file: Path) -> None:
    ground = read_ground(hole_file, collar_m=0.76)
    assert len(repr(ground)) <= 200
    assert "<table>" in ground._repr_html_()
    assert ground.to_geodataframe().crs == ground.crs
    facts = ground.summary()
    assert sum(one["area_m2"] for one in facts["kinds"].values()) == pytest.approx(facts["area_m2"])
    lines = "\n".join(tell_ground(ground, "metric"))
    assert "collar derived round each" in lines
    assert lines.startswith("1 hole, 4 surfaces on 7,701 m²; obstacles: 1 bunker.")
    assert "centred on the course at" not in lines
    assert "centred on the course at" in "\n".join(tell_ground_more(ground, "metric"))
