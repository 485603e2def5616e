"""The page as text: what is asked, what is said, what stays out; the browser tests are in browser/."""

from __future__ import annotations

import importlib.util
import json
import re
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner
from markupsafe import Markup
from pyproj import Transformer
from survey_case import fill_rows

from geosample.cautions import TREATMENT
from geosample.cli import main
from geosample.density import decide_at, exceedance
from geosample.errors import MapError, SurveyError
from geosample.ground import Ground
from geosample.survey import Survey, open_survey
from geosample.units import FOOT2_M2
from geosample.webmap import Look, assets, draw_map, gather_story, measures, offline, popups
from geosample.webmap.answer import write_answer, write_headline
from geosample.webmap.draw import compose_page
from geosample.webmap.places import cluster_features
from geosample.webmap.raster import lay_pixels


@pytest.fixture(scope="module")
def surveys() -> ModuleType:
    place = Path(__file__).parent / "browser" / "full_survey.py"
    spec = importlib.util.spec_from_file_location("full_survey", place)
    if spec is None or spec.loader is None:
        pytest.fail(f"{place} is missing")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def complete(surveys: ModuleType, small_ground: Ground, tmp_path_factory: pytest.TempPathFactory) -> Survey:
    return surveys.complete(tmp_path_factory.mktemp("survey") / "invented.gpkg", small_ground)


def told(story) -> str:
    return Markup(" ").join(line.text for line in write_answer(story)).striptags()


def test_no_address_of_any_network_is_linked(complete: Survey, tmp_path: Path):
    page = draw_map(complete, tmp_path / "map.html").read_text(encoding="utf-8")
    words = re.sub(r"<script>.*?</script>", "", page, flags=re.DOTALL)  # a library's may name its maker; it never shows
    links = re.findall(r"(?:src|href)\s*=\s*[\"']([^\"']*)", words)
    assert [link for link in links if not link.startswith(("data:", "#"))] == []
    assert "url(http" not in page
    assert "user-scalable=no" not in page


def test_two_runs_give_the_same_page(complete: Survey, tmp_path: Path):
    first, second = (draw_map(complete, tmp_path / name).read_bytes() for name in ("a.html", "b.html"))
    assert first == second


def test_the_answer_comes_before_the_map_and_the_cautions_come_with_the_zones(complete: Survey, tmp_path: Path):
    page = draw_map(complete, tmp_path / "map.html").read_text(encoding="utf-8")
    assert page.index('id="answer"') < page.index('class="folium-map"')
    for caution in TREATMENT:
        assert str(Markup.escape(caution.text)) in page


def test_the_answer_says_where_how_much_how_sure_and_what_is_not_known(complete: Survey):
    lines = write_answer(gather_story(complete))
    assert [line.head for line in lines] == ["Simulated", "Where", "How much", "How sure", "Not known"]
    text = told(gather_story(complete))
    assert "1 zone suggested for treatment" in text
    assert "24 to 59/ft²" in text
    assert "2 samples came back without a count: missing, not zero" in text


def test_the_headline_says_what_to_do_how_many_and_what_nobody_knows(complete: Survey):
    treat, again, unknown = (line.striptags() for line in write_headline(gather_story(complete)))
    assert treat.startswith("Treat: 1 zone, ")
    assert again.startswith("Look again: 1 zone, ")
    assert unknown.startswith("Not known: ")
    assert "of the mapped ground (crossed in grey)" in unknown


def test_without_zones_the_headline_gives_the_average(surveys: ModuleType, small_ground: Ground, tmp_path: Path):
    story = gather_story(surveys.with_counts(tmp_path / "half.gpkg", small_ground))
    [line] = write_headline(story)
    assert "on average (95 % interval" in line


def test_stage_groups_stand_in_the_answer_with_their_intervals(complete: Survey):
    story = gather_story(complete)
    rows = [("larvae in the stem", 0.7, 0.5, 0.85), ("pupae", 0.3, 0.15, 0.5)]
    frame = pd.DataFrame(rows, columns=["domain", "value", "low", "high"]).assign(what="stage group share")
    staged = replace(story, findings=pd.concat([story.findings, frame], ignore_index=True))
    [line] = [line for line in write_answer(staged) if line.head == "Stages"]
    assert line.text.striptags() == "larvae in the stem 70 % (50 to 85 %) and pupae 30 % (15 to 50 %)."


def test_samples_in_a_high_cluster_get_rings_and_the_warning_that_goes_with_them(complete: Survey, tmp_path: Path):
    story = gather_story(complete)
    name = str(story.samples["sample_id"].iloc[0])
    clusters = {"high": [name], "band_m": 12.0, "false_share": 0.1}
    marked = replace(story, density=replace(story.density, fitted={"clusters": clusters}))
    [ring] = cluster_features(marked)
    assert ring["properties"]["look"] == "point cluster"
    assert "not &#39;above the threshold&#39;" in ring["properties"]["say"]
    page = compose_page(marked, Look())
    assert "Points with high counts around them" in page
    assert "Points with high counts around them" not in compose_page(story, Look())


