"""Stage 7 where the map adds nothing: whole strata by their means, and what is said of zones below the threshold."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from treat_case import THRESHOLD, make_map, patch, treated

from geosample.cli.treat import _choose_densities
from geosample.density import exceedance
from geosample.errors import TreatError
from geosample.treat import TreatSettings, suggest_zones
from geosample.treat.averages import adds_nothing, tell_averages, use_averages
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


def test_a_plan_by_averages_takes_whole_strata_and_says_so(small_ground, strata):
    averaged = use_averages(make_map(small_ground, patch(-45, -150, 15)), estimates(**MEANS), strata)
    said = (tell_averages(averaged, asked=False),)
    zones = suggest_zones(averaged, small_ground, settings=TreatSettings(THRESHOLD), said=said)
    assert set(treated(zones)["kind"]) == {"green"}
    green = small_ground.surfaces.set_index("kind")["area_m2"]["green"]
    assert treated(zones)["area_m2"].sum() == pytest.approx(green, rel=0.05)
    assert set(zones.zones.loc[zones.zones["action"] == "look_again", "kind"]) == {"collar"}
    assert "adds nothing to plain averages" in zones.sentences[1]


def test_why_averages_are_used_is_said_as_it_is(small_ground):
    made = make_map(small_ground, patch(-45, -150, 15))
    assert tell_averages(made, asked=True).startswith("As asked: ")
    few = replace(made, fitted={"no_map": True, "insects": 2})
    assert tell_averages(few, asked=False).startswith("There are too few insects for a map (2): ")


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


class Kept:
    """As much of a survey as the choice looks at."""

    def read(self, _layer: str) -> pd.DataFrame:
        return pd.DataFrame({"visit": [], "pest": []})


def test_the_map_is_used_unless_it_adds_nothing_or_averages_are_asked_for(small_ground):
    density_map = make_map(small_ground, patch(0, 0, 5))
    assert not adds_nothing(density_map)
    assert _choose_densities(Kept(), density_map, "auto") == (density_map, ())
    density_map.fitted["map_worth"] = {"answer": "no"}
    assert adds_nothing(density_map)
    assert _choose_densities(Kept(), density_map, "map") == (density_map, ())


def test_a_zone_whose_mean_is_below_the_threshold_is_explained(small_ground):
    # 27 per ft² with a log spread of 0.8: mean below 30, chance of being above it about 0.30.
    density_map = make_map(small_ground, patch(-45, -150, 15, per_ft2=27.0, elsewhere=1.0), spread=0.8)
    zones = suggest_zones(density_map, small_ground, settings=TreatSettings(THRESHOLD))
    low = treated(zones)[treated(zones)["mean_per_m2"] < THRESHOLD]
    assert len(low)
    [told] = [text for text in zones.sentences if "the mean expected there is below" in text]
    assert low["zone_id"].iloc[0] in told
    assert "25 %" in told
