"""What a hand or another program does to a survey file is refused in words, row by row, never read as an answer."""

from __future__ import annotations

import shutil
import sqlite3
import warnings
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely
from click.testing import CliRunner
from counts_case import filled_sheet, scatter_design, write
from survey_case import fill_rows
from treat_case import make_map, patch, plan

from geosample.cli import main
from geosample.counts import add_counts, load_counts, read_counts
from geosample.density import load_density, save_density
from geosample.design import load_design, save_design
from geosample.errors import SurveyError
from geosample.ground import Ground, replace_ground, save_ground
from geosample.survey import LAYERS, Survey, open_survey
from geosample.treat import load_zones, save_zones

VISIT = "2026-05-04"


@pytest.fixture(scope="module")
def whole(small_ground: Ground, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A survey with rows in every layer but two, as the stages write them."""
    folder = tmp_path_factory.mktemp("whole")
    survey = open_survey(folder / "course.gpkg")
    design = scatter_design(small_ground)
    save_ground(survey, small_ground)
    save_design(survey, design)
    add_counts(survey, read_counts(write(filled_sheet(design), folder / "filled.csv"), design), design)
    save_density(survey, replace(make_map(small_ground, patch(-50, -130, 14)), visit=VISIT))
    made = plan(small_ground, patch(-50, -130, 14))
    save_zones(
        survey,
        replace(made, visit=VISIT, zones=made.zones.assign(visit=VISIT)),
    )
    with survey.change() as change:
        record = {"visit": [VISIT], "date": ["2026-05-08"], "zone_ids": "Z01F-1", "record": '{"date": "2026-05-08"}'}
        change.put("treatments", pd.DataFrame(record))
    return survey.path


@pytest.fixture
def survey(whole: Path, tmp_path: Path) -> Survey:
    """A copy to harm."""
    return open_survey(shutil.copy(whole, tmp_path / "course.gpkg"))


def sql(survey: Survey, *statements: str) -> None:
    """Change the file as a database program would."""
    with closing(sqlite3.connect(survey.path)) as connection, connection:
        # The triggers that keep the file's spatial index call these, which a GIS program brings along.
        connection.create_function("ST_IsEmpty", 1, lambda shape: shape is None)
        for end in ("ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            connection.create_function(end, 1, lambda _: 0.0)
        for statement in statements:
            connection.execute(statement)


def reshape(survey: Survey, layer: str, change: Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame]) -> None:
    """Write a layer back changed, as another GIS program would."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pyogrio.write_dataframe(change(gpd.read_file(survey.path, layer=layer)), survey.path, layer=layer)


def shape_first(shape: shapely.Geometry | None) -> Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame]:
    return lambda frame: frame.set_geometry(gpd.GeoSeries([shape, *frame.geometry[1:]], crs=frame.crs))


def refusals(survey: Survey, layer: str) -> str:
    with pytest.raises(SurveyError) as caught:
        survey.read(layer)
    return str(caught.value)


@pytest.mark.parametrize("layer", LAYERS)
def test_what_the_stages_write_passes(survey: Survey, layer: str) -> None:
    survey.read(layer)


