"""The page's words: the answer, what places say, the legends, and what the terminal is told."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import full_survey
import pytest
from markupsafe import Markup

from geosample.ground import Ground
from geosample.report.webmap import (
    tell_class,
    tell_drawn,
    tell_drawn_more,
    tell_in_a_line,
    tell_lines,
    tell_sample,
    tell_surface,
    tell_zone_place,
    write_page,
)
from geosample.survey import Survey
from geosample.survey.findings import Finding, What
from geosample.survey.reading import empty_layer
from geosample.units import FOOT2_M2
from geosample.webmap import Story, gather_story
from geosample.webmap.pictures import Swatch
from geosample.words import IN_SHORT, TREATMENT


@pytest.fixture(scope="module")
def complete(small_ground: Ground, tmp_path_factory: pytest.TempPathFactory) -> Survey:
    survey: Survey = full_survey.complete(tmp_path_factory.mktemp("survey") / "invented.gpkg", small_ground)
    return survey


def told(story: Story) -> str:
    return Markup(" ").join(tell_lines(story).values()).striptags()


@pytest.mark.slow
def test_the_answer_says_where_how_much_how_sure_and_what_is_not_known(complete: Survey):
    lines = tell_lines(gather_story(complete))
    assert list(lines) == ["Where", "How much", "How sure", "Not known"]
    text = told(gather_story(complete))
    assert "1 zone suggested for treatment" in text
    assert "24 to 59/ft²" in text
    assert "fairways are undecided, about 4 more points would settle their mean" in text
    assert "We cannot tell whether the border holds more: 1.3 times" in text
    assert "The map foretells a left-out count clearly better than one average does" in text
    assert "2 points without a count: missing, not zero" in text


def test_the_answer_in_a_line_says_what_to_do_and_how_much_nobody_knows(complete: Survey):
    story = gather_story(complete)
    line = re.sub('<span class="metric">.*?</span>', "", tell_in_a_line(story))
    assert re.fullmatch(
        r"treat [\d,]+ ft² \(\d+ %\) in 1 zone; \d+ % of the mapped ground not known", Markup(line).striptags()
    )
    planless = replace(story, zones=story.zones.iloc[:0])
    assert Markup(tell_in_a_line(planless)).striptags().startswith("39/ft²420/m² on average; ")
    plan = replace(planless, findings=replace(story.findings, rows=(Finding(What.PLAN, "all"),)))
    assert tell_in_a_line(plan).startswith("nothing to treat")


def test_before_there_are_counts_the_line_says_so(small_ground: Ground, tmp_path: Path):
    bare = gather_story(full_survey.ground_only(tmp_path / "bare.gpkg", small_ground))
    assert tell_in_a_line(bare) == "not sampled yet"
    half = gather_story(full_survey.with_counts(tmp_path / "half.gpkg", small_ground))
    planned = replace(half, samples=half.samples.iloc[:0], estimates=half.estimates.iloc[:0])
    assert tell_in_a_line(planned) == "not counted yet"
    assert tell_in_a_line(replace(planned, samples=half.samples)) == "counted, no answer yet"


def test_only_ground_that_was_asked_for_and_has_no_counted_bag_is_without_a_sample(
    small_ground: Ground, tmp_path: Path
):
    story = gather_story(full_survey.with_counts(tmp_path / "half.gpkg", small_ground))
    strata = empty_layer("strata")
    asked = replace(story, strata=strata.reindex(range(2)).assign(surface_id=["01-green-1", "01-collar-1"]))
    assert len(story.unsampled) == 0  # nothing was asked for
    assert list(asked.unsampled["surface_id"]) == []
    lost = story.samples["point_id"].str.startswith("01C") | (story.samples["point_id"].str.startswith("01F"))
    back = replace(asked, samples=story.samples.assign(status=story.samples["status"].mask(lost, "lost")))
    assert list(back.unsampled["surface_id"]) == ["01-collar-1"]  # the fairway was not asked for
    assert "1 surface (" in tell_lines(back)["Not known"]
    waiting = replace(asked, samples=story.samples.iloc[:0])
    assert len(waiting.unsampled) == 0
    assert waiting.sampled_holes == {"1"}


def test_stage_groups_stand_in_the_answer_with_their_intervals(complete: Survey):
    story = gather_story(complete)
    rows = [("pupae", 0.3, 0.15, 0.5), ("larvae in the stem", 0.7, 0.5, 0.85)]
    groups = [Finding(What.STAGE_GROUP_SHARE, *row) for row in rows]
    staged = replace(story, findings=replace(story.findings, rows=(*story.findings, *groups)))
    assert (
        tell_lines(staged)["Stages"].striptags() == "larvae in the stem 70 % (50 to 85 %) and pupae 30 % (15 to 50 %)."
    )


def test_each_missing_stage_is_named(small_ground: Ground, tmp_path: Path):
    bare = told(gather_story(full_survey.ground_only(tmp_path / "bare.gpkg", small_ground)))
    assert re.findall(r"geosample (\w+)", bare) == ["design", "counts", "estimate", "density", "treat"]
    halfway = told(gather_story(full_survey.with_counts(tmp_path / "half.gpkg", small_ground)))
    assert re.findall(r"geosample (\w+)", halfway) == ["density", "treat"]


def test_zero_is_a_count_and_lost_is_not():
    row = {"status": "counted", "count": 0, "plugs": 3, "sampled_m2": 0.0077, "method": "brine", "high_per_m2": 479.0}
    assert "not a clean spot" in tell_sample(row, "weevil")
    assert "missing, not zero" in tell_sample({**row, "status": "lost", "count": float("nan")}, "weevil")


def test_a_zone_says_what_where_how_sure_and_who_decides(complete: Survey):
    zones = gather_story(complete).zones
    text = tell_zone_place(next(zones.itertuples())).striptags()
    assert text.startswith("Zone T1, suggested for treatment. Hole 1 fairway, ")
    assert "a chance of 86 % of being above 30/ft²" in text
    assert text.endswith("The label is the law; a licensed applicator decides.")


def test_the_page_says_no_word_a_crew_would_not(complete: Survey):
    page = re.sub(r"<[^>]*>", " ", " ".join(write_page([gather_story(complete)], [None], ["treat"], ["1"], [0.5])))
    jargon = r"strat(um|a)\b|exceedance|log score|CRPS|instar|permutation|p-value|posterior|\[[SADPMG]\b|\([SADPMG]\)"
    assert re.findall(jargon, page) == []
    assert "group 3A of IRAC, the resistance committee" in page
    assert re.findall("common practice, no source|EPA label text", page.partition("Sources and how sure")[0]) == []


def test_what_came_from_a_file_is_escaped(complete: Survey):
    story = gather_story(complete)
    surface = {**story.surfaces.iloc[0].to_dict(), "name": "<b>Hill</b>", "hole": "<i>1"}
    text = str(tell_surface(surface, None))
    assert "“&lt;b&gt;Hill&lt;/b&gt;”" in text
    assert "<i>" not in text


def test_a_legend_s_classes_are_told_in_both_units():
    edge = 20 / FOOT2_M2
    assert tell_class(Swatch("#000000", 0.0, edge, 1.0), "per_m2").striptags() == "0 to 20215"
    assert tell_class(Swatch("#000000", edge, None, 1.0), "per_m2").striptags() == "over 20215"
    assert tell_class(Swatch("#000000", 0.25, 0.5, 1.0), "share") == "25 to 50 %"


@pytest.mark.slow
def test_the_terminal_is_told_what_was_drawn_and_the_cautions(complete: Survey):
    lines = tell_drawn([gather_story(complete)], Path("map.html"), 1_234_567, "metric")
    assert lines[0].startswith("Wrote map.html (1.2 MB), which opens with no network: visit 2026-05-12: 3 surfaces")
    assert any(line.startswith("1 zone: suggested for treatment; ") and line.endswith(" m²") for line in lines)
    assert lines[-1] == IN_SHORT
    *cautions, sources = tell_drawn_more([gather_story(complete)])
    assert cautions == [f"{number}. {caution.text}" for number, caution in enumerate(TREATMENT, 1)]
    assert sources.startswith("Sources and how sure: 1: US: EPA label text; 2, 3, 5, 6: common practice, no source; ")
