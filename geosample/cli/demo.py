"""The command ``geosample demo``."""

from __future__ import annotations

import contextlib
import io
import itertools
import sys
import time
from pathlib import Path

import click

from geosample.cautions import SIMULATED
from geosample.cli.options import json_option, more_option
from geosample.report import say, talk


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("geosample_demo"),
    show_default=True,
    help="Folder for everything the demo makes.",
)
@more_option
@json_option
@click.pass_context
def command(ctx: click.Context, out: Path, as_json: bool, more: bool) -> None:
    """Play the whole job on an invented course, start to finish, and list what to open.

    The counts are simulated, and every page that shows them says so.

    \b
    Example:
      geosample demo --out geosample_demo
    """  # noqa: D301
    from geosample.demo import SIMULATION, play_demo
    from geosample.report.design import tell_simulation

    opened = play_demo(out, lambda words: _run(ctx, words, more=more))
    rows = [[str(file.path), file.what] for file in opened]
    facts = {"files": [{"path": path, "what": what} for path, what in rows], "simulation": SIMULATION}
    lines = [SIMULATED, "What to open:", *(f"{path}  {what}" for path, what in rows)]
    say(lines, facts, as_json=as_json, rest=[tell_simulation(SIMULATION)], more=more)


def _run(ctx: click.Context, words: list[str], *, more: bool) -> None:
    """Run one command as a user would, and tell on stderr its seconds and what it found; all it says with --more."""
    said, beside = io.StringIO(), io.StringIO()
    if more:
        talk(f"\n$ geosample {' '.join(words)}")
    started = time.perf_counter()
    with (
        contextlib.redirect_stdout(sys.stderr if more else said),
        contextlib.redirect_stderr(sys.stderr if more else beside),
    ):
        group, asked = ctx.find_root().command, [*words, *(["--more"] if more else [])]
        code = group.main(asked, standalone_mode=False, prog_name="geosample")
    took = f"({time.perf_counter() - started:.1f} s)"
    if code:
        click.echo(beside.getvalue(), err=True, nl=False)
        ctx.exit(code)
    talk(f"  {took}" if more else f"{words[0]} {took}: {_first_sentence(said.getvalue())}")


def _first_sentence(said: str) -> str:
    """Return the first thing that was said, without its folds."""
    first, *others = said.splitlines()
    whole = " ".join([first, *(line.strip() for line in itertools.takewhile(lambda line: line[:2] == "  ", others))])
    return f"{whole[:-1]}." if whole.endswith(":") else whole
