"""read_counts: files from the field and the Design in, Counts out; the same bag more than once is settled.

A waypoint has its count in a comment, in its name's tail or in fields of its own.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

from geosample.counts.joining import LabelBook, Placed, ask_unknown, join_positions, name_bag, read_labels
from geosample.counts.meaning import FIELDS, find_columns, know_heading, parse_day, plain_heading
from geosample.counts.model import Counts, note_coverage, use_weights
from geosample.counts.rows import (
    DAYS_OF_VISIT,
    GPS_WITHIN_M,
    MOST_PER_M2,
    Bag,
    ReadRules,
    Row,
    find_reach,
    is_blank,
    list_rows,
    note_unlooked,
    read_place,
    read_row,
    screen_rows,
    settle_blanks,
    settle_entries,
    shape_counts,
    shape_recounts,
    shape_samples,
)
from geosample.errors import CountsError, GeosampleError, Problem
from geosample.files.reading import (
    Log,
    Meaning,
    Reader,
    Table,
    child_text,
    local_name,
    parse_json,
    parse_xml,
    read_data_fields,
    read_tables,
    show_cell,
    show_rows,
)
from geosample.files.saving import read_html
from geosample.pests import Pest, load_pest
from geosample.words import UNSTAGED

if TYPE_CHECKING:
    from geosample.design import Design


def _settle_bags(bags: Sequence[Bag], log: Log) -> tuple[tuple[Bag, ...], tuple[Bag, ...]]:
    """Return the first counts, one bag a label, and the blind second ones; ask where two rows can't be told apart."""
    for bag in bags:
        if bag.recount and bag.status != "counted":
            log.note("recount_uncounted", bag.where, {"status": bag.status})
    first = _settle([bag for bag in bags if not bag.recount], _settle_first, log)
    return first, _settle([bag for bag in bags if bag.recount and bag.status == "counted"], _settle_copies, log)


def _settle(bags: Sequence[Bag], rule: Callable[[list[Bag], Log], Bag | None], log: Log) -> tuple[Bag, ...]:
    groups: dict[str, list[Bag]] = {}
    for bag in bags:
        groups.setdefault(bag.sample_id, []).append(bag)
    settled = [group[0] if len(group) == 1 else rule(group, log) for group in groups.values()]
    return tuple(bag for bag in settled if bag is not None)


def _settle_first(group: list[Bag], log: Log) -> Bag | None:
    if len({bag.plug for bag in group} - {""}) == len(group):
        return _pool(group, "plugs", log)
    if len({bag.part for bag in group} - {""}) == len(group):
        return _pool(group, "parts", log)
    return _settle_copies(group, log)


def _settle_copies(group: list[Bag], log: Log) -> Bag | None:
    """Return the bag when all its rows say the same, with who and when of any; None after asking which holds."""
    first, wheres = group[0], [bag.where for bag in group]
    if all(_says(bag) == _says(first) for bag in group):
        log.note("bag_again", show_rows(wheres), {"sample": first.sample_id, "times": len(group)})
        words = {name: next(filter(None, (bag.words[name] for bag in group)), "") for name in first.words}
        words["note"] = "; ".join(dict.fromkeys(bag.words["note"] for bag in group if bag.words["note"]))
        return replace(first, words=words)
    shown = "; ".join(f"{bag.where}: {_show(bag)}{_show_signed(bag)}" for bag in group)
    remedy = (
        "delete the wrong row, or take its entry back on the phone that made it; or tell them apart: put a "
        "second count in blank_recounts.csv (or tick a column "
        "'recount'), number the plugs of one point in a column 'plug', or the parts of one bag in a column 'part'"
    )
    log.ask(show_rows(wheres), f"bag {first.sample_id} {len(group)} times ({shown})", "one row a bag", remedy)
    return None


def _pool(group: list[Bag], what: str, log: Log) -> Bag | None:
    """Return the rows of one point's plugs, or of one bag's parts, as one bag.

    A stage counts as looked for only where every row looked for it. Of separate plugs the uncounted ones are left
    out with their turf; a bag with an uncounted part can't be counted at all.
    """
    counted = [bag for bag in group if bag.status == "counted"]
    wheres = show_rows(bag.where for bag in group)
    if not counted:
        return group[0]
    if what == "parts" and len(counted) < len(group):
        found = f"bag {group[0].sample_id} with {len(group) - len(counted)} of {len(group)} parts not counted"
        log.ask(wheres, found, "every part counted", "count the rest, or give the bag's status as not_extracted")
        return None
    stages = [stage for stage in counted[0].found if all(stage in bag.found for bag in counted)]
    plugs = sum(bag.plugs for bag in counted) if what == "plugs" else counted[0].plugs
    facts = {"added": len(counted), "parts": what, "sample": group[0].sample_id, "plugs": plugs}
    log.note("added_up", wheres, facts)
    found_sum = {stage: sum(bag.found[stage] for bag in counted) for stage in stages}
    notes = "; ".join(dict.fromkeys(bag.words["note"] for bag in counted if bag.words["note"]))
    return replace(counted[0], found=found_sum, plugs=plugs, words={**counted[0].words, "note": notes})


