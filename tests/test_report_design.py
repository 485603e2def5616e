"""What a person reads of a design: the facts of ``Design.summary`` in the user's units."""

from __future__ import annotations

from dataclasses import asdict, replace

import pytest

from geosample.design import draw_design
from geosample.design.howmany import WHY_NO_STOPS as REASONS
from geosample.ground import Ground
from geosample.rehearsal.worlds import SimulationModel
from geosample.report.design import SIMULATED, WHY_NO_STOPS, tell_design, tell_design_more, tell_simulation

ASKED = {"visit": "2026-05-04", "points": 30, "seed": 7, "stop_low_per_m2": 108.0, "stop_high_per_m2": 430.0}


@pytest.fixture(scope="module")
def design(small_ground):
    return draw_design(small_ground, **ASKED, k=1.2, k_from_visit="2026-04-01", hours=6.0, people=2, plugs=2)


def told(design, units):
    return "\n".join([*tell_design(design, units), *tell_design_more(design, units)])


def test_a_design_is_told_in_the_units_asked_for(design):
    facts, feet, metres = design.summary(), told(design, "us"), told(design, "metric")
    assert f"30 points and {facts['reserve']} in reserve" in feet
    assert "acres" in feet
    assert " ha" in metres
    assert "at 10/ft²" in feet
    assert "acres" not in metres
    assert "k 1.2 a bag (how clumped insects lie: the smaller, the more clumped), found on visit 2026-04-01." in feet
    assert "2 plugs a point" in feet


def test_what_was_asked_beside_the_points_is_told(design):
    text = told(design, "us")
    assert "5 batches of 6 in brine" in text
    assert "; 10 more points tell it to ± " in text
    assert "Stop lines for extraction, k 1.2 a bag" in text
    assert "right at 10/ft²" in text
    assert "Pooled here: 2." in text


def test_a_second_draw_says_which_it_replaces(design):
    assert not any("place of draw" in line for line in tell_design(design))
    assert "It takes the place of draw K7Q2X, whose sheets are void." in tell_design(design, replaced="K7Q2X")


def test_every_reason_for_no_stop_lines_has_its_words(design):
    assert set(WHY_NO_STOPS) == set(REASONS)
    plans = [{**plan, "why_not": "kept"} for plan in design.visit.stop_lines]
    without = replace(design, visit=replace(design.visit, settings={**design.visit.settings, "stop_lines": plans}))
    text = told(without, "us")
    assert "No stop lines for green: kept points make its density uneven." in text
    assert "right at" not in text


def test_surfaces_the_course_does_not_have_are_told(small_ground):
    bare = Ground(small_ground.surfaces[small_ground.surfaces["kind"] != "collar"], small_ground.obstacles)
    [line] = [line for line in tell_design(draw_design(bare, visit="2026-05-04", seed=1)) if "no collar" in line]
    assert "--collar 30in makes collars" in line


def test_invented_counts_are_told_with_their_model():
    line = tell_simulation({**asdict(SimulationModel()), "seed": 3}, "metric")
    assert line.startswith(SIMULATED)
    assert "215/m² on average" in line
    assert "seed 3" in line
