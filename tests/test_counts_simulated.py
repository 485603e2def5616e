"""Simulated counts: they follow the stated model, and a filled blank goes round through the survey."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from counts_case import PEST, STAGE_KEYS, scatter_design, write
from estimate_case import simulate_counts
from fill_blank import fill_blank

from geosample.counts import read_counts
from geosample.demo import Fates
from geosample.errors import GeosampleError
from geosample.ground import Ground
from geosample.rehearsal.worlds import SimulationModel, count_bags, draw_truth, true_density
from geosample.sheets.blanks import blank_rows


@pytest.mark.slow
def test_the_field_has_the_stated_mean_spread_and_correlation(small_ground: Ground) -> None:
    model = SimulationModel(mean_per_m2=100, border_ratio=1, field_sd=0.7, field_range_m=30)
    kinds = ["fairway", "fairway"]
    logs = []
    for seed in range(600):
        truth = draw_truth(small_ground, np.random.default_rng(seed), model, waves=200)
        logs.append(np.log(true_density(truth, [-40, -30], [-100, -100], kinds) / 100))
    logs = np.array(logs)
    # No published values: a log-normal of mean 1 has log mean -sd²/2; the correlation at 10 m is exp(-3 · 10 / 30).
    assert logs.mean() == pytest.approx(-(0.7**2) / 2, abs=4 * 0.7 / np.sqrt(600))
    assert logs.std() == pytest.approx(0.7, rel=0.12)
    assert np.corrcoef(logs.T)[0, 1] == pytest.approx(np.exp(-1), abs=0.15)


def test_the_border_is_the_stated_ratio_above_the_inside(small_ground: Ground) -> None:
    model = SimulationModel(border_ratio=3, border_fade_m=2, field_sd=0)
    truth = draw_truth(small_ground, np.random.default_rng(1), model)
    edge, middle = true_density(truth, [-60 - 16 * 0.8944, -60], [-120 - 16 * 0.0, -120], ["fairway", "fairway"])
    assert middle == pytest.approx(215, rel=0.01)
    assert edge > 1.5 * middle


@pytest.mark.slow
def test_bags_have_the_stated_mean_and_overdispersion(small_ground: Ground) -> None:
    design = scatter_design(small_ground)
    model = SimulationModel(border_ratio=1, field_sd=0, k=1.2)
    truth = draw_truth(small_ground, np.random.default_rng(1), model)
    rng = np.random.default_rng(2)
    totals = np.concatenate([count_bags(design, truth, rng).iloc[:, 1:].sum(axis=1) for _ in range(400)])
    mean = 215 * design.visit.point_m2
    # Negative binomial: variance m + m²/k (Bliss & Fisher 1953, Biometrics 9:176-200).
    assert totals.mean() == pytest.approx(mean, rel=0.04)
    assert totals.var() == pytest.approx(mean + mean**2 / 1.2, rel=0.12)


def test_the_same_seed_gives_the_same_counts_and_their_truth(small_ground: Ground) -> None:
    design = scatter_design(small_ground)
    one, other = (simulate_counts(design, small_ground, np.random.default_rng(4)) for _ in range(2))
    assert one.equals(other)
    assert one.columns.tolist() == ["point_id", *STAGE_KEYS]
    assert one["point_id"].tolist() == design.points["point_id"].tolist()


def test_a_model_out_of_range_is_refused(small_ground: Ground) -> None:
    with pytest.raises(GeosampleError, match=r"k: found 0.0(.|\n)*field_sd: found -1"):
        draw_truth(small_ground, np.random.default_rng(1), SimulationModel(k=0.0, field_sd=-1))


def test_a_blank_filled_by_simulation_comes_back_as_it_was_filled(small_ground: Ground, tmp_path: Path) -> None:
    design = scatter_design(small_ground, reserve=4)
    blank = write(blank_rows(design, PEST), tmp_path / "blank.csv")
    fates = Fates(lost=0.1, unreachable=0.2, not_extracted=0.1, off_turf=0.1)
    filled = fill_blank(blank, design, small_ground, tmp_path / "filled.csv", seed=11, fates=fates)
    counts = read_counts(tmp_path / "filled.csv", design)
    bags = filled[filled["L1"] != ""].set_index("sample_id")
    wide = counts.counts.pivot_table(index="sample_id", columns="stage", values="count")
    assert (wide.loc[bags.index, STAGE_KEYS] == bags[STAGE_KEYS].astype(int)).all().all()
    assert len(wide) == len(bags)
    states = counts.samples.set_index("sample_id")["status"]
    spoilt = filled[filled["status"] != ""].set_index("sample_id")["status"]
    assert set(spoilt) == {"lost", "unreachable", "not_extracted", "off_turf"}
    assert states.loc[spoilt.index].tolist() == spoilt.tolist()
    assert len(states) == len(bags) + len(spoilt)
