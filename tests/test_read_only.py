"""A folder nobody may write to, as the system itself refuses it: said in words, and nothing is changed."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner
from survey_case import fill_rows

from geosample.cli import main
from geosample.errors import GeosampleError
from geosample.files.saving import make_folder, save_file
from geosample.survey import open_survey

GUEST = 65534  # nobody's number where the tests run as root, whom no folder refuses
pytestmark = pytest.mark.skipif(not hasattr(os, "seteuid"), reason="rights of folders are tested as POSIX has them")


@contextmanager
def as_a_guest(folder: Path) -> Iterator[None]:
    folder.chmod(0o555)
    was = os.geteuid()
    if was == 0:
        os.seteuid(GUEST)
    try:
        yield
    finally:
        os.seteuid(was)
        folder.chmod(0o755)


@pytest.fixture
def folder() -> Iterator[Path]:
    # not below pytest's own folder, which a guest may not even enter
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_results_are_refused(folder: Path) -> None:
    for write in (lambda: save_file(folder / "a.csv", b"new"), lambda: make_folder(folder / "out", GeosampleError)):
        with as_a_guest(folder), pytest.raises(GeosampleError, match=r"Permission denied.*choose"):
            write()
    assert contents(folder) == {}


def test_a_survey_can_be_read_and_is_not_changed(folder: Path) -> None:
    survey = open_survey(folder / "course.gpkg")
    with survey.change() as change:
        change.put("visits", fill_rows("visits", visit=["2026-05-04"]))
    before = contents(folder)
    with as_a_guest(folder):
        assert survey.read("visits")["visit"].tolist() == ["2026-05-04"]
        with (
            pytest.raises(GeosampleError, match=r"Permission denied.*the survey is as it was"),
            survey.change() as change,
        ):
            change.put("visits", fill_rows("visits", visit=["2026-06-04"]))
    assert contents(folder) == before


def test_a_command_says_so(folder: Path) -> None:
    square = shapely.box(-73.9, 41.5, -73.899, 41.501)
    gpd.GeoDataFrame(pd.DataFrame({"kind": ["green"], "hole": ["1"]}), geometry=[square], crs=4326).to_file(
        folder / "course.geojson"
    )
    words = ["ground", str(folder / "course.gpkg"), str(folder / "course.geojson")]
    # once as ourselves: a guest may not read the libraries a first run loads
    assert CliRunner().invoke(main, ["ground", str(folder / "first.gpkg"), *words[2:]]).exit_code == 0
    before = contents(folder)
    with as_a_guest(folder):
        result = CliRunner().invoke(main, words)
    assert result.exit_code == 1
    assert result.stderr.splitlines()[-1].startswith(f"geosample: {words[1]}: found 'Permission denied'")
    assert contents(folder) == before
