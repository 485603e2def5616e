"""The survey file: whole or not at all, whatever stops a write; the order of visits; surveys of older versions."""

from __future__ import annotations

import errno
import json
import lzma
import multiprocessing
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely
from click.testing import CliRunner
from survey_case import fill_rows

from geosample.cli import main
from geosample.counts import load_counts
from geosample.design import check_day, load_design
from geosample.errors import DesignError, SurveyError
from geosample.ground import Ground, load_ground, save_ground
from geosample.survey import LAYERS, Survey, open_survey, reading, writing
from geosample.survey.layers import LAYOUT, MARKED

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


@pytest.mark.slow
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


def test_visits_come_from_the_oldest_to_the_newest_and_those_of_a_day_by_name(tmp_path: Path) -> None:
    survey = open_survey(tmp_path / "course.gpkg")
    with survey.change() as c:
        dates = ["2026-06-01", "2026-05-04", "2026-06-01", "2026-05-20"]
        c.put("visits", fill_rows("visits", visit=["b", "z", "a", "m"], date=dates))
    assert survey.order_visits() == ["z", "m", "a", "b"]
    assert (survey.newest_visit(), survey.newest_among({"z", "m"}), survey.newest_among([])) == ("b", "m", None)
    assert [survey.order_visits(before=name) for name in ("a", "b", "m", "gone")] == [["z", "m"], ["z", "m"], ["z"], []]
    assert survey.newest_among({"a", "b", "z"}, before="b") == "z"


def test_a_visit_is_renamed_wherever_it_stands_and_its_date_with_it(tmp_path: Path) -> None:
    survey = open_survey(tmp_path / "course.gpkg")
    with survey.change() as c:
        settings = ["{}", '{"follows": "2062-05-04"}']
        c.put(
            "visits",
            fill_rows("visits", visit=["2062-05-04", "m"], date=["2062-05-04", "2026-05-20"], settings=settings),
        )
        c.put("counts", fill_rows("counts", visit=["2062-05-04", "m"], count=[3, 4]))
    told = CliRunner().invoke(main, ["visits", str(survey.path), "--rename", "2062-05-04=2026-05-04"])
    assert told.exit_code == 0, told.output
    assert "2062-05-04 is 2026-05-04 now" in told.output
    assert survey.order_visits() == ["2026-05-04", "m"]
    visits = survey.read("visits").set_index("visit")
    assert visits.loc["2026-05-04", "date"] == "2026-05-04"
    assert json.loads(visits.loc["m", "settings"])["follows"] == "2026-05-04"
    assert json.loads(visits.loc["2026-05-04", "settings"])["named_before"] == ["2062-05-04"]
    assert survey.read("counts").set_index("visit")["count"].to_dict() == {"2026-05-04": 3, "m": 4}
    noted = CliRunner().invoke(main, ["visits", str(survey.path), "--note", "m=after rain, a=b"])
    assert "m: after rain, a=b" in noted.output
    settings = json.loads(survey.read("visits").set_index("visit").loc["m", "settings"])
    assert settings == {"follows": "2026-05-04", "note": "after rain, a=b"}
    long = CliRunner().invoke(main, ["visits", str(survey.path), "--note", f"m={'x' * 501}"])
    assert (long.exit_code, "up to 500 characters" in long.output) == (1, True)
    assert "after rain" not in CliRunner().invoke(main, ["visits", str(survey.path), "--note", "m="]).output
    again = CliRunner().invoke(main, ["visits", str(survey.path), "--rename", "2026-05-04=m"])
    assert (again.exit_code, "a name no visit has yet" in again.output) == (1, True)


def test_a_visit_goes_only_with_yes_into_a_file_that_puts_it_back_and_treatments_stay(tmp_path: Path) -> None:
    survey = open_survey(tmp_path / "course.gpkg")
    with survey.change() as c:
        c.put("visits", fill_rows("visits", visit=["a", "b c"], date=["2026-05-04", "2026-05-20"]))
        c.put("counts", fill_rows("counts", visit=["a", "b c"], count=[3, 4]))
        done = {"visit": ["b c"], "date": ["2026-05-25"], "zone_ids": ["1"], "record": ["{}"]}
        c.put("treatments", pd.DataFrame(done))
    layers = ("visits", "counts", "treatments")
    before = {name: survey.read(name) for name in layers}
    remove = ["visits", str(survey.path), "--remove", "b c"]
    asked = CliRunner().invoke(main, remove)
    assert asked.exit_code == 1
    assert "1 counts" in asked.output
    assert "--yes" in asked.output
    assert survey.order_visits() == ["a", "b c"]
    told = CliRunner().invoke(main, [*remove, "--yes"])
    assert told.exit_code == 0, told.output
    assert survey.order_visits() == ["a"]
    assert survey.read("counts")["visit"].tolist() == ["a"]
    assert survey.read("treatments")["visit"].tolist() == ["b c"]
    kept = tmp_path / "course visit b_c.gpkg"
    assert str(kept) in told.output.replace("\n  ", "")
    back = CliRunner().invoke(main, ["visits", str(survey.path), "--put-back", str(kept)])
    assert back.exit_code == 0, back.output
    for name, rows in before.items():
        pd.testing.assert_frame_equal(survey.read(name), rows)
    twice = CliRunner().invoke(main, ["visits", str(survey.path), "--put-back", str(kept)])
    assert (twice.exit_code, "visits the survey has: b c" in twice.output) == (1, True)


