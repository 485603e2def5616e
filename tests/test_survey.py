"""The survey file: whole or not at all, whatever stops a write."""

from __future__ import annotations

import errno
import multiprocessing
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely
from survey_case import fill_rows

from geosample.errors import SurveyError
from geosample.ground import Ground, load_ground, save_ground
from geosample.survey import LAYERS, Survey, open_survey, writing

STEPS = ["write_frames", "put_layers", "commit"]
FIRST_STEPS = ["write_frames", "flush_file", "name_file"]


@pytest.fixture
def survey(tmp_path: Path, two_counts_survey: Path) -> Survey:
    return open_survey(shutil.copy(two_counts_survey, tmp_path / "course.gpkg"))


def test_ground_comes_back_as_it_went_in(survey: Survey, small_ground: Ground) -> None:
    back = load_ground(survey)
    assert back.crs == small_ground.crs
    assert list(back.surfaces["surface_id"]) == list(small_ground.surfaces["surface_id"])
    assert shapely.equals_exact(back.surfaces.geometry, small_ground.surfaces.geometry, 1e-9).all()


@pytest.mark.parametrize("layer", LAYERS)
def test_a_layer_not_written_yet_reads_as_empty_with_its_columns(survey: Survey, layer: str) -> None:
    frame = survey.read(layer)
    assert set(LAYERS[layer].columns) <= set(frame.columns)
    assert ("geometry" in frame.columns) == (LAYERS[layer].geometry is not None)


def test_zero_and_missing_stay_apart(survey: Survey) -> None:
    samples = fill_rows("samples", visit="A", sample_id=["1", "2"], accuracy_m=[0.0, None], note=["", None])
    with survey.change() as c:
        c.put(
            "samples",
            gpd.GeoDataFrame(samples, geometry=gpd.points_from_xy([0, 1], [0, 1]), crs=survey.read("surfaces").crs),
        )
    back = survey.read("samples")
    assert back["accuracy_m"].tolist()[0] == 0.0
    assert back["accuracy_m"].isna().tolist() == [False, True]
    assert back["note"].tolist() == ["", None]


def test_rows_of_other_visits_stay(survey: Survey) -> None:
    with survey.change() as c:
        c.put("counts", fill_rows("counts", visit=["B"], sample_id="9", count=7), where={"visit": "B"})
    with survey.change() as c:
        c.put("counts", fill_rows("counts", visit=["B"], sample_id="9", count=8), where={"visit": "B"})
    assert survey.read("counts")[["visit", "count"]].to_numpy().tolist() == [["A", 3], ["A", 0], ["B", 8]]


def test_layers_the_user_added_stay_as_they_are(survey: Survey) -> None:
    own = gpd.GeoDataFrame({"what": ["valve"], "größe": [1.5]}, geometry=[shapely.Point(1, 2)], crs=3857)
    pyogrio.write_dataframe(own, survey.path, layer="my valves", driver="GPKG")
    with survey.change() as c:
        c.put("counts", fill_rows("counts", visit=["C"], count=1), where={"visit": "C"})
    back = pyogrio.read_dataframe(survey.path, layer="my valves")
    assert back["größe"].tolist() == [1.5]
    assert back.crs == own.crs


def test_an_error_in_the_block_changes_nothing(survey: Survey) -> None:
    before = survey.path.read_bytes()
    with pytest.raises(ZeroDivisionError), survey.change() as c:
        c.put("counts", fill_rows("counts", visit=["X"], count=1))
        1 / 0  # noqa: B018
    assert survey.path.read_bytes() == before


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("moment", ["before", "after"])
def test_a_fault_at_any_step_leaves_the_old_or_the_new_state_and_nothing_lying_about(
    survey: Survey, monkeypatch: pytest.MonkeyPatch, step: str, moment: str
) -> None:
    real = getattr(writing, step)

    def fail(*args: object) -> None:
        if moment == "after":
            real(*args)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(writing, step, fail)
    new = fill_rows("counts", visit=["A"], count=99)
    with pytest.raises(SurveyError, match="No space left on device"), survey.change() as c:
        c.put("counts", new)
    done = step == "commit" and moment == "after"
    assert survey.read("counts")["count"].tolist() == ([99] if done else [3, 0])
    assert sorted(p.name for p in survey.path.parent.iterdir()) == ["course.gpkg"]


KILLED = """
import os, signal, sys
import pandas as pd
from geosample.survey import writing, open_survey
step, moment, path = sys.argv[1:]
real = getattr(writing, step)
def die(*args):
    if moment == "after":
        real(*args)
    os.kill(os.getpid(), signal.SIGKILL)
setattr(writing, step, die)
with open_survey(path).change() as c:
    row = {"visit": "A", "sample_id": "1", "pest": "annual bluegrass weevil", "stage": "L3", "count": 99}
    c.put("counts", pd.DataFrame([row]))
"""


@pytest.mark.skipif(os.name != "posix", reason="needs SIGKILL")
@pytest.mark.parametrize("moment", ["before", "after"])
@pytest.mark.parametrize("step", STEPS)
def test_a_kill_at_any_step_leaves_the_old_or_the_new_state_and_the_next_write_cleans_up(
    survey: Survey, step: str, moment: str
) -> None:
    command = [sys.executable, "-c", KILLED, step, moment, str(survey.path)]
    assert subprocess.run(command, check=False).returncode == -signal.SIGKILL
    done = step == "commit" and moment == "after"
    assert survey.read("counts")["count"].tolist() == ([99] if done else [3, 0])
    assert len(survey.read("surfaces")) == 3
    with survey.change() as c:
        c.put("counts", fill_rows("counts", visit=["B"], count=1), where={"visit": "B"})
    assert len(survey.read("counts")) == (2 if done else 3)
    assert sorted(p.name for p in survey.path.parent.iterdir()) == ["course.gpkg"]


