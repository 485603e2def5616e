"""The zones as files other programs open, all in longitude and latitude (WGS 84)."""

from __future__ import annotations

import io
import tempfile
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import pandas as pd
import shapely

from geosample.cautions import IN_SHORT
from geosample.errors import TreatError
from geosample.files.saving import escape_html, escape_xml, make_folder, save_file, write_csv
from geosample.ground import only_polygons
from geosample.report.treat import show_take, tell_zone
from geosample.units import ACRE_M2, FOOT2_M2, HECTARE_M2
from geosample.words import ACTIONS

if TYPE_CHECKING:
    import gpxpy.gpx
    from shapely import Geometry

    from geosample.treat.model import Zones
    from geosample.units import Units


_DEGREES = 1e-7
_EARLIEST = (1980, 1, 1, 0, 0, 0)  # the same zones make the same zip: no clock in it
_FIELDS = {
    "zone_id": "zone_id",
    "action": "action",
    "hole": "hole",
    "kind": "kind",
    "area_m2": "area_m2",
    "mean_per_m2": "mean_m2",
    "probability": "chance",
}
"""Columns of the zones and their names in a shapefile, which allows ten letters."""


def write_zones(zones: Zones, folder: str | Path, *, units: Units = "us") -> list[Path]:
    """Write the zones as GeoJSON, KML, CSV, zipped shapefile and GPX, and return the paths; the folder is made.

    Parameters
    ----------
    zones : Zones
        The plan.
    folder : str or Path
        Where to; files of these names there are replaced whole.
    units : {'us', 'metric'}
        Of the zones' descriptions in KML and GPX.

    Raises
    ------
    TreatError
        When there is no room or no permission.

    Notes
    -----
    GeoJSON is of RFC 7946: longitude and latitude, outer rings anticlockwise. The zones are turned to longitude and
    latitude first, since drivers write metres as degrees without a word.
    """
    place = make_folder(folder, TreatError)
    return [
        _write_geojson(zones, place / "zones.geojson"),
        _write_kml(zones, place / "zones.kml", units),
        _write_csv(zones, place / "zones.csv"),
        write_shapefile(zones, place / "zones_shapefile.zip"),
        write_gpx(zones, place / "zones.gpx", units),
    ]


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


def _describe(zones: Zones, units: Units) -> list[str]:
    made_up = " Simulated counts." if zones.simulated else ""
    return [f"{tell_zone(row, units)}{made_up} {IN_SHORT}" for row in zones.zones.itertuples()]


def _marks(zones: Zones) -> dict[str, str | bool]:
    """Return the columns that go with every zone wherever its file goes: the caution, and that counts are invented."""
    return {"caution": IN_SHORT, **({"simulated": True} if zones.simulated else {})}


def _write_csv(zones: Zones, path: Path) -> Path:
    return save_file(path, write_csv(zone_rows(zones)), TreatError)


def _write_geojson(zones: Zones, path: Path) -> Path:
    import pyogrio

    frame, text = in_degrees(zones.zones).assign(**_marks(zones)), io.BytesIO()
    options = {"layer": "zones", "geometry_type": "MultiPolygon"}
    pyogrio.write_dataframe(frame, text, driver="GeoJSON", RFC7946="YES", **options)
    return save_file(path, text.getvalue(), TreatError)


def _write_kml(zones: Zones, path: Path, units: Units) -> Path:
    import pyogrio

    frame, text = in_degrees(zones.zones), io.BytesIO()
    names = [f"{row.zone_id} {ACTIONS[row.action].name}" for row in frame.itertuples()]
    # the driver writes texts as they are, in CDATA, and viewers show the description as HTML
    notes = [escape_xml(escape_html(said)) for said in _describe(zones, units)]
    named = frame.assign(Name=names, Description=notes)
    kept = named[["Name", "Description", "geometry"]]
    pyogrio.write_dataframe(kept, text, driver="LIBKML", layer="zones", geometry_type="MultiPolygon")
    return save_file(path, text.getvalue(), TreatError)


def write_shapefile(zones: Zones, path: Path) -> Path:
    """Write a zipped shapefile: zone_id, action, hole, kind, area_m2, acres, mean_m2 (per m²), chance, caution."""
    import pyogrio

    frame = in_degrees(zones.zones)[[*_FIELDS, "geometry"]].rename(columns=_FIELDS)
    frame = frame.assign(acres=frame["area_m2"] / ACRE_M2, hole=frame["hole"].fillna(""), caution=IN_SHORT)
    if zones.simulated:
        frame = frame.assign(simulated=1)  # the format has no flags
    packed = io.BytesIO()
    with tempfile.TemporaryDirectory() as folder:
        pyogrio.write_dataframe(
            frame, Path(folder) / "zones.shp", driver="ESRI Shapefile", geometry_type="Polygon", encoding="UTF-8"
        )
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as pack:
            for part in sorted(Path(folder).iterdir()):
                pack.writestr(zipfile.ZipInfo(part.name, _EARLIEST), part.read_bytes(), zipfile.ZIP_DEFLATED)
    return save_file(path, packed.getvalue(), TreatError)


def write_gpx(zones: Zones, path: Path, units: Units = "us") -> Path:
    """Write each zone as a track round it, a segment a ring, named by its id."""
    import gpxpy.gpx

    file = gpxpy.gpx.GPX()
    file.creator = "geosample"
    for row, said in zip(in_degrees(zones.zones).itertuples(), _describe(zones, units), strict=True):
        track = gpxpy.gpx.GPXTrack(name=f"{row.zone_id} {ACTIONS[row.action].name}", description=escape_xml(said))
        track.segments = [_segment(ring) for part in shapely.get_parts(row.geometry) for ring in _rings(part)]
        file.tracks.append(track)
    return save_file(path, file.to_xml().encode("utf-8"), TreatError)


def _rings(polygon: Geometry) -> list[Geometry]:
    return [polygon.exterior, *polygon.interiors]


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
