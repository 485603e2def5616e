"""Options and arguments that several commands share, each defined once."""

from __future__ import annotations

import functools
import inspect
import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, TypeVar

import click

from geosample import units
from geosample.errors import Problem, UnitError
from geosample.report import say, talk

F = TypeVar("F", bound=Callable[..., Any])


class Quantity(click.ParamType[float]):
    """A number with its unit, turned into metres, m² or insects per m²; ``unit`` is the program's own."""

    def __init__(self, name: str, parse: Callable[..., float], unit: str) -> None:
        self.name = name
        self.parse = parse
        self.unit = unit

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the value in the program's own unit; bad usage when it has no unit."""
        if isinstance(value, float):
            return value
        try:
            return self.parse(str(value), where=param.opts[0] if param else self.name)
        except UnitError as error:
            self.fail(str(error), param, ctx)


LENGTH = Quantity("length", units.parse_length, "m")
AREA = Quantity("area", units.parse_area, "m2")
SPEED = Quantity("speed", units.parse_speed, "m/s")
DENSITY = Quantity("density", units.parse_density, "/m2")


class KeepOff(click.ParamType[tuple[str, float]]):
    """An obstacle's kind and a distance, such as ``water=25ft``."""

    name = "kind=length"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, float]:
        """Return the kind in small letters and metres; bad usage for one without ``=``."""
        if isinstance(value, tuple):
            return value
        kind, equals, distance = str(value).partition("=")
        if not equals:
            self.fail(f"found {value!r}; expected a kind and a distance; write water=25ft", param, ctx)
        return kind.strip().lower(), LENGTH.convert(distance, param, ctx)


PATH = click.Path(path_type=Path)
FILE = click.Path(path_type=Path, dir_okay=False)


class PairOfPlaces(click.ParamType[tuple[float, float, float, float]]):
    """A place in a drawing or picture and on Earth, such as ``1203.5,884.2=-73.9123,41.5234``."""

    name = "x,y=lon,lat"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float, float, float]:
        """Return x, y, longitude and latitude; bad usage for what is not four numbers."""
        if isinstance(value, tuple):
            return value
        try:
            x, y, lon, lat = (float(part) for side in str(value).split("=") for part in side.split(","))
        except ValueError:
            self.fail(
                f"found {value!r}; expected x,y=longitude,latitude; write 1203.5,884.2=-73.9123,41.5234", param, ctx
            )
        return x, y, lon, lat


survey_argument = click.argument("survey", type=PATH)
visit_option = click.option("--visit", help="The visit's name; the newest when not given.")
units_option = click.option("--units", type=click.Choice(["us", "metric"]), default="us", help="Units to show.")
paper_option = click.option("--paper", type=click.Choice(["letter", "a4"]), default="letter", help="Paper size.")
json_option = click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON, alone, on stdout.")
more_option = click.option("--more", is_flag=True, help="Tell all of it: every row, how it was reckoned, the sources.")
sure_option = click.option("--sure", is_flag=True, help="The date is right, however far from the other visits'.")
seed_option = click.option("--seed", type=click.IntRange(0, 2**31 - 1), help="Seed of the random draw.")


Told = tuple[Iterable[str], Mapping[str, Any], Iterable[str]]
"""What a command has to say: the answer's lines, the facts, and the lines for who wants to know more."""


def says(command: Callable[..., Told]) -> Callable[..., None]:
    """Give a command the options --more and --json, and print what it returns as they ask."""

    @functools.wraps(command)
    def run(*, as_json: bool, more: bool, **asked: Any) -> None:
        lines, facts, rest = command(**asked)
        say(lines, facts, as_json=as_json, rest=rest, more=more)

    return more_option(json_option(run))


def hear(command: click.Command, words: list[str]) -> Told:
    """Run a command that ``says`` something and return what it has to say, for who shows it in another way."""
    with command.make_context(command.name, list(words)) as context:
        asked = {name: value for name, value in context.params.items() if name not in {"as_json", "more"}}
        told: Told = inspect.unwrap(command.callback)(**asked)  # type: ignore[arg-type]
    return told


