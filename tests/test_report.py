"""What report says of each stage's facts, in the user's units: wording stands in these tests alone."""

from __future__ import annotations

import ast
import dataclasses
import math
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from counts_case import STAGE_KEYS, edit, write
from density_case import THRESHOLD, aim_design, draw_counts, make_counts, place_points

import geosample
import geosample.ground
from geosample.batch import Outcome
from geosample.compare import Comparison, compare_methods, read_example
from geosample.compare.model import Equivalence
from geosample.counts import Counts, add_counts, read_counts
from geosample.density import DensityMap, map_density, starting_threshold
from geosample.design import Design, draw_design
from geosample.design.howmany import WHY_NO_STOPS as REASONS
from geosample.estimate import Estimates, Interval, estimate_means
from geosample.ground import Ground, Moved, Note, Replaced, read_ground
from geosample.ground.model import OlderVisit
from geosample.rehearsal.worlds import SimulationModel
from geosample.report import say
from geosample.report.batch import tell_batch, tell_batch_more, tell_course
from geosample.report.compare import tell_comparison, tell_comparison_more, tell_trial
from geosample.report.counts import NOTES, SET_ASIDE, tell_agreement, tell_counts, tell_notes
from geosample.report.density import (
    ADDS,
    CLUSTER_WARNING,
    tag_map,
    tell_clusters,
    tell_map,
    tell_map_more,
    tell_own_bags,
    tell_start,
    tell_trust,
)
from geosample.report.design import SIMULATED, WHY_NO_STOPS, tell_design, tell_design_more, tell_simulation
from geosample.report.estimate import tell_estimates, tell_estimates_more, tell_means, tell_stages, tell_table
from geosample.report.ground import NOTES as GROUND_NOTES
from geosample.report.ground import tell_ground, tell_ground_more, tell_note, tell_replaced
from geosample.report.sheets import (
    tell_bench,
    tell_method_sources,
    tell_overview,
    tell_sheets,
    tell_sheets_more,
    tell_stop_table,
    tell_unit,
)
from geosample.sheets import Sheets, StopTable
from geosample.survey import Survey
from geosample.survey.findings import Finding, What
from geosample.units import FOOT2_M2, Units
from geosample.words import BENCH


def outcomes(done: int, failed: int, left: int = 0) -> list[Outcome]:
    return [
        *(Outcome(f"good{n}", "done", "", "", 1.5) for n in range(done)),
        *(Outcome(f"bad{n}", "failed", "counts", "row 3: found x", 0.5) for n in range(failed)),
        *(Outcome(f"late{n}", "unfinished", "", "the scheduler was lost", None) for n in range(left)),
    ]


def test_few_courses_are_told_by_name_and_many_are_counted() -> None:
    assert tell_batch(outcomes(2, 1), Path("r.parquet")) == [
        "3 courses, 1 failed.",
        "bad0: failed in counts: row 3: found x",
        "wrote r.parquet, without the 1 that failed",
    ]
    many = outcomes(180, 20)
    assert len(tell_batch(many, None)) == 7
    assert tell_batch(many, None)[-1].endswith(" and 10 more failed (--more says why)")
    more = tell_batch_more(many)
    assert all(any(line.startswith(f"{one.course} ") for line in more) for one in many)
    told = [*tell_batch(many, None), *more]
    assert sum(line.startswith("bad") and "row 3" in line for line in told) == 20


def test_a_batch_that_was_stopped_says_how_to_go_on() -> None:
    lines = tell_batch(outcomes(1, 0, left=2), Path("r.parquet"))
    assert lines[0] == "3 courses, 0 failed, 2 not finished."
    assert lines[1:5] == [
        "stopped early: the scheduler was lost",
        "done: good0",
        "not finished: late0, late1",
        "r.parquet is not written, as it would lack them",
    ]
    assert lines[5].startswith("run the same command again")


