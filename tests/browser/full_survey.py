"""A survey with every stage in it, invented row by row, so that the page can be tested without the other stages."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from density_case import THRESHOLD

from geosample.density import DensityMap, MapSettings, save_density
from geosample.ground import Ground, save_ground
from geosample.ground.cutting import cut_cells
from geosample.survey import Survey, open_survey
from geosample.survey.findings import Finding, Findings, What, put_findings

VISIT, LATER = "2026-05-12", "2026-06-02"
PEST = "annual bluegrass weevil"
SAMPLED_M2 = 3 * 0.0025652


def ground_only(path: Path, ground: Ground) -> Survey:
    """Return a survey that holds only the ground."""
    survey = open_survey(path)
    save_ground(survey, ground)
    return survey


def with_counts(path: Path, ground: Ground, *, simulated: bool = True) -> Survey:
    """Return a survey with a visit, points, samples of every fate, counts, estimates and findings."""
    survey = ground_only(path, ground)
    points = _points(ground)
    samples = _samples(points)
    with survey.change() as change:
        change.put("visits", _visit(simulated=simulated))
        change.put("points", points)
        change.put("samples", samples)
        change.put("counts", _counts(samples))
        change.put("estimates", _estimates(ground))
        put_findings(change, VISIT, PEST, _findings())
    return survey


def complete(path: Path, ground: Ground) -> Survey:
    """Return a survey with everything: the density map and the zones too."""
    survey = with_counts(path, ground)
    save_density(survey, invent_density(ground))
    with survey.change() as change:
        change.put("zones", invent_zones(ground))
    return survey


def two_visits(path: Path, ground: Ground) -> Survey:
    """Return a complete survey and, three weeks later, a second visit that found less and has no plan."""
    survey = complete(path, ground)
    layers = ("visits", "strata", "points", "samples", "counts", "estimates")
    kept = {layer: frame for layer in layers if len(frame := survey.read(layer))}
    with survey.change() as change:
        for layer, frame in kept.items():
            dated = {"date": LATER} if "date" in frame else {}
            change.put(layer, frame.assign(visit=LATER, **dated), where={"visit": LATER})
    fewer = invent_density(ground)
    cells = fewer.cells.assign(
        expected_per_m2=fewer.cells["expected_per_m2"] / 4, log_mean=fewer.cells["log_mean"] - np.log(4)
    )
    save_density(survey, replace(fewer, visit=LATER, cells=cells, findings=Findings(LATER, PEST, ())))
    return survey


def eighteen_holes(path: Path, hole: Ground) -> Survey:
    """Return a survey of a course of eighteen such holes side by side, sampled on holes 1 to 3, with a zone on each."""
    places = {str(number + 1): (number % 6 * 260.0, -(number // 6) * 520.0) for number in range(18)}
    parts = {number: _move(hole.surfaces, number, *by) for number, by in places.items()}
    surfaces = pd.concat(parts.values(), ignore_index=True)
    ground = Ground(surfaces, hole.obstacles, name="The Invented Course of Eighteen Holes by the River")
    points = pd.concat([_move(_points(hole), number, *places[number]) for number in "123"], ignore_index=True)
    samples = _samples(points)
    survey = ground_only(path, ground)
    with survey.change() as change:
        change.put("visits", _visit(simulated=False))
        change.put("points", points)
        change.put("samples", samples)
        change.put("counts", _counts(samples))
        change.put("estimates", _estimates(hole))
    save_density(survey, invent_density(ground, cell_m=4.0))
    zones = [
        _move(invent_zones(hole).iloc[:1], number, *by).assign(zone_id=f"Z{int(number):02d}F-1")
        for number, by in places.items()
    ]
    with survey.change() as change:
        change.put("zones", pd.concat(zones, ignore_index=True))
    return survey


def _move(rows: gpd.GeoDataFrame, hole: str, east_m: float, north_m: float) -> gpd.GeoDataFrame:
    """Return a hole's rows as those of another, elsewhere."""
    ids = {
        name: [f"{int(hole):02d}{text[2:]}" for text in rows[name]]
        for name in ("surface_id", "point_id")
        if name in rows.columns
    }
    moved = rows.assign(hole=hole, **ids)
    return moved.set_geometry(rows.geometry.translate(east_m, north_m))


def invent_density(ground: Ground, cell_m: float = 1.0) -> DensityMap:
    """Return a map that is high near the green and along the west, and not known in the far south."""
    cells = pd.DataFrame(cut_cells(ground.surfaces, cell_m).drop(columns="geometry"))
    near = np.exp(-(np.hypot(cells["easting"] + 50, cells["northing"] + 90) ** 2) / 2000)
    log_mean = np.log(120 + 900 * near)
    log_sd = np.clip(0.25 + np.abs(cells["northing"] + 80) / 300, 0.25, 0.9)
    cells = cells.assign(
        log_mean=log_mean,
        log_sd=log_sd,
        prior_sd=1.0,
        expected_per_m2=np.exp(log_mean + log_sd**2 / 2),
        low_per_m2=np.exp(log_mean - 1.645 * log_sd),
        high_per_m2=np.exp(log_mean + 1.645 * log_sd),
        edge_m=2.0,
        nearest_m=10.0,
        known=cells["northing"] > -190,
    )
    worth = {"answer": "yes", "level": 0.9, "left_out": []}
    findings = Findings(VISIT, PEST, (Finding(What.MAP_WORTH, "all", 0.2, 0.1, 0.3, detail=worth),))
    return DensityMap(VISIT, PEST, cell_m, cells, MapSettings(level=0.9), {}, findings)


