"""How every stage's result shows itself in a notebook or script, made from its own ``summary()``."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Mapping
from typing import Any

from geosample.files.saving import escape_html

MOST_CHARACTERS = 200
MOST_ROWS = 12  # of a table within the page's table (own choice)


class Result(ABC):
    """A base for results: one line for ``repr``, a small table for notebooks.

    A frozen dataclass takes it with ``repr=False``, else the dataclass writes a ``repr`` of its own over it.

    Examples
    --------
    >>> class Counted(Result):
    ...     def summary(self): return {"visit": "May", "bags": [{"label": "A1", "count": 3}], "mean_per_m2": 12.3456}
    >>> Counted()
    Counted(visit='May', bags=1 row, mean_per_m2=12.35)
    """

    __slots__ = ()

    @abstractmethod
    def summary(self) -> dict[str, Any]:
        """Return the facts as a plain dict: JSON types, names with their unit; what ``--json`` prints."""

    def __repr__(self) -> str:
        """Return one line of at most 200 characters."""
        name, parts = type(self).__name__, [f"{key}={_in_short(value)}" for key, value in self.summary().items()]
        line = f"{name}({', '.join(parts)})"
        while len(line) > MOST_CHARACTERS and parts:
            parts.pop()
            line = f"{name}({', '.join([*parts, '...'])})"
        return line

    def _repr_html_(self) -> str:
        return f"<b>{escape_html(type(self).__name__)}</b>{_table(self.summary().items())}"


def _in_short(value: Any) -> str:
    if isinstance(value, str):
        return repr(value if len(value) <= 40 else value[:37] + "...")  # noqa: PLR2004
    if isinstance(value, Mapping):
        return f"{len(value)} {'entry' if len(value) == 1 else 'entries'}"
    if isinstance(value, (list, tuple)):
        return f"{len(value)} {'row' if len(value) == 1 else 'rows'}"
    return _number(value)


def _number(value: Any) -> str:
    if isinstance(value, float):
        return "missing" if math.isnan(value) else f"{value:.4g}"
    return "none" if value is None else str(value)


def _table(items: Any) -> str:
    rows = "".join(f"<tr><th>{escape_html(str(key))}</th><td>{_cell(value)}</td></tr>" for key, value in items)
    return f"<table>{rows}</table>"


def _cell(value: Any) -> str:
    if isinstance(value, Mapping):
        return _table(value.items())
    if not isinstance(value, (list, tuple)):
        return escape_html(value if isinstance(value, str) else _number(value))
    shown = value[:MOST_ROWS]
    more = f"<br>and {len(value) - len(shown)} more" if len(value) > len(shown) else ""
    if not all(isinstance(row, Mapping) for row in shown):
        return "<br>".join(_cell(one) for one in shown) + more
    heads = list(dict.fromkeys(key for row in shown for key in row))
    head = "".join(f"<th>{escape_html(str(key))}</th>" for key in heads)
    body = "".join("<tr>" + "".join(f"<td>{_cell(row.get(key, ''))}</td>" for key in heads) + "</tr>" for row in shown)
    return f"<table><tr>{head}</tr>{body}</table>{more}"
