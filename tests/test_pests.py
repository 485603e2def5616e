"""Pest profiles: complete, graded, and read the same every time."""

from __future__ import annotations

import pytest

from geosample.cautions import GRADES
from geosample.errors import GeosampleError
from geosample.pests import list_pests, load_pest
from geosample.units import per_ft2


@pytest.mark.parametrize("name", list_pests())
def test_every_number_of_a_profile_has_its_grade_and_a_sourced_one_its_source(name: str) -> None:
    pest = load_pest(name)
    assert pest.name == name
    for row in (*pest.thresholds, *pest.controls):
        assert row.grade in GRADES
        assert bool(row.source) == (row.grade in {"S", "A", "D"})
    for threshold in pest.thresholds:
        assert 0 < threshold.low_per_m2 <= threshold.high_per_m2


@pytest.mark.parametrize("name", list_pests())
def test_every_stage_is_in_exactly_one_group_of_controls_so_that_shares_sum_to_all(name: str) -> None:
    pest = load_pest(name)
    reached = [stage for control in pest.controls for stage in control.stages]
    assert sorted(reached) == sorted(stage.key for stage in pest.stages)
    assert [control.group for control in pest.controls if not control.stages] == []
    assert {control.group for control in pest.controls} == {stage.group for stage in pest.stages}


# Golf Course Management 2017: larvae 1 and 2 live in the stem, the third leaves it, 4 and 5 feed at the surface.
def test_the_weevils_stages_stand_in_five_groups() -> None:
    groups: dict[str, list[str]] = {}
    for stage in load_pest("annual bluegrass weevil").stages:
        groups.setdefault(stage.group, []).append(stage.key)
    assert list(groups.values()) == [["egg", "L1", "L2"], ["L3"], ["L4", "L5"], ["pupa"], ["teneral", "adult"]]


@pytest.mark.parametrize("name", list_pests())
def test_stage_words_mean_one_stage_each(name: str) -> None:
    pest = load_pest(name)
    words = [word for stage in pest.stages for word in {*stage.words, stage.key.lower()}]
    assert len(words) == len(set(words))


# Maryland golf BMP, annual bluegrass weevil: 30-80 larvae per ft² early in the season.
def test_the_weevils_early_threshold_is_as_published() -> None:
    first = load_pest("annual bluegrass weevil").thresholds[0]
    assert per_ft2(first.low_per_m2) == pytest.approx(30)
    assert per_ft2(first.high_per_m2) == pytest.approx(80)


def test_an_unknown_pest_lists_those_there_are() -> None:
    with pytest.raises(GeosampleError, match="annual bluegrass weevil"):
        load_pest("no such beetle")


def test_no_profile_names_a_product_or_a_rate() -> None:
    """IRAC groups are a number and at most a letter; anything longer would be a name."""
    for name in list_pests():
        for control in load_pest(name).controls:
            assert all(len(group) <= 3 and group[0].isdigit() for group in control.irac)
