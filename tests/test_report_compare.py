"""How two methods compare, in words: a difference that is not seen is never called sameness."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from geosample.compare import Comparison, compare_methods, read_example
from geosample.compare.model import Equivalence
from geosample.estimate import Interval
from geosample.report.compare import tell_answer, tell_comparison, tell_comparison_more


@pytest.fixture(scope="module")
def example() -> Comparison:
    return compare_methods(read_example(), margin=1.25)


def told(comparison: Comparison) -> str:
    return "\n".join(tell_answer(comparison))


def with_ratio(comparison: Comparison, interval: Interval) -> Comparison:
    return replace(comparison, overall=replace(comparison.overall, interval=interval))


def test_a_difference_that_is_not_seen_is_never_called_sameness(example: Comparison) -> None:
    text = told(example)
    assert "cannot tell" in text
    assert "Not shown to lie within your margin" in text
    assert "the same" not in text
    assert "takes a margin of yours" in told(replace(example, equivalence=None))


def test_sameness_within_the_margin_is_told_with_what_is_left_of_a_difference(example: Comparison) -> None:
    same = replace(example, equivalence=Equivalence(1.25, 0.01, Interval(1.1, 1.02, 1.2), 0.9, holds=True))
    text = told(same)
    assert "Within your margin: the ratio lies within 0.80 to 1.25, so they differ at most by it (90 % interval" in text
    clear = with_ratio(same, Interval(1.1, 1.01, 1.21))
    assert "heat finds more: heat finds 1.10 times what brine finds" in told(clear)
    assert "so they differ, but by no more than your margin" in told(clear)


def test_a_reference_that_found_none_makes_no_infinite_claim(example: Comparison) -> None:
    none = replace(
        with_ratio(example, Interval(math.inf, 3.0, math.inf)), blocks_to_tell=None, blocks_to_show_same=None
    )
    text = told(none)
    assert "brine found none at all" in text
    assert "3.00 to no limit" in text
    assert "blocks like these" not in text
    assert "--recovery" not in text


def test_invented_counts_are_called_so_and_tables_follow_on_request(example: Comparison) -> None:
    answer, invented, *_ = tell_comparison(example)
    assert "cannot tell" in answer
    assert invented.startswith("Invented counts")
    lines = tell_comparison_more(example)
    assert sum(line.startswith("site") for line in lines) == 1
    assert any("common practice, no source" in line for line in lines)


def test_the_example_is_one_line_and_a_table(example: Comparison) -> None:
    assert repr(example).startswith("Comparison(source='invented_trial.csv, invented', invented=True, ")
    assert len(repr(example)) <= 200
    assert "Alder green" in example._repr_html_()


@pytest.mark.parametrize(
    ("brine", "heat", "expected"),
    [
        ((22, 1.5), (9, 1), "less a bag, and its answer is there 0.5 h sooner."),
        ((9, 1), (9, 48), "Both take as long at hand. Where the answer is wanted within 48 h brine is the better."),
        ((22, 1), (9, 1), "13.0 minutes at hand less a bag; both wait as long."),
        ((math.nan, 1), (9, 1), "takes minutes noted for both"),
    ],
)
def test_costs_end_with_when_each_is_the_better_choice(
    example: Comparison, brine: tuple[float, float], heat: tuple[float, float], expected: str
) -> None:
    noted = zip(example.effort, (brine, heat), strict=True)
    effort = tuple(replace(one, minutes=minutes, wait_hours=hours) for one, (minutes, hours) in noted)
    assert expected in tell_comparison_more(replace(example, effort=(effort[0], effort[1])))[-1]


def test_every_interval_carries_its_level_and_the_model_is_named(example: Comparison) -> None:
    lines = tell_comparison_more(example)
    for line in [*tell_comparison(example), *lines]:
        assert line.count(" interval ") == line.count(" % interval "), line
    assert any(line.startswith("Model: counts of 96 bags") and "negative binomial" in line for line in lines)
    assert lines[-1].startswith("Where hands are short heat is the better: 13.")
    assert lines[-1].endswith("Where the answer is wanted within 48 h brine is the better.")
    assert any(line.startswith("hours to wait a bag") and line.endswith("48.0") for line in lines)
    assert not any(line.startswith("cost a bag") for line in lines)
    few = replace(example, overall=replace(example.overall, level=0.875))
    assert any("24 blocks can carry 87.5 % confidence, not 95 %" in line for line in tell_comparison(few))
    assert "--recovery" not in told(few)  # it takes limits at 95 % alone
    assert "--recovery" in told(example)
