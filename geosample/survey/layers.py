"""The layers of the survey file, in one table: their columns, and what must hold of each, row by row.

A column's type is one of ``text``, ``int``, ``real``, ``bool``; text and real may be missing, int and bool never.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely

from geosample.errors import Problem, SurveyError, list_names
from geosample.words import ACTIONS, METHODS, OBSTACLE_KINDS, PARTS, ROLES, STATUSES, SURFACE_KINDS, is_date

Kind = Literal["text", "int", "real", "bool"]


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer's make, and what must hold of it; names of columns stand in one string, parted by spaces.

    Parameters
    ----------
    geometry : str or None
        Kind of geometry, ``Unknown`` for any, None for a plain table.
    columns : mapping of str to Kind
        The columns with their types.
    key : str
        Columns whose values together name one row; none of them may be missing.
    need : str
        Other columns whose value may never be missing.
    above_0, from_0, share : str
        Numbers above 0, of at least 0, and from 0 to 1.
    within : mapping of str to (float, float)
        Numbers with ends of their own.
    words : mapping of str to tuple of str
        Columns that hold one of a few known words.
    dates, objects : str
        Texts that are dates (YYYY-MM-DD), and JSON objects.
    later : str
        Columns an older survey file may lack.
    measured : str
        The column that holds the polygon's own area, m².
    again : str
        The command that makes the layer anew whatever stands in it; none where only mending helps.
    """

    geometry: str | None
    columns: Mapping[str, Kind]
    key: str = ""
    need: str = ""
    above_0: str = ""
    from_0: str = ""
    share: str = ""
    within: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    dates: str = ""
    objects: str = ""
    later: str = ""
    measured: str = ""
    again: str = ""

    @property
    def required(self) -> set[str]:
        """The columns whose value may never be missing; a later one is, in rows that were there before it was."""
        filled = {name for name, kind in self.columns.items() if kind in {"int", "bool"}} - set(self.later.split())
        return filled | set(f"{self.key} {self.need}".split())


def _columns(text: str = "", *, real: str = "", whole: str = "", flag: str = "") -> dict[str, Kind]:
    kinds: dict[Kind, str] = {"text": text, "real": real, "int": whole, "bool": flag}
    return {name: kind for kind, names in kinds.items() for name in names.split()}