def invent_zones(ground: Ground) -> gpd.GeoDataFrame:
    """Return one zone to treat and one to leave, clipped to the fairway."""
    fairway = ground.surfaces.loc[ground.surfaces["kind"] == "fairway"].geometry.iloc[0]
    shapes = [
        shapely.intersection(fairway, shapely.box(-80, -130, -20, -70)),
        shapely.intersection(fairway, shapely.box(-80, -260, 20, -190)),
    ]
    frame = gpd.GeoDataFrame(
        {
            "visit": VISIT,
            "pest": PEST,
            "zone_id": ["T1", "K1"],
            "surface_id": "01-fairway-1",
            "hole": "1",
            "kind": "fairway",
            "action": ["treat", "check"],
            "reason": ["above", "check"],
            "threshold_per_m2": THRESHOLD,
            "mean_per_m2": [700.0, 300.0],
            "probability": [0.86, 0.44],
            "border_only": False,
            "bags": [4, 0],
            "low_per_m2": [400.0, 50.0],
            "high_per_m2": [1200.0, 900.0],
        },
        geometry=[shapely.multipolygons(shapely.get_parts(shape)) for shape in shapes],
        crs=ground.crs,
    )
    return frame.assign(area_m2=frame.area)


def _visit(*, simulated: bool) -> pd.DataFrame:
    row = {
        "visit": VISIT,
        "date": VISIT,
        "pest": PEST,
        "unit_shape": "plug",
        "design_code": "K7Q",
        "unit_m2": 0.0025652,
        "unit_depth_mm": 32.0,
        "units_per_point": 3,
        "seed": 7,
        "settings": json.dumps({"simulated": simulated}),
    }
    return pd.DataFrame([row])


def _points(ground: Ground) -> gpd.GeoDataFrame:
    rng = np.random.default_rng(7)
    rows = []
    for surface in ground.surfaces.itertuples():
        west, south, east, north = surface.geometry.bounds
        letter = surface.kind[0].upper()
        wanted = {"green": 6, "collar": 4, "fairway": 18}[surface.kind]
        places = []
        while len(places) < wanted:
            place = shapely.Point(rng.uniform(west, east), rng.uniform(max(south, -185), north))
            if surface.geometry.contains(place):
                places.append(place)
        rows += [
            {
                "visit": VISIT,
                "point_id": f"01{letter}-{number:02d}",
                "surface_id": surface.surface_id,
                "hole": "1",
                "kind": surface.kind,
                "stratum": f"{surface.kind} border",
                "part": "border",
                "role": "reserve" if number == wanted else "main",
                "edge_m": float(surface.geometry.boundary.distance(place)),
                "walk_order": len(rows) + number,
                "inclusion_per_m2": 0.002,
                "weight_m2": 500.0,
                "geometry": place,
            }
            for number, place in enumerate(places, 1)
        ]
    points = gpd.GeoDataFrame(rows, crs=ground.crs)
    flat = points.to_crs("EPSG:4326").geometry
    return points.assign(lon=flat.x, lat=flat.y)


def _samples(points: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    main = points[points["role"] == "main"].reset_index(drop=True)
    status = ["counted"] * len(main)
    status[2], status[5] = "lost", "unreachable"
    return gpd.GeoDataFrame(
        {
            "visit": VISIT,
            "sample_id": main["point_id"],
            "point_id": main["point_id"],
            "method": "brine",
            "plugs": 3,
            "sampled_m2": SAMPLED_M2,
            "status": status,
            "moved": False,
            "weight_m2": 500.0,
            "joined_by": "label",
        },
        geometry=main.geometry,
        crs=points.crs,
    )


def _counts(samples: gpd.GeoDataFrame) -> pd.DataFrame:
    counted = samples[samples["status"] == "counted"].reset_index(drop=True)
    near = np.hypot(counted.geometry.x + 50, counted.geometry.y + 90)
    count = np.random.default_rng(3).poisson(1 + 9 * np.exp(-(near**2) / 2000))
    rows = [
        {"visit": VISIT, "sample_id": name, "pest": PEST, "stage": stage, "count": int(part)}
        for name, total in zip(counted["sample_id"], count, strict=True)
        for stage, part in (("L3", total // 2), ("L4", total - total // 2))
    ]
    return pd.DataFrame(rows)


def _estimates(ground: Ground) -> pd.DataFrame:
    whole = float(ground.surfaces["area_m2"].sum())
    rows = [("all", "all", 23, 420.0, 260.0, 640.0, whole)]
    for surface, mean in zip(ground.surfaces.itertuples(), (180.0, 230.0, 470.0), strict=True):
        rows.append(("kind", surface.kind, 7, mean, mean / 2, mean * 1.9, surface.area_m2))
    names = ["domain", "label", "n", "mean_per_m2", "low_per_m2", "high_per_m2", "area_m2"]
    frame = pd.DataFrame(rows, columns=names)
    return frame.assign(visit=VISIT, pest=PEST, stage="all", level=0.95, total=frame["mean_per_m2"] * frame["area_m2"])


def _findings() -> list[Finding]:
    open_ratio = {"verdict": "open", "level": 0.95, "n": 20}
    undecided = {"verdict": "undecided", "level": 0.9, "n": 7, "more": 4}
    return [
        Finding(What.COMMON_BORDER_RATIO, "all", 1.3, 0.7, 2.4, detail=open_ratio),
        Finding(What.DECISION, "fairway", 470.0, 235.0, 893.0, THRESHOLD, undecided),
    ]
