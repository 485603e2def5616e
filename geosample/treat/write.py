"""The zones as files other programs open, all in longitude and latitude (WGS 84)."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from geosample.errors import TreatError
from geosample.escape import escape_html, escape_xml, write_csv
from geosample.saving import make_folder, save_file
from geosample.treat.amounts import parse_rate
from geosample.treat.outlines import in_degrees, write_gpx, write_shapefile
from geosample.units import ACRE_M2, FOOT2_M2, HECTARE_M2
from geosample.words import ACTIONS

if TYPE_CHECKING:
    from geosample.treat.model import Zones


def write_zones(zones: Zones, folder: str | Path) -> list[Path]:
    """Write the zones as GeoJSON, KML, CSV, zipped shapefile and GPX, and return the paths; the folder is made.

    Notes
    -----
    GeoJSON is of RFC 7946: longitude and latitude, outer rings anticlockwise. The zones are turned to longitude and
    latitude first, since drivers write metres as degrees without a word.
    """
    place = make_folder(folder, TreatError)
    return [
        _write_geojson(zones, place / "zones.geojson"),
        _write_kml(zones, place / "zones.kml"),
        _write_csv(zones, place / "zones.csv"),
        write_shapefile(zones, place / "zones_shapefile.zip"),
        write_gpx(zones, place / "zones.gpx"),
    ]


def zone_rows(zones: Zones) -> pd.DataFrame:
    """Return the zones as a plain table in both units, with a place inside each in longitude and latitude.

    Returns
    -------
    DataFrame
        zone_id, action, hole, kind, surface_id, area_ft2, area_acres, area_m2, area_ha, mean, low and high per ft²
        and per m², probability, lon, lat, note.
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
    amounts = {
        name: [parse_rate(said).on(area).show() if action == "treat" else "" for area, action in _areas(frame)]
        for name, said in (("product", zones.settings.get("rate")), ("carrier", zones.settings.get("carrier")))
        if said
    }
    return pd.DataFrame(table).assign(
        **amounts,
        probability=frame["probability"].round(3),
        border_only=frame["border_only"],
        lon=inside.x.round(7),
        lat=inside.y.round(7),
        note=frame["note"],
    )


def _areas(frame: pd.DataFrame) -> list[tuple[float, str]]:
    return list(zip(frame["area_m2"], frame["action"], strict=True))


def _write_csv(zones: Zones, path: Path) -> Path:
    return save_file(path, write_csv(zone_rows(zones)), TreatError)


def _write_geojson(zones: Zones, path: Path) -> Path:
    import pyogrio

    frame, text = in_degrees(zones.zones), io.BytesIO()
    options = {"layer": "zones", "geometry_type": "MultiPolygon"}
    pyogrio.write_dataframe(frame, text, driver="GeoJSON", RFC7946="YES", **options)
    return save_file(path, text.getvalue(), TreatError)


def _write_kml(zones: Zones, path: Path) -> Path:
    import pyogrio

    frame, text = in_degrees(zones.zones), io.BytesIO()
    names = [f"{row.zone_id} {ACTIONS[row.action].name}" for row in frame.itertuples()]
    # the driver writes texts as they are, in CDATA, and viewers show the description as HTML
    notes = [escape_xml(escape_html(note)) for note in frame["note"].fillna("")]
    named = frame.assign(Name=names, Description=notes)
    kept = named[["Name", "Description", "geometry"]]
    pyogrio.write_dataframe(kept, text, driver="LIBKML", layer="zones", geometry_type="MultiPolygon")
    return save_file(path, text.getvalue(), TreatError)
