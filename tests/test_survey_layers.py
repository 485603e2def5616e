"""The table of layers: its rules speak of columns it has, each in one way."""

from __future__ import annotations

import pytest

from geosample.survey import LAYERS


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
