"""Surveys of older versions open: what people made is read as it is, what was worked out is told to be run again."""

from __future__ import annotations

import lzma
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner

from geosample.cli import main
from geosample.counts import load_counts
from geosample.design import load_design
from geosample.errors import SurveyError
from geosample.ground import load_ground
from geosample.survey import open_survey
from geosample.survey.layers import LAYOUT, MARKED

DATA = Path(__file__).parent / "data"
NEWEST = max(int(path.name.split("_")[-1].split(".")[0]) for path in DATA.glob("demo_layout_*.gpkg.xz"))


@pytest.fixture(params=sorted(DATA.glob("demo_layout_*.gpkg.xz")), ids=lambda path: path.name)
def older(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    path = tmp_path / "course.gpkg"
    path.write_bytes(lzma.decompress(request.param.read_bytes()))
    return path


def count_rows(path: Path, sql: str) -> int:
    with closing(sqlite3.connect(path)) as file:
        return int(file.execute(f"SELECT count(*) FROM {sql}").fetchone()[0])


def run(*words: str) -> str:
    result = CliRunner().invoke(main, list(words))
    assert result.exit_code == 0, result.output
    return result.output


def test_every_older_layout_is_kept_as_test_data() -> None:
    assert NEWEST == LAYOUT - 1


def test_what_people_made_is_read_as_it_is(older: Path) -> None:
    survey = open_survey(older)
    ground, design = load_ground(survey), load_design(survey, "2026-05-18")
    counts = load_counts(survey, "2026-05-18")
    assert (len(ground.surfaces), len(design.points), len(counts.samples)) == (52, 110, 94)
    assert counts.counts["count"].sum() == 220
    assert design.visit.simulated is True


@pytest.fixture
def oldest(tmp_path: Path) -> Path:
    """Return a survey whose results no longer mean what they say."""
    path = tmp_path / "course.gpkg"
    path.write_bytes(lzma.decompress((DATA / "demo_layout_1.gpkg.xz").read_bytes()))
    return path


@pytest.mark.slow
def test_what_was_worked_out_is_told_in_one_line_and_blocks_no_other_stage(oldest: Path, tmp_path: Path) -> None:
    said = " ".join(run("map", str(oldest), "--out", str(tmp_path / "map.html")).split())
    assert said.count("of an older version") == 1
    assert all(f"'geosample {stage}'" in said for stage in ("estimate", "density", "treat"))
    run("design", str(oldest), "--visit", "2026-06-08", "--points", "30", "--holes", "1", "--seed", "1")


@pytest.mark.slow
def test_running_the_stages_again_ends_the_line_and_keeps_other_visits_rows(oldest: Path, tmp_path: Path) -> None:
    with closing(sqlite3.connect(oldest)) as file, file:
        file.execute(
            "INSERT INTO estimates (visit, pest, domain, label, stage) SELECT 'then', pest, domain, label, "
            "stage FROM estimates"
        )
    kept = count_rows(oldest, "estimates WHERE visit = 'then'")
    run("estimate", str(oldest))
    run("density", str(oldest), "--threshold", "30/ft2", "--cell", "3m", "--out", str(tmp_path))
    run("treat", str(oldest), "--threshold", "30/ft2", "--out", str(tmp_path))
    assert count_rows(oldest, "estimates WHERE visit = 'then'") == kept > 0
    with closing(sqlite3.connect(oldest)) as file, file:
        file.execute("DELETE FROM estimates WHERE visit = 'then'")
    assert "older version" not in run("map", str(oldest), "--out", str(tmp_path / "map.html"))
    for layer in MARKED:
        assert count_rows(oldest, f"{layer} WHERE layout = {LAYOUT}") == count_rows(oldest, layer) > 0


@pytest.mark.slow
def test_results_that_still_mean_the_same_are_read_from_the_layout_before(tmp_path: Path) -> None:
    path = tmp_path / "course.gpkg"
    path.write_bytes(lzma.decompress((DATA / "demo_layout_2.gpkg.xz").read_bytes()))
    said = run("map", str(path), "--out", str(tmp_path / "map.html"))
    assert "older version" not in said
    assert len(open_survey(path).read("zones")) == count_rows(path, "zones") > 0


def test_a_newer_layout_is_refused_by_its_number_and_left_alone(older: Path) -> None:
    with open_survey(older).change() as change:
        change.note_layout()
    with closing(sqlite3.connect(older)) as file, file:
        file.execute(f"UPDATE layout SET layout = {LAYOUT + 1}, written_by = '9.1'")
    before = older.read_bytes()
    with pytest.raises(SurveyError, match=rf"layout {LAYOUT + 1}, of a newer version of geosample \(9\.1\)"):
        open_survey(older)
    result = CliRunner().invoke(main, ["estimate", str(older)])
    assert (result.exit_code, older.read_bytes()) == (1, before)