VALUES = [
    ("counts", "count = 'many'", "count 'many'; expected a whole number"),
    ("counts", "count = 2.5", "count 2.5; expected a whole number"),
    ("counts", "count = NULL", "count nothing; expected a value"),
    ("counts", "count = -5", "count -5; expected a number of at least 0"),
    ("counts", "count = 9000000000000000000", "expected a number of at least 0, 1e+15 at most"),
    ("counts", "stage = NULL", "stage nothing; expected a value"),
    ("samples", "sampled_m2 = 'large'", "sampled_m2 'large'; expected a number"),
    ("samples", "plugs = 'three'", "plugs 'three'; expected a whole number"),
    ("samples", "moved = NULL", "moved nothing; expected a value"),
    ("samples", "status = 'Counted'", "status 'Counted'; expected one of: counted, not_extracted"),
    ("samples", "weight_m2 = 0", "weight_m2 0.0; expected a number above 0"),
    ("points", "kind = 'putting'", "kind 'putting'; expected one of: green, collar"),
    ("points", "role = 'Main'", "role 'Main'; expected one of: main, reserve"),
    ("points", "lat = 141", "lat 141.0; expected a number of at least -90, 90 at most"),
    ("points", "inclusion_per_m2 = 9e999", "inclusion_per_m2 inf; expected a number above 0"),
    ("surfaces", "kind = NULL", "kind nothing; expected a value"),
    ("surfaces", "surface_id = ''", "surface_id ''; expected a value"),
    ("surfaces", "area_m2 = 1", "area_m2 1 of a polygon of"),
    ("obstacles", "kind = 'lake'", "kind 'lake'; expected one of: water, bunker"),
    ("strata", "area_m2 = -area_m2", "expected a number above 0"),
    ("visits", "date = '05/04/2026'", "date '05/04/2026'; expected a date as YYYY-MM-DD"),
    ("visits", "date = '2026-05-04T09:00:00Z'", "expected a date as YYYY-MM-DD"),
    ("visits", "settings = '{broken'", "settings '{broken'; expected a JSON object"),
    ("visits", "settings = '[1, 2]'", "settings '[1, 2]'; expected a JSON object"),
    ("visits", "unit_m2 = 0", "unit_m2 0.0; expected a number above 0"),
    ("models", "fitted = NULL", "fitted nothing; expected a value"),
    ("cells", "log_sd = -1", "log_sd -1.0; expected a number above 0"),
    ("cells", "log_mean = NULL", "log_mean nothing; expected a value"),
    ("zones", "action = 'spray'", "action 'spray'; expected one of: treat, check"),
    ("zones", "probability = 7", "probability 7.0; expected a number of at least 0, 1 at most"),
    ("zones", "area_m2 = area_m2 * 1.02", "expected the polygon's own area, within 1 %"),
    ("treatments", "record = '{bad'", "record '{bad'; expected a JSON object"),
    ("treatments", "date = 'May 8th'", "date 'May 8th'; expected a date as YYYY-MM-DD"),
]


@pytest.mark.parametrize(("layer", "harm", "found"), VALUES)
def test_a_value_that_can_not_be_names_its_layer_and_row(survey: Survey, layer: str, harm: str, found: str) -> None:
    sql(survey, f"UPDATE {layer} SET {harm} WHERE fid = 1")
    said = refusals(survey, layer)
    assert f"course.gpkg layer {layer}, row 1: found " in said
    assert found in said
    assert len(said.splitlines()) == 1


@pytest.mark.parametrize(
    ("layer", "key"),
    [
        ("surfaces", "surface_id"),
        ("visits", "visit"),
        ("points", "point_id"),
        ("samples", "sample_id"),
        ("cells", "row"),
    ],
)
def test_a_key_that_names_two_rows_is_refused(survey: Survey, layer: str, key: str) -> None:
    names = [name for name in LAYERS[layer].columns if name in LAYERS[layer].key.split()]
    if layer == "visits":
        sql(survey, "INSERT INTO visits (visit, date) SELECT visit, date FROM visits")
    else:
        first = ", ".join(f'"{name}" = (SELECT "{name}" FROM {layer} WHERE fid = 1)' for name in names)
        sql(survey, f"UPDATE {layer} SET {first} WHERE fid = 2")
    said = refusals(survey, layer)
    assert f"layer {layer}, row 2: found " in said
    assert f"{key} '" in said
    assert "once more; expected each only once" in said


SHAPES = [
    ("points", shape_first(None), "row 1: found no geometry"),
    ("points", shape_first(shapely.Point()), "row 1: found no geometry"),
    ("points", shape_first(shapely.Point(float("inf"), 0)), "row 1: found a Point that is not valid"),
    ("samples", lambda frame: frame.set_geometry(frame.buffer(1)), "found a Polygon; expected a Point"),
    ("surfaces", lambda frame: frame.set_geometry(frame.boundary), "expected a MultiPolygon"),
    (
        "obstacles",
        shape_first(shapely.Polygon([(0, 0), (9, 9), (0, 9), (9, 0)])),
        "row 1: found a geometry that is not valid (Self-intersection",
    ),
    ("samples", lambda frame: frame.to_crs(4326), "found coordinate system 'WGS 84'; expected that of the layer"),
    ("surfaces", lambda frame: frame.to_crs(4326), "'WGS 84'; expected a projected one in metres"),
    ("surfaces", lambda frame: frame.to_crs(2260), "(ftUS)'; expected a projected one in metres"),
    ("samples", lambda frame: frame.set_crs(None, allow_override=True), "found no coordinate system"),
]


