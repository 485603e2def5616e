"""Check strips: left at random inside the zones, a swath wide, as much as asked for and no more."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pymupdf
import pytest
import shapely
from click.testing import CliRunner
from treat_case import patch, plan, treated

from geosample.cli import main
from geosample.design import draw_design
from geosample.errors import TreatError
from geosample.report.design import tell_design
from geosample.sheets.finding import PACE_M, read_finding, take_sights
from geosample.treat import TreatSettings, draw_plan, write_zones
from geosample.treat.cells import Overlay
from geosample.treat.model import LeftOut
from geosample.treat.zoning import OpenGround, SurfacePlan, leave_strips


@pytest.fixture(scope="module")
def whole(small_ground):
    return plan(small_ground, patch(-50, -130, 30))


@pytest.fixture(scope="module")
def striped(small_ground):
    return plan(small_ground, patch(-50, -130, 30), check_share=0.2)


def checks(zones):
    return zones.zones[zones.zones["action"] == "check"]


def test_strips_lie_in_what_would_be_treated_and_nothing_is_lost(whole, striped):
    before, after = treated(whole).union_all(), treated(striped).union_all()
    strips = checks(striped).union_all()
    assert strips.intersection(after).area < 0.01
    assert strips.union(after).symmetric_difference(before).area < 0.02 * before.area


def test_strips_take_no_more_than_the_share_and_near_it(whole, striped):
    share = checks(striped)["area_m2"].sum() / treated(whole)["area_m2"].sum()
    assert 0.08 < share <= 0.2


def test_strips_are_booked_as_strips_and_as_nothing_else(whole, striped):
    def left(zones):
        return {reason for reason, holding in zones.figures.removed.items() if holding.area_m2 >= 1}

    assert left(striped) - left(whole) == {LeftOut.CHECK}


def test_strips_are_named_and_told(striped):
    assert checks(striped)["zone_id"].str.startswith("K01F-").all()
    assert (checks(striped)["reason"] == "check").all()


def test_the_work_says_which_strips_to_leave_or_what_leaving_some_would_cost(striped, whole, small_ground):
    left, offered = (" ".join(book_words(draw_plan(zones, small_ground))) for zones in (striped, whole))
    assert "leave untreated: fairway, its middle " in left
    assert "leave untreated:" not in offered
    assert "or you will not know whether it worked: --checks " in offered


def test_the_strips_offered_are_those_that_asking_for_them_draws(whole, small_ground):
    offer = whole.figures.offer
    asked = checks(plan(small_ground, patch(-50, -130, 30), check_share=offer.share))
    assert len(asked) == offer.strips >= 2
    assert asked["area_m2"].sum() == pytest.approx(offer.area_m2)
    drawn = shapely.union_all([strip.geometry for strip in whole.offered])
    assert asked.union_all().symmetric_difference(drawn).area < 1e-6


def book_words(pdf: bytes) -> list[str]:
    with pymupdf.open(stream=pdf, filetype="pdf") as book:
        return [word for page in book for word in page.get_text().split()]


def test_a_strip_is_found_by_words_that_lead_into_it(striped, small_ground):
    row = checks(striped).iloc[0]
    text = " ".join(book_words(draw_plan(striped, small_ground)))
    words = text.split("leave untreated: fairway, its middle ")[1].split(" ft² ")[0]
    sights = take_sights(small_ground.surfaces, row["surface_id"])
    there = read_finding(words, sights, pace_m=PACE_M)
    assert row["geometry"].distance(shapely.Point(there)) < 3.0  # words lead within 3 m on long surfaces


def test_strips_are_named_in_every_file(striped, tmp_path):
    write_zones(striped, tmp_path)
    names = gpd.read_file(tmp_path / "zones.kml")["Name"]
    assert sorted(names) == sorted(f"{row.zone_id} {row.action}" for row in striped.zones.itertuples())


@pytest.mark.slow
def test_another_seed_puts_them_elsewhere_and_the_same_seed_does_not(small_ground, striped):
    again, other = (plan(small_ground, patch(-50, -130, 30), check_share=0.2, seed=seed) for seed in (7, 8))
    assert checks(again).union_all().equals(checks(striped).union_all())
    assert not checks(other).union_all().equals(checks(striped).union_all())


@pytest.mark.slow
def test_strips_fall_evenly_over_the_zone():
    """Over many seeds the strips' middles lie as often in each third of a long zone (chi-square, 99.9 %)."""
    zone = shapely.box(0, 0, 90, 20)
    place = OpenGround("01-fairway-1", "1", "fairway", zone, zone, zone)
    cells = pd.DataFrame()
    drawn = [SurfacePlan(place, cells, Overlay(cells, 1.0), [zone], [], 0)]
    asked = TreatSettings(300.0, check_share=0.06, swath_m=5.0, smallest_m2=0.0)
    middles = [
        strip.centroid.x
        for seed in range(150)
        for strip in leave_strips(drawn, asked, np.random.default_rng(seed))[0].checks
    ]
    found, _ = np.histogram(middles, bins=[0, 30, 60, 90])
    expected = len(middles) / 3
    # chi-square with 2 degrees of freedom exceeds 13.82 once in 1,000
    assert ((found - expected) ** 2 / expected).sum() < 13.82


