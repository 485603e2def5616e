"""What a command says: a plain table or line on stdout, talk and progress on stderr, or one JSON summary."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import click

Summary = dict[str, Any]
"""What a stage did, in plain JSON types: text, numbers with their unit in the key, lists and dicts of them."""


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


def say(lines: Iterable[str], summary: Mapping[str, Any], *, as_json: bool) -> None:
    """Print the result on stdout: the lines, or the summary alone.

    Parameters
    ----------
    lines : iterable of str
        For people.
    summary : mapping
        The same for programs; what is not a number is written as null.
    as_json : bool
        Whether the summary is printed in place of the lines.
    """
    if as_json:
        click.echo(json.dumps(_plain(summary), indent=2, ensure_ascii=False, allow_nan=False))
        return
    for line in lines:
        click.echo(line)


def talk(line: str) -> None:
    """Print a line of progress or advice on stderr."""
    click.echo(line, err=True)


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