@pytest.mark.parametrize(("layer", "change", "found"), SHAPES)
def test_a_shape_that_can_not_be_is_refused(
    survey: Survey, layer: str, change: Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame], found: str
) -> None:
    reshape(survey, layer, change)
    said = refusals(survey, layer)
    assert f"course.gpkg layer {layer}" in said
    assert found in said


@pytest.mark.parametrize(("layer", "column"), [("counts", "count"), ("points", "role"), ("zones", "action")])
def test_a_column_that_is_gone_is_refused_and_never_filled_in(survey: Survey, layer: str, column: str) -> None:
    sql(survey, f'ALTER TABLE {layer} DROP COLUMN "{column}"')
    assert f"layer {layer}: found no column '{column}'" in refusals(survey, layer)


def test_one_visit_s_rows_are_those_of_all_and_a_column_that_is_gone_narrows_nothing(survey: Survey) -> None:
    every = survey.read("cells")
    later = every.assign(visit="2026-06-01")
    with survey.change() as change:
        change.put("cells", later, where={"visit": "2026-06-01"})
    pd.testing.assert_frame_equal(survey.need("cells", visit=VISIT), every)
    assert set(survey.read("cells")["visit"]) == {VISIT, "2026-06-01"}
    sql(survey, "UPDATE cells SET area_m2 = -1 WHERE visit = '2026-06-01'")
    pd.testing.assert_frame_equal(survey.need("cells", visit=VISIT), every)
    with pytest.raises(SurveyError, match=r"layer cells.*area_m2"):
        survey.need("cells", visit="2026-06-01")
    sql(survey, "UPDATE samples SET visit = NULL WHERE sample_id = (SELECT max(sample_id) FROM samples)")
    with pytest.raises(SurveyError, match="layer samples"):  # what people made is read whole
        survey.need("samples", visit=VISIT)
    sql(survey, "ALTER TABLE cells RENAME COLUMN visit TO round")
    with pytest.raises(SurveyError, match="no column 'visit'"):
        survey.need("cells", visit=VISIT)


def test_a_column_that_came_later_may_lack_in_an_older_file(survey: Survey) -> None:
    sql(survey, "ALTER TABLE cells DROP COLUMN nearest_m", "ALTER TABLE points DROP COLUMN extract_order")
    assert survey.read("cells")["nearest_m"].isna().all()
    assert (survey.read("points")["extract_order"] == 0).all()


def test_whole_numbers_that_another_program_made_real_or_text_are_still_numbers(survey: Survey) -> None:
    before = survey.read("counts")["count"].tolist()
    reshape(survey, "counts", lambda frame: pd.DataFrame(frame).astype({"count": "float64"}))
    assert survey.read("counts")["count"].tolist() == before
    reshape(survey, "counts", lambda frame: pd.DataFrame(frame).astype({"count": "int64"}).astype({"count": "str"}))
    assert survey.read("counts")["count"].tolist() == before


def test_every_fault_is_told_at_once_with_at_most_ten_rows_each(survey: Survey) -> None:
    sql(survey, "UPDATE counts SET stage = NULL", "UPDATE counts SET count = 'x' WHERE fid IN (3, 5)")
    lines = refusals(survey, "counts").splitlines()
    assert len(lines) == 2
    assert "layer counts, rows 3, 5: found count 'x'" in lines[0]
    rest = len(pyogrio.read_dataframe(survey.path, layer="counts")) - 10
    assert f"rows 1, 2, 3, 4, 5, 6, 7, 8, 9, 10 and {rest} more: found stage nothing" in lines[1]


