"""The command line: one short command a stage, in the order of the work."""

from __future__ import annotations

import errno
import gc
import importlib
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from geosample import __version__
from geosample.cli.options import name_options
from geosample.errors import GeosampleError, Problem, list_problems

# Command -> the module of this folder that holds it, loaded when it is called, to start fast; its line in the help.
COMMANDS = {
    "demo": ("many", "Play the whole job on the invented demo course."),
    "ground": ("sampling", "Read the course's polygons into a survey file."),
    "design": ("sampling", "Decide where to pull plugs, and how many."),
    "sheets": ("sampling", "Write the sampling map, waypoints and blank sheets."),
    "counts": ("answers", "Take the counts back in, by label."),
    "estimate": ("answers", "Say how many insects there are, and how sure that is."),
    "density": ("answers", "Map where they are, and where that is not known."),
    "treat": ("treating", "Mark out what to treat, and only that."),
    "map": ("answers", "Draw everything on one page that needs no network."),
    "record": ("treating", "Store what was applied, for the rules and for the next plan."),
    "followup": ("sampling", "Choose where a second round would most improve the decision."),
    "check": ("treating", "Say how well a treatment worked, from two visits."),
    "season": ("answers", "Say what changed between visits, what was used, when to look again."),
    "compare": ("answers", "Say how two extraction methods compare."),
    "rehearse": ("sampling", "Play the survey before it is walked: what would so many plugs tell?"),
    "visits": ("sampling", "Say what the survey holds; rename, remove or put back a visit."),
    "batch": ("many", "Run the same stages on many survey files."),
    "desk": ("many", "Do the whole job in the browser, on this machine."),
}
BAD_DATA = 1
_ASKED = "geosample.asked"  # the command and its words, for the error nobody foresaw


def load_command(name: str) -> click.Command:
    """Return one of ``COMMANDS``, with its module loaded only now."""
    command: click.Command = getattr(importlib.import_module(f"geosample.cli.{COMMANDS[name][0]}"), f"{name}_command")
    return command


class _StageOrder(click.Group):
    """Commands in the order of the work, errors in words, exit 1 for bad data and 2 for bad usage."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        return load_command(cmd_name) if cmd_name in COMMANDS else None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands, in the order of the work"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])

    def invoke(self, ctx: click.Context) -> Any:
        try:
            with _without_collecting():
                return super().invoke(ctx)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except Exception as error:
            if ctx.params.get("debug") or getattr(error, "errno", None) == errno.EPIPE:
                raise
            asked = ctx.meta.get(_ASKED, ())
            for line in list_problems(tell_error(error, asked), more="--more" in asked or "--json" in asked):
                click.echo(f"geosample: {line}", err=True)
            ctx.exit(BAD_DATA)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        ctx.meta[_ASKED] = tuple(args)
        return super().resolve_command(ctx, args)


def _tell_once(unraisable: sys.UnraisableHookArgs) -> None:
    """Pass over what a library's unfinished file complains of when it is thrown away: the disk's trouble was told."""
    if not isinstance(unraisable.exc_value, OSError):
        sys.__unraisablehook__(unraisable)


@contextmanager
def _without_collecting() -> Iterator[None]:
    """Hold back Python's search for circular garbage while a command runs: it finds little, in a tenth of the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def tell_error(error: Exception, asked: Sequence[str]) -> tuple[Problem, ...]:
    """Return what a command's error means to who typed its words, the command's name first."""
    if isinstance(error, GeosampleError):
        problems = error.problems
    else:
        problems = (_tell_disk(error) if isinstance(error, OSError) else _tell_unforeseen(error, asked),)
    command = load_command(asked[0]) if asked and asked[0] in COMMANDS else None
    return problems if command is None else tuple(name_options(problem, command) for problem in problems)


def _tell_unforeseen(error: Exception, asked: Sequence[str]) -> Problem:
    """Return what no stage foresaw, with every file that was named: any of them may be at fault."""
    command, *given = asked or ("",)
    where = ", ".join(word for word in given if Path(word).is_file()) or f"geosample {command}"
    remedy = (
        f"'geosample --debug {command} ...' shows the traceback; if another program or a hand changed the survey "
        "file, restore it from a back-up or run the stages again"
    )
    found = f"what the program did not foresee ({type(error).__name__}: {error})"
    return Problem(where, found, "whole files, and a survey as the stages wrote it", remedy)


def _tell_disk(error: OSError) -> Problem:
    """Return what the disk said where no stage was writing a file of its own, such as in a temporary folder."""
    sys.unraisablehook = _tell_once
    remedy = "free some space, in the folder for temporary files too, or choose a folder you may write to"
    where = str(error.filename or "a file")
    return Problem(where, f"'{error.strerror or error}'", "room and permission to read and write", remedy)


@click.group(cls=_StageOrder, context_settings={"help_option_names": ["-h", "--help"], "show_default": True})
@click.version_option(__version__)
@click.option("--debug", is_flag=True, help="Show the traceback of an error.")
def main(debug: bool) -> None:
    """From polygons of the course to treatment areas: sample turf insects and map them.

    Each stage takes the survey file first: geosample STAGE SURVEY.gpkg [...]
    """
