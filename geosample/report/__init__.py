"""Facts in, words out: the only room with sentences, for the terminal, paper and the page.

A module a stage, each of functions that take what the stage returns and the units to show, and return text. What a
command says is printed here: a plain table or line on stdout, talk and progress on stderr, or one JSON summary.
"""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import click

LINE_WIDTH = 100


class Aside(str):
    """A line of the answer that a terminal keeps for --more, to stay short; a page, which has room, shows it."""

    __slots__ = ()


def show_table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """Return the lines of a table; the first column is set left, the others right.

    Examples
    --------
    >>> for line in show_table(["kind", "area"], [["green", "10"], ["fairway", "200"]]): print(line)
    kind     area
    green      10
    fairway   200
    """
    table = [list(heads), *(list(row) for row in rows)]
    widths = [max(len(row[i]) for row in table) for i in range(len(heads))]
    return [
        "  ".join([row[0].ljust(widths[0]), *(c.rjust(w) for c, w in zip(row[1:], widths[1:], strict=True))]).rstrip()
        for row in table
    ]


def say(
    lines: Iterable[str],
    summary: Mapping[str, Any],
    *,
    as_json: bool,
    rest: Iterable[str] = (),
    more: bool = False,
) -> None:
    """Print the result on stdout: the answer, and on request all the rest; or the summary alone.

    Parameters
    ----------
    lines : iterable of str
        The answer, for people.
    summary : mapping
        The facts for programs; what is not a number is written as null.
    as_json : bool
        Whether the summary is printed in place of the lines.
    rest : iterable of str
        What is told only when more is asked for, after an empty line.
    more : bool
        Whether it is.
    """
    if as_json:
        click.echo(json.dumps(_plain(summary), indent=2, ensure_ascii=False, allow_nan=False))
        return
    rest = list(rest) if more else []
    shown = [line for line in lines if more or not isinstance(line, Aside)]
    for line in fold([*shown, *(["", *rest] if rest else [])]):
        click.echo(line)


def talk(line: str) -> None:
    """Print progress or advice on stderr."""
    for folded in fold([line]):
        click.echo(folded, err=True)


def fold(lines: Iterable[str]) -> list[str]:
    """Return lines of at most 100 characters: sentences go on in the next line; a table's row stays as it is.

    Examples
    --------
    >>> [len(line) for line in fold(["word " * 30, "kind     " * 30])]
    [99, 51, 270]
    """
    told: list[str] = []
    for line in lines:
        is_row = "  " in line.strip()
        told += [line] if is_row or len(line) <= LINE_WIDTH else _wrap(line)
    return told


def _wrap(line: str) -> list[str]:
    return textwrap.wrap(line, LINE_WIDTH, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)


def _plain(value: Any) -> Any:
    """Return the value in JSON's own types, with what is not a number as null."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if hasattr(value, "item"):
        return _plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
