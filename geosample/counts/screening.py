"""Rows that are no bags of this visit: sums, repeated headers, other designs' sheets, rows nobody filled."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from geosample.counts.headings import plain_heading
from geosample.counts.rows import Row, tells_of_plug
from geosample.counts.rules import Log, show_rows
from geosample.counts.values import same_date
from geosample.words import UNSTAGED

if TYPE_CHECKING:
    from geosample.design import Visit

_SUM_WORDS = {"total", "totals", "sum", "mean", "average", "grand total"}


def screen_rows(rows: Sequence[Row], visit: Visit, other_codes: Mapping[str, str], log: Log) -> list[Row]:
    """Return the rows that tell of a bag of this visit; the others are told of, row by row or together.

    Parameters
    ----------
    other_codes : mapping of str to str
        Design code -> visit, of the survey's other visits.
    """
    rows = _split(rows, _is_sum, "rows of sums or means", "set aside", log)
    rows = _split(rows, _is_header, "the header row again", "set aside", log)
    rows = _check_codes(rows, visit, other_codes, log)
    rows = _check_visits(rows, visit, log)
    return _split(rows, _is_blank, "rows without a count or a status", "no sample made: blank is not zero", log)


def note_unlooked(rows: Sequence[Row], log: Log) -> None:
    """Tell which stages were left blank beside filled ones: those were not looked for, which is not a zero."""
    beside = [row for row in rows if any(text for stage, text in row.stages.items() if stage != UNSTAGED)]
    blank: dict[str, list[str]] = {}
    for row in beside:
        for stage, text in row.stages.items():
            if not text and stage != UNSTAGED:
                blank.setdefault(stage, []).append(row.where)
    for stage, wheres in blank.items():
        where = "all counted rows" if len(wheres) == len(beside) else show_rows(wheres)
        log.note(where, f"{stage} blank beside other counts", "taken as not looked for, never as 0")


def _split(rows: Sequence[Row], out: Callable[[Row], bool], what: str, done: str, log: Log) -> list[Row]:
    kept = [row for row in rows if not out(row)]
    dropped = [row.where for row in rows if out(row)]
    if dropped:
        log.note(show_rows(dropped), what, done)
    return kept


def _is_sum(row: Row) -> bool:
    texts = [row.get("point_id"), row.get("sample_id")]
    return any(plain_heading(text) in _SUM_WORDS for text in texts if text)


def _is_header(row: Row) -> bool:
    cells = {**row.cells, **row.stages}
    same = [plain_heading(text) == plain_heading(name) for name, text in cells.items() if text]
    return len(same) > 1 and all(same)


def _is_blank(row: Row) -> bool:
    return not tells_of_plug(row)


def _check_codes(rows: Sequence[Row], visit: Visit, other_codes: Mapping[str, str], log: Log) -> list[Row]:
    """Ask once for each foreign design code, with all its rows."""
    own = plain_heading(visit.design_code or "")
    foreign: dict[str, list[str]] = {}
    for row in rows:
        code = row.get("design_code")
        if own and code and plain_heading(code) != own:
            foreign.setdefault(code, []).append(row.where)
    for code, wheres in foreign.items():
        home = next((name for other, name in other_codes.items() if plain_heading(other) == plain_heading(code)), None)
        of = (
            f"design code {code}, visit {home}'s" if home else f"design code {code}, a design this survey does not have"
        )
        remedy = f"load it with --visit {home}" if home else "find the survey file this sheet was printed from"
        log.ask(show_rows(wheres), of, f"{visit.design_code}, visit {visit.visit}'s", remedy)
    return [row for row in rows if row.get("design_code") not in foreign]


def _check_visits(rows: Sequence[Row], visit: Visit, log: Log) -> list[Row]:
    """Ask once for each foreign visit's name; a date that a spreadsheet rewrote is forgiven."""
    foreign: dict[str, list[str]] = {}
    rewritten: dict[str, list[str]] = {}
    for row in rows:
        name = row.get("visit")
        if not name or plain_heading(name) == plain_heading(visit.visit):
            continue
        group = rewritten if same_date(name, visit.visit) else foreign
        group.setdefault(name, []).append(row.where)
    for name, wheres in rewritten.items():
        log.note(show_rows(wheres), f"visit '{name}'", f"read as {visit.visit}, the same date")
    for name, wheres in foreign.items():
        log.ask(show_rows(wheres), f"visit '{name}'", f"{visit.visit}", "load it with --visit, or correct the column")
    return [row for row in rows if row.get("visit") not in foreign]
