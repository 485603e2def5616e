"""The season: degree-days from the user's file, change between visits, the ledger, and what the command says."""

from __future__ import annotations

import base64
import datetime
import hashlib
import io
import json
import math
import shutil
from dataclasses import replace

import numpy as np
import pandas as pd
import pymupdf
import pytest
from click.testing import CliRunner
from PIL import Image
from scipy.integrate import quad
from treat_case import make_map
from visit_case import count_visit, design_visit

from geosample import demo
from geosample.cli import main
from geosample.counts import add_counts, load_counts
from geosample.density import earlier_counts, load_density, map_density, save_density
from geosample.design import load_design, save_design
from geosample.errors import SeasonError
from geosample.estimate import estimate_means, save_estimates
from geosample.estimate.intervals import Interval
from geosample.ground import save_ground
from geosample.palettes import OKABE_ITO, rgb
from geosample.pests import Event
from geosample.rehearsal.worlds import SimulationModel
from geosample.season import read_ledger, read_temperatures, tell_season, write_ledger
from geosample.season.change import divide, map_change
from geosample.season.degree_days import average_day, foresee, sine_day, sum_year
from geosample.season.model import count_groups, used_again
from geosample.season.season_pdf import map_layers, picture_change
from geosample.survey import open_survey

HEAD = "STATION,DATE,TMIN (Degrees Fahrenheit),TMAX (Degrees Fahrenheit)\n"


def write_days(path, rows, head=HEAD):
    path.write_text(head + "".join(f"X,{day},{low},{high}\n" for day, low, high in rows), encoding="utf-8")
    return path


def steady(path, years, low=50.0, high=70.0):
    """Write whole years of one low and high: 10 degree-days a day above 50 °F."""
    rows = [(day.date(), low, high) for year in years for day in pd.date_range(f"{year}-01-01", f"{year}-12-31")]
    return write_days(path, rows)


# Degree-days


def test_six_days_of_a_published_example():
    # Lyons, degday (an R package of degree-day formulas), README: thresholds 55 and 93.9 °F, single sine by Zalom et
    # al. 1983; printed to two places
    low, high = np.array([38, 36, 33, 37, 38, 36]), np.array([55, 67, 59, 59, 63, 58])
    assert sine_day(low, high, 55.0, 93.9).round(2).tolist() == [0.0, 3.31, 0.68, 0.74, 1.99, 0.48]


@pytest.mark.parametrize(
    ("low", "high"), [(30.0, 45.0), (40.0, 70.0), (60.0, 80.0), (60.0, 95.0), (40.0, 100.0), (90.0, 99.0), (70.0, 70.0)]
)
def test_the_sine_is_its_own_integral(low, high):
    # no published example was found for days that cross the upper threshold: integrated numerically
    lower, upper = 50.0, 86.0
    mean, half = (low + high) / 2, (high - low) / 2

    def held(turn):
        return min(max(mean + half * math.sin(turn), lower), upper) - lower

    crossings = [math.asin((edge - mean) / half) for edge in (lower, upper) if half and abs(edge - mean) < half]
    cuts = [point for turn in crossings for point in (turn % (2 * math.pi), (math.pi - turn) % (2 * math.pi))]
    area = quad(held, 0, 2 * math.pi, points=cuts or None, limit=200)[0] / (2 * math.pi)
    assert sine_day(np.array([low]), np.array([high]), lower, upper)[0] == pytest.approx(area, abs=1e-6)


def test_the_average_is_held_between_the_thresholds():
    assert average_day(np.array([40.0, 80.0]), np.array([50.0, 100.0]), 50.0, 86.0).tolist() == [0.0, 36.0]


def test_celsius_is_read_from_the_headings_and_gaps_and_doubled_days_are_told(tmp_path):
    days = [("2026-05-01", 10, 20), ("2026-05-02", 10, 20), ("2026-05-02", 10, 20), ("2026-05-04", 10, 20)]
    days += [("2026-05-10", 10, 20)]
    found = read_temperatures(write_days(tmp_path / "t.csv", days, "s,Date/Time,Min Temp (°C),Max Temp (°C)\n"))
    assert found.low_f[:4].tolist() == [50.0] * 4
    assert (found.bridged, found.gaps) == (1, (("2026-05-05", "2026-05-09"),))
    assert [note.what for note in found.notes] == ["days_twice"]
    total = sum_year(found, 2026, lower_f=50.0)
    assert total.late
    assert total.on(datetime.date(2026, 5, 4)) == pytest.approx(36.0)
    assert total.on(datetime.date(2026, 5, 10)) is None


