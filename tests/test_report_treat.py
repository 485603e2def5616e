"""What the words say of a plan, a record and a check: few tests, of wording only; the facts are held by their rooms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from test_treat_record import bags
from treat_case import make_map, patch, plan, plan_map, ratio_found

from geosample.density import Looks
from geosample.pests import DEFAULT_PEST
from geosample.report import LINE_WIDTH, Aside, fold
from geosample.report.design import SIMULATED
from geosample.report.treat import (
    tell_amounts,
    tell_efficacy,
    tell_efficacy_more,
    tell_looks,
    tell_plan,
    tell_plan_more,
    tell_reasons,
    tell_record,
    tell_record_more,
    tell_same_places,
    tell_strip,
    tell_treated,
    tell_what_to_treat,
    tell_zone,
    work_rows,
)
from geosample.survey.findings import Finding, Findings, What
from geosample.treat import Sprayer
from geosample.treat.amounts import parse_rate, parse_tank
from geosample.treat.model import Basis
from geosample.treat.passes import find_places
from geosample.treat.records import Treated, check_treatment
from geosample.units import ACRE_M2, FOOT2_M2
from geosample.words import IN_SHORT, RULES


@pytest.fixture(scope="module")
def zones(small_ground):
    return plan(small_ground, patch(-50, -130, 14), border_only_m=12.0, keep_off_m={"building": 5.0})


def test_the_answer_comes_first_and_says_what_was_asked(zones):
    first, second, *rest = tell_what_to_treat(zones, "us")
    assert first.startswith("Treat 2 zones, ")
    assert second.startswith("Overspray: a whole boom on these passes also covers ")
    said = " ".join(rest)
    asked = "As asked, only ground within 39 ft of the outer edge was considered"
    for part in (
        asked,
        "Yours to set: treat from a chance of 25 % (miss cost 3); about ",
        "at 3 mph",
        "none is assumed",
        "no building is mapped",
    ):
        assert part in said
    assert "The counts speak for 100 %" in " ".join(tell_reasons(zones, "us"))


@pytest.mark.slow
def test_the_terminal_is_told_in_at_most_eight_lines_whatever_is_asked(small_ground):
    sprayer = Sprayer(parse_rate("0.2floz/1000ft2"), parse_rate("2gal/1000ft2"), parse_tank("60gal"))
    given = make_map(small_ground, patch(-50, -130, 14), known=lambda cells: cells["easting"] > -50)
    for asked in ({}, {"border_only_m": 12.0}, {"check_share": 0.2, "keep_off_m": {"water": 7.6, "building": 5.0}}):
        found = ratio_found(0.7, 1.4, 2.5)
        zones = replace(plan_map(given, small_ground, sprayer=sprayer, findings=found, **asked), simulated=True)
        for units in ("us", "metric"):
            shown = [line for line in tell_plan(zones, units) if not isinstance(line, Aside)]
            lines = fold([*shown, "Wrote treatment_plan.pdf and 9 files of zones into out."])
            assert len(lines) <= 8, lines
            assert IN_SHORT in lines


@pytest.mark.slow
def test_border_only_is_answered_in_two_lines(small_ground):
    given = make_map(small_ground, patch(-50, -130, 20))
    verdicts = {(1.4, 2.5, 4.0): "Yes (2.5", (0.3, 0.5, 0.8): "No (0.5", (0.7, 1.4, 2.5): "Cannot tell (1.4"}
    for found, said in verdicts.items():
        zones = plan_map(given, small_ground, findings=ratio_found(*found), border_only_m=4.572)
        holds, costs = tell_strip(zones, "us")
        assert holds.startswith(f"Does the border hold more? {said} times the interior, ")
        assert costs.startswith("A strip of 15 ft costs ")
        assert " and leaves " in costs
        assert tell_plan(zones, "us")[1:3] == [holds, costs]


def test_a_group_that_was_used_is_marked_with_its_date_where_it_is_listed(small_ground):
    found = Findings("May", DEFAULT_PEST, (Finding(What.STAGE_SHARE, "L4", 1.0),))
    given = replace(make_map(small_ground, patch(-50, -130, 14)), pest=DEFAULT_PEST)
    done = pd.DataFrame({"date": ["2026-04-20"], "record": ['{"irac_group": "28"}']})
    [line, *_] = tell_reasons(plan_map(given, small_ground, findings=found, treatments=done), "us")
    assert "28 (used 2026-04-20)" in line
    assert "5, 22A, 1B" in line


def test_the_work_is_told_in_driving_order_with_its_sum_first(small_ground):
    tank = Sprayer(carrier=parse_rate("2gal/1000ft2"), tank=parse_tank("60gal"))
    zones = plan(small_ground, lambda cells: np.full(len(cells), 90.0), sprayer=tank)
    total, *rows = work_rows(zones, find_places(zones.zones, small_ground), "us")
    assert [row[1] for row in rows] == ["Z01F-1", "Z01G-1, Z01C-1"]
    assert rows[0][2] == "fairway, all of it"
    assert total[:2] == ["all", "3 zones"]
    assert sum(int(row[4]) for row in rows) == int(total[4])
    assert sum(float(row[7]) for row in rows) == pytest.approx(float(total[7]), abs=0.11)


def test_the_units_are_the_readers(zones):
    assert "ft²" in " ".join(tell_plan(zones, "us"))
    assert "ft²" not in " ".join(tell_plan(zones, "metric"))
    assert "m²" in " ".join(tell_plan(zones, "metric"))


def test_no_treatment_is_an_answer_with_its_reason(small_ground):
    first, *rest = tell_what_to_treat(plan(small_ground, patch(0, 0, 0)), "us")
    assert first.startswith("Nothing to treat: nowhere on the ")
    assert "lies above everything on the map" in " ".join(rest)
    thread = plan(small_ground, lambda cells: np.where(np.abs(cells["northing"] + 160) < 1.0, 90.0, 0.1), miss_cost=0.5)
    assert tell_what_to_treat(thread, "us")[0].startswith("Nothing to treat as asked")
    assert any("too narrow for the swath" in line for line in tell_reasons(thread, "us"))


@pytest.mark.parametrize(
    ("basis", "said"),
    [
        (Basis.ASKED, "As asked: this plan goes by the means."),
        (Basis.FEW_INSECTS, "There are too few insects for a map (2): this plan"),
        (Basis.NO_BETTER, "The map adds nothing to plain averages"),
    ],
)
def test_why_averages_are_used_stands_behind_the_answer(zones, basis, said):
    averaged = replace(zones, figures=replace(zones.figures, basis=basis, insects_counted=2))
    assert tell_plan(averaged, "us")[1].startswith(said)


def test_invented_counts_are_called_so_right_behind_the_answer(zones):
    assert tell_what_to_treat(replace(zones, simulated=True), "us")[1] == SIMULATED


@pytest.mark.slow
def test_the_border_is_proposed_only_where_the_counts_support_it(small_ground):
    given = make_map(small_ground, patch(-50, -130, 20))
    for found, supported in ((ratio_found(1.4, 2.5, 4.0), True), (ratio_found(0.7, 1.4, 2.5), False), (None, False)):
        said = " ".join(tell_reasons(plan_map(given, small_ground, findings=found), "us"))
        assert ("--border-only" in said or "no strip short of most" in said) == supported
        assert ("Treating only the border is not supported by these counts." in said) != supported


def test_stages_point_to_classes_and_never_to_products(small_ground):
    found = Findings("May", DEFAULT_PEST, (Finding(What.STAGE_SHARE, "L4", 0.6), Finding(What.STAGE_SHARE, "L3", 0.4)))
    given = replace(make_map(small_ground, patch(-50, -130, 14)), pest=DEFAULT_PEST)
    first, *_ = [line for line in tell_reasons(plan_map(given, small_ground, findings=found), "us") if "tage" in line]
    assert first.startswith("Stages: 60 % of the insects fit")
    assert "IRAC groups 5, 22A, 1B, 28" in first


def test_amounts_say_the_users_own_figures_and_whose_word_counts():
    # as worked by hand in test_treat
    sprayer = Sprayer(parse_rate("0.2oz/1000ft2"), parse_rate("2gal/1000ft2"), parse_tank("60gal"))
    said = " ".join(tell_amounts(50_000 * FOOT2_M2, sprayer, "us"))
    for part in ("0.2oz/1000ft2", "take 100 gal", "oz is read as a weight; write floz for a volume", "label"):
        assert part in said
    assert "1 full of 60 gal with 6 oz, then one of 40 gal with 4 oz." in said
    assert not list(tell_amounts(ACRE_M2, Sprayer(), "us"))


def test_a_zone_says_where_how_much_and_how_many_bags(zones):
    row = next(zones.zones.itertuples())
    said = tell_zone(row, "us")
    assert said.startswith("Hole 1 fairway, ")
    assert "no counted bag in it" in said
    assert "3 counted bags in it" in tell_zone(row._replace(bags=3), "us")


def test_a_record_says_what_is_missing_and_where_that_is_asked_for():
    said = tell_record("May", {"date": "2026-05-08"}, ["method"], RULES["ny"], to_come=True)
    assert said[0] == "Recorded: treated on 2026-05-08 by the plan of visit May, 1 field."
    assert any("6 NYCRR 325.25" in line and line.endswith(": method of application.") for line in said)
    more = tell_record_more({"date": "2026-05-08"}, ["method"], RULES["ny"])
    assert more[0] == "- date: 2026-05-08"
    assert "- method of application (method)" in more
    assert any("still to come" in line for line in said)


def test_what_the_comparison_cannot_say_is_said(small_ground):
    zones = plan(small_ground, patch(-50, -130, 30))
    rng = np.random.default_rng(6)
    before = bags(zones, 600, 300, rng)
    found = check_treatment(before, before.assign(count=0), zones, rng=rng)
    answer = tell_efficacy(found)
    assert answer == "No verdict without check strips (treat --checks 5%): zones at 0 times before, others 0."
    assert len(answer) <= LINE_WIDTH
    said = " ".join([*tell_same_places(found), *tell_efficacy_more(found)])
    for part in (
        "falls by itself",
        "can't be told fairly",
        "flatters the treatment",
        "Check strips (geosample treat --checks 5%)",
        "plug hole is no fresh point",
        "can't tell",
    ):
        assert part in said


def test_no_effect_is_not_called_one(small_ground):
    zones = plan(small_ground, patch(-50, -130, 30))
    rng = np.random.default_rng(9)
    nothing = check_treatment(bags(zones, 600, 300, rng), bags(zones, 600, 300, rng), zones, rng=rng)
    much = check_treatment(bags(zones, 600, 300, rng), bags(zones, 10, 300, rng), zones, rng=rng)
    claim = "do not show that the treatment did anything"
    assert any(claim in line for line in tell_efficacy_more(nothing))
    assert not any(claim in line for line in tell_efficacy_more(much))
    strips = replace(much, strips=(2, 1, 2))
    assert any(
        "check strips (2) hold 1 bags before and 2 after; 3 after are" in line for line in tell_efficacy_more(strips)
    )
    few = tell_efficacy(strips)
    assert few.startswith("No verdict: the check strips held 2 of the 3 bags needed; points")
    both = {"strips_used": True, "strips": (2, 4, 4)}
    for answer in (few, tell_efficacy(replace(much, **both))):
        assert len(answer) <= LINE_WIDTH
    assert answer.startswith("Killed by the treatment, against the check strips: ")
    assert tell_efficacy(replace(nothing, **both)).endswith("that may be nothing.")
    worse = tell_efficacy(replace(much, **both, henderson_tilton=(-3.92, -12.89, -0.69)))
    assert worse.endswith("strips: none: 4.9 times the expected left (90 %: 1.7 to 14).")
    assert len(worse) <= LINE_WIDTH
    unsure = tell_efficacy(replace(much, **both, henderson_tilton=(0.61, -0.2, 0.85)))
    assert unsure.endswith("strips: 61 % (90 % interval none to 85 %): that may be nothing.")
    assert not any("flatter" in line for line in tell_efficacy_more(replace(much, **both)))


def test_which_zones_count_as_treated_is_said():
    assert "No treatment by the plan of May is recorded: all 3 zones" in tell_treated(Treated("May", 3, 3, ()))
    told = tell_treated(Treated("May", 3, 1, ("2026-05-08",)))
    assert told == "Treated as recorded on 2026-05-08: 1 of the plan's 3 zones."


@pytest.mark.slow
def test_ground_that_no_plug_speaks_for_is_told_whichever_way_it_goes(small_ground):
    given = make_map(small_ground, patch(-50, -130, 14), known=lambda cells: cells["easting"] > -50)
    treating, leaving = (tell_reasons(plan_map(given, small_ground, sampled_only=only), "us") for only in (False, True))
    assert any(
        "have no plug near" in line and "a plan for sampled ground only leaves them" in line for line in treating
    )
    assert any("By your costs that is as dear as treating" in line for line in leaving)
    none = make_map(small_ground, patch(-50, -130, 14), known=lambda cells: cells["easting"] > 1e9)
    assert "This is no all-clear" in tell_what_to_treat(plan_map(none, small_ground, sampled_only=True), "us")[0]


@pytest.mark.slow
def test_a_plan_of_nearly_all_says_that_spot_treatment_does_not_pay(small_ground):
    said = tell_what_to_treat(plan(small_ground, lambda cells: np.full(len(cells), 90.0)), "us")
    assert "Nearly all: spot treatment does not pay; it leaves nothing." in said
    spot = tell_what_to_treat(plan(small_ground, patch(-50, -130, 14)), "us")
    assert not any("Nearly all" in line for line in spot)


def test_a_zone_says_why_in_few_words(small_ground):
    given = make_map(small_ground, patch(-50, -130, 14), known=lambda cells: cells["northing"] > -60)
    zones = plan_map(given, small_ground)
    assert "no plug here: by ground like it" in tell_zone(next(zones.zones.itertuples()), "us")
    [row] = [line for line in tell_plan_more(zones, "us") if line.startswith("Z01F-1")]
    assert row.endswith("  2.9     0  no plug here: by ground like it")


def test_looking_again_is_proposed_only_where_it_pays_in_one_line():
    none, few, many = (
        tell_looks(looks, "us")
        for looks in (
            Looks(0, 20.0, 46.45, 0.0, or_more=False),
            Looks(2, 150.0, 46.45, 0.48, or_more=False),
            Looks(12, 500.0, 46.45, 1.1, or_more=True),
        )
    )
    assert none == [
        "Looking again does not pay for this plan: the next plug would save about 215 ft², at a price of 500 ft²."
    ]
    told = "Look again first: 2 more plugs would save some 1,615 ft², likely less, each more than its 500 ft²;"
    assert few == [f"{told} some 0.5 h. 'followup --points 2' places them."]
    assert "12 or more plugs would save some" in many[0]
    assert tell_looks(None, "us") == ["Whether to look again can't be weighed: this plan does not go by the map."]
    assert all(len(line) <= LINE_WIDTH * 2 for line in (*none, *few, *many))
