"""Files are written whole or not at all; hostile names go out through every output and come back as they were."""

from __future__ import annotations

import base64
import csv
import errno
import hashlib
import json
import os
import re
import shutil
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree as ET

import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner
from ground_case import lonlat, one_hole, write
from hypothesis import example, given
from hypothesis import strategies as st
from pyxform.xls2xform import convert

from geosample.cli import main
from geosample.errors import GeosampleError, GroundError
from geosample.files.saving import (
    escape_cell,
    escape_html,
    escape_xml,
    make_folder,
    read_cell,
    read_html,
    save_file,
    write_csv,
)
from geosample.ground import read_ground
from geosample.survey import open_survey
from geosample.words import UNSTAGED


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
    for write_one in (make_folder, lambda place, error: save_file(place, b"", error)):
        with pytest.raises(GroundError, match=r"Not a directory|File exists"):
            write_one(tmp_path / "file" / "below", GroundError)


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


HOLE = "=CMD('calc')<b>&\"]]>{{7*7}}${x}</script>"
NAME = "<script>window.hurt = 1</script>\x07@[[1]]"
VISIT = "=1+1 <b>&'\"${x}"
WRITTEN = {"collector": "@Ann", "counted_by": "'-B. <i>", "note": '+46 70 =HYPERLINK("x") <i>\'& ]]>'}
SIGNS = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")


@given(st.one_of(st.text(), st.text("'=+-@\t\r\n 1.,eE＝")))
@example("''=1")
@example("' =1")
@example("\n=1")
@example(" \t")
def test_a_cell_reads_back_as_it_was_and_starts_no_formula(text: str) -> None:
    cell = escape_cell(text)
    assert read_cell(cell) == text
    assert not cell.lstrip(" ").startswith(SIGNS) or re.fullmatch(r"[+-]?[\d.,]+(?:[eE][+-]?\d+)?", cell)


@pytest.mark.parametrize("number", ["-1.5", "+3", "-1,5", "-1e-05", "-.5", "7", "'-1.5"])
def test_numbers_stay_numbers(number: str) -> None:
    assert escape_cell(number) == number


def test_a_table_keeps_its_numbers_and_its_blanks() -> None:
    frame = pd.DataFrame({"x": [-1.5, float("nan")], "n": [-1, 2], "text": ["-1.5", "=1"], "none": [None, "-a"]})
    assert write_csv(frame).decode() == "x,n,text,none\n-1.5,-1,-1.5,\n,2,'=1,'-a\n"


@given(st.text())
def test_any_text_stands_in_xml_and_in_html(text: str) -> None:
    element = ET.Element("name")
    element.text = escape_xml(text)
    back = ET.fromstring(ET.tostring(element, encoding="unicode")).text or ""
    assert back.replace("\r", "\n") == escape_xml(text).replace("\r\n", "\n").replace("\r", "\n")
    assert read_html(escape_html(text)) == text


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The whole job on a hole, a surface and a visit of hostile names."""
    out = tmp_path_factory.mktemp("hostile")
    named = [(shape, {**fields, "hole": HOLE, "name": NAME}) for shape, fields in one_hole()]
    survey, ground = out / "c.gpkg", write(out / "hole.geojson", *named)
    asked = ("--points", 20, "--seed", 1, "--surfaces", "green,fairway")
    run("ground", survey, ground, "--hole-from", "hole")
    run("design", survey, "--visit", VISIT, "--date", "2026-05-04", *asked)
    run("sheets", survey, "--out", out)
    shutil.copy(survey, out / "not_counted.gpkg")
    rows = read_csv(out / "blank_counts.csv")
    for number, row in enumerate(rows):
        if row["role"] == "main":
            row.update({"L3": str(number * 7 % 11), **{name: escape_cell(text) for name, text in WRITTEN.items()}})
    with (out / "back.csv").open("w", newline="", encoding="utf-8") as file:
        filled = csv.DictWriter(file, rows[0])
        filled.writeheader()
        filled.writerows(rows)
    run("counts", survey, out / "back.csv")
    run("estimate", survey, "--by", "hole,kind,stratum", "--csv", out / "estimates.csv")
    run("density", survey, "--out", out)
    run("treat", survey, "--threshold", "30/ft2", "--out", out)
    run("map", survey, "--out", out / "map.html")
    return out


def run(*args: object) -> str:
    result = CliRunner().invoke(main, [str(arg) for arg in args])
    assert result.exit_code == 0, result.output
    return result.output


def read_csv(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8-sig") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize(
    ("name", "column", "text"),
    [("zones.csv", "hole", HOLE), ("estimates.csv", "label", HOLE), ("blank_counts.csv", "visit", VISIT)],
)
def test_no_cell_of_a_table_is_a_formula_and_each_reads_back(hostile: Path, name: str, column: str, text: str) -> None:
    rows = read_csv(hostile / name)
    cells = [cell for row in rows for cell in row.values()]
    assert [cell for cell in cells if cell.startswith(SIGNS) and not re.fullmatch(r"-?[\d.e-]+", cell)] == []
    assert text in {read_cell(row[column]) for row in rows}
    if name == "zones.csv":
        assert {float(row["lon"]) < 0 for row in rows} == {True}


@pytest.mark.parametrize("name", ["blank_counts.xlsx", "form_pull.xlsx", "form_bench.xlsx"])
def test_no_cell_of_a_workbook_is_a_formula(hostile: Path, name: str) -> None:
    book = openpyxl.load_workbook(hostile / name)
    cells = [cell for sheet in book.worksheets for row in sheet.iter_rows() for cell in row]
    assert [cell.value for cell in cells if cell.data_type == "f"] == []
    assert [cell.value for cell in cells if isinstance(cell.value, str) and cell.value.startswith(SIGNS)] == []
    if name == "blank_counts.xlsx":
        assert read_cell(book["batch 1"]["B2"].value) == VISIT


def test_the_form_converts_and_says_the_visit_s_name(hostile: Path) -> None:
    form = convert(hostile / "form_pull.xlsx")
    root = ET.fromstring(form.xform)
    said = [element.get("calculate", "") for element in root.iter()]
    assert "concat('=1+1 <b>&', \"'\", '\"')" in " ".join(said)
    assert "{x}" in " ".join(said)
    assert form.warnings == []


@pytest.mark.parametrize(("name", "tag"), [("points.kml", "description"), ("zones.kml", "description")])
def test_a_kml_description_shows_names_as_text(hostile: Path, name: str, tag: str) -> None:
    root = ET.fromstring((hostile / name).read_bytes())
    texts = [element.text or "" for element in root.iter() if element.tag.endswith(f"}}{tag}")]
    assert texts
    assert [text for text in texts if re.search("<[a-z/]", text)] == []
    assert all(HOLE in read_html(text) for text in texts)


@pytest.mark.parametrize("name", ["points.gpx", "zones.gpx"])
def test_gpx_is_whole_and_keeps_the_names(hostile: Path, name: str) -> None:
    root = ET.fromstring((hostile / name).read_bytes())
    texts = [element.text or "" for element in root.iter() if element.tag.endswith("}desc")]
    assert HOLE in texts[0]


def test_geojson_keeps_the_names(hostile: Path) -> None:
    features = json.loads((hostile / "zones.geojson").read_text(encoding="utf-8"))["features"]
    assert {feature["properties"]["hole"] for feature in features} == {HOLE}


class Page(HTMLParser):
    """Counts a page's scripts and keeps its words."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.words = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        assert [name for name, _ in attrs if name.startswith("on")] == []

    def handle_data(self, data: str) -> None:
        self.words += data


