"""Stage 7 where the map adds nothing: strata by their means; the targeting curve and the border-only proposal.

No published values: what must hold of any curve is checked, and the interval's coverage by simulation.
"""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from density_case import draw_counts
from survey_case import fill_rows
from treat_case import THRESHOLD, finding, make_map, patch, plan, plan_map, ratio_found, treated
from visit_case import count_visit

from geosample.counts import add_counts
from geosample.density import exceedance, map_density, save_density
from geosample.density.places import covariates_of, restore_field
from geosample.design import draw_design, save_design
from geosample.errors import TreatError
from geosample.ground import save_ground
from geosample.survey import open_survey
from geosample.survey.findings import Finding, Findings, What
from geosample.treat import gather_evidence
from geosample.treat.cells import adds_nothing, use_averages
from geosample.treat.figures import best_width_m, build_field, draw_sums, interpolate_strip, target_curve
from geosample.treat.model import Basis, BorderOnly
from geosample.treat.suggest import find_ratio
from geosample.units import FOOT2_M2, FOOT_M


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


def edge_field(cells):
    return 20 + 120 * np.exp(-cells["edge_m"].to_numpy() / 2.5) if "edge_m" in cells else np.full(len(cells), 20.0)


def with_edge(ground):
    """Return a map whose density falls off from the outer edge."""
    flat = make_map(ground, lambda cells: np.full(len(cells), 20.0))
    factor = edge_field(flat.cells) / 20
    scaled = {name: flat.cells[name] * factor for name in ("expected_per_m2", "low_per_m2", "high_per_m2")}
    cells = flat.cells.assign(log_mean=flat.cells["log_mean"] + np.log(factor), **scaled)
    return type(flat)(flat.visit, flat.pest, flat.cell_m, cells, flat.settings, {}, flat.findings)


def test_each_way_of_choosing_grows_to_all_and_none_beats_the_densest_cells(small_ground):
    curve = plan(small_ground, patch(-50, -130, 20)).figures.curve
    best = curve[curve["way"] == "best cells"]
    ceiling_at = [0.0, *best["area_share"], 1.0], [0.0, *best["insect_share"], 1.0]
    for way in ("border", "surfaces"):
        part = curve[curve["way"] == way]
        assert part["area_share"].is_monotonic_increasing
        assert part["insect_share"].is_monotonic_increasing
        assert part[["area_share", "insect_share", "low", "high"]].iloc[-1].tolist() == pytest.approx([1, 1, 1, 1])
        assert (part["insect_share"] <= np.interp(part["area_share"], *ceiling_at) + 0.02).all()
    assert ((curve["low"] <= curve["insect_share"] + 1e-9) & (curve["insect_share"] <= curve["high"] + 1e-9)).all()


def test_the_curves_plan_is_the_plan(small_ground):
    zones = plan(small_ground, patch(-50, -130, 20))
    row = zones.figures.curve.set_index("way").loc["zones"]
    assert row["area_share"] == pytest.approx(finding(zones, "plan", "treated share of area"))
    assert row["insect_share"] == pytest.approx(finding(zones, "plan", "treated share of insects"))


def test_even_insects_give_share_for_share(small_ground):
    curve = plan(small_ground, lambda cells: np.full(len(cells), 20.0)).figures.curve
    border = curve[curve["way"] == "border"]
    assert border["insect_share"].tolist() == pytest.approx(border["area_share"].tolist())


@pytest.mark.slow
def test_a_supported_border_gets_a_width_from_the_curve(small_ground):
    zones = plan_map(with_edge(small_ground), small_ground, findings=ratio_found(1.4, 2.5, 4.0))
    border = zones.figures.border
    assert border.answer == BorderOnly.OPEN
    # the insects alone would ask for 15 ft; ground that passes the rule lies farther in
    assert best_width_m(zones.figures.curve) == pytest.approx(15 * FOOT_M)
    assert border.strip.width_m == pytest.approx(20 * FOOT_M)
    assert not border.best_aimed
    assert border.left_m2 <= 0.1 * zones.figures.above.area_m2


@pytest.mark.slow
@pytest.mark.parametrize("rows", [None, ratio_found(0.7, 1.4, 2.5), ratio_found(0.2, 0.4, 0.8)])
def test_an_unsupported_border_is_never_proposed_and_what_it_would_miss_is_said(small_ground, rows):
    given = with_edge(small_ground)
    zones = plan_map(given, small_ground, findings=rows)
    assert zones.figures.border.answer == BorderOnly.UNSUPPORTED
    assert zones.figures.border.strip == interpolate_strip(zones.figures.curve, 15 * FOOT_M)


