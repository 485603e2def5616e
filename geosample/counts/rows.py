"""A table's rows as bags of this visit: what each says of its plug and place, or what must be asked about it.

A position is mended only when exactly one mending puts it on the course, and every mending is told.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, TypeVar, cast

import geopandas as gpd
import numpy as np
import pandas as pd

from geosample.counts.meaning import (
    Bad,
    Columns,
    ask_two_ways,
    clean_text,
    plain_heading,
    read_date,
    read_method,
    read_metres,
    read_status,
    read_tick,
    read_whole,
    same_date,
)
from geosample.files.reading import Log, Table, show_rows
from geosample.survey import LAYERS, shape_frame
from geosample.units import FOOT2_M2
from geosample.words import EFFORT, UNSTAGED

if TYPE_CHECKING:
    from geosample.design import Design, Visit


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


MOST_PER_M2 = 2000 / FOOT2_M2
"""Counts above this density are asked about: 2,000 per ft² (no published maximum found; several times any density
in the trade's thresholds, so a slip of the pen rather than a find)."""
DAYS_OF_VISIT = 7
"""A plug dated more than this many days from the visit is asked about (common practice, no source)."""
GPS_WITHIN_M = 10.0
"""How far a position may lie from its point, m, before the receiver's own accuracy is added: twice a phone's usual
4.9 m under open sky (GPS.gov, from memory)."""

MOST_MOVED_M = 100.0
"""A plug ticked as moved farther than this, m, is asked about: a slip of the pen rather than a walk (own choice)."""


@dataclass(frozen=True, slots=True)
class ReadRules:
    """What rows are read against: the visit's own terms, and what the user allows; as in `read_counts`.

    Parameters
    ----------
    day : date or None
        The visit's, where its name or settings give one.
    plugs : int
        The usual plugs of a bag.
    unit_m2 : float
        The turf in one of them.
    """

    day: date | None
    plugs: int
    unit_m2: float
    method: str | None = None
    sums: bool = False
    most_per_m2: float = MOST_PER_M2
    days: int = DAYS_OF_VISIT


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


def read_row(row: Row, rules: ReadRules, log: Log) -> Bag | None:
    """Return the bag a row tells of, without its place; None after asking about every cell that can't be read.

    Parameters
    ----------
    row : Row
        Its cells, as they were written.
    rules : ReadRules
        What they are read against.
    log : Log
        Takes what must be asked.
    """
    before = len(log.problems)
    found = _read_found(row, rules, log)
    status = _read_cell(row, "status", read_status(row.get("status")), log)
    plugs = _read_plugs(row, rules, log)
    accuracy_m = _read_cell(row, "accuracy_m", read_metres(row.get("accuracy_m")), log)
    if rules.day is not None:
        _read_cell(row, "collected_at", read_date(row.get("collected_at"), rules.day, rules.days), log)
    for name in EFFORT:
        _read_cell(row, name, read_amount(row.get(name)), log)
    state = _settle_status(row, status, found, log)
    if state == "counted":
        _check_amount(row, found, plugs, rules, log)
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


def _read_found(row: Row, rules: ReadRules, log: Log) -> dict[str, int]:
    """Return stage -> count for the stages looked for; a bare total counts as unstaged."""
    sums = rules.sums
    read = {stage: _read_cell(row, stage, read_whole(text, sums=sums), log) for stage, text in row.stages.items()}
    found = {stage: count for stage, count in read.items() if count is not None}
    if _read_cell(row, "none_found", read_tick(row.get("none_found")), log):
        if any(found.values()):
            expected = "a tick or counts, not both"
            log.ask(row.where, "none found ticked beside counts", expected, "clear the one that is wrong")
        return dict.fromkeys([stage for stage in row.stages if stage != UNSTAGED] or [UNSTAGED], 0)
    total = _read_cell(row, "total", read_whole(row.get("total"), sums=sums), log)
    if total is None:
        return found
    if not any(row.stages.values()):
        return {UNSTAGED: total}
    if total != sum(found.values()):
        expected = f"the sum of the stages, {sum(found.values())}"
        log.ask(row.where, f"total {total}", expected, "count again, or correct the cell that is wrong")
    return found


def _read_plugs(row: Row, rules: ReadRules, log: Log) -> int:
    """Return how many plugs are in the bag: the plan's number where the row does not say."""
    plugs = _read_cell(row, "plugs", read_whole(row.get("plugs"), sums=rules.sums), log)
    if plugs is None:
        return 1 if row.get("plug") else rules.plugs
    return plugs


def _settle_status(row: Row, status: str | None, found: dict[str, int], log: Log) -> str:
    """Return the status, asking where it and the counts contradict each other."""
    if status is None and _read_cell(row, "not_done", read_tick(row.get("not_done")), log):
        status = "not_extracted"
    if status is None and row.get("could_not") and not found:
        status = "unreachable"
    if status is None or status == "counted":
        if not found and not any(row.stages.values()) and not row.get("total"):
            log.ask(row.where, "status counted without a count", "a count, 0 if none were found", "write the counts")
        return "counted"
    if found:
        shown = ", ".join(f"{stage} {count}" for stage, count in found.items())
        log.ask(row.where, f"status {status} with counts ({shown})", "one or the other", "clear the one that is wrong")
    return status


def _check_amount(row: Row, found: dict[str, int], plugs: int, rules: ReadRules, log: Log) -> None:
    if plugs == 0:
        log.ask(row.where, "counts from 0 plugs", "at least one plug", "write how many plugs were in the bag")
        return
    area_m2 = plugs * rules.unit_m2
    most = max(1, int(rules.most_per_m2 * area_m2))
    for stage, count in found.items():
        if count > most:
            expected = f"at most {most} in {plugs} plug{'s' if plugs > 1 else ''} of {area_m2 * 1e4:.0f} cm²"
            log.ask(
                row.where, f"{stage} {count}", expected, "correct it, or raise the limit with `most_per_m2` if it is so"
            )


KEPT_IN_NOTE = ("could_not", "others_found", "hole_filled", "moved_to", "counted_at")


def read_amount(text: str) -> float | Bad:
    """Return a number above 0, with a point or a comma; not a number where blank.

    Examples
    --------
    >>> read_amount("2,5"), read_amount("-1").expected
    (2.5, 'a number above 0')
    """
    plain = clean_text(text)
    if not plain:
        return math.nan
    two_ways = ask_two_ways(text) if "," in plain else None  # a point alone is one for decimals
    if two_ways is None and re.fullmatch(r"(\d+[.,]?\d*|[.,]\d+)", plain) and float(plain.replace(",", ".")) > 0:
        return float(plain.replace(",", "."))
    return two_ways or Bad("a number above 0", "mend it or leave it blank")


def effort_in(note: str | None, name: str) -> float:
    """Return one of ``EFFORT`` from a sample's note; not a number where it was not written down.

    Examples
    --------
    >>> effort_in("wet; minutes: 4,5; wait hours: 48", "wait_hours"), effort_in(None, "minutes")
    (48.0, nan)
    """
    found = re.search(rf"(?:^|; ){name.replace('_', ' ')}: ([\d.,]+)(?:;|$)", note or "")
    amount = read_amount(found[1]) if found else math.nan
    return amount if isinstance(amount, float) else math.nan


def _read_words(row: Row) -> dict[str, str]:
    """Return who, when and the note, with the columns nobody knew at the note's end."""
    others = {name.replace("_", " "): row.get(name) for name in (*KEPT_IN_NOTE, *EFFORT)}
    if not row.get("design_code"):  # on a sheet of ours the site is the design's own
        others["site"] = row.get("site")
    kept = "; ".join(f"{heading}: {cell}" for heading, cell in {**others, **row.others}.items() if cell)
    note = "; ".join(text for text in (row.get("note"), kept) if text)
    return {**{name: row.get(name) for name in ("collector", "counted_by", "collected_at")}, "note": note}


REACH_M = 2000.0
"""How far from the planned points a position may lie and still be of this course, m (our own choice)."""
_M_PER_DEGREE = 111_320.0
_NUMBERS = re.compile(r"\d+(?:\.\d+)?")
_MENDINGS: dict[str, Callable[[float, float], tuple[float, float]]] = {
    "as_it_is": lambda lat, lon: (lat, lon),
    "swapped": lambda lat, lon: (lon, lat),
    "lon_turned": lambda lat, lon: (lat, -lon),
    "lat_turned": lambda lat, lon: (-lat, lon),
    "both_turned": lambda lat, lon: (-lat, -lon),
    "swapped_lon_turned": lambda lat, lon: (lon, -lat),
    "swapped_lat_turned": lambda lat, lon: (-lon, lat),
}


@dataclass(frozen=True, slots=True)
class Place:
    """A reported position, degrees, with the receiver's accuracy in metres where it gave one."""

    lat: float = math.nan
    lon: float = math.nan
    accuracy_m: float = math.nan


@dataclass(frozen=True, slots=True)
class Reach:
    """The box a course's positions lie in: west, south, east, north in degrees."""

    west: float
    south: float
    east: float
    north: float

    def holds(self, lat: float, lon: float) -> bool:
        """Return whether a position lies in the box."""
        return self.west <= lon <= self.east and self.south <= lat <= self.north


def find_reach(lon: np.ndarray, lat: np.ndarray) -> Reach:
    """Return the box around planned places, widened by ``REACH_M``."""
    north_m = REACH_M / _M_PER_DEGREE
    east_m = north_m / max(math.cos(math.radians(float(np.mean(lat)))), 0.01)
    west, south, east, north = lon.min(), lat.min(), lon.max(), lat.max()
    return Reach(float(west - east_m), float(south - north_m), float(east + east_m), float(north + north_m))


def read_degrees(text: str) -> float | None:
    r"""Return decimal degrees from a number, or degrees, minutes and seconds; None when it can't be read.

    Parameters
    ----------
    text : str
        Such as ``41.5``, ``41,5``, ``-73 54.6``, ``41°30'00.4"N``.

    Examples
    --------
    >>> read_degrees("41,5012"), read_degrees("73°54'36\"W"), read_degrees("41 30.6 N")
    (41.5012, -73.91, 41.51)
    >>> read_degrees("41°75'") is None
    True
    """
    plain = clean_text(text.replace("º", "°")).upper()
    letters = re.findall(r"[NSEW]", plain)
    body = re.sub(r"(?<=\d),(?=\d)", ".", plain)
    if len(letters) > 1 or re.search(r"\d.*[NSEW].*\d|[^-+NSEW\d\s.°:'’′\"”″]", body):
        return None
    parts = [float(number) for number in _NUMBERS.findall(body)]
    if not parts or len(parts) > 3 or any(part >= 60 for part in parts[1:]):  # noqa: PLR2004 (minutes, seconds)
        return None
    minus = body.lstrip("NSEW ").startswith("-")
    if minus and letters and letters[0] in "NE":
        return None
    value = float(sum(part / 60.0**power for power, part in enumerate(parts)))
    return round(-value if minus or letters in (["S"], ["W"]) else value, 9)


def read_place(row: Row, reach: Reach, log: Log) -> Place | None:
    """Return the row's position, empty where it gave none; None after asking about one that can't be read or placed."""
    lat_text, lon_text, accuracy = _position_texts(row)
    if not lat_text and not lon_text:
        return Place(accuracy_m=_accuracy(row, accuracy))
    lat, lon = read_degrees(lat_text), read_degrees(lon_text)
    if lat is None or lon is None:
        found = f"position '{lat_text}', '{lon_text}'"
        log.ask(row.where, found, "latitude and longitude in degrees", "write such as 41.50012 and -73.90034")
        return None
    if lat == 0 and lon == 0:
        log.note("no_fix", row.where)
        return Place()
    if not _is_plain(lat_text) or not _is_plain(lon_text):
        log.note("position_read", row.where, {"lat_text": lat_text, "lon_text": lon_text, "lat": lat, "lon": lon})
    return _mend(row, Place(lat, lon, _accuracy(row, accuracy)), reach, log)


def _mend(row: Row, place: Place, reach: Reach, log: Log) -> Place | None:
    fits = {}
    for name, turn in _MENDINGS.items():
        lat, lon = turn(place.lat, place.lon)
        if reach.holds(lat, lon):
            fits[name] = Place(lat, lon, place.accuracy_m)
    if "as_it_is" in fits:
        return place
    shown = f"position {place.lat:.6f}, {place.lon:.6f}"
    if len(fits) == 1:
        [(name, mended)] = fits.items()
        facts = {"mending": name, "was_lat": place.lat, "was_lon": place.lon, "lat": mended.lat, "lon": mended.lon}
        log.note("position_mended", row.where, facts)
        return mended
    expected = f"a place within {REACH_M / 1000:.0f} km of the planned points"
    log.ask(row.where, shown, expected, "correct the position, or clear it: the label is enough")
    return None


def _position_texts(row: Row) -> tuple[str, str, str]:
    """Return latitude, longitude and accuracy as written; a form's position holds them in one cell."""
    if row.get("lat") or row.get("lon"):
        return row.get("lat"), row.get("lon"), ""
    text = clean_text(row.get("position"))
    parts = re.split(r"\s*[,;]\s+|[;]", text) if re.search(r"[,;]\s|;", text) else text.split()
    if len(parts) == 1 and text.count(",") == 1:
        parts = text.split(",")
    if len(parts) == 4:  # noqa: PLR2004 (XLSForm geopoint: latitude longitude altitude accuracy)
        return parts[0], parts[1], parts[3]
    return (parts[0], parts[1], "") if len(parts) in {2, 3} else (text, "", "")


def _accuracy(row: Row, text: str) -> float:
    value = read_metres(row.get("accuracy_m") or text)
    return value if isinstance(value, float) and value > 0 else math.nan


def _is_plain(text: str) -> bool:
    return bool(re.fullmatch(r"[-+]?\d+(\.\d+)?", text.strip()))


_SUM_WORDS = {"total", "totals", "sum", "mean", "average", "grand total"}


def screen_rows(rows: Sequence[Row], visit: Visit, other_codes: Mapping[str, str], log: Log) -> list[Row]:
    """Return the rows that tell of a bag of this visit; the others are told of, row by row or together.

    Parameters
    ----------
    other_codes : mapping of str to str
        Design code -> visit, of the survey's other visits.
    """
    rows = _split(rows, _is_sum, "sum_rows", log)
    rows = _split(rows, _is_header, "header_again", log)
    rows = _check_codes(rows, visit, other_codes, log)
    rows = _check_visits(rows, visit, log)
    return _split(rows, is_blank, "blank_rows", log)


WITHDRAWN = "withdrawn"
"""The status of an entry that takes another back and puts nothing in its place."""


def settle_entries(rows: Sequence[Row], log: Log) -> list[Row]:
    """Return the rows with each phone's entry once, and without those that a later entry replaced or took back.

    Rows without an ``entry_id`` pass as they are. The same id with other words in it is asked about: a hand has been
    at the file.
    """
    kept: dict[str, Row] = {}
    plain, again = [], []
    for row in rows:
        name = row.get("entry_id")
        first = kept.get(name)
        if not name or first is None:
            kept[name or row.where] = row
            plain.append(row)
        elif (first.cells, first.stages, first.others) == (row.cells, row.stages, row.others):
            again.append(row.where)
        else:
            remedy = "take the phone's file as it was saved, or delete the row that is wrong"
            log.ask(show_rows([first.where, row.where]), f"entry {name} twice, saying different things", "one", remedy)
    if again:
        log.note("entry_again", show_rows(again))
    gone = {row.get("replaces") for row in plain} - {""}
    replaced = [row.where for row in plain if row.get("entry_id") in gone]
    if replaced:
        log.note("entry_replaced", show_rows(replaced))
    stand = [row for row in plain if row.get("entry_id") not in gone]
    return [row for row in stand if plain_heading(row.get("status")) != WITHDRAWN]


def settle_blanks(rows: Sequence[Row], blank: str | None, log: Log) -> list[Row]:
    """Return the rows with what a blank beside counts means in a row marked counted; ask once where nobody said.

    Parameters
    ----------
    rows : sequence of Row
        All rows that say something.
    blank : {"zero", "missing"}, optional
        Looked and found none, or did not look.
    log : Log
        Takes what must be asked.
    """
    open_ = [row for row in rows if _is_half_blank(row)]
    if blank is None and open_:
        names = list(dict.fromkeys(name for row in open_ for name in _blank_stages(row)))
        found = f"blank under {', '.join(names)} in rows marked counted"
        remedy = "fill them in, or say it of all: `blank=zero` (looked, found none) or `blank=missing` (did not look)"
        log.ask(show_rows(row.where for row in open_), found, "a number: 0 where you looked and found none", remedy)
        return [row for row in rows if row not in open_]
    if blank != "zero":
        return list(rows)
    return [
        replace(row, stages={**row.stages, **dict.fromkeys(_blank_stages(row), "0")}) if row in open_ else row
        for row in rows
    ]


def _blank_stages(row: Row) -> list[str]:
    return [stage for stage, text in row.stages.items() if not text and stage != UNSTAGED]


def _is_half_blank(row: Row) -> bool:
    """Return whether a row is marked counted and has counts under some stages, and nothing under others."""
    staged = any(text for stage, text in row.stages.items() if stage != UNSTAGED)
    return staged and read_status(row.get("status")) == "counted" and bool(_blank_stages(row))


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
        log.note("stage_blank", where, {"stage": stage})


def _split(rows: Sequence[Row], out: Callable[[Row], bool], what: str, log: Log) -> list[Row]:
    kept = [row for row in rows if not out(row)]
    dropped = [row.where for row in rows if out(row)]
    if dropped:
        log.note(what, show_rows(dropped))
    return kept


def _is_sum(row: Row) -> bool:
    texts = [row.get("point_id"), row.get("sample_id")]
    return any(plain_heading(text) in _SUM_WORDS for text in texts if text)


def _is_header(row: Row) -> bool:
    cells = {**row.cells, **row.stages}
    same = [plain_heading(text) == plain_heading(name) for name, text in cells.items() if text]
    return len(same) > 1 and all(same)


def is_blank(row: Row) -> bool:
    """Return whether the row says nothing of its plug: no count, no total and no status."""
    said = (row.get(name) for name in ("status", "total", "none_found", "not_done", "could_not"))
    return not (any(said) or any(row.stages.values()))


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
    own = {plain_heading(str(name)) for name in (visit.visit, *visit.settings.get("named_before", ()))}
    for row in rows:
        name = row.get("visit")
        if not name or plain_heading(name) in own:
            continue
        group = rewritten if same_date(name, visit.visit) else foreign
        group.setdefault(name, []).append(row.where)
    for name, wheres in rewritten.items():
        log.note("visit_rewritten", show_rows(wheres), {"written": name, "visit": visit.visit})
    for name, wheres in foreign.items():
        log.ask(show_rows(wheres), f"visit '{name}'", f"{visit.visit}", "load it with --visit, or correct the column")
    return [row for row in rows if row.get("visit") not in foreign]


def shape_samples(bags: Sequence[Bag], design: Design) -> gpd.GeoDataFrame:
    """Return the samples in the design's order, each at its planned place unless it was moved to a known one."""
    planned = design.points.set_index("point_id").geometry
    rows = [_sample_row(bag, design) for bag in bags]
    frame = pd.DataFrame(rows, columns=None if rows else list(LAYERS["samples"].columns))
    fixes = gpd.GeoSeries(gpd.points_from_xy(frame["fix_lon"], frame["fix_lat"]), crs=4326).to_crs(design.points.crs)
    at_fix = frame["moved"].to_numpy(bool) & frame["fix_lon"].notna().to_numpy()
    places = planned.reindex(frame["point_id"]).to_numpy()
    geometry = gpd.GeoSeries(np.where(at_fix, fixes.to_numpy(), places), crs=design.points.crs)
    samples = gpd.GeoDataFrame(frame, geometry=geometry, crs=design.points.crs)
    return cast("gpd.GeoDataFrame", shape_frame("samples", sort_samples(samples, design)))


def shape_counts(bags: Sequence[Bag], design: Design) -> pd.DataFrame:
    """Return a row for every stage looked for in every counted bag, zeros included."""
    rows = [
        (design.visit.visit, bag.sample_id, design.visit.pest, stage, count)
        for bag in bags
        for stage, count in bag.found.items()
    ]
    columns = ["visit", "sample_id", "pest", "stage", "count"]
    frame = shape_frame("counts", pd.DataFrame(rows, columns=columns))
    return frame.sort_values(["sample_id", "pest", "stage"], kind="stable").reset_index(drop=True)


def shape_recounts(bags: Sequence[Bag], design: Design) -> pd.DataFrame:
    """Return the blind second counts: a row a bag and stage, with who counted."""
    rows = [
        (design.visit.visit, bag.sample_id, design.visit.pest, stage, bag.words["counted_by"] or None, count)
        for bag in bags
        for stage, count in bag.found.items()
    ]
    columns = ["visit", "sample_id", "pest", "stage", "counted_by", "count"]
    return shape_frame("recounts", pd.DataFrame(rows, columns=columns))


def sort_samples(samples: gpd.GeoDataFrame, design: Design) -> gpd.GeoDataFrame:
    """Return the samples in the order of the design's points, then by label."""
    place = {point_id: place for place, point_id in enumerate(design.points["point_id"])}
    order = samples["point_id"].map(place)
    ranked = samples.assign(_order=order).sort_values(["_order", "sample_id"], kind="stable")
    return cast("gpd.GeoDataFrame", ranked.drop(columns="_order").reset_index(drop=True))


def _sample_row(bag: Bag, design: Design) -> dict[str, object]:
    words = {name: text or None for name, text in bag.words.items()}
    return {
        "visit": design.visit.visit,
        "sample_id": bag.sample_id,
        "point_id": bag.point_id,
        "method": bag.method,
        "status": bag.status,
        "joined_by": bag.joined_by,
        **words,
        "sampled_m2": bag.plugs * design.visit.unit_m2,
        "weight_m2": np.nan,
        "fix_lon": bag.lon,
        "fix_lat": bag.lat,
        "accuracy_m": bag.accuracy_m,
        "offset_m": bag.offset_m,
        "plugs": bag.plugs,
        "moved": bag.moved,
    }
