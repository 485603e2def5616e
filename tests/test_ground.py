"""Ground: from polygons to a clean frame; users' own points; files that lie elsewhere; kept in the survey."""

from __future__ import annotations

import json
import lzma
import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
import shapely.affinity
import shapely.geometry
from click.testing import CliRunner
from ground_case import areas, collection, disc, frame_of, kml, lonlat, one_hole, placemark, polygon_kml, said, write
from shapely import MultiPolygon, Point, Polygon, box
from survey_case import fill_rows

from geosample.cli import main
from geosample.errors import GroundError
from geosample.ground import (
    Replaced,
    load_ground,
    read_ground,
    read_own_shapes,
    replace_ground,
    save_ground,
    split_border,
)
from geosample.ground.model import OlderVisit
from geosample.ground.naming import KINDS
from geosample.survey import open_survey
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


CRS = 32618
WET = MultiPolygon([box(500_000, 4_600_000, 500_010, 4_600_010), box(500_020, 4_600_000, 500_030, 4_600_010)])


def own(path: Path, names: list[str | None], shapes: list[object], crs: int = CRS) -> Path:
    gpd.GeoDataFrame({"name": names}, geometry=shapes, crs=CRS).to_crs(crs).to_file(path)
    return path


@pytest.mark.parametrize("file", ["mine.gpkg", "mine.fgb", "mine.shp", "mine.geojson", "mine.gml"])
def test_a_shape_of_two_parts_stays_one_row_in_any_format(tmp_path: Path, file: str) -> None:
    path = own(tmp_path / file, ["wet", "dry"], [WET, box(500_040, 4_600_000, 500_050, 4_600_010)], 4326)
    found = read_own_shapes(path, CRS, option="--areas")
    areas = dict(zip(found["name"], found.area, strict=True))  # some formats have an order of their own
    assert areas == pytest.approx({"wet": 200, "dry": 100}, rel=1e-4)
    assert found.crs.to_epsg() == CRS


def test_the_names_of_placemarks_are_the_names(tmp_path: Path) -> None:
    path = tmp_path / "mine.kml"
    path.write_text(kml(placemark("low corner", Point(0, 0).buffer(9))), encoding="utf-8")
    assert read_own_shapes(path, CRS, option="--at")["name"].tolist() == ["low corner"]


def test_a_row_without_a_name_has_its_number(tmp_path: Path) -> None:
    found = own(tmp_path / "mine.gpkg", ["wet", None], [Point(500_000, 4_600_000), Point(500_001, 4_600_000)])
    assert read_own_shapes(found, CRS, option="--at")["name"].tolist() == ["wet", "2"]


def test_every_shape_that_is_not_whole_is_refused_by_its_place(tmp_path: Path) -> None:
    open_ring = {"type": "Polygon", "coordinates": [[[-75, 41], [-74, 41], [-74, 42]]]}
    shapes = [open_ring, None, {"type": "Point", "coordinates": [-75, 41]}]
    features = [{"type": "Feature", "properties": {}, "geometry": shape} for shape in shapes]
    path = tmp_path / "mine.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    with pytest.raises(GroundError) as caught:
        read_own_shapes(path, CRS, option="--at")
    assert [problem.where for problem in caught.value.problems] == [f"--at mine.geojson, feature {n}" for n in (1, 2)]


def test_a_file_that_is_not_what_its_ending_says_is_not_let_at_the_driver(tmp_path: Path) -> None:
    path = own(tmp_path / "mine.geojson", ["a"], [Polygon([(0, 0), (1, 0), (1, 1)])], 4326)
    with pytest.raises(GroundError, match=r"--at .*other bytes than its ending says"):
        read_own_shapes(path.rename(tmp_path / "mine.gpkg"), CRS, option="--at")


def test_metres_without_a_coordinate_system_are_refused_with_the_remedy(tmp_path: Path) -> None:
    path = tmp_path / "a.shp"
    frame_of(one_hole(), 32618).to_file(path)
    path.with_suffix(".prj").unlink()
    with pytest.raises(GroundError, match="file_crs=EPSG:n"):
        read_ground(path)
    assert len(read_ground(path, file_crs="EPSG:32618").surfaces) == 3


