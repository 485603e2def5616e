"""The zones and the passes as files other programs open, all in longitude and latitude (WGS 84)."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import pandas as pd
import shapely

from geosample.errors import TreatError
from geosample.files.saving import escape_html, escape_xml, make_folder, pack_shapefiles, save_file, write_csv
from geosample.ground import only_polygons
from geosample.report.treat import show_take, tell_drive, tell_zone
from geosample.units import ACRE_M2, FOOT2_M2, HECTARE_M2
from geosample.words import ACTIONS, IN_SHORT

if TYPE_CHECKING:
    import gpxpy.gpx
    from shapely import Geometry

    from geosample.treat.model import Zones
    from geosample.units import Units


_DEGREES = 1e-7
_FIELDS = {
    "zone_id": "zone_id",
    "action": "action",
    "hole": "hole",
    "kind": "kind",
    "area_m2": "area_m2",
    "mean_per_m2": "mean_m2",
    "probability": "chance",
    "acres": "acres",
    "caution": "caution",
    "simulated": "simulated",
    "number": "pass",
    "length_m": "length_m",
}
"""Columns and their names in a shapefile, which allows ten letters."""


@dataclass(frozen=True, slots=True)
class _FileLayer:
    """What one set of files holds: its name, its shapes in degrees, and a name and a note for each.

    ``tracks`` are those of its GPX: a name, a note, and the lines of each.
    """

    name: str
    shape: str
    frame: gpd.GeoDataFrame
    names: list[str]
    notes: list[str]
    tracks: list[tuple[str, str, list[Geometry]]]


def write_zones(zones: Zones, folder: str | Path, *, units: Units = "us") -> list[Path]:
    """Write the zones, and the passes over them, as GeoJSON, KML, zipped shapefile and GPX, and the zones as CSV.

    Parameters
    ----------
    zones : Zones
        The plan; one from the survey file has no passes with it, and writes none.
    folder : str or Path
        Where to; it is made, and files of these names there are replaced whole.
    units : {'us', 'metric'}
        Of the descriptions in KML and GPX.

    Returns
    -------
    list of Path
        The files.

    Raises
    ------
    TreatError
        When there is no room or no permission.

    Notes
    -----
    GeoJSON is of RFC 7946: longitude and latitude, outer rings anticlockwise. Shapes are turned to longitude and
    latitude first, since drivers write metres as degrees without a word.
    """
    place = make_folder(folder, TreatError)
    layers = [_lay_out_zones(zones, units)]
    if zones.drives or zones.of("treat").empty:  # the passes of a plan before must not stay beside one of no zones
        layers.append(_lay_out_passes(zones, units))
    table = save_file(place / "zones.csv", write_csv(zone_rows(zones)), TreatError)
    return [table, *(path for layer in layers for path in _write_layer(layer, place))]


def zone_rows(zones: Zones) -> pd.DataFrame:
    """Return the zones as a plain table in both units, with a place inside each in longitude and latitude.

    Returns
    -------
    DataFrame
        zone_id, action, hole, kind, surface_id, area_ft2, area_acres, area_m2, area_ha, mean, low and high per ft²
        and per m², probability, border_only, lon, lat, bags, reason,
        caution; ``simulated`` where the counts are invented.
    """
    frame = zones.zones
    inside = frame.geometry.representative_point().to_crs(4326)
    table = frame[["zone_id", "action", "hole", "kind", "surface_id"]].assign(
        area_ft2=(frame["area_m2"] / FOOT2_M2).round(0),
        area_acres=(frame["area_m2"] / ACRE_M2).round(4),
        area_m2=frame["area_m2"].round(1),
        area_ha=(frame["area_m2"] / HECTARE_M2).round(5),
    )
    for name in ("mean", "low", "high"):
        table[f"{name}_per_ft2"] = (frame[f"{name}_per_m2"] * FOOT2_M2).round(2)
        table[f"{name}_per_m2"] = frame[f"{name}_per_m2"].round(1)
    sprayer = zones.settings.sprayer
    amounts = {
        name: [
            show_take(rate, area_m2) if action == "treat" else ""
            for area_m2, action in zip(frame["area_m2"], frame["action"], strict=True)
        ]
        for name, rate in (("product", sprayer.rate), ("carrier", sprayer.carrier))
        if rate
    }
    return pd.DataFrame(table).assign(
        **amounts,
        probability=frame["probability"].round(3),
        border_only=frame["border_only"],
        lon=inside.x.round(7),
        lat=inside.y.round(7),
        bags=frame["bags"],
        reason=frame["reason"],
        **_marks(zones),
    )


def _lay_out_zones(zones: Zones, units: Units) -> _FileLayer:
    frame = in_degrees(zones.zones).assign(**_marks(zones))
    names = [f"{row.zone_id} {ACTIONS[row.action].name}" for row in frame.itertuples()]
    notes = [_close_note(tell_zone(row, units), zones) for row in zones.zones.itertuples()]
    rings = [shapely.get_parts(shapely.boundary(shapely.get_parts(shape))).tolist() for shape in frame.geometry]
    return _FileLayer("zones", "MultiPolygon", frame, names, notes, list(zip(names, notes, rings, strict=True)))


def _lay_out_passes(zones: Zones, units: Units) -> _FileLayer:
    """Return a row a pass, in driving order, and a track a drive with a segment a pass."""
    drives = zones.drives
    owner = [number for number, drive in enumerate(drives) for _ in drive.passes]
    number = [at + 1 for drive in drives for at in range(len(drive.passes))]
    facts = {
        "zone_id": [" ".join(drives[one].zone_ids) for one in owner],
        "hole": [drives[one].hole for one in owner],
        "number": number,
    }
    lines = [line for drive in drives for line in drive.passes]
    frame = gpd.GeoDataFrame(facts, geometry=lines, crs=zones.crs).assign(
        length_m=lambda rows: rows.length.round(1), **_marks(zones)
    )
    told = [_close_note(tell_drive(drive, units), zones) for drive in drives]
    many = [len(drives[one].passes) for one in owner]
    names = [f"{zone} pass {at} of {all_}" for zone, at, all_ in zip(frame["zone_id"], number, many, strict=True)]
    turned = frame.to_crs(4326)
    ends = iter(turned.geometry)
    tracks = [
        (f"{' '.join(drive.zone_ids)} passes", note, [next(ends) for _ in drive.passes])
        for drive, note in zip(drives, told, strict=True)
    ]
    return _FileLayer("passes", "LineString", turned, names, [told[one] for one in owner], tracks)


def _close_note(said: str, zones: Zones) -> str:
    """Return a description with what goes with every zone and pass: that counts are invented, and the caution."""
    return f"{said}{' Simulated counts.' if zones.simulated else ''} {IN_SHORT}"


def _marks(zones: Zones) -> dict[str, str | bool]:
    """Return the columns that go with every zone and pass: the caution, and that counts are invented."""
    return {"caution": IN_SHORT, **({"simulated": True} if zones.simulated else {})}


def _write_layer(layer: _FileLayer, place: Path) -> Iterator[Path]:
    """Write a layer's files and yield their paths."""
    import pyogrio

    def write(frame: gpd.GeoDataFrame, ending: str, **how: str) -> Path:
        text = io.BytesIO()
        pyogrio.write_dataframe(frame, text, layer=layer.name, geometry_type=layer.shape, **how)
        return save_file(place / f"{layer.name}.{ending}", text.getvalue(), TreatError)

    yield write(layer.frame, "geojson", driver="GeoJSON", RFC7946="YES")
    # the driver writes texts as they are, in CDATA, and viewers show the description as HTML
    notes = [escape_xml(escape_html(note)) for note in layer.notes]
    named = layer.frame[["geometry"]].assign(Name=layer.names, Description=notes)
    yield write(named, "kml", driver="LIBKML")
    yield _write_shapefile(layer, place)
    yield _write_gpx(layer.tracks, place / f"{layer.name}.gpx")