def _says(bag: Bag) -> tuple[object, ...]:
    return (bag.status, bag.plugs, bag.moved, tuple(sorted(bag.found.items())))


def _show(bag: Bag) -> str:
    if bag.status != "counted":
        return bag.status
    return ", ".join(f"{stage} {count}" for stage, count in bag.found.items() if count) or "none found"


def _show_signed(bag: Bag) -> str:
    """Return who counted a bag and when, where its row says so."""
    at = re.search(r"(?:^|; )counted at: ([^;]+)", bag.words["note"])
    signed = ", ".join(filter(None, (bag.words["counted_by"], at[1] if at else "")))
    return f" ({signed})" if signed else ""


def read_counts(  # noqa: PLR0913 - plain keywords are what a script is to write
    files: str | Path | Iterable[str | Path],
    design: Design,
    *,
    gps_within_m: float = GPS_WITHIN_M,
    columns: Mapping[str, str] | None = None,
    method: str | None = None,
    blank: str | None = None,
    sums: bool = False,
    set_aside: bool = False,
    most_per_m2: float = MOST_PER_M2,
    days: int = DAYS_OF_VISIT,
    other_codes: Mapping[str, str] | None = None,
) -> Counts:
    """Return what came back of a visit, joined to its design.

    Parameters
    ----------
    files : path or iterable of paths
        CSV, XLSX, GeoJSON, GPX or KML: filled blanks, waypoints with the count in their comment, a form's export.
    design : Design
        The visit the files belong to.
    gps_within_m : float
        How far a reported position may lie from its point, m; the receiver's own accuracy is added.
    columns : mapping of str to str, optional
        Heading -> field or stage key, for headings the reader does not know: ``{"larvae": "L3"}``.
    method : str, optional
        The extraction method of rows that don't say theirs; when None the design's own, where it has only one.
    blank : {"zero", "missing"}, optional
        What a blank beside counts means in rows marked counted; None asks about them, once.
    sums : bool
        Read ``3+4`` as 7.
    set_aside : bool
        Take the good rows and list the bad ones, instead of taking none.
    most_per_m2 : float
        A count above this density, insects per m², is asked about.
    days : int
        How many days from the visit's date a plug may be dated.
    other_codes : mapping of str to str, optional
        Design code -> visit, of the survey's other visits, to name the visit an old sheet belongs to.

    Returns
    -------
    Counts
        One sample a bag in the design's order; counts of the stages looked for, zeros included; ``weight_m2`` of
        samples with status ``counted`` is the weight to use. Its notes tell all that was forgiven, set aside or
        found missing.

    Raises
    ------
    CountsError
        With every problem at once; nothing is taken in then, unless ``set_aside``.
    """
    log, visit = Log(), design.visit
    pest = load_pest(visit.pest)
    asked = columns or {}
    tables = _read_tables(files, pest, asked, log)
    _check_asked(asked, tables, pest, log)
    rows = [] if log.refused else [row for table in tables for row in _rows_of(table, pest, asked, log)]
    if log.refused:
        raise CountsError(log.problems)
    rows = _join_pulls(settle_entries(rows, log), LabelBook(design.points["point_id"]), log)
    filled = settle_blanks(screen_rows(rows, visit, other_codes or {}, log), blank, log)
    note_unlooked(filled, log)
    day, usual = parse_day(visit.date), (visit.units_per_point, visit.unit_m2)
    rules = ReadRules(day, *usual, method=method, sums=sums, most_per_m2=most_per_m2, days=days)
    bags = _read_rows(filled, design, rules, gps_within_m, log)
    if not bags and not log.problems:
        names = ", ".join(table.file for table in tables)
        log.refuse(names, "no row with a count or a status", "a filled sheet", "fill it, or name the filled copy")
    first, second = _settle_bags(bags, log)
    log.settle(CountsError, set_aside=set_aside)
    samples = use_weights(shape_samples(first, design), design.points)
    notes = (*log.notes, *note_coverage(samples, design.points))
    return Counts(visit.visit, samples, shape_counts(first, design), notes, shape_recounts(second, design), visit.pest)