def test_degrees_in_a_metric_system_are_named(tmp_path: Path) -> None:
    data = collection(*one_hole())
    data["crs"] = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32618"}}
    path = tmp_path / "a.geojson"
    path.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(GroundError, match="degrees in the metric system"):
        read_ground(path)
    assert len(read_ground(path, file_crs="EPSG:4326").surfaces) == 3


@pytest.mark.parametrize("place", [(-73.9, 41.5), (20.0, 60.0), (-84.0, 33.0)])
def test_swapped_latitude_and_longitude_are_named_and_mendable(tmp_path: Path, place: tuple[float, float]) -> None:
    site = pyproj.CRS.from_user_input(f"+proj=laea +lat_0={place[1]} +lon_0={place[0]} +x_0=500 +datum=WGS84")
    back = pyproj.Transformer.from_crs(site, 4326, always_xy=True)
    greens = [(disc(200 * n, 50 * n, 12), {"kind": "green", "hole": n + 1}) for n in range(9)]
    swapped = [
        (shapely.transform(shapely.transform(s, back.transform, interleaved=False), lambda c: c[:, ::-1]), fields)
        for s, fields in greens
    ]
    path = write(tmp_path / "a.geojson", *swapped, degrees=True)
    mended = read_ground(path, swap_lonlat=True)
    assert mended.surfaces["area_m2"].iloc[0] == pytest.approx(disc(0, 0, 12).area, rel=1e-5)
    with pytest.raises(GroundError, match="swap_lonlat"):
        read_ground(path)


def test_a_course_wider_than_ten_kilometres_is_named_with_what_lies_far_off(tmp_path: Path) -> None:
    far = (shapely.Point(0, 0).buffer(0.0001), {"kind": "green", "name": "stray"})
    near = [(lonlat(shape), fields) for shape, fields in one_hole()]
    with pytest.raises(GroundError) as caught:
        read_ground(write(tmp_path / "a.geojson", *near, far, degrees=True))
    assert "km wide" in str(caught.value.problems[0])
    assert "stray" in str(caught.value.problems[1])


@pytest.mark.parametrize("crs", ["EPSG:3857", "EPSG:4326", "EPSG:2263", "EPSG:999999"])
def test_a_working_system_that_is_not_true_metres_is_refused(tmp_path: Path, crs: str) -> None:
    with pytest.raises(GroundError, match="crs"):
        read_ground(write(tmp_path / "a.geojson", *one_hole()), crs=crs)


def test_a_working_system_with_a_small_error_says_how_large(tmp_path: Path) -> None:
    ground = read_ground(write(tmp_path / "a.geojson", *one_hole()), crs="EPSG:32618")
    assert any(note.what == "areas_off" for note in ground.notes)


@pytest.mark.parametrize(("code", "metres"), [(2263, 4), (4267, 20), (26918, None)])
def test_a_datum_that_can_only_be_shifted_roughly_is_said(tmp_path: Path, code: int, metres: int | None) -> None:
    frame_of(one_hole(), code).to_file(tmp_path / "a.gpkg")
    ground = read_ground(tmp_path / "a.gpkg")
    doubts = [note.facts["accuracy_m"] for note in ground.notes if note.what == "datum_shift"]
    # EPSG registry, accuracy of the shifts to WGS84 that need no grid file: 1188 (NAD83) 4 m, 1172 (NAD27) 20 m
    assert doubts == ([metres] if metres else [])
    assert ground.surfaces["area_m2"].iloc[0] == pytest.approx(disc(0, 0, 13).area, rel=1e-6)


OLDER_FILE = Path(__file__).parent / "data" / "demo_layout_2.gpkg.xz"
LAYERS_FILE = Path(__file__).resolve().parents[1] / "layers" / "course.geojson"


def test_ground_survives_the_survey_file(hole_file: Path, tmp_path: Path) -> None:
    ground = read_ground(hole_file, collar_m=0.762)
    survey = open_survey(tmp_path / "a.gpkg")
    save_ground(survey, ground)
    back = load_ground(survey)
    assert back.crs == ground.crs
    for old, new in ((ground.surfaces, back.surfaces), (ground.obstacles, back.obstacles)):
        for name in new.columns.drop("geometry"):
            both = [[None if pd.isna(value) else value for value in frame[name]] for frame in (old, new)]
            assert both[0] == both[1], name
        assert shapely.equals(old.geometry.to_numpy(), new.geometry.to_numpy()).all()


