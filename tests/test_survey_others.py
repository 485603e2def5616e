"""Other programs hold the survey open while a command writes, or the folder is read-only: said, nothing lost.

Real second processes, in both of SQLite's modes; and refusals by the system itself.
"""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner
from counts_case import filled_sheet, write
from survey_case import fill_rows

from geosample.cli import main
from geosample.design import Design
from geosample.errors import GeosampleError, SurveyError
from geosample.files.saving import make_folder, save_file
from geosample.ground import Ground, save_ground
from geosample.survey import Survey, open_survey, reading, writing

OTHER = """
import sqlite3, sys
c = sqlite3.connect(sys.argv[1], isolation_level=None, timeout=0.2)
for line in sys.stdin:
    try:
        print(c.execute(line).fetchall(), flush=True)
    except sqlite3.Error as error:
        print("error:", error, flush=True)
c.close()
"""
DRIVER = """
import geopandas, pyogrio, shapely, sys
layer = pyogrio.read_dataframe(sys.argv[1], layer="valves")
for line in sys.stdin:
    own = geopandas.GeoDataFrame({"what": [line.strip()]}, geometry=[shapely.Point(3, 4)], crs=layer.crs)
    pyogrio.write_dataframe(own, sys.argv[1], layer="valves", append=True)
    print("written", flush=True)
"""
MODES = ["wal", "delete"]


@pytest.fixture
def survey(tmp_path: Path, two_counts_survey: Path) -> Survey:
    survey = open_survey(shutil.copy(two_counts_survey, tmp_path / "course.gpkg"))
    with closing(sqlite3.connect(survey.path)) as file, file:
        file.execute("CREATE TABLE notes (text TEXT)")
    return survey


class Program:
    """Another program with the survey open, told line by line what to do there."""

    def __init__(self, path: Path, code: str = OTHER) -> None:
        words = [sys.executable, "-c", code, str(path)]
        self.process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def do(self, line: str) -> str:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(f"{line}\n")
        self.process.stdin.flush()
        return self.process.stdout.readline().strip()

    def note(self, text: str) -> None:
        assert self.do(f"INSERT INTO notes VALUES ('{text}')") == "[]"


@contextmanager
def another(path: Path, mode: str = "", code: str = OTHER) -> Iterator[Program]:
    program = Program(path, code)
    try:
        if mode:
            assert program.do(f"PRAGMA journal_mode = {mode}") == f"[('{mode}',)]"
            assert "3" in program.do("SELECT count(*) FROM surfaces")
        yield program
        if program.process.poll() is None:
            program.process.communicate(timeout=30)
    finally:
        program.process.kill()
        for pipe in (program.process.stdin, program.process.stdout):
            assert pipe is not None
            pipe.close()
        program.process.wait()


def put_b(survey: Survey) -> None:
    with survey.change() as c:
        c.put("counts", fill_rows("counts", visit=["B"], sample_id="9", count=7), where={"visit": "B"})


def check_both(survey: Survey, notes: list[str], counts: tuple[int, ...] = (3, 0, 7)) -> None:
    with closing(sqlite3.connect(survey.path)) as file:
        assert file.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert [row[0] for row in file.execute("SELECT text FROM notes")] == notes
    assert survey.read("counts")["count"].tolist() == list(counts)
    assert len(survey.read("surfaces")) == 3
    assert {path.name for path in survey.path.parent.iterdir()} == {"course.gpkg"}


@pytest.mark.parametrize("mode", MODES)
def test_an_idle_program_stops_nobody_and_writes_on(survey: Survey, mode: str) -> None:
    with another(survey.path, mode) as other:
        other.note("before")
        put_b(survey)
        assert "3" in other.do("SELECT count(*) FROM counts")
        other.note("after")
    check_both(survey, ["before", "after"])


def test_a_read_in_wal_mode_keeps_its_state_and_stops_nobody(survey: Survey) -> None:
    with another(survey.path, "wal") as other:
        other.do("BEGIN")
        assert other.do("SELECT count(*) FROM counts") == "[(2,)]"
        put_b(survey)
        assert other.do("SELECT count(*) FROM counts") == "[(2,)]"
        other.do("COMMIT")
        other.note("after")
        assert other.do("SELECT count(*) FROM counts") == "[(3,)]"
    check_both(survey, ["after"])


