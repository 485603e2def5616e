"""The targeting curve and the border-only proposal: known fields, and intervals held against independent draws.

No published values: what must hold of any curve is checked, and the interval's coverage by simulation.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from density_case import draw_counts
from treat_case import finding, make_map, patch, plan, plan_map, ratio_found

from geosample.density import map_density
from geosample.density.places import covariates_of, restore_field
from geosample.survey.findings import Finding, Findings, What
from geosample.treat.figures import best_width_m, build_field, draw_sums, interpolate_strip, target_curve
from geosample.treat.model import BorderOnly
from geosample.treat.suggest import find_ratio
from geosample.units import FOOT_M


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


@pytest.mark.parametrize("rows", [None, ratio_found(0.7, 1.4, 2.5), ratio_found(0.2, 0.4, 0.8)])
def test_an_unsupported_border_is_never_proposed_and_what_it_would_miss_is_said(small_ground, rows):
    given = with_edge(small_ground)
    zones = plan_map(given, small_ground, findings=rows)
    assert zones.figures.border.answer == BorderOnly.UNSUPPORTED
    assert zones.figures.border.strip == interpolate_strip(zones.figures.curve, 15 * FOOT_M)


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
    basis = covariates_of(given, small_ground, None).basis(places, kinds)
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
