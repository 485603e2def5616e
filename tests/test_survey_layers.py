"""The table of layers: its rules speak of columns it has, each in one way."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from geosample.cli import main
from geosample.survey import LAYERS, Survey


@pytest.mark.parametrize("name", LAYERS)
def test_rules_name_columns_of_their_layer(name: str) -> None:
    rules = LAYERS[name]
    lists = (rules.key, rules.need, rules.above_0, rules.from_0, rules.share, rules.dates, rules.objects, rules.later)
    named = {column for text in (*lists, rules.measured) for column in text.split()} | {*rules.within, *rules.words}
    assert named - set(rules.columns) == set()
    numbers = [*rules.above_0.split(), *rules.from_0.split(), *rules.share.split(), *rules.within]
    assert len(numbers) == len(set(numbers)), "one rule a number"
    assert {rules.columns[column] for column in numbers} <= {"real", "int"}
    assert {rules.columns[column] for column in f"{rules.dates} {rules.objects}".split()} <= {"text"}


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"CREATE TABLE", b"CREATE T\xffBLE"),
        (b"gpkg_contents", b"gpkg_cont\xffnts"),
        (b"01-fairway-1", b"01-f\xffirway-1"),
    ],
)
@pytest.mark.parametrize("stage", [["sheets", "--out", "out"], ["map", "--out", "a.html"]])
def test_a_survey_with_a_page_that_is_no_text_is_named(
    counts_survey: Survey, tmp_path: Path, old: bytes, new: bytes, stage: list[str]
) -> None:
    path = tmp_path / "damaged.gpkg"
    path.write_bytes(counts_survey.path.read_bytes().replace(old, new))
    command, option, out = stage
    run = CliRunner().invoke(main, [command, str(path), option, str(tmp_path / out)])
    assert run.exit_code == 1
    assert "did not foresee" not in run.output
    assert f"geosample: {path}: found " in run.output