LAYERS: dict[str, Layer] = {
    "layout": Layer(None, _columns("written_by", whole="layout"), need="written_by", above_0="layout"),
    "surfaces": Layer(
        "MultiPolygon",
        _columns("surface_id hole kind name source", real="area_m2 edge_doubt_m area_doubt", whole="ground_version"),
        key="ground_version surface_id",
        need="kind area_m2",
        above_0="area_m2 edge_doubt_m area_doubt",
        from_0="ground_version",
        later="edge_doubt_m area_doubt ground_version",
        words={"kind": SURFACE_KINDS},
        measured="area_m2",
    ),
    "obstacles": Layer(
        "Unknown",
        _columns("kind hole name source", whole="ground_version"),
        need="kind",
        from_0="ground_version",
        later="ground_version",
        words={"kind": OBSTACLE_KINDS},
        again="ground",
    ),
    "landmarks": Layer(
        "Unknown",
        _columns("kind hole name source", whole="ground_version"),
        from_0="ground_version",
        later="ground_version",
        again="ground",
    ),
    "visits": Layer(
        None,
        _columns(
            "visit date pest unit_shape design_code settings",
            real="unit_m2 unit_depth_mm",
            whole="units_per_point seed ground_version",
        ),
        key="visit",
        later="ground_version",
        need="date pest unit_shape unit_m2 design_code settings",
        above_0="unit_m2 units_per_point",
        from_0="unit_depth_mm ground_version",
        dates="date",
        objects="settings",
    ),
    "strata": Layer(
        "MultiPolygon",
        _columns("visit stratum surface_id hole kind part", real="area_m2"),
        need="visit stratum surface_id kind part area_m2",
        above_0="area_m2",
        words={"kind": SURFACE_KINDS, "part": PARTS},
        measured="area_m2",
    ),
    "points": Layer(
        "Point",
        _columns(
            "visit point_id surface_id hole kind stratum part role finding split kept_from",
            real="inclusion_per_m2 weight_m2 edge_m lon lat",
            whole="walk_order extract_order line",
        ),
        key="visit point_id",
        need="surface_id kind stratum role edge_m lon lat",
        above_0="inclusion_per_m2 weight_m2",
        from_0="edge_m walk_order extract_order line",
        within={"lon": (-180, 180), "lat": (-90, 90)},
        words={"kind": SURFACE_KINDS, "role": ROLES},
        later="split kept_from extract_order line",
    ),
    "samples": Layer(
        "Point",
        _columns(
            "visit sample_id point_id method status joined_by collector counted_by collected_at note",
            real="sampled_m2 weight_m2 fix_lon fix_lat accuracy_m offset_m",
            whole="plugs",
            flag="moved",
        ),
        key="visit sample_id",
        need="point_id method status sampled_m2",
        above_0="weight_m2",
        from_0="sampled_m2 accuracy_m offset_m plugs",
        within={"fix_lon": (-180, 180), "fix_lat": (-90, 90)},
        words={"method": METHODS, "status": tuple(STATUSES)},
    ),
    "counts": Layer(
        None,
        _columns("visit sample_id pest stage", whole="count"),
        key="visit sample_id pest stage",
        from_0="count",
    ),
    "recounts": Layer(
        None,
        _columns("visit sample_id pest stage counted_by", whole="count"),
        key="visit sample_id pest stage",
        from_0="count",
    ),
    "estimates": Layer(
        None,
        _columns(
            "visit pest domain label stage method",
            real="mean_per_m2 low_per_m2 high_per_m2 se_per_m2 level area_m2 total",
            whole="n",
        ),
        need="visit pest domain label stage",
        from_0="n mean_per_m2 low_per_m2 high_per_m2 se_per_m2 area_m2 total",
        share="level",
        later="se_per_m2",
        again="estimate",
    ),
    "findings": Layer(
        None,
        _columns("visit pest what domain note", real="value low high threshold_per_m2"),
        need="visit pest what",
        from_0="threshold_per_m2",
    ),
    "models": Layer(
        None,
        _columns("visit pest settings fitted"),
        key="visit pest",
        need="settings fitted",
        objects="settings fitted",
        again="density",
    ),
    "cells": Layer(
        None,
        _columns(
            "visit pest surface_id",
            real="easting northing area_m2 log_mean log_sd prior_sd expected_per_m2 low_per_m2 high_per_m2 edge_m "
            "nearest_m",
            whole="column row",
            flag="known",
        ),
        key="visit pest surface_id column row",
        need="easting northing area_m2 log_mean log_sd prior_sd expected_per_m2 low_per_m2 high_per_m2 edge_m",
        above_0="area_m2 log_sd",
        from_0="prior_sd expected_per_m2 low_per_m2 high_per_m2 edge_m nearest_m",
        within={"log_mean": (-700, 700)},
        later="nearest_m",
        again="density",
    ),
    "zones": Layer(
        "MultiPolygon",
        _columns(
            "visit zone_id pest surface_id hole kind action reason",
            real="threshold_per_m2 area_m2 mean_per_m2 low_per_m2 high_per_m2 probability insects overspray_m2",
            whole="bags",
            flag="border_only",
        ),
        key="visit pest zone_id",
        need="surface_id kind action threshold_per_m2 area_m2",
        above_0="area_m2",
        from_0="threshold_per_m2 mean_per_m2 low_per_m2 high_per_m2 insects overspray_m2",
        share="probability",
        later="low_per_m2 high_per_m2 insects overspray_m2 bags reason",
        words={"kind": SURFACE_KINDS, "action": tuple(ACTIONS)},
        measured="area_m2",
        again="treat",
    ),
    "treatments": Layer(
        None,
        _columns("visit date zone_ids record"),
        need="visit date zone_ids record",
        dates="date",
        objects="record",
    ),
}


