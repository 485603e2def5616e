"""Frames to GeoJSON features: what is drawn, how it looks, and what it says."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
import shapely
from markupsafe import Markup

from geosample.density import LEVELS, exceedance, find_hotspots, outline_hotspots
from geosample.report.density import CLUSTER_WARNING
from geosample.units import percent
from geosample.webmap import popups
from geosample.webmap.model import Story

if TYPE_CHECKING:
    import geopandas as gpd

Feature = dict[str, Any]
# 1e-7 degrees is about a centimetre: finer than any fix, and a third of the page's size saved.
_DIGITS = 7
MOST_HOTSPOTS = 40
"""Outlines drawn at each level, the largest first: enough for a course, and the page stays small."""


def surface_features(story: Story) -> list[Feature]:
    """Return the surfaces, large ones first so that small ones stay on top and can be tapped."""
    mapped = set(story.density.cells["surface_id"]) if story.density else set()
    cells = story.settled.cells if story.settled else None
    own = {} if cells is None else dict(list(cells.groupby("surface_id")))
    nothing = None if cells is None else cells.iloc[:0]
    rows = story.surfaces.sort_values("area_m2", ascending=False, kind="stable")
    return _features(
        rows,
        [
            {
                "look": f"surface {row['kind']}{' mapped' if row['surface_id'] in mapped else ''}",
                "id": row["surface_id"],
                "name": f"{row['surface_id']}, {row['kind']}",
                "say": popups.say_surface(row, own.get(row["surface_id"], nothing)),
            }
            for row in _records(rows)
        ],
    )


def obstacle_features(story: Story) -> list[Feature]:
    """Return the obstacles; trees first, for their crowns reach over other things."""
    rows = story.obstacles
    rows = rows.assign(last=rows["kind"] != "trees").sort_values("last", kind="stable")
    return _features(
        rows,
        [
            {"look": f"obstacle {row['kind']}", "name": row["kind"], "say": popups.name_place(row)}
            for row in _records(rows)
        ],
    )


def point_features(story: Story) -> list[Feature]:
    """Return the planned points with what was counted at each, and samples that belong to no point."""
    samples = with_counts(story)
    by_point: dict[str, list[dict[str, Any]]] = {}
    for sample in _records(samples):
        by_point.setdefault(sample["point_id"], []).append(sample)
    points = _features(
        story.points,
        [_point_properties(row, by_point.get(row["point_id"], []), story) for row in _records(story.points)],
    )
    stray = samples[~samples["point_id"].isin(set(story.points["point_id"]))]
    strays = [{**row, "point_id": row["sample_id"], "kind": "place off the plan"} for row in _records(stray)]
    return points + _features(stray, [_point_properties(row, [row], story) for row in strays])


def cluster_features(story: Story) -> list[Feature]:
    """Return the samples that lie in a cluster of high counts (Getis-Ord Gi*), as rings round their points."""
    found = story.density.fitted.get("clusters", {}) if story.density else {}
    high = {str(name) for name in found.get("high", [])}
    rows = story.samples[story.samples["sample_id"].isin(high)]
    return _features(
        rows,
        [
            {
                "look": "point cluster",
                "mark": "",
                "id": f"cluster {row['sample_id']}",
                "name": f"Cluster at {row['point_id']}",
                "say": str(Markup("{}: in a cluster of high counts. {}").format(row["point_id"], CLUSTER_WARNING)),
            }
            for row in _records(rows)
        ],
    )


def hotspot_features(story: Story) -> list[Feature]:
    """Return the hotspots at each level of probability, as outlines; the threshold is the plan's, or else the map's."""
    import geopandas as gpd

    settled, threshold = story.settled, story.threshold_per_m2
    if settled is None or story.density is None or story.density.fitted.get("no_map") or not threshold:
        return []
    cells, over = settled.cells, exceedance(story.density, threshold)
    surfaces = story.surfaces.set_index("surface_id").geometry
    features: list[Feature] = []
    for level in LEVELS:
        found = find_hotspots(cells, over, level).head(MOST_HOTSPOTS)
        shapes = outline_hotspots(cells, over, level, story.density.cell_m, surfaces, most=len(found))
        drawn = gpd.GeoDataFrame(found, geometry=shapes.to_numpy(), crs=story.surfaces.crs)
        properties = [
            {
                "look": f"hotspot level{100 * level:.0f}",
                "id": f"hotspot {100 * level:.0f} {number}",
                "name": f"Hotspot, {percent(level)} or more",
                "say": popups.say_hotspot(row, level, threshold),
            }
            for number, row in enumerate(_records(drawn))
        ]
        features += _features(drawn, properties)
    return features


def with_counts(story: Story) -> gpd.GeoDataFrame:
    """Return the samples with the pest's ``count``, all stages together; missing where it was not looked for."""
    totals = story.counts.groupby("sample_id")["count"].sum()
    return story.samples.assign(count=story.samples["sample_id"].map(totals).astype("float64"))