def test_a_date_far_from_the_other_visits_is_asked_about(tmp_path: Path) -> None:
    survey = open_survey(tmp_path / "course.gpkg")
    with survey.change() as c:
        c.put("visits", fill_rows("visits", visit=["2026-05-04"], date=["2026-05-04"]))
    for day in ("2062-05-18", "2016-05-18"):
        with pytest.raises(DesignError, match="mend the year"):
            check_day(survey, day, day)
        check_day(survey, day, day, sure=True)
    check_day(survey, "2027-05-18", "2027-05-18")
    check_day(survey, "2026-05-04", "2062-05-04")  # drawn again: there is no other visit


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
@pytest.mark.parametrize("layout", range(2, LAYOUT))
def test_results_that_still_mean_the_same_are_read_from_layouts_before(tmp_path: Path, layout: int) -> None:
    path = tmp_path / "course.gpkg"
    path.write_bytes(lzma.decompress((DATA / f"demo_layout_{layout}.gpkg.xz").read_bytes()))
    said = run("map", str(path), "--out", str(tmp_path / "map.html"))
    assert "older version" not in said
    assert len(open_survey(path).read("zones")) == count_rows(path, "zones") > 0
    assert "2 points after 2026-05-18" in run("followup", str(path), "--visit", "2026-06-08", "--points", "2")


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


@pytest.mark.parametrize("name", LAYERS)
def test_rules_name_columns_of_their_layer(name: str) -> None:
    rules = LAYERS[name]
    lists = (rules.key, rules.need, rules.above_0, rules.from_0, rules.share, rules.dates, rules.objects, rules.later)
    named = {column for text in (*lists, rules.measured) for column in text.split()} | {*rules.within, *rules.words}
    assert named - set(rules.columns) == set()
    numbers = [*rules.above_0.split(), *rules.from_0.split(), *rules.share.split(), *rules.within]
    assert len(numbers) == len(set(numbers)), "one rule a number"
    assert {rules.columns[column] for column in numbers} <= {"real", "int"}
    assert {rules.columns[column] for column in f"{rules.dates} {rules.objects}".split()} <= {"text"}


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"CREATE TABLE", b"CREATE T\xffBLE"),
        (b"gpkg_contents", b"gpkg_cont\xffnts"),
        (b"01-fairway-1", b"01-f\xffirway-1"),
    ],
)
@pytest.mark.parametrize("stage", [["sheets", "--out", "out"], ["map", "--out", "a.html"]])
def test_a_survey_with_a_page_that_is_no_text_is_named(
    counts_survey: Survey, tmp_path: Path, old: bytes, new: bytes, stage: list[str]
) -> None:
    path = tmp_path / "damaged.gpkg"
    path.write_bytes(counts_survey.path.read_bytes().replace(old, new))
    command, option, out = stage
    run = CliRunner().invoke(main, [command, str(path), option, str(tmp_path / out)])
    assert run.exit_code == 1
    assert "did not foresee" not in run.output
    assert f"geosample: {path}: found " in run.output


def test_a_layer_is_read_once_as_long_as_nobody_writes(tmp_path, monkeypatch):
    """Another program's write, in this file or in a new one under its name, is seen at once."""
    path = tmp_path / "course.gpkg"
    survey = open_survey(path)
    with survey.change() as change:
        change.put("visits", fill_rows("visits", visit=["May"]))
        change.put("findings", fill_rows("findings", visit=["May"]))
    asked = []
    read = reading.pyogrio.read_dataframe
    monkeypatch.setattr(reading.pyogrio, "read_dataframe", lambda *a, **k: asked.append(k["sql"]) or read(*a, **k))

    first = survey.read("visits")
    first.loc[0, "visit"] = "changed in memory"
    assert list(survey.read("visits")["visit"]) == ["May"]
    assert len(asked) == 1

    survey.read("findings")
    with survey.change() as change:
        change.put("findings", fill_rows("findings", visit=["June"]))
    del asked[:]
    assert list(survey.read("visits")["visit"]) == ["May"]
    assert not asked
    assert list(survey.read("findings")["visit"]) == ["June"]

    with closing(sqlite3.connect(path)) as other, other:
        other.execute("UPDATE visits SET visit = 'Mai'")
    assert list(survey.read("visits")["visit"]) == ["Mai"]
    shutil.copy(path, tmp_path / "new.gpkg")
    with closing(sqlite3.connect(tmp_path / "new.gpkg")) as other, other:
        other.execute("UPDATE visits SET visit = 'maj'")
    (tmp_path / "new.gpkg").replace(path)
    assert list(survey.read("visits")["visit"]) == ["maj"]

    for name in ("Mei", "Mayo"):
        with closing(sqlite3.connect(path)) as other, other:
            other.execute("PRAGMA journal_mode = WAL")
            other.execute("UPDATE visits SET visit = ?", (name,))
        assert list(survey.read("visits")["visit"]) == [name]


def test_what_is_kept_is_not_what_another_wrote_between_our_reading_and_our_writing(tmp_path):
    path = tmp_path / "course.gpkg"
    survey = open_survey(path)
    with survey.change() as change:
        change.put("visits", fill_rows("visits", visit=["May"]))
    before = reading.find_state(path)
    survey.read("visits")
    with closing(sqlite3.connect(path)) as other, other:
        other.execute("UPDATE visits SET visit = 'Mai'")
    with closing(sqlite3.connect(path)) as other, other:  # as if it were ours
        other.execute("UPDATE gpkg_contents SET description = 'of ours'")
    reading.carry_kept(path, before, {"findings"})
    assert list(survey.read("visits")["visit"]) == ["Mai"]
