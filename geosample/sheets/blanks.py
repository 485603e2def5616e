"""What the crew fills in: the blank counts as CSV and as a workbook, the same as a form for phones, and their columns.

One header row, one row a bag. The columns before ``status`` come filled in; ``status`` and after are the crew's to
fill. ``lat`` and ``lon`` stay blank unless the plug was moved: the planned place is in the waypoints and on the map.
The forms are XLSForms (open standard, xlsform.org), one for the round and one for the bench, fields named as columns.
"""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import openpyxl
import pandas as pd
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.utils.exceptions import InvalidFileException
from openpyxl.worksheet.datavalidation import DataValidation

from geosample.design import CONTAINERS
from geosample.errors import Problem, SheetsError
from geosample.files.reading import check_archive
from geosample.files.saving import escape_cell, escape_xml, write_csv
from geosample.palettes import GREYS
from geosample.report.sheets import COUNT_ERROR, FIX_HINT, FORM_TITLES, HOW_TO_FILL, QUESTIONS, tell_counting
from geosample.words import EFFORT, NO_HOLE, STATUSES, UNSTAGED, hole_label, make_sample_id

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

    from geosample.design import Design
    from geosample.pests import Pest

FILLED_COLUMNS = (
    "design_code",
    "visit",
    "batch",
    "sample_id",
    "point_id",
    "surface_id",
    "walk_order",
    "role",
    "method",
    "plugs",
)
"""What the program fills in; ``plugs`` is the plan's and may be corrected by hand."""
SITE = "site"
"""What the program fills in besides for a trial."""
FATE_COLUMNS = ("status", "moved", "lat", "lon", "accuracy_m", "could_not", "hole_filled")
"""What became of the point: one of ``words.STATUSES``, whether it was moved, and if so where to (degrees, metres); why
it could not be sampled, and whether its hole was filled, as on the crew's sheets."""
BENCH_COLUMNS = ("none_found",), ("others_found", "not_done")
"""What the bench ticks or writes beside the counts, before them and after them, as on its sheet."""
HAND_COLUMNS = ("collector", "counted_by", "collected_at", "note")
"""Who, when, and anything else."""
_UNREADABLE = (OSError, ValueError, KeyError, RuntimeError, csv.Error, zipfile.BadZipFile, InvalidFileException)
_GIVEN = PatternFill("solid", fgColor=GREYS[1].lstrip("#"))
_RESERVE = PatternFill("solid", fgColor=GREYS[2].lstrip("#"))
_SURVEY = (
    "type",
    "name",
    "label",
    "hint",
    "required",
    "relevant",
    "constraint",
    "constraint_message",
    "calculation",
    "choice_filter",
    "default",
)
_XPATH = {"relevant", "constraint", "calculation", "choice_filter"}  # a language of its own, in which quote marks count


def stage_columns(profile: Pest) -> tuple[str, ...]:
    """Return the columns insects are counted in: the profile's stages in order, then ``unstaged``.

    Examples
    --------
    >>> from geosample.pests import load_pest
    >>> stage_columns(load_pest())[:3]
    ('egg', 'L1', 'L2')
    """
    return (*(stage.key for stage in profile.stages), UNSTAGED)


def sheet_columns(profile: Pest, *, trial: bool = False) -> tuple[str, ...]:
    """Return the blank sheet's header row; a trial's has each block's site, and asks for the time a bag takes.

    Examples
    --------
    >>> from geosample.pests import load_pest
    >>> sheet_columns(load_pest())[10:20]
    ('status', 'moved', 'lat', 'lon', 'accuracy_m', 'could_not', 'hole_filled', 'none_found', 'egg', 'L1')
    """
    before, after = BENCH_COLUMNS
    site, effort = ((SITE,), EFFORT) if trial else ((), ())
    counts = *before, *stage_columns(profile), *after
    return (*FILLED_COLUMNS, *site, *FATE_COLUMNS, *counts, *effort, *HAND_COLUMNS)


def ordered_points(design: Design, role: str) -> pd.DataFrame:
    """Return the design's points of one role in walking order, ties by label."""
    points = design.points[design.points["role"] == role]
    ordered: pd.DataFrame = points.sort_values(["walk_order", "point_id"], kind="stable").reset_index(drop=True)
    return ordered