def _point_properties(row: dict[str, Any], samples: list[dict[str, Any]], story: Story) -> dict[str, Any]:
    read = [s for s in samples if s["status"] == "counted" and not pd.isna(s["count"])]
    mark, look = "?" if samples else "", "uncounted" if samples else "planned"
    if read:
        count = sum(int(s["count"]) for s in read)
        mark, look = str(count), "zero" if count == 0 else f"found s{_size(read)}"
    if row.get("role") == "reserve":
        look += " reserve"
    return {
        "look": f"point {look}",
        "mark": mark,
        "id": row["point_id"],
        "name": f"Point {row['point_id']}: {mark or 'no count yet'}",
        "say": popups.say_point(row, samples, story.pest),
    }


def _size(samples: list[dict[str, Any]]) -> int:
    """Return a symbol's size from 1 to 4 by its density, in steps of four-fold."""
    per_m2 = sum(s["count"] for s in samples) / sum(s["sampled_m2"] for s in samples)
    return int(np.digitize(per_m2, (100.0, 400.0, 1600.0))) + 1


def zone_features(story: Story, action: str) -> list[Feature]:
    """Return the zones of one action."""
    rows = story.zones[story.zones["action"] == action]
    return _features(
        rows,
        [
            {
                "look": f"zone {action}",
                "id": row["zone_id"],
                "name": f"Zone {row['zone_id']}",
                "say": popups.say_zone(row),
            }
            for row in _records(rows)
        ],
    )


def hole_labels(story: Story) -> list[Feature]:
    """Return each hole's name at a place inside its largest surface, for a map too small for the zones' ids."""
    largest = story.surfaces.sort_values("area_m2", ascending=False, kind="stable").drop_duplicates("hole")
    named = largest[largest["hole"].notna()]
    inside = named.set_geometry(named.geometry.representative_point())
    return _features(inside, [{"look": "label hole", "mark": row["hole"], "id": ""} for row in _records(inside)])


def casings(shapes: list[Feature], kind: str) -> list[Feature]:
    """Return the same shapes as pale outlines, to lie under the real ones so that these stand out on any ground."""
    return [{**shape, "properties": {"look": f"{kind} casing"}} for shape in shapes]


def zone_labels(story: Story, action: str) -> list[Feature]:
    """Return each zone's id at a place inside it."""
    rows = story.zones[story.zones["action"] == action]
    inside = rows.set_geometry(rows.geometry.representative_point())
    return _features(
        inside, [{"look": f"label {action}", "mark": row["zone_id"], "id": row["zone_id"]} for row in _records(inside)]
    )


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return cast("list[dict[str, Any]]", frame.drop(columns="geometry").to_dict("records"))


def _features(frame: gpd.GeoDataFrame, properties: list[dict[str, Any]]) -> list[Feature]:
    if frame.empty:
        return []
    shapes = frame.geometry.to_crs("EPSG:4326")
    return [
        {"type": "Feature", "properties": own, "geometry": _rounded(shape)}
        for shape, own in zip(shapes, properties, strict=True)
        if shape is not None and not shape.is_empty
    ]


def _rounded(shape: shapely.Geometry) -> dict[str, Any]:
    if shape.geom_type == "GeometryCollection":
        return {"type": shape.geom_type, "geometries": [_rounded(part) for part in shape.geoms]}
    geometry: dict[str, Any] = shapely.geometry.mapping(shape)
    return {"type": geometry["type"], "coordinates": _round_all(geometry["coordinates"])}


def _round_all(coordinates: Any) -> Any:
    if isinstance(coordinates, float):
        return round(coordinates, _DIGITS)
    return [_round_all(part) for part in coordinates]