def append_rows(path: str, visit: str, rows: int) -> None:
    survey = open_survey(path)
    for i in range(rows):
        with survey.change() as c:
            fresh = fill_rows("counts", visit=[visit], sample_id=str(i), count=i)
            c.put("counts", pd.concat([c.read("counts"), fresh], ignore_index=True))


@pytest.mark.slow
def test_two_writers_at_once_lose_no_rows(survey: Survey) -> None:
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=append_rows, args=(str(survey.path), name, 12)) for name in "BC"]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(60)
    assert [writer.exitcode for writer in writers] == [0, 0]
    assert survey.read("counts").groupby("visit").size().to_dict() == {"A": 2, "B": 12, "C": 12}


@pytest.mark.slow
def test_a_reader_never_sees_half_a_write(survey: Survey) -> None:
    """Two layers always change together, so a reader that ever sees them differ saw half a write."""
    context = multiprocessing.get_context("spawn")
    writer = context.Process(target=write_pairs, args=(str(survey.path), 15))
    with survey.change() as c:
        put_pair(c, 0)
    writer.start()
    seen = set()
    while writer.is_alive():
        with sqlite3.connect(f"{survey.path.as_uri()}?mode=ro", uri=True, isolation_level=None) as file:
            file.execute("BEGIN")  # one state of the file for both
            pair = [file.execute(f'SELECT count FROM "{name}"').fetchall() for name in ("pair a", "pair b")]
        file.close()
        assert pair[0] == pair[1]
        seen.add(pair[0][0])
    assert writer.exitcode == 0
    assert len(seen) > 1


def put_pair(c: writing.SurveyChange, value: int) -> None:
    for name in ("pair a", "pair b"):
        c.put(name, pd.DataFrame({"count": [value]}))


def write_pairs(path: str, times: int) -> None:
    for i in range(1, times + 1):
        with open_survey(path).change() as c:
            put_pair(c, i)


def test_a_journal_left_by_another_program_is_rolled_back_not_replayed_into_the_new_file(survey: Survey) -> None:
    """A program killed in mid-transaction leaves a hot journal; replacing the file under it breaks the new one."""
    code = (
        "import os, signal, sqlite3, sys\n"
        "c = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
        "c.execute('PRAGMA cache_size=1'); c.execute('BEGIN')\n"
        "c.execute('CREATE TABLE junk(a)')\n"
        "c.executemany('INSERT INTO junk VALUES (?)', [('x' * 900,)] * 4000)\n"
        "os.kill(os.getpid(), signal.SIGKILL)"
    )
    subprocess.run([sys.executable, "-c", code, str(survey.path)], check=False)
    assert survey.path.with_name("course.gpkg-journal").exists()
    with survey.change() as c:
        c.put("counts", fill_rows("counts", visit=["B"], count=1), where={"visit": "B"})
    assert survey.read("counts")["count"].tolist() == [3, 0, 1]
    with sqlite3.connect(survey.path) as file:
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert file.execute("SELECT count(*) FROM sqlite_master WHERE name = 'junk'").fetchone() == (0,)
    file.close()


def test_the_file_is_a_valid_geopackage(survey: Survey) -> None:
    """OGC 12-128r19 (GeoPackage 1.4), requirements 2, 6 and 7: application id, integrity and foreign keys."""
    with sqlite3.connect(survey.path) as file:
        assert file.execute("PRAGMA application_id").fetchone()[0] == 0x47504B47
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert file.execute("PRAGMA foreign_key_check").fetchall() == []
    file.close()


@pytest.mark.parametrize(
    ("name", "content", "found"),
    [
        ("a.gpkg", b"", r"an empty file \(0 bytes\)"),
        ("a.gpkg", b"PK\x03\x04 not a database", "another kind of file"),
        ("a.gpkg", b"SQLite format 3\x00" + bytes(52) + b"GPKG" + bytes(400), "a damaged file"),
        ("a.kml", b"<kml/>", "the ending '.kml'"),
    ],
)
def test_a_file_that_is_no_survey_is_named(tmp_path: Path, name: str, content: bytes, found: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(SurveyError, match=found):
        open_survey(path, must_exist=True).layers()
    assert path.read_bytes() == content


def test_a_missing_file_and_a_missing_stage_say_what_to_run(tmp_path: Path, survey: Survey) -> None:
    with pytest.raises(SurveyError, match="run 'geosample ground' first"):
        open_survey(tmp_path / "none.gpkg", must_exist=True)
    with pytest.raises(SurveyError, match=r"run 'geosample design course\.gpkg"):
        survey.newest_visit()


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(SurveyError, match="no such folder"), open_survey(tmp_path / "no" / "a.gpkg").change():
        pass


def test_names_in_any_script_work(tmp_path: Path, small_ground: Ground) -> None:
    survey = open_survey(tmp_path / "Grün # 山 100%?.gpkg")
    save_ground(survey, small_ground)
    assert len(survey.read("surfaces")) == 3