def test_counts_of_a_bag_that_is_not_there_are_refused(survey: Survey) -> None:
    sql(survey, "UPDATE counts SET sample_id = 'XX-1' WHERE sample_id = (SELECT min(sample_id) FROM counts)")
    with pytest.raises(SurveyError, match=r"layer counts: found counts of XX-1; expected samples") as caught:
        load_counts(survey)
    assert "layer samples: found counted and without a count: 01C-01" in str(caught.value)


def test_samples_of_a_point_that_is_not_there_are_refused(survey: Survey) -> None:
    sql(survey, "DELETE FROM points WHERE point_id IN ('01C-01', '01C-02')")
    with pytest.raises(SurveyError, match=r"layer samples: found samples of 01C-01, 01C-02; expected points that"):
        load_counts(survey)


def test_points_of_a_stratum_that_is_not_there_are_refused(survey: Survey) -> None:
    sql(survey, "DELETE FROM strata WHERE stratum = 'collar'")
    with pytest.raises(SurveyError, match="layer points: found strata that layer strata does not have: collar; exp"):
        load_design(survey)


@pytest.mark.parametrize("note", ["NULL", "'my remark'", "'[]'"])
def test_a_plan_whose_settings_were_overwritten_is_refused(survey: Survey, note: str) -> None:
    sql(survey, f"UPDATE findings SET note = {note} WHERE what = 'plan settings'")
    with pytest.raises(SurveyError, match=f"'plan settings' of visit {VISIT}: .*; run 'geosample treat course.gpkg"):
        load_zones(survey)


@pytest.mark.parametrize("side", ["0", "'wide'", "NULL"])
def test_a_map_without_the_side_of_its_cells_is_refused(survey: Survey, side: str) -> None:
    sql(survey, f"UPDATE models SET settings = json_set(settings, '$.cell_m', {side})")
    with pytest.raises(SurveyError, match="layer models, settings: found cell_m"):
        load_density(survey)


def test_the_stage_that_made_a_harmed_layer_makes_it_again(survey: Survey, small_ground: Ground) -> None:
    sql(survey, "UPDATE cells SET area_m2 = 'x'", "UPDATE obstacles SET kind = NULL")
    assert "run 'geosample density course.gpkg ...' again" in refusals(survey, "cells")
    save_density(survey, replace(make_map(small_ground, patch(0, 0, 9)), visit=VISIT, pest="x"))
    replace_ground(survey, small_ground)
    assert (survey.read("cells")["area_m2"] > 0).all()
    assert survey.read("obstacles")["kind"].notna().all()


def test_rows_of_another_visit_are_never_copied_only_left_and_refused_when_read(
    survey: Survey, small_ground: Ground
) -> None:
    sql(survey, "UPDATE cells SET area_m2 = 'x'")
    save_density(survey, replace(make_map(small_ground, patch(0, 0, 9)), visit="June"))
    assert "layer cells, rows 1, 2" in refusals(survey, "cells")
    with closing(sqlite3.connect(survey.path)) as file:
        held = file.execute("SELECT DISTINCT visit, typeof(area_m2) FROM cells ORDER BY visit").fetchall()
    assert held == [(VISIT, "text"), ("June", "real")]


def test_a_layer_the_file_no_longer_lists_is_a_damaged_file_not_a_full_disk(survey: Survey) -> None:
    sql(survey, "DELETE FROM gpkg_contents WHERE table_name = 'findings'")
    refused = pytest.raises(SurveyError, match="damaged GeoPackage: a table 'findings'")
    with refused as caught, survey.change() as change:
        change.put("findings", fill_rows("findings", visit=[VISIT]))
    assert "free some space" not in str(caught.value)
    assert "found a table 'findings' that the file's list of layers does not name" in refusals(survey, "findings")