@pytest.mark.slow
def test_asking_for_the_border_against_the_counts_says_what_it_misses(small_ground):
    given = make_map(small_ground, patch(-50, -130, 20))
    border = plan_map(given, small_ground, border_only_m=3.0, findings=ratio_found(0.5, 1.0, 2.0)).figures.border
    assert (border.answer, border.strip.width_m) == (BorderOnly.UNSUPPORTED, 3.0)
    border = plan_map(given, small_ground, border_only_m=3.0, findings=ratio_found(1.5, 2.0, 3.0)).figures.border
    assert (border.answer, border.strip.width_m) == (BorderOnly.ASKED, 3.0)


def test_a_border_that_holds_more_is_not_proposed_where_the_rest_is_above_the_threshold_too(small_ground):
    given = make_map(small_ground, lambda cells: 90.0 + edge_field(cells))
    figures = plan_map(given, small_ground, findings=ratio_found(1.4, 2.5, 4.0)).figures
    assert figures.border.answer == BorderOnly.ALL_ABOVE
    assert figures.nearly_all


def test_the_common_ratio_is_read_before_the_kinds_and_several_kinds_alone_are_no_answer():
    kinds = [Finding(What.BORDER_RATIO, kind, 2.0, 1.2, 3.0) for kind in ("green", "fairway")]

    def ratio(*rows):
        found = find_ratio(Findings("May", "x", rows))
        return found and (found.value, found.low, found.high, found.supported)

    assert ratio(*kinds) is None
    assert ratio(*kinds, *ratio_found(0.9, 1.1, 1.3)) == (1.1, 0.9, 1.3, False)
    assert ratio(kinds[0]) == (2.0, 1.2, 3.0, True)


def test_without_a_record_two_places_err_alike_as_the_field_s_range_says(small_ground):
    given = make_map(small_ground, patch(-50, -130, 20), spread=0.5)
    ranged = replace(given, fitted={"range_m": 30.0})
    field = build_field(ranged, ranged.cells)
    places = ranged.cells.groupby(field.block)[["easting", "northing"]].mean().to_numpy()
    apart = np.hypot(*(places - places[0]).T)
    correlation = (field.root @ field.root.T)[0]
    far = (apart > 28) & (apart < 32)
    # the practical range is where the correlation is down to 0.05: exp(-3)
    assert correlation[far] == pytest.approx(np.exp(-3 * apart[far] / 30), abs=0.02)


def test_draws_have_the_maps_means_and_spreads(small_ground):
    given = make_map(small_ground, patch(-50, -130, 20), spread=0.5)
    draws = draw_sums(build_field(given, given.cells), np.random.default_rng(3), np.asarray, 600)
    logs = np.log(draws.T)
    # 600 draws: a mean within 5 standard errors, a spread within 15 %
    assert np.abs(logs.mean(axis=0) - given.cells["log_mean"]).max() < 5 * 0.5 / np.sqrt(600)
    assert logs.std(axis=0) == pytest.approx(np.full(len(given.cells), 0.5), rel=0.15)


def test_the_same_seed_gives_the_same_interval(small_ground):
    given = make_map(small_ground, patch(-50, -130, 20))
    cells = given.cells.assign(treated=0.5)
    one, two = (target_curve(given, cells, np.random.default_rng(9)) for _ in range(2))
    pd.testing.assert_frame_equal(one, two)