def test_of_many_courses_a_fifth_and_the_failures_are_told_as_they_come() -> None:
    good, bad = outcomes(1, 1)
    assert tell_course(good, 1, 5) == ["1/5 good0: done (1.5 s)"]
    assert sum(len(tell_course(good, number, 200)) for number in range(1, 201)) == 5
    assert tell_course(bad, 3, 200) == ["3/200 bad0: failed (0.5 s)"]


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
    [
        ("7", "a tee drawn twice on hole 7: only the one on hole 7 is kept (a.kml)"),
        ("8", "only the one on hole 8 is kept; take the wrong one out"),
    ],
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
    assert made <= set(GROUND_NOTES)


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
    assert "with a collar, such as 30in" in line


def test_invented_counts_are_told_with_their_model():
    line = tell_simulation({**asdict(SimulationModel()), "seed": 3}, "metric")
    assert line.startswith(SIMULATED)
    assert "215/m² on average" in line
    assert "seed 3" in line


def test_sources_stand_in_one_line_and_no_grade_in_any_other(sheets_design: Design) -> None:
    (sources,) = tell_method_sources("brine")
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


@pytest.fixture(scope="module")
def answer(counted_visit: tuple[Counts, Design]) -> Estimates:
    return estimate_means(*counted_visit, threshold_per_m2=THRESHOLD)


def retold(answer: Estimates, *rows: Finding) -> str:
    """Return the answer with some findings in place of those about the same things."""
    kinds = {row.what for row in rows}
    kept = [row for row in answer.findings if row.what not in kinds]
    findings = dataclasses.replace(answer.findings, rows=(*kept, *rows))
    return " ".join(tell_means(dataclasses.replace(answer, findings=findings)))


def test_published_thresholds_are_told_with_their_grade(answer: Estimates) -> None:
    text = " ".join(tell_means(answer))
    assert "starting points only" in text
    assert "Sources and how sure: thresholds, in their order: Maryland golf BMP (read in its source)" in text
    assert "None is published by surface." in text
    assert "5 times in a hundred" in text


def test_zeros_are_told_with_what_they_still_allow(counted_visit: tuple[Counts, Design]) -> None:
    counts, design = counted_visit
    none = estimate_means(dataclasses.replace(counts, counts=counts.counts.assign(count=0)), design)
    told = tell_means(none)
    assert "none found in" in told[0]
    assert "which still allows up to" in told[0]
    assert any("not enough bags with insects" in text for text in told)
    assert any("too few points with insects" in text for text in told)


def test_the_account_names_what_is_missing_and_never_calls_it_zero(answer: Estimates) -> None:
    account = answer.findings.first(What.ACCOUNT)
    assert account is not None
    off = [{"stratum": "green border", "off": 2, "answered": 9, "share": 2 / 9}]
    more = {"lost": {"off_turf": 2}, "silent": 3, "left_out": ["X1"], "pooled": 4, "off_turf": off, "stopped_early": 5}
    more["partly"] = [f"01F-{number:02d}-B" for number in range(1, 8)]
    text = retold(answer, Finding(What.ACCOUNT, "all", detail={**account.detail, **more}))
    for words in (
        "not counted: 2 off turf, 3 with nothing written. They are taken as missing by chance, not as zero",
        "no planned point and so no design weight: X1.",
        "a stage being blank, so left out: 7 bags (01F-01-B, 01F-02-B, 01F-03-B, 01F-04-B, 01F-05-B and 2 more).",
        "4 bags were pooled",
        "green border: 2 of 9 points lay off the turf, so its area is taken as 22 % smaller.",
        "Extraction was stopped early on 5 bags",
    ):
        assert words in text


