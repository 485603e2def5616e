"""A trial from a table: a row a bag, or a column a method."""

from __future__ import annotations

import math
from collections.abc import Mapping
from importlib import resources
from pathlib import Path

import pandas as pd

from geosample.compare.model import ALL, COLUMNS, Trial
from geosample.counts import Bad, ask_two_ways, plain_heading, read_method, read_whole
from geosample.errors import EstimateError
from geosample.files.reading import Log, Table, read_tables

EXAMPLE = "invented_trial.csv"
WORDS = {
    "site": ("site", "course", "hole", "location", "place", "trial"),
    "block": ("block", "pair", "rep", "replicate", "spot", "point", "point id"),
    "method": ("method", "extraction", "extraction method", "treatment"),
    "bag": ("bag", "sample", "sample id", "plug", "label"),
    "stage": ("stage", "life stage", "instar"),
    "count": ("count", "found", "insects", "larvae", "number", "total"),
    "effort": ("plugs", "area m2", "sampled m2", "units"),
    "minutes": ("minutes", "min", "time min", "time minutes"),
    "cost": ("cost", "price"),
}
NEEDED = ("block", "count", "method")


def meaning_of(heading: str) -> str | None:
    """Return the field a heading means, a method's own name for a column of its counts, or None.

    Examples
    --------
    >>> meaning_of("Extraction method"), meaning_of("Brine"), meaning_of("colour")
    ('method', '=brine', None)
    """
    plain = plain_heading(heading)
    for name, words in WORDS.items():
        if plain in words:
            return name
    method = read_method(heading) if len(plain) > 1 else None
    return f"={method}" if isinstance(method, str) else None


def read_trial(path: str | Path) -> Trial:
    """Return a trial from a CSV or XLSX file.

    Columns are known by their headings (``WORDS``): block, method and count are needed; site, stage, plugs, minutes
    and cost may be there. Instead of method and count, each method may have a column of counts under its own name.
    A blank count is not counted: its row is left out and said.

    Raises
    ------
    EstimateError
        With every cell that can't be read; also when there is no such file.
    """
    path, log = Path(path), Log()
    rows = [row for table in read_tables(path, log, meaning_of) for row in _rows(table, log)]
    if log.problems:
        raise EstimateError(log.problems)
    return _make_trial(rows, path.name, log)


def read_example() -> Trial:
    """Return the invented trial that comes with the program: three sites, blocks of four plugs."""
    with resources.as_file(resources.files("geosample.compare") / EXAMPLE) as path:
        trial = read_trial(path)
    return Trial(trial.bags, f"{EXAMPLE}, invented", invented=True, notes=trial.notes)


def _rows(table: Table, log: Log) -> list[dict[str, object]]:
    meanings = [meaning_of(heading) for heading in table.headings]
    own = [name for name in meanings if name is not None and name.startswith("=")]
    needed = ("block",) if own else NEEDED
    missing = [name for name in needed if name not in meanings]
    twice = sorted({name for name in meanings if name is not None and meanings.count(name) > 1})
    if missing or twice:
        found = f"the columns {', '.join(table.headings)}"
        expected = f"one column each of {', '.join(NEEDED)}, or of block and each method's name"
        log.refuse(table.file, found, expected, f"rename or remove: {', '.join(missing + twice)}")
        return []
    unknown = [h for h, name in zip(table.headings, meanings, strict=True) if name is None]
    if unknown:
        log.note(table.file, f"columns {', '.join(unknown)}", "not used")
    rows: list[dict[str, object]] = []
    for cells, where in zip(table.rows, table.wheres, strict=True):
        named = {name: cell for name, cell in zip(meanings, cells, strict=True) if name is not None}
        splits = [{**named, "method": name[1:], "count": named[name]} for name in own] or [named]
        rows += [row for split in splits if (row := _row(split, where, log)) is not None]
    return rows


def _row(cells: Mapping[str, str], where: str, log: Log) -> dict[str, object] | None:
    count, method = read_whole(cells["count"]), read_method(cells["method"])
    if count is None:
        log.note(where, "a blank count", "left out: blank is not zero")
        return None
    block = cells["block"].strip()
    read = {"count": count, "method": method}
    bad = {name: value for name, value in read.items() if isinstance(value, Bad)}
    for name, value in bad.items():
        log.ask(f"{where}, {name}", f"'{cells[name]}'", value.expected, value.remedy)
    if not block or method is None:
        log.ask(where, "no block" if not block else "no method", "both in every row", "write it in")
    numbers = {name: _number(cells.get(name, ""), f"{where}, {name}", log) for name in ("effort", "minutes", "cost")}
    if bad or not block or method is None:
        return None
    effort = 1.0 if math.isnan(numbers["effort"]) else numbers["effort"]
    stage, site = cells.get("stage", "").strip() or ALL, cells.get("site", "").strip() or ALL
    text = {"site": site, "block": block, "bag": cells.get("bag", "").strip(), "stage": stage}
    return {**text, **read, **numbers, "effort": effort}


def _number(text: str, where: str, log: Log) -> float:
    if not text.strip():
        return math.nan
    if "," in text and (two_ways := ask_two_ways(text)):  # a point alone is one for decimals
        log.ask(where, f"'{text}'", two_ways.expected, two_ways.remedy)
        return math.nan
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = -1.0
    if value > 0 and math.isfinite(value):
        return value
    log.ask(where, f"'{text}'", "a number above 0", "mend it or leave it blank")
    return math.nan


def _make_trial(rows: list[dict[str, object]], source: str, log: Log) -> Trial:
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    keys = ["site", "block", "method"]
    # Without a column that names bags, the n-th row of a stage in a block belongs to the block's n-th bag.
    turn = frame.groupby([*keys, "stage"], sort=False).cumcount().astype(str)
    named = frame.assign(turn=frame["bag"].where(frame["bag"] != "", "row " + turn))
    bag = named.groupby([*keys, "turn"], sort=False).ngroup()
    return Trial(frame.assign(bag=bag), source, notes=tuple(log.notes))