@pytest.mark.parametrize(
    ("head", "rows", "part"),
    [
        (HEAD, [("2026-05-01", 60, 50)], "a low above its high"),
        (HEAD, [("2026-05-01", 50, 60), ("2026-05-01", 51, 60)], "a second time"),
        (HEAD, [("2026-05-01", 50, "warm")], "warm"),
        (HEAD, [("2026-05-01", 500, 600)], "not tenths"),
        (HEAD, [("01/02/2026", 50, 60)], "can't be told apart"),
        ("s,DATE,TMIN,TMAX\n", [("2026-05-01", 50, 60)], "no scale"),
        ("s,DATE,TMIN (F),TMEAN\n", [("2026-05-01", 50, 60)], "one column each"),
        ("a,b,c,d\n", [("2026-05-01", 50, 60)], "columns of dates, lows and highs"),
    ],
)
def test_what_must_be_settled_is_asked(tmp_path, head, rows, part):
    with pytest.raises(SeasonError, match=part):
        read_temperatures(write_days(tmp_path / "t.csv", rows, head))


def test_days_that_follow_one_another_tell_month_from_day(tmp_path):
    found = read_temperatures(write_days(tmp_path / "t.csv", [(f"5/{day}/2026", 50, 60) for day in (1, 2, 3)]))
    assert found.first == datetime.date(2026, 5, 1)


def test_the_next_look_is_a_range_by_other_years(tmp_path):
    warm, cool = steady(tmp_path / "a.csv", [2024], 50, 70), steady(tmp_path / "b.csv", [2025], 45, 65)
    rows = warm.read_text() + cool.read_text().removeprefix(HEAD)
    rows += "".join(f"X,2026-01-{day:02d},50,70\n" for day in range(1, 11))
    (tmp_path / "all.csv").write_text(rows, encoding="utf-8")
    event = Event("x", 150.0, 150.0, 50.0, "", "S", "invented")
    [look] = foresee(read_temperatures(tmp_path / "all.csv"), 2026, [event])
    # 100 by 10 January; 50 more at 10 a day as in 2024, at 5 a day as in 2025
    assert (look.reached, look.earliest, look.latest, look.years) == (None, "2026-01-15", "2026-01-20", (2024, 2025))


# Change


def test_a_ratio_holds_both_errors_and_none_is_made_of_nothing():
    one = Interval(10.0, 5.0, 20.0)
    wide, paired = divide(one, one), divide(one, one, 0.5)
    assert wide.low == pytest.approx(math.exp(-math.log(2) * math.sqrt(2)))
    assert wide.low < paired.low < 1 < paired.high < wide.high
    none = Interval(0.0, 0.0, 3.0)
    assert math.isnan(divide(none, none).value)
    assert (divide(none, one).value, divide(none, one).high) == (0.0, 3.0 / 5.0)
    assert (divide(one, none).low, divide(one, none).high) == (5.0 / 3.0, math.inf)


def test_the_map_of_change_is_sure_only_where_both_visits_know(small_ground):
    flat, more = (make_map(small_ground, lambda cells: np.full(len(cells), 50.0)) for _ in range(2))
    more = replace(more, cells=more.cells.assign(log_mean=more.cells["log_mean"] + math.log(4)))
    cells = flat.cells.assign(known=flat.cells["northing"] > -100)
    found = map_change(replace(flat, cells=cells), more)
    assert set(found["verdict"]) == {"grew", "one_visit"}
    assert set(map_change(more, flat).loc[lambda t: t["known"] == "both", "verdict"]) == {"fell"}
    assert found["area_m2"].sum() == pytest.approx(flat.cells["area_m2"].sum())
    assert set(found["likely"]) == {"grew"}
    with Image.open(io.BytesIO(picture_change(map_layers(found, small_ground), "us"))) as picture:
        orange = (np.asarray(picture.convert("RGB")) == rgb(OKABE_ITO["orange"])).all(axis=2)
    assert orange.any()


# What was used


def test_the_ledger_counts_days_and_tells_a_group_that_met_two_generations(tmp_path):
    records = [
        ("2025-05-01", "28", "1"),
        ("2026-05-01", "28, 3A", "1"),
        ("2026-07-01", "28", "2"),
        ("2026-08-01", "", ""),
    ]
    rows = [
        {"visit": "v", "date": day, "zone_ids": "Z1", "record": json.dumps({"irac_group": group, "generation": met})}
        for day, group, met in records
    ]
    entries = read_ledger(pd.DataFrame(rows))
    assert count_groups(entries, 2026) == {"28": 2, "3A": 1}
    [again] = used_again(entries, 2026)
    assert (again.group, again.days, again.generations) == ("28", ("2026-05-01", "2026-07-01"), ("1", "2"))
    table = pd.read_csv(write_ledger(tmp_path / "l.csv", entries, "ny"), dtype=str)
    assert {"irac_group", "epa_registration", "address_zip"} <= set(table.columns)
    assert len(table) == 4