@pytest.mark.slow
def test_no_scrap_smaller_than_the_smallest_zone_is_left_beside_a_strip():
    zone = shapely.box(0, 0, 90, 20)
    place = OpenGround("01-fairway-1", "1", "fairway", zone, zone, zone)
    cells = pd.DataFrame()
    drawn = [SurfacePlan(place, cells, Overlay(cells, 1.0), [zone], [], 0)]
    asked = TreatSettings(300.0, check_share=0.4, swath_m=5.0, smallest_m2=150.0)
    for seed in range(30):
        (one,) = leave_strips(drawn, asked, np.random.default_rng(seed))
        assert one.checks
        assert all(piece.area >= 150.0 for piece in one.treat)
        assert sum(piece.area for piece in (*one.treat, *one.checks)) == pytest.approx(zone.area)
        assert sum(strip.area for strip in one.checks) <= 0.4 * zone.area


def test_strips_are_cut_from_a_zone_whose_outline_crosses_itself():
    """A course's outlines once made the overlay fail: TopologyException, found non-noded intersection."""
    zone = shapely.Polygon([(0, 0), (90, 0), (90, 20), (1, 20), (0, 18.5), (1, 18.5), (0, 20)])
    place = OpenGround("01-fairway-1", "1", "fairway", zone, zone, zone)
    cells = pd.DataFrame()
    drawn = [SurfacePlan(place, cells, Overlay(cells, 1.0), [zone], [])]
    asked = TreatSettings(300.0, check_share=0.2, swath_m=5.0, smallest_m2=0.0)
    (one,) = leave_strips(drawn, asked, np.random.default_rng(7))
    assert one.checks
    assert sum(piece.area for piece in (*one.treat, *one.checks)) == pytest.approx(zone.area, rel=1e-2)


def test_the_next_visit_has_points_in_the_strips_and_only_there_of_their_strata(small_ground, striped):
    left = checks(striped)
    asked = {
        "visit": "2026-06-01",
        "points": 40,
        "border_m": 4.6,
        "strips": left,
        "strips_from_visit": "May",
        "seed": 3,
    }
    design = draw_design(small_ground, **asked)
    own = design.points["stratum"] == "fairway check strips"
    inside = shapely.covers(left.union_all().buffer(1e-6), design.points.geometry.to_numpy())
    assert inside[own].all()
    assert not inside[~own].any()
    assert (design.main["stratum"] == "fairway check strips").sum() >= 5
    in_strips = design.strata["stratum"] == "fairway check strips"
    assert design.strata.loc[in_strips, "area_m2"].sum() == pytest.approx(left["area_m2"].sum(), rel=1e-6)
    plain = draw_design(small_ground, visit="2026-06-01", points=40, border_m=4.6, seed=3)
    assert design.strata["area_m2"].sum() == pytest.approx(plain.strata["area_m2"].sum())
    assert "strips" not in plain.visit.settings
    assert any("In the check strips of the plan of May:" in line for line in tell_design(design))


def test_a_share_that_cannot_be_is_refused_with_its_remedy(tmp_path):
    with pytest.raises(TreatError, match="0 to 50 %"):
        TreatSettings(300.0, check_share=0.8)
    options = ["treat", str(tmp_path / "a.gpkg"), "--threshold", "30/ft2", "--out", str(tmp_path), "--checks", "5"]
    result = CliRunner().invoke(main, options)
    assert result.exit_code == 2
    assert "write 5%" in result.stderr