@pytest.mark.parametrize(
    ("verdict", "high", "said"),
    [
        ("more", 5.0, "The border holds more: 2.0 times the interior's density (1.2 to 5.0, 95 % interval)."),
        ("less", 0.9, "The border holds less, not more"),
        ("no_more", 1.2, "The border holds no more, or little more"),
        ("open", float("inf"), "(1.2 upward, 95 % interval). Do not treat the border alone"),
    ],
)
def test_the_border_is_told_by_its_verdict(answer: Estimates, verdict: str, high: float, said: str) -> None:
    detail = {"verdict": verdict, "level": 0.95, "n": 50, "margin": 1.5}
    assert said in retold(answer, Finding(What.COMMON_BORDER_RATIO, "all", 2.0, 1.2, high, detail=detail))


def test_undecided_kinds_say_how_many_more_points(answer: Estimates) -> None:
    def decided(verdict: str, more: int | None) -> str:
        detail = {"verdict": verdict, "level": 0.9, "n": 20, "more": more}
        return retold(answer, Finding(What.DECISION, "green", 300.0, 200.0, 400.0, THRESHOLD, detail))

    assert "greens are undecided, about 1 more point would settle their mean." in decided("undecided", 1)
    assert "ten times the points would not be sure to settle their mean" in decided("undecided", None)
    assert "greens are above it." in decided("above", None)
    assert "interval is (greens at least 19/ft²)" in decided("above", None)


def test_a_mix_is_told_with_its_doubt_and_both_ages_with_a_warning(answer: Estimates) -> None:
    def mixed(adults: float, lead: float | None) -> str:
        detail = {"level": 0.95, "lead": lead, "found": 9, "n_found": 20, "n_points": 9, "n_effective": 12.0}
        shares = {"larvae in the soil": 1 - adults, "adults": adults}
        rows = [
            Finding(What.STAGE_GROUP_SHARE, name, v, v / 2, (1 + v) / 2, detail=detail) for name, v in shares.items()
        ]
        return retold(answer, *rows)

    assert "Most common stage: larvae in the soil (90 %, with 95 % confidence 45 to 95 %)" in mixed(0.1, 0.99)
    assert "Most common so far: larvae in the soil (60 %" in mixed(0.4, 0.7)
    assert "but adults may be as common" in mixed(0.4, 0.7)
    assert "does nothing to larvae" in mixed(0.4, 0.7)
    assert "does nothing to larvae" not in mixed(0.1, 0.99)


@pytest.mark.parametrize(("units", "unit"), [("us", "per ft²"), ("metric", "per m²")])
def test_the_table_is_in_the_units_asked_for_whole_ground_first(answer: Estimates, units: Units, unit: str) -> None:
    lines = tell_estimates_more(answer, units)
    head = lines.index("") + 1
    assert unit in lines[head]
    assert "low, 95 %" in lines[head]
    assert lines[head + 1].startswith("all the ground")
    assert not [line for line in tell_estimates(answer, units) if line.startswith(("hole", "stratum"))]


def test_too_few_bags_are_told_in_words_not_as_a_limit_of_thousands(answer: Estimates) -> None:
    row = answer.estimates.iloc[[1]].assign(n=2, mean_per_m2=500.0, low_per_m2=80.0, high_per_m2=164_550.0)
    [_, told] = tell_table(row)
    assert "too few bags" in told
    assert "15,287" not in told


def test_stage_shares_told_together_add_up_to_100() -> None:
    told = tell_stages(
        [Finding(What.STAGE_GROUP_SHARE, name, share) for name, share in zip("abc", [1 / 3] * 3, strict=True)]
    )
    assert told == "Life stages: a 34 %, b 33 %, c 33 %."


def test_stage_shares_are_told_with_the_widest_side_of_their_intervals() -> None:
    told = tell_stages(
        [
            Finding(What.STAGE_GROUP_SHARE, "a", 0.9, 0.8, 0.96, detail={"level": 0.9}),
            Finding(What.STAGE_GROUP_SHARE, "b", 0.1, 0.04, 0.24, detail={"level": 0.9}),
        ]
    )
    assert told == "Life stages: a 90 %, b 10 %; each give or take 14 % of them all (90 % interval)."


@pytest.fixture(scope="module")
def example() -> Comparison:
    return compare_methods(read_example(), margin=1.25)