@pytest.mark.slow
def test_a_ground_that_visits_rest_on_is_not_replaced_unasked(hole_file: Path, tmp_path: Path) -> None:
    survey = open_survey(tmp_path / "a.gpkg")
    ground = read_ground(hole_file)
    save_ground(survey, ground)
    row = fill_rows("points", visit=["May"], point_id="07T-01", surface_id="07-tee-1", kind="tee")
    point = gpd.GeoDataFrame(row, geometry=[shapely.Point(0, -251)], crs=ground.crs)
    with survey.change() as change:
        change.put("visits", fill_rows("visits", visit=["May"]))
        change.put("points", point)
    assert replace_ground(survey, ground) == Replaced()
    rebuilt = [(disc(3, 0, 14), one_hole()[0][1]), one_hole()[1], *one_hole()[3:]]  # the bunker is gone, too
    newer = read_ground(write(tmp_path / "b.geojson", *rebuilt), crs=ground.crs)
    with pytest.raises(GroundError, match=r"visits May were drawn on: 07-green-1 changed .*bunker gone"):
        replace_ground(survey, newer)
    assert len(load_ground(survey).obstacles) == 1
    replaced = replace_ground(survey, newer, force=True)
    assert replaced.visits == (OlderVisit("May", 1, 1),)
    assert [str(one).split(" (")[0] for one in replaced.moved] == [
        "07-green-1 changed", "07-fairway-1 changed", "bunker gone"
    ]  # fmt: skip
    now, then = load_ground(survey), load_ground(survey, "May")
    assert (len(now.obstacles), len(then.obstacles)) == (0, 1)
    assert shapely.equals(then.surfaces.geometry.to_numpy(), ground.surfaces.geometry.to_numpy()).all()
    assert now.surfaces["area_m2"].tolist() == newer.surfaces["area_m2"].tolist()
    assert replace_ground(survey, ground) == Replaced()  # no visit rests on the newer one yet: it is simply replaced
    assert load_ground(survey).surfaces["area_m2"].tolist() == ground.surfaces["area_m2"].tolist()
    elsewhere = read_ground(hole_file, crs="EPSG:32618")
    with pytest.raises(GroundError, match="another coordinate system"):
        replace_ground(survey, elsewhere, force=True)


@pytest.mark.slow
def test_the_command_prints_a_table_and_json_agrees(hole_file: Path, tmp_path: Path) -> None:
    args = ["ground", str(tmp_path / "a.gpkg"), str(hole_file), "--collar", "30in,7=1m", "--units", "metric"]
    plain = CliRunner().invoke(main, [*args, "--picture", str(tmp_path / "a.png")])
    assert plain.exit_code == 0, plain.output
    lines = plain.stdout.splitlines()
    assert any(line.startswith("hole ") for line in lines)
    assert any(line.startswith("ha ") for line in lines)
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")
    summary = json.loads(CliRunner().invoke(main, [*args, "--json"]).stdout)
    assert summary["kinds"]["collar"]["area_m2"] == pytest.approx(np.pi * (14**2 - 13**2), rel=1e-2)
    assert summary["area_m2"] == pytest.approx(sum(kind["area_m2"] for kind in summary["kinds"].values()))


def test_help_lists_each_format_that_is_read_and_each_kind_is_a_word() -> None:
    from geosample.ground import FORMATS

    text = " ".join(CliRunner().invoke(main, ["ground", "--help"]).output.lower().split())
    assert all(ending.lstrip(".") in text for ending in FORMATS if ending != ".zip")
    assert "zipped" in text
    assert len(set(KINDS)) == len(KINDS)


def test_bad_data_is_exit_one_and_leaves_no_file(tmp_path: Path) -> None:
    bad = tmp_path / "bad.geojson"
    bad.write_text('{"type": "FeatureCollection", "features": []}', encoding="utf-8")
    run = CliRunner().invoke(main, ["ground", str(tmp_path / "a.gpkg"), str(bad)])
    assert run.exit_code == 1
    assert "no shapes" in run.output
    assert [path.name for path in tmp_path.iterdir()] == ["bad.geojson"]


