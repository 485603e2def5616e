"""What headings and cells mean: the blank sheet's own names, the trade's other words, a number, a tick, a date.

A cell that needs guessing is asked about instead.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache

from geosample.files.reading import Log, Table
from geosample.pests import Pest
from geosample.units import LENGTHS_M
from geosample.words import METHODS, STATUSES, UNSTAGED

# Field of the reader -> other words for it; the blank sheet's own column comes first.
FIELDS: dict[str, tuple[str, ...]] = {
    "design_code": ("design", "code", "sheet code"),
    "visit": ("round", "visit name"),
    "sample_id": ("sample", "bag", "bag id", "bag label", "sample label"),
    "point_id": ("point", "pt", "label", "point label", "point name", "name", "waypoint", "station", "location"),
    "surface_id": ("surface",),
    "hole": (),
    "walk_order": ("order", "walk", "walking order"),
    "role": ("main or reserve",),
    "kind": ("surface kind", "surface type", "turf"),
    "method": ("extraction", "extraction method"),
    "plugs": ("cores", "number of plugs", "no of plugs", "n plugs", "plugs pulled", "plugs pooled"),
    "plug": ("plug number", "plug no", "core", "core number"),
    "part": ("subsample", "sub sample", "part of bag"),
    "recount": ("second count", "blind recount"),
    "status": ("fate", "outcome"),
    "moved": ("was moved", "plug moved"),
    "lat": ("latitude", "gps lat", "position latitude", "y lat"),
    "lon": ("long", "lng", "longitude", "gps lon", "position longitude", "x lon"),
    "position": ("geopoint", "coordinates", "gps", "gps position", "lat lon", "latlon", "fix"),
    "accuracy_m": ("accuracy", "gps accuracy", "precision", "position precision", "position accuracy"),
    "none_found": ("none found", "nothing found"),
    "not_done": ("not done",),
    "could_not": ("could not", "could not because", "why not"),
    "others_found": ("others found", "other insects"),
    "hole_filled": ("hole filled", "filled"),
    "moved_to": ("moved to",),
    "batch": (),
    "site": (),
    "minutes": ("minutes at hand",),
    "wait_hours": ("wait hours", "hours waiting", "hours to wait", "hours waited"),
    "entry_id": (),
    "replaces": (),
    "counted_at": ("when counted",),
    "total": ("count", "total count", "insects", "number found", "total found"),
    "collector": ("collected by", "pulled by", "crew"),
    "counted_by": ("counter", "counted", "reader"),
    "collected_at": ("collected", "date", "time", "date time", "datetime", "sampled", "sampled at", "date collected"),
    "note": ("notes", "comment", "comments", "remark", "remarks"),
}

# What phones and form servers add to every row; it says nothing of the plug.
FORM_WORDS = {
    *("start", "end", "today", "key", "id", "uuid", "index", "instanceid", "instancename", "version", "formversion"),
    *("submissiondate", "submission time", "submitterid", "submittername", "submitted by", "deviceid", "how to count"),
    *("attachmentspresent", "attachmentsexpected", "reviewstate", "edits", "validation status", "tags"),
    *("position altitude", "rootuuid", "xform id string", "meta instanceid", "meta rootuuid"),
}


@dataclass(frozen=True, slots=True)
class Columns:
    """What each column of a table is.

    Parameters
    ----------
    fields, stages : dict of str to int
        Field or stage key -> the column's place.
    others : dict of str to int
        Heading nobody knew -> its place; kept in the sample's note.
    """

    fields: dict[str, int]
    stages: dict[str, int]
    others: dict[str, int]


def know_heading(text: str, pest: Pest) -> str | None:
    """Return the field or stage a heading means, or None.

    Examples
    --------
    >>> from geosample.pests import load_pest
    >>> [know_heading(text, load_pest()) for text in ("Point ID", "3rd Instar", "bench/L4", "accuracy (m)", "larvae")]
    ['point_id', 'L3', 'L4', 'accuracy_m', None]
    """
    for word in _readings(text):
        stage = UNSTAGED if word in {UNSTAGED, "not staged"} else pest.stage_of(word)
        meant = stage or _FIELD_OF.get(word)
        if meant:
            return meant
    return None


def find_columns(table: Table, pest: Pest, asked: Mapping[str, str], log: Log) -> Columns | None:
    """Return what each column is, or None after asking about headings that mean the same or about no counts at all.

    Parameters
    ----------
    table : Table
        Its headings.
    pest : Pest
        Whose stages are known.
    log : Log
        Takes what must be asked.
    asked : mapping of str to str
        Heading -> field or stage, by the user's own word, before anything else.
    """
    wanted = {plain_heading(heading): meaning for heading, meaning in asked.items()}
    claims: dict[str, list[int]] = {}
    others: dict[str, int] = {}
    passed = [heading for heading in table.headings if plain_heading(heading) in FORM_WORDS - set(wanted)]
    if passed:
        log.note("form_columns", table.file, {"columns": passed})
    for place, heading in enumerate(table.headings):
        if heading in passed:
            continue
        meant = wanted.get(plain_heading(heading)) or know_heading(heading, pest)
        if meant:
            claims.setdefault(meant, []).append(place)
        elif heading:
            others[heading] = place
    chosen = {meant: _choose(places, meant, table, others) for meant, places in claims.items()}
    if not _usable(table, chosen, others, claims, log):
        return None
    keys = {stage.key for stage in pest.stages} | {UNSTAGED}
    places = {meant: place for meant, place in chosen.items() if place is not None}
    stages = {meant: place for meant, place in places.items() if meant in keys}
    return Columns({meant: place for meant, place in places.items() if meant not in keys}, stages, others)


@lru_cache(4096)  # a sheet says the same words in every row
def plain_heading(text: str) -> str:
    """Return a heading in lower case with one space for every run of marks.

    Examples
    --------
    >>> plain_heading("  Collected_At (local) ")
    'collected at local'
    """
    plain = unicodedata.normalize("NFKC", text).lower()
    return " ".join(re.findall(r"[^\W_]+", plain))


@lru_cache(4096)
def _readings(text: str) -> tuple[str, ...]:
    """Return the ways to read a heading: whole, without its form's group, without its unit, without spaces."""
    last = re.split(r"[/:]", text)[-1]
    words = [plain_heading(text), plain_heading(last)]
    words += [re.sub(r" (?:m|count|counts|found|number)$", "", word) for word in words]
    words += [word.replace(" ", "") for word in words]
    return tuple(word for word in dict.fromkeys(words) if word)


