"""Headings recognised: the blank sheet's own names, the trade's other words for them, and the profile's stages."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass

from geosample.files.tables import Log, Table
from geosample.pests import Pest
from geosample.words import UNSTAGED

# Field of the reader -> other words for it; the blank sheet's own column comes first.
FIELDS: dict[str, tuple[str, ...]] = {
    "design_code": ("design", "code", "sheet code"),
    "visit": ("round", "visit name"),
    "sample_id": ("sample", "bag", "bag id", "bag label", "sample label"),
    "point_id": ("point", "pt", "label", "point label", "point name", "name", "waypoint", "station", "location"),
    "surface_id": ("surface",),
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
    asked : mapping of str to str
        Heading -> field or stage, by the user's own word (``--columns``), before anything else.
    """
    wanted = {plain_heading(heading): meaning for heading, meaning in asked.items()}
    claims: dict[str, list[int]] = {}
    others: dict[str, int] = {}
    passed = [heading for heading in table.headings if plain_heading(heading) in FORM_WORDS - set(wanted)]
    if passed:
        log.note(table.file, f"the form's own columns: {', '.join(passed)}", "passed over")
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


def plain_heading(text: str) -> str:
    """Return a heading in lower case with one space for every run of marks.

    Examples
    --------
    >>> plain_heading("  Collected_At (local) ")
    'collected at local'
    """
    plain = unicodedata.normalize("NFKC", text).lower()
    return " ".join(re.findall(r"[^\W_]+", plain))


def _readings(text: str) -> list[str]:
    """Return the ways to read a heading: whole, without its form's group, without its unit, without spaces."""
    last = re.split(r"[/:]", text)[-1]
    words = [plain_heading(text), plain_heading(last)]
    words += [re.sub(r" (?:m|count|counts|found|number)$", "", word) for word in words]
    words += [word.replace(" ", "") for word in words]
    return [word for word in dict.fromkeys(words) if word]


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
        remedy = "add the label, or name its column with --columns 'heading=point_id'"
        log.refuse(table.file, f"the headings {_names(table.headings)}", "a column of labels or of positions", remedy)
    counted = set(chosen) - set(FIELDS) or {"total", "status"} & set(chosen)
    if located and not counted:
        remedy = f"name it with --columns, such as '{next(iter(others), 'larvae')}={UNSTAGED}'"
        log.refuse(table.file, f"the headings {_names(table.headings)}", "a column of counts or of status", remedy)
    return bool(not undecided and located and counted)


def _names(headings: tuple[str, ...]) -> str:
    return ", ".join(heading for heading in headings if heading)


_FIELD_OF = {plain_heading(word): field for field, words in FIELDS.items() for word in (field, *words)}