@pytest.mark.parametrize("collar", ["30", "7=30", "x"])
def test_a_collar_without_a_unit_is_bad_usage(hole_file: Path, tmp_path: Path, collar: str) -> None:
    run = CliRunner().invoke(main, ["ground", str(tmp_path / "a.gpkg"), str(hole_file), "--collar", collar])
    assert run.exit_code == 2


def test_landmarks_are_kept_in_the_survey_and_go_with_the_ground(tmp_path: Path) -> None:
    survey = open_survey(tmp_path / "a.gpkg")
    cup = (shapely.Point(0, 0), {"kind": "cup", "hole": 7})
    save_ground(survey, read_ground(write(tmp_path / "a.geojson", *one_hole(), cup)))
    back = load_ground(survey).landmarks
    assert back is not None
    assert back[["kind", "name", "hole"]].to_numpy().tolist() == [["landmark", "cup", "7"]]
    save_ground(survey, read_ground(write(tmp_path / "a.geojson", *one_hole())))
    again = load_ground(survey).landmarks
    assert again is not None
    assert again.empty


def test_a_picture_is_drawn_of_what_is_not_known_before_it_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a.geojson", *one_hole(), (disc(90, 0, 9), {"kind": "lawn"}))
    args = ["ground", str(tmp_path / "a.gpkg"), str(path), "--picture", str(tmp_path / "a.png")]
    run = CliRunner().invoke(main, args)
    assert run.exit_code == 1
    assert sorted(found.name for found in tmp_path.iterdir()) == ["a.geojson", "a.png"]
    wrong = CliRunner().invoke(main, [*args[:-1], str(tmp_path / "a.jpg"), "--kinds", "lawn=rough"])
    assert wrong.exit_code == 1
    assert ".png" in wrong.output


def test_the_survey_file_is_not_read_into_itself(hole_file: Path, tmp_path: Path) -> None:
    survey = tmp_path / "a.gpkg"
    assert CliRunner().invoke(main, ["ground", str(survey), str(hole_file)]).exit_code == 0
    run = CliRunner().invoke(main, ["ground", str(survey), str(survey)])
    assert run.exit_code == 1
    assert "the survey file itself" in run.output


def test_a_collar_of_feet_where_inches_were_meant_is_bad_usage(tmp_path: Path) -> None:
    run = CliRunner().invoke(main, ["ground", str(tmp_path / "a.gpkg"), "no.kml", "--collar", "30ft"])
    assert run.exit_code == 2
    assert "found 30ft" in run.output
    assert not (tmp_path / "a.gpkg").exists()


@pytest.mark.slow
@pytest.mark.parametrize("name", ["Green Hill", '漢字\'s "nine" <b>; DROP TABLE surfaces --'])
def test_the_course_s_name_is_kept_where_any_gis_shows_it_until_another_is_given(
    hole_file: Path, tmp_path: Path, name: str
) -> None:
    survey = open_survey(tmp_path / "a.gpkg")
    ground, command = str(hole_file), ["ground", str(survey.path)]
    assert CliRunner().invoke(main, [*command, ground]).exit_code == 0
    assert (survey.course, load_ground(survey).name) == ("a", "")
    for asked in (["--name", f" {name}\n"], [], ["--collar", "30in"]):
        assert CliRunner().invoke(main, [*command, ground, *asked]).exit_code == 0
        assert (survey.course, load_ground(survey).name) == (name, name)
    with closing(sqlite3.connect(survey.path)) as connection:
        listed = dict(connection.execute("SELECT table_name, description FROM gpkg_contents"))
    # OGC 12-128r19, table 5: gpkg_contents.description is "A human-readable description for the table_name content".
    assert listed["surfaces"] == name
    assert not any(text for layer, text in listed.items() if layer != "surfaces")
    connection = sqlite3.connect(survey.path)
    with closing(connection), connection:  # as another program declares it: the table is made anew
        connection.execute("ALTER TABLE surfaces RENAME COLUMN kind TO sort")
    assert CliRunner().invoke(main, [*command, ground, "--force"]).exit_code == 0
    assert survey.course == name