def _choose(places: list[int], meant: str, table: Table, others: dict[str, int]) -> int | None:
    """Return the column to use: the only one, or the one that bears the sheet's own name; None when undecided."""
    if len(places) == 1:
        return places[0]
    own = [place for place in places if table.headings[place] == meant]
    if len(own) != 1 or meant not in FIELDS:  # two columns of one stage are two counts, whatever they are called
        return None
    others.update({table.headings[place]: place for place in places if place != own[0]})
    return own[0]


def _usable(
    table: Table,
    chosen: dict[str, int | None],
    others: dict[str, int],
    claims: dict[str, list[int]],
    log: Log,
) -> bool:
    undecided = [meant for meant, place in chosen.items() if place is None]
    for meant in undecided:
        names = ", ".join(repr(table.headings[i]) for i in claims[meant])
        found = f"columns {names} that all mean {meant}"
        log.refuse(table.file, found, "one of them", "rename or remove the others")
    located = {"point_id", "sample_id", "position"} & set(chosen) or {"lat", "lon"} <= set(chosen)
    if not located:
        remedy = "add the label, or name its column with `columns=heading=point_id`"
        log.refuse(table.file, f"the headings {_names(table.headings)}", "a column of labels or of positions", remedy)
    counted = set(chosen) - set(FIELDS) or {"total", "status", "none_found", "could_not"} & set(chosen)
    if located and not counted:
        remedy = f"name it with `columns={next(iter(others), 'larvae')}={UNSTAGED}`"
        log.refuse(table.file, f"the headings {_names(table.headings)}", "a column of counts or of status", remedy)
    return bool(not undecided and located and counted)


def _names(headings: tuple[str, ...]) -> str:
    return ", ".join(heading for heading in headings if heading)


_FIELD_OF = {plain_heading(word): field for field, words in FIELDS.items() for word in (field, *words)}


