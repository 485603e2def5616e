"""Stage 2, for the bench: the order of extraction, stop lines, and plugs dealt out between methods.

No published values: what is claimed is checked by drawing many times.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
import shapely
from design_case import main_points
from scipy import stats

from geosample.design import draw_design
from geosample.design.methods import order_spread, split_plugs
from geosample.sheets.blanks import bench_order

ASKED = {"visit": "2026-05-04", "points": 40, "surfaces": ("green", "collar"), "seed": 7}
STOPS = {"stop_low_per_m2": 100.0, "stop_high_per_m2": 600.0, "k": 1.0}


@pytest.mark.slow
def test_every_bag_is_as_likely_as_any_other_to_be_extracted_early(small_ground):
    places = np.random.default_rng(1).uniform(0, 50, (13, 2))
    rng = np.random.default_rng(2)
    ranks = np.array([np.argsort(order_spread(places, rng)) for _ in range(800)])
    # Ranks 0 to 12 uniform for each of 13 bags; chi-square at 1 in 1,000 over 13 tests.
    for bag in range(13):
        assert stats.chisquare(np.bincount(ranks[:, bag], minlength=13)).pvalue > 0.001 / 13


@pytest.mark.slow
def test_whatever_is_extracted_first_lies_spread(small_ground):
    design = draw_design(small_ground, **(ASKED | {"points": 60}))
    points = main_points(design)
    for _, rows in points.groupby("stratum"):
        assert sorted(rows["extract_order"]) == list(range(1, len(rows) + 1))
    # The nearest pair among the first 12 of a stratum is farther apart than among 12 taken at random, on average.
    green = shapely.get_coordinates(points.geometry[points["kind"] == "green"].to_numpy())
    rng = np.random.default_rng(3)

    def nearest(rows):
        gaps = np.hypot(*(green[rows][:, None] - green[rows][None]).transpose(2, 0, 1))
        return gaps[gaps > 0].min()

    early = np.mean([nearest(order_spread(green, rng)[:12]) for _ in range(100)])
    chance = np.mean([nearest(rng.permutation(len(green))[:12]) for _ in range(100)])
    assert early > 1.2 * chance


def test_the_bench_takes_the_strata_in_step_unless_there_are_stop_lines(small_ground):
    design = draw_design(small_ground, **ASKED)
    bags = bench_order(design, "brine")
    main_bags = bags[bags["role"] == "main"]
    half = main_bags.iloc[: len(main_bags) // 2]["stratum"].value_counts() / main_bags["stratum"].value_counts()
    assert half.between(0.4, 0.6).all()
    stopping = draw_design(small_ground, **(ASKED | STOPS))
    ordered = bench_order(stopping, "brine")
    strata = ordered.loc[ordered["role"] == "main", "stratum"].tolist()
    assert sum(a != b for a, b in pairwise(strata)) == len(set(strata)) - 1


def test_stop_lines_answer_as_often_as_they_say(small_ground):
    # Counts drawn from the plan's own negative binomial, read off the printed rows; 4 standard errors.
    visit = draw_design(small_ground, **(ASKED | STOPS | {"points": 60})).visit
    [plan, *_] = visit.stop_lines
    rng, draws = np.random.default_rng(4), 4000
    for at in plan["expect"]:
        mean = at["density_per_m2"] * visit.point_m2
        totals = rng.negative_binomial(1.0, 1 / (1 + mean), (draws, 200)).cumsum(axis=1)
        open_, low, bags = np.ones(draws, dtype=bool), np.zeros(draws, dtype=bool), np.zeros(draws)
        for plugs, fewer, more in plan["rows"]:
            n = plugs // visit.units_per_point
            total = totals[:, n - 1]
            stop_low = open_ & (fewer is not None) & (total <= (-1 if fewer is None else fewer))
            stop = stop_low | (open_ & (more is not None) & (total >= (10**9 if more is None else more)))
            low |= stop_low
            bags[stop] = n
            open_ &= ~stop
        assert not open_.any()
        assert low.mean() == pytest.approx(at["says_low"], abs=4 * np.sqrt(0.25 / draws))
        assert bags.mean() == pytest.approx(at["bags"], abs=4 * bags.std() / np.sqrt(draws))


def test_few_bags_have_no_stop_lines_and_the_reason_is_kept(small_ground):
    design = draw_design(small_ground, **(ASKED | STOPS | {"points": 8, "minimum": 2}))
    plans = design.visit.stop_lines
    few = [plan for plan in plans if plan["why_not"]]
    assert [plan["stratum"] for plan in few] == [
        row["stratum"] for row in design.visit.settings["strata"] if row["main"] <= 5
    ]
    assert few
    assert all(plan["why_not"] == "few_bags" and plan["rows"] == [] for plan in few)


def test_plugs_are_dealt_out_evenly_and_at_random():
    splits = [split.split() for split in split_plugs(3000, ["brine", "heat"], 2, np.random.default_rng(5))]
    assert all(split.count("brine") == split.count("heat") == 2 for split in splits)
    # Six orders, all alike: chi-square at 1 in 1,000.
    orders = pd.Series([" ".join(split) for split in splits]).value_counts()
    assert len(orders) == 6
    assert stats.chisquare(orders).pvalue > 0.001