def test_the_page_is_of_the_newest_visit_with_counts_unless_one_is_named(
    surveys: ModuleType, small_ground: Ground, tmp_path: Path
):
    survey = surveys.with_counts(tmp_path / "half.gpkg", small_ground)
    with survey.change() as change:
        change.put("visits", fill_rows("visits", visit=["later"], date="2027-01-01"), where={"visit": "later"})
    assert gather_story(survey).visit["visit"] == surveys.VISIT
    assert gather_story(survey, "later").visit["visit"] == "later"


def test_each_missing_stage_is_named(surveys: ModuleType, small_ground: Ground, tmp_path: Path):
    bare = told(gather_story(surveys.ground_only(tmp_path / "bare.gpkg", small_ground)))
    assert re.findall(r"geosample (\w+)", bare) == ["design", "counts", "estimate", "density", "treat"]
    halfway = told(gather_story(surveys.with_counts(tmp_path / "half.gpkg", small_ground)))
    assert re.findall(r"geosample (\w+)", halfway) == ["density", "treat"]


def test_a_page_without_zones_or_simulation_shows_neither(surveys: ModuleType, small_ground: Ground, tmp_path: Path):
    survey = surveys.with_counts(tmp_path / "real.gpkg", small_ground, simulated=False)
    page = draw_map(survey, tmp_path / "map.html").read_text(encoding="utf-8")
    assert 'class="simulated"' not in page
    assert 'id="cautions"' not in page


def test_every_pixel_shows_the_cell_under_its_centre(surveys: ModuleType, small_ground: Ground):
    density_map = surveys.invent_density(small_ground, cell_m=2.0)
    grid = lay_pixels(density_map, small_ground.surfaces)
    rows, columns = grid.cell.shape
    shown = np.argwhere(grid.cell >= 0)[::97]
    west = grid.west + (shown[:, 1] + 0.5) * (grid.east - grid.west) / columns
    north = grid.north - (shown[:, 0] + 0.5) * (grid.north - grid.south) / rows
    turn = Transformer.from_crs("EPSG:3857", small_ground.crs, always_xy=True)
    easting, northing = turn.transform(west, north)
    cells = density_map.cells.iloc[grid.cell[shown[:, 0], shown[:, 1]]]
    assert np.array_equal(np.floor(np.asarray(easting) / 2.0), cells["column"])
    assert np.array_equal(np.floor(np.asarray(northing) / 2.0), cells["row"])
    surface = small_ground.surfaces.set_index("surface_id").geometry
    inside = shapely.contains_xy(surface.loc[cells["surface_id"]].to_numpy(), easting, northing)
    assert inside.all()


def test_the_drawn_pixels_cover_the_surfaces_area(surveys: ModuleType, small_ground: Ground):
    grid = lay_pixels(surveys.invent_density(small_ground), small_ground.surfaces)
    columns = grid.cell.shape[1]
    side = (grid.east - grid.west) / columns
    flat = small_ground.surfaces.to_crs("EPSG:3857").area.sum()
    assert (grid.cell >= 0).sum() * side**2 == pytest.approx(flat, rel=0.01)


def test_ground_not_known_is_striped_whatever_its_value(surveys: ModuleType, small_ground: Ground):
    density_map = surveys.invent_density(small_ground)
    cells = density_map.cells.assign(known=False)
    blind = type(density_map)("v", "p", 1.0, cells, {}, {}, density_map.findings)
    grid = lay_pixels(blind, small_ground.surfaces)
    picture = measures.draw_density(blind, grid, "us")
    assert sum(swatch.area_m2 for swatch in picture.swatches) == 0
    assert picture.unknown_m2 == pytest.approx(small_ground.surfaces["area_m2"].sum())
    assert measures.unknown_area(blind) == pytest.approx(picture.unknown_m2)


def test_a_legends_areas_and_the_unknown_add_up_to_the_mapped_ground(surveys: ModuleType, small_ground: Ground):
    density_map = surveys.invent_density(small_ground)
    grid = lay_pixels(density_map, small_ground.surfaces)
    for picture in (
        measures.draw_density(density_map, grid, "us"),
        measures.draw_density(density_map, grid, "us", threshold_per_m2=30 / FOOT2_M2),
        measures.draw_width(density_map, grid, "metric"),
        measures.draw_chance(density_map, grid, 300.0),
    ):
        shown = sum(swatch.area_m2 for swatch in picture.swatches)
        total = density_map.cells["area_m2"].sum()
        assert shown + picture.unknown_m2 == pytest.approx(total)