def blank_rows(design: Design, profile: Pest, *, method: str = "brine", batch: int = CONTAINERS) -> pd.DataFrame:
    """Return the blank sheet: a row a bag in the order of the bench sheet, which is what it is typed from.

    Parameters
    ----------
    design : Design
        The visit's points.
    profile : Pest
        Whose stages are counted.
    method : str
        One of ``words.METHODS``; it travels with every count.
    batch : int
        Bags extracted at once.

    Returns
    -------
    DataFrame
        The columns of ``sheet_columns``; what the crew fills is None, since blank is not zero.
    """
    points = bench_order(design, method, batch=batch)
    filled = {
        "design_code": design.visit.design_code,
        "visit": design.visit.visit,
        "batch": points["batch"].to_list(),
        "sample_id": points["sample_id"].to_list(),
        **{name: points[name].to_list() for name in ("point_id", "surface_id", "walk_order", "role", "method")},
        "plugs": design.visit.units_per_point,
    }
    columns = sheet_columns(profile, trial=bool(design.visit.compare))
    if SITE in columns:
        filled[SITE] = design.sites_of(points).to_list()
    blank = dict.fromkeys(name for name in columns if name not in filled)
    return pd.DataFrame({**filled, **blank}, index=range(len(points)), columns=list(columns))


def list_bags(design: Design, method: str) -> pd.DataFrame:
    """Return a row a bag: the points in walking order, main before reserve, each with its ``method`` and ``sample_id``.

    A visit drawn in split blocks gives a bag a method at every point, whatever the method asked for.
    """
    points = pd.concat([ordered_points(design, "main"), ordered_points(design, "reserve")], ignore_index=True)
    methods = list(design.visit.compare or [method])
    bags = points.loc[points.index.repeat(len(methods))].reset_index(drop=True).assign(method=methods * len(points))
    names = [make_sample_id(point, one) for point, one in zip(bags["point_id"], bags["method"], strict=True)]
    return pd.DataFrame(bags.assign(sample_id=names))