def split_words(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[str, ...]:  # noqa: ARG001
    """Return the words of a list with commas, in small letters: an option's callback."""
    return tuple(word.strip().lower() for word in (value or "").split(",") if word.strip())


def read_margin(ctx: click.Context, param: click.Parameter, value: str | None) -> float | None:
    """Return a margin as a ratio: 25% is 1.25."""
    if value is None:
        return None
    try:
        return 1 + float(value.rstrip("% ")) / 100 if value.endswith("%") else float(value)
    except ValueError as error:
        text = f"{value!r} is no margin; write for instance 25%"
        raise click.BadParameter(text, ctx, param) from error


def out_folder_option(help_text: str) -> Callable[[F], F]:
    """Return the --out option for a command that writes files into a folder."""
    return click.option("--out", required=True, type=click.Path(path_type=Path, file_okay=False), help=help_text)


def aerial_options(command: F) -> F:
    """Add the options of a picture from above, and where it lies, to a command."""
    for option in (
        click.option(
            "--aerial-crs", help="What its world file's coordinates are in, EPSG:n, where they are no degrees."
        ),
        click.option(
            "--aerial-pairs",
            multiple=True,
            type=PairOfPlaces(),
            help="A place in it and where it lies, column,row=longitude,latitude; three times or more.",
        ),
        click.option(
            "--aerial",
            type=FILE,
            help="A picture to lay underneath: GeoTIFF; PNG or JPEG with its world file or --aerial-pairs.",
        ),
    ):
        command = option(command)
    return command


def talk_of_aerial(asked: Mapping[str, Any]) -> None:
    """Tell how far the pairs miss that a picture from above is placed by; refuse a place without a picture."""
    from geosample.ground import Aerial, note_aerial
    from geosample.report.ground import tell_note

    if asked["aerial"] is None:
        if asked["aerial_pairs"] or asked["aerial_crs"]:
            text = "--aerial-pairs and --aerial-crs say where a picture lies: name it with --aerial"
            raise click.UsageError(text)
        return
    note = note_aerial(Aerial(asked["aerial"], asked["aerial_pairs"]))
    if note is not None:
        talk(tell_note(note, asked["units"]))


SET_BY = {
    "expected": "--allocation",
    "last": "--keep",
    "path": "--out",
    "recovery": "--recovery",
    "stop_high_per_m2": "--stop-lines",
    "stop_low_per_m2": "--stop-lines",
}
"""Arguments of the stages that no option is named for -> the option that sets them, in the commands that have it."""
_PLAIN = re.compile(r"[\w.,:/+*-]*")  # what a shell takes as it is
_NAMED = r"(\w+)(?:=([^`]*))?"


def name_options(problem: Problem, command: click.Command) -> Problem:
    """Return a stage's problem with its arguments as the options of a command: ``border_m`` as ``--border``.

    An argument is what stands alone in ``where`` or between backticks in any part, with or without ``=value``. What is
    neither an option's name in this command nor in ``SET_BY`` stays as it is.

    Examples
    --------
    >>> border = click.Option(["--border", "border_m"], type=LENGTH)
    >>> found = Problem("border_m", "200 m", "0.1 to 100 m", "write `border_m=4.6`, or leave out `holes`")
    >>> print(name_options(found, click.Command("design", params=[border])))
    --border: found 200 m; expected 0.1 to 100 m; write --border 4.6m, or leave out `holes`
    """
    options = {param.name: param for param in command.params if isinstance(param, click.Option)}
    opts = {opt: param for param in options.values() for opt in param.opts}
    by_name = {**{name: opts[opt] for name, opt in SET_BY.items() if opt in opts}, **options}

    def name(match: re.Match[str]) -> str:
        option, value = by_name.get(match[1]), match[2]
        return match[0] if option is None else _write_option(option, value)

    parts = (problem.found, problem.expected, problem.remedy)
    where = re.sub(f"`{_NAMED}`", name, re.sub(f"^{_NAMED}$", name, problem.where))
    return Problem(where, *(re.sub(f"`{_NAMED}`", name, part) for part in parts))


def _write_option(option: click.Option, value: str | None) -> str:
    """Return an option as it is typed; a quantity gets the unit that arguments have in their names."""
    if value is None or option.is_flag:
        return option.opts[0]
    unit = option.type.unit if isinstance(option.type, Quantity) else ""
    plain = value.strip('"')
    return f"{option.opts[0]} {plain}{unit}" if _PLAIN.fullmatch(plain) else f'{option.opts[0]} "{plain}"'
