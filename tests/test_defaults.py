"""What a command takes when nothing is said is what its room takes: the numbers stand in both, for a quick start."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from typing import Any

import pytest

from geosample.cli import load_command
from geosample.counts.rows import GPS_WITHIN_M
from geosample.density import draw_followup, map_density
from geosample.design import Request
from geosample.design.howmany import Bench
from geosample.sheets import write_sheets
from geosample.treat import suggest_zones
from geosample.webmap import draw_map
from geosample.words import STATUSES

OPTIONAL = {"seed", "points", "k", "threshold_per_m2", "surfaces", "sites"}  # None asks the room to choose


def defaults_of(command: str) -> dict[str, Any]:
    """Return what a command's options hold, read from text as click reads it, when none is given."""
    given = load_command(command).make_context("x", [], resilient_parsing=True)
    return dict(given.params)


@pytest.mark.parametrize(
    ("command", "room"),
    [
        ("design", Request),
        ("design", Bench),
        ("sheets", write_sheets),
        ("density", map_density),
        ("treat", suggest_zones),
        ("followup", draw_followup),
        ("map", draw_map),
    ],
    ids=lambda one: one if isinstance(one, str) else one.__name__,
)
def test_options_and_their_room_take_the_same_when_nothing_is_said(command: str, room: Callable[..., Any]) -> None:
    said = defaults_of(command)
    given = inspect.signature(room).parameters.values()
    fields = {one.name: one.default for one in given if one.default is not inspect.Parameter.empty}
    made = {name for name, value in fields.items() if repr(value) == "<factory>"}  # an empty collection of its own
    both = {name: value for name, value in fields.items() if name in said and name not in OPTIONAL | made}
    assert both
    for name, value in both.items():
        option = said[name]
        assert option == value or (option in (None, "", ()) and value in (None, ())), f"{command}: {name}"


def test_positions_are_looked_for_as_far_as_the_option_says() -> None:
    assert defaults_of("counts")["gps_within_m"] == GPS_WITHIN_M


def test_the_help_of_counts_names_every_status() -> None:
    said = load_command("counts").help
    assert [name for name in STATUSES if name not in said] == []