STATUS_WORDS = {name: words.also for name, words in STATUSES.items()}
METHOD_WORDS = {
    "brine": ("salt", "salt flotation", "brine flotation", "flotation", "float", "b"),
    "heat": ("heat funnel", "funnel", "berlese", "tullgren", "berlese tullgren", "lamp", "h"),
    "flush": ("soap", "soap flush", "f"),
    "hand": ("hand search", "search", "s"),
    "other": ("x",),
}
_YES = {"yes", "y", "true", "1", "x", "✓", "✔", "moved", "t"}
_NO = {"", "no", "n", "false", "0", "f", "not moved"}
_WHOLE = re.compile(r"\d{1,9}(?:[.,]0+)?")
_GROUP = r"[.,'’ ]"  # what parts thousands somewhere; hard and narrow spaces are plain ones by then
# Read in two ways: 1,000 is a thousand here and one with three decimals there; 1 000 may be two numbers.
_TWO_WAYS = re.compile(rf"[1-9]\d{{0,2}}({_GROUP})\d{{3}}(?:\1\d{{3}})*")
# Thousands and decimals parted by two marks leave one way: 1.000,0 and 1,000.00 are a thousand.
_BOTH_MARKS = re.compile(rf"([1-9]\d{{0,2}}(?:({_GROUP})\d{{3}}(?:\2\d{{3}})*))(?!\2)[.,]0{{1,2}}")
_SUM = re.compile(r"\d{1,6}(?:\s*\+\s*\d{1,6})+")
_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[T ].*)?")
_SHORT = re.compile(r"(\d{1,2})[-/.](\d{1,2})[-/.](\d{4}|\d{2})(?:[T ,].*)?")


@dataclass(frozen=True, slots=True)
class Bad:
    """A cell that can't be read without guessing: what was expected and what to do."""

    expected: str
    remedy: str


def clean_text(text: str) -> str:
    """Return a cell with wide digits, odd minus signs and hard spaces made plain.

    Examples
    --------
    >>> clean_text(" １２\u00a0")
    '12'
    """
    return unicodedata.normalize("NFKC", text).replace("\u2212", "-").replace("\u2013", "-").strip()


def read_whole(text: str, *, sums: bool = False) -> int | Bad | None:
    """Return a whole number, zero or more; None where the cell is blank.

    Parameters
    ----------
    text : str
        The cell.
    sums : bool
        Read ``3+4`` as 7.

    Examples
    --------
    >>> [read_whole(text) for text in ("0", "", "7.0")]
    [0, None, 7]
    >>> read_whole("3+4", sums=True)
    7
    >>> read_whole("12?").expected
    'a whole number, 0 or more'
    >>> read_whole("1,000").remedy, read_whole("1.000,00")
    ('write 1000 if it is that many, and 1 if the zeros are decimals', 1000)
    """
    plain = clean_text(text)
    if not plain:
        return None
    if both := _BOTH_MARKS.fullmatch(plain):
        return int(re.sub(_GROUP, "", both.group(1)))
    if _WHOLE.fullmatch(plain) and not _TWO_WAYS.fullmatch(plain):
        return int(re.split("[.,]", plain)[0])
    if _SUM.fullmatch(plain) and sums:
        return sum(int(part) for part in plain.split("+"))
    return ask_two_ways(plain) or _ask_whole(plain)


def _ask_whole(plain: str) -> Bad:
    if _SUM.fullmatch(plain):
        return Bad("one whole number", "write the sum, or allow sums with `sums`")
    return Bad("a whole number, 0 or more", "write the number counted, 0 if none, or leave it blank if not looked for")


def ask_two_ways(text: str) -> Bad | None:
    """Return the question about a number that is one number here and another there; None for any other text.

    Examples
    --------
    >>> ask_two_ways("1.000").remedy, ask_two_ways("1.00")
    ('write 1000 if it is that many, and 1 if the zeros are decimals', None)
    """
    plain = clean_text(text)
    if not _TWO_WAYS.fullmatch(plain):
        return None
    first, *rest = re.split(_GROUP, plain)
    remedy = f"write {first}{''.join(rest)} if it is that many"
    if rest == ["000"] and re.search("[.,]", plain):
        remedy += f", and {first} if the zeros are decimals"
    return Bad("a number that can be read in one way: it may part thousands or decimals, or be two", remedy)