def test_the_command_line_tells_a_refusal_and_nothing_else(survey: Survey) -> None:
    reshape(survey, "samples", shape_first(shapely.Point(float("nan"), 0)))
    sql(survey, "UPDATE samples SET plugs = 'three' WHERE fid = 2")
    result = CliRunner().invoke(main, ["estimate", str(survey.path)])
    assert result.exit_code == 1
    assert all(line.startswith(f"geosample: {survey.path} layer samples, row") for line in result.stderr.splitlines())


def test_an_unforeseen_error_is_one_line_that_names_the_survey(survey: Survey, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise KeyError("cell_m")  # noqa: EM101

    monkeypatch.setattr("geosample.design.load_design", fail)
    words = ["sheets", str(survey.path), "--out", str(survey.path.parent)]
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 1
    (line,) = result.stderr.splitlines()
    assert line.startswith(f"geosample: {survey.path}: found what the program did not foresee (KeyError: 'cell_m')")
    assert "'geosample --debug sheets ...' shows the traceback" in line
    assert isinstance(CliRunner().invoke(main, ["--debug", *words]).exception, KeyError)


@pytest.fixture
def written(tmp_path: Path) -> Survey:
    written = open_survey(tmp_path / "course.gpkg")
    with written.change() as change:
        change.put("visits", fill_rows("visits", visit=["2026-05-04"]))
        change.put("counts", fill_rows("counts", visit=["2026-05-04"], count=3))
        change.put("findings", fill_rows("findings", visit=["2026-05-04"], value=1.2, note="as found"))
    return written


def declare(written: Survey, table: str, column: str, kind: str, *statements: str) -> None:
    """Declare a column as another kind without touching its values, as a database program can."""
    with closing(sqlite3.connect(written.path, isolation_level=None)) as connection:
        text = connection.execute("SELECT sql FROM sqlite_master WHERE name = ?", (table,)).fetchone()[0]
        was = next(part for part in text.split(",") if f'"{column}"' in part)
        connection.execute("PRAGMA writable_schema = ON")
        new = text.replace(was, f' "{column}" {kind}' + (")" if was.rstrip().endswith(")") else ""))
        connection.execute("UPDATE sqlite_master SET sql = ? WHERE name = ?", (new, table))
        connection.execute("PRAGMA writable_schema = RESET")
        for statement in statements:
            connection.execute(statement)


@pytest.mark.parametrize("value", ["18.05.2026", "May", "2026-13-40", "20260518", "2026-05-18 or so", ""])
def test_a_text_under_a_column_of_dates_is_not_read_as_some_date(written: Survey, value: str) -> None:
    declare(written, "visits", "date", "DATE", f"UPDATE visits SET date = '{value}'")
    with pytest.raises(SurveyError, match=r"column 'date' declared as date.*expected a column of text"):
        written.read("visits")


def test_counts_under_a_column_of_flags_are_not_read_as_ones(written: Survey) -> None:
    declare(written, "counts", "count", "BOOLEAN")
    with pytest.raises(SurveyError, match=r"column 'count' declared as boolean.*expected a column of numbers"):
        written.read("counts")


def test_text_that_is_no_utf_8_is_said(written: Survey) -> None:
    with closing(sqlite3.connect(written.path)) as connection, connection:
        connection.execute("UPDATE findings SET note = cast(x'c3285b' AS TEXT)")
    with pytest.raises(SurveyError, match="layer 'findings' with text that is no UTF-8"):
        written.read("findings")


def test_a_column_of_the_user_s_own_is_kept_whatever_its_name_and_kind(written: Survey) -> None:
    with closing(sqlite3.connect(written.path)) as connection, connection:
        connection.execute("ALTER TABLE findings ADD COLUMN geometry TEXT")
        connection.execute("ALTER TABLE findings ADD COLUMN own")
        connection.execute("UPDATE findings SET geometry = 'by the pond', own = 'x'")
    with warnings.catch_warnings(), written.change() as change:
        warnings.simplefilter("error")
        change.put("findings", fill_rows("findings", visit=["2026-05-18"], value=2.0), where={"visit": "2026-05-18"})
    assert written.read("findings")[["visit", "geometry"]].to_numpy().tolist()[0] == ["2026-05-04", "by the pond"]
    assert len(written.read("findings")) == 2
