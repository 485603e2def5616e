"""Numbers as spreadsheets of many countries write them: taken rightly or asked about, never changed."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from counts_case import edit, problems_of, write

from geosample.compare.model import read_trial
from geosample.counts import Bad, read_counts, read_whole
from geosample.design import Design
from geosample.errors import EstimateError

# Unicode CLDR, number symbols group and decimal of each locale (from memory); hand-typed marks beside them.
LOCALES = {
    "en-US": (",", "."),
    "en-IN": (",", "."),
    "de-DE": (".", ","),
    "fr-FR": ("\u202f", ","),
    "fr-FR, older": ("\u00a0", ","),
    "de-CH": ("’", "."),
    "de-CH, typed": ("'", "."),
    "sv-SE": ("\u00a0", ","),
    "typed": (" ", ","),
}
TWO_WAYS = ["1,000", "1.000", "1 000", "1\u00a0000", "1\u202f000", "1'000", "1’000", "12,000", "1,234"]


def forms(count: int, group: str, decimal: str) -> list[str]:
    """Return a count plain and grouped, each with no decimals, one, two and three."""
    whole = [str(count), f"{count:,}".replace(",", group)]
    return [f"{text}{f'{decimal}{zeros}' if zeros else ''}" for text in whole for zeros in ("", "0", "00", "000")]


@pytest.mark.parametrize("locale", LOCALES)
def test_a_count_is_taken_rightly_or_asked_about(locale: str) -> None:
    group, decimal = LOCALES[locale]
    for count in range(20_001):
        plain, *others = forms(count, group, decimal)
        assert read_whole(plain) == count
        for text in others:
            read = read_whole(text)
            assert read == count or isinstance(read, Bad), text


@pytest.mark.parametrize(("group", "decimal"), LOCALES.values())
def test_below_a_thousand_and_with_both_marks_nothing_is_asked(group: str, decimal: str) -> None:
    for count in (0, 2, 17, 999):
        assert [read_whole(f"{count}{decimal}{zeros}") for zeros in ("0", "00")] == [count, count]
    assert read_whole(f"12{group}345{decimal}0") == 12_345
    assert read_whole(f"12{group}345{decimal}00") == 12_345


@pytest.mark.parametrize("text", TWO_WAYS)
def test_a_number_of_two_ways_is_asked_about_by_row_and_column(
    text: str, counts_design: Design, counts_sheet: pd.DataFrame, tmp_path: Path
) -> None:
    path = write(edit(counts_sheet, "01F-03", L3=text), tmp_path / "a.csv")
    (problem,) = problems_of(path, counts_design)
    row = counts_sheet.index[counts_sheet["point_id"] == "01F-03"][0] + 2
    assert problem.startswith(f"a.csv row {row}: found L3 '")
    assert "one way" in problem
    assert f"write {''.join(filter(str.isdecimal, text))} if it is that many" in problem


def test_a_workbook_s_own_numbers_are_numbers_and_its_texts_are_asked_about(
    counts_design: Design, counts_sheet: pd.DataFrame, tmp_path: Path
) -> None:
    sheet = edit(counts_sheet, "01F-03", L3="1000").astype(object)
    sheet.loc[sheet["point_id"] == "01F-03", "plugs"] = 900
    for value, taken in ((1000, True), (1000.0, True), ("1,000", False), (1.5, False)):
        book = openpyxl.Workbook()
        book.active.append(list(sheet.columns))
        for row in sheet.itertuples(index=False):
            book.active.append([value if cell == "1000" else cell for cell in row])
        book.save(tmp_path / "a.xlsx")
        if taken:
            counts = read_counts(tmp_path / "a.xlsx", counts_design).counts
            assert 1000 in set(counts["count"])
        else:
            assert "L3" in problems_of(tmp_path / "a.xlsx", counts_design)[0]


@pytest.mark.parametrize("said", ["L3=1,000, L4=2", "L3 1,000 L4 2", "L4: 2; L3: 1.000", "L3=1 000\nL4=2", "1'000"])
def test_a_waypoint_s_comment_is_asked_about_too(said: str, counts_design: Design, tmp_path: Path) -> None:
    place = counts_design.points.iloc[0]
    path = tmp_path / "a.gpx"
    where, name = f'lat="{place["lat"]}" lon="{place["lon"]}"', place["point_id"]
    path.write_text(f"<gpx><wpt {where}><name>{name}</name><cmt>{said}</cmt></wpt></gpx>")
    problems = problems_of(path, counts_design)
    assert [problem for problem in problems if "write 1000 if it is that many" in problem]


def test_a_trial_s_numbers_are_asked_about(tmp_path: Path) -> None:
    path = tmp_path / "trial.csv"
    path.write_text('block;method;count;cost\nA;brine;1.000;2\nA;heat;3;"1,000"\n')
    with pytest.raises(EstimateError) as caught:
        read_trial(path)
    assert [problem.where for problem in caught.value.problems] == ["trial.csv row 2, count", "trial.csv row 3, cost"]