def _read_tables(
    files: str | Path | Iterable[str | Path], pest: Pest, asked: Mapping[str, str], log: Log
) -> list[Table]:
    paths = [Path(files)] if isinstance(files, (str, Path)) else [Path(file) for file in files]
    if not paths:
        raise CountsError(Problem("files", "none", "at least one file of counts", "name the file that came back"))
    named = {plain_heading(heading): meaning for heading, meaning in asked.items()}

    def meaning_of(text: str) -> str | None:
        return named.get(plain_heading(text)) or know_heading(text, pest)

    return [table for path in paths for table in read_tables(path, log, meaning_of, WAYPOINTS)]


def _check_asked(asked: Mapping[str, str], tables: Sequence[Table], pest: Pest, log: Log) -> None:
    """Ask about an entry of ``columns`` whose heading is in no file, or whose meaning is none."""
    keys = [*FIELDS, *(stage.key for stage in pest.stages), UNSTAGED]
    there = {plain_heading(heading) for table in tables for heading in table.headings}
    for heading, meaning in asked.items():
        where = f"`columns={heading}={meaning}`"
        if meaning not in keys:
            log.refuse(where, f"'{meaning}'", f"one of: {', '.join(keys)}", "name the stage or field it holds")
        if tables and plain_heading(heading) not in there:
            log.refuse(where, f"no column '{heading}'", "a heading in the files", "write it as in the header row")


def _rows_of(table: Table, pest: Pest, asked: Mapping[str, str], log: Log) -> list[Row]:
    columns = find_columns(table, pest, asked, log)
    if columns is None:
        return []
    if columns.others:
        log.note("unknown_columns", table.file, {"columns": list(columns.others)})
    return list_rows(table, columns)


def _join_pulls(rows: Sequence[Row], book: LabelBook, log: Log) -> list[Row]:
    """Return the rows with what was said of the pulling alone, as in a form of its own, put beside the bags' counts.

    Of a point that was pulled twice, or pulled and not reached, the rows are asked about where they differ.
    """

    def point_of(row: Row) -> str:
        texts = filter(None, (row.get("point_id"), row.get("sample_id")))
        return next((label.point_id for text in texts if (label := book.find(text))), "")

    points = [point_of(row) for row in rows]
    counted = {point for row, point in zip(rows, points, strict=True) if not is_blank(row)} - {""}
    pulls: dict[str, list[Row]] = {}
    missed: dict[str, list[Row]] = {}
    for row, point in zip(rows, points, strict=True):
        if point and is_blank(row) and any(row.get(name) for name in _OF_PULLING):
            pulls.setdefault(point, []).append(row)
        elif point and row.get("could_not") and not any(row.stages.values()) and not row.get("total"):
            missed.setdefault(point, []).append(row)
    _ask_about_pulls(pulls, missed, log)
    joined = []
    for row, point in zip(rows, points, strict=True):
        of_point = pulls.get(point, []) if point in counted else []
        if not of_point:
            joined.append(row)
        elif not any(row is pull for pull in of_point):
            said_here = {name: cell for name, cell in row.cells.items() if cell}
            joined.append(replace(row, cells={**of_point[0].cells, **said_here}))
    return joined


def _ask_about_pulls(pulls: Mapping[str, list[Row]], missed: Mapping[str, list[Row]], log: Log) -> None:
    for point, said in pulls.items():
        if point in missed or len({_of_pulling(row) for row in said}) > 1:
            asked = [*said, *missed.get(point, [])]
            shown = "; ".join(f"{row.where}: {_show_pull(row)}" for row in asked)
            remedy = "delete the wrong row, or take its entry back on the phone that made it"
            log.ask(show_rows(row.where for row in asked), f"point {point} ({shown})", "one of them", remedy)


def _of_pulling(row: Row) -> tuple[str, ...]:
    """Return what a row says of the pulling, without who and when."""
    own = ("plugs", "moved", "moved_to", "position", "lat", "lon", "hole_filled")
    return tuple(plain_heading(row.get(name)) for name in own)


def _show_pull(row: Row) -> str:
    names = ("collector", "plugs", "moved", "moved_to", "lat", "lon", "hole_filled", "could_not", "status")
    return ", ".join(f"{name.replace('_', ' ')} {row.get(name)}" for name in names if row.get(name))


