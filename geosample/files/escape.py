"""Text that came from a file, made harmless for the place it goes to: one function a kind of place.

=================  ==============================  ==============================================
place              made harmless by                read back by
=================  ==============================  ==============================================
CSV, workbook      `escape_cell`, `write_csv`      `read_cell` (``counts`` and ``ground`` use it)
KML, GPX           `escape_xml`                    any reader of XML
HTML; KML's        `escape_html`                   `read_html`
description
script of a page   `escape_json`                   the browser
=================  ==============================  ==============================================
"""

from __future__ import annotations

import html
import json
import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

# What a spreadsheet takes for the start of a formula, wide forms too, or passes over before one; numbers are none.
_FORMULA = re.compile(r"'*(?: *[\t\r\n]|\s*[=+\-@＝＋－＠])")
_NUMBER = re.compile(r"'*[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?")
# What XML 1.0 cannot hold (W3C 2008, production 2, Char).
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_CONTROL_PICTURES = 0x2400  # Unicode's block of signs that show a control character
_SPACE = 0x20
_TAGS = re.compile(r"<[^>]*>")


def escape_cell(text: str) -> str:
    r"""Return a table's cell so that no spreadsheet works it out as a formula: an apostrophe before it, where need be.

    Plain numbers stay numbers. `read_cell` takes the apostrophe off again, and no other.

    Examples
    --------
    >>> [escape_cell(text) for text in ("=1+1", "@here", "\t=1", "-1.5", "'Tis", "7")]
    ["'=1+1", "'@here", "'\t=1", '-1.5', "'Tis", '7']
    """
    return f"'{text}" if _is_formula(text) else text


def read_cell(text: str) -> str:
    """Return what `escape_cell` was given.

    Examples
    --------
    >>> read_cell("'=1+1"), read_cell("'Tis"), read_cell(escape_cell("'=1"))
    ('=1+1', "'Tis", "'=1")
    """
    return text[1:] if text.startswith("'") and _is_formula(text) else text


def _is_formula(text: str) -> bool:
    return bool(_FORMULA.match(text)) and not _NUMBER.fullmatch(text)


def write_csv(frame: pd.DataFrame, *, line_end: str = "\n", encoding: str = "utf-8") -> bytes:
    """Return a table as CSV with one header row, every text in it made harmless and every number as it is.

    Parameters
    ----------
    frame : DataFrame
        Its index is left out.
    line_end : str
        Between the rows.
    encoding : str
        ``utf-8-sig`` for what a spreadsheet is to open by a double click.
    """
    from pandas.api.types import is_numeric_dtype

    texts = [name for name in frame.columns if not is_numeric_dtype(frame[name])]
    safe = frame[texts].map(lambda value: escape_cell(value) if isinstance(value, str) else value)
    return str(frame.assign(**safe).to_csv(index=False, lineterminator=line_end)).encode(encoding)


def escape_xml(text: str) -> str:
    r"""Return a text that XML can hold: a control character as its picture, what is no character as a mark.

    The marks ``& < >`` are left: whoever writes the element escapes them.

    Examples
    --------
    >>> escape_xml("a\x07b & \ud800")
    'a␇b & �'
    """
    return _NOT_XML.sub(lambda m: chr(_CONTROL_PICTURES + ord(m[0])) if ord(m[0]) < _SPACE else "\ufffd", text)


def escape_html(text: str) -> str:
    """Return a text as an HTML element's content that shows it, also where a viewer takes a KML description for HTML.

    Examples
    --------
    >>> escape_html("<b>'7' & more")
    "&lt;b&gt;'7' &amp; more"
    """
    return html.escape(text, quote=False)


def read_html(text: str) -> str:
    """Return the plain text of HTML: a space for every tag, the signs for their names.

    Examples
    --------
    >>> read_html("L3 = 4<br>L4 = 2"), read_html(escape_html("<b> & more"))
    ('L3 = 4 L4 = 2', '<b> & more')
    """
    return html.unescape(_TAGS.sub(" ", text))


def escape_json(value: Any) -> str:
    r"""Return JSON that can stand inside a page's script element, whatever its texts hold.

    Examples
    --------
    >>> escape_json({"name": "</script>"})
    '{"name":"\\u003c/script>"}'
    """
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")
