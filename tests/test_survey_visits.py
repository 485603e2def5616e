"""The order of visits, which every stage that looks back or takes the newest goes by."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from survey_case import fill_rows

from geosample.cli import main
from geosample.design import check_day
from geosample.errors import DesignError
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
