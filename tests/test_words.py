"""Holes as courses name them, read, compared and labelled in one place; units at the border, by exact factors."""

from __future__ import annotations

import math
import unicodedata
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from treat_case import patch, plan, treated

from geosample import units
from geosample.counts.joining import LabelBook
from geosample.design import label_points
from geosample.errors import UnitError
from geosample.ground import Ground
from geosample.words import hole_key, hole_label, hole_number, hole_slug, same_hole, tidy_hole

LONG = "the ground behind the old shed and round the far side of the lake"
HOSTILE = ["1²", "٣", "007", "a_b", "", LONG, "9" * 5000, "½", "Red 3", "７", "_", "²"]


@pytest.mark.parametrize("hole", HOSTILE)
def test_an_odd_name_is_read_sorted_and_labelled(hole: str) -> None:
    assert hole_key(hole) <= hole_key(None)
    label = hole_label(hole)
    assert 0 < len(label) <= 24
    # forms and spreadsheets fold odd signs; a label that changes on its way joins to another point
    assert unicodedata.normalize("NFKC", label) == label
    assert hole_slug(hole).isascii()
    assert same_hole(hole) == same_hole(tidy_hole(hole))
    assert hole_label(tidy_hole(hole)) == label


@pytest.mark.parametrize(
    ("hole", "number", "tidy", "label", "slug"),
    [
        ("7", 7, "7", "07", "07"),
        ("007", 7, "7", "07", "07"),
        ("٣", 3, "3", "03", "03"),
        ("1²", None, "1²", "1_2", "1-2"),
        ("a_b", None, "a_b", "A_B", "a-b"),
        ("Red 3", None, "Red 3", "RED3", "red-3"),
        ("", None, None, "X", "hole"),
        ("9999999", None, "9999999", "9999999", "9999999"),
    ],
)
def test_one_name_has_one_number_label_and_slug(
    hole: str, number: int | None, tidy: str | None, label: str, slug: str
) -> None:
    assert (hole_number(hole), tidy_hole(hole), hole_label(hole), hole_slug(hole)) == (number, tidy, label, slug)


def test_numbers_sort_as_numbers_names_behind_them_and_no_hole_last() -> None:
    assert sorted([None, "Red 3", "10", "1²", "٣", "2"], key=hole_key) == ["2", "٣", "10", "1²", "Red 3", None]


def test_two_ways_to_write_a_hole_are_the_same_and_two_holes_are_not() -> None:
    assert same_hole("07") == same_hole(" 7 ") == same_hole("Hole 7") == same_hole("7.0") == same_hole("７")
    assert same_hole("1²") != same_hole("12")


def test_points_of_odd_holes_have_labels_of_their_own_that_come_back_to_them() -> None:
    holes = ["1²", "12", "12", LONG, LONG + " too", None]
    labels = label_points(holes, ["fairway"] * len(holes))
    assert len(set(labels)) == len(holes)
    book = LabelBook(labels)
    assert [found.point_id for label in labels if (found := book.find(label))] == labels


@pytest.mark.parametrize("hole", ["1²", "007", "a_b", None])
def test_a_zone_names_its_hole_as_the_points_do(hole: str | None, small_ground: Ground) -> None:
    ground = replace(small_ground, surfaces=small_ground.surfaces.assign(hole=hole))
    zones = treated(plan(ground, patch(-50, -130, 12)))
    assert zones["zone_id"].iloc[0] == f"Z{label_points([hole], ['fairway'])[0].replace('-01', '-1')}"


# NIST SP 811 (2008), appendix B.8: foot 3.048 E-01 m, square foot 9.290 304 E-02 m², yard 9.144 E-01 m,
# inch 2.54 E-02 m (all exact). The acre printed there, 4.046 873 E+03 m², is the survey foot's; the international
# one is 43,560 ft² = 4046.856 m².
@pytest.mark.parametrize(
    ("text", "metres"), [("1ft", 0.3048), ("1 in", 0.0254), ("1yd", 0.9144), ("30in", 0.762), ("250mm", 0.25)]
)
def test_lengths_follow_the_exact_factors(text: str, metres: float) -> None:
    assert units.parse_length(text) == pytest.approx(metres, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "m2"), [("1ft2", 0.09290304), ("1 ft²", 0.09290304), ("1acre", 4046.8564224), ("1ha", 10_000.0)]
)
def test_areas_follow_the_exact_factors(text: str, m2: float) -> None:
    assert units.parse_area(text) == pytest.approx(m2, rel=1e-12)


