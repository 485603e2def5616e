"""The counts as an XLSForm (open standard, xlsform.org), for phones: points, stages and the position."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import openpyxl

from geosample.escape import escape_cell, escape_xml
from geosample.sheets.columns import ordered_points
from geosample.words import METHOD_LETTERS, METHODS, STATUSES, UNSTAGED

if TYPE_CHECKING:
    from geosample.design import Design
    from geosample.pests import Pest

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
    "default",
)
_CHOICES = ("list_name", "name", "label")
_XPATH = {"relevant", "constraint", "calculation"}  # a language of its own, in which quote marks count
_COUNTED = "${status} = 'counted'"


def make_form(design: Design, profile: Pest, *, method: str) -> bytes:
    """Return an XLSForm workbook: one submission a bag, its fields named as the blank sheet's columns.

    Parameters
    ----------
    design : Design
        The point list.
    profile : Pest
        The stages.
    method : str
        The method offered first.
    """
    book = openpyxl.Workbook()
    _fill(book.active, "survey", _SURVEY, _questions(design, profile, method))
    _fill(book.create_sheet(), "choices", _CHOICES, _choices(design))
    visit = design.visit
    settings = [
        (f"Turf plugs {visit.visit} ({visit.design_code})", _form_id(design), visit.design_code, "English (en)")
    ]
    heads = ("form_title", "form_id", "version", "default_language")
    _fill(book.create_sheet(), "settings", heads, [dict(zip(heads, row, strict=True)) for row in settings])
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def _fill(
    sheet: openpyxl.worksheet.worksheet.Worksheet, title: str, heads: tuple[str, ...], rows: list[dict[str, str]]
) -> None:
    sheet.title = title
    sheet.append(list(heads))
    for row in rows:
        sheet.append([_show_cell(row.get(head, ""), head) for head in heads])


def _show_cell(text: str, head: str) -> str | None:
    plain = escape_xml(text)
    # a hole named ${x} would be taken for a question's answer
    return (plain if head in _XPATH else escape_cell(plain.replace("${", "$ {"))) or None


def _questions(design: Design, profile: Pest, method: str) -> list[dict[str, str]]:
    visit = design.visit
    return [
        {"type": "start", "name": "start"},
        {"type": "calculate", "name": "design_code", "calculation": quote_text(visit.design_code)},
        {"type": "calculate", "name": "visit", "calculation": quote_text(visit.visit)},
        {"type": "text", "name": "collector", "label": "Who pulled the plugs"},
        {"type": "select_one points", "name": "point_id", "label": "Point", "required": "yes"},
        {"type": "select_one methods", "name": "method", "label": "Method", "required": "yes", "default": method},
        {"type": "calculate", "name": "sample_id", "calculation": _sample_id()},
        {"type": "dateTime", "name": "collected_at", "label": "When the plugs were pulled", "default": "now()"},
        {"type": "integer", "name": "plugs", "label": "Plugs pulled", "default": str(visit.units_per_point)}
        | _whole("1"),
        {"type": "select_one yes_no", "name": "moved", "label": "Moved from the planned place?", "default": "no"},
        {"type": "geopoint", "name": "position", "label": "Where the plugs were pulled"}
        | {"hint": "Wait for a fix of 5 m or better", "relevant": "${moved} = 'yes'"},
        {"type": "select_one statuses", "name": "status", "label": "What became of the bag", "required": "yes"},
        *_counts(profile),
        {"type": "text", "name": "counted_by", "label": "Who counted", "relevant": _COUNTED},
        {"type": "text", "name": "note", "label": "Note"},
    ]


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


def _counts(profile: Pest) -> list[dict[str, str]]:
    """Return a whole number a stage; blank is allowed, since not looked for is not zero.

    No group round them: an export would put its name before theirs, and they are the blank sheet's columns.
    """
    hint = "0: looked and found none. Blank: did not look."
    names = [(stage.key, stage.name) for stage in profile.stages] + [(UNSTAGED, "not told apart")]
    asked = {"type": "integer", "relevant": _COUNTED} | _whole("0")
    numbers = [{**asked, "name": key, "label": f"Counted: {name}"} for key, name in names]
    start = {"type": "note", "name": "how_to_count", "label": f"Counts of {profile.name}. {hint}"}
    return [{**start, "relevant": _COUNTED}, *numbers]


def _whole(least: str) -> dict[str, str]:
    return {"constraint": f". >= {least}", "constraint_message": f"A whole number, {least} or more"}


def _sample_id() -> str:
    letter = "'X'"
    for method, initial in METHOD_LETTERS.items():
        letter = f"if(${{method}} = '{method}', '{initial}', {letter})"
    return f"concat(${{point_id}}, '-', {letter})"


def _choices(design: Design) -> list[dict[str, str]]:
    rows = []
    for role in ("main", "reserve"):
        for point in ordered_points(design, role).to_dict("records"):
            hole = f", hole {point['hole']}" if isinstance(point["hole"], str) else ""
            mark = " (reserve)" if role == "reserve" else ""
            label = f"{point['point_id']}: {point['kind']}{hole}{mark}"
            rows.append({"list_name": "points", "name": point["point_id"], "label": label})
    rows += [{"list_name": "methods", "name": name, "label": name} for name in METHODS]
    rows += [{"list_name": "statuses", "name": name, "label": words.choice} for name, words in STATUSES.items()]
    return rows + [{"list_name": "yes_no", "name": name, "label": name} for name in ("yes", "no")]


def _form_id(design: Design) -> str:
    letters = "".join(letter if letter.isalnum() else "_" for letter in design.visit.design_code)
    return f"turf_plugs_{letters}"