def test_one_colour_means_one_density_on_every_visit_and_in_either_unit(surveys: ModuleType, small_ground: Ground):
    first = surveys.invent_density(small_ground)
    later = replace(first, cells=first.cells.assign(expected_per_m2=first.cells["expected_per_m2"] / 5))
    grid = lay_pixels(first, small_ground.surfaces)
    legends = {
        tuple((swatch.colour, str(swatch.text)) for swatch in picture.swatches)
        for made in (first, later)
        for picture in (
            measures.draw_density(made, grid, "us", threshold_per_m2=400.0),
            measures.draw_density(made, grid, "metric", threshold_per_m2=400.0),
        )
    }
    assert len(legends) == 1
    # the threshold is an edge: what lies below it and above it is told apart
    over = first.cells["expected_per_m2"] >= 400.0
    areas = [swatch.area_m2 for swatch in measures.draw_density(first, grid, "us", threshold_per_m2=400.0).swatches]
    known = first.cells["known"]
    assert sum(areas[3:]) == pytest.approx(first.cells["area_m2"][over & known].sum())


def test_the_ground_likely_above_a_threshold_is_that_of_the_exceedance(surveys: ModuleType, small_ground: Ground):
    density_map = surveys.invent_density(small_ground)
    grid = lay_pixels(density_map, small_ground.surfaces)
    (step,) = measures.draw_steps(density_map, grid, [400.0], None)
    above = (exceedance(density_map, 400.0) > 0.5) & decide_at(density_map, 400.0).cells["known"]
    assert step.likely_m2 == pytest.approx(density_map.cells["area_m2"][above].sum())


def test_the_plans_threshold_is_among_the_steps(surveys: ModuleType, small_ground: Ground):
    density_map = surveys.invent_density(small_ground)
    steps = measures.choose_thresholds(density_map, (), 33.3 / FOOT2_M2, "us")
    assert 33.3 / FOOT2_M2 in steps
    assert steps == sorted(steps)


def test_every_threshold_outside_the_map_is_named(complete: Survey, tmp_path: Path):
    with pytest.raises(MapError, match=r"9,290/ft².*\n.*18,581/ft²"):
        draw_map(complete, tmp_path / "map.html", look=Look(thresholds_per_m2=(100_000.0, 200_000.0)))
    assert not (tmp_path / "map.html").exists()


def test_a_count_of_ten_has_garwoods_interval():
    # Garwood 1936, Biometrika 28:437-442, table 1: 95 % limits for a count of 10 are 4.80 and 18.39.
    assert np.round(popups.count_interval(10, 1.0), 2).tolist() == [4.80, 18.39]


def test_zero_is_a_count_and_lost_is_not():
    row = {"status": "counted", "count": 0, "plugs": 3, "sampled_m2": 0.0077, "method": "brine"}
    assert "not a clean spot" in popups.say_sample(row, "weevil")
    assert "missing, not zero" in popups.say_sample({**row, "status": "lost", "count": float("nan")}, "weevil")


def test_a_script_of_another_version_is_refused():
    with pytest.raises(MapError, match=r"some-package: found another version; expected one that carries 1\.9\.4"):
        assets.check_version("some-package", b"/* Leaflet 2.0.0 */", r"Leaflet 1\.9\.4\b", "1.9.4")


def test_one_function_alone_turns_the_order_of_coordinates():
    assert offline.turn_for_folium(-73.9, 41.5) == (41.5, -73.9)
    room = Path(offline.__file__).parent
    pattern = r"\b(lat|latitude)\b\s*,\s*\b(lon|longitude)\b"
    others = [file.name for file in room.glob("*.py") if re.search(pattern, file.read_text(encoding="utf-8"))]
    assert others == ["offline.py"]


def test_a_page_that_is_no_page_is_refused_before_the_work(complete: Survey, tmp_path: Path):
    with pytest.raises(MapError, match=r"map\.pdf"):
        draw_map(complete, tmp_path / "map.pdf")


def test_the_page_s_folder_is_made_and_where_none_can_be_that_is_said(complete: Survey, tmp_path: Path):
    assert draw_map(complete, tmp_path / "a" / "b" / "map.html").stat().st_size > 0
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(MapError, match="room and permission"):
        draw_map(complete, tmp_path / "file" / "map.html")


def test_a_survey_without_ground_says_what_to_run(tmp_path: Path):
    with pytest.raises(SurveyError, match="geosample ground"):
        draw_map(open_survey(tmp_path / "none.gpkg"), tmp_path / "map.html")


def test_the_command_prints_its_summary_as_json_alone(complete: Survey, tmp_path: Path):
    out = tmp_path / "map.html"
    result = CliRunner().invoke(main, ["map", str(complete.path), "--out", str(out), "--json"])
    assert result.exit_code == 0, result.output
    summary = json.loads(result.stdout)
    assert summary["size_bytes"] == out.stat().st_size
    assert summary["zones"]["treat"] == 1
    assert summary["zone_area_m2"]["treat"] == pytest.approx(complete.read("zones")["area_m2"].iloc[0])
    assert len(summary["cautions"]) == len(TREATMENT)