LAYOUT = 4
"""The number of the layers' layout that this version writes. 1: everything before facts and words were parted; its
ground, designs, points, samples, counts and records are read as they are. 2: without the doubt of walked edges and
without versions of the ground; all of it is read as it is. 3: models of one visit's bags; they are read as they are."""
RESULTS_SINCE = 2
"""The oldest layout whose results (``MARKED``) still mean what they say."""
RESULTS = ("estimates", "findings", "models", "cells", "zones")
"""Layers worked out from a visit's counts on its ground: when those change, what stands here is no longer true."""
MARKED = {"estimates": "estimate", "findings": "estimate", "models": "density", "zones": "treat"}
"""Results whose rows carry their layout, and the command that makes them; cells go by their model."""


def shape_frame(layer: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Return the frame with the layer's columns first, each of its type; columns it lacks come in as missing.

    Parameters
    ----------
    layer : str
        A key of ``LAYERS``; a frame for any other layer comes back as it is.
    frame : DataFrame or GeoDataFrame
        Other columns are kept, after the layer's own.
    """
    if layer not in LAYERS:
        return frame
    columns = LAYERS[layer].columns
    empty = {"text": None, "real": np.nan, "int": 0, "bool": False}
    full = frame.assign(**{name: empty[kind] for name, kind in columns.items() if name not in frame.columns})
    older = [name for name in LAYERS[layer].later.split() if columns[name] == "int" and full[name].isna().any()]
    full = full.assign(**{name: full[name].fillna(0) for name in older})
    typed = full.assign(**{name: _typed(full[name], kind) for name, kind in columns.items()})
    others = [name for name in typed.columns if name not in columns]
    return typed[[*columns, *others]].reset_index(drop=True)


def _typed(values: pd.Series, kind: Kind) -> pd.Series:
    if kind == "text" and isinstance(values.dtype, pd.StringDtype):
        # Each text once, however many rows have it: a map names its visit and pest in every cell.
        rows, texts = pd.factorize(values)
        once = np.array([*texts, None], dtype=object)  # -1, a missing one, takes the last
        return pd.Series(once[rows], index=values.index, dtype="object")
    if kind == "text":
        told = [None if missing else str(value) for value, missing in zip(values, values.isna(), strict=True)]
        return pd.Series(told, index=values.index, dtype="object")
    if kind == "real":
        return pd.to_numeric(values).astype("float64")
    # By way of a number: a column another program made text of reads "0", which is true for what is text.
    return pd.to_numeric(values).astype("int64" if kind == "int" else "bool")


_MOST_VALUES = 3
_MOST = 1e15
"""More than any count or area of a course; sums of such numbers still fit."""
_TIMES = ("date", "datetime", "datetime64", "time", "bytes")
_APART = 0.01
"""How far a stored area may lie from its polygon's: more than edges rounded in another program make of it."""


@dataclass(frozen=True, slots=True)
class _Fault:
    """One rule that some rows break: which rows, what they hold there, and what would be right."""

    rows: list[int]
    found: str
    expected: str


def check_layer(connection: sqlite3.Connection, path: Path, layer: str, frame: pd.DataFrame, kept: str = "1") -> None:
    """Let a layer of the survey pass as it was read, before its columns are given their types.

    Parameters
    ----------
    connection : Connection
        The survey file, open: the driver reads a text in a column of numbers as 0, so what is stored is asked of it.
    path : Path
        The survey file, for the words.
    layer : str
        A layer's name; one that is no key of ``LAYERS`` is the user's own, and passes.
    frame : DataFrame or GeoDataFrame
        Its rows as read, with the row numbers of the file as index.
    kept : str
        The SQL condition they were read by.

    Raises
    ------
    SurveyError
        With every rule that some row breaks, the rows named.
    """
    if layer not in LAYERS or frame.empty:
        return
    rules = LAYERS[layer]
    remedy = _how_to_mend(path, rules)
    where = f"{path} layer {layer}"
    gone = [name for name in rules.columns if name not in frame.columns and name not in rules.later.split()]
    problems = [Problem(where, f"no column '{name}'", f"column '{name}'", remedy) for name in gone]
    faults = [*_check_columns(connection, layer, frame, kept), *_check_shapes(connection, layer, frame)]
    problems += [Problem(f"{where}{_name_rows(fault.rows)}", fault.found, fault.expected, remedy) for fault in faults]
    if problems:
        raise SurveyError(problems)


def _how_to_mend(path: Path, rules: Layer) -> str:
    if rules.again:
        return f"run 'geosample {rules.again} {path.name} ...' again, or mend it"
    return "mend it in the program it was changed with, or restore the file from a back-up"


def _name_rows(rows: list[int]) -> str:
    """Return the rows in words, as ``, rows 3, 4 and 80 more``; nothing where it is the layer as a whole."""
    if not rows:
        return ""
    return f", row{'s' if len(rows) > 1 else ''} {list_names(rows)}"


def _check_columns(connection: sqlite3.Connection, layer: str, frame: pd.DataFrame, kept: str) -> Iterator[_Fault]:
    """Yield what is wrong with the values: a column's first broken rule, then keys that name two rows."""
    rules = LAYERS[layer]
    stored = [*_check_declared(rules, frame), *_check_stored(connection, layer, frame, kept)]
    yield from (fault for _, fault in stored)
    wrong = {name for name, _ in stored}
    for name, kind in rules.columns.items():
        if name in frame.columns and name not in wrong:
            check = _check_text if kind == "text" else _check_number
            yield from check(rules, name, frame[name])
    yield from _check_key(rules, frame)


def _check_declared(rules: Layer, frame: pd.DataFrame) -> Iterator[tuple[str, _Fault]]:
    """Yield the columns declared as times or flags by another program: the driver reads what fits, not what is so."""
    for name, kind in rules.columns.items():
        if name in frame.columns and not isinstance(frame[name].dtype, pd.StringDtype):
            found = pd.api.types.infer_dtype(frame[name], skipna=True)
            if found in _TIMES or (found == "boolean" and kind in {"int", "real"}):
                expected = "a column of text" if kind == "text" else "a column of numbers"
                yield name, _Fault([], f"column '{name}' declared as {found}", expected)


def _check_stored(
    connection: sqlite3.Connection, layer: str, frame: pd.DataFrame, kept: str
) -> Iterator[tuple[str, _Fault]]:
    """Yield the columns of numbers with rows that store something else, which the driver read as a number.

    Notes
    -----
    In SQLite's order of values numbers come before text, so one call of ``max`` a row tells whether a text is among
    them: one statement screens all columns, and only a layer that fails it is looked through column by column.
    """
    kinds = {name: kind for name, kind in LAYERS[layer].columns.items() if name in frame.columns}
    numbers = {name: kind for name, kind in kinds.items() if kind != "text" and frame[name].dtype.kind in "iufb"}
    if not numbers:
        return
    # Asking for NULL costs a third of the time, so only where there is some.
    values = {name: f'ifnull("{name}", 0)' if frame[name].isna().any() else f'"{name}"' for name in numbers}
    rules = {name: f"{value} < ''" for name, value in values.items()}
    whole = {name: f"({values[name]} | 0) = {values[name]}" for name, kind in numbers.items() if kind != "real"}
    screen = " AND ".join([f"max(0, {', '.join(values.values())}) < ''", *whole.values()])
    if not _ask(connection, layer, "1", f"{kept} AND NOT ({screen}) LIMIT 1"):
        return
    for name in numbers:
        found = _ask(connection, layer, f'"{name}"', f"NOT ({whole.get(name, rules[name])})")
        rows = [(row, value) for row, value in found if row in frame.index]
        if rows:
            said = _say(name, (value for _, value in rows))
            yield name, _Fault([row for row, _ in rows], said, f"a{' whole' if name in whole else ''} number")


def _ask(connection: sqlite3.Connection, layer: str, column: str, condition: str) -> list[tuple[int, Any]]:
    table = layer.replace('"', '""')
    return connection.execute(f'SELECT rowid, {column} FROM "{table}" WHERE {condition}').fetchall()


def _check_text(rules: Layer, name: str, values: pd.Series) -> Iterator[_Fault]:
    missing = (values.isna() | (values == "")).to_numpy() if name in rules.required else values.isna().to_numpy()
    if name in rules.required and missing.any():
        yield _fault(values, missing, "a value")
    for names, holds, expected in (
        (rules.dates.split(), is_date, "a date as YYYY-MM-DD"),
        (rules.objects.split(), _is_object, "a JSON object, {...}"),
        (list(rules.words), lambda text: text in rules.words[name], f"one of: {', '.join(rules.words.get(name, ()))}"),
    ):
        if name in names:
            wrong = ~missing & ~values.map(lambda text: holds(str(text))).to_numpy(dtype=bool)  # noqa: B023
            if wrong.any():
                yield _fault(values, wrong, expected)


def _is_object(text: str) -> bool:
    try:
        return isinstance(json.loads(text), dict)
    except ValueError:
        return False


def _check_number(rules: Layer, name: str, values: pd.Series) -> Iterator[_Fault]:
    """Yield the rows with no number where one is needed, and those with one beyond its ends."""
    numbers = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    missing = values.isna().to_numpy()
    low, high, strict, expected = _ends(rules, name)
    beyond = ~missing & ~((numbers > low if strict else numbers >= low) & (numbers <= high))
    if (numbers > high).any():
        expected += f", {high:g} at most"
    for wrong, said in ((missing & (name in rules.required), "a value"), (beyond, expected)):
        if wrong.any():
            yield _fault(values, wrong, said)


def _ends(rules: Layer, name: str) -> tuple[float, float, bool, str]:
    """Return a number's least and most, whether the least itself is out, and that in words."""
    if name in rules.above_0.split():
        return 0, _MOST, True, "a number above 0"
    if name in rules.from_0.split():
        return 0, _MOST, False, "a number of at least 0"
    if name in rules.share.split():
        return 0, 1, False, "a number of at least 0"
    if name in rules.within:
        low, high = rules.within[name]
        return low, high, False, f"a number of at least {low:g}"
    most = 1e300 if rules.columns[name] == "real" else 2.0**63
    return -most, most, False, "a number"


def _check_key(rules: Layer, frame: pd.DataFrame) -> Iterator[_Fault]:
    needed = [name for name in rules.key.split() if name not in rules.later.split()]
    names = [name for name in rules.key.split() if name in frame.columns]
    if not set(needed) <= set(names) or not names:
        return
    whole = frame[names].dropna() if frame[names].isna().any(axis=None) else frame[names]
    again = whole.duplicated().to_numpy()
    if again.any():
        twice = whole[again]
        one = ", ".join(f"{name} '{twice[name].iloc[0]}'" for name in names)
        yield _Fault([int(row) for row in twice.index], f"{one} once more", "each only once")


def _check_shapes(connection: sqlite3.Connection, layer: str, frame: pd.DataFrame) -> Iterator[_Fault]:
    """Yield what is wrong with the geometry: its coordinate system, its kind, its coordinates, its area."""
    rules = LAYERS[layer]
    if rules.geometry is None:
        return
    if "geometry" not in frame.columns:
        yield _Fault([], "no geometry", f"a layer of {rules.geometry}s")
        return
    placed = list(_check_crs(connection, layer, frame))
    yield from placed
    shapes = frame["geometry"].to_numpy()
    empty = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    fits = np.isin(shapely.get_type_id(shapes), _TYPES.get(rules.geometry, range(8)))
    broken = ~empty & fits & ~shapely.is_valid(shapes)
    if empty.any():
        yield _Fault(_rows(frame, empty), "no geometry", "a place on the course")
    if (other := ~empty & ~fits).any():
        kinds = sorted({shape.geom_type for shape in shapes[other]})
        yield _Fault(_rows(frame, other), f"a {' or a '.join(kinds)}", f"a {rules.geometry}")
    if broken.any():
        why = shapely.is_valid_reason(shapes[broken][0])
        kind = "geometry" if rules.geometry == "Unknown" else rules.geometry
        yield _Fault(_rows(frame, broken), f"a {kind} that is not valid ({why})", "a valid one")
    if not placed:  # in another coordinate system every area is another
        yield from _check_areas(rules, frame, ~empty & fits & ~broken)


_TYPES = {"Point": [0], "MultiPolygon": [3, 6]}
"""GEOS's numbers of the geometries a layer may hold: what holds polygons is written as multipolygons."""


def _check_areas(rules: Layer, frame: pd.DataFrame, good: np.ndarray) -> Iterator[_Fault]:
    """Yield the rows whose stored area is not their polygon's: one of the two was changed without the other."""
    if rules.measured not in frame.columns:
        return
    stored = pd.to_numeric(frame[rules.measured], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    own = np.zeros(len(frame))
    own[good] = shapely.area(frame["geometry"].to_numpy()[good])
    apart = good & (stored > 0) & (stored <= _MOST) & (np.abs(own - stored) > _APART * np.maximum(own, stored))
    if apart.any():
        first = int(np.flatnonzero(apart)[0])
        found = f"{rules.measured} {stored[first]:.6g} of a polygon of {own[first]:.6g} m²"
        yield _Fault(_rows(frame, apart), found, "the polygon's own area, within 1 %")


def _check_crs(connection: sqlite3.Connection, layer: str, frame: pd.DataFrame) -> Iterator[_Fault]:
    """Yield a coordinate system that is missing, not in metres, or not the one of the surfaces."""
    crs: Any = getattr(frame, "crs", None)
    if crs is None:
        yield _Fault([], "no coordinate system", "that of the layer 'surfaces'")
    elif layer == "surfaces":
        if not crs.is_projected or {axis.unit_name for axis in crs.axis_info} - {"metre", "meter"}:
            yield _Fault([], f"coordinate system '{crs.name}'", "a projected one in metres")
    elif (ground := _other_crs(connection, layer)) is not None and not crs.equals(ground, ignore_axis_order=True):
        own, other = (crs.name, ground.name) if crs.name != ground.name else (crs.to_string(), ground.to_string())
        yield _Fault([], f"coordinate system '{own}'", f"that of the layer 'surfaces', '{other}'")


def _other_crs(connection: sqlite3.Connection, layer: str) -> Any:
    """Return the surfaces' CRS, or None where there are none or the file says it is the layer's own."""
    sql = "SELECT table_name, srs_id FROM gpkg_geometry_columns WHERE table_name IN (?, 'surfaces')"
    numbers = dict(connection.execute(sql, (layer,)).fetchall())
    if "surfaces" not in numbers or numbers["surfaces"] == numbers.get(layer):
        return None
    file = connection.execute("PRAGMA database_list").fetchone()[2]
    said = pyogrio.read_info(file, layer="surfaces")["crs"]
    return pyproj.CRS.from_user_input(said) if said else None


def _fault(values: pd.Series, wrong: np.ndarray, expected: str) -> _Fault:
    held = values[wrong]
    return _Fault([int(row) for row in held.index], _say(str(values.name), held), expected)


def _rows(frame: pd.DataFrame, wrong: np.ndarray) -> list[int]:
    return [int(row) for row in frame.index[wrong]]


def _say(name: str, values: Iterable[Any]) -> str:
    """Return what rows hold in a column, the first few that differ."""
    held = dict.fromkeys("nothing" if pd.isna(value) else repr(value)[:60] for value in values)
    shown = list(held)[:_MOST_VALUES]
    return f"{name} {', '.join(shown)}{' ...' if len(held) > _MOST_VALUES else ''}"