def read_word(text: str, words: dict[str, tuple[str, ...]], remedy: str) -> str | Bad | None:
    """Return the program's own word for a cell; None where it is blank.

    Examples
    --------
    >>> read_word("No access", STATUS_WORDS, "write one")
    'unreachable'
    """
    plain = plain_heading(text)
    if not plain:
        return None
    for key, others in words.items():
        if plain in {plain_heading(key), *others}:
            return key
    return Bad(f"one of: {', '.join(words)}", remedy)


def read_status(text: str) -> str | Bad | None:
    """Return one of ``words.STATUSES``; None where blank."""
    return read_word(text, STATUS_WORDS, "write one of them, or leave it blank")


def read_method(text: str) -> str | Bad | None:
    """Return one of ``words.METHODS``; None where blank."""
    return read_word(text, {key: METHOD_WORDS[key] for key in METHODS}, "write how the insects were got out")


def read_tick(text: str) -> bool | Bad:
    """Return whether a box is ticked; blank is not.

    Examples
    --------
    >>> read_tick("X"), read_tick(""), read_tick("no")
    (True, False, False)
    """
    plain = clean_text(text).lower()
    if plain in _YES:
        return True
    return False if plain in _NO else Bad("yes or blank", "write yes if it was, else leave it blank")


def read_metres(text: str) -> float | Bad:
    """Return a length in metres; a bare number is metres, a blank not a number.

    Examples
    --------
    >>> read_metres("4,5"), read_metres("16 ft")
    (4.5, 4.8768)
    """
    plain = clean_text(text).lower().lstrip("±").replace(",", ".")
    if not plain:
        return math.nan
    match = re.fullmatch(r"(\d+\.?\d*|\.\d+)\s*([a-z]*)", plain)
    scale = LENGTHS_M.get(match.group(2) or "m") if match else None
    if match is None or scale is None:
        return Bad("metres, or a length with its unit", "write such as 5 or 16ft")
    return float(match.group(1)) * scale


def read_date(text: str, visit: date, days: int) -> date | Bad | None:
    """Return the date a plug was pulled, None where blank; month and day are told apart by the visit's own date.

    Parameters
    ----------
    visit : date
        The visit's date.
    days : int
        How far from it a plug may be dated.

    Examples
    --------
    >>> read_date("5/4/2026 7:30", date(2026, 5, 4), 7), read_date("4.5.26", date(2026, 5, 4), 7)
    (datetime.date(2026, 5, 4), datetime.date(2026, 5, 4))
    >>> read_date("2025-05-04", date(2026, 5, 4), 7).expected
    'a date within 7 days of the visit, 2026-05-04'
    """
    plain = clean_text(text)
    if not plain or re.fullmatch(r"\d{1,2}[:.h]\d{2}(:\d{2})?\s*([ap]\.?m\.?)?", plain.lower()):
        return None
    dates = _dates_of(plain)
    if not dates:
        return Bad("a date such as 2026-05-04", "write it year-month-day")
    near = [day for day in dates if abs(day - visit) <= timedelta(days=days)]
    if not near:
        return Bad(f"a date within {days} days of the visit, {visit}", "correct it, or load it into its own visit")
    return min(near, key=lambda day: abs(day - visit))


def same_date(text: str, other: str) -> bool:
    """Return whether two texts can be the same date, as when a spreadsheet rewrote ``2026-05-04`` as ``5/4/2026``.

    Examples
    --------
    >>> same_date("5/4/2026", "2026-05-04"), same_date("May", "2026-05-04")
    (True, False)
    """
    return bool(set(_dates_of(clean_text(text))) & set(_dates_of(clean_text(other))))


def parse_day(text: str) -> date | None:
    """Return the date an ISO text says, or None."""
    try:
        return datetime.fromisoformat(text.strip()).date()
    except ValueError:
        return None


def _dates_of(text: str) -> list[date]:
    iso, short = _ISO.fullmatch(text), _SHORT.fullmatch(text)
    if iso:
        year, month, day = (int(part) for part in iso.groups())
        tries = [(year, month, day)]
    elif short:
        first, second, year = (int(part) for part in short.groups())
        year += 2000 if year < 100 else 0  # noqa: PLR2004 (two-digit years)
        tries = [(year, first, second), (year, second, first)]
    else:
        return []
    return [day for day in (_day(*parts) for parts in dict.fromkeys(tries)) if day]


def _day(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None
