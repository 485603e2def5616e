"""Stage 7 where the map adds nothing: whole strata by their means, and what is said of zones below the threshold."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from estimate_case import count_visit
from survey_case import fill_rows
from treat_case import THRESHOLD, make_map, patch, plan_map, treated

from geosample.counts import add_counts
from geosample.density import exceedance, save_density
from geosample.design import draw_design, save_design
from geosample.errors import TreatError
from geosample.ground import save_ground
from geosample.survey import open_survey
from geosample.survey.findings import What
from geosample.treat import gather_evidence
from geosample.treat.cells import adds_nothing, use_averages
from geosample.treat.model import Basis
from geosample.units import FOOT2_M2


@pytest.fixture
def strata(small_ground):
    frame = small_ground.surfaces[["surface_id", "kind", "geometry"]].assign(stratum=small_ground.surfaces["kind"])
    return gpd.GeoDataFrame(frame, crs=small_ground.crs)


ROW = ("domain", "label", "stage", "mean_per_m2", "low_per_m2", "high_per_m2", "level", "n")


def estimates(**means: tuple[float, float, float, int]) -> pd.DataFrame:
    rows = [
        {
            "domain": "stratum",
            "label": label,
            "stage": "all",
            "mean_per_m2": mean / FOOT2_M2,
            "low_per_m2": low / FOOT2_M2,
            "high_per_m2": high / FOOT2_M2,
            "level": 0.95,
            "n": n,
        }
        for label, (mean, low, high, n) in means.items()
    ]
    return pd.DataFrame(rows, columns=list(ROW))


MEANS = {"green": (60.0, 40.0, 90.0, 20), "fairway": (4.0, 2.0, 8.0, 30), "collar": (50.0, 20.0, 120.0, 5)}


def test_every_cell_takes_its_stratum_s_mean_and_doubt(small_ground, strata):
    made = use_averages(make_map(small_ground, patch(-45, -150, 15)), estimates(**MEANS), strata)
    kinds = made.cells["surface_id"].str.split("-").str[1]
    for kind, (mean, low, high, n) in MEANS.items():
        mine = made.cells[kinds == kind]
        assert np.allclose(mine["expected_per_m2"] * FOOT2_M2, mean)
        # The log's spread is a quarter of the 95 % interval's log width, to 1.96 / 2.
        assert np.allclose(mine["log_sd"], np.log(high / low) / (2 * 1.95996), rtol=1e-4)
        assert mine["known"].all() == (n >= 8)
    above = exceedance(made, THRESHOLD)
    assert above[kinds == "green"].min() > 0.95
    assert above[kinds == "fairway"].max() < 0.01


@pytest.mark.parametrize(("level", "reach"), [(0.8, 1.28155), (0.95, 1.95996)])
def test_the_level_the_estimates_are_shown_at_does_not_change_the_doubt(small_ground, strata, level, reach):
    # Reach of a normal interval: NIST/SEMATECH e-Handbook 1.3.6.7.1, table of the standard normal.
    low, high = (60.0 * np.exp(side * reach * 0.3) for side in (-1, 1))
    rows = estimates(green=(60.0, low, high, 20)).assign(level=level)
    made = use_averages(make_map(small_ground, patch(-45, -150, 15)), rows, strata)
    green = made.cells[made.cells["surface_id"] == "01-green-1"]
    assert np.allclose(green["log_sd"], 0.3, rtol=1e-4)
    # The plan's intervals are all 90 %, whatever level the estimates were shown at; reach 1.64485, the same table.
    ends = [60.0 * np.exp(side * 1.64485 * 0.3) for side in (-1, 1)]
    assert np.allclose(green[["low_per_m2", "high_per_m2"]] * FOOT2_M2, ends, rtol=1e-4)


@pytest.mark.slow
def test_a_plan_by_averages_takes_whole_strata_and_says_so(small_ground, strata):
    averaged = use_averages(make_map(small_ground, patch(-45, -150, 15)), estimates(**MEANS), strata)
    zones = plan_map(averaged, small_ground)
    # the collar's five bags say little, yet 50 with an interval of 20 to 120 is likelier above 30 than not
    assert set(treated(zones)["kind"]) == {"green", "collar"}
    whole = small_ground.surfaces.set_index("kind")["area_m2"]
    assert treated(zones)["area_m2"].sum() == pytest.approx(whole["green"] + whole["collar"], rel=0.05)
    assert dict(zip(treated(zones)["kind"], treated(zones)["reason"], strict=True)) == {
        "green": "above",
        "collar": "no_plug",
    }
    sampled = treated(plan_map(averaged, small_ground, sampled_only=True))
    assert set(sampled["kind"]) == {"green"}
    assert zones.figures.basis == Basis.NO_BETTER


def test_only_zeros_give_a_bound_to_decide_by(small_ground, strata):
    bound = {**MEANS, "fairway": (0.0, 0.0, 6.0, 40)}
    made = use_averages(make_map(small_ground, patch(0, 0, 5)), estimates(**bound), strata)
    fairway = made.cells["surface_id"].str.contains("fairway")
    assert (made.cells.loc[fairway, "expected_per_m2"] == 0).all()
    assert np.isfinite(made.cells[["log_mean", "log_sd"]].to_numpy()).all()
    assert exceedance(made, 6.0 / FOOT2_M2)[fairway].max() == pytest.approx(0.025, abs=0.002)
    assert exceedance(made, THRESHOLD)[fairway].max() < 1e-3


def test_averages_wait_for_the_estimates(small_ground, strata):
    with pytest.raises(TreatError, match="geosample estimate"):
        use_averages(make_map(small_ground, patch(0, 0, 5)), estimates(), strata.iloc[:0])


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fitted", "by", "basis"),
    [
        ({}, "auto", Basis.MAP),
        ({}, "averages", Basis.ASKED),
        ({"map_worth": {"answer": "no"}}, "auto", Basis.NO_BETTER),
        ({"map_worth": {"answer": "no"}}, "map", Basis.MAP),
        ({"map_worth": {"answer": "no"}, "no_map": True, "insects": 2}, "auto", Basis.FEW_INSECTS),
    ],
)
def test_the_map_is_used_unless_it_adds_nothing_or_averages_are_asked_for(
    small_ground, strata, tmp_path, fitted, by, basis
):
    survey = open_survey(tmp_path / "course.gpkg")
    save_ground(survey, small_ground)
    with survey.change() as change:
        change.put("visits", fill_rows("visits", visit=["May"]))
        change.put("strata", strata.assign(visit="May", part="whole", area_m2=strata.area))
        change.put("estimates", estimates(**MEANS).assign(visit="May", pest="x", area_m2=1.0, total=1.0, method="all"))
    given = replace(make_map(small_ground, patch(-45, -150, 15)), fitted=fitted)
    save_density(survey, given)
    assert adds_nothing(given) == bool(fitted)
    found = gather_evidence(survey, by=by)
    zones = plan_map(found.density_map, found.ground)
    assert (zones.figures.basis, zones.figures.insects_counted) == (basis, fitted.get("insects"))


@pytest.mark.slow
def test_a_plan_without_estimates_makes_them_first_and_keeps_them(small_ground, tmp_path):
    survey = open_survey(tmp_path / "course.gpkg")
    save_ground(survey, small_ground)
    design = draw_design(small_ground, visit="2026-05-04", points=40, border_m=4.572, seed=2)
    save_design(survey, design)
    add_counts(survey, count_visit(design, small_ground), design)
    pest = design.visit.pest
    given = make_map(small_ground, patch(-45, -150, 15))
    cells = given.cells.assign(visit="2026-05-04", pest=pest)
    save_density(survey, replace(given, visit="2026-05-04", pest=pest, cells=cells))
    found = gather_evidence(survey, by="averages")
    assert found.estimated_now
    assert found.findings.of(What.STAGE_SHARE)
    assert plan_map(found.density_map, found.ground).figures.basis == Basis.ASKED
    made = survey.read("estimates")
    assert not gather_evidence(survey, by="averages").estimated_now
    assert survey.read("estimates").equals(made)


def test_a_zone_whose_mean_is_below_the_threshold_is_explained(small_ground):
    # 27 per ft² with a log spread of 0.8: mean below 30, chance of being above it about 0.30.
    density_map = make_map(small_ground, patch(-45, -150, 15, per_ft2=27.0, elsewhere=1.0), spread=0.8)
    found = treated(plan_map(density_map, small_ground))
    low = found["mean_per_m2"] < THRESHOLD
    assert low.any()
    assert (found["reason"] == np.where(low, "risky", "above")).all()
