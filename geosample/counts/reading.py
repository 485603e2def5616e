"""read_counts: files from the field and the Design in, Counts out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from geosample.counts.duplicates import settle_bags
from geosample.counts.files import read_tables
from geosample.counts.headings import FIELDS, find_columns, know_heading, plain_heading
from geosample.counts.joining import ask_unknown, name_bag, read_labels
from geosample.counts.labels import LabelBook
from geosample.counts.model import Counts
from geosample.counts.places import Reach, find_reach, read_place
from geosample.counts.positions import Placed, join_positions
from geosample.counts.rows import Bag, Row, VisitTerms, list_rows, read_row
from geosample.counts.rules import GPS_WITHIN_M, Log, ReadRules
from geosample.counts.screening import note_unlooked, screen_rows
from geosample.counts.shaping import shape_counts, shape_recounts, shape_samples
from geosample.counts.tables import Table
from geosample.counts.values import parse_day
from geosample.counts.weights import note_coverage, use_weights
from geosample.errors import CountsError, Problem
from geosample.pests import Pest, load_pest
from geosample.words import UNSTAGED

if TYPE_CHECKING:
    from geosample.design import Design


def read_counts(
    files: str | Path | Iterable[str | Path],
    design: Design,
    *,
    gps_within_m: float = GPS_WITHIN_M,
    columns: Mapping[str, str] | None = None,
    rules: ReadRules | None = None,
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
    rules : ReadRules, optional
        What else the user allows; the careful reading when None.

    Returns
    -------
    Counts
        One sample a bag in the design's order; counts of the stages looked for, zeros included; ``weight_m2`` of
        samples with status ``counted`` is the weight to use. Its notes tell all that was forgiven, set aside or
        found missing.

    Raises
    ------
    CountsError
        With every problem at once; nothing is taken in then, unless ``rules.set_aside``.
    """
    log, rules = Log(), rules or ReadRules()
    pest = load_pest(design.visit.pest)
    asked = columns or {}
    tables = _read_tables(files, pest, asked, log)
    _check_asked(asked, tables, pest, log)
    rows = [] if log.refused else [row for table in tables for row in _rows_of(table, pest, asked, log)]
    if log.refused:
        raise CountsError(log.problems)
    bags = _read_rows(rows, design, rules, gps_within_m, log)
    if not bags and not log.problems:
        names = ", ".join(table.file for table in tables)
        log.refuse(names, "no row with a count or a status", "a filled sheet", "fill it, or name the filled copy")
    return _finish(bags, design, rules, log)


def _read_tables(
    files: str | Path | Iterable[str | Path], pest: Pest, asked: Mapping[str, str], log: Log
) -> list[Table]:
    paths = [Path(files)] if isinstance(files, (str, Path)) else [Path(file) for file in files]
    if not paths:
        raise CountsError(Problem("files", "none", "at least one file of counts", "name the file that came back"))
    named = {plain_heading(heading): meaning for heading, meaning in asked.items()}
    meaning_of = partial(_meaning_of, pest=pest, named=named)
    return [table for path in paths for table in read_tables(path, log, meaning_of)]


def _meaning_of(text: str, *, pest: Pest, named: Mapping[str, str]) -> str | None:
    return named.get(plain_heading(text)) or know_heading(text, pest)


def _check_asked(asked: Mapping[str, str], tables: Sequence[Table], pest: Pest, log: Log) -> None:
    """Ask about a --columns entry whose heading is in no file, or whose meaning is none."""
    keys = [*FIELDS, *(stage.key for stage in pest.stages), UNSTAGED]
    there = {plain_heading(heading) for table in tables for heading in table.headings}
    for heading, meaning in asked.items():
        where = f"--columns '{heading}={meaning}'"
        if meaning not in keys:
            log.refuse(where, f"'{meaning}'", f"one of: {', '.join(keys)}", "name the stage or field it holds")
        if tables and plain_heading(heading) not in there:
            log.refuse(where, f"no column '{heading}'", "a heading in the files", "write it as in the header row")


def _rows_of(table: Table, pest: Pest, asked: Mapping[str, str], log: Log) -> list[Row]:
    columns = find_columns(table, pest, asked, log)
    if columns is None:
        return []
    if columns.others:
        names = ", ".join(repr(heading) for heading in columns.others)
        log.note(table.file, f"columns nobody knows: {names}", "kept in each sample's note; name them with --columns")
    return list_rows(table, columns)


def _read_rows(rows: Sequence[Row], design: Design, rules: ReadRules, gps_within_m: float, log: Log) -> list[Bag]:
    """Return every row that could be read and joined, as a bag with its own label."""
    points, visit = design.points, design.visit
    book = LabelBook(points["point_id"])
    filled = screen_rows(rows, visit, rules.other_codes, log)
    note_unlooked(filled, log)
    terms = VisitTerms(parse_day(visit.date), visit.units_per_point, visit.unit_m2, rules)
    reach = find_reach(points["lon"].to_numpy(float), points["lat"].to_numpy(float))
    read = [_read_one(row, terms, book, reach, log) for row in filled]
    placed = join_positions([one for one in read if one is not None], design, gps_within_m, log)
    bags = []
    for one in placed:
        if one.claim.point_id:
            bags.append(name_bag(one.bag, one.claim, rules.method, log))
        else:
            ask_unknown(one.bag, one.claim, book, log)
    return [bag for bag in bags if bag is not None]


def _read_one(row: Row, terms: VisitTerms, book: LabelBook, reach: Reach, log: Log) -> Placed | None:
    bag, place = read_row(row, terms, log), read_place(row, reach, log)
    claim = read_labels(row, book, log)
    if bag is None or place is None or claim is None:
        return None
    positioned = replace(bag, lat=place.lat, lon=place.lon, accuracy_m=place.accuracy_m)
    return Placed(positioned, claim, row.get("surface_id"), row.get("kind"))


def _finish(bags: Sequence[Bag], design: Design, rules: ReadRules, log: Log) -> Counts:
    settled = settle_bags(bags, log)
    log.settle(set_aside=rules.set_aside)
    samples = use_weights(shape_samples(settled.first, design), design.points)
    notes = (*log.notes, *note_coverage(samples, design.points))
    recounts = shape_recounts(settled.second, design)
    return Counts(design.visit.visit, samples, shape_counts(settled.first, design), notes, recounts)