def test_the_interval_holds_the_truth_as_often_as_it_says(small_ground):
    """Truths are drawn cell by cell from the exact covariance, not from the blocks the interval uses."""
    given = make_map(small_ground, patch(-50, -130, 25, 30.0, 15.0), spread=0.6)
    some = given.cells.iloc[:: len(given.cells) // 400].reset_index(drop=True)
    some = some.assign(treated=(some["northing"] < -120).astype(float))
    given = type(given)(given.visit, given.pest, 1.0, some, given.settings, {"range_m": 25.0}, given.findings)
    zones = target_curve(given, some, np.random.default_rng(1)).set_index("way").loc["zones"]
    apart = np.hypot(*(some[[axis]].to_numpy() - some[[axis]].to_numpy().T for axis in ("easting", "northing")))
    root = np.linalg.cholesky(np.exp(-3 * apart / 25.0) + 1e-9 * np.eye(len(some)))
    rng = np.random.default_rng(2)
    truths = np.exp(some["log_mean"].to_numpy()[:, None] + 0.6 * root @ rng.standard_normal((len(some), 500)))
    weight = some["area_m2"].to_numpy()[:, None] * truths
    shares = (weight * some[["treated"]].to_numpy()).sum(axis=0) / weight.sum(axis=0)
    inside = ((shares >= zones["low"]) & (shares <= zones["high"])).mean()
    # 90 % interval; 500 truths and 400 draws leave about 2 points of chance each
    assert 0.84 < inside < 0.96


def test_a_fitted_maps_curve_has_the_joint_posteriors_interval(small_ground):
    """Against draws of the joint posterior at every cell of a coarse map, by scikit-learn's covariance."""
    counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(3))
    given = map_density(counts, small_ground, cell_m=6.0)
    cells = given.cells.assign(treated=(given.cells["northing"] < given.cells["northing"].median()).astype(float))
    row = target_curve(given, cells, np.random.default_rng(1), ground=small_ground).set_index("way").loc["zones"]
    kinds = cells["surface_id"].map(small_ground.surfaces.set_index("surface_id")["kind"]).to_numpy()
    places = cells[["easting", "northing"]].to_numpy()
    basis = covariates_of(given, small_ground).basis(places, kinds)
    middle, covariance = np.zeros(len(places)), np.zeros((len(places), len(places)))
    moments = []
    for fit, share in restore_field(given).believed:
        kernel, own = fit.hyper.kernel, basis * fit.used
        cross = kernel(places, fit.sites.places) + own @ fit.sites.basis.T
        moments.append((share, cross @ fit.pull, kernel(places) + own @ own.T - cross @ fit.precision @ cross.T))
        middle += share * moments[-1][1]
    for share, mean, around in moments:
        covariance += share * (around + np.outer(mean - middle, mean - middle))
    root = np.linalg.cholesky(covariance + 1e-6 * np.eye(len(cells)))
    logs = cells["log_mean"].to_numpy()[:, None] + root @ np.random.default_rng(2).standard_normal((len(cells), 4000))
    insects = cells["area_m2"].to_numpy()[:, None] * np.exp(logs)
    share = (insects * cells[["treated"]].to_numpy()).sum(axis=0) / insects.sum(axis=0)
    low, high = np.quantile(share, [0.05, 0.95])
    # 400 draws leave some 7 % of the interval's length to chance at either end
    assert row["low"] == pytest.approx(low, abs=0.15 * (high - low))
    assert row["high"] == pytest.approx(high, abs=0.15 * (high - low))


def test_under_averages_a_stratum_errs_as_one(small_ground):
    given = make_map(small_ground, lambda cells: np.full(len(cells), 20.0))
    cells = given.cells.assign(log_mean=np.where(given.cells["surface_id"].str.contains("green"), 1.0, 2.0))
    field = build_field(replace(given, fitted={"by": "averages"}), cells)
    draws = np.log(draw_sums(field, np.random.default_rng(1), np.asarray, 25))
    for level in (1.0, 2.0):
        of_stratum = draws[cells["log_mean"] == level]
        assert np.ptp(of_stratum, axis=0).max() < 1e-4
    assert len(field.root) == 2


@pytest.mark.slow
def test_a_strip_that_reaches_as_much_is_named_beside_the_zones_and_only_then(small_ground):
    def said(given):
        figures = plan_map(given, small_ground).figures
        zones, border = figures.reached, figures.curve[figures.curve["way"] == "border"]
        reached = np.interp(zones.area_share, [0.0, *border["area_share"]], [0.0, *border["insect_share"]])
        return reached >= zones.insect_share, figures.plain_strip is not None

    inner = make_map(small_ground, patch(-50, -130, 14))
    assert said(inner) == (False, False)
    # one level along the edge everywhere, so that the zones can do no better than a strip
    assert said(with_edge(small_ground)) in {(True, True), (False, False)}
    far = make_map(small_ground, lambda cells: np.where(cells["surface_id"].str.contains("green"), 31.0, 10.0))
    cells = far.cells.assign(expected_per_m2=np.where(far.cells["edge_m"] < 4, 4000.0, far.cells["expected_per_m2"]))
    assert said(replace(far, cells=cells)) == (True, True)
