"""Ground: kinds, holes and landmarks, from the words and fields of the files."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from ground_case import areas, disc, kml, lonlat, one_hole, placemark, said, write

from geosample.errors import GroundError
from geosample.ground import read_ground


def test_what_is_not_known_is_listed_with_the_text_that_settles_it(tmp_path: Path) -> None:
    shapes = [*one_hole(), (disc(90, 0, 9), {"kind": "lawn"}), (disc(90, 50, 9), {"kynd": "green"})]
    path = write(tmp_path / "a.geojson", *shapes)
    with pytest.raises(GroundError) as caught:
        read_ground(path)
    text = str(caught.value)
    assert "'lawn'" in text
    assert "found 1 not recognised, 2,738 ft² (254 m²) in all" in text
    kinds = text.rsplit('kinds="', 1)[1].rstrip('"`')
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
def test_a_mapping_to_no_kind_is_refused_with_those_there_are(hole_file: Path, kinds: str) -> None:
    with pytest.raises(GroundError, match="teebox"):
        read_ground(hole_file, kinds=kinds)


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
    seen = {(note.what, note.where) for note in ground.notes}
    assert {("hole_missing", "hole 2"), ("hole_without_green", "hole 3")} <= seen


def test_a_label_that_no_feature_has_is_said(hole_file: Path) -> None:
    assert "the label 'OBB'" in said(read_ground(hole_file, kinds="OBB=ignore"))


def test_a_field_named_after_a_kind_tells_it(tmp_path: Path) -> None:
    shapes = [(disc(0, 0, 9), {"green": True, "hole": 1}), (disc(50, 0, 9), {"Fairway": "yes", "green": "no"})]
    assert read_ground(write(tmp_path / "a.geojson", *shapes)).surfaces["kind"].tolist() == ["green", "fairway"]


def test_names_that_speak_of_one_kind_are_offered_as_it_never_taken_for_it(tmp_path: Path) -> None:
    path = write(tmp_path / "a.geojson", *one_hole(), (disc(90, 0, 9), {"name": "Bunker 3 by the oak"}))
    with pytest.raises(GroundError, match='kinds="Bunker 3 by the oak=bunker"'):
        read_ground(path)
