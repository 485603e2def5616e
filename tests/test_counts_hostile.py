"""Whatever stands in a cell or a file: a count as written, or a problem that is named, never a crash or a guess.

Sheets filled by simulation are mangled in documented ways and read again: every good row arrives with its counts, every
bad row is named, and none is invented.
"""

from __future__ import annotations

import tempfile
import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from counts_case import PEST, STAGE_KEYS, edit, filled_sheet, places_inside, scatter_design, told, write
from fill_blank import fill_blank
from ground_case import understate, write_swelling
from hypothesis import example, given, settings
from hypothesis import strategies as st
from mangled_case import (
    Mangling,
    as_csv,
    as_form,
    as_geojson,
    as_gpx,
    as_kml,
    as_text,
    as_workbook,
    commas,
    dms,
    in_two_files,
    latin,
    minutes,
    nowhere,
    one_far,
    positions_shown,
    relabel,
    unlabelled,
    with_formula,
    with_rival,
    with_sums,
)

from geosample.counts import read_counts
from geosample.counts.joining import LabelBook
from geosample.counts.meaning import Bad, read_whole
from geosample.demo import Fates
from geosample.design import Design
from geosample.errors import CountsError
from geosample.ground import Ground
from geosample.sheets.blanks import blank_rows, is_filled, sheet_columns

COLUMNS = [*sheet_columns(PEST), "position", "plug", "part", "recount", "kind", "total"]
CELLS = st.one_of(
    st.text(max_size=12),
    st.text("0123456789-+.,°'\"NSEW /:", max_size=14),
    st.sampled_from(["1e999", "nan", "inf", "-0", "0x1F", "²", "٣", "12" * 9, "00000000012", "1,234", "24:61"]),
    st.sampled_from(["2026-13-45", "2026-05-05T25:00", "31/31/2026", "5/4/26", "0/0/0000"]),
)


@pytest.mark.slow
@settings(max_examples=100, deadline=None)
@given(st.dictionaries(st.sampled_from(COLUMNS), CELLS, min_size=1, max_size=4))
@example({"L3": "٣"})
@example({"lat": "41", "lon": "181"})
@example({"position": "41.5 -73.9 0 x"})
def test_any_cell_is_read_or_asked_about(counts_design: Design, cells: dict[str, str]) -> None:
    sheet = filled_sheet(counts_design).reindex(columns=COLUMNS, fill_value="")
    row = sheet.index[sheet["point_id"] == "01F-03"][0]
    for name, text in cells.items():
        sheet.loc[row, name] = text
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.csv"
        sheet.to_csv(path, index=False)
        try:
            counts = read_counts(path, counts_design, set_aside=True)
        except CountsError:
            return
    others = counts.samples[counts.samples["point_id"] != "01F-03"]
    assert len(others) >= 18  # a label that turned into another point's makes that one a question, no more
    assert counts.counts["count"].ge(0).all()


