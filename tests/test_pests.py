"""Pest profiles: complete, graded, and read the same every time."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from fill_blank import fill_blank

from geosample.cli import main
from geosample.demo import find_course
from geosample.design import load_design
from geosample.errors import GeosampleError
from geosample.estimate import load_estimates
from geosample.ground import load_ground
from geosample.pests import list_pests, load_pest
from geosample.rehearsal.worlds import SimulationModel
from geosample.survey import open_survey
from geosample.survey.findings import What
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


@pytest.fixture(scope="module")
def demo_course(tmp_path_factory: pytest.TempPathFactory) -> Path:
    course = tmp_path_factory.mktemp("demo") / "course.gpkg"
    assert CliRunner().invoke(main, ["ground", str(course), str(find_course()), "--collar", "30in"]).exit_code == 0
    return course


@pytest.mark.slow
@pytest.mark.parametrize("name", list_pests())
def test_every_pest_goes_through_the_whole_chain_on_the_demo_course(
    name: str, demo_course: Path, tmp_path: Path
) -> None:
    """Drawn, printed, counted, estimated, mapped, planned for and shown, each in its own unit and stages."""
    survey, blank, filled = tmp_path / "course.gpkg", tmp_path / "blank_counts.csv", tmp_path / "filled.csv"
    shutil.copy(demo_course, survey)
    pest = load_pest(name)
    low, high = pest.threshold_range
    threshold = f"{low:.6g}/m2"

    def run(*words: object) -> dict[str, Any]:
        result = CliRunner().invoke(main, [str(word) for word in (words[0], survey, *words[1:], "--json")])
        assert result.exit_code == 0, result.output
        return dict(json.loads(result.stdout))

    run("design", "--visit", "2026-08-10", "--pest", name, "--points", 24, "--holes", "4", "--seed", 5)
    opened = open_survey(survey)
    design = load_design(opened)
    assert design.visit.point_m2 == pytest.approx(np.pi * pest.unit_diameter_m**2 / 4 * pest.plugs_per_point)
    run("sheets", "--out", tmp_path)
    # the two stages that are most often looked for: those in the middle of the list
    shares = dict.fromkeys([stage.key for stage in pest.stages][1:3], 0.5)
    model = SimulationModel(mean_per_m2=3 * high, border_ratio=1.0, stage_shares=shares)
    fill_blank(blank, design, load_ground(opened), filled, seed=5, model=model)
    run("counts", filled)
    estimates = run("estimate", "--by", "kind,stratum")
    whole = next(row for row in estimates["estimates"] if row["domain"] == "all" and row["stage"] == "all")
    assert whole["high_per_m2"] > low
    found = load_estimates(opened, "2026-08-10", name).findings.of(What.STAGE_GROUP_SHARE)
    assert {row.domain for row in found if row.value > 0} == {pest.group_of(stage) for stage in shares}
    run("density", "--threshold", threshold, "--cell", "4m", "--out", tmp_path)
    plan = CliRunner().invoke(main, ["treat", str(survey), "--threshold", threshold, "--out", str(tmp_path), "--more"])
    assert plan.exit_code == 0, plan.output
    assert "treat" in set(opened.read("zones")["action"])
    sourced = any(control.irac for control in pest.controls)
    assert ("none found with a source; ask your extension office" in plan.output) == (not sourced)
    run("map", "--out", tmp_path / "map.html")
    assert name in (tmp_path / "map.html").read_text(encoding="utf-8")