def bench_order(design: Design, method: str, *, batch: int = CONTAINERS) -> pd.DataFrame:
    """Return the bags in the order they are extracted, method by method, reserve bags last, with their ``batch``.

    With stop lines, stratum after stratum; without, all strata in step, so that whenever the time runs out each is
    extracted as far as the others. Within a stratum the order is the design's own spread one.
    """
    bags = list_bags(design, method)
    size = bags.groupby(["stratum", "role"])["extract_order"].transform("max").clip(lower=1)
    spare = bags["role"] != "main"
    if design.visit.stop_lines:
        turn = pd.Series(pd.factorize(bags["stratum"])[0], index=bags.index) + bags["extract_order"] / (size + 1)
    else:
        turn = bags["extract_order"] / size
    keyed = bags.assign(spare=spare, turn=turn.where(~spare, 0.0))
    names = list(dict.fromkeys(bags["method"]))
    ordered = keyed.sort_values(
        ["method", "spare", "turn", "walk_order"],
        key=lambda column: column.map(names.index) if column.name == "method" else column,
        kind="stable",
    ).reset_index(drop=True)
    numbered: pd.DataFrame = ordered.assign(batch=ordered.groupby("method").cumcount() // batch + 1)
    return numbered


def make_csv(rows: pd.DataFrame) -> bytes:
    """Return the blank sheet as comma-separated text with one header row, as spreadsheets open it."""
    return write_csv(rows, line_end="\r\n", encoding="utf-8-sig")


def make_workbook(rows: pd.DataFrame, profile: Pest) -> bytes:
    """Return the blank sheet as a workbook: a sheet a batch, in the bench's order, then sheet ``how to fill``."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    several = rows["method"].nunique() > 1
    for _, some in rows.groupby(["method", "batch"], sort=False):
        method, batch = some["method"].iloc[0], some["batch"].iloc[0]
        sheet = book.create_sheet(f"{method} {batch}" if several else f"batch {batch}")
        sheet.append(list(rows.columns))
        for row in some.astype(object).itertuples(index=False):
            sheet.append([escape_cell(escape_xml(cell)) if isinstance(cell, str) else cell for cell in row])
        _style_counts(sheet, some)
        _add_checks(sheet, list(rows.columns), stage_columns(profile))
    how = book.create_sheet("how to fill")
    for line in (("column", "what to write"), *HOW_TO_FILL):
        how.append(list(line))
    how.column_dimensions["A"].width, how.column_dimensions["B"].width = 22, 100
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def check_not_filled(paths: Iterable[Path]) -> None:
    """Raise SheetsError for every blank sheet at these paths that somebody has written in.

    A sheet that can't be read as ours counts as written in: better asked once too often.
    """
    problems = [
        Problem(
            str(path),
            "a sheet that is filled in",
            "no sheet there, or a blank one",
            "give another --out folder, or --force to write over it",
        )
        for path in paths
        if path.exists() and is_filled(path)
    ]
    if problems:
        raise SheetsError(problems)


def is_filled(path: Path) -> bool:
    """Return whether a sheet holds anything besides what the program wrote."""
    try:
        tables: Sequence[Sequence[Sequence[Any]]]
        tables = [_read_csv(path)] if path.suffix.lower() == ".csv" else _read_workbook(path)
    except _UNREADABLE:
        return True
    heads = [list(map(str, table[0])) if table else [] for table in tables]
    if not set(FILLED_COLUMNS) <= set(heads[0]):
        return True
    ours = [(table, head) for table, head in zip(tables, heads, strict=True) if set(FILLED_COLUMNS) <= set(head)]
    return any(
        _has_words(row, [number for number, name in enumerate(head) if name not in (*FILLED_COLUMNS, SITE)])
        for table, head in ours
        for row in table[1:]
    )


def _has_words(row: Sequence[Any], columns: Sequence[int]) -> bool:
    cells = [row[number] for number in columns if number < len(row)]
    return any(cell is not None and str(cell).strip() for cell in cells)


def _read_csv(path: Path) -> list[list[str]]:
    with path.open(newline="", encoding="utf-8-sig") as file:
        return list(csv.reader(file))


def _read_workbook(path: Path) -> list[list[tuple[Any, ...]]]:
    check_archive(path)
    book = openpyxl.load_workbook(path, read_only=True)
    try:
        for sheet in book.worksheets:
            sheet.reset_dimensions()  # a stray cell in its last corner would make every row as wide
        return [list(sheet.iter_rows(values_only=True)) for sheet in book.worksheets]
    finally:
        book.close()


def _style_counts(sheet: Worksheet, rows: pd.DataFrame) -> None:
    """Freeze the head and the labels, shade what is given and mark off the reserve."""
    label = list(rows.columns).index("point_id") + 2
    sheet.freeze_panes = sheet.cell(2, label)
    for number, name in enumerate(rows.columns, start=1):
        sheet.cell(1, number).font = Font(bold=True)
        sheet.cell(1, number).alignment = Alignment(text_rotation=60 if name not in FILLED_COLUMNS else 0)
        sheet.column_dimensions[get_column_letter(number)].width = max(7, len(name) + 2)
    for row, role in enumerate(rows["role"], start=2):
        for number in range(1, len(FILLED_COLUMNS) + 1):
            sheet.cell(row, number).fill = _RESERVE if role == "reserve" else _GIVEN


def _add_checks(sheet: Worksheet, columns: list[str], stages: tuple[str, ...]) -> None:
    """Let the workbook itself refuse a count that is no whole number, and offer the words of status."""
    last = max(sheet.max_row, 2)
    counts = DataValidation("whole", operator="greaterThanOrEqual", formula1="0", allow_blank=True)
    counts.error = COUNT_ERROR
    status = DataValidation("list", formula1=f'"{",".join(STATUSES)}"', allow_blank=True)
    ticks = DataValidation("list", formula1='"yes,no"', allow_blank=True)
    ticked = ("moved", "hole_filled", "none_found", "not_done")
    for check, names in ((counts, stages), (status, ("status",)), (ticks, ticked)):
        check.showErrorMessage = True
        sheet.add_data_validation(check)
        for name in names:
            letter = get_column_letter(columns.index(name) + 1)
            check.add(f"{letter}2:{letter}{last}")


def make_forms(design: Design, profile: Pest, *, method: str, batch: int) -> dict[str, bytes]:
    """Return the XLSForm workbooks by name: the round's, a submission a point, and the bench's, a submission a bag.

    Parameters
    ----------
    design : Design
        The point list.
    profile : Pest
        The stages.
    method : str
        As for ``blank_rows``.
    batch : int
        Bags extracted at once.
    """
    bags = bench_order(design, method, batch=batch)
    places = bags.drop_duplicates("point_id").sort_values("walk_order", kind="stable")
    return {
        "form_pull.xlsx": _make_form(design, "pull", _pull_questions(design), _pull_choices(places)),
        "form_bench.xlsx": _make_form(design, "bench", _bench_questions(profile), _bench_choices(bags)),
    }


def _make_form(design: Design, name: str, questions: list[dict[str, str]], choices: list[dict[str, str]]) -> bytes:
    visit = design.visit
    letters = "".join(letter if letter.isalnum() else "_" for letter in visit.design_code)
    settings = {
        "form_title": f"{FORM_TITLES[name]} {visit.visit} ({visit.design_code})",
        "form_id": f"turf_{name}_{letters}",
        "version": visit.design_code,
        "default_language": "English (en)",
    }
    asked = [
        {"type": "start", "name": "start"},
        {"type": "calculate", "name": "design_code", "calculation": quote_text(visit.design_code)},
        {"type": "calculate", "name": "visit", "calculation": quote_text(visit.visit)},
        *questions,
        _ask("text", "note"),
    ]
    yes_no = [{"list_name": "yes_no", "name": word, "label": word} for word in ("yes", "no")]
    tabs = (
        ("survey", _SURVEY, asked),
        ("choices", ("list_name", "name", "label", "of"), [*choices, *yes_no]),
        ("settings", tuple(settings), [settings]),
    )
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, heads, rows in tabs:
        sheet = book.create_sheet(title)
        sheet.append(list(heads))
        for row in rows:
            sheet.append([_show_cell(row.get(head, ""), head) for head in heads])
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def _show_cell(text: str, head: str) -> str | None:
    plain = escape_xml(text)
    # a hole named ${x} would be taken for a question's answer
    return (plain if head in _XPATH else escape_cell(plain.replace("${", "$ {"))) or None


def _pull_questions(design: Design) -> list[dict[str, str]]:
    """Return what the crew's sheets ask at a point."""
    pulled = {"relevant": "${could_not} = ''"}
    return [
        _ask("text", "collector"),
        _ask("select_one holes", "hole", required="yes"),
        _ask("select_one points", "point_id", required="yes", choice_filter="of=${hole}"),
        _ask("text", "could_not"),
        _ask("integer", "plugs", default=str(design.visit.units_per_point), **_whole("1"), **pulled),
        _ask("select_one yes_no", "moved", default="no", **pulled),
        _ask("geopoint", "position", hint=FIX_HINT, relevant="${moved} = 'yes'"),
        _ask("select_one yes_no", "hole_filled", **pulled),
        _ask("dateTime", "collected_at", default="now()"),
    ]


def _bench_questions(profile: Pest) -> list[dict[str, str]]:
    """Return what the bench sheet asks of a bag."""
    counted = {"relevant": "${not_done} != 'yes' and ${none_found} != 'yes'"}
    stages = [*((stage.key, stage.name) for stage in profile.stages), (UNSTAGED, "stages not told apart")]
    return [
        _ask("text", "counted_by"),
        _ask("select_one batches", "batch", required="yes"),
        _ask("select_one bags", "sample_id", required="yes", choice_filter="of=${batch}"),
        _ask("select_one yes_no", "not_done", default="no"),
        _ask("select_one yes_no", "none_found", default="no", relevant="${not_done} != 'yes'"),
        # No group round the counts: an export would put its name before theirs, and they are the blank's columns.
        # Blank is allowed, since not looked for is not zero.
        {"type": "note", "name": "how_to_count", "label": tell_counting(profile.name), **counted},
        *(
            {"type": "integer", **counted, **_whole("0"), "name": key, "label": f"Counted: {name}"}
            for key, name in stages
        ),
        _ask("text", "others_found", **counted),
    ]


def _ask(kind: str, name: str, **more: str) -> dict[str, str]:
    return {"type": kind, "name": name, "label": QUESTIONS[name], **more}


def _whole(least: str) -> dict[str, str]:
    return {"constraint": f". >= {least}", "constraint_message": f"A whole number, {least} or more"}


def quote_text(text: str) -> str:
    r"""Return a text as XPath 1.0 writes it: a string holds one kind of quotation mark at most.

    Examples
    --------
    >>> quote_text("May"), quote_text("Ann's"), quote_text("${x}")
    ("'May'", '"Ann\'s"', "concat('', '$', '{x}')")
    """
    if "${" in text:  # the form's own sign for an answer
        before, _, after = text.partition("${")
        return f"concat({quote_text(before)}, '$', {quote_text('{' + after)})"
    if "'" not in text:
        return f"'{text}'"
    if '"' not in text:
        return f'"{text}"'
    parts = ', "\'", '.join(f"'{part}'" for part in text.split("'"))
    return f"concat({parts})"


def _pull_choices(places: pd.DataFrame) -> list[dict[str, str]]:
    rows = []
    for point in places.to_dict("records"):
        mark = " (reserve)" if point["role"] == "reserve" else ""
        label = f"{point['point_id']}: {point['kind']}{mark}"
        one = {"list_name": "points", "name": point["point_id"], "label": label, "of": hole_label(point["hole"])}
        rows.append(one)
    names = {hole_label(hole): hole if isinstance(hole, str) else NO_HOLE for hole in places["hole"]}
    return [*({"list_name": "holes", "name": name, "label": label} for name, label in names.items()), *rows]


def _bench_choices(bags: pd.DataFrame) -> list[dict[str, str]]:
    named = list(zip(bags["sample_id"].astype(str), bags["batch"].astype(str), strict=True))
    batches = dict.fromkeys(batch for _, batch in named)
    return [
        *({"list_name": "batches", "name": batch, "label": batch} for batch in batches),
        *({"list_name": "bags", "name": name, "label": name, "of": batch} for name, batch in named),
    ]
