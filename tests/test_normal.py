"""The normal quantile against a table, and an interval's spread against the interval."""

from __future__ import annotations

import math

import pytest
from scipy.special import ndtri

from geosample.normal import log_spread, normal_quantile, normal_reach


# Abramowitz & Stegun 1964, Handbook of Mathematical Functions, table 26.5 (from memory, unverified): x for Q(x).
@pytest.mark.parametrize(("level", "reach"), [(0.5, 0.67449), (0.8, 1.28155), (0.9, 1.64485), (0.95, 1.95996)])
def test_an_interval_reaches_as_far_as_the_table_says(level: float, reach: float) -> None:
    assert normal_reach(level) == pytest.approx(reach, abs=5e-6)


@pytest.mark.parametrize("share", [1e-9, 0.2, 0.8, 0.975, 1 - 1e-9])
def test_the_quantile_is_another_programs(share: float) -> None:
    assert normal_quantile(share) == pytest.approx(float(ndtri(share)), rel=1e-12)


@pytest.mark.parametrize("level", [0.5, 0.9, 0.99])
def test_a_spread_comes_back_from_its_interval_at_any_level(level: float) -> None:
    ends = (math.exp(sign * normal_reach(level) * 0.4) for sign in (-1, 1))
    assert log_spread(*ends, level) == pytest.approx(0.4)
