"""Cards: the steps of the work, the commands they run and the questions they ask, read from the commands themselves."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import click

from geosample.cli import load_command
from geosample.cli.options import LENGTH
from geosample.report.desk import name_field
from geosample.units import Units, parse_length, set_percent, show_length

Answers = Mapping[str, str | list[str]]
"""An option's name without its dashes -> what was entered; ``on`` for a flag, several for files."""


@dataclass(frozen=True, slots=True)
class Card:
    """One step of the work.

    Parameters
    ----------
    step : str
        Its name.
    commands : tuple of str
        What its button runs, in this order.
    asks : tuple of str
        The options that matter, without their dashes; the others stand behind "more".
    needs : tuple of str
        The steps whose results it takes.
    makes : tuple of str
        The layers of the survey that are its result.
    takes_files : bool
        Whether files of the user's go in.
    """

    step: str
    commands: tuple[str, ...]
    asks: tuple[str, ...]
    needs: tuple[str, ...] = ()
    makes: tuple[str, ...] = ()
    takes_files: bool = False


CARDS = {
    card.step: card
    for card in (
        Card("ground", ("ground",), ("name", "collar", "kinds"), (), ("surfaces", "obstacles"), takes_files=True),
        Card(
            "plan", ("design",), ("visit", "points", "holes", "surfaces", "border"), ("ground",), ("visits", "points")
        ),
        Card("sheets", ("sheets",), ("paper", "people", "extraction"), ("ground", "plan")),
        Card("counts", ("counts",), ("columns", "gps-within"), ("plan",), ("samples", "counts"), takes_files=True),
        Card(
            "answer",
            ("estimate", "density"),
            ("threshold", "cell"),
            ("ground", "plan", "counts"),
            ("estimates", "models"),
        ),
        Card(
            "treat",
            ("treat", "map"),
            ("threshold", "miss-cost", "keep-off", "swath", "checks"),
            ("ground", "answer"),
            ("zones",),
        ),
        Card("record", ("record",), ("date", "zones", "rules"), ("treat",), ("treatments",)),
    )
}
REHEARSAL = Card("rehearse", ("rehearse",), ("points", "holes", "surfaces", "border"), ("ground",))
"""What the plan's card plays on request: it stores nothing, and takes the plan's own answers."""
_DESK_OWN = {"as_json", "more", "out", "units", "picture", "csv_file", "force"}
"""What the desk answers itself: where files go, the units of the page, and what would be written beside."""
UNDER = ("aerial", "aerial-pairs", "aerial-crs", "base-map", "base-credit")
"""What ``map`` lays under the course: asked once, on the ground's card, where surfaces are drawn over it."""
_OUT = {"sheets": "{}", "density": "{}", "treat": "{}", "map": "{}/map.html"}
"""Commands that are told where their files go, and how."""


def list_questions(card: Card) -> list[dict[str, Any]]:
    """Return what the card asks, those that matter first: name, help, kind of field, default and choices."""
    found: dict[str, dict[str, Any]] = {}
    for param in _options(card):
        name = param.opts[0].removeprefix("--")
        found.setdefault(name, _ask(name, param, first=name in card.asks))
    matter = [found.pop(name) for name in card.asks if name in found]
    return matter + list(found.values())


def _options(card: Card) -> Iterator[click.Option]:
    for command in card.commands:
        for param in load_command(command).params:
            if not isinstance(param, click.Option) or param.hidden or param.name in _DESK_OWN:
                continue
            visit = param.name == "visit" and not param.required  # chosen once, at the head of the page
            if not visit and param.opts[0].removeprefix("--") not in UNDER:
                yield param


def _show_default(param: click.Option) -> str:
    """Return a default as a person writes it; none for what a page can't show: nothing, a flag that is not set."""
    default: Any = param.default
    if not isinstance(default, (str, int, float)) or default is False or (param.type is LENGTH and not default):
        return ""
    if isinstance(param.show_default, str):
        return param.show_default
    return set_percent(float(default)).replace(" ", "") if param.type.name == "percent" else str(default)


def list_under() -> list[dict[str, Any]]:
    """Return the questions of what is laid under the course, as the command asks them."""
    options = [param for param in load_command("map").params if isinstance(param, click.Option)]
    named = {param.opts[0].removeprefix("--"): param for param in options}
    return [_ask(name, named[name], first=True) for name in UNDER]


def _ask(name: str, param: click.Option, *, first: bool) -> dict[str, Any]:
    kind, choices = "text", []
    if param.is_flag:
        kind = "flag"
    elif isinstance(param.type, click.Choice):
        kind, choices = "choice", [str(choice) for choice in param.type.choices]
    elif isinstance(param.type, click.Path):
        kind = "file"
    elif isinstance(param.type, (click.types.IntParamType, click.types.FloatParamType)):
        kind = "number"
    plain = _show_default(param)
    other: Units = "us" if plain.endswith("m") else "metric"  # the default is written in one system of units
    return {
        "shown": {other: show_length(parse_length(plain), other)} if param.type is LENGTH and plain else {},
        "name": name,
        "label": name_field(name),
        "help": param.help or "",
        "kind": kind,
        "default": plain,
        "choices": choices,
        "required": param.required,
        "first": first,
    }


def write_words(
    card: Card, answers: Answers, survey: str, own: Mapping[str, str], *, force: bool = False
) -> list[list[str]]:
    """Return the command lines that do what the card asks: a command takes the options it has, and no other.

    Parameters
    ----------
    card : Card
        The step.
    answers : mapping
        What was entered; what is empty or as the command has it is left out.
    survey : str
        The survey file.
    own : mapping of str to str
        What the desk says itself: ``out``, the folder for files, and ``visit`` and ``units`` where they are not the
        commands' own.
    force : bool
        Whether what other results rest on may be replaced: asked for after the command has refused.

    Examples
    --------
    >>> for line in write_words(CARDS["answer"], {"cell": "2m"}, "a.gpkg", {"out": "files"}): print(*line)
    estimate a.gpkg
    density a.gpkg --cell 2m --out files
    """
    lines = []
    for command in card.commands:
        params = [param for param in load_command(command).params if isinstance(param, click.Option)]
        options = {param.opts[0].removeprefix("--"): param for param in params if not param.hidden}
        files = list(answers.get("files", [])) if card.takes_files else []
        given = {**answers, **{name: value for name, value in own.items() if value}}
        given["out"] = _OUT.get(command, "").format(own.get("out", ""))
        words = [command, survey, *files]
        for name, option in options.items():
            if given.get(name) and (name not in _DESK_OWN or name in {"out", "units"}):
                words += _write_option(option, given[name])
        lines.append([*words, "--force"] if force and "force" in options else words)
    return lines


def _write_option(option: click.Option, value: str | list[str]) -> list[str]:
    """Return an option as it is typed; several answers to one that may be repeated are parted by semicolons."""
    if option.is_flag:
        return [option.opts[0]]
    text = value if isinstance(value, str) else ";".join(value)
    parts = [part.strip() for part in text.split(";")] if option.multiple else [text]
    typed = [word for part in parts if part for word in (option.opts[0], part)]
    return [] if text in {str(option.default), _show_default(option)} else typed


def show_line(words: list[str]) -> str:
    """Return a command as a person types it in the desk's folder.

    Examples
    --------
    >>> show_line(["ground", "a.gpkg", "my course.kml"])
    "geosample ground a.gpkg 'my course.kml'"
    """
    return shlex.join(["geosample", *words])
