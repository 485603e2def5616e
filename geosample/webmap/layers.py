"""What is drawn as shapes: frames to GeoJSON features, each with its look and what it says when tapped."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
import shapely
from markupsafe import escape

from geosample.density import LEVELS, exceedance, find_hotspots, outline_hotspots
from geosample.report import webmap as words
from geosample.units import percent
from geosample.words import ACTIONS

if TYPE_CHECKING:
    import geopandas as gpd

    from geosample.webmap.story import Story

Feature = dict[str, Any]
# A layer's name -> the parts it has, each a pane and its features, from below to above.
Layers = dict[str, list[tuple[str, list[Feature]]]]
# 1e-7 degrees is about a centimetre: finer than any fix, and a third of the page's size saved.
_DIGITS = 7
MOST_HOTSPOTS = 40
"""Outlines drawn at each level, the largest first: enough for a course, and the page stays small."""
COUNT_LEVEL = 0.95


def list_layers(story: Story) -> Layers:
    """Return what is drawn as shapes, layer by layer; a layer with nothing in it is left out."""
    hot = hotspot_features(story)
    layers: Layers = {
        "obstacles": [("obstacles", obstacle_features(story))],
        "surfaces": [("ground", surface_features(story)), ("markerPane", hole_labels(story))],
        "points": [("markerPane", point_features(story))],
        "clusters": [("markerPane", cluster_features(story))],
        "hotspots": [("zones", _casings(hot, "hotspot")), ("zones", hot)],
    }
    for action in ACTIONS:
        shapes = zone_features(story, action)
        layers[action] = [
            ("zones", _casings(shapes, "zone")),
            ("zones", shapes),
            ("markerPane", zone_labels(story, action)),
        ]
    return {name: parts for name, parts in layers.items() if any(features for _, features in parts)}


def surface_features(story: Story) -> list[Feature]:
    """Return the surfaces, large ones first so that small ones stay on top and can be tapped."""
    cells = story.settled.cells if story.settled else None
    own = {} if cells is None else dict(list(cells.groupby("surface_id")))
    rows = story.surfaces.sort_values("area_m2", ascending=False, kind="stable")
    return _features(
        rows,
        [
            {
                "look": f"surface {row['kind']}{' mapped' if row['surface_id'] in own else ''}",
                "id": row["surface_id"],
                "hole": row["hole"] or "",
                "name": f"{row['surface_id']}, {row['kind']}",
                "say": words.tell_surface(
                    row, None if cells is None else _sum_cells(own.get(row["surface_id"], cells.iloc[:0]))
                ),
            }
            for row in _records(rows)
        ],
    )


def _sum_cells(cells: pd.DataFrame) -> dict[str, float]:
    known = cells[cells["known"]]
    if known.empty:
        return {"share": 0.0}
    weights = known["area_m2"]
    return {
        "mean_per_m2": float((known["expected_per_m2"] * weights).sum() / weights.sum()),
        "low_per_m2": float(known["low_per_m2"].min()),
        "high_per_m2": float(known["high_per_m2"].max()),
        "share": float(weights.sum() / cells["area_m2"].sum()),
    }


def obstacle_features(story: Story) -> list[Feature]:
    """Return the obstacles; trees first, for their crowns reach over other things."""
    rows = story.obstacles
    rows = rows.assign(last=rows["kind"] != "trees").sort_values("last", kind="stable")
    return _features(
        rows,
        [
            {"look": f"obstacle {row['kind']}", "name": row["kind"], "say": words.tell_obstacle(row)}
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
        [_point_properties(row, by_point.get(row["point_id"], []), story.pest) for row in _records(story.points)],
    )
    stray = samples[~samples["point_id"].isin(set(story.points["point_id"]))]
    strays = [{**row, "point_id": row["sample_id"], "kind": "place off the plan"} for row in _records(stray)]
    return points + _features(stray, [_point_properties(row, [row], story.pest) for row in strays])


def with_counts(story: Story) -> gpd.GeoDataFrame:
    """Return the samples with the pest's ``count``, all stages together, and the densities it alone allows.

    Missing where it was not looked for.
    """
    totals = story.counts.groupby("sample_id")["count"].sum()
    count = story.samples["sample_id"].map(totals).astype("float64")
    low, high = count_interval(count.to_numpy(), story.samples["sampled_m2"].to_numpy(float))
    return story.samples.assign(count=count, low_per_m2=low, high_per_m2=high)


def count_interval(
    count: np.ndarray, sampled_m2: np.ndarray, level: float = COUNT_LEVEL
) -> tuple[np.ndarray, np.ndarray]:
    """Return the densities per m² that counts alone allow, were the insects spread at random around the point.

    Parameters
    ----------
    count, sampled_m2 : array, shape (samples,)
        Insects, and the turf they were counted in.
    level : float
        Of the interval.

    Returns
    -------
    tuple of array, shape (samples,)
        The low and the high ends.

    Notes
    -----
    The exact Poisson interval; clumping and what extraction missed widen it further.

    References
    ----------
    Garwood 1936, Biometrika 28:437-442.

    Examples
    --------
    >>> [round(float(end), 2) for end in count_interval(np.array(10), np.array(1.0))]
    [4.8, 18.39]
    """
    from scipy.special import gammaincinv

    tail = (1 - level) / 2
    low = np.where(count == 0, 0.0, gammaincinv(np.where(count == 0, 1.0, count), tail))
    return low / sampled_m2, gammaincinv(count + 1, 1 - tail) / sampled_m2


def _point_properties(row: dict[str, Any], samples: list[dict[str, Any]], pest: str) -> dict[str, Any]:
    read = [s for s in samples if s["status"] == "counted" and not pd.isna(s["count"])]
    mark, look = "?" if samples else "", "uncounted" if samples else "planned"
    if read:
        count = sum(int(s["count"]) for s in read)
        per_m2 = count / sum(s["sampled_m2"] for s in read)
        size = int(np.digitize(per_m2, (100.0, 400.0, 1600.0))) + 1  # in steps of four-fold
        mark, look = str(count), "zero" if count == 0 else f"found s{size}"
    if row.get("role") == "reserve":
        look += " reserve"
    return {
        "look": f"point {look}",
        "mark": mark,
        "id": row["point_id"],
        "name": f"Point {row['point_id']}: {mark or 'no count yet'}",
        "say": words.tell_point(row, samples, pest),
    }


def cluster_features(story: Story) -> list[Feature]:
    """Return the samples that lie in a cluster of high counts (Getis-Ord Gi*), as rings round their points."""
    found = story.density.fitted.get("clusters") if story.density else None
    high = {str(name) for name in found["high"]} if found else set()
    rows = story.samples[story.samples["sample_id"].isin(high)]
    return _features(
        rows,
        [
            {
                "look": "point cluster",
                "mark": "",
                "id": f"cluster {row['sample_id']}",
                "name": f"Cluster at {row['point_id']}",
                "say": words.tell_cluster(row["point_id"]),
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
                "say": words.tell_hotspot(row, level, threshold),
            }
            for number, row in enumerate(_records(drawn))
        ]
        features += _features(drawn, properties)
    return features


def zone_features(story: Story, action: str) -> list[Feature]:
    """Return the zones of one action."""
    rows = story.zones_to(action)
    return _features(
        rows,
        [
            {
                "look": f"zone {action}",
                "id": row.zone_id,
                "name": f"Zone {row.zone_id}",
                "say": words.tell_zone_place(row),
            }
            for row in rows.itertuples()
        ],
    )


def zone_labels(story: Story, action: str) -> list[Feature]:
    """Return each zone's id at a place inside it."""
    rows = story.zones_to(action)
    inside = rows.set_geometry(rows.geometry.representative_point())
    return _features(
        inside, [{"look": f"label {action}", "mark": row["zone_id"], "id": row["zone_id"]} for row in _records(inside)]
    )