def test_the_page_shows_names_as_text_and_has_no_script_but_its_own(hostile: Path) -> None:
    page = Page((hostile / "map.html").read_text(encoding="utf-8"))
    assert page.tags.count("script") == 4  # Leaflet's, the page's, and the two that lay the map out
    assert f"hole {HOLE}" in page.words
    assert VISIT in page.words
    assert "49" not in re.findall(r"\]\]>(..)", page.words)


def test_the_phone_s_page_holds_names_as_text_and_has_no_script_but_its_own(hostile: Path) -> None:
    page = (hostile / "field_page.html").read_text(encoding="utf-8")
    scripts = re.findall(r"<script[^>]*>(.*?)</script>", page, flags=re.DOTALL)
    assert len(scripts) == page.count("<script") == 2
    given = json.loads(scripts[0])
    assert given["visit"] == VISIT
    assert {point["head"] for point in given["points"]} == {f"Hole {HOLE}"}
    assert "<script" not in "".join(one["svg"] for one in given["maps"].values())
    hashed = base64.b64encode(hashlib.sha256(scripts[1].encode()).digest()).decode()
    assert f"script-src &#39;sha256-{hashed}&#39;;" in page


def test_what_was_written_by_hand_is_stored_as_it_was(hostile: Path) -> None:
    samples = open_survey(hostile / "c.gpkg").read("samples")
    assert len(samples) == 20
    for name, text in WRITTEN.items():
        assert set(samples[name]) == {text}
    assert set(samples["visit"]) == {VISIT}


@pytest.mark.parametrize("name", ["points.kml", "points.gpx", "blank_counts.xlsx"])
def test_each_sheet_comes_in_again(hostile: Path, name: str, tmp_path: Path) -> None:
    back = tmp_path / name
    if name.endswith(".xlsx"):
        book = openpyxl.load_workbook(hostile / name)
        sheet = book["batch 1"]
        heads = [cell.value for cell in sheet[1]]
        sheet.cell(2, heads.index(UNSTAGED) + 1).value = 3
        book.save(back)
    else:
        text = (hostile / name).read_text(encoding="utf-8")
        back.write_text(re.sub(r"<name>(CMD[^<]*?)</name>", r"<name>\1: L3=3</name>", text, count=1), encoding="utf-8")
    survey = tmp_path / "c.gpkg"
    shutil.copy(hostile / "not_counted.gpkg", survey)
    run("counts", survey, back, "--extraction", "brine")
    stored = open_survey(survey)
    assert list(stored.read("counts")["count"]) == [3]
    assert list(stored.read("samples")["visit"]) == [VISIT]


def test_ground_reads_names_back_from_a_table(tmp_path: Path) -> None:
    rows = [{**fields, "hole": "=7", "name": "@x", "wkt": lonlat(shape).wkt} for shape, fields in one_hole()]
    path = tmp_path / "a.csv"
    path.write_bytes(write_csv(pd.DataFrame(rows)))
    assert "'=7" in path.read_text(encoding="utf-8")
    surfaces = read_ground(path, hole_from="hole").surfaces
    assert set(surfaces["hole"]) == {"=7"}
    assert set(surfaces["name"]) == {"@x"}
