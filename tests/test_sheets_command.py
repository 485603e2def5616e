"""The sheets command: what it prints, what it keeps, and how it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from geosample.cli import main
from geosample.design import Design, load_design, save_design
from geosample.ground import Ground, save_ground
from geosample.survey import open_survey


@pytest.fixture
def survey(sheets_design: Design, small_ground: Ground, tmp_path: Path) -> Path:
    file = open_survey(tmp_path / "course.gpkg")
    save_ground(file, small_ground)
    save_design(file, sheets_design)
    return file.path


def run(*args: object) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, ["sheets", *map(str, args)])
    return result.exit_code, result.stdout, result.stderr


@pytest.mark.slow
def test_it_lists_the_files_it_wrote(survey: Path, tmp_path: Path) -> None:
    code, out, _ = run(survey, "--out", tmp_path / "sheets", "--paper", "a4", "--units", "metric")
    assert code == 0
    assert all(path.name in out for path in (tmp_path / "sheets").iterdir())


@pytest.mark.slow
def test_json_is_alone_on_stdout(survey: Path, tmp_path: Path) -> None:
    code, out, _ = run(survey, "--out", tmp_path / "sheets", "--json")
    assert code == 0
    assert all(Path(path).exists() for path in json.loads(out)["files"])


@pytest.mark.slow
def test_the_finding_words_are_kept_in_the_survey(survey: Path, tmp_path: Path) -> None:
    before = load_design(open_survey(survey)).points
    run(survey, "--out", tmp_path / "sheets", "--pace", "0.8m")
    after = load_design(open_survey(survey)).points
    assert after["finding"].str.len().min() > 0
    assert after.drop(columns="finding").equals(before.drop(columns="finding"))


@pytest.mark.slow
def test_a_filled_sheet_stops_it_with_exit_1(survey: Path, tmp_path: Path) -> None:
    run(survey, "--out", tmp_path / "sheets")
    sheet = tmp_path / "sheets" / "blank_counts.csv"
    sheet.write_text(sheet.read_text(encoding="utf-8-sig").replace(",,", ",0,", 1), encoding="utf-8")
    code, out, err = run(survey, "--out", tmp_path / "sheets")
    assert (code, out) == (1, "")
    assert "blank_counts.csv" in err
    assert "--force" in err
    assert run(survey, "--out", tmp_path / "sheets", "--force")[0] == 0


def test_it_is_refused_before_a_design(small_ground: Ground, tmp_path: Path) -> None:
    file = open_survey(tmp_path / "new.gpkg")
    save_ground(file, small_ground)
    code, _, err = run(file.path, "--out", tmp_path / "sheets")
    assert code == 1
    assert "geosample design" in err
    assert not (tmp_path / "sheets").exists()


def test_a_pace_without_a_unit_is_bad_usage(survey: Path, tmp_path: Path) -> None:
    assert run(survey, "--out", tmp_path / "sheets", "--pace", "30")[0] == 2