def hole_labels(story: Story) -> list[Feature]:
    """Return each hole's name at a place inside its largest surface, for a map too small for the zones' ids."""
    largest = story.surfaces.sort_values("area_m2", ascending=False, kind="stable").drop_duplicates("hole")
    named = largest[largest["hole"].notna()]
    inside = named.set_geometry(named.geometry.representative_point())
    return _features(inside, [{"look": "label hole", "mark": row["hole"], "id": ""} for row in _records(inside)])


def _casings(shapes: list[Feature], kind: str) -> list[Feature]:
    """Return the same shapes as pale outlines, to lie under the real ones so that these stand out on any ground."""
    return [{**shape, "properties": {"look": f"{kind} casing"}} for shape in shapes]


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return cast("list[dict[str, Any]]", frame.drop(columns="geometry").to_dict("records"))


def _features(frame: gpd.GeoDataFrame, properties: list[dict[str, str]]) -> list[Feature]:
    if frame.empty:
        return []
    shapes = frame.geometry.to_crs("EPSG:4326")
    return [
        {
            "type": "Feature",
            "properties": {name: write_safe(text) for name, text in own.items()},
            "geometry": _rounded(shape),
        }
        for shape, own in zip(shapes, properties, strict=True)
        if shape is not None and not shape.is_empty
    ]


def write_safe(text: str) -> str:
    """Return a text, or finished Markup, as HTML in which folium finds no template.

    folium reads what it has rendered as a template a second time; a name such as ``{{ 7 * 7 }}`` would be worked out.

    Examples
    --------
    >>> write_safe("<7 {{ 7 * 7 }}")
    '&lt;7 &#123;&#123; 7 * 7 }}'
    """
    return str(escape(text)).replace("{", "&#123;")


def _rounded(shape: shapely.Geometry) -> dict[str, Any]:
    if shape.geom_type == "GeometryCollection":
        return {"type": shape.geom_type, "geometries": [_rounded(part) for part in shape.geoms]}
    geometry: dict[str, Any] = shapely.geometry.mapping(shape)
    return {"type": geometry["type"], "coordinates": _round_all(geometry["coordinates"])}


def _round_all(coordinates: Any) -> Any:
    if isinstance(coordinates, float):
        return round(coordinates, _DIGITS)
    return [_round_all(part) for part in coordinates]
