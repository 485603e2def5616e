"""The command ``geosample demo``."""

from __future__ import annotations

import contextlib
import sys
import time
from pathlib import Path

import click

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

    opened = play_demo(out, lambda words: _run(ctx, words))
    rows = [[str(file.path), file.what] for file in opened]
    lines = [f"{path}  {what}" for path, what in rows]
    say(
        ["", "What to open:", *lines, "", tell_simulation(SIMULATION)],
        {"files": [{"path": path, "what": what} for path, what in rows], "simulation": SIMULATION},
        as_json=as_json,
    )


def _run(ctx: click.Context, words: list[str]) -> None:
    """Run one command as a user would, with what it says on stderr, so that stdout is the demo's own."""
    group = ctx.find_root().command
    started = time.perf_counter()
    talk(f"\n$ geosample {' '.join(words)}")
    with contextlib.redirect_stdout(sys.stderr):
        code = group.main(words, standalone_mode=False, prog_name="geosample")
    if code:
        ctx.exit(code)
    talk(f"  ({time.perf_counter() - started:.1f} s)")