@pytest.mark.parametrize("text", ['30"', "30 inches", "30in", "30''", "2.5'", "2.5 feet"])
def test_lengths_are_read_as_people_write_them(text: str) -> None:
    assert units.parse_length(text) == pytest.approx(0.762)


@pytest.mark.parametrize("text", ["30/sqft", "30 per ft2", "30 per sq ft", "30/ft²", "30 / ft^2", "30 per square foot"])
def test_densities_are_read_as_people_write_them(text: str) -> None:
    assert units.parse_density(text) == pytest.approx(30 / units.FOOT2_M2)


@given(st.lists(st.floats(0.1, 1.0), min_size=2, max_size=6))
def test_shares_told_together_add_up_to_all(shares: list[float]) -> None:
    assert sum(int(one.split()[0]) for one in units.share_out(shares)) == 100


# 1/ft² = 10.7639/m²: the inverse of NIST SP 811's square foot, to the digits printed in the trade's tables.
def test_one_per_square_foot_is_so_many_per_square_metre() -> None:
    assert units.parse_density("1/ft2") == pytest.approx(10.7639, abs=5e-5)


# Plug areas and factors to ft²: geometry, pi d²/4. (The trade takes a 4.25 in hole cutter as × 10: common practice, no
# source.) The 5.7 cm core is 25.5176 cm², so 929.0304 / 25.5176 = 36.408.
@pytest.mark.parametrize(
    ("diameter_in", "area_ft2", "factor"),
    [(4.25, 0.09852, 10.151), (2.25, 0.02761, 36.217), (2.0, 0.02182, 45.837), (5.7 / 2.54, 0.02747, 36.408)],
)
def test_the_plug_table(diameter_in: float, area_ft2: float, factor: float) -> None:
    area = units.plug_area_m2(diameter_in * units.INCH_M) / units.FOOT2_M2
    assert area == pytest.approx(area_ft2, abs=5e-6)
    assert 1 / area == pytest.approx(factor, abs=1.5e-3)


# UMass Extension, turf management update of 21 May 2015: six 2 in plugs, 38 larvae, reported as about 300 per ft²;
# the exact figure is 290.3.
def test_the_published_worked_example_of_six_plugs() -> None:
    per_m2 = 38 / (6 * units.plug_area_m2(2.0 * units.INCH_M))
    assert units.per_ft2(per_m2) == pytest.approx(290.3, abs=0.05)
    assert units.show_density(per_m2) == "290/ft²"


@pytest.mark.parametrize("text", ["15", "", "ft", "15 furlongs", "15/ft2", "-3ft", "nanft", "1e400ft", "15ft2"])
def test_a_length_that_is_none_is_refused_with_the_units_allowed(text: str) -> None:
    with pytest.raises(UnitError, match=r"--border: found .*; expected a length"):
        units.parse_length(text, where="--border")


@given(st.floats(0, 1e5, allow_nan=False), st.sampled_from(sorted(units.LENGTHS_M)))
def test_what_is_written_with_a_unit_is_read_back(value: float, unit: str) -> None:
    assert units.parse_length(f"{value!r}{unit}") == pytest.approx(value * units.LENGTHS_M[unit], rel=1e-12)


@pytest.mark.parametrize("text", ["1e400ft", "1e300m", "101000 m", "-1ft"])
def test_a_length_no_course_has_is_refused_in_few_words(text: str) -> None:
    with pytest.raises(UnitError, match="expected a length from zero to 100 km") as caught:
        units.parse_length(text + "", where="--border")
    assert len(str(caught.value)) < 200


@given(st.floats(1e-3, 1e6))
def test_densities_read_the_same_in_both_systems(per_m2: float) -> None:
    assert units.parse_density(f"{units.per_ft2(per_m2)!r}/ft2") == pytest.approx(per_m2, rel=1e-9)


def test_numbers_that_are_none_are_shown_as_such() -> None:
    assert units.show_number(math.nan) == "nan"
    assert units.show_number(math.inf) == "inf"


@pytest.mark.parametrize("share", [0.99501, 0.9999, 0.996])
def test_no_chance_short_of_certainty_reads_as_certain(share: float) -> None:
    assert units.percent(share) == "over 99 %"
    assert units.percent(1 - share) == "under 1 %"
    assert "100" not in units.percent_range(0.5, share)
    assert units.percent_range(1 - share, 0.5) == "under 1 to 50 %"


def test_a_loss_reads_as_less_than_nothing_and_a_hair_below_nothing_as_nothing() -> None:
    assert (units.percent(-0.2), units.percent(-1e-9), units.percent_range(-0.2, 0.35)) == (
        "-20 %",
        "0 %",
        "-20 to 35 %",
    )
