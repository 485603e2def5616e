"""Joining by position: one to one at the least total distance, within reach, on the surface named; positions mended."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment
from scipy.spatial import KDTree

from geosample.counts import read_counts
from geosample.counts.joining import Claim, Placed, Plan, assign_places
from geosample.counts.rows import Bag, Reach, find_reach, read_degrees
from geosample.design import Design
from geosample.errors import CountsError


def bag(accuracy_m: float = math.nan) -> Bag:
    return Bag("row", "brine", "counted", 3, False, False, {}, {}, accuracy_m=accuracy_m, lon=-73.9, lat=41.5)


def plan_of(metres: np.ndarray, within_m: float, kinds: list[str] | None = None) -> Plan:
    names = np.array([f"p{i}" for i in range(len(metres))], dtype=object)
    kind = np.array(kinds or ["fairway"] * len(metres), dtype=object)
    return Plan(names, kind, kind, metres, within_m, KDTree(metres))


def sheet_at(design: Design, places: list[tuple[float, float]], folder: Path, **columns: list[str]) -> Path:
    """A sheet without labels: places in metres, one insect in the first row, two in the second ..."""
    lonlat = gpd.GeoSeries(shapely.points(places), crs=design.points.crs).to_crs(4326)
    rows = pd.DataFrame({"lat": lonlat.y, "lon": lonlat.x, "method": "brine", "L3": range(1, len(places) + 1)})
    path = folder / "a.csv"
    rows.assign(**columns).to_csv(path, index=False)
    return path


@given(st.integers(0, 10_000), st.integers(1, 12), st.integers(1, 12))
def test_the_assignment_is_the_one_an_independent_solver_finds(seed: int, rows: int, points: int) -> None:
    rng = np.random.default_rng(seed)
    places, metres = rng.uniform(0, 30, (rows, 2)), rng.uniform(0, 30, (points, 2))
    found = assign_places([Placed(bag(), Claim())] * rows, places, plan_of(metres, 12.0), set())
    cost = np.hypot(*(places[:, None] - metres[None]).transpose(2, 0, 1))
    # scipy.optimize.linear_sum_assignment, dense, with pairs out of reach at a cost no sum of distances reaches.
    r, p = linear_sum_assignment(np.where(cost <= 12.0, cost, 1e6))
    kept = cost[r, p] <= 12.0
    assert len(found) == kept.sum()
    assert sum(cost[i, j] for i, j in found.items()) == pytest.approx(cost[r, p][kept].sum(), abs=0.05)
    assert len(set(found.values())) == len(found)


def test_the_nearest_pair_does_not_rob_its_neighbour() -> None:
    # Row 0 lies 4 m from p0 and 3 m from p1; row 1 lies 5 m from p1 alone: greedy would leave row 1 out.
    found = assign_places(
        [Placed(bag(), Claim())] * 2,
        np.array([[4.0, 0.0], [12.0, 0.0]]),
        plan_of(np.array([[0.0, 0.0], [7.0, 0.0]]), 6.0),
        set(),
    )
    assert found == {0: 0, 1: 1}


def test_reach_grows_by_the_receivers_accuracy_and_the_kind_named_is_kept() -> None:
    metres = np.array([[0.0, 0.0], [13.0, 0.0]])
    place = np.array([[12.0, 0.0]])
    plan = plan_of(metres, 10.0, ["green", "collar"])
    assert assign_places([Placed(bag(), Claim(), kind="green")], place, plan, set()) == {}
    assert assign_places([Placed(bag(3.0), Claim(), kind="green")], place, plan, set()) == {0: 0}
    assert assign_places([Placed(bag(), Claim())], place, plan, set()) == {0: 1}
    assert assign_places([Placed(bag(), Claim())], place, plan, {1}) == {}


def test_rows_without_labels_join_the_points_no_label_took(counts_design: Design, tmp_path: Path) -> None:
    points = counts_design.points.set_index("point_id").geometry
    near = [(points[name].x + 1.0, points[name].y) for name in ("01F-01", "01F-02", "01F-03")]
    path = sheet_at(counts_design, near, tmp_path, point_id=["01F-01", "", "99"])
    counts = read_counts(path, counts_design)
    samples = counts.samples.set_index("point_id")
    found = counts.counts.set_index("sample_id")["count"]
    assert samples["joined_by"].to_dict() == {"01F-01": "label", "01F-02": "position", "01F-03": "position"}
    assert found.to_dict() == {"01F-01-B": 1, "01F-02-B": 2, "01F-03-B": 3}
    assert samples["offset_m"].tolist() == pytest.approx([1.0] * 3, abs=0.01)
    assert samples.loc["01F-02"].geometry.equals(points["01F-02"])
    [note] = [note for note in counts.notes if note.facts.get("label") == "99"]
    assert (note.what, note.facts["point"]) == ("joined_by_position", "01F-03")
    assert note.facts["offset_m"] == pytest.approx(1.0, abs=0.01)


def test_a_position_near_no_free_point_is_asked_about(counts_design: Design, tmp_path: Path) -> None:
    points = counts_design.points.set_index("point_id").geometry
    far = (points["01F-01"].x + 200, points["01F-01"].y)
    with pytest.raises(CountsError, match="no label and a position that no free point is near"):
        read_counts(sheet_at(counts_design, [far], tmp_path), counts_design)


def test_a_moved_plug_needs_its_label(counts_design: Design, tmp_path: Path) -> None:
    at = counts_design.points.geometry.iloc[0]
    with pytest.raises(CountsError, match="no label"):
        read_counts(sheet_at(counts_design, [(at.x, at.y)], tmp_path, moved=["yes"]), counts_design)


@pytest.mark.parametrize(("away_m", "taken"), [(95.0, True), (105.0, False)])
def test_a_plug_ticked_as_moved_may_not_have_moved_out_of_sight(
    counts_design: Design, tmp_path: Path, away_m: float, taken: bool
) -> None:
    at = counts_design.points.set_index("point_id").geometry["01F-01"]
    sheet = sheet_at(counts_design, [(at.x + away_m, at.y)], tmp_path, moved=["yes"], point_id=["01F-01"])
    if taken:
        assert read_counts(sheet, counts_design).samples["offset_m"].tolist() == pytest.approx([away_m], abs=0.01)
    else:
        with pytest.raises(CountsError, match=r"01F-01 moved 105 m from its place.*at most 100 m.*clear it"):
            read_counts(sheet, counts_design)


def test_two_points_nearly_as_near_are_told(counts_design: Design, tmp_path: Path) -> None:
    first, second = counts_design.points.geometry.iloc[0], shapely.Point(
        counts_design.points.geometry.iloc[0].x + 4, counts_design.points.geometry.iloc[0].y
    )  # fmt: skip
    geometry = gpd.GeoSeries([first, second, *counts_design.points.geometry.iloc[2:]], crs=counts_design.points.crs)
    close = replace(counts_design, points=counts_design.points.set_geometry(geometry))
    counts = read_counts(sheet_at(close, [(first.x + 1.9, first.y)], tmp_path), close)
    [note] = [note for note in counts.notes if "rival" in note.facts]
    assert (note.facts["rival"], round(note.facts["rival_m"], 1)) == ("01G-02", 2.1)


def test_a_label_on_another_surface_is_asked_about(counts_design: Design, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("point_id,surface_id,method,L3\n01F-01,01-green-1,brine,2\n")
    with pytest.raises(CountsError, match="label 01F-01 on surface 01-green-1; expected 01-fairway-1"):
        read_counts(path, counts_design)


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("41.5", 41.5), ("-73.91", -73.91), ("41,5", 41.5), ("73.91 W", -73.91), ("W73.91", -73.91),
        ("41°30'00\"N", 41.5), ("41º30'", 41.5), ("41 30 36 S", -41.51), ("41-30-36 N", 41.51), ("-73 54.6", -73.91),
        ("N 41° 30.6'", 41.51), ("41°30′36″", 41.51), ("", None), ("north", None), ("41°61'", None),
        ("41 30 36 12", None), ("-41 N", None), ("41N 30W", None), ("4e1", None),
    ],
)  # fmt: skip
def test_degrees_are_read_as_people_write_them(text: str, degrees: float | None) -> None:
    assert read_degrees(text) == degrees


def test_a_position_that_two_mendings_fit_is_asked_about(counts_design: Design, tmp_path: Path) -> None:
    # On the equator's own meridian every sign fits: nothing tells north from south.
    lonlat = counts_design.points.assign(lat=0.0005, lon=0.001)
    here = replace(counts_design, points=lonlat)
    path = tmp_path / "a.csv"
    path.write_text("point_id,method,L3,lat,lon\n01F-01,brine,2,0.0300,0.0200\n")
    with pytest.raises(CountsError, match="expected a place within 2 km"):
        read_counts(path, here)


def test_half_a_position_is_asked_about(counts_design: Design, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("point_id,method,L3,lat,lon\n01F-01,brine,2,41.5,\n")
    with pytest.raises(CountsError, match=r"position '41\.5', ''"):
        read_counts(path, counts_design)


def test_the_reach_is_two_kilometres_each_way() -> None:
    reach = find_reach(np.array([-73.9]), np.array([41.5]))
    assert isinstance(reach, Reach)
    # On WGS84 at 41.5 N a degree of latitude is 111.06 km and one of longitude 83.50 km (its radii of curvature).
    assert reach.holds(41.5 + 1.9 / 111.06, -73.9)
    assert not reach.holds(41.5 + 2.1 / 111.06, -73.9)
    assert reach.holds(41.5, -73.9 - 1.9 / 83.5)
    assert not reach.holds(41.5, -73.9 - 2.1 / 83.5)
