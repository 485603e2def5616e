"""Ground: edges that were walked with a receiver become surfaces, with the doubt they carry."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from ground_case import gpx, invented_edges, kml, lonlat, said, walk_edge, write

from geosample.cli import main
from geosample.errors import GroundError
from geosample.ground import load_ground, read_ground
from geosample.ground.walking import average_rings, clean_track, close_track, doubt_edge
from geosample.survey import open_survey
from geosample.units import show_length

EDGES = invented_edges()
# 68 % of a round normal error lie within 1.5096 standard deviations of an axis: sqrt(-2 ln 0.32)
RECEIVERS = {"of 2012": (0.21, 1.0, 7.44), "of 2017": (0.01, 0.2, 0.79)}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "receiver"), [("green", "of 2012"), ("green", "of 2017"), ("fairway", "of 2012"), ("bunker", "of 2012")]
)
def test_two_walks_tell_the_area_and_the_doubt_holds_the_truth(kind: str, receiver: str) -> None:
    sd_m, every_s, accuracy_m = RECEIVERS[receiver]
    rng = np.random.default_rng(7)
    walks = 100
    true = shapely.Polygon(EDGES[kind])
    closed = []
    for _ in range(walks):
        track, spikes, _ = clean_track(walk_edge(EDGES[kind], rng, sd_m=sd_m, every_s=every_s))
        assert not spikes
        closed.append(close_track(track, accuracy_m))
    rings = [ring for ring, _ in closed]
    areas = np.array([shapely.Polygon(ring).area for ring in rings])
    doubts = np.array([doubt_edge(ring, [accuracy_m], [gap_m]) for ring, gap_m in closed])
    far = [shapely.hausdorff_distance(shapely.LinearRing(ring), true.exterior) for ring in rings]
    # 95 % of 100 walks inside, less three standard errors of such a share (binomial)
    least = 0.95 - 3 * np.sqrt(0.95 * 0.05 / walks)
    assert (np.abs(areas - true.area) < doubts[:, 1] * areas).mean() > least
    assert (far < doubts[:, 0]).mean() > least
    pairs = [shapely.Polygon(average_rings(rings[i : i + 2])).area for i in range(0, walks, 2)]
    assert np.median(np.abs(np.array(pairs) / true.area - 1)) < (0.03 if kind != "bunker" else 0.06)


def test_tracks_named_in_plain_words_become_surfaces_and_two_walks_one(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    tracks = [
        ("green 7", walk_edge(EDGES["green"], rng)),
        ("green 7 walk 2", walk_edge(EDGES["green"], rng)),
        ("7 fairway left", walk_edge(EDGES["fairway"] + [60, 0], rng)),
        ("bunker", walk_edge(EDGES["bunker"] + [-40, 0], rng)),
    ]
    path = tmp_path / "walked.gpx"
    path.write_text(gpx(*tracks), encoding="utf-8")
    ground = read_ground(path, collar_m=0.76)
    frame = ground.surfaces.set_index("surface_id")
    assert list(frame.index) == ["07-green-1", "07-collar-1", "07-fairway-1"]
    assert ground.obstacles["kind"].tolist() == ["bunker"]
    wanted = shapely.Polygon(EDGES["green"]).area
    assert frame.loc["07-green-1", "area_m2"] == pytest.approx(wanted, rel=frame.loc["07-green-1", "area_doubt"])
    assert frame["edge_doubt_m"].notna().all()
    assert "3 walked edges, 4 walks" in said(ground)
    assert "--accuracy" in said(ground)
    assert "collars of 76 cm round walked greens" in said(ground)
    survey = tmp_path / "course.gpkg"
    run = CliRunner().invoke(main, ["ground", str(survey), str(path), "--accuracy", "2m"])
    assert run.exit_code == 0, run.output
    asked = ["design", str(survey), "--visit", "2026-05-04", "--points", "12", "--surfaces", "green", "--seed", "1"]
    told = [CliRunner().invoke(main, [*asked, "--border", width]).output for width in ("3ft", "5m")]
    assert ["narrower than what is known of the walked edges" in " ".join(text.split()) for text in told] == [
        True,
        False,
    ]
    kept = load_ground(open_survey(survey)).surfaces
    assert kept["edge_doubt_m"].max() < frame["edge_doubt_m"].max() / 2


@pytest.mark.parametrize("ending", [".kml", ".geojson"])
def test_an_open_line_is_closed_where_its_ends_are_near_and_told_where_they_are_not(
    tmp_path: Path, ending: str
) -> None:
    edge = EDGES["green"]
    near, wide = (
        shapely.LineString(edge[:-30]),
        shapely.LineString(edge[:-80] + np.array([60, 0])),
    )  # gaps of 5 m and of 14 m
    path = tmp_path / f"a{ending}"
    lines = [(near, {"name": "green 7"}), (wide, {"name": "green 8"})]
    if ending == ".kml":
        text = [
            f"<Placemark><name>{fields['name']}</name><LineString><coordinates>"
            f"{' '.join(f'{lon},{lat}' for lon, lat in shapely.get_coordinates(lonlat(line)))}"
            "</coordinates></LineString></Placemark>"
            for line, fields in lines
        ]
        path.write_text(kml("".join(text)), encoding="utf-8")
    else:
        write(path, *lines)
    ground = read_ground(path)
    assert ground.surfaces["surface_id"].tolist() == ["07-green-1"]
    [note] = [note for note in ground.notes if note.what == "open_line"]
    assert note.facts["gap_m"] == pytest.approx(wide.boundary.geoms[0].distance(wide.boundary.geoms[1]), rel=1e-3)
    assert f"its ends are {show_length(note.facts['gap_m'], 'metric')} apart" in said(ground)
    inside = shapely.Polygon(edge).area
    assert ground.surfaces["area_m2"].iloc[0] == pytest.approx(inside, rel=ground.surfaces["area_doubt"].iloc[0])


def test_spikes_and_stops_change_no_area(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    plain = walk_edge(EDGES["green"], rng, sd_m=0.001)
    bent = np.insert(plain, 40, plain[40] + rng.normal(0, 0.4, (60, 2)), axis=0)  # a minute's chat
    bent[[0, 15, 16, -1]] += [[30, 0], [0, 25], [3, 28], [-40, 9]]  # a cold start, and two jumps
    areas = []
    for track in (plain, bent):
        path = tmp_path / "a.gpx"
        path.write_text(gpx(("green", track)), encoding="utf-8")
        ground = read_ground(path, accuracy_m=0.5)
        areas.append(ground.surfaces["area_m2"].iloc[0])
    [note] = [note for note in ground.notes if note.what == "walked"]
    assert note.facts["spikes"] == 4
    assert note.facts["stops"] >= 1
    assert areas[1] == pytest.approx(areas[0], rel=0.01)
    assert areas[0] == pytest.approx(shapely.Polygon(EDGES["green"]).area, rel=0.01)


def test_an_accuracy_that_is_none_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.gpx"
    path.write_text(gpx(("green", EDGES["green"])), encoding="utf-8")
    with pytest.raises(GroundError, match="accuracy_m"):
        read_ground(path, accuracy_m=0.0)
