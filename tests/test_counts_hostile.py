"""Whatever stands in a cell or a file: a count as written, or a problem that is named, never a crash or a guess."""

from __future__ import annotations

import tempfile
import tracemalloc
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from counts_case import PEST, filled_sheet
from ground_case import understate, write_swelling
from hypothesis import example, given, settings
from hypothesis import strategies as st

from geosample.counts import read_counts
from geosample.counts.joining import LabelBook
from geosample.counts.meaning import Bad, read_whole
from geosample.design import Design
from geosample.errors import CountsError
from geosample.sheets.blanks import is_filled, sheet_columns

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