def _read_rows(rows: Sequence[Row], design: Design, rules: ReadRules, gps_within_m: float, log: Log) -> list[Bag]:
    """Return every row that could be read and joined, as a bag with its own label."""
    points = design.points
    book = LabelBook(points["point_id"])
    reach = find_reach(points["lon"].to_numpy(float), points["lat"].to_numpy(float))
    read: list[Placed] = []
    for row in rows:
        bag, place, claim = read_row(row, rules, log), read_place(row, reach, log), read_labels(row, book, log)
        if bag is not None and place is not None and claim is not None:
            positioned = replace(bag, lat=place.lat, lon=place.lon, accuracy_m=place.accuracy_m)
            read.append(Placed(positioned, claim, row.get("surface_id"), row.get("kind")))
    bags = []
    for one in join_positions(read, design, gps_within_m, log):
        if one.claim.point_id:
            bags.append(name_bag(one.bag, one.claim, rules.method, design.visit.method, log))
        else:
            ask_unknown(one.bag, one.claim, book, log)
    return [bag for bag in bags if bag is not None]


_OF_PULLING = ("collector", "collected_at", "moved", "moved_to", "position", "lat", "hole_filled")
"""What a row says of the pulling; the blank sheet's own rows hold none of it."""
# A number stays whole, whatever marks stand between its digits: 1,000 must not become 1 on the way to its reader.
_NUMBER = r"\d+(?:[.,'’\s]\d{3}(?!\d))*(?:[.,]\d+)?"
_NAME = r"[^\W\d_][\w .]{0,30}?"
_PAIR = re.compile(
    rf"({_NAME})\s*[:=]\s*((?:[^,;|\n=:]|(?<=\d),(?=\d))*?)\s*(?=$|[;|\n]|,(?!\d)|(?<!\d),|\s{_NAME}\s*[:=])"
)
# As people say it: "3 larvae", "2 L3 and 1 pupa", "none".
_PARTED = re.compile(r"\s*(?:[,;+&.]|\band\b)\s*|\s+(?=\d+\s+[^\W\d_])", re.IGNORECASE)
_FOUND = re.compile(rf"({_NUMBER})\s+([^\W\d_][\w ]*)")
_NONE = {"none", "nothing", "nil", "zero", "none found", "nothing found", "no larvae", "no insects", "no grubs"}
_ANY_STAGE = {"larva", "larvae", "insect", "insects", "grub", "grubs", "weevil", "weevils", "bug", "bugs", "found"}
_STAGE = re.compile(rf"\b([^\W\d_]\w*)\s+({_NUMBER})\b")
# A waypoint's own name and place say these; in a comment such words are the plan's, or nobody knows them (None).
_OF_PLACE = {
    None,
    "point_id",
    "sample_id",
    "lat",
    "lon",
    "position",
    "surface_id",
    "hole",
    "kind",
    "walk_order",
    "role",
}


def read_waypoints(path: Path, log: Log, meaning_of: Meaning) -> list[Table]:
    """Return the file's points as one table, none after asking about a file that can't be read or has none."""
    readers: dict[str, Callable[[Path, bytes], list[dict[str, str]]]] = {".gpx": _read_gpx, ".kml": _read_kml}
    read = readers.get(path.suffix.lower(), _read_geojson)
    try:
        points = read(path, path.read_bytes())
    except GeosampleError as error:
        for problem in error.problems:
            log.refuse(path.name, problem.found, problem.expected, problem.remedy)
        return []
    except (LookupError, TypeError, AttributeError, ValueError, RecursionError) as error:
        log.refuse(path.name, f"a file that can't be read ({error})", "waypoints", "export them again")
        return []
    if not points:
        log.refuse(path.name, "no points", "a point a bag", "export waypoints, not a track or a route")
        return []
    rows = [_unfold(point, meaning_of) for point in points]
    headings = tuple(dict.fromkeys(name for row in rows for name in row))
    cells = tuple(tuple(row.get(name, "") for name in headings) for row in rows)
    wheres = tuple(f"{path.name} waypoint {i} ({row.get('name') or 'no name'})" for i, row in enumerate(rows, start=1))
    return [Table(path.name, headings, cells, wheres)]