@pytest.mark.parametrize("ending", [".geojson", ".kml", ".zip"])
def test_ground_written_out_reads_back_to_a_millionth_of_each_area(tmp_path: Path, ending: str) -> None:
    across = (shapely.box(-20, -150, 20, -140), {"kind": "bunker", "hole": "7"})  # leaves one fairway of two pieces
    trees = (shapely.LineString([(30, 0), (30, 90)]), {"kind": "trees"})
    others = [(shapely.box(30, 0, 40, 9), {"kind": "other"}), (shapely.Point(2, 2), {"kind": "cup", "hole": "7"})]
    course = write(tmp_path / "course.geojson", *one_hole(), across, trees, *others)
    survey, out = tmp_path / "a.gpkg", tmp_path / f"clean{ending}"
    read = CliRunner().invoke(main, ["ground", str(survey), str(course), "--collar", "30in", "--kinds", "other=other"])
    assert read.exit_code == 0, read.output
    written = CliRunner().invoke(main, ["ground", str(survey), "--out", str(out)])
    assert written.exit_code == 0, written.output
    ground, back = load_ground(open_survey(survey)), read_ground(out)
    columns = ["surface_id", "hole", "kind"]
    assert back.surfaces[columns].to_numpy().tolist() == ground.surfaces[columns].to_numpy().tolist()
    areas = ground.surfaces["area_m2"].to_numpy()
    assert back.surfaces["area_m2"].to_numpy() == pytest.approx(areas, rel=1e-6)
    assert back.obstacles["kind"].tolist() == ground.obstacles["kind"].tolist()
    assert back.obstacles.area.to_numpy() == pytest.approx(ground.obstacles.area.to_numpy(), rel=1e-6)
    assert len(back.landmarks) == 1


def test_ground_asks_for_a_file_and_refuses_an_unknown_ending(hole_file: Path, tmp_path: Path) -> None:
    survey = str(tmp_path / "a.gpkg")
    assert CliRunner().invoke(main, ["ground", survey]).exit_code == 2
    run = CliRunner().invoke(main, ["ground", survey, str(hole_file), "--out", str(tmp_path / "a.dwg")])
    assert run.exit_code == 1
    assert "--out: found the ending '.dwg'" in run.stderr


@pytest.mark.slow
def test_nothing_of_an_old_visit_changes_by_a_digit_on_a_newer_ground(tmp_path: Path) -> None:
    survey = tmp_path / "course.gpkg"
    survey.write_bytes(lzma.decompress(OLDER_FILE.read_bytes()))
    course = json.loads(LAYERS_FILE.read_text(encoding="utf-8"))
    green = next(one for one in course["features"] if "green" in one["properties"].values())
    shape = shapely.geometry.shape(green["geometry"])
    green["geometry"] = shapely.geometry.mapping(shapely.affinity.scale(shape, 1.1, 1.1))
    rebuilt = tmp_path / "rebuilt.geojson"
    rebuilt.write_text(json.dumps(course), encoding="utf-8")

    def told() -> dict[str, str]:
        words = {"estimate": [], "treat": ["--threshold", "30/ft2", "--out", str(tmp_path / "out")]}
        runs = {name: CliRunner().invoke(main, [name, str(survey), *rest, "--json"]) for name, rest in words.items()}
        assert all(run.exit_code == 0 for run in runs.values())
        return {name: run.stdout for name, run in runs.items()}

    before, points = told(), open_survey(survey).read("points")
    take = ["ground", str(survey), str(rebuilt), "--collar", "30in"]
    asked = CliRunner().invoke(main, take)
    assert asked.exit_code == 1
    assert "say --force to keep those visits" in " ".join(asked.output.split())
    assert CliRunner().invoke(main, [*take, "--force"]).exit_code == 0
    assert told() == before
    assert open_survey(survey).read("points").equals(points)
    new = ["design", str(survey), "--visit", "2026-06-08", "--points", "20", "--seed", "1"]
    assert CliRunner().invoke(main, new).exit_code == 0
    assert open_survey(survey).read("visits").set_index("visit")["ground_version"].to_dict() == {
        "2026-05-18": 0,
        "2026-06-08": 1,
    }
