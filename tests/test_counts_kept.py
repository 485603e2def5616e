"""Counts: what the survey keeps of them, weights that stand for the turf once, and the command."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from counts_case import PEST, STAGE_KEYS, edit, told, write
from survey_case import fill_rows

from geosample.cli import main
from geosample.counts import add_counts, load_counts, read_counts
from geosample.counts.model import use_weights
from geosample.design import Design
from geosample.survey import Survey


def test_a_reserve_point_takes_the_place_of_an_unreachable_main_point(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    counts_sheet = edit(counts_sheet, "01F-04", **dict.fromkeys(STAGE_KEYS, ""), status="unreachable")
    counts_sheet = edit(counts_sheet, "01F-11", **dict.fromkeys(STAGE_KEYS, "1"))
    counts = read_counts(write(counts_sheet, tmp_path / "a.csv"), counts_design)
    fairway = counts_design.points[counts_design.points["kind"] == "fairway"]
    used = counts.samples.set_index("point_id")["weight_m2"]
    assert used["01F-11"] == pytest.approx(fairway["weight_m2"].iloc[0])
    assert np.isnan(used["01F-04"])
    area = counts_design.strata.set_index("stratum").loc["fairway", "area_m2"]
    assert used[used.index.str.startswith("01F")].sum() == pytest.approx(area)
    assert "01F-04 | unreachable | 01F-11 stands in for it" in told(counts)


def test_a_point_off_the_turf_shrinks_the_area_and_is_not_made_good(
    counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    counts_sheet = edit(counts_sheet, "01F-04", **dict.fromkeys(STAGE_KEYS, ""), status="off_turf")
    counts_sheet = edit(counts_sheet, "01F-11", **dict.fromkeys(STAGE_KEYS, "1"))
    samples = read_counts(write(counts_sheet, tmp_path / "a.csv"), counts_design).samples
    ours = samples[samples["point_id"].str.startswith("01F")]
    area = counts_design.strata.set_index("stratum").loc["fairway", "area_m2"]
    # Ten main points planned, eleven answered (one of them off the turf): each stands for a tenth of ten elevenths.
    assert ours["weight_m2"].tolist() == pytest.approx([area / 11] * 11)
    turf = ours.loc[ours["status"] == "counted", "weight_m2"].sum()
    assert turf == pytest.approx(area * 10 / 11)


def test_weights_never_stand_for_more_than_the_stratum_and_methods_do_not_count_twice(counts_design: Design) -> None:
    ids = [name for name in counts_design.points["point_id"] if name.startswith("01G")]
    both = pd.DataFrame({"point_id": [*ids, *ids], "status": "counted"})
    weights = use_weights(both, counts_design.points)["weight_m2"]
    area = counts_design.strata.set_index("stratum").loc["green", "area_m2"]
    assert weights.iloc[: len(ids)].sum() == pytest.approx(area)


def test_loading_twice_adds_nothing_and_a_corrected_file_replaces_row_by_row(
    counts_sheet: pd.DataFrame, counts_design: Design, counts_survey: Survey, tmp_path: Path
) -> None:
    path = write(counts_sheet, tmp_path / "a.csv")
    first = add_counts(counts_survey, read_counts(path, counts_design), counts_design)
    assert len(first.new) == 20
    before = counts_survey.path.read_bytes()
    again = add_counts(counts_survey, read_counts(path, counts_design), counts_design)
    assert (len(again.new), len(again.changed), len(again.same)) == (0, 0, 20)
    assert counts_survey.path.read_bytes() == before
    old = int(counts_sheet.loc[counts_sheet["point_id"] == "01F-05", "L3"].iloc[0])
    fixed = edit(counts_sheet, "01F-05", L3=str(old + 2), counted_by="bench C")
    one = fixed[fixed["point_id"] == "01F-05"]
    changed = add_counts(counts_survey, read_counts(write(one, tmp_path / "b.csv"), counts_design), counts_design)
    assert changed.changed == ("01F-05-B",)
    shown = [(note.where, dict(note.facts)) for note in changed.differences]
    assert ("01F-05-B", {"field": f"{PEST.name}, L3", "was": old, "now": old + 2}) in shown
    assert ("01F-05-B", {"field": "counted_by", "was": None, "now": "bench C"}) in shown
    assert len(shown) == 2
    back = load_counts(counts_survey)
    assert len(back.samples) == 20
    assert back.counts.set_index(["sample_id", "stage"])["count"]["01F-05-B", "L3"] == old + 2


def test_a_later_sheet_completes_the_visit_and_its_weights(
    counts_sheet: pd.DataFrame, counts_design: Design, counts_survey: Survey, tmp_path: Path
) -> None:
    is_first = counts_sheet["point_id"].isin(["01F-01", "01F-02", "01F-11"])
    spare = edit(counts_sheet, "01F-11", **dict.fromkeys(STAGE_KEYS, "2"))
    add_counts(counts_survey, read_counts(write(spare[is_first], tmp_path / "a.csv"), counts_design), counts_design)
    add_counts(counts_survey, read_counts(write(spare[~is_first], tmp_path / "b.csv"), counts_design), counts_design)
    at_once = read_counts(write(spare, tmp_path / "c.csv"), counts_design)
    back = load_counts(counts_survey)
    assert back.samples["sample_id"].tolist() == at_once.samples["sample_id"].tolist()
    assert np.allclose(back.samples["weight_m2"], at_once.samples["weight_m2"])


def test_counts_come_back_from_the_survey_as_they_went_in(
    counts_sheet: pd.DataFrame, counts_design: Design, counts_survey: Survey, tmp_path: Path
) -> None:
    lon, lat = counts_design.points.loc[counts_design.points["point_id"] == "01F-01", ["lon", "lat"]].iloc[0]
    counts_sheet = edit(
        counts_sheet, "01F-01", moved="yes", lat=f"{lat + 0.0001:.7f}", lon=f"{lon:.7f}", accuracy_m="3"
    )
    fresh = read_counts(write(counts_sheet, tmp_path / "a.csv"), counts_design)
    add_counts(counts_survey, fresh, counts_design)
    back = load_counts(counts_survey)
    pd.testing.assert_frame_equal(
        pd.DataFrame(back.samples.drop(columns="geometry")), pd.DataFrame(fresh.samples.drop(columns="geometry"))
    )
    assert back.samples.geometry.geom_equals_exact(fresh.samples.geometry, 1e-6).all()
    pd.testing.assert_frame_equal(back.counts, fresh.counts)
    assert back.samples.crs == counts_design.points.crs


def test_the_command_takes_counts_in_and_says_what_it_did(
    counts_sheet: pd.DataFrame, counts_survey: Survey, tmp_path: Path
) -> None:
    counts_sheet.loc[counts_sheet["point_id"] == "01F-03", ["point_id", "sample_id"]] = ["1f3", ""]
    path = write(counts_sheet, tmp_path / "a.csv")
    run = CliRunner().invoke(main, ["counts", str(counts_survey.path), str(path), "--json"])
    assert run.exit_code == 0, run.output
    summary = json.loads(run.stdout)
    assert summary["samples"] == 20
    assert summary["added"] == {"new": 20, "unchanged": 0, "replaced": 0}
    assert [note["read_as"] for note in summary["notes"] if note.get("label") == "1f3"] == ["01F-03"]
    plain = CliRunner().invoke(main, ["counts", str(counts_survey.path), str(path), "--more"])
    assert "0 bags are new, 20 as before, 0 replaced." in plain.stdout
    assert "'1f3' read as 01F-03" in plain.stdout


def test_the_command_takes_all_rows_or_none(counts_sheet: pd.DataFrame, counts_survey: Survey, tmp_path: Path) -> None:
    path = write(edit(counts_sheet, "01F-03", L3="12?"), tmp_path / "a.csv")
    before = counts_survey.path.read_bytes()
    run = CliRunner().invoke(main, ["counts", str(counts_survey.path), str(path)])
    assert run.exit_code == 1
    assert "L3 '12?'" in run.stderr
    assert counts_survey.path.read_bytes() == before
    run = CliRunner().invoke(main, ["counts", str(counts_survey.path), str(path), "--set-aside"])
    assert run.exit_code == 0
    assert len(load_counts(counts_survey).samples) == 19


def test_results_of_earlier_counts_go_when_the_counts_change_and_only_then(
    counts_survey: Survey, counts_sheet: pd.DataFrame, counts_design: Design, tmp_path: Path
) -> None:
    first = read_counts(write(counts_sheet, tmp_path / "a.csv"), counts_design)
    add_counts(counts_survey, first, counts_design)
    with counts_survey.change() as change:
        change.put("findings", fill_rows("findings", visit=[counts_design.visit.visit, "another"], value=1.0))
    add_counts(counts_survey, first, counts_design)
    assert len(counts_survey.read("findings")) == 2
    # Who pulled it, and the same day written in another way, are no other numbers.
    words = counts_sheet.assign(collector="Ann", collected_at="5/4/2026")
    named = add_counts(counts_survey, read_counts(write(words, tmp_path / "w.csv"), counts_design), counts_design)
    assert len(named.changed) == 20
    assert counts_survey.read("samples")["collector"].eq("Ann").all()
    assert len(counts_survey.read("findings")) == 2
    fixed = edit(counts_sheet, counts_sheet["point_id"].iloc[0], L3="17")
    corrected = add_counts(counts_survey, read_counts(write(fixed, tmp_path / "b.csv"), counts_design), counts_design)
    assert corrected.changed
    assert counts_survey.read("findings")["visit"].tolist() == ["another"]
    assert "run estimate, density and treat again" in told(corrected.counts)
