"""Holes as courses name them, odd ones too: read, compared, sorted and labelled in one place."""

from __future__ import annotations

import unicodedata
from dataclasses import replace

import pytest
from treat_case import patch, plan, treated

from geosample.counts.joining import LabelBook
from geosample.design import label_points
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
