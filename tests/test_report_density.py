"""The words of the density map: what it is worth, what it does not know, and units as asked for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from density_case import THRESHOLD, aim_design, draw_counts, make_counts, place_points

from geosample.density import DensityMap, map_density, starting_threshold
from geosample.ground import Ground
from geosample.report.density import (
    ADDS,
    CLUSTER_WARNING,
    tag_map,
    tell_clusters,
    tell_map,
    tell_map_more,
    tell_start,
    tell_trust,
)


@pytest.fixture(scope="module")
def told_map(small_ground: Ground) -> DensityMap:
    counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(5))
    return map_density(counts, small_ground, design=aim_design(small_ground), cell_m=4, threshold_per_m2=THRESHOLD)


def test_the_map_says_what_it_adds_what_it_knows_and_what_is_above(told_map: DensityMap) -> None:
    text = "\n".join([*tell_map(told_map), *tell_map_more(told_map)])
    for words in ("The map foretells", "30/ft²", "not known", "log score", "Blocks of 197 ft", "Fitted: k"):
        assert words in text
    metric = "\n".join([*tell_map(told_map, "metric"), *tell_map_more(told_map, "metric")])
    assert "323/m²" in metric
    assert "Blocks of 60.0 m" in metric
    assert "ft" not in metric.replace("left", "").replace("after", "").replace("often", "")


@pytest.mark.parametrize("answer", ["yes", "a little", "no"])
def test_what_it_adds_is_one_of_three_answers(told_map: DensityMap, answer: str) -> None:
    rows = [
        replace(row, detail={**row.detail, "answer": answer}) if row.what == "map worth" else row
        for row in told_map.findings
    ]
    [line] = tell_trust(replace(told_map, findings=replace(told_map.findings, rows=tuple(rows))))
    assert line == ADDS[answer]


def test_a_count_left_out_of_the_judgement_is_named(small_ground: Ground) -> None:
    counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(5))
    huge = counts.counts.copy()
    huge.loc[huge.index[10], "count"] = 9000
    [line] = tell_trust(map_density(replace(counts, counts=huge), small_ground, cell_m=4.0))
    assert "Judged without the count of 9,000" in line


def test_too_few_insects_are_told_as_a_bound(small_ground: Ground) -> None:
    places = place_points(small_ground, 30, np.random.default_rng(1))
    bound = map_density(make_counts(small_ground, places, np.zeros(30)), small_ground, cell_m=5)
    [line] = tell_map(bound, "metric")
    assert line.startswith("No map: 0 insects in 30 bags is fewer than 5.")
    assert "with 95 % confidence; no place is shown as clean" in line


def test_cells_too_large_for_the_ground_are_said_to_be(small_ground: Ground) -> None:
    counts, _, _ = draw_counts(small_ground, 40, np.random.default_rng(8))
    surfaces = len(small_ground.surfaces)
    lines = tell_map(map_density(counts, small_ground, cell_m=1000.0), "metric")
    assert any(
        line.startswith(f"Cells of 1,000.0 m are large for this ground: {surfaces} of {surfaces}") for line in lines
    )


def test_simulated_counts_are_said_and_in_the_tags(told_map: DensityMap) -> None:
    invented = replace(told_map, settings=replace(told_map.settings, simulated=True))
    assert "simulated" in tell_map(invented)[1]
    assert "simulated" in tag_map(invented)["data"]
    assert "simulated" not in " ".join([*tell_map(told_map), *tag_map(told_map).values()])


def test_clusters_come_with_what_they_do_not_say() -> None:
    told = tell_clusters({"high": ["S-1"], "band_m": 10.0, "false_share": 0.1}, "metric")
    assert told.startswith("1 sample has more high counts around than chance gives")
    assert "10.0 m" in told
    assert told.endswith(CLUSTER_WARNING)


def test_a_threshold_to_start_from_says_where_it_comes_from() -> None:
    line = tell_start(starting_threshold("annual bluegrass weevil"), "us")
    assert line.startswith("No threshold given: 30/ft² taken to start with (early season")
    assert "Maryland" in line
