"""Amounts, tank loads and the classes of control: unit arithmetic against NIST, and what the stages point to."""

from __future__ import annotations

import json

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from treat_case import patch, plan

from geosample.errors import UnitError
from geosample.pests import DEFAULT_PEST
from geosample.survey.findings import Finding, Findings, What
from geosample.treat import zone_rows
from geosample.treat.amounts import VOLUMES_L, WEIGHTS_KG, Sprayer, parse_rate, parse_tank, round_down
from geosample.treat.suggest import find_controls
from geosample.units import ACRE_M2, FOOT2_M2, HECTARE_M2


@pytest.mark.parametrize(
    ("unit", "litres"),
    [
        # NIST SP 811 (2008), appendix B.8, "gallon (US)": 3.785 412 E-03 m³.
        ("gal", 3.785412),
        # same, "ounce (US fluid)": 2.957 353 E-05 m³.
        ("floz", 0.02957353),
        # same, "pint (US liquid)": 4.731 765 E-04 m³.
        ("pt", 0.4731765),
        # same, "quart (US liquid)": 9.463 529 E-04 m³.
        ("qt", 0.9463529),
    ],
)
def test_volumes_are_those_of_nist(unit, litres):
    assert pytest.approx(litres, rel=2e-7) == VOLUMES_L[unit]


def test_weights_are_those_of_nist():
    # NIST SP 811 (2008), appendix B.8: pound (avoirdupois) 4.535 924 E-01 kg, ounce (avoirdupois) 2.834 952 E-02 kg.
    assert WEIGHTS_KG["lb"] == pytest.approx(0.4535924, rel=2e-7)
    assert WEIGHTS_KG["oz"] == pytest.approx(0.02834952, rel=2e-7)


def test_rates_turn_over_as_in_nist():
    # Arithmetic on NIST SP 811 (2008), appendix B.8: gallon (US) 3.785 412 L over acre 4.046 873 E+03 m² (survey foot,
    # 4 parts in a million larger than the acre here).
    assert parse_rate("1gal/acre").on(HECTARE_M2).value == pytest.approx(3.785412 / 0.4046873, rel=1e-5)
    # 1 gal/1,000 ft² = 43.56 gal/acre: arithmetic, 43,560 ft² to the acre.
    assert parse_rate("1 gal / 1,000 ft2").on(ACRE_M2).value / VOLUMES_L["gal"] == pytest.approx(43.56)


def test_amounts_and_loads_for_an_area_worked_by_hand():
    # By hand: 50,000 ft² at 0.2 fl oz and 2 gal per 1,000 ft² is 10 fl oz in 100 gal; a 60 gal tank covers 30,000 ft²
    # with 6 fl oz, and 40 gal with 4 fl oz are left.
    sprayer = Sprayer(
        parse_rate("0.2 floz/1000ft2"), parse_rate("2gal/1000ft2", where="--carrier"), parse_tank("60gal")
    )
    area_m2 = 50_000 * FOOT2_M2
    assert (sprayer.rate.on(area_m2).show(), sprayer.carrier.on(area_m2).show()) == ("10 fl oz", "100 gal")
    assert show_loads(sprayer, area_m2) == (1, "60 gal", "6 fl oz", "40 gal", "4 fl oz")


def show_loads(sprayer, area_m2):
    loads = sprayer.loads(area_m2)
    amounts = (loads.tank, loads.product, loads.last, loads.last_product)
    return (loads.full, *(amount.show() for amount in amounts))


@given(st.floats(1e-3, 1e6))
def test_a_shown_amount_is_never_more_and_hardly_less(value):
    shown = float(round_down(value).replace(",", ""))
    assert shown <= value * (1 + 1e-9)
    assert shown >= value * 0.989


@pytest.mark.parametrize(
    ("text", "word"),
    [("0.2", "over one of"), ("0.2/1000ft2", "oz is a weight"), ("2gal", "over one of"), ("2gal/h", "over one of")],
)
def test_a_rate_without_its_units_is_refused_with_those_allowed(text, word):
    with pytest.raises(UnitError, match=word):
        parse_rate(text)


def test_a_carrier_by_weight_is_refused():
    with pytest.raises(UnitError, match="--carrier"):
        parse_rate("2lb/1000ft2", where="--carrier", dimension="volume")


def shares(**stages: float) -> Findings:
    return Findings("May", "x", tuple(Finding(What.STAGE_SHARE, stage, share) for stage, share in stages.items()))


def test_the_commonest_stages_come_first_as_classes_not_products():
    first, second, *others = find_controls(shares(L3=0.1, L4=0.6, adult=0.3), DEFAULT_PEST, None)
    assert first.share == pytest.approx(0.6)
    assert first.irac == ("5", "22A", "1B", "28")
    assert "adults" in second.when
    assert sum(one.share for one in (first, second, *others)) == pytest.approx(1.0)  # each stage in one class


def test_a_group_used_last_is_called_out():
    before = pd.DataFrame({"date": ["2026-04-20"], "record": [json.dumps({"irac_group": "28"})]})
    controls = find_controls(shares(L3=1.0), DEFAULT_PEST, before)
    assert {(one.used, one.used_on) for one in controls if "28" in one.irac} == {(("28",), "2026-04-20")}
    assert not any(one.used for one in find_controls(shares(L3=1.0), DEFAULT_PEST, None))


def test_nothing_is_said_of_control_without_stages_or_a_profile():
    assert find_controls(None, DEFAULT_PEST, None) == ()
    assert find_controls(shares(L3=1.0), "an insect of my own", None) == ()


def test_the_table_gives_each_zone_its_amounts_at_the_users_own_rates(small_ground):
    sprayer = Sprayer(parse_rate("0.2floz/1000ft2"), parse_rate("2gal/1000ft2"))
    table = zone_rows(plan(small_ground, patch(-50, -130, 14), sprayer=sprayer))
    feet = table["area_ft2"].iloc[0]
    assert float(table["product"].iloc[0].split()[0]) == pytest.approx(0.2 * feet / 1000, rel=0.01)
    assert float(table["carrier"].iloc[0].split()[0]) == pytest.approx(2 * feet / 1000, rel=0.01)
    assert not {"product", "carrier"} & set(zone_rows(plan(small_ground, patch(-50, -130, 14))).columns)


def test_loads_add_up_to_the_total_that_was_told():
    sprayer = Sprayer(parse_rate("0.2floz/1000ft2"), parse_rate("2gal/1000ft2"), parse_tank("100gal"))
    area_m2 = 67_900 * FOOT2_M2
    # 67,900 ft2: 13.58 fl oz and 135.8 gal, cut to 13.5 and 135; one full tank of 100 gal takes 10 fl oz
    assert (sprayer.rate.on(area_m2).show(), sprayer.carrier.on(area_m2).show()) == ("13.5 fl oz", "135 gal")
    assert show_loads(sprayer, area_m2) == (1, "100 gal", "10 fl oz", "35 gal", "3.5 fl oz")


@pytest.mark.parametrize("text", ["1e-9 floz", "0.0000001gal", "9" * 400 + "gal"])
def test_an_amount_no_label_has_is_refused(text):
    with pytest.raises(UnitError):
        parse_rate(f"{text}/1000ft2")


def test_the_figures_come_back_from_plain_types_as_they_went_in():
    for sprayer in (Sprayer(), Sprayer(parse_rate("0.2oz/1000ft2"), parse_rate("2gal/1000ft2"), parse_tank("100gal"))):
        assert Sprayer.of_plain(json.loads(json.dumps(sprayer.plain()))) == sprayer
