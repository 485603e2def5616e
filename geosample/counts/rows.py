"""A table's rows as bags: what each row says of its plug, or what must be asked about it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TypeVar

from geosample.counts.headings import Columns
from geosample.counts.rules import Log, ReadRules
from geosample.counts.tables import Table
from geosample.counts.values import Bad, read_date, read_method, read_metres, read_status, read_tick, read_whole
from geosample.words import UNSTAGED

Value = TypeVar("Value")
_NOTHING_PULLED = {"unreachable", "off_turf"}


@dataclass(frozen=True, slots=True)
class Row:
    """One returned row, its cells under the names of the reader's fields, nothing read yet."""

    where: str
    cells: Mapping[str, str]
    stages: Mapping[str, str]
    others: Mapping[str, str]

    def get(self, name: str) -> str:
        """Return a field's text; the empty text where the file has no such column."""
        return self.cells.get(name, "")


@dataclass(frozen=True, slots=True)
class Bag:
    """One row read: a bag, or a point where none was pulled.

    Parameters
    ----------
    where : str
        The row.
    point_id, sample_id : str
        As joined; empty until then.
    method, status : str
        Of ``words.METHODS`` (empty where not said) and ``words.STATUSES``.
    plugs : int
        How many are in it.
    moved, recount : bool
        Ticked.
    lon, lat, accuracy_m, offset_m : float
        The reported position in degrees, its accuracy, and how far it lies from the plan, m; not a number where none.
    found : mapping of str to int
        Stage -> count, for the stages looked for.
    words : mapping of str to str
        collector, counted_by, collected_at, note.
    plug, part : str
        Which plug of its point, or which part of its bag, where the row says.
    joined_by : str
        ``label`` or ``position``.
    """

    where: str
    method: str
    status: str
    plugs: int
    moved: bool
    recount: bool
    found: Mapping[str, int]
    words: Mapping[str, str]
    accuracy_m: float = math.nan
    lon: float = math.nan
    lat: float = math.nan
    offset_m: float = math.nan
    point_id: str = ""
    sample_id: str = ""
    plug: str = ""
    part: str = ""
    joined_by: str = "label"

    @property
    def has_position(self) -> bool:
        """Whether the row gave a position."""
        return not math.isnan(self.lon)


@dataclass(frozen=True, slots=True)
class VisitTerms:
    """What rows are read against: the visit's date, the usual plugs and the turf in one."""

    day: date | None
    plugs: int
    unit_m2: float
    rules: ReadRules = field(default_factory=ReadRules)


def list_rows(table: Table, columns: Columns) -> list[Row]:
    """Return the table's rows with their cells named."""
    return [
        Row(
            where,
            {name: cells[place] for name, place in columns.fields.items()},
            {name: cells[place] for name, place in columns.stages.items()},
            {name: cells[place] for name, place in columns.others.items() if cells[place]},
        )
        for where, cells in zip(table.wheres, table.rows, strict=True)
    ]


def tells_of_plug(row: Row) -> bool:
    """Return whether the row says anything of its plug: a count, a total or a status."""
    return bool(row.get("status") or row.get("total") or any(row.stages.values()))


def read_row(row: Row, terms: VisitTerms, log: Log) -> Bag | None:
    """Return the bag a row tells of, without its place; None after asking about every cell that can't be read."""
    before = len(log.problems)
    found = _read_found(row, terms, log)
    status = _read_cell(row, "status", read_status(row.get("status")), log)
    plugs = _read_plugs(row, terms, log)
    accuracy_m = _read_cell(row, "accuracy_m", read_metres(row.get("accuracy_m")), log)
    _check_day(row, terms, log)
    state = _settle_status(row, status, found, log)
    if state == "counted":
        _check_amount(row, found, plugs, terms, log)
    bag = Bag(
        where=row.where,
        method=str(_read_cell(row, "method", read_method(row.get("method")), log) or ""),
        status=state,
        plugs=0 if state in _NOTHING_PULLED else plugs,
        moved=bool(_read_cell(row, "moved", read_tick(row.get("moved")), log)),
        recount=bool(_read_cell(row, "recount", read_tick(row.get("recount")), log)),
        found=found,
        words=_read_words(row),
        accuracy_m=math.nan if accuracy_m is None else accuracy_m,
        plug=row.get("plug"),
        part=row.get("part"),
    )
    return bag if len(log.problems) == before else None


def _read_cell(row: Row, name: str, value: Value | Bad, log: Log) -> Value | None:
    if isinstance(value, Bad):
        text = row.get(name) or row.stages.get(name, "")
        log.ask(row.where, f"{name} '{text}'", value.expected, value.remedy)
        return None
    return value


def _read_found(row: Row, terms: VisitTerms, log: Log) -> dict[str, int]:
    """Return stage -> count for the stages looked for; a bare total counts as unstaged."""
    sums = terms.rules.sums
    read = {stage: _read_cell(row, stage, read_whole(text, sums=sums), log) for stage, text in row.stages.items()}
    found = {stage: count for stage, count in read.items() if count is not None}
    total = _read_cell(row, "total", read_whole(row.get("total"), sums=sums), log)
    if total is None:
        return found
    if not any(row.stages.values()):
        return {UNSTAGED: total}
    if total != sum(found.values()):
        expected = f"the sum of the stages, {sum(found.values())}"
        log.ask(row.where, f"total {total}", expected, "count again, or correct the cell that is wrong")
    return found


def _check_day(row: Row, terms: VisitTerms, log: Log) -> None:
    if terms.day is not None:
        _read_cell(row, "collected_at", read_date(row.get("collected_at"), terms.day, terms.rules.days), log)


def _read_plugs(row: Row, terms: VisitTerms, log: Log) -> int:
    """Return how many plugs are in the bag: the plan's number where the row does not say."""
    plugs = _read_cell(row, "plugs", read_whole(row.get("plugs"), sums=terms.rules.sums), log)
    if plugs is None:
        return 1 if row.get("plug") else terms.plugs
    return plugs


def _settle_status(row: Row, status: str | None, found: dict[str, int], log: Log) -> str:
    """Return the status, asking where it and the counts contradict each other."""
    if status is None or status == "counted":
        if not found and not any(row.stages.values()) and not row.get("total"):
            log.ask(row.where, "status counted without a count", "a count, 0 if none were found", "write the counts")
        return "counted"
    if found:
        shown = ", ".join(f"{stage} {count}" for stage, count in found.items())
        log.ask(row.where, f"status {status} with counts ({shown})", "one or the other", "clear the one that is wrong")
    return status


def _check_amount(row: Row, found: dict[str, int], plugs: int, terms: VisitTerms, log: Log) -> None:
    if plugs == 0:
        log.ask(row.where, "counts from 0 plugs", "at least one plug", "write how many plugs were in the bag")
        return
    area_m2 = plugs * terms.unit_m2
    most = max(1, int(terms.rules.most_per_m2 * area_m2))
    for stage, count in found.items():
        if count > most:
            expected = f"at most {most} in {plugs} plug{'s' if plugs > 1 else ''} of {area_m2 * 1e4:.0f} cm²"
            log.ask(row.where, f"{stage} {count}", expected, "correct it, or raise the limit with --most if it is so")


def _read_words(row: Row) -> dict[str, str]:
    """Return who, when and the note, with the columns nobody knew at the note's end."""
    kept = "; ".join(f"{heading}: {cell}" for heading, cell in row.others.items())
    note = "; ".join(text for text in (row.get("note"), kept) if text)
    return {**{name: row.get(name) for name in ("collector", "counted_by", "collected_at")}, "note": note}
