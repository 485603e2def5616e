"""A column another program declared anew in SQL: the driver reads what fits the declaration, not what is stored."""

from __future__ import annotations

import sqlite3
import warnings
from contextlib import closing
from pathlib import Path

import pytest
from survey_case import fill_rows

from geosample.errors import SurveyError
from geosample.survey import Survey, open_survey


@pytest.fixture
def survey(tmp_path: Path) -> Survey:
    survey = open_survey(tmp_path / "course.gpkg")
    with survey.change() as change:
        change.put("visits", fill_rows("visits", visit=["2026-05-04"]))
        change.put("counts", fill_rows("counts", visit=["2026-05-04"], count=3))
        change.put("findings", fill_rows("findings", visit=["2026-05-04"], value=1.2, note="as found"))
    return survey


def declare(survey: Survey, table: str, column: str, kind: str, *statements: str) -> None:
    """Declare a column as another kind without touching its values, as a database program can."""
    with closing(sqlite3.connect(survey.path, isolation_level=None)) as connection:
        text = connection.execute("SELECT sql FROM sqlite_master WHERE name = ?", (table,)).fetchone()[0]
        was = next(part for part in text.split(",") if f'"{column}"' in part)
        connection.execute("PRAGMA writable_schema = ON")
        new = text.replace(was, f' "{column}" {kind}' + (")" if was.rstrip().endswith(")") else ""))
        connection.execute("UPDATE sqlite_master SET sql = ? WHERE name = ?", (new, table))
        connection.execute("PRAGMA writable_schema = RESET")
        for statement in statements:
            connection.execute(statement)


@pytest.mark.parametrize("value", ["18.05.2026", "May", "2026-13-40", "20260518", "2026-05-18 or so", ""])
def test_a_text_under_a_column_of_dates_is_not_read_as_some_date(survey: Survey, value: str) -> None:
    declare(survey, "visits", "date", "DATE", f"UPDATE visits SET date = '{value}'")
    with pytest.raises(SurveyError, match=r"column 'date' declared as date.*expected a column of text"):
        survey.read("visits")


def test_counts_under_a_column_of_flags_are_not_read_as_ones(survey: Survey) -> None:
    declare(survey, "counts", "count", "BOOLEAN")
    with pytest.raises(SurveyError, match=r"column 'count' declared as boolean.*expected a column of numbers"):
        survey.read("counts")


def test_text_that_is_no_utf_8_is_said(survey: Survey) -> None:
    with closing(sqlite3.connect(survey.path)) as connection, connection:
        connection.execute("UPDATE findings SET note = cast(x'c3285b' AS TEXT)")
    with pytest.raises(SurveyError, match="layer 'findings' with text that is no UTF-8"):
        survey.read("findings")


def test_a_column_of_the_user_s_own_is_kept_whatever_its_name_and_kind(survey: Survey) -> None:
    with closing(sqlite3.connect(survey.path)) as connection, connection:
        connection.execute("ALTER TABLE findings ADD COLUMN geometry TEXT")
        connection.execute("ALTER TABLE findings ADD COLUMN own")
        connection.execute("UPDATE findings SET geometry = 'by the pond', own = 'x'")
    with warnings.catch_warnings(), survey.change() as change:
        warnings.simplefilter("error")
        change.put("findings", fill_rows("findings", visit=["2026-05-18"], value=2.0), where={"visit": "2026-05-18"})
    assert survey.read("findings")[["visit", "geometry"]].to_numpy().tolist()[0] == ["2026-05-04", "by the pond"]
    assert len(survey.read("findings")) == 2
