"""Reading the user's own points and areas: any vector file, brought into the ground's coordinate system, with names."""

from __future__ import annotations

from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

import shapely

from geosample.errors import GroundError, Problem
from geosample.ground.features import Content, Feature
from geosample.ground.formats import read_file
from geosample.words import SHAPE_FAULTS

if TYPE_CHECKING:
    import geopandas as gpd
    from pyproj import CRS

_MULTIPLE = {"Point": shapely.MultiPoint, "LineString": shapely.MultiLineString, "Polygon": shapely.MultiPolygon}


def read_own_shapes(path: Path, crs: CRS, *, option: str, name_field: str | None = None) -> gpd.GeoDataFrame:
    """Return the shapes of a file with their names, in the ground's CRS: columns name (text) and geometry.

    Parameters
    ----------
    path : Path
        Any vector file.
    crs : CRS
        The ground's.
    option : str
        Where the file was named, for the messages.
    name_field : str, optional
        Which field holds the names; ``name``, or else the first one. A row without one has its number.

    Raises
    ------
    GroundError
        When it can't be read, a row has no whole shape, or it has no coordinate system or not that field.
    """
    import geopandas as gpd

    where = f"{option} {path}"
    content = _read(path, where)
    broken = [note for note in content.notes if "done" in note.facts and note.what != "empty_layer"]
    if broken:
        remedy = "mend it, or take it out"
        found = ((f"{option} {one.where}", SHAPE_FAULTS[one.what]) for one in broken)
        raise GroundError([Problem(*where_what, "a whole shape", remedy) for where_what in found])
    frame = _frame_rows(content, where)
    fields = [str(name) for name in frame.columns.drop("geometry")]
    field = name_field or ("name" if "name" in fields else next(iter(fields), ""))
    if field and field not in fields:
        expected = f"one of: {', '.join(fields)}" if fields else "a file with fields"
        raise GroundError(Problem(where, f"no field {field!r}", expected, "name one of these"))
    named = frame[field] if field else [None] * len(frame)
    names = [name if isinstance(name, str) else str(row) for row, name in enumerate(named, start=1)]
    return gpd.GeoDataFrame({"name": names}, geometry=frame.geometry.to_crs(crs).to_numpy(), crs=crs)


def open_shapes(path: Path, where: str) -> gpd.GeoDataFrame:
    """Return a vector file's rows that have a shape, with their fields as text, in a coordinate system of their own.

    Parameters
    ----------
    path : Path
        Any vector file.
    where : str
        What the messages call it.

    Raises
    ------
    GroundError
        When it can't be read, holds no shapes, or has no coordinate system.
    """
    return _frame_rows(_read(path, where), where)


def _read(path: Path, where: str) -> Content:
    try:
        return read_file(path, any_kind=True)
    except GroundError as error:
        raise GroundError([Problem(where, one.found, one.expected, one.remedy) for one in error.problems]) from error


def _frame_rows(content: Content, where: str) -> gpd.GeoDataFrame:
    """Return a row a feature: a reader gives a shape of several parts as several, one behind the other."""
    import geopandas as gpd

    if not content.features:
        remedy = "export it as GeoJSON, GeoPackage or a shapefile"
        raise GroundError(Problem(where, "rows without shapes", "points or polygons", remedy))
    if content.crs is None:
        raise GroundError(Problem(where, "no coordinate system", "a file with one", "save it with its system"))
    rows = [list(parts) for _, parts in groupby(content.features, key=lambda feature: feature.source)]
    fields = [{**({"name": parts[0].name} if parts[0].name else {}), **parts[0].fields} for parts in rows]
    return gpd.GeoDataFrame(fields, geometry=[_join(parts) for parts in rows], crs=content.crs)


def _join(parts: list[Feature]) -> shapely.Geometry:
    shapes = [part.shape for part in parts]
    kinds = {shape.geom_type for shape in shapes}
    if len(shapes) == 1:
        return shapes[0]
    return _MULTIPLE[kinds.pop()](shapes) if len(kinds) == 1 else shapely.GeometryCollection(shapes)
