"""The order of visits, which every stage that looks back or takes the newest goes by."""

from __future__ import annotations

from pathlib import Path

from survey_case import fill_rows

from geosample.survey import open_survey


def test_visits_come_from_the_oldest_to_the_newest_and_those_of_a_day_by_name(tmp_path: Path) -> None:
    survey = open_survey(tmp_path / "course.gpkg")
    with survey.change() as c:
        dates = ["2026-06-01", "2026-05-04", "2026-06-01", "2026-05-20"]
        c.put("visits", fill_rows("visits", visit=["b", "z", "a", "m"], date=dates))
    assert survey.order_visits() == ["z", "m", "a", "b"]
    assert (survey.newest_visit(), survey.newest_among({"z", "m"}), survey.newest_among([])) == ("b", "m", None)
    assert [survey.order_visits(before=name) for name in ("a", "b", "m", "gone")] == [["z", "m"], ["z", "m"], ["z"], []]
    assert survey.newest_among({"a", "b", "z"}, before="b") == "z"
