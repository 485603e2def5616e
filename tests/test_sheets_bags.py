"""Bag labels, bench and field sheets: every bag is there, and the second count is blind."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pymupdf
import pytest
import segno
from sheets_case import read_pages

from geosample.design import Design
from geosample.drawing import close_book, open_book
from geosample.errors import GeosampleError
from geosample.ground import Ground
from geosample.pests import load_pest
from geosample.report.sheets import STEPS
from geosample.sheets import StopTable, blank_rows, write_sheets
from geosample.sheets.bench import choose_recounts, draw_qr, qr_text
from geosample.words import BENCH, FIELD, METHOD_LETTERS, METHODS, make_sample_id


@pytest.fixture(scope="module")
def folder(sheets_design: Design, small_ground: Ground, tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("bags")
    write_sheets(sheets_design, small_ground, made)
    return made


def test_every_bag_has_a_label(folder: Path, sheets_design: Design) -> None:
    words = [word for page in read_pages(folder / "bag_labels.pdf") for word, _ in page.words]
    bags = list(blank_rows(sheets_design, load_pest())["sample_id"])
    assert sorted(word for word in words if word in set(bags)) == sorted(bags)


def test_what_stands_on_a_label_stays_between_its_cut_lines(folder: Path) -> None:
    with pymupdf.open(folder / "bag_labels.pdf") as file:
        for page in file:
            labels = [one["rect"] for one in page.get_drawings() if one["rect"].width > page.rect.width / 5]
            cuts = {round(edge, 1) for label in labels for edge in (label.x0, label.x1)}
            assert len(cuts) > 2
            for west, _, east, *_ in page.get_text("words"):
                assert not [cut for cut in cuts if west < cut < east]


def test_the_code_on_a_label_is_the_one_its_text_makes() -> None:
    text, size_mm = qr_text("07F-03-B", "K7Q2"), 30.0
    book = open_book()
    draw_qr(book, text, 20.0, 50.0, size_mm)
    with pymupdf.open(stream=close_book(book)) as file:
        pixels = file[0].get_pixmap(dpi=600, colorspace=pymupdf.csGRAY)
    grey = np.frombuffer(pixels.samples, dtype=np.uint8).reshape(pixels.height, pixels.width)
    # segno draws by ISO/IEC 18004; the middle of each module on paper is compared with its matrix.
    truth = np.array([[bool(cell) for cell in row] for row in segno.make(text, error="m", micro=False).matrix])
    centres = 20.0 + (np.arange(len(truth)) + 4.5) * size_mm / (len(truth) + 8)
    down = 279.4 - 50.0 - size_mm + centres - 20.0
    drawn = grey[np.ix_((down / 25.4 * 600).astype(int), (centres / 25.4 * 600).astype(int))] < 128
    np.testing.assert_array_equal(drawn, truth)


def test_the_overview_carries_the_cautions(folder: Path) -> None:
    text = " ".join(read_pages(folder / "field_map.pdf")[0].text.split())
    assert all(caution.text in text for caution in FIELD)


@pytest.mark.slow
def test_the_bench_sheet_has_a_box_a_stage_the_steps_and_the_dangers(
    sheets_design: Design, small_ground: Ground, tmp_path: Path
) -> None:
    for method, danger in (("brine", BENCH[1]), ("heat", BENCH[0])):
        made = write_sheets(sheets_design, small_ground, tmp_path / method, method=method)
        pages = read_pages(made.paths[0])
        bench = next(page for page in pages if page.text.startswith(f"Bench sheet: {method}"))
        text = " ".join(bench.text.split())
        assert danger.text in text
        assert all(step.text in text for step in STEPS[method])
        assert all(stage.key in [word for word, _ in bench.words] for stage in load_pest().stages)


def test_every_tenth_bag_is_counted_again_and_the_first_sheet_does_not_say_which(
    folder: Path, sheets_design: Design
) -> None:
    rows = blank_rows(sheets_design, load_pest())
    main = list(rows.loc[rows["role"] == "main", "sample_id"])
    chosen = choose_recounts(main, seed=sheets_design.visit.seed)
    assert len(chosen) == pytest.approx(len(main) / 10, abs=1)
    pages = read_pages(folder / "field_map.pdf")
    again = [word for page in pages if "blind" in page.text for word, _ in page.words if word.endswith("-B-R")]
    assert again == [f"{bag}-R" for bag in chosen]
    typed = (folder / "blank_recounts.csv").read_text(encoding="utf-8-sig").splitlines()
    assert [line.split(",")[3] for line in typed[1:]] == again
    first = " ".join(page.text for page in pages if page.text.startswith("Bench sheet: brine"))
    assert "-R" not in first


@pytest.mark.slow
def test_a_stop_table_says_when_to_go_on_and_when_to_stop(
    sheets_design: Design, small_ground: Ground, tmp_path: Path
) -> None:
    # Wald 1947 for means 0.5 and 1.5, k 0.8, both errors 0.1: after n, stop at or below, at or above.
    rows = ((1, None, 6), (5, 0, 9), (10, 4, 13), (30, 21, 31))
    table = StopTable("green border", rows, low_per_m2=100.0, high_per_m2=300.0, k=0.8)
    made = write_sheets(sheets_design, small_ground, tmp_path, stop_lines=(table,))
    page = next(page for page in read_pages(made.paths[0]) if page.text.startswith("Stop lines: green border"))
    assert "1 go on 6 5 0 9 10 4 13 30 21 31" in " ".join(word for word, _ in page.words)


def test_every_method_has_its_own_letter_and_steps_with_a_grade() -> None:
    assert set(METHODS) == set(METHOD_LETTERS) == set(STEPS)
    assert len(set(METHOD_LETTERS.values())) == len(METHODS)
    assert all(step.grade in "SADPMG" for steps in STEPS.values() for step in steps)


def test_an_unknown_method_is_refused_with_those_there_are() -> None:
    with pytest.raises(GeosampleError, match=r"'boil'.*brine, heat"):
        make_sample_id("07F-03", "boil")
