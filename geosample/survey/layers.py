"""The layers of the survey file and their columns, in one table.

A column's type is one of ``text``, ``int``, ``real``, ``bool``; text and real may be missing, int and bool never.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import pandas as pd

Kind = Literal["text", "int", "real", "bool"]


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer's make: its geometry (None for a plain table) and its columns with their types."""

    geometry: str | None
    columns: Mapping[str, Kind]


def _columns(text: str = "", *, real: str = "", whole: str = "", flag: str = "") -> dict[str, Kind]:
    kinds: dict[Kind, str] = {"text": text, "real": real, "int": whole, "bool": flag}
    return {name: kind for kind, names in kinds.items() for name in names.split()}


LAYERS: dict[str, Layer] = {
    "surfaces": Layer("MultiPolygon", _columns("surface_id hole kind name source", real="area_m2")),
    "obstacles": Layer("Unknown", _columns("kind hole name source")),
    "landmarks": Layer("Unknown", _columns("kind hole name source")),
    "visits": Layer(
        None,
        _columns(
            "visit date pest unit_shape design_code settings",
            real="unit_m2 unit_depth_mm",
            whole="units_per_point seed",
        ),
    ),
    "strata": Layer("MultiPolygon", _columns("visit stratum surface_id hole kind part", real="area_m2")),
    "points": Layer(
        "Point",
        _columns(
            "visit point_id surface_id hole kind stratum part role finding split kept_from",
            real="inclusion_per_m2 weight_m2 edge_m lon lat",
            whole="walk_order extract_order",
        ),
    ),
    "samples": Layer(
        "Point",
        _columns(
            "visit sample_id point_id method status joined_by collector counted_by collected_at note",
            real="sampled_m2 weight_m2 fix_lon fix_lat accuracy_m offset_m",
            whole="plugs",
            flag="moved",
        ),
    ),
    "counts": Layer(None, _columns("visit sample_id pest stage", whole="count")),
    "recounts": Layer(None, _columns("visit sample_id pest stage counted_by", whole="count")),
    "estimates": Layer(
        None,
        _columns(
            "visit pest domain label stage method",
            real="mean_per_m2 low_per_m2 high_per_m2 level area_m2 total",
            whole="n",
        ),
    ),
    "findings": Layer(None, _columns("visit pest what domain note", real="value low high threshold_per_m2")),
    "models": Layer(None, _columns("visit pest settings fitted")),
    "cells": Layer(
        None,
        _columns(
            "visit pest surface_id",
            real="easting northing area_m2 log_mean log_sd prior_sd expected_per_m2 low_per_m2 high_per_m2 edge_m "
            "nearest_m",
            whole="column row",
            flag="known",
        ),
    ),
    "zones": Layer(
        "MultiPolygon",
        _columns(
            "visit zone_id pest surface_id hole kind action note",
            real="threshold_per_m2 area_m2 mean_per_m2 probability",
            flag="border_only",
        ),
    ),
    "treatments": Layer(None, _columns("visit date zone_ids record")),
}


RESULTS = ("estimates", "findings", "models", "cells", "zones")
"""Layers worked out from a visit's counts on its ground: when those change, what stands here is no longer true."""


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
    return values.astype("int64" if kind == "int" else "bool")