def told_trial(comparison: Comparison) -> str:
    return "\n".join(tell_trial(comparison))


def with_ratio(comparison: Comparison, interval: Interval) -> Comparison:
    return replace(comparison, overall=replace(comparison.overall, interval=interval))


def test_a_difference_that_is_not_seen_is_never_called_sameness(example: Comparison) -> None:
    text = told_trial(example)
    assert "cannot tell" in text
    assert "Not shown to lie within your margin" in text
    assert "the same" not in text
    assert "takes a margin of yours" in told_trial(replace(example, equivalence=None))


def test_sameness_within_the_margin_is_told_with_what_is_left_of_a_difference(example: Comparison) -> None:
    same = replace(example, equivalence=Equivalence(1.25, 0.01, Interval(1.1, 1.02, 1.2), 0.9, holds=True))
    text = told_trial(same)
    assert "Within your margin: the ratio lies within 0.80 to 1.25, so they differ at most by it (90 % interval" in text
    clear = with_ratio(same, Interval(1.1, 1.01, 1.21))
    assert "heat finds more: heat finds 1.10 times what brine finds" in told_trial(clear)
    assert "so they differ, but by no more than your margin" in told_trial(clear)


def test_a_reference_that_found_none_makes_no_infinite_claim(example: Comparison) -> None:
    none = replace(
        with_ratio(example, Interval(math.inf, 3.0, math.inf)), blocks_to_tell=None, blocks_to_show_same=None
    )
    text = told_trial(none)
    assert "brine found none at all" in text
    assert "3.00 to no limit" in text
    assert "blocks like these" not in text
    assert "--recovery" not in text


def test_invented_counts_are_called_so_and_tables_follow_on_request(example: Comparison) -> None:
    answer, invented, *_ = tell_comparison(example)
    assert "cannot tell" in answer
    assert invented.startswith("Invented counts")
    lines = tell_comparison_more(example)
    assert sum(line.startswith("site") for line in lines) == 1
    assert any("common practice, no source" in line for line in lines)


def test_the_example_is_one_line_and_a_table(example: Comparison) -> None:
    assert repr(example).startswith("Comparison(source='invented_trial.csv, invented', invented=True, ")
    assert len(repr(example)) <= 200
    assert "Alder green" in example._repr_html_()


@pytest.mark.parametrize(
    ("brine", "heat", "expected"),
    [
        ((22, 1.5), (9, 1), "less a bag, and its answer is there 0.5 h sooner."),
        ((9, 1), (9, 48), "Both take as long at hand. Where the answer is wanted within 48 h brine is the better."),
        ((22, 1), (9, 1), "13.0 minutes at hand less a bag; both wait as long."),
        ((math.nan, 1), (9, 1), "takes minutes noted for both"),
    ],
)
def test_costs_end_with_when_each_is_the_better_choice(
    example: Comparison, brine: tuple[float, float], heat: tuple[float, float], expected: str
) -> None:
    noted = zip(example.effort, (brine, heat), strict=True)
    effort = tuple(replace(one, minutes=minutes, wait_hours=hours) for one, (minutes, hours) in noted)
    assert expected in tell_comparison_more(replace(example, effort=(effort[0], effort[1])))[-1]


def test_every_interval_carries_its_level_and_the_model_is_named(example: Comparison) -> None:
    lines = tell_comparison_more(example)
    for line in [*tell_comparison(example), *lines]:
        assert line.count(" interval ") == line.count(" % interval "), line
    assert any(line.startswith("Model: counts of 96 bags") and "negative binomial" in line for line in lines)
    assert lines[-1].startswith("Where hands are short heat is the better: 13.")
    assert lines[-1].endswith("Where the answer is wanted within 48 h brine is the better.")
    assert any(line.startswith("hours to wait a bag") and line.endswith("48.0") for line in lines)
    assert not any(line.startswith("cost a bag") for line in lines)
    few = replace(example, overall=replace(example.overall, level=0.875))
    assert any("24 blocks can carry 87.5 % confidence, not 95 %" in line for line in tell_comparison(few))
    assert "--recovery" not in told_trial(few)  # it takes limits at 95 % alone
    assert "--recovery" in told_trial(example)


