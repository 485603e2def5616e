"""The zones' outlines for machines: a zipped shapefile, and tracks in GPX; longitude and latitude (WGS 84)."""

from __future__ import annotations

import io
import tempfile
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import shapely

from geosample.errors import TreatError
from geosample.escape import escape_xml
from geosample.ground import only_polygons
from geosample.saving import save_file
from geosample.units import ACRE_M2
from geosample.words import ACTIONS

if TYPE_CHECKING:
    import gpxpy.gpx
    from shapely import Geometry

    from geosample.treat.model import Zones

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


def write_shapefile(zones: Zones, path: Path) -> Path:
    """Write a zipped shapefile: zone_id, action, hole, kind, area_m2, acres, mean_m2 (per m²), chance (0 to 1)."""
    import pyogrio

    frame = in_degrees(zones.zones)[[*_FIELDS, "geometry"]].rename(columns=_FIELDS)
    frame = frame.assign(acres=frame["area_m2"] / ACRE_M2, hole=frame["hole"].fillna(""))
    packed = io.BytesIO()
    with tempfile.TemporaryDirectory() as folder:
        pyogrio.write_dataframe(
            frame, Path(folder) / "zones.shp", driver="ESRI Shapefile", geometry_type="Polygon", encoding="UTF-8"
        )
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as pack:
            for part in sorted(Path(folder).iterdir()):
                pack.writestr(zipfile.ZipInfo(part.name, _EARLIEST), part.read_bytes(), zipfile.ZIP_DEFLATED)
    return save_file(path, packed.getvalue(), TreatError)


def write_gpx(zones: Zones, path: Path) -> Path:
    """Write each zone as a track round it, a segment a ring, named by its id."""
    import gpxpy.gpx

    file = gpxpy.gpx.GPX()
    file.creator = "geosample"
    for row in in_degrees(zones.zones).itertuples():
        track = gpxpy.gpx.GPXTrack(
            name=f"{row.zone_id} {ACTIONS[row.action].name}", description=escape_xml(row.note or "")
        )
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