def test_a_read_without_end_in_rollback_mode_stops_nobody_and_its_late_write_is_refused(
    survey: Survey, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(writing, "READER_WAIT_S", 0.3)
    survey.path.chmod(0o640)
    if os.geteuid() == 0:
        os.chown(survey.path, 4321, 4321)
    before = survey.path.stat()
    with another(survey.path, "delete") as other:
        other.note("before")
        other.do("BEGIN")
        other.do("SELECT count(*) FROM counts")
        put_b(survey)
        assert "close and open it there" in " ".join(capsys.readouterr().err.split())
        assert other.do("SELECT count(*) FROM counts") == "[(2,)]"
        other.do("COMMIT")
        assert other.do("INSERT INTO notes VALUES ('lost')") == "error: attempt to write a readonly database"
    after = survey.path.stat()
    assert (after.st_mode, after.st_uid, after.st_gid) == (before.st_mode, before.st_uid, before.st_gid)
    with another(survey.path) as again:
        again.note("opened again")
    check_both(survey, ["before", "opened again"])


def test_a_read_that_ends_in_time_leaves_the_file_itself(survey: Survey) -> None:
    number = survey.path.stat().st_ino
    code = OTHER.replace("for line", "import time\nfor line").replace(
        "print(c.execute(line).fetchall(), flush=True)",
        "rows = c.execute(line); print(rows.fetchone(), flush=True); time.sleep(0.7); rows.close()",
    )
    with another(survey.path, code=code) as other:
        other.do("SELECT * FROM counts")
        put_b(survey)
        assert survey.path.stat().st_ino == number
    check_both(survey, [])


@pytest.mark.parametrize("mode", MODES)
def test_a_write_not_yet_committed_is_the_one_refusal_and_changes_nothing(
    survey: Survey, mode: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writing, "WRITER_WAIT_S", 0.3)
    words = "another program is writing to it: finish or close it there"
    with another(survey.path, mode) as other:
        other.do("BEGIN IMMEDIATE")
        other.note("theirs")
        before = survey.path.read_bytes()
        with pytest.raises(SurveyError, match=words):
            put_b(survey)
        assert survey.path.read_bytes() == before
        other.do("COMMIT")
        put_b(survey)
    check_both(survey, ["theirs"])


def test_a_file_held_for_one_program_alone_is_not_called_damaged(
    survey: Survey, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reading, "LOCK_WAIT_S", 0.1)
    with another(survey.path, "delete") as other:
        other.do("BEGIN EXCLUSIVE")
        with pytest.raises(SurveyError, match="finish or close it there") as caught:
            survey.read("counts")
        assert "back-up" not in str(caught.value)
        other.do("ROLLBACK")
    check_both(survey, [], (3, 0))


@pytest.mark.parametrize("mode", MODES)
def test_a_program_that_opens_during_our_write_reads_the_old_state_and_writes_after_it(
    survey: Survey, mode: str
) -> None:
    with another(survey.path, mode) as first, survey.change() as c, another(survey.path) as other:
        c.put("counts", fill_rows("counts", visit=["B"], sample_id="9", count=7), where={"visit": "B"})
        assert other.do("SELECT count(*) FROM counts") == "[(2,)]"
        assert "locked" in other.do("INSERT INTO notes VALUES ('too early')")
        assert first.do("SELECT count(*) FROM counts") == "[(2,)]"
    with another(survey.path) as other:
        other.note("after")
    check_both(survey, ["after"])


@pytest.mark.parametrize("mode", MODES)
def test_what_another_program_changed_in_our_layers_stays(survey: Survey, mode: str) -> None:
    """Another visit's row, a column and an index of its own, and a style: only our visit's rows are replaced."""
    with another(survey.path, mode) as other:
        other.do("ALTER TABLE counts ADD COLUMN remark TEXT")
        other.do("CREATE INDEX own ON counts (visit)")
        other.do("UPDATE counts SET remark = 'wet', count = 4 WHERE sample_id = '1'")
        put_b(survey)
        put_b(survey)
        assert other.do("SELECT count(*) FROM sqlite_master WHERE name = 'own'") == "[(1,)]"
        assert other.do("SELECT feature_count FROM gpkg_ogr_contents WHERE table_name = 'counts'") == "[(3,)]"
    assert survey.read("counts")["remark"].fillna("").tolist() == ["wet", "", ""]
    check_both(survey, [], (4, 0, 7))


def test_what_is_read_for_a_change_can_not_change_before_it_is_written(survey: Survey) -> None:
    with another(survey.path, "wal") as other, survey.change() as c:
        counts = c.read("counts")
        assert "locked" in other.do("UPDATE counts SET count = 5 WHERE sample_id = '1'")
        c.put("counts", counts.assign(count=counts["count"] + 1), where={"visit": "A"})
        assert survey.read("counts")["count"].tolist() == [3, 0]
        assert c.read("counts")["count"].tolist() == [4, 1]
    check_both(survey, [], (4, 1))


@pytest.mark.parametrize("mode", MODES)
def test_the_journal_of_a_program_that_was_killed_is_folded_in(survey: Survey, mode: str) -> None:
    with another(survey.path, mode) as other:
        other.note("committed")
        other.do("BEGIN")
        other.do("PRAGMA cache_size = 1")
        other.do("CREATE TABLE junk (a)")
        many = "WITH n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 4000)"
        other.do(f"{many} INSERT INTO junk SELECT hex(randomblob(400)) FROM n")
        other.process.send_signal(signal.SIGKILL)
        other.process.wait()
        left = survey.path.with_name(f"course.gpkg-{'wal' if mode == 'wal' else 'journal'}")
        assert left.stat().st_size > 0
        put_b(survey)
    check_both(survey, ["committed"])


@pytest.mark.slow
@pytest.mark.parametrize("journal", ["WAL", "DELETE"])
def test_the_gis_library_s_own_driver_as_the_other_program(
    survey: Survey, journal: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = gpd.GeoDataFrame({"what": ["first"]}, geometry=[shapely.Point(1, 2)], crs=3857)
    own.to_file(survey.path, layer="valves")
    monkeypatch.setenv("OGR_SQLITE_JOURNAL", journal)
    with another(survey.path, code=DRIVER) as other:
        assert other.do("before") == "written"
        put_b(survey)
        assert other.do("after") == "written"
        put_b(survey)
    assert sorted(gpd.read_file(survey.path, layer="valves")["what"]) == ["after", "before", "first"]
    check_both(survey, [])


def test_the_gis_library_s_own_driver_reads_and_writes_on_in_layers_we_wrote(survey: Survey) -> None:
    """Its index and its count of rows are what our SQL left of them."""
    surfaces = survey.read("surfaces")
    for _ in range(2):
        with survey.change() as c:
            c.put("surfaces", surfaces.iloc[[0]], where={"surface_id": surfaces["surface_id"].iloc[0]})
    box = tuple(surfaces.geometry.iloc[0].representative_point().buffer(0.1).bounds)
    found = gpd.read_file(survey.path, layer="surfaces", bbox=box)
    assert found["surface_id"].tolist() == [surfaces["surface_id"].iloc[0]]
    assert found.crs == surfaces.crs
    surfaces.iloc[[0]].assign(surface_id="theirs").to_file(survey.path, layer="surfaces", mode="a")
    assert len(gpd.read_file(survey.path, layer="surfaces")) == 4
    with closing(sqlite3.connect(survey.path)) as file:
        assert file.execute("SELECT count(*) FROM rtree_surfaces_geom").fetchone() == (4,)
        assert file.execute("SELECT rtreecheck('rtree_surfaces_geom')").fetchone() == ("ok",)
        triggers = "SELECT count(*) FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'surfaces'"
        assert file.execute(triggers).fetchone()[0] >= 9


@pytest.mark.parametrize("link", ["symbolic", "hard"])
def test_a_survey_named_through_a_link_stays_one_file(survey: Survey, tmp_path: Path, link: str) -> None:
    (tmp_path / "elsewhere").mkdir()
    name = tmp_path / "elsewhere" / "linked.gpkg"
    name.symlink_to(survey.path) if link == "symbolic" else name.hardlink_to(survey.path)
    put_b(open_survey(name))
    assert name.is_symlink() == (link == "symbolic")
    assert name.samefile(survey.path)
    assert survey.read("counts")["count"].tolist() == [3, 0, 7]
    assert [path.name for path in name.parent.iterdir()] == ["linked.gpkg"]


def test_a_link_to_a_survey_not_made_yet_makes_it_there(tmp_path: Path, small_ground: Ground) -> None:
    (tmp_path / "there").mkdir()
    (tmp_path / "course.gpkg").symlink_to(tmp_path / "there" / "real.gpkg")
    save_ground(open_survey(tmp_path / "course.gpkg"), small_ground)
    assert (tmp_path / "course.gpkg").is_symlink()
    assert len(open_survey(tmp_path / "there" / "real.gpkg").read("surfaces")) == 3


def test_a_read_only_survey_is_refused_and_stays_so(survey: Survey) -> None:
    survey.path.chmod(0o444)
    before = survey.path.read_bytes()
    with pytest.raises(SurveyError, match=r"course\.gpkg: found 'Permission denied' \(mode 0444, owner .*make it writ"):
        put_b(survey)
    assert survey.path.read_bytes() == before
    assert survey.path.stat().st_mode & 0o777 == 0o444


def test_a_journal_that_may_not_be_written_is_named(survey: Survey) -> None:
    with another(survey.path, "wal") as other:
        other.note("theirs")
        wal = survey.path.with_name("course.gpkg-wal")
        wal.chmod(0o444)
        with pytest.raises(SurveyError, match=r"course\.gpkg-wal: found 'Permission denied'"):
            put_b(survey)
        wal.chmod(0o644)
    check_both(survey, ["theirs"], (3, 0))


def test_a_new_survey_never_takes_the_place_of_one_that_appeared_meanwhile(
    tmp_path: Path, small_ground: Ground
) -> None:
    survey = open_survey(tmp_path / "course.gpkg")
    with pytest.raises(SurveyError, match="made meanwhile"), survey.change() as c:
        c.put("counts", fill_rows("counts", visit=["A"], count=1))
        survey.path.write_bytes(b"theirs")
    assert survey.path.read_bytes() == b"theirs"
    assert [path.name for path in tmp_path.iterdir()] == ["course.gpkg"]


def test_the_journal_of_a_survey_that_is_gone_is_not_played_into_a_new_one(
    tmp_path: Path, small_ground: Ground
) -> None:
    (tmp_path / "course.gpkg-wal").write_bytes(b"x" * 64)
    with pytest.raises(SurveyError, match=r"course\.gpkg-wal: found the journal of a survey that is gone"):
        save_ground(open_survey(tmp_path / "course.gpkg"), small_ground)
    assert not (tmp_path / "course.gpkg").exists()


def test_a_network_folder_is_told_and_wal_mode_refused_there(
    survey: Survey, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(writing, "find_network", lambda _: "nfs4")
    put_b(survey)
    assert "is a network folder (nfs4), where locks can't be trusted" in " ".join(capsys.readouterr().err.split())
    with another(survey.path, "wal"), pytest.raises(SurveyError, match=r"network folder \(nfs4\).*WAL mode"):
        put_b(survey)
    check_both(survey, [])


def test_the_kind_of_folder_is_read_from_the_list_of_mounts(tmp_path: Path) -> None:
    """proc(5) gives the line's form."""
    mounts = tmp_path / "mounts"
    lines = "1 0 8:1 / / rw - ext4 /dev/vda rw\n2 1 0:9 / /mnt/our\\040club rw shared:1 - nfs4 host:/x rw\n"
    mounts.write_text(lines)
    assert writing.find_network(Path("/mnt/our club/2026"), mounts) == "nfs4"
    assert writing.find_network(Path("/mnt/ours"), mounts) == ""


@pytest.mark.slow
@pytest.mark.parametrize("mode", MODES)
def test_commands_complete_beside_a_program_that_commits_before_and_after_them(
    counts_survey: Survey, counts_design: Design, tmp_path: Path, mode: str
) -> None:
    path = counts_survey.path
    filled = write(filled_sheet(counts_design), tmp_path / "filled.csv")
    with another(path, mode) as other:
        assert other.do("CREATE TABLE notes (text TEXT)") == "[]"
        for words in (["counts", str(path), str(filled)], ["estimate", str(path)], ["estimate", str(path)]):
            other.note(words[0])
            result = CliRunner().invoke(main, words)
            assert result.exit_code == 0, result.output
            other.note("after")
        assert other.do("UPDATE counts SET count = 41 WHERE fid = 1") == "[]"
    with closing(sqlite3.connect(path)) as file:
        assert file.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert file.execute("SELECT count(*) FROM notes").fetchone() == (6,)
    assert counts_survey.read("counts")["count"].tolist()[0] == 41
    assert len(counts_survey.read("estimates"))
    assert len(counts_survey.read("samples"))


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
    for write_one in (lambda: save_file(folder / "a.csv", b"new"), lambda: make_folder(folder / "out", GeosampleError)):
        with as_a_guest(folder), pytest.raises(GeosampleError, match=r"Permission denied.*choose"):
            write_one()
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
