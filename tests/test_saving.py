"""Files are written whole or not at all: full disks, folders that can't be made, and what stands there already."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from geosample.errors import GeosampleError, GroundError
from geosample.files.saving import make_folder, save_file


def test_a_file_is_replaced_whole_and_keeps_its_rights(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "a.csv"
    save_file(path, b"old")
    path.chmod(0o640)
    assert save_file(path, b"new") == path
    assert path.read_bytes() == b"new"
    assert path.stat().st_mode & 0o777 == 0o640
    assert [one.name for one in path.parent.iterdir()] == ["a.csv"]


def test_a_new_file_has_the_usual_rights(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.write_bytes(b"")
    assert save_file(tmp_path / "ours", b"").stat().st_mode == plain.stat().st_mode


@pytest.mark.parametrize("step", ["write", "replace"])
def test_what_stood_there_stays_when_the_disk_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"old")

    def fail(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(*((os, "fdopen", fail) if step == "write" else (Path, "replace", fail)))
    with pytest.raises(GroundError, match=r"No space left on device.*free some space"):
        save_file(path, b"new", GroundError)
    assert path.read_bytes() == b"old"
    assert [one.name for one in tmp_path.iterdir()] == ["a.csv"]


@pytest.mark.parametrize("name", ["course.gpkg", "Course.GPKG", "renamed.csv"])
def test_no_result_is_written_over_a_survey(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    sqlite = b"SQLite format 3\x00"  # the first 16 bytes of every SQLite 3 file: sqlite.org/fileformat2, 1.3.1
    path.write_bytes(sqlite + bytes(84))
    with pytest.raises(GeosampleError, match="never written over a survey"):
        save_file(path, b"results")
    assert path.read_bytes() == sqlite + bytes(84)


def test_a_folder_under_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    for write in (make_folder, lambda place, error: save_file(place, b"", error)):
        with pytest.raises(GroundError, match=r"Not a directory|File exists"):
            write(tmp_path / "file" / "below", GroundError)


@pytest.mark.parametrize("dangling", [False, True])
def test_a_link_stays_a_link_and_its_file_gets_the_new_content(tmp_path: Path, dangling: bool) -> None:
    file, link = tmp_path / "shared" / "zones.csv", tmp_path / "zones.csv"
    file.parent.mkdir()
    if not dangling:
        file.write_text("old", encoding="utf-8")
    link.symlink_to(file)
    assert save_file(link, b"new") == link
    assert (link.is_symlink(), file.read_bytes()) == (True, b"new")


def test_a_link_to_a_survey_is_as_safe_as_the_survey(tmp_path: Path) -> None:
    survey = tmp_path / "course.gpkg"
    survey.write_bytes(b"SQLite format 3\x00")
    (tmp_path / "zones.csv").symlink_to(survey)
    with pytest.raises(GeosampleError, match="a survey file's name"):
        save_file(tmp_path / "zones.csv", b"new")
    assert survey.read_bytes() == b"SQLite format 3\x00"


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only the administrator gives files away")
def test_the_owner_stays(tmp_path: Path) -> None:
    file = tmp_path / "zones.csv"
    file.write_text("old", encoding="utf-8")
    os.chown(file, 12345, 23456)
    save_file(file, b"new")
    assert (file.stat().st_uid, file.stat().st_gid) == (12345, 23456)


def test_an_owner_that_can_t_be_kept_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "zones.csv"
    file.write_text("old", encoding="utf-8")
    real = Path.stat

    def another(path: Path, **how: bool) -> os.stat_result:
        state = real(path, **how)
        return os.stat_result((*state[:4], 54321, *state[5:])) if path == file else state

    def refuse(*_: object) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(Path, "stat", another)
    monkeypatch.setattr(os, "chown", refuse)
    save_file(file, b"new")
    assert f"{file}: its owner was 54321" in " ".join(capsys.readouterr().err.split())
    assert file.read_bytes() == b"new"
