"""Ground: from polygons to a clean frame, by worked examples."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from ground_case import areas, collection, disc, kml, lonlat, one_hole, placemark, polygon_kml, said, write

from geosample.ground import read_ground, split_border
from geosample.units import FOOT2_M2, INCH_M


def test_overlaps_go_to_the_earlier_kind_and_bunkers_are_cut_out(hole_file: Path) -> None:
    ground = read_ground(hole_file)
    green, bunker = disc(0, 0, 13), disc(10, -80, 5)
    fairway = shapely.box(-16, -220, 16, 20) - green - bunker
    assert areas(ground) == pytest.approx({"green": green.area, "fairway": fairway.area, "tee": 100.0}, rel=1e-6)
    moved = {note.facts["winner"]: note.area_m2 for note in ground.notes if note.what == "overlap"}
    assert moved == pytest.approx({"green": green.area, "bunker": bunker.area}, rel=1e-6)


def test_surfaces_are_disjoint_to_a_millionth(hole_file: Path) -> None:
    surfaces = read_ground(hole_file, collar_m=0.762).surfaces
    assert surfaces.union_all().area == pytest.approx(surfaces["area_m2"].sum(), rel=1e-6)
    assert surfaces.geometry.is_valid.all()


def test_ids_name_hole_and_kind_and_number_the_largest_first(tmp_path: Path) -> None:
    tees = [(shapely.box(0, n * 20, 5 + n, n * 20 + 5), {"golf": "tee", "hole": 7}) for n in range(3)]
    ground = read_ground(write(tmp_path / "a.geojson", *tees))
    assert ground.surfaces["surface_id"].tolist() == ["07-tee-1", "07-tee-2", "07-tee-3"]
    assert ground.surfaces["area_m2"].tolist() == pytest.approx([35, 30, 25], rel=1e-6)


def test_a_collar_has_the_area_the_trade_expects(tmp_path: Path) -> None:
    radius = np.sqrt(6000 * FOOT2_M2 / np.pi)
    ground = read_ground(write(tmp_path / "a.geojson", (disc(0, 0, radius), {"kind": "green"})), collar_m=30 * INCH_M)
    # r = √(6,000/π) = 43.70 ft; π ((r + 2.5)² - r²) = 706.1 ft² for a collar 30 in wide
    assert areas(ground)["collar"] / FOOT2_M2 == pytest.approx(706, abs=1.5)


def test_collars_take_their_ground_from_fairway_but_not_from_tee_or_bunker(tmp_path: Path) -> None:
    shapes = [
        (shapely.box(0, 0, 20, 20), {"kind": "green"}),
        (shapely.box(20, 0, 40, 20), {"kind": "tee"}),
        (shapely.box(0, 20, 20, 40), {"kind": "bunker"}),
        (shapely.box(-50, -50, 50, 0), {"kind": "fairway"}),
    ]
    ground = read_ground(write(tmp_path / "a.geojson", *shapes), collar_m=2.0)
    collar = ground.surfaces.set_index("kind").geometry["collar"]
    # west and south sides whole, two square corners at the tee's and the bunker's sides, rounded at the other
    drawn = shapely.buffer(shapely.box(0, 0, 20, 20), 2, quad_segs=16)
    others = shapely.union_all([shape for shape, fields in shapes if fields["kind"] != "fairway"])
    assert collar.area == pytest.approx((drawn - others).area, rel=1e-5)
    assert areas(ground)["tee"] == pytest.approx(400, rel=1e-6)
    assert areas(ground)["fairway"] == pytest.approx(5000 - (drawn & shapely.box(-50, -50, 50, 0)).area, rel=1e-5)


def test_collars_by_hole_and_greens_with_a_drawn_collar(tmp_path: Path) -> None:
    shapes = [(disc(n * 100, 0, 10), {"kind": "green", "hole": n + 1}) for n in range(3)]
    shapes.append((disc(200, 0, 11), {"kind": "collar", "hole": 3}))
    ground = read_ground(write(tmp_path / "a.geojson", *shapes), collar_m={"*": 1.0, "2": 2.0, "9": 1.0})
    got = ground.surfaces[ground.surfaces["kind"] == "collar"].set_index("hole")["area_m2"]
    rings = [np.pi * ((10 + w) ** 2 - 100) for w in (1.0, 2.0, 1.0)]
    assert got.tolist() == pytest.approx(rings, rel=5e-3)
    assert "no green on hole 9" in said(ground)


def test_approach_is_the_fairway_near_its_own_green(hole_file: Path) -> None:
    ground = read_ground(hole_file, approach_m=20.0)
    near = shapely.buffer(disc(0, 0, 13), 20, quad_segs=16) & shapely.box(-16, -220, 16, 20)
    assert areas(ground)["approach"] == pytest.approx((near - disc(0, 0, 13)).area, rel=1e-4)


def test_islands_are_cut_out_by_name_and_by_place(tmp_path: Path) -> None:
    folder = "".join(
        placemark(name, shape)
        for name, shape in [
            ("fairway", shapely.box(0, 0, 100, 40)),
            ("fairway_hole", shapely.box(10, 10, 20, 20)),
            ("fairway", shapely.box(60, 10, 70, 20)),
            ("fairway", shapely.box(63, 13, 67, 17)),
        ]
    )
    path = tmp_path / "a.kml"
    path.write_text(kml(f"<Folder><name>4</name>{folder}</Folder>"), encoding="utf-8")
    ground = read_ground(path)
    assert areas(ground) == pytest.approx({"fairway": 4000 - 100 - 100 + 16}, rel=1e-6)
    assert said(ground).count("an island in a fairway on hole 4") == 2
    assert set(ground.surfaces["hole"]) == {"4"}


def test_a_green_in_a_pond_is_an_island_and_said_to_be(tmp_path: Path) -> None:
    path = write(tmp_path / "a.geojson", (disc(0, 0, 10), {"kind": "green"}), (disc(0, 0, 60), {"natural": "water"}))
    ground = read_ground(path)
    assert areas(ground)["green"] == pytest.approx(disc(0, 0, 10).area, rel=1e-6)
    assert ground.obstacles.area.sum() == pytest.approx(disc(0, 0, 60).area - disc(0, 0, 10).area, rel=1e-6)
    assert "a green inside a water" in said(ground)


def test_a_polygon_drawn_twice_is_kept_once_and_said(tmp_path: Path) -> None:
    path = write(tmp_path / "a.geojson", *one_hole(), *one_hole()[:1])
    ground = read_ground(path)
    assert areas(ground)["green"] == pytest.approx(disc(0, 0, 13).area, rel=1e-6)
    assert "a green drawn twice on hole 7" in said(ground)


def test_a_bow_tie_keeps_both_its_sides(tmp_path: Path) -> None:
    bow = shapely.Polygon([(0, 0), (20, 20), (20, 0), (0, 20)])
    ground = read_ground(write(tmp_path / "a.geojson", (bow, {"kind": "green"})))
    assert areas(ground)["green"] == pytest.approx(200, rel=1e-6)
    assert "crosses itself" in said(ground)


def test_an_open_ring_is_closed_and_a_ring_of_two_corners_loses_nothing_else(tmp_path: Path) -> None:
    corners = shapely.get_coordinates(lonlat(shapely.box(0, 0, 20, 20)))
    body = f"<Placemark><name>green</name>{polygon_kml(corners[:-1])}</Placemark>"
    body += f"<Placemark><name>fairway</name>{polygon_kml(corners[:2])}</Placemark>"
    path = tmp_path / "a.kml"
    path.write_text(kml(body), encoding="utf-8")
    ground = read_ground(path)
    assert areas(ground) == pytest.approx({"green": 400}, rel=1e-6)
    seen = {(note.what, note.where, note.facts.get("done")) for note in ground.notes}
    assert ("open_ring", "a.kml, placemark 1 'green'", "mended") in seen
    assert ("few_corners", "a.kml, placemark 2 'fairway'", "left out") in seen


def test_pieces_too_small_or_thin_go_to_the_surface_beside_or_are_left_out(tmp_path: Path) -> None:
    shapes = [
        (shapely.box(0, 0, 50, 50), {"kind": "green"}),
        (shapely.box(0, 0, 50.04, 50), {"kind": "fairway"}),  # leaves 2 m² beside the green
        (shapely.box(60, 0, 61, 1), {"kind": "tee"}),  # alone
        (shapely.union(shapely.box(70, 0, 90, 60), shapely.box(90, 0, 95.4, 20)), {"kind": "fairway"}),
        (shapely.box(90, -1, 95, 21), {"kind": "bunker"}),  # leaves 0.4 m beyond it
    ]
    ground = read_ground(write(tmp_path / "a.geojson", *shapes))
    assert areas(ground) == pytest.approx({"green": 2502, "fairway": 1200}, rel=1e-5)
    (note,) = (note for note in ground.notes if note.what == "scraps")
    assert (note.facts["given"], note.facts["left"], note.facts["whole"]) == (1, 2, 2)
    assert (note.facts["given_m2"], note.facts["left_m2"]) == pytest.approx((2.0, 1 + 0.4 * 20), rel=1e-2)


def test_a_bunker_across_a_fairway_leaves_one_surface_of_two_pieces(tmp_path: Path) -> None:
    shapes = [(shapely.box(0, 0, 30, 200), {"kind": "fairway"}), (shapely.box(-5, 90, 35, 99), {"kind": "bunker"})]
    (surface,) = read_ground(write(tmp_path / "a.geojson", *shapes)).surfaces.geometry
    assert len(surface.geoms) == 2


def test_paths_that_cross_count_once(tmp_path: Path) -> None:
    paths = [(shapely.box(0, 0, 100, 4), {"kind": "path"}), (shapely.box(50, -20, 53, 20), {"kind": "path"})]
    ground = read_ground(write(tmp_path / "a.geojson", (disc(200, 0, 13), {"kind": "green"}), *paths))
    assert ground.summary()["obstacles"]["path"]["area_m2"] == pytest.approx(400 + 120 - 12, rel=1e-5)


def test_what_says_nothing_is_told_once_and_labels_keep_their_spelling(tmp_path: Path) -> None:
    pin = (shapely.Point(5, 5), {"name": "Untitled Placemark"})
    ground = read_ground(
        write(tmp_path / "a.geojson", (disc(0, 0, 13), {"kind": "green"}), pin), kinds={"O.B.": "ignore"}
    )
    assert [note.what for note in ground.notes if note.what.startswith(("unknown", "by_"))] == ["unknown_point"]
    assert "the label 'O.B.'" in said(ground)


def test_geometry_collections_heights_and_empty_shapes_are_taken_apart(tmp_path: Path) -> None:
    data = collection((disc(0, 0, 9), {"kind": "green"}))
    first = data["features"][0]
    first["geometry"]["coordinates"] = [[[*c, 100.0] for c in first["geometry"]["coordinates"][0]]]
    nested = {"type": "GeometryCollection", "geometries": [first["geometry"], {"type": "GeometryCollection"}]}
    data["features"] = [
        {"type": "Feature", "properties": {"kind": "green"}, "geometry": nested},
        {"type": "Feature", "properties": {"kind": "tee"}, "geometry": None},
        {"type": "Feature", "properties": None, "geometry": {"type": "Polygon", "coordinates": []}},
    ]
    path = tmp_path / "a.geojson"
    path.write_text(json.dumps(data), encoding="utf-8")
    ground = read_ground(path)
    assert areas(ground) == pytest.approx({"green": disc(0, 0, 9).area}, rel=1e-6)
    assert not ground.surfaces.geometry.has_z.any()
    assert "a feature without a shape" in said(ground)


def test_turf_mostly_under_an_obstacle_is_pointed_out(tmp_path: Path) -> None:
    loop = (shapely.box(-20, -150, 20, 30), {"kind": "cart path"})
    assert "more than a third of a fairway under one path" in said(
        read_ground(write(tmp_path / "a.geojson", *one_hole(), loop))
    )


def test_a_collar_narrower_than_the_border_is_all_border_also_where_a_fairway_joins_it() -> None:
    green = shapely.Point(0, 0).buffer(12)
    collar = shapely.difference(shapely.Point(0, 0).buffer(12.762), green)
    fairway = shapely.difference(shapely.box(-15, -80, 15, 0), shapely.union(green, collar))
    surfaces = gpd.GeoDataFrame(
        {"surface_id": ["g", "c", "f"], "kind": ["green", "collar", "fairway"]},
        geometry=[green, collar, fairway],
        crs=32618,
    )
    parts = split_border(surfaces, 4.572)
    assert parts.loc[parts["surface_id"] == "c", "part"].tolist() == ["border"]
    assert sorted(parts.loc[parts["surface_id"] == "f", "part"]) == ["border", "interior"]
    areas = parts.groupby("surface_id")["area_m2"].sum()
    assert np.allclose(areas.loc[["g", "c", "f"]], surfaces.area, rtol=1e-9)
