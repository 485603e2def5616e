"""read_counts: files from the field and the Design in, Counts out; the same bag more than once is settled."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from geosample.counts.adding import note_coverage, use_weights
from geosample.counts.joining import LabelBook, Placed, ask_unknown, join_positions, name_bag, read_labels
from geosample.counts.meaning import FIELDS, find_columns, know_heading, parse_day, plain_heading
from geosample.counts.model import DAYS_OF_VISIT, GPS_WITHIN_M, MOST_PER_M2, Counts, ReadRules
from geosample.counts.rows import (
    Bag,
    Reach,
    Row,
    VisitTerms,
    find_reach,
    list_rows,
    note_unlooked,
    read_place,
    read_row,
    screen_rows,
    shape_counts,
    shape_recounts,
    shape_samples,
)
from geosample.counts.waypoints import WAYPOINTS
from geosample.errors import CountsError, Problem
from geosample.files.reading import Log, Table, read_tables, show_rows
from geosample.pests import Pest, load_pest
from geosample.words import UNSTAGED

if TYPE_CHECKING:
    from geosample.design import Design


@dataclass(frozen=True, slots=True)
class Settled:
    """Bags told apart: one first count a label, and the blind second counts."""

    first: tuple[Bag, ...]
    second: tuple[Bag, ...]


def settle_bags(bags: Sequence[Bag], log: Log) -> Settled:
    """Return one bag a label, asking wherever two rows of a label can't be told apart."""
    second = [bag for bag in bags if bag.recount and bag.status == "counted"]
    for bag in bags:
        if bag.recount and bag.status != "counted":
            log.note(bag.where, f"a second count with status {bag.status}", "set aside: there is nothing to compare")
    first = _settle([bag for bag in bags if not bag.recount], _settle_first, log)
    return Settled(first, _settle(second, _settle_copies, log))


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
    """Return the bag when all its rows say the same; None after asking which of them holds."""
    first, wheres = group[0], [bag.where for bag in group]
    if all(_says(bag) == _says(first) for bag in group):
        log.note(show_rows(wheres), f"bag {first.sample_id} {len(group)} times, all the same", "taken once")
        return first
    shown = "; ".join(f"{bag.where}: {_show(bag)}" for bag in group)
    remedy = (
        "delete the wrong row; or tell them apart: put a second count in blank_recounts.csv (or tick a column "
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
    log.note(wheres, f"{len(counted)} {what} of {group[0].sample_id}", f"added up to one bag of {plugs} plugs")
    found_sum = {stage: sum(bag.found[stage] for bag in counted) for stage in stages}
    notes = "; ".join(dict.fromkeys(bag.words["note"] for bag in counted if bag.words["note"]))
    return replace(counted[0], found=found_sum, plugs=plugs, words={**counted[0].words, "note": notes})


def _says(bag: Bag) -> tuple[object, ...]:
    return (bag.status, bag.plugs, bag.moved, tuple(sorted(bag.found.items())))


def _show(bag: Bag) -> str:
    if bag.status != "counted":
        return bag.status
    return ", ".join(f"{stage} {count}" for stage, count in bag.found.items() if count) or "none found"


def read_counts(  # noqa: PLR0913 - plain keywords are what a script is to write
    files: str | Path | Iterable[str | Path],
    design: Design,
    *,
    gps_within_m: float = GPS_WITHIN_M,
    columns: Mapping[str, str] | None = None,
    method: str | None = None,
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
        The extraction method of rows that don't say theirs; None asks about them.
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
    log, rules = Log(), ReadRules(method, sums, set_aside, most_per_m2, days, other_codes or {})
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
    return [table for path in paths for table in read_tables(path, log, meaning_of, WAYPOINTS)]


def _meaning_of(text: str, *, pest: Pest, named: Mapping[str, str]) -> str | None:
    return named.get(plain_heading(text)) or know_heading(text, pest)


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
        names = ", ".join(repr(heading) for heading in columns.others)
        log.note(
            table.file,
            f"columns nobody knows: {names}",
            "kept in each sample's note; name what they hold in columns",
        )
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
    log.settle(CountsError, set_aside=rules.set_aside)
    samples = use_weights(shape_samples(settled.first, design), design.points)
    notes = (*log.notes, *note_coverage(samples, design.points))
    recounts = shape_recounts(settled.second, design)
    visit = design.visit
    return Counts(visit.visit, samples, shape_counts(settled.first, design), notes, recounts, visit.pest)
