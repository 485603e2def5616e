"""Does a verdict against check strips keep its word? Coverage of the kill's interval, few strips, few bags.

Run: python tests/benchmarks/check_strips.py [--surveys N] [--write]
Ground: four invented zones of 60 by 25 m, strips 4.6 m wide at random across them, bags at random in the strips (alike
many in each) and in the rest of the zones. Insects lie by a field whose logs have the spread and range named
(exponential covariance, as random features), bags are negative binomial, k 1.5; a treatment leaves 30 % or all of
them. Bags are counted afterwards alone. Every number of the model is invented.
"""

from __future__ import annotations

from itertools import product

import geopandas as gpd
import joblib
import numpy as np
import pandas as pd
import shapely
from bench import as_markdown, ask, beside

from geosample.survey import shape_frame
from geosample.treat.records import check_treatment

SEED, WAVES, BAG_M2, WIDE_M = 31, 400, 0.0077, 4.6
STRIPS, FIELDS, KILLS = ((2, 8), (3, 8), (5, 10), (8, 16)), ((0.5, 15.0), (0.8, 30.0)), (0.0, 0.7)
IN_ZONES, MEAN, K = 25, 8.0, 1.5
ZONES = [shapely.box(500 * n, 0, 500 * n + 60, 25) for n in range(4)]


class Plan:
    """The two kinds of ground that a check asks a plan for."""

    def __init__(self, strips: list[shapely.Geometry]) -> None:
        whole = shapely.union_all(strips)
        treat = [shapely.difference(zone, whole) for zone in ZONES]
        shapes, actions = [*treat, *strips], ["treat"] * len(treat) + ["check"] * len(strips)
        table = gpd.GeoDataFrame({"action": actions}, geometry=shapes, crs=32618)
        self.zones = shape_frame("zones", table)

    def of(self, action: str) -> gpd.GeoDataFrame:
        """Return the shapes of one action."""
        return self.zones[self.zones["action"] == action]


def draw_bags(places: np.ndarray, mean: np.ndarray, rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Return counted bags."""
    count = rng.negative_binomial(K, K / (K + mean))
    columns = {"count": count, "sampled_m2": BAG_M2, "weight_m2": 1.0}
    return gpd.GeoDataFrame(columns, geometry=gpd.points_from_xy(*places.T), crs=32618)


def survey(
    strips: int, bags: int, field: tuple[float, float], kill: float, rng: np.random.Generator
) -> tuple[bool, ...]:
    """Return whether the interval holds the kill, is above none, and below it."""
    sd, range_m = field
    waves = rng.normal(size=(WAVES, 2)) / np.abs(rng.normal(size=(WAVES, 1))) / (range_m / 3)
    phase = rng.uniform(0, 2 * np.pi, WAVES)

    def mean(at: np.ndarray) -> np.ndarray:
        return MEAN * np.exp(sd * np.sqrt(2 / WAVES) * np.cos(at @ waves.T + phase).sum(axis=1) - sd**2 / 2)

    west = 500 * rng.integers(4, size=strips) + rng.uniform(0, 60 - WIDE_M, strips)
    laid = Plan([shapely.box(west[n], 0, west[n] + WIDE_M, 25) for n in range(strips)])
    inside = np.column_stack([west[np.arange(bags) % strips] + rng.uniform(0, WIDE_M, bags), rng.uniform(0, 25, bags)])
    east = 500 * rng.integers(4, size=4 * IN_ZONES) + rng.uniform(0, 60, 4 * IN_ZONES)
    beside_ = np.column_stack([east, rng.uniform(0, 25, len(east))])
    beside_ = beside_[~shapely.intersects_xy(laid.of("check").union_all(), *beside_.T)][:IN_ZONES]
    after = pd.concat([draw_bags(inside, mean(inside), rng), draw_bags(beside_, (1 - kill) * mean(beside_), rng)])
    before = draw_bags(beside_ + 0.5, mean(beside_ + 0.5), rng)
    found = check_treatment(before, after.reset_index(drop=True), laid, rng=rng)  # type: ignore[arg-type]
    _, low, high = found.verdict
    return low <= kill <= high, low > 0, high < 0


def run_cell(strips: tuple[int, int], field: tuple[float, float], kill: float, surveys: int) -> dict[str, object]:
    """Return one row: shares in per cent."""
    rng = np.random.default_rng([SEED, *strips, int(10 * field[0]), int(10 * kill)])
    held, better, worse = np.mean([survey(*strips, field, kill, rng) for _ in range(surveys)], axis=0)
    shares = {"covers": held, "said to kill": better, "said to be worse than nothing": worse}
    many = {"strips": strips[0], "bags in them": strips[1], "log sd": field[0], "range, m": field[1]}
    return {**many, "kill": f"{kill:.0%}", **{name: round(100 * share, 1) for name, share in shares.items()}}


def main() -> None:
    """Print the table, and write it where asked."""
    asked = ask(__doc__, beside(__file__), surveys=(400, 2))
    cells = list(product(STRIPS[:1], FIELDS[:1], KILLS[1:]) if asked.smallest else product(STRIPS, FIELDS, KILLS))
    work = [joblib.delayed(run_cell)(*cell, asked.surveys) for cell in cells]
    table = pd.DataFrame(joblib.Parallel(n_jobs=asked.jobs)(work))
    error = 100 * np.sqrt(0.9 * 0.1 / asked.surveys)
    lines = [
        "# How well a kill is told against check strips",
        "",
        f"{asked.surveys} simulated surveys a row, {IN_ZONES} bags in the zones, 90 % intervals; "
        f"standard error of a share about {error:.1f}. Where the kill is 0 %, a kill said is a false one.",
        "",
        as_markdown(table),
    ]
    asked.publish("\n".join(lines))


if __name__ == "__main__":
    main()
