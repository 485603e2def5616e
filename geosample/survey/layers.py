"""The layers of the survey file and their columns, in one table.

A column's type is one of ``text``, ``int``, ``real``, ``bool``; text and real may be missing, int and bool never.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from geosample.words import ACTIONS, METHODS, OBSTACLE_KINDS, PARTS, ROLES, STATUSES, SURFACE_KINDS

if TYPE_CHECKING:
    import pandas as pd

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
        """The columns whose value may never be missing."""
        filled = {name for name, kind in self.columns.items() if kind in {"int", "bool"}}
        return filled | set(f"{self.key} {self.need}".split())


def _columns(text: str = "", *, real: str = "", whole: str = "", flag: str = "") -> dict[str, Kind]:
    kinds: dict[Kind, str] = {"text": text, "real": real, "int": whole, "bool": flag}
    return {name: kind for kind, names in kinds.items() for name in names.split()}


LAYERS: dict[str, Layer] = {
    "layout": Layer(None, _columns("written_by", whole="layout"), need="written_by", above_0="layout"),
    "surfaces": Layer(
        "MultiPolygon",
        _columns("surface_id hole kind name source", real="area_m2"),
        key="surface_id",
        need="kind area_m2",
        above_0="area_m2",
        words={"kind": SURFACE_KINDS},
        measured="area_m2",
    ),
    "obstacles": Layer(
        "Unknown",
        _columns("kind hole name source"),
        need="kind",
        words={"kind": OBSTACLE_KINDS},
        again="ground",
    ),
    "landmarks": Layer("Unknown", _columns("kind hole name source"), again="ground"),
    "visits": Layer(
        None,
        _columns(
            "visit date pest unit_shape design_code settings",
            real="unit_m2 unit_depth_mm",
            whole="units_per_point seed",
        ),
        key="visit",
        need="date pest unit_shape unit_m2 design_code settings",
        above_0="unit_m2 units_per_point",
        from_0="unit_depth_mm",
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


LAYOUT = 2
"""The number of the layers' layout that this version writes. 1: everything before facts and words were parted; its
ground, designs, points, samples, counts and records are read as they are."""
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
    import numpy as np

    if layer not in LAYERS:
        return frame
    columns = LAYERS[layer].columns
    empty = {"text": None, "real": np.nan, "int": 0, "bool": False}
    full = frame.assign(**{name: empty[kind] for name, kind in columns.items() if name not in frame.columns})
    typed = full.assign(**{name: _typed(full[name], kind) for name, kind in columns.items()})
    others = [name for name in typed.columns if name not in columns]
    return typed[[*columns, *others]].reset_index(drop=True)


def _typed(values: pd.Series, kind: Kind) -> pd.Series:
    import pandas as pd

    if kind == "text" and isinstance(values.dtype, pd.StringDtype):
        objects = values.to_numpy(dtype=object)
        objects[values.isna().to_numpy()] = None
        return pd.Series(objects, index=values.index, dtype="object")
    if kind == "text":
        texts = [None if missing else str(value) for value, missing in zip(values, values.isna(), strict=True)]
        return pd.Series(texts, index=values.index, dtype="object")
    if kind == "real":
        return pd.to_numeric(values).astype("float64")
    # By way of a number: a column another program made text of reads "0", which is true for what is text.
    return pd.to_numeric(values).astype("int64" if kind == "int" else "bool")
