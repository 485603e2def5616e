"""The rehearsal: the stages' own answers on simulated truths, their chances as published, and what is said of them."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from PIL import Image
from visit_case import count_visit

from geosample.cli import main
from geosample.density import map_density, save_density
from geosample.design import draw_design, save_design
from geosample.errors import RehearsalError
from geosample.estimate import estimate_means, save_estimates
from geosample.ground import Ground, save_ground
from geosample.rehearsal import Rehearsal, World, guess_worlds, read_world, rehearse, state_worlds
from geosample.rehearsal.picture import draw_rehearsal
from geosample.rehearsal.play import _scale, _set_up, empty_counts, map_round
from geosample.rehearsal.worlds import SimulationModel, draw_truth, true_density
from geosample.report import fold
from geosample.report.rehearse import tell_rehearsal, tell_rehearsal_more, tell_verdict
from geosample.survey import open_survey

THRESHOLD = 323.0
EVEN = SimulationModel(mean_per_m2=THRESHOLD / 2, border_ratio=1.0, field_sd=0.0, k=1.0)
COVERAGE = Path(__file__).parent / "benchmarks" / "estimate_coverage.md"


@pytest.fixture(scope="module")
def played(small_ground: Ground) -> Rehearsal:
    """Return a small rehearsal, which no test may change."""
    asked = {"points": (24, 40), "rounds": 3, "jobs": 1, "cell_m": 6.0}
    return rehearse(small_ground, threshold_per_m2=THRESHOLD, **asked)  # type: ignore[arg-type]


def test_every_number_and_world_has_its_rounds_and_shares_make_a_whole(played: Rehearsal) -> None:
    plans = played.plans
    assert len(plans) == 2 * 4
    assert plans.groupby("points")["rounds"].agg(list).tolist() == [[3, 1, 1, 1]] * 2
    parts = played.kinds[["right", "wrong", "undecided"]].sum(axis=1)
    assert parts.to_numpy() == pytest.approx(np.ones(len(parts)))
    assert (plans["needless_m2"] + plans["left_hot_m2"] <= played.area_m2).all()
    hours = plans.drop_duplicates("points").set_index("points")["hours"]
    assert hours[40] > hours[24]
    assert (played.kinds["right_se"] > 0).all()


@pytest.mark.slow
def test_the_same_seed_gives_the_same_answer_in_any_number_of_processes(small_ground: Ground) -> None:
    done: list[tuple[int, int]] = []
    asked = {"points": (24,), "rounds": 2, "cell_m": 8.0, "threshold_per_m2": THRESHOLD}
    one = rehearse(small_ground, **asked, jobs=1, progress=lambda *part: done.append(part))  # type: ignore[arg-type]
    two = rehearse(small_ground, **asked, jobs=2)  # type: ignore[arg-type]
    pd.testing.assert_frame_equal(one.plans, two.plans)
    pd.testing.assert_frame_equal(one.kinds, two.kinds)
    assert done == [(1, 2), (2, 2)]
    other = rehearse(small_ground, **asked, jobs=1, seed=2)  # type: ignore[arg-type]
    assert not other.plans.equals(one.plans)


def test_a_round_is_mapped_as_the_map_stage_maps_its_counts(small_ground: Ground) -> None:
    design = draw_design(small_ground, visit="2026-05-04", points=40, reserve=0.0, seed=3)
    counts = count_visit(design, small_ground, seed=8, model=SimulationModel(mean_per_m2=600.0, border_ratio=4.0))
    theirs = map_density(counts, small_ground, design=design, threshold_per_m2=THRESHOLD, cell_m=6.0)
    stage = _set_up(design, small_ground, 6.0)
    count = counts.counts.groupby("sample_id")["count"].sum()[stage.samples.sample_id].to_numpy(float)
    ours = map_round(stage, stage.catch, count)
    assert ours.fitted["map_worth"]["answer"] == theirs.fitted["map_worth"]["answer"] != "no"
    for column in ("log_mean", "log_sd", "area_m2"):
        assert ours.cells[column].to_numpy() == pytest.approx(theirs.cells[column].to_numpy(), rel=1e-9)


def test_a_round_with_nothing_found_goes_by_averages(small_ground: Ground) -> None:
    design = draw_design(small_ground, visit="2026-05-04", points=24, reserve=0.0, seed=3)
    stage = _set_up(design, small_ground, 6.0)
    assert empty_counts(design).counts["count"].sum() == 0
    found = map_round(stage, stage.catch, np.zeros(24))
    assert found.fitted["by"] == "averages"
    assert found.cells.groupby("surface_id")["log_mean"].nunique().eq(1).all()


def test_kinds_have_the_stated_means_over_many_truths(small_ground: Ground) -> None:
    design = draw_design(small_ground, visit="2026-05-04", points=24, reserve=0.0, seed=3)
    stage = _set_up(design, small_ground, 4.0)
    means = {"green": 100.0, "collar": 900.0, "fairway": 300.0}
    model = SimulationModel(border_ratio=3.0, field_sd=0.4, field_range_m=15.0)
    model = _scale(World("stated", model, means), stage).model
    places, area = stage.cells[["easting", "northing"]].to_numpy(), stage.cells["area_m2"]
    kinds = stage.cells["kind"].to_numpy()
    rng, lines = np.random.default_rng(4), stage.covariates.lines
    truths = [draw_truth(small_ground, rng, model, waves=200, lines=lines) for _ in range(60)]
    density = np.mean([true_density(one, *places.T, kinds, stage.edge_cells_m) for one in truths], axis=0)
    for kind, mean in means.items():
        mine = kinds == kind
        # a green of 20 m has few patches of 15 m: 60 truths leave a standard error of about 4 %
        assert np.average(density[mine], weights=area[mine]) == pytest.approx(mean, rel=0.15)


@pytest.mark.slow
def test_chances_agree_with_what_the_estimates_own_simulations_publish(small_ground: Ground) -> None:
    # Source: tests/benchmarks/estimate_coverage.md, row even, k 1, n 30: "below" at twice the mean, 400 verdicts.
    row = next(
        line.split("|")
        for line in COVERAGE.read_text(encoding="utf-8").splitlines()
        if line.startswith("| even | 1.0 | 30")
    )
    published = float(row[12]) / 100
    asked = {"points": (60,), "surfaces": ("green", "fairway"), "allocation": "equal", "rounds": 32, "cell_m": 15.0}
    worlds = [World("even", EVEN)]
    found = rehearse(small_ground, threshold_per_m2=THRESHOLD, worlds=worlds, jobs=1, **asked)  # type: ignore[arg-type]
    right = float(found.kinds["right"].mean())
    assert found.kinds["bags"].tolist() == [30.0, 30.0]
    assert abs(right - published) < 3 * math.sqrt(published * (1 - published) * (1 / 400 + 1 / 64))
    assert (found.kinds["clear_right"] == found.kinds["right"]).all()


def test_all_numbers_that_can_not_be_are_told_at_once(small_ground: Ground) -> None:
    with pytest.raises(RehearsalError) as error:
        rehearse(small_ground, threshold_per_m2=THRESHOLD, points=(30, 30), border_weights=(), rounds=0)
    assert [one.where for one in error.value.problems] == ["points", "border_weights", "rounds"]


def test_what_is_stated_stands_in_place_of_what_was_guessed() -> None:
    few, patches, edges = state_worlds(guess_worlds(THRESHOLD), mean_per_m2=50.0, k=3.0, field_sd=None)
    assert {one.model.mean_per_m2 for one in (few, patches, edges)} == {50.0}
    assert (patches.model.k, patches.model.field_sd, few.model.field_sd) == (3.0, 1.0, 0.5)


@pytest.mark.slow
def test_the_last_mapped_visit_is_the_world_that_is_played(tmp_path: Path, small_ground: Ground) -> None:
    survey = open_survey(tmp_path / "course.gpkg")
    save_ground(survey, small_ground)
    design = draw_design(small_ground, visit="2026-05-04", points=40, seed=3)
    counts = count_visit(design, small_ground, seed=8)
    save_design(survey, design)
    assert read_world(survey, design.visit.pest) is None
    estimates = estimate_means(counts, design)
    save_estimates(survey, estimates)
    found = map_density(counts, small_ground, design=design, threshold_per_m2=THRESHOLD, cell_m=6.0)
    save_density(survey, found)
    world = read_world(survey, design.visit.pest)
    assert world is not None
    assert world.name == "2026-05-04"
    assert world.model.k == pytest.approx(found.fitted["k"])
    assert world.model.field_range_m == pytest.approx(found.fitted["range_m"])
    table = estimates.estimates
    greens = table[(table["label"] == "green") & (table["stage"] == "all") & (table["domain"] == "kind")]
    assert world.kind_means["green"] == pytest.approx(float(greens["mean_per_m2"].iloc[0]))


def make_rehearsal(played: Rehearsal, clear_right: dict[tuple[int, str], float], says: dict[int, float]) -> Rehearsal:
    kinds, plans = played.kinds.copy(), played.plans.copy()
    for (points, kind), share in clear_right.items():
        kinds.loc[(kinds["points"] == points) & (kinds["kind"] == kind), ["clear_right", "clear"]] = share, 100
    for points, share in says.items():
        plans.loc[plans["points"] == points, "map_says"] = share
    names = ("threshold_per_m2", "miss_cost", "rounds", "seed", "cell_m", "area_m2")
    return Rehearsal(played.worlds, plans, kinds, **{name: getattr(played, name) for name in names})


def test_the_one_line_says_what_the_fewest_points_decide_and_what_the_rest_needs(played: Rehearsal) -> None:
    shares = {(24, "green"): 0.9, (24, "collar"): 0.85, (24, "fairway"): 0.5, (40, "fairway"): 0.9}
    shares |= {(40, "green"): 0.95, (40, "collar"): 0.9}
    told = tell_verdict(make_rehearsal(played, shares, {24: 0.1, 40: 0.9}))
    assert told.startswith("24 points, ")
    assert "decide collars and greens; fairways need 40, a map needs 40." in told
    near = make_rehearsal(played, shares, {24: 0.1, 40: 0.9})
    near.kinds.loc[near.kinds["kind"] == "fairway", "clear"] = 2
    assert "fairways lie too near the threshold to ask, a map needs 40." in tell_verdict(near)
    none = dict.fromkeys([(n, kind) for n in (24, 40) for kind in ("green", "collar", "fairway")], 0.2)
    told = tell_verdict(make_rehearsal(played, none, {24: 0.0, 40: 0.0}))
    assert told == "None of these numbers decides a kind in 80 % of clear rounds; a map needs more than 40."


def test_guesses_are_called_so_and_us_units_stand_alone(played: Rehearsal) -> None:
    lines = [*tell_rehearsal(played), *tell_rehearsal_more(played)]
    assert len(fold(tell_rehearsal(played))) <= 8
    assert any("guesses, none from your ground (own choice" in line for line in lines)
    assert not any(" m²" in line or "/m²" in line for line in lines)
    assert any("±" in line for line in lines)


@pytest.mark.parametrize("ending", ["png", "pdf"])
def test_the_picture_is_drawn(played: Rehearsal, tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"rehearsal.{ending}"
    draw_rehearsal(played, path)
    if ending == "png":
        with Image.open(path) as picture:
            colours = {colour for _, colour in picture.convert("RGB").getcolors(1 << 20) or []}
        assert {(0, 114, 178), (217, 217, 217)} <= colours  # decided rightly, left undecided
    else:
        assert path.read_bytes().startswith(b"%PDF")
    with pytest.raises(RehearsalError, match=r"\.png or \.pdf"):
        draw_rehearsal(played, tmp_path / "rehearsal.bmp")


def test_the_command_plays_what_it_is_asked(tmp_path: Path, small_ground: Ground) -> None:
    save_ground(open_survey(tmp_path / "course.gpkg"), small_ground)
    words = ["rehearse", str(tmp_path / "course.gpkg"), "--points", "24", "--rounds", "2", "--cell", "8m", "--k", "2"]
    run = CliRunner().invoke(main, words)
    assert run.exit_code == 0, run.output
    assert "2 rounds a number on 3 guesses" in run.stdout
    assert "played 100 %" in run.stderr
    run = CliRunner().invoke(main, [*words[:2], "--points", "many"])
    assert run.exit_code == 2