def _write_shapefile(layer: _FileLayer, place: Path) -> Path:
    """Write a zipped shapefile with the columns of ``_FIELDS``."""
    frame = layer.frame.assign(hole=layer.frame["hole"].fillna(""))
    if "area_m2" in frame:
        frame = frame.assign(acres=frame["area_m2"] / ACRE_M2)
    if "simulated" in frame:
        frame = frame.assign(simulated=1)  # the format has no flags
    frame = frame[[*(name for name in _FIELDS if name in frame), "geometry"]].rename(columns=_FIELDS)
    packed = pack_shapefiles({(layer.name, layer.shape.removeprefix("Multi")): frame})
    return save_file(place / f"{layer.name}_shapefile.zip", packed, TreatError)


def _write_gpx(tracks: Sequence[tuple[str, str, list[Geometry]]], path: Path) -> Path:
    """Write tracks with a segment a line, such as the rings of a zone."""
    import gpxpy.gpx

    file = gpxpy.gpx.GPX()
    file.creator = "geosample"
    for name, note, lines in tracks:
        track = gpxpy.gpx.GPXTrack(name=name, description=escape_xml(note))
        track.segments = [_segment(line) for line in lines]
        file.tracks.append(track)
    return save_file(path, file.to_xml().encode("utf-8"), TreatError)


def _segment(ring: Geometry) -> gpxpy.gpx.GPXTrackSegment:
    import gpxpy.gpx

    # GPX keeps latitude first
    return gpxpy.gpx.GPXTrackSegment([gpxpy.gpx.GPXTrackPoint(lat, lon) for lon, lat in ring.coords])


def in_degrees(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the zones in longitude and latitude, snapped to the seven decimals (about 1 cm) the files keep.

    Notes
    -----
    Rounding the corners one by one can make a thin tail cross itself; snapping keeps every polygon valid.
    """
    turned = frame.to_crs(4326)
    # in two steps: snapping a ring that nearly touches itself fails, so it is rounded and mended first
    rounded = shapely.make_valid(shapely.set_precision(turned.geometry.to_numpy(), _DEGREES, mode="pointwise"))
    snapped = only_polygons(shapely.set_precision(rounded, _DEGREES))
    return turned.assign(geometry=gpd.GeoSeries(snapped, index=turned.index, crs=4326))