@pytest.fixture(scope="module")
def told_map(small_ground: Ground) -> DensityMap:
    counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(5))
    return map_density(counts, small_ground, design=aim_design(small_ground), cell_m=4, threshold_per_m2=THRESHOLD)


def test_own_bags_stand_beside_the_map_and_a_difference_about_the_threshold_is_said(
    capsys: pytest.CaptureFixture[str],
) -> None:
    foot = FOOT2_M2
    rows = [("1", "green", 5, 37 / foot, 24 / foot), ("1", "fairway", 9, 20 / foot, 21 / foot)]
    rows += [("2", "green", 3, 50 / foot, 30.1 / foot), ("2", "fairway", 0, np.nan, 45 / foot)]
    compared = pd.DataFrame(rows, columns=["hole", "kind", "bags", "own_per_m2", "map_per_m2"])
    lines, rest = tell_own_bags(compared, 30 / foot, "us")
    assert rest == []
    assert lines[0].startswith("Bags and map differ about 30/ft²: hole 1 green (bags 37/ft², map 24/ft²). A few bags")
    assert [line.split() for line in lines[2:]] == [
        ["hole", "1", "green", "37", "24", "5"],
        ["hole", "1", "fairway", "20", "21", "9"],
        ["hole", "2", "green", "50", "30", "3"],
        ["hole", "2", "fairway", "none", "45", "0"],
    ]
    many = pd.concat([compared] * 3, ignore_index=True)
    said, table = tell_own_bags(many, 60 / foot, "metric")
    assert (said, len(table)) == ([], 2 + 12)  # told with the rest
    assert not any("/ft²" in line for line in table)
    say(["first", *lines], {}, as_json=False)
    assert capsys.readouterr().out == "first\n"  # a terminal keeps them for --more
    say(["first", *lines], {}, as_json=False, more=True)
    assert "hole 2 green" in capsys.readouterr().out


def test_the_map_says_what_it_adds_what_it_knows_and_what_is_above(told_map: DensityMap) -> None:
    text = "\n".join([*tell_map(told_map), *tell_map_more(told_map)])
    for words in ("The map foretells", "30/ft²", "log score", "Blocks of 197 ft", "Fitted: k"):
        assert words in text
    metric = "\n".join([*tell_map(told_map, "metric"), *tell_map_more(told_map, "metric")])
    assert "323/m²" in metric
    assert "Blocks of 60.0 m" in metric
    assert "ft" not in metric.replace("left", "").replace("after", "").replace("often", "")


def test_a_bag_with_a_stage_left_blank_is_not_on_the_map_and_it_says_so(small_ground: Ground) -> None:
    counts, _, _ = draw_counts(small_ground, 20, np.random.default_rng(5))
    late = counts.counts.assign(stage="L4", count=0).iloc[1:]
    partly = dataclasses.replace(counts, counts=pd.concat([counts.counts, late], ignore_index=True))
    made = map_density(partly, small_ground, cell_m=8)
    [told] = [line for line in tell_map(made) if line.startswith("Without a total")]
    assert ": 1 bag (S-000). If none were found, write 0; blank is not zero." in told
    assert len(made.fitted["sites"]["count"]) == 19


def test_ground_that_is_known_as_a_whole_has_no_rest(told_map: DensityMap) -> None:
    sure = told_map.cells.assign(known=True, log_sd=1e-3, log_mean=np.log(9 * THRESHOLD))
    far = sure.index > len(sure) // 2  # where the counts say nothing
    some = sure.assign(known=~far, log_sd=np.where(far, 3.0, 1e-3), log_mean=np.where(far, np.log(THRESHOLD), 9.0))
    known = [
        line
        for cells in (sure, some)
        for line in tell_map(dataclasses.replace(told_map, cells=cells))
        if "speak" in line
    ]
    assert known[0] == "The counts speak for 100 % of the area at 30/ft²."
    assert known[1].endswith("of the area at 30/ft²; the rest is not known, which is not the same as clean.")


