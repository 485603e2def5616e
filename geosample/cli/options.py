"""Options and arguments that several commands share, each defined once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from geosample import units
from geosample.errors import UnitError

F = TypeVar("F", bound=Callable[..., Any])


class Quantity(click.ParamType[float]):
    """A number with its unit, turned into metres, m² or insects per m²."""

    def __init__(self, name: str, parse: Callable[..., float]) -> None:
        self.name = name
        self.parse = parse

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the value in the program's own unit; bad usage when it has no unit."""
        if isinstance(value, float):
            return value
        try:
            return self.parse(str(value), where=param.opts[0] if param else self.name)
        except UnitError as error:
            self.fail(str(error), param, ctx)


LENGTH = Quantity("length", units.parse_length)
AREA = Quantity("area", units.parse_area)
DENSITY = Quantity("density", units.parse_density)

survey_argument = click.argument("survey", type=click.Path(path_type=Path))
visit_option = click.option("--visit", help="The visit's name; the newest when not given.")
units_option = click.option(
    "--units", type=click.Choice(["us", "metric"]), default="us", show_default=True, help="Units to show."
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON, alone, on stdout.")
seed_option = click.option("--seed", type=click.IntRange(0, 2**31 - 1), help="Seed of the random draw.")


def split_words(ctx: click.Context, param: click.Parameter, value: str) -> tuple[str, ...]:  # noqa: ARG001
    """Return the words of a list with commas, in small letters: an option's callback."""
    return tuple(word.strip().lower() for word in value.split(",") if word.strip())


def out_folder_option(help_text: str) -> Callable[[F], F]:
    """Return the --out option for a command that writes files into a folder."""
    return click.option("--out", required=True, type=click.Path(path_type=Path, file_okay=False), help=help_text)