@settings(max_examples=40, deadline=None)
@given(st.sampled_from([".csv", ".xlsx", ".geojson", ".gpx", ".kml"]), st.binary(max_size=200))
@example(".csv", b"\xff\xfe\x00")
@example(".gpx", b'<?xml version="1.0"?><gpx><wpt/></gpx>')
@example(".kml", b"<kml><Placemark><Point><coordinates>1</coordinates></Point></Placemark></kml>")
@example(".geojson", b'{"features": [{"geometry": {"type": "Point", "coordinates": []}}]}')
@example(".geojson", b'{"features": [null]}')
@example(".xlsx", b"PK\x05\x06" + bytes(18))
def test_any_file_is_read_or_refused(counts_design: Design, ending: str, raw: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"a{ending}"
        path.write_bytes(raw)
        with pytest.raises(CountsError, match=r"a\."):
            read_counts(path, counts_design)


@pytest.mark.parametrize("ending", [".gpx", ".kml"])
def test_a_file_that_could_swell_is_refused_before_it_is_read(
    counts_design: Design, ending: str, tmp_path: Path
) -> None:
    path = tmp_path / f"a{ending}"
    path.write_text('<?xml version="1.0"?><!DOCTYPE g [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><gpx>&b;</gpx>')
    with pytest.raises(CountsError, match="a document type declaration"):
        read_counts(path, counts_design)


@given(st.text(max_size=10))
def test_a_count_is_read_only_from_plain_digits(text: str) -> None:
    value = read_whole(text)
    if isinstance(value, int):
        assert any(letter.isdigit() or letter.isnumeric() for letter in text)
        assert value >= 0
    else:
        assert value is None or isinstance(value, Bad)
        assert value is not None or not text.strip()


@given(st.integers(1, 40), st.sampled_from("GCTAFR"), st.integers(1, 99), st.data())
def test_a_label_is_found_however_it_is_written(hole: int, kind: str, number: int, data: st.DataObject) -> None:
    label = f"{hole:02d}{kind}-{number:02d}"
    book = LabelBook([label, "41X-01", "42X-02"])
    gap = data.draw(st.sampled_from(["-", "_", " ", "", ".", "–"]))
    zeros = data.draw(st.sampled_from(["{}", "{:02d}", "{:03d}"]))
    written = f"{zeros.format(hole)}{kind}{gap}{zeros.format(number)}"
    case = data.draw(st.sampled_from([str.lower, str.upper, lambda text: text.replace("0", "O")]))
    found = book.find(case(written))
    assert found is not None
    assert found.point_id == label
    assert bool(found.forgiven) == (case(written) != label)


def test_pandas_missing_words_stay_words(counts_design: Design, tmp_path: Path) -> None:
    rows = pd.DataFrame({"point_id": ["01F-01"], "method": "brine", "L3": "2", "counted_by": "NA", "note": "None"})
    rows.to_csv(tmp_path / "a.csv", index=False)
    sample = read_counts(tmp_path / "a.csv", counts_design).samples.iloc[0]
    assert (sample["counted_by"], sample["note"]) == ("NA", "None")


def test_a_workbook_packed_in_a_way_nobody_here_can_unpack_is_told_of(counts_design: Design, tmp_path: Path) -> None:
    path = tmp_path / "odd.xlsx"
    filled_sheet(counts_design).to_excel(path, index=False)
    data = bytearray(path.read_bytes())
    at = data.find(b"PK\x01\x02")
    while at >= 0:
        data[at + 10] = 99  # APPNOTE 4.4.5: the compression method, here none that zipfile knows
        at = data.find(b"PK\x01\x02", at + 4)
    path.write_bytes(bytes(data))
    with pytest.raises(CountsError, match=r"odd\.xlsx: found a workbook that can't be opened"):
        read_counts(path, counts_design)


@pytest.mark.parametrize("told", [True, False], ids=["as it says", "more than it says"])
def test_a_workbook_that_swells_is_refused_with_the_limit_before_it_is_read(
    told: bool, counts_design: Design, tmp_path: Path
) -> None:
    path = tmp_path / "odd.xlsx"
    write_swelling(path, "xl/worksheets/sheet1.xml", b"<worksheet>")
    if not told:
        understate(path, "xl/worksheets/sheet1.xml", 999)
    tracemalloc.start()
    try:
        with pytest.raises(CountsError) as caught:
            read_counts(path, counts_design)
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    expected = "at most 128 MB unpacked" if told else "an archive that can't be read"
    assert expected in str(caught.value)
    assert most < 50e6
    assert is_filled(path)  # a blank sheet of ours is no such thing: it is not written over


def test_a_workbook_with_a_stray_cell_in_its_last_corner_is_asked_about_at_once(
    counts_design: Design, tmp_path: Path
) -> None:
    path = tmp_path / "far.xlsx"
    filled_sheet(counts_design).to_excel(path, index=False)
    book = openpyxl.load_workbook(path)
    book.active["XFD1048576"] = "x"  # the last cell of a sheet in ECMA-376: 17 thousand million before it
    book.save(path)
    with pytest.raises(CountsError, match=r"far\.xlsx row 1048576: found 16384 cells"):
        read_counts(path, counts_design)
    assert is_filled(path)


MANGLINGS = [
    Mangling("as it was", as_csv(lambda s: s)),
    Mangling("semicolons", as_csv(lambda s: s, sep=";"), told="parted by semicolons"),
    Mangling("tabs", as_csv(lambda s: s, sep="\t"), told="parted by tabs"),
    Mangling("byte order mark", as_csv(lambda s: s, encoding="utf-8-sig")),
    Mangling("Latin-1", as_text(latin), told="not UTF-8"),
    Mangling("UTF-16", as_text(lambda t: t.encode("utf-16")), told="UTF-16"),
    Mangling("a separator line", as_text(lambda t: "sep=;\n" + t, sep=";"), told="lines above the header"),
    Mangling("carriage returns", as_text(lambda t: t.replace("\n", "\r\n"))),
    Mangling("titles above the header", as_text(lambda t: "Spring count\n\n" + t), told="above the header row"),
    Mangling("empty lines between", as_text(lambda t: t.replace("\n", "\n\n"))),
    Mangling("rows shuffled", as_csv(lambda s: s.sample(frac=1, random_state=1))),
    Mangling("columns shuffled", as_csv(lambda s: s.sample(frac=1, axis=1, random_state=1))),
    Mangling("header in capitals", as_csv(lambda s: s.rename(columns=str.upper))),
    Mangling("stages in the trade's words", as_csv(lambda s: s.rename(columns={"L1": "1st instar", "L4": "Instar 4"}))),
    Mangling("a heading to be named", as_csv(lambda s: s.rename(columns={"L3": "mids"})), columns={"mids": "L3"}),
    Mangling("labels in lower case", as_csv(relabel(str.lower)), told="in another case"),
    Mangling("labels without dashes", as_csv(relabel(lambda t: t.replace("-", " "))), told="case, dashes, zeros"),
    Mangling("labels without zeros", as_csv(relabel(lambda t: t.lstrip("0").replace("-0", "-"))), told="zeros"),
    Mangling("the letter O for zero", as_csv(relabel(lambda t: t.replace("0", "O"))), told="letters for digits"),
    Mangling("only the bags' labels", as_csv(lambda s: s.drop(columns=["point_id", "method"]))),
    Mangling("a column of one's own", as_csv(lambda s: s.assign(weather="dry")), told="'weather'"),
    Mangling("a row of sums", as_csv(with_sums),
             told="rows of sums"),
    Mangling("the header twice", as_text(lambda t: t + t.split("\n")[0] + "\n"), told="the header row again"),
    Mangling("rows twice", in_two_files, told="all the same"),
    Mangling("the visit's date rewritten", as_csv(lambda s: s.assign(visit="5/4/2026")), told="the same date"),
    Mangling("a negative count", as_csv(lambda s: edit(s, "01F-02", L3="-3")), bad=("01F-02",), told="L3 '-3'"),
    Mangling("half an insect", as_csv(lambda s: edit(s, "01F-02", L3="2,5")), bad=("01F-02",), told="L3 '2,5'"),
    Mangling("a count in words", as_csv(lambda s: edit(s, "01F-02", L3="lots")), bad=("01F-02",), told="L3 'lots'"),
    Mangling("a sum", as_csv(lambda s: edit(s, "01F-02", L3="3+4")), bad=("01F-02",), told="L3 '3+4'"),
    Mangling("an absurd count", as_csv(lambda s: edit(s, "01F-02", L3="3000")), bad=("01F-02",), told="L3 3000"),
    Mangling("a lost digit in a label", as_csv(lambda s: s.replace({"01F-02": "01F-52", "01F-02-B": ""})),
             bad=("01F-02",), told="label '01F-52'"),
    Mangling("two rows that differ", as_csv(with_rival),
             bad=("01F-02",), told="bag 01F-02-B 2 times"),
    Mangling("another year", as_csv(lambda s: edit(s, "01F-02", collected_at="2025-05-04")), bad=("01F-02",),
             told="2025-05-04"),
    Mangling("a stray delimiter", as_text(lambda t: t.replace("01F-02,01", "01F-02,,,,,,,,,,,,,,,,,,,,,,,,,,,,,01")),
             bad=("01F-02",), told="cells"),
    Mangling("positions in commas", positions_shown(commas, sep=";"), told="read as"),
    Mangling("positions swapped", positions_shown(lambda n, e: (f"{e:.7f}", f"{n:.7f}")), told="swapped"),
    Mangling("the other hemisphere", positions_shown(lambda n, e: (f"{n:.7f}", f"{-e:.7f}")), told="sign turned"),
    Mangling("degrees, minutes, seconds", positions_shown(lambda n, e: (dms(n, "N", "S"), dms(e, "E", "W"))),
             told="read as"),
    Mangling("degrees and minutes", positions_shown(minutes), told="read as"),
    Mangling("no fix", positions_shown(nowhere), told="no fix"),
    Mangling("a position of another course", one_far, bad=("01F-01",), told="with a position"),
    Mangling("labels lost, positions kept", unlabelled, told="joined by position", by_position=True),
    Mangling("a workbook with a title", as_workbook, told="above the header row"),
    Mangling("a formula never worked out", with_formula, bad=("01F-02",), told="L3 '=1+2'"),
    Mangling("GeoJSON", as_geojson),
    Mangling("GPX with counts in comments", as_gpx, method="brine"),
    Mangling("KML with counts in descriptions", as_kml, method="brine"),
    Mangling("a form's export", as_form, told="the form's own columns"),
]  # fmt: skip


@pytest.fixture(scope="module")
def design(small_ground: Ground) -> Design:
    return spread(scatter_design(small_ground), small_ground)


def spread(design: Design, ground: Ground) -> Design:
    """The design with its points more than 3 m apart, so that positions 1.5 m off are nearest to their own."""
    points, taken = design.points.copy(), []
    shapes = ground.surfaces.set_index("surface_id").geometry
    tries = {name: places_inside(shape, 4000, np.random.default_rng(8)) for name, shape in shapes.items()}
    for surface in points["surface_id"]:
        place = next(p for p in tries[surface] if all(p.distance(other) > 3.2 for other in taken))
        taken.append(place)
    points = points.set_geometry(pd.Series(taken, index=points.index), crs=design.points.crs)
    lonlat = points.geometry.to_crs(4326)
    return replace(design, points=points.assign(lon=lonlat.x, lat=lonlat.y))


@pytest.fixture(scope="module")
def sheet(design: Design, small_ground: Ground, tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    folder = tmp_path_factory.mktemp("sheet")
    blank = write(blank_rows(design, PEST), folder / "blank.csv")
    fates = Fates(lost=0.0, unreachable=0.0)
    filled = fill_blank(blank, design, small_ground, folder / "a.csv", seed=3, fates=fates)
    return edit(filled, "01G-02", **dict.fromkeys(STAGE_KEYS, ""), status="lost")


@pytest.mark.parametrize("mangling", MANGLINGS, ids=lambda m: m.name)
def test_good_rows_arrive_bad_rows_are_named_and_none_is_invented(
    mangling: Mangling, sheet: pd.DataFrame, design: Design, tmp_path: Path
) -> None:
    path = mangling.do(sheet, tmp_path, design)
    if mangling.bad:
        with pytest.raises(CountsError):
            read_counts(path, design, columns=mangling.columns, method=mangling.method)
    counts = read_counts(path, design, columns=mangling.columns, method=mangling.method, set_aside=True)
    good = sheet[(sheet["L1"] != "") & ~sheet["point_id"].isin(mangling.bad)].set_index("point_id")
    counted = counts.samples[counts.samples["status"] == "counted"]
    assert sorted(counted["point_id"]) == sorted(good.index)
    wide = counts.counts.pivot_table(index="sample_id", columns="stage", values="count")
    found = wide.set_axis(counted.set_index("sample_id").loc[wide.index, "point_id"])
    assert (found.loc[good.index, STAGE_KEYS] == good[STAGE_KEYS].astype(int)).all().all()
    assert set(counts.counts["stage"]) == set(STAGE_KEYS)
    assert set(counts.samples["joined_by"]) == {"position" if mangling.by_position else "label"}
    assert mangling.told in told(counts)
    assert sum(note.what in {"set_aside", "header_again"} for note in counts.notes) >= len(mangling.bad)
    if not mangling.bad:
        plain = read_counts(path, design, columns=mangling.columns, method=mangling.method)
        assert len(plain.samples) == len(counts.samples)