def test_a_map_of_one_density_a_surface_tells_no_places(told_map: DensityMap) -> None:
    flat = "It tells surfaces apart, hardly any places on one."
    by_surface = told_map.cells.groupby("surface_id")["expected_per_m2"].transform("mean")
    even = dataclasses.replace(told_map, cells=told_map.cells.assign(expected_per_m2=by_surface))
    assert even.within_surfaces_ratio == pytest.approx(1.0)
    assert even.summary()["within_surfaces_ratio"] == pytest.approx(1.0)
    ends = [group["expected_per_m2"].quantile([0.05, 0.95]) for _, group in told_map.cells.groupby("surface_id")]
    ratios = [end[0.95] / end[0.05] for end in ends]
    assert min(ratios) <= told_map.within_surfaces_ratio <= max(ratios)
    assert (flat in "".join(tell_map(even)), flat in "".join(tell_map(told_map))) == (True, False)


@pytest.mark.parametrize("answer", ["yes", "a little", "no"])
def test_what_it_adds_is_one_of_three_answers(told_map: DensityMap, answer: str) -> None:
    rows = [
        replace(row, detail={**row.detail, "answer": answer}) if row.what == "map worth" else row
        for row in told_map.findings
    ]
    [line] = tell_trust(replace(told_map, findings=replace(told_map.findings, rows=tuple(rows))))
    assert line == ADDS[answer]


def test_a_count_left_out_of_the_judgement_is_named(small_ground: Ground) -> None:
    counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(5))
    huge = counts.counts.copy()
    huge.loc[huge.index[10], "count"] = 9000
    [line] = tell_trust(map_density(replace(counts, counts=huge), small_ground, cell_m=4.0))
    assert "Judged without the count of 9,000" in line


def test_too_few_insects_are_told_as_a_bound(small_ground: Ground) -> None:
    places = place_points(small_ground, 30, np.random.default_rng(1))
    bound = map_density(make_counts(small_ground, places, np.zeros(30)), small_ground, cell_m=5)
    [line] = tell_map(bound, "metric")
    assert line.startswith("No map: 0 insects in 30 bags is fewer than 5.")
    assert "with 95 % confidence; no place is shown as clean" in line


def test_cells_too_large_for_the_ground_are_said_to_be(small_ground: Ground) -> None:
    counts, _, _ = draw_counts(small_ground, 40, np.random.default_rng(8))
    surfaces = len(small_ground.surfaces)
    lines = tell_map(map_density(counts, small_ground, cell_m=1000.0), "metric")
    assert any(
        line.startswith(f"Cells of 1,000.0 m are large for this ground: {surfaces} of {surfaces}") for line in lines
    )


def test_simulated_counts_are_said_and_in_the_tags(told_map: DensityMap) -> None:
    invented = replace(told_map, settings=replace(told_map.settings, simulated=True))
    assert "simulated" in tell_map(invented)[1]
    assert "simulated" in tag_map(invented)["data"]
    assert "simulated" not in " ".join([*tell_map(told_map), *tag_map(told_map).values()])


def test_clusters_come_with_what_they_do_not_say() -> None:
    told = tell_clusters({"high": ["S-1"], "band_m": 10.0, "false_share": 0.1}, "metric")
    assert told.startswith("1 sample has more high counts around than chance gives")
    assert "10.0 m" in told
    assert told.endswith(CLUSTER_WARNING)


def test_a_threshold_to_start_from_says_where_it_comes_from() -> None:
    line = tell_start(starting_threshold("annual bluegrass weevil"), "us")
    assert line.startswith("No threshold given: 30/ft² taken to start with (early season")
    assert "Maryland" in line