# The command


@pytest.fixture(scope="module")
def two_visits(tmp_path_factory, small_ground):
    """A survey of two visits of the small ground; the second holds four times as many insects."""
    survey = open_survey(tmp_path_factory.mktemp("season") / "course.gpkg")
    save_ground(survey, small_ground)
    for visit, mean in (("2026-05-04", 100.0), ("2026-05-25", 400.0)):
        design = design_visit(small_ground, points=60, visit=visit)
        counts = count_visit(design, small_ground, model=SimulationModel(mean_per_m2=mean, field_sd=0.3))
        save_design(survey, design)
        add_counts(survey, counts, design)
        save_estimates(survey, estimate_means(counts, design, by=("kind", "hole")))
    return survey


def test_growth_by_four_is_told_in_five_lines(two_visits, tmp_path):
    heat = steady(tmp_path / "t.csv", [2026], 52.0, 68.0)
    words = ["season", str(two_visits.path), "--out", str(tmp_path / "out"), "--temperatures", str(heat), "--more"]
    run = CliRunner().invoke(main, words)
    assert run.exit_code == 0, run.output
    said = " ".join(run.stdout.split())
    for part in (
        "Where it grew: since 2026-05-04: whole ground",
        "What worked: no treatment with counts",
        "Used in 2026: nothing recorded.",
        "larvae worth treating (about 350 degree-days above 50 °F): reached on 2026-02-04",
        "Not known:",
    ):
        assert part in said
    season = tell_season(two_visits)
    assert season.steps[0].whole.verdict == "grew"
    assert season.steps[0].whole.ratio.low < 4 < season.steps[0].whole.ratio.high
    page = (tmp_path / "out" / "season.html").read_text(encoding="utf-8")
    style = page.partition("<style>")[2].partition("</style>")[0]
    assert base64.b64encode(hashlib.sha256(style.encode()).digest()).decode() in page.partition("<style>")[0]
    assert page.count('<li class="visit">') == 2
    assert "it takes a density map of both" in page
    assert "<script" not in page
    with (
        pymupdf.open(tmp_path / "out" / "season.pdf") as sheets,
        pymupdf.open(tmp_path / "out" / "treatments.pdf") as ledger,
    ):
        assert len(sheets) == 2
        assert "Where it grew" in sheets[0].get_text()
        assert "registration" in ledger[0].get_text()
    table = pd.read_csv(tmp_path / "out" / "changes.csv")
    assert set(table["domain"]) == {"all", "kind", "hole"}


@pytest.mark.slow
def test_bags_of_the_first_visit_count_once_in_the_map_of_change(two_visits, small_ground, tmp_path):
    survey = open_survey(shutil.copyfile(two_visits.path, tmp_path / "course.gpkg"))
    alone = []
    for visit in ("2026-05-04", "2026-05-25"):
        design, counts = load_design(survey, visit), load_counts(survey, visit)
        alone.append(map_density(counts, small_ground, design=design, cell_m=4.0))
        earlier = earlier_counts(survey, design)
        save_density(survey, map_density(counts, small_ground, design=design, cell_m=4.0, earlier=earlier))
    assert load_density(survey, "2026-05-25").fitted["earlier"]["weight"] > 0.2
    [step] = tell_season(survey).steps
    plain = map_change(*alone)
    for name in ("log_ratio", "log_sd"):
        assert step.cells[name].to_numpy() == pytest.approx(plain[name].to_numpy(), abs=2e-3)
    assert (step.cells["verdict"] == plain["verdict"]).mean() > 0.99
    # by the maps as they are decided by, the second one's doubt would be too small
    joined = map_change(*(load_density(survey, one.visit) for one in alone))
    assert joined["log_sd"].mean() < 0.99 * plain["log_sd"].mean()


def test_one_visit_is_no_season(two_visits):
    with pytest.raises(SeasonError, match="two visits or more"):
        tell_season(two_visits, year=2025)


@pytest.mark.slow
def test_the_demos_season_begins_as_its_commands_are_typed(tmp_path, monkeypatch):
    """Its first two visits, without maps and plan, which the whole demo's tests make."""
    monkeypatch.setattr(demo, "ROUNDS", demo.ROUNDS[:2])

    def run(words):
        if words[0] in {"ground", "design", "visits", "counts", "estimate", "season"}:
            done = CliRunner().invoke(main, words)
            assert done.exit_code == 0, done.output

    demo.play_demo_season(tmp_path, run)
    page = (tmp_path / "season.html").read_text(encoding="utf-8")
    for part in ("simulated counts", "Note: before treatment", "°F days"):
        assert part in page
    assert tell_season(open_survey(tmp_path / "invented_season.gpkg")).simulated
