"""Ground: from files to a clean frame, by worked examples."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner
from ground_case import collection, disc, kml, lonlat, one_hole, placemark, polygon_kml, write
from survey_case import fill_rows

from geosample.cli import main
from geosample.errors import GroundError
from geosample.ground import Ground, GroundOptions, load_ground, read_ground, replace_ground, save_ground, split_border
from geosample.ground.kinds import KINDS
from geosample.survey import open_survey
from geosample.units import FOOT2_M2, INCH_M


def areas(ground: Ground) -> dict[str, float]:
    return dict(ground.surfaces.groupby("kind")["area_m2"].sum())


def said(ground: Ground) -> str:
    return "\n".join(f"{note.what} {note.where} {note.remedy}" for note in ground.notes)


@pytest.fixture
def hole(tmp_path: Path) -> Path:
    return write(tmp_path / "hole.geojson", *one_hole())


def test_overlaps_go_to_the_earlier_kind_and_bunkers_are_cut_out(hole: Path) -> None:
    ground = read_ground(hole)
    green, bunker = disc(0, 0, 13), disc(10, -80, 5)
    fairway = shapely.box(-16, -220, 16, 20) - green - bunker
    assert areas(ground) == pytest.approx({"green": green.area, "fairway": fairway.area, "tee": 100.0}, rel=1e-6)
    moved = {note.what: note.area_m2 for note in ground.notes if " under " in note.what}
    assert moved == pytest.approx({"fairway under green": green.area, "fairway under bunker": bunker.area}, rel=1e-6)


def test_surfaces_are_disjoint_to_a_millionth(hole: Path) -> None:
    surfaces = read_ground(hole, collar_m=0.762).surfaces
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
    # facts.md, "Ground, machines, positions" (arithmetic): collar of a round 6,000 ft2 green, 30 in wide: 706 ft2
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


def test_approach_is_the_fairway_near_its_own_green(hole: Path) -> None:
    ground = read_ground(hole, options=GroundOptions(approach_m=20.0))
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
    assert "a ring that was not closed" in said(ground)
    assert "a ring of fewer than three corners a.kml, placemark 2 'fairway'" in said(ground)


def test_slivers_left_by_overlaps_are_dropped_and_their_area_told(tmp_path: Path) -> None:
    shapes = [(shapely.box(0, 0, 50, 50), {"kind": "green"}), (shapely.box(0, 0, 50.04, 50), {"kind": "fairway"})]
    ground = read_ground(write(tmp_path / "a.geojson", *shapes))
    assert areas(ground) == pytest.approx({"green": 2500}, rel=1e-6)
    note = next(note for note in ground.notes if note.what == "a sliver of fairway")
    assert note.area_m2 == pytest.approx(2.0, rel=1e-2)


def test_what_is_not_known_is_listed_with_the_text_that_settles_it(tmp_path: Path) -> None:
    shapes = [*one_hole(), (disc(90, 0, 9), {"kind": "lawn"}), (disc(90, 50, 9), {"kynd": "green"})]
    path = write(tmp_path / "a.geojson", *shapes)
    with pytest.raises(GroundError) as caught:
        read_ground(path)
    text = str(caught.value)
    assert "'lawn'" in text
    assert "found 1 not recognised, 2,738 ft² (254 m²) in all" in text
    kinds = text.rsplit('--kinds "', 1)[1].rstrip('"')
    assert kinds == "kynd:green=green,lawn=ignore"
    ground = read_ground(path, kinds=kinds)
    assert (ground.surfaces["kind"] == "green").sum() == 2
    assert "ignored: lawn" in said(ground)


def test_labels_with_commas_and_the_users_word_over_ours(tmp_path: Path) -> None:
    shapes = [(disc(0, 0, 9), {"kind": "Rough, native"}), (disc(50, 0, 9), {"kind": "green"})]
    ground = read_ground(write(tmp_path / "a.geojson", *shapes), kinds="Rough, native=other, green=tee")
    assert areas(ground).keys() == {"tee"}
    assert ground.obstacles["kind"].tolist() == ["other"]


@pytest.mark.parametrize("kinds", ["teebox=tea", "teebox"])
def test_a_mapping_to_no_kind_is_refused_with_those_there_are(hole: Path, kinds: str) -> None:
    with pytest.raises(GroundError, match="teebox"):
        read_ground(hole, kinds=kinds)


def test_openstreetmap_tags_and_hole_lines_are_understood(tmp_path: Path) -> None:
    shapes = [
        (disc(0, 0, 10), {"golf": "green"}),
        (disc(400, 0, 10), {"golf": "green"}),
        (disc(30, 0, 10), {"tags": {"golf": "lateral_water_hazard"}}),
        (disc(60, 0, 10), {"natural": "wood"}),
        (disc(-30, 0, 10), {"natural": "sand"}),
        (shapely.LineString([(0, -200), (0, 0)]), {"golf": "hole", "ref": "3"}),
        (shapely.LineString([(400, -200), (400, 0)]), {"golf": "hole", "ref": "04"}),
        (shapely.box(-300, -300, 700, 300), {"leisure": "golf_course"}),
    ]
    ground = read_ground(write(tmp_path / "a.geojson", *shapes))
    assert ground.surfaces["surface_id"].tolist() == ["03-green-1", "04-green-1"]
    assert ground.obstacles["kind"].tolist() == ["bunker", "trees", "water"]
    assert "given the nearest hole's" in said(ground)


def test_two_courses_in_one_file_keep_their_holes_apart(tmp_path: Path) -> None:
    parts = [
        f"<Folder><name>{course}</name><Folder><name>Hole 3</name>"
        f"{placemark('green', disc(east, 0, 9))}</Folder></Folder>"
        for course, east in (("Red", 0), ("Blue", 100))
    ]
    path = tmp_path / "a.kml"
    path.write_text(kml("".join(parts)), encoding="utf-8")
    assert read_ground(path).surfaces["surface_id"].tolist() == ["blue-3-green-1", "red-3-green-1"]


def test_fields_named_by_the_user_are_the_only_ones_looked_at(tmp_path: Path) -> None:
    shapes = [(disc(0, 0, 9), {"kind": "fairway", "CODE": "green", "NR": "Red 3"})]
    ground = read_ground(write(tmp_path / "a.geojson", *shapes), kind_from="CODE", hole_from=["NR"])
    assert ground.surfaces["surface_id"].tolist() == ["red-3-green-1"]


def test_several_files_are_one_course_and_all_their_problems_come_at_once(tmp_path: Path) -> None:
    greens = write(tmp_path / "greens.geojson", (disc(0, 0, 9), {"hole": 1, "name": "green"}))
    tees = write(tmp_path / "tees.geojson", (disc(99, 0, 9), {"hole": 1, "name": "tee"}))
    assert len(read_ground([greens, tees]).surfaces) == 2
    empty = tmp_path / "empty.kml"
    empty.touch()
    with pytest.raises(GroundError) as caught:
        read_ground([greens, empty, tmp_path / "none.kml", tmp_path / "a.dwg"])
    assert len(caught.value.problems) == 3


def test_points_are_landmarks_and_points_alone_are_no_course(tmp_path: Path) -> None:
    cup = (shapely.Point(0, 0), {"kind": "cup", "hole": 7})
    ground = read_ground(write(tmp_path / "a.geojson", *one_hole(), cup))
    assert ground.landmarks is not None
    assert ground.landmarks["hole"].tolist() == ["7"]
    assert "a landmark: cup" in said(ground)
    with pytest.raises(GroundError, match="only 1 points"):
        read_ground(write(tmp_path / "b.geojson", cup))


def test_trees_may_be_points_lines_or_polygons(tmp_path: Path) -> None:
    trees = [shapely.Point(30, 0), shapely.LineString([(40, 0), (40, 50)]), disc(80, 0, 9)]
    ground = read_ground(write(tmp_path / "a.geojson", *one_hole(), *((t, {"natural": "tree"}) for t in trees)))
    found = ground.obstacles[ground.obstacles["kind"] == "trees"]
    assert sorted(found.geom_type) == ["LineString", "Point", "Polygon"]


@pytest.mark.parametrize(
    ("fields", "hole"),
    [
        ({"hole": 7.0}, "7"),
        ({"Hole_No": "07"}, "7"),
        ({"name": "green 7"}, "7"),
        ({"name": "Hole 12 green"}, "12"),
        ({"hole": "Red 3"}, "Red 3"),
        ({}, None),
    ],
)
def test_holes_are_found_in_fields_and_names(tmp_path: Path, fields: dict[str, object], hole: str | None) -> None:
    path = write(tmp_path / "a.geojson", (disc(0, 0, 9), {"kind": "green", **fields}))
    got = read_ground(path).surfaces["hole"].iloc[0]
    assert (got if isinstance(got, str) else None) == hole


def test_ground_survives_the_survey_file(hole: Path, tmp_path: Path) -> None:
    ground = read_ground(hole, collar_m=0.762)
    survey = open_survey(tmp_path / "a.gpkg")
    save_ground(survey, ground)
    back = load_ground(survey)
    assert back.crs == ground.crs
    for old, new in ((ground.surfaces, back.surfaces), (ground.obstacles, back.obstacles)):
        for name in new.columns.drop("geometry"):
            assert [None if pd.isna(value) else value for value in new[name]] == list(
                old[name].where(old[name].notna(), None)
            )
        assert shapely.equals(old.geometry.to_numpy(), new.geometry.to_numpy()).all()


def test_a_ground_that_visits_rest_on_is_not_replaced_unasked(hole: Path, tmp_path: Path) -> None:
    survey = open_survey(tmp_path / "a.gpkg")
    ground = read_ground(hole)
    save_ground(survey, ground)
    row = fill_rows("points", visit=["May"], point_id="07T-01", surface_id="07-tee-1", kind="tee")
    point = gpd.GeoDataFrame(row, geometry=[shapely.Point(0, -251)], crs=ground.crs)
    with survey.change() as change:
        change.put("visits", fill_rows("visits", visit=["May"]))
        change.put("points", point)
    assert replace_ground(survey, ground) == []
    smaller = read_ground(write(tmp_path / "b.geojson", *one_hole()[:3]), crs=ground.crs)
    with pytest.raises(GroundError, match="visits May were drawn on"):
        replace_ground(survey, smaller)
    assert len(load_ground(survey).surfaces) == 3
    assert "1 of its 1 points no longer lie" in replace_ground(survey, smaller, force=True)[0]
    elsewhere = read_ground(hole, crs="EPSG:32618")
    with pytest.raises(GroundError, match="another coordinate system"):
        replace_ground(survey, elsewhere, force=True)


def test_the_command_prints_a_table_and_json_agrees(hole: Path, tmp_path: Path) -> None:
    args = ["ground", str(tmp_path / "a.gpkg"), str(hole), "--collar", "30in,7=1m", "--units", "metric"]
    plain = CliRunner().invoke(main, [*args, "--picture", str(tmp_path / "a.png")])
    assert plain.exit_code == 0, plain.output
    lines = plain.stdout.splitlines()
    assert lines[0].startswith("hole")
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
def test_a_collar_without_a_unit_is_bad_usage(hole: Path, tmp_path: Path, collar: str) -> None:
    run = CliRunner().invoke(main, ["ground", str(tmp_path / "a.gpkg"), str(hole), "--collar", collar])
    assert run.exit_code == 2


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


def test_layers_and_file_names_tell_the_kind_where_nothing_else_does(tmp_path: Path) -> None:
    shapes = gpd.GeoDataFrame({"nr": [1]}, geometry=[lonlat(disc(0, 0, 9))], crs=4326)
    shapes.to_file(tmp_path / "course.gpkg", layer="Greens")
    shapes.to_file(tmp_path / "course.gpkg", layer="export 3 tees")
    with pytest.raises(GroundError, match="nr:1"):
        read_ground(tmp_path / "course.gpkg")
    fairway = write(tmp_path / "fairways.geojson", (disc(50, 0, 9), {}))
    (tmp_path / "course.gpkg").unlink()
    shapes.to_file(tmp_path / "course.gpkg", layer="Greens")
    ground = read_ground([tmp_path / "course.gpkg", fairway])
    assert ground.surfaces["surface_id"].tolist() == ["green-1", "fairway-1"]


def test_a_kind_known_by_its_folder_alone_is_said(tmp_path: Path) -> None:
    folder = f"<Folder><name>Bunkers</name>{placemark('Untitled Polygon', disc(0, -80, 5))}</Folder>"
    green = f"<Folder><name>Hole 7 - par 4</name>{placemark('green', disc(0, 0, 9))}</Folder>"
    path = tmp_path / "a.kml"
    path.write_text(kml(folder + green), encoding="utf-8")
    ground = read_ground(path)
    assert ground.obstacles["kind"].tolist() == ["bunker"]
    assert ground.surfaces["hole"].tolist() == ["7"]
    assert "known by its folder, layer or file alone: Bunkers" in said(ground)


def test_a_missing_hole_and_a_hole_without_a_green_are_said(tmp_path: Path) -> None:
    shapes = [(disc(0, 0, 9), {"kind": "green", "hole": 1}), (disc(90, 0, 9), {"kind": "tee", "hole": 3})]
    ground = read_ground(write(tmp_path / "a.geojson", *shapes))
    assert "a hole without any ground hole 2" in said(ground)
    assert "a hole without a green hole 3" in said(ground)


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


def test_a_label_that_no_feature_has_is_said(hole: Path) -> None:
    assert "the label 'obb'" in said(read_ground(hole, kinds="OBB=ignore"))


def test_turf_mostly_under_an_obstacle_is_pointed_out(tmp_path: Path) -> None:
    loop = (shapely.box(-20, -150, 20, 30), {"kind": "cart path"})
    assert "more than a third of a fairway under one path" in said(
        read_ground(write(tmp_path / "a.geojson", *one_hole(), loop))
    )


def test_the_survey_file_is_not_read_into_itself(hole: Path, tmp_path: Path) -> None:
    survey = tmp_path / "a.gpkg"
    assert CliRunner().invoke(main, ["ground", str(survey), str(hole)]).exit_code == 0
    run = CliRunner().invoke(main, ["ground", str(survey), str(survey)])
    assert run.exit_code == 1
    assert "the survey file itself" in run.output


def test_a_field_named_after_a_kind_tells_it(tmp_path: Path) -> None:
    shapes = [(disc(0, 0, 9), {"green": True, "hole": 1}), (disc(50, 0, 9), {"Fairway": "yes", "green": "no"})]
    assert read_ground(write(tmp_path / "a.geojson", *shapes)).surfaces["kind"].tolist() == ["green", "fairway"]


def test_names_that_speak_of_one_kind_are_offered_as_it_never_taken_for_it(tmp_path: Path) -> None:
    path = write(tmp_path / "a.geojson", *one_hole(), (disc(90, 0, 9), {"name": "Bunker 3 by the oak"}))
    with pytest.raises(GroundError, match='--kinds "Bunker 3 by the oak=bunker"'):
        read_ground(path)


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


def test_a_collar_of_feet_where_inches_were_meant_is_bad_usage(tmp_path: Path) -> None:
    run = CliRunner().invoke(main, ["ground", str(tmp_path / "a.gpkg"), "no.kml", "--collar", "30ft"])
    assert run.exit_code == 2
    assert "found 30ft" in run.output
    assert not (tmp_path / "a.gpkg").exists()
