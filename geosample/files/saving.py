"""Writing files whole, so that no reader sees half of one; texts made harmless, one function a kind of place.

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

import base64
import contextlib
import csv
import errno
import hashlib
import html
import io
import json
import os
import re
import tempfile
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geosample.errors import GeosampleError, Problem

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import geopandas as gpd
    import pandas as pd


SQLITE_HEADER = b"SQLite format 3\x00"
"""The first bytes of every SQLite 3 file, and so of every GeoPackage (sqlite.org/fileformat2, 1.3.1)."""
_REMEDY = "free some space, or choose a place you may write to and close the file in other programs"


def make_folder(folder: str | Path, error: type[GeosampleError] = GeosampleError) -> Path:
    """Make the folder with all above it, if it is not there, and return it.

    Raises
    ------
    GeosampleError
        As ``error``, when it can't be made or written to; so a command can ask before it starts on long work.
    """
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=place):
            pass
    except OSError as cause:
        problem = Problem(
            str(place), f"'{cause.strerror or cause}'", "a folder to write to", "choose another with --out"
        )
        raise error(problem) from cause
    return place


def save_file(path: str | Path, data: bytes, error: type[GeosampleError] = GeosampleError) -> Path:
    """Write the bytes beside their place, put them there in one step, and return the path.

    Parameters
    ----------
    path : str or Path
        Where to; its folder is made, and a file there is replaced.
    data : bytes
        All that is to stand in it.
    error : type
        Which error to raise.

    Raises
    ------
    GeosampleError
        As ``error``, when there is no room or no permission, or a survey file stands there; nothing is left half
        written.
    """
    place = Path(path).resolve()  # a link stays a link
    if _is_survey(place) or _is_survey(Path(path)):
        remedy = "name another file: results are never written over a survey"
        raise error(Problem(str(path), "a survey file's name", "a file for results", remedy))
    part = lost = ""
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        handle, part = tempfile.mkstemp(prefix=f".{place.name}.", dir=place.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        lost = keep_rights(Path(part), place)
        Path(part).replace(place)
    except OSError as cause:
        found = f"'{cause.strerror or cause}'"
        raise error(Problem(str(path), found, "room and permission to write", _REMEDY)) from cause
    finally:
        if part:
            with contextlib.suppress(OSError):
                Path(part).unlink(missing_ok=True)
    if lost:
        from geosample.report import talk

        talk(f"{path}: {lost}")
    return Path(path)


def keep_rights(part: Path, place: Path) -> str:
    """Give a new file the owner and rights of the one it replaces, or else the usual ones: mkstemp keeps it to us.

    Returns
    -------
    str
        Why the owner could not be kept; '' where all is as it was.
    """
    if not place.exists():
        mask = os.umask(0)
        os.umask(mask)
        part.chmod(0o666 & ~mask)
        return ""
    was, now, lost = place.stat(), part.stat(), ""
    if hasattr(os, "chown") and (was.st_uid, was.st_gid) != (now.st_uid, now.st_gid):
        try:
            os.chown(part, was.st_uid, was.st_gid)
        except OSError:
            lost = f"its owner was {_name_owner(was)}, and only the system's administrator may give files away"
    part.chmod(was.st_mode & 0o777)
    return lost


def tell_rights(file: Path) -> str:
    """Return in words why a file or folder may not be written to; '' where it may."""
    state = file.stat()
    ours = os.access(file, os.W_OK, effective_ids=os.access in os.supports_effective_ids)
    if ours and state.st_mode & 0o222:  # an administrator may write all the same, and should not
        return ""
    return f"'{os.strerror(errno.EACCES)}' (mode {state.st_mode & 0o777:04o}, owner {_name_owner(state)})"


def _name_owner(state: os.stat_result) -> str:
    try:
        import pwd

        return pwd.getpwuid(state.st_uid).pw_name
    except (ImportError, KeyError):
        return str(state.st_uid)


def _is_survey(place: Path) -> bool:
    """Return whether a name or what stands there is a GeoPackage's: OGC 12-128r15, 1.1.1, a SQLite 3 file."""
    if place.suffix.lower() == ".gpkg":
        return True
    try:
        with place.open("rb") as file:
            return file.read(16) == SQLITE_HEADER
    except OSError:
        return False


# What a spreadsheet takes for the start of a formula, wide forms too, or passes over before one; numbers are none.
_FORMULA = re.compile(r"'*(?: *[\t\r\n]|\s*[=+\-@＝＋－＠])")
_NUMBER = re.compile(r"'*[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?")
# What XML 1.0 cannot hold (W3C 2008, production 2, Char).
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_CONTROL_PICTURES = 0x2400  # Unicode's block of signs that show a control character
_SPACE = 0x20
_TAGS = re.compile(r"<[^>]*>")


_EARLIEST = (1980, 1, 1, 0, 0, 0)  # the same frames make the same zip: no clock in it


def pack_shapefiles(frames: Mapping[tuple[str, str], gpd.GeoDataFrame]) -> bytes:
    """Return a zip of shapefiles, one a frame; the key is its name and the kind of its shapes, such as Polygon."""
    import pyogrio

    packed = io.BytesIO()
    with tempfile.TemporaryDirectory() as folder:
        for (name, shape), frame in frames.items():
            file = Path(folder) / f"{name}.shp"
            pyogrio.write_dataframe(frame, file, driver="ESRI Shapefile", geometry_type=shape, encoding="UTF-8")
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as pack:
            for part in sorted(Path(folder).iterdir()):
                pack.writestr(zipfile.ZipInfo(part.name, _EARLIEST), part.read_bytes(), zipfile.ZIP_DEFLATED)
    return packed.getvalue()


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


def write_row(cells: Iterable[str]) -> bytes:
    r"""Return one row of CSV in UTF-8, every text in it made harmless: for a table that grows row by row.

    Examples
    --------
    >>> write_row(["=1", "a,b", "7"]).decode()
    '\'=1,"a,b",7\r\n'
    """
    row = io.StringIO()
    csv.writer(row, lineterminator="\r\n").writerow([escape_cell(cell) for cell in cells])
    return row.getvalue().encode()


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


def name_by_hash(text: str) -> str:
    """Return what a page's policy calls a script or style of its own, so that no other runs.

    Examples
    --------
    >>> name_by_hash("")
    "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"
    """
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode('ascii')}'"
