"""Pest profiles: complete, graded, and read the same every time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from estimate_case import count_visit
from treat_case import make_map

from geosample.design import draw_design
from geosample.errors import GeosampleError
from geosample.estimate import estimate_means
from geosample.pests import list_pests, load_pest
from geosample.rehearsal.worlds import SimulationModel
from geosample.report.treat import tell_plan_more
from geosample.survey.findings import What
from geosample.treat import suggest_zones, use_averages
from geosample.units import per_ft2
from geosample.words import GRADES


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


@pytest.mark.parametrize("name", [name for name in list_pests() if name != "annual bluegrass weevil"])
def test_another_pest_goes_through_the_chain(name: str, small_ground, tmp_path) -> None:
    """Drawn, printed, counted, estimated and planned for, each in its own unit and stages."""
    pest = load_pest(name)
    design = draw_design(small_ground, visit="2026-08-10", points=16, pest=name, minimum=2, reserve=0.0, seed=5)
    assert design.visit.point_m2 == pytest.approx(np.pi * pest.unit_diameter_m**2 / 4 * pest.plugs_per_point)
    low, high = pest.threshold_range
    shares = dict.fromkeys([stage.key for stage in pest.stages if stage.key in {"small", "large"}], 0.5)
    model = SimulationModel(mean_per_m2=3 * high, border_ratio=1.0, stage_shares=shares)
    counts = count_visit(design, small_ground, model=model)
    estimates = estimate_means(counts, design, by=("kind", "stratum"), threshold_per_m2=low)
    whole = estimates.estimates.query("domain == 'all' and stage == 'all'").iloc[0]
    assert whole["high_per_m2"] > low
    assert {row.domain for row in estimates.findings.of(What.STAGE_GROUP_SHARE) if row.value > 0} == {
        pest.group_of(stage) for stage in shares
    }
    flat = make_map(small_ground, lambda cells: np.full(len(cells), 1.0))
    averages = use_averages(replace(flat, visit=design.visit.visit, pest=name), estimates.estimates, design.strata)
    zones = suggest_zones(averages, small_ground, threshold_per_m2=low, findings=estimates.findings)
    assert len(zones.of("treat"))
    assert any("ask your extension office" in line for line in tell_plan_more(zones, "us"))
