"""Densities at the user's own points and areas: density --at."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner
from density_case import aim_design, draw_counts

from geosample.cli.answers import density_command
from geosample.counts import add_counts
from geosample.density import DensityMap, estimate_places, exceedance, map_density
from geosample.design import save_design
from geosample.errors import DensityError, GroundError
from geosample.ground import Ground, read_own_shapes, save_ground
from geosample.survey import open_survey

THRESHOLD_PER_M2 = 300.0


@pytest.fixture(scope="module")
def mapped(small_ground: Ground) -> DensityMap:
    counts, _, _ = draw_counts(small_ground, 60, np.random.default_rng(3))
    return map_density(counts, small_ground, cell_m=1.0)


def own_shapes(ground: Ground, shapes: list[shapely.Geometry]) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"name": [f"own {i}" for i in range(len(shapes))]}, geometry=shapes, crs=ground.crs)


def test_a_point_in_the_middle_of_a_cell_reads_as_the_cell(mapped: DensityMap, small_ground: Ground) -> None:
    cell = mapped.cells.iloc[len(mapped.cells) // 2]
    at = own_shapes(small_ground, [shapely.Point(cell["easting"], cell["northing"])])
    row = estimate_places(mapped, small_ground, at, THRESHOLD_PER_M2).iloc[0]
    for end in ("low", "high"):
        assert row[f"{end}_per_m2"] == pytest.approx(cell[f"{end}_per_m2"], rel=1e-4)
    assert row["mean_per_m2"] == pytest.approx(cell["expected_per_m2"], rel=1e-4)
    one = exceedance(mapped, THRESHOLD_PER_M2)[len(mapped.cells) // 2]
    assert row["probability"] == pytest.approx(one, abs=1e-4)


def test_an_areas_mean_is_the_mean_of_its_cells(mapped: DensityMap, small_ground: Ground) -> None:
    surface = small_ground.surfaces.iloc[0]
    at = own_shapes(small_ground, [surface.geometry, surface.geometry.representative_point()])
    table = estimate_places(mapped, small_ground, at, THRESHOLD_PER_M2)
    assert table["what"].tolist() == ["area", "point"]
    cells = mapped.cells[mapped.cells["surface_id"] == surface["surface_id"]]
    mean = np.average(cells["expected_per_m2"], weights=cells["area_m2"])
    assert table["mean_per_m2"].iloc[0] == pytest.approx(mean, rel=0.02)
    assert table["area_m2"].iloc[0] == pytest.approx(surface.geometry.area)
    assert np.isnan(table["area_m2"].iloc[1])
    assert (table["low_per_m2"] < table["mean_per_m2"]).all()


def test_all_that_cannot_be_told_is_named_at_once(mapped: DensityMap, small_ground: Ground) -> None:
    west, south, _, _ = small_ground.surfaces.total_bounds
    inside = small_ground.surfaces.geometry.iloc[0].representative_point()
    shapes = [inside, shapely.LineString([inside, (inside.x + 1, inside.y)]), shapely.Point(west - 500, south)]
    with pytest.raises(DensityError) as caught:
        estimate_places(mapped, small_ground, own_shapes(small_ground, shapes), THRESHOLD_PER_M2)
    assert [problem.where for problem in caught.value.problems] == ["`at`, own 1", "`at`, own 2"]


def test_a_row_without_a_shape_is_named(small_ground: Ground, tmp_path: Path) -> None:
    inside = small_ground.surfaces.geometry.iloc[0].representative_point()
    own_shapes(small_ground, [inside, None]).to_file(tmp_path / "mine.gpkg")
    with pytest.raises(GroundError, match="feature 2: found a feature without a shape"):
        read_own_shapes(tmp_path / "mine.gpkg", small_ground.crs, option="--at")
    with pytest.raises(GroundError, match="no such file"):
        read_own_shapes(tmp_path / "yours.gpkg", small_ground.crs, option="--at")


@pytest.mark.slow
def test_the_command_writes_a_table_of_own_places(small_ground: Ground, tmp_path: Path) -> None:
    path = tmp_path / "course.gpkg"
    survey = open_survey(path)
    save_ground(survey, small_ground)
    design = aim_design(small_ground)
    save_design(survey, design)
    add_counts(survey, draw_counts(small_ground, 60, np.random.default_rng(3))[0], design)
    shapes = [small_ground.surfaces.geometry.iloc[0], small_ground.surfaces.geometry.iloc[1].representative_point()]
    own_shapes(small_ground, shapes).to_crs(4326).to_file(tmp_path / "mine.geojson")
    asked = [str(path), "--cell", "2m", "--at", str(tmp_path / "mine.geojson"), "--out", str(tmp_path / "maps")]
    done = CliRunner().invoke(density_command, asked, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    table = pd.read_csv(tmp_path / "maps" / "density_at.csv")
    assert table["name"].tolist() == ["own 0", "own 1"]
    assert table["mean_per_ft2"].to_numpy() == pytest.approx(table["mean_per_m2"].to_numpy() * 0.09290304)
    assert "own 0" in done.output


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("not a map at all", "JSON that can't be read"),
        ("name,count\na,1\n", "a column WKT"),
        ("wkt,name\nPOINT (1 1),a\n", "no coordinate system"),
    ],
)
def test_a_file_of_no_use_is_refused_in_words(small_ground: Ground, tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "mine.csv"
    path.write_text(text, encoding="utf-8")
    if words.startswith("JSON"):
        path = path.rename(tmp_path / "mine.geojson")
    with pytest.raises(GroundError, match=words):
        read_own_shapes(path, small_ground.crs, option="--at")