def read_pairs(text: str, meaning_of: Meaning) -> dict[str, str]:
    """Return what a comment says of a bag: ``heading = value`` pairs, stages with a number, or a bare number.

    Examples
    --------
    >>> from geosample.counts.meaning import know_heading
    >>> from geosample.pests import load_pest
    >>> def meaning_of(word): return know_heading(word, load_pest())
    >>> read_pairs("L3=4, L4: 2; method = brine", meaning_of)
    {'L3': '4', 'L4': '2', 'method': 'brine'}
    >>> read_pairs("L3 4 L4 0", meaning_of), read_pairs("6", meaning_of)
    ({'L3': '4', 'L4': '0'}, {'count': '6'})
    >>> read_pairs("2 L3 and 1 pupa", meaning_of), read_pairs("3 larvae", meaning_of), read_pairs("None.", meaning_of)
    ({'L3': '2', 'pupa': '1'}, {'unstaged': '3'}, {'none_found': 'yes'})
    >>> read_pairs("Point 3 of the round: 10 paces in from the left edge", meaning_of)
    {}
    """
    plain = text.strip()
    if re.fullmatch(_NUMBER, plain):
        return {"count": plain}
    if spoken := _read_spoken(plain, meaning_of):
        return spoken
    said = {name.strip(): value.strip() for name, value in _PAIR.findall(plain) if meaning_of(name) not in _OF_PLACE}
    for name, value in _STAGE.findall(plain):
        meant = meaning_of(name)
        if name not in said and meant is not None and (meant not in FIELDS or meant == "total"):
            said[name] = value
    return said


def _read_spoken(text: str, meaning_of: Meaning) -> dict[str, str]:
    """Return the counts of a comment that says nothing else, nothing where any part of it is no number of insects."""
    if plain_heading(text) in _NONE:
        return {"none_found": "yes"}
    said: dict[str, str] = {}
    for part in filter(None, _PARTED.split(text)):
        found = _FOUND.fullmatch(part)
        word = found[2].strip() if found else ""
        name = UNSTAGED if plain_heading(word) in _ANY_STAGE else word
        if found is None or name in said or (name != UNSTAGED and (meaning_of(word) or "total") in FIELDS):
            return {}
        said[name] = found[1]
    return said


def _unfold(point: Mapping[str, str], meaning_of: Meaning) -> dict[str, str]:
    """Return a waypoint with what its comment and the tail of its name say as properties of their own.

    The comment stays as the note where it told anything; else it is the plan's own words for finding the point.
    """
    own = {name: text for name, text in point.items() if name not in {"comment", "description"}}
    label, mark, tail = own.get("name", "").partition("=" if "=" in own.get("name", "") else ":")
    said = read_pairs(tail, meaning_of) if mark else {}
    for text in (point.get("comment", ""), point.get("description", "")):
        pairs = read_pairs(text, meaning_of)
        said = {**pairs, **said}
        if pairs:
            own.setdefault("note", text.strip())
    named = {**own, "name": label.strip()} if said and mark else own
    return {**named, **{name: value for name, value in said.items() if not own.get(name)}}


def _read_gpx(path: Path, raw: bytes) -> list[dict[str, str]]:
    words = {"name": "name", "cmt": "comment", "desc": "description", "time": "collected_at"}
    points = []
    for mark in _find(parse_xml(path, raw), "wpt"):
        texts = {words[local_name(c)]: read_html(c.text or "").strip() for c in mark if local_name(c) in words}
        points.append({"lat": mark.attrib["lat"], "lon": mark.attrib["lon"], **texts})
    return points


def _read_kml(path: Path, raw: bytes) -> list[dict[str, str]]:
    points = []
    for mark in _find(parse_xml(path, raw), "Placemark"):
        place = next((child_text(point, "coordinates") for point in _find(mark, "Point")), "")
        if not place:
            continue
        lon, lat = place.split(",")[:2]
        texts = {"name": child_text(mark, "name"), "description": read_html(child_text(mark, "description")).strip()}
        points.append({"lat": lat.strip(), "lon": lon.strip(), **texts, **read_data_fields(mark)})
    return points


def _read_geojson(path: Path, raw: bytes) -> list[dict[str, str]]:
    data: Mapping[str, Any] = parse_json(path, raw)
    system = str(((data.get("crs") or {}).get("properties") or {}).get("name", "CRS84"))
    if not re.search(r"CRS84|4326", system):
        message = f"coordinates in {system}, not longitude and latitude"
        raise ValueError(message)
    points = []
    for feature in data["features"]:
        geometry, properties = feature.get("geometry"), feature.get("properties") or {}
        texts = {str(name): show_cell(value) for name, value in properties.items()}
        if geometry and geometry["type"] != "Point":
            message = f"a {geometry['type']} where a Point should be"
            raise ValueError(message)
        if geometry and not (texts.get("lat") or texts.get("lon")):
            texts |= {"lon": str(geometry["coordinates"][0]), "lat": str(geometry["coordinates"][1])}
        points.append(texts)
    return points


def _find(element: ET.Element, name: str) -> Iterable[ET.Element]:
    return [child for child in element.iter() if local_name(child) == name]


WAYPOINTS: dict[str, Reader] = dict.fromkeys((".geojson", ".json", ".gpx", ".kml"), read_waypoints)
"""The endings of files of waypoints, for `geosample.files.reading.read_tables`."""
