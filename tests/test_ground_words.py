"""Ground: kinds, holes and landmarks, from the words and fields of the files."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from ground_case import areas, disc, kml, lonlat, one_hole, osm, pbf, placemark, said, write

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
    assert "given that of the hole's line" in said(ground)


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


def two_holes() -> list[tuple[shapely.Geometry, dict[str, str]]]:
    """Return an extract of hole 1 going up and round a bend, and hole 2 beside it, as volunteers draw them: no numbers.

    The first fairway's inner point lies nearer to hole 2's line, and hole 2's tee nearer to hole 1's green.
    """
    bend = shapely.LineString([(0, 0), (0, 200), (150, 330)])
    first = shapely.buffer(shapely.LineString([(0, 30), (52, 110), (0, 190)]), 12)  # the line cuts its corner
    return [
        (first, {"golf": "fairway"}),
        (shapely.box(75, 40, 115, 190), {"golf": "fairway"}),
        (disc(150, 330, 12), {"golf": "green"}),
        (disc(95, 20, 12), {"golf": "green"}),
        (shapely.box(-4, -6, 4, 6), {"golf": "tee"}),
        (shapely.box(120, 308, 132, 316), {"golf": "tee"}),
        (bend, {"golf": "hole", "ref": "1"}),
        (shapely.LineString([(126, 312), (95, 180), (95, 20)]), {"golf": "hole", "ref": "2"}),
        (shapely.LineString([(-30, 0), (-30, 200), (-60, 200), (-30, 0)]), {"golf": "cartpath"}),
        (disc(40, 100, 5), {"natural": "sand"}),
        (shapely.Point(95, 20), {"golf": "pin", "ref": "2"}),
        (disc(60, 60, 9), {"shop": "bakery"}),
        (disc(900, 60, 9), {"natural": "water"}),
    ]


@pytest.mark.parametrize("ending", [".osm", ".osm.pbf", ".geojson"])
def test_an_extracts_surfaces_have_the_hole_of_the_line_through_them(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"course{ending}"
    shapes = [one for one in two_holes() if ending != ".geojson" or "shop" not in one[1]]
    if ending == ".geojson":
        write(path, *shapes)
    else:
        path.write_bytes(
            pbf(*(one for one in shapes if one[0].geom_type != "Point")) if "pbf" in ending else osm(*shapes).encode()
        )
    ground = read_ground(path)
    assert ground.surfaces["surface_id"].tolist() == [
        "01-green-1", "01-tee-1", "01-fairway-1", "02-green-1", "02-tee-1", "02-fairway-1"
    ]  # fmt: skip
    first, second = (ground.surfaces.set_index("surface_id").geometry[f"0{n}-fairway-1"] for n in (1, 2))
    assert first.centroid.x < second.centroid.x  # the nearest thing to the inner point of the first is hole 2's line
    kinds = ground.obstacles["kind"].value_counts().to_dict()
    told = {note.what: note for note in ground.notes}
    if ending == ".geojson":
        assert kinds == {"path": 1, "bunker": 1, "water": 1}
        return
    assert kinds == {"path": 1, "bunker": 1}  # the pond is 800 m from all golf
    assert dict(told["not_of_course"].facts) == {"things": 2, "other": 1, "far": 1}
    path_line = ground.obstacles[ground.obstacles["kind"] == "path"].geometry.iloc[0]
    assert shapely.get_dimensions(path_line) == 1  # a loop of path encloses no path


def test_an_extract_has_its_multipolygons_with_their_islands(tmp_path: Path) -> None:
    outer, inner = disc(0, 0, 60), disc(0, 0, 20)
    text = osm((outer, {}), (inner, {}))
    members = "".join(f'<member type="way" ref="{n}" role="{role}"/>' for n, role in ((1, "outer"), (2, "inner")))
    tags = '<tag k="type" v="multipolygon"/><tag k="golf" v="fairway"/>'
    relation = f'<relation id="9" version="1">{members}{tags}</relation></osm>'
    path = tmp_path / "a.osm"
    path.write_text(text.replace("</osm>", relation), encoding="utf-8")
    surfaces = read_ground(path).surfaces
    assert surfaces["source"].tolist() == ["a.osm, relation 9"]
    assert surfaces["area_m2"].to_numpy() == pytest.approx([outer.area - inner.area], rel=1e-4)


@pytest.mark.parametrize("ending", [".osm", ".osm.pbf", "squeezed.osm.pbf"])
def test_what_an_extract_was_cut_through_is_told_by_name_whether_drawn_or_not(tmp_path: Path, ending: str) -> None:
    green, cut, gone = shapely.box(0, 0, 20, 20), shapely.box(100, 0, 140, 90), shapely.box(200, 0, 210, 10)
    shapes = [
        (green, {"golf": "green", "ref": "7"}),
        (cut, {"golf": "fairway", "name": "Long one"}),
        (gone, {"golf": "bunker"}),
        (shapely.box(30, 0, 40, 10), {"natural": "water"}),
        (shapely.box(5000, 0, 5010, 10), {"natural": "water"}),
    ]
    without = {7, *range(9, 13), 13, 17}  # a corner of the fairway, the bunker, a corner of either pond
    path = tmp_path / f"a{ending}"
    if "pbf" in ending:
        path.write_bytes(pbf(*shapes, without=without, squeezed="squeezed" in ending))
    else:
        path.write_text(osm(*shapes, without=without), encoding="utf-8")
    ground = read_ground(path)
    told = {note.where: dict(note.facts) for note in ground.notes if note.what == "cut_through"}
    assert told == {
        f"{path.name}, way 2 'Long one'": {"label": "fairway", "missing": 1, "of": 4, "drawn": True},
        f"{path.name}, way 3": {"label": "bunker", "missing": 4, "of": 4, "drawn": False},
        f"{path.name}, way 4": {"label": "water", "missing": 1, "of": 4, "drawn": True},
    }
    assert "bunker: 4 of its 4 places or lines are not in the extract: left out" in said(ground)
    assert "its outline and area are wrong: it was cut through" in said(ground)


def test_an_area_of_lines_that_are_not_in_the_extract_is_told(tmp_path: Path) -> None:
    text = osm((disc(0, 0, 60), {"golf": "green"}), (disc(200, 0, 60), {}))
    members = "".join(f'<member type="way" ref="{n}" role="outer"/>' for n in (2, 555))
    tags = '<tag k="type" v="multipolygon"/><tag k="golf" v="fairway"/>'
    path = tmp_path / "a.osm"
    path.write_text(text.replace("</osm>", f'<relation id="9" version="1">{members}{tags}</relation></osm>'), "utf-8")
    [note] = [note for note in read_ground(path).notes if note.what == "cut_through"]
    assert (note.where, note.facts["missing"], note.facts["of"]) == ("a.osm, relation 9", 1, 2)
