"""Bags as frames: the layers ``samples`` and ``counts``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, cast

import geopandas as gpd
import numpy as np
import pandas as pd

from geosample.counts.rows import Bag
from geosample.survey import shape_frame

if TYPE_CHECKING:
    from geosample.design import Design


def shape_samples(bags: Sequence[Bag], design: Design) -> gpd.GeoDataFrame:
    """Return the samples in the design's order, each at its planned place unless it was moved to a known one."""
    planned = design.points.set_index("point_id").geometry
    rows = [_sample_row(bag, design) for bag in bags]
    frame = pd.DataFrame(rows, columns=list(_sample_row_names())) if not rows else pd.DataFrame(rows)
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


def _sample_row_names() -> tuple[str, ...]:
    from geosample.survey import LAYERS

    return tuple(LAYERS["samples"].columns)
