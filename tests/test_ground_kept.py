"""Ground: kept in the survey file, drawn, and taken in by the command."""

from __future__ import annotations

import json
import lzma
import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import shapely.affinity
import shapely.geometry
from click.testing import CliRunner
from ground_case import disc, one_hole, write
from survey_case import fill_rows

from geosample.cli import main
from geosample.errors import GroundError
from geosample.ground import Replaced, load_ground, read_ground, replace_ground, save_ground
from geosample.ground.model import OlderVisit
from geosample.ground.naming import KINDS
from geosample.survey import open_survey

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
