"""The whole job by its commands, from polygons to treatment areas: the demo course, and a real one where it is there.

No published values: what must hold between the stages is checked.
"""

from __future__ import annotations

import csv
import json
import os
import re
import shlex
import sqlite3
import textwrap
from contextlib import chdir, closing
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from click.testing import CliRunner
from fill_blank import fill_blank

from geosample.cli import main
from geosample.counts import load_counts
from geosample.design import load_design
from geosample.ground import load_ground
from geosample.survey import LAYERS, Survey, open_survey
from geosample.survey.layers import MARKED
from geosample.units import FOOT2_M2

ROOT = Path(__file__).resolve().parents[1]
KEPT = ROOT / "tests" / "golden" / "readme_chain.txt"
"""What the README's job by hand prints, so that a change of words is seen; GEOSAMPLE_GOLDEN=write remakes both."""
JARGON = {
    "stratum", "strata", "exceedance", "log score", "CRPS", "instar", "IRAC", "permutation", "balance", "p-value",
}  # fmt: skip
"""Words that no crew would say."""


@dataclass(frozen=True)
class Played:
    """A survey the commands were run on, where they wrote, and what each command said, as people see it."""

    survey: Survey
    folder: Path
    said: list[str]


def run(*args: object) -> dict:
    """Run one command with --json and return its summary."""
    result = CliRunner().invoke(main, [*map(str, args), "--json"])
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def readme_lines() -> list[list[str]]:
    """Return the words of the README's job by hand, a list a line."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    return [shlex.split(line)[2:] for line in text.splitlines() if line.startswith("$ geosample ")]


def play(folder: Path, course: Path, *options: str) -> Played:
    """Type the README's lines in a folder, with this course in place of the demo's."""
    said = []
    with chdir(folder):
        for command, *words in readme_lines():
            more = options if command == "ground" else ()
            asked = [str(course) if word == "layers/course.geojson" else word for word in words]
            result = CliRunner().invoke(main, [command, *asked, *more])
            assert result.exit_code == 0, result.output
            said.append(f"$ {shlex.join(['geosample', command, *words])}\n{result.output}")
            if command == "sheets":
                survey = open_survey(Path("course.gpkg"))
                blank = Path("out", "blank_counts.csv")
                fill_blank(blank, load_design(survey), load_ground(survey), Path("filled.csv"), seed=11)
    return Played(open_survey(folder / "course.gpkg"), folder / "out", said)


@pytest.fixture(scope="module")
def by_hand(tmp_path_factory: pytest.TempPathFactory) -> Played:
    """The README's job as it stands there, on the demo's course."""
    return play(tmp_path_factory.mktemp("chain"), ROOT / "layers" / "course.geojson")


@pytest.fixture(scope="module", params=["demo course", "oak_bluff"])
def played(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Played:
    if request.param == "demo course":
        own: Played = request.getfixturevalue("by_hand")
        return own
    folder = tmp_path_factory.mktemp("oak")
    shared: Path = request.getfixturevalue("shared")
    return play(folder, shared / "courses" / "oak_bluff.kml", "--kinds", "OB=ignore")


def test_the_readme_goes_from_the_ground_to_the_map() -> None:
    stages = ["ground", "design", "sheets", "counts", "estimate", "density", "treat", "map"]
    assert [command for command, *_ in readme_lines()] == stages


@pytest.mark.slow
def test_the_readme_s_commands_print_what_is_kept(by_hand: Played) -> None:
    text = "".join(by_hand.said)
    if os.environ.get("GEOSAMPLE_GOLDEN") == "write":
        KEPT.write_text(text, encoding="utf-8")
        readme = (ROOT / "README.md").read_text(encoding="utf-8")
        for command, said in find_first(text):
            readme = re.sub(rf"(?m)^(\$ geosample {command} .*\n).*$", lambda line, said=said: line[1] + said, readme)
        (ROOT / "README.md").write_text(readme, encoding="utf-8")
    kept, number = KEPT.read_text(encoding="utf-8"), r"\d[\d,]*(?:\.\d+)?"
    assert re.sub(number, "#", " ".join(text.split())) == re.sub(number, "#", " ".join(kept.split()))
    # Another version of an optimiser may move a fitted digit, not the answer.
    told, before = (
        [float(one.replace(",", "")) for one in re.findall(number, said.replace("-", " "))] for said in (text, kept)
    )
    assert told == pytest.approx(before, rel=0.02)


def find_first(text: str) -> list[tuple[str, str]]:
    """Return each command and what it says first, without its folds and the note that it is at work."""
    first = r"^\$ geosample (\w+) .*\n(?:.*\.\.\.\n)?(.*)$"
    return re.findall(first, re.sub(r"\n  (?=\S)", " ", text), flags=re.MULTILINE)


def test_the_readme_shows_the_first_thing_each_command_says() -> None:
    readme, kept = ((ROOT / path).read_text(encoding="utf-8") for path in ("README.md", KEPT))
    assert find_first(readme) == find_first(kept)
    assert [command for command, _ in find_first(readme)] == [command for command, *_ in readme_lines()]


def test_each_stage_answers_in_eight_lines_of_a_hundred_characters_and_plain_words(played: Played) -> None:
    for said in played.said:
        command, *lines = said.splitlines()
        table = [line for line in lines if "  " in line.strip()]
        told = [line for line in lines if line not in table]
        assert max(map(len, lines)) <= 100, command
        assert len(told) <= 8, said
        assert not table or command.split()[2] in {"ground", "estimate"}, said
        assert [word for word in JARGON if word in said] == [], command
    assert sum(len(said.splitlines()) - 1 for said in played.said) <= 80


def test_the_readme_is_short_and_plain_before_many_courses() -> None:
    text, *_ = (ROOT / "README.md").read_text(encoding="utf-8").partition("## Many courses")
    folded = [part for line in text.splitlines() for part in textwrap.wrap(line, 120) or [""]]
    assert len(folded) <= 100
    assert [word for word in JARGON if word in text] == []


def test_every_column_the_stages_write_is_declared_and_checked(played: Played) -> None:
    with closing(sqlite3.connect(played.survey.path)) as connection:
        for layer, rules in LAYERS.items():
            held = [row[1] for row in connection.execute(f'PRAGMA table_info("{layer}")')]
            mark = {"layout"} if layer in MARKED else set()
            assert set(held) - {"fid", "geom"} - mark - set(rules.columns) == set(), layer


def test_ninety_points_lie_inside_their_strata_and_their_weights_stand_for_the_whole_target(played: Played) -> None:
    design = load_design(played.survey)
    main_points = design.points[design.points["role"] == "main"]
    assert len(main_points) == 90
    assert set(main_points["kind"]) == {"green", "collar", "fairway"}
    assert set(main_points["hole"]) == {"1", "2", "3"}
    home = design.strata.dissolve("stratum").geometry
    far = shapely.distance(home.loc[main_points["stratum"]].to_numpy(), main_points.geometry.to_numpy())
    assert far.max() < 1e-6
    weights = main_points.groupby("stratum")["weight_m2"].sum()
    areas = design.strata.groupby("stratum")["area_m2"].sum()
    # A jittered draw of n points with density n/A stands for A; frame cells make it exact to their rounding.
    assert np.allclose(weights, areas.loc[weights.index], rtol=0.02)
    assert set(design.strata["part"]) >= {"border", "interior"}


def test_the_crew_gets_everything_it_needs(played: Played) -> None:
    names = {
        "field_map.pdf",
        "points.gpx",
        "points.kml",
        "blank_counts.csv",
        "blank_counts.xlsx",
        "form_pull.xlsx",
        "form_bench.xlsx",
        "field_page.html",
    }
    assert names <= {path.name for path in played.folder.iterdir()}
    with (played.folder / "blank_counts.csv").open(newline="", encoding="utf-8-sig") as file:
        blank = list(csv.DictReader(file))
    design = load_design(played.survey)
    assert {row["point_id"] for row in blank} >= set(design.points.loc[design.points["role"] == "main", "point_id"])
    assert {row["design_code"] for row in blank} == {design.visit.design_code}


def test_every_row_that_came_back_is_a_sample_and_no_count_is_invented(played: Played) -> None:
    back = pd.read_csv(played.folder.parent / "filled.csv")
    counts = load_counts(played.survey)
    stages = [name for name in back.columns if name in set(counts.counts["stage"])]
    filled = back[back[stages].notna().any(axis=1)].set_index("sample_id")
    counted = counts.samples[counts.samples["status"] == "counted"].set_index("sample_id")
    assert set(filled.index) == set(counted.index)
    totals = counts.counts.groupby("sample_id")["count"].sum()
    assert (totals.loc[filled.index] == filled[stages].sum(axis=1)).all()


def test_loading_the_same_counts_again_adds_nothing(played: Played) -> None:
    before = load_counts(played.survey)
    run("counts", played.survey.path, played.folder.parent / "filled.csv")
    after = load_counts(played.survey)
    assert len(after.samples) == len(before.samples)
    assert after.counts["count"].tolist() == before.counts["count"].tolist()


def test_every_estimate_has_an_interval_around_it_and_a_total_that_fits_its_area(played: Played) -> None:
    estimates = played.survey.need("estimates")
    whole = estimates[estimates["stage"].isna() | estimates["stage"].isin(["all", ""])]
    assert {"kind", "hole", "stratum"} <= set(estimates["domain"])
    assert (whole["low_per_m2"] <= whole["mean_per_m2"] + 1e-9).all()
    assert (whole["mean_per_m2"] <= whole["high_per_m2"] + 1e-9).all()
    assert (whole["high_per_m2"] > 0).all()
    assert np.allclose(whole["total"], whole["mean_per_m2"] * whole["area_m2"], rtol=1e-6)
    assert (played.survey.need("findings")["what"] == "border ratio").any()


def test_the_map_covers_the_sampled_surfaces_exactly_and_says_where_it_does_not_know(played: Played) -> None:
    cells = played.survey.need("cells")
    strata = load_design(played.survey).strata
    surfaces = load_ground(played.survey).surfaces.set_index("surface_id")
    sampled = cells[cells["surface_id"].isin(strata["surface_id"])]
    areas = sampled.groupby("surface_id")["area_m2"].sum()
    assert np.allclose(areas, surfaces.loc[areas.index, "area_m2"], rtol=1e-6)
    assert set(areas.index) == set(strata["surface_id"])
    assert np.isfinite(cells[["log_mean", "log_sd", "expected_per_m2", "low_per_m2", "high_per_m2"]]).all().all()
    assert (cells["low_per_m2"] <= cells["high_per_m2"]).all()
    assert cells["known"].dtype == bool


def test_the_raster_is_tagged_and_in_the_surveys_crs(played: Played) -> None:
    with rasterio.open(played.folder / "density.tif") as raster:
        assert [text.split()[0] for text in raster.descriptions[:4]] == ["expected", "low", "high", "exceedance"]
        assert raster.nodata is not None
        assert raster.crs.to_proj4() == rasterio.crs.CRS.from_user_input(load_ground(played.survey).crs).to_proj4()
        chance = raster.read(4, masked=True)
    assert 0 <= chance.min() <= chance.max() <= 1


def test_zones_stay_on_turf_are_wide_enough_and_agree_in_every_file(played: Played) -> None:
    zones = played.survey.need("zones")
    ground = load_ground(played.survey)
    turf = shapely.union_all(ground.surfaces.geometry.to_numpy())
    assert shapely.area(shapely.difference(zones.geometry.to_numpy(), turf)).max() < 0.01
    treated = zones[zones["action"] == "treat"]
    assert (treated["area_m2"] >= 300 * FOOT2_M2 * 0.999).all()
    assert np.allclose(zones["area_m2"], zones.geometry.area, rtol=1e-6)
    lonlat = gpd.read_file(played.folder / "zones.geojson")
    assert lonlat.crs.to_epsg() == 4326
    assert sorted(lonlat["zone_id"]) == sorted(zones["zone_id"])
    assert np.isclose(lonlat.to_crs(ground.crs).area.sum(), zones["area_m2"].sum(), rtol=1e-4)
    assert sorted(pd.read_csv(played.folder / "zones.csv")["zone_id"]) == sorted(zones["zone_id"])
    assert (played.folder / "zones.kml").stat().st_size > 0
    assert (played.folder / "treatment_plan.pdf").read_bytes().startswith(b"%PDF")


def test_the_page_asks_the_network_for_nothing(played: Played) -> None:
    page = (played.folder / "map.html").read_text(encoding="utf-8")
    shown = re.sub(r"<script>.*?</script>", "", page, flags=re.DOTALL)  # a library's may name its maker; it never shows
    assert not re.findall(r"""(?:src|href)\s*=\s*["']https?://""", shown)
    assert not re.findall(r"url\(\s*['\"]?https?://", page)
    assert "label" in page.lower()  # the cautions stand wherever zones are shown


def test_no_stage_changes_what_an_earlier_one_wrote(played: Played) -> None:
    assert set(played.survey.layers()) >= {"surfaces", "visits", "points", "strata", "samples", "counts", "estimates"}
    assert set(played.survey.layers()) >= {"findings", "cells", "models", "zones"}
    assert len(load_design(played.survey).points) >= 90
