"""Reading the user's own points and areas: any vector file, brought into the ground's coordinate system, with names."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from geosample.errors import GroundError, Problem

if TYPE_CHECKING:
    import geopandas as gpd
    from pyproj import CRS


def read_own_shapes(path: Path, crs: CRS, *, option: str, name_field: str | None = None) -> gpd.GeoDataFrame:
    """Return the shapes of a file with their names, in the ground's CRS: columns name (text) and geometry.

    Parameters
    ----------
    path : Path
        Any vector file that GDAL reads.
    crs : CRS
        The ground's.
    option : str
        Where the file was named, for the messages.
    name_field : str, optional
        Which field holds the names; ``name``, or else the first one, or else the number of the row.

    Raises
    ------
    GroundError
        When there is no such file, a row has no shape, or it has no coordinate system or not that field.
    """
    import geopandas as gpd

    where = f"{option} {path}"
    frame = open_shapes(path, where)
    bare = frame.index[frame.geometry.isna() | frame.geometry.is_empty]
    if len(bare):
        found = f"no shape in row {', '.join(str(row + 1) for row in bare)}"
        raise GroundError(Problem(where, found, "a shape in each", "give it one, or take the row out"))
    fields = [str(name) for name in frame.columns.drop(frame.geometry.name)]
    field = name_field or ("name" if "name" in fields else next(iter(fields), ""))
    if field and field not in fields:
        expected = f"one of: {', '.join(fields)}" if fields else "a file with fields"
        raise GroundError(Problem(where, f"no field {field!r}", expected, "name one of these"))
    names = frame[field] if field else frame.index + 1
    shapes = frame.geometry.to_crs(crs).to_numpy()
    return gpd.GeoDataFrame({"name": [str(name) for name in names]}, geometry=shapes, crs=crs)


def open_shapes(path: Path, where: str) -> gpd.GeoDataFrame:
    """Return a vector file's rows as they are, at least one with a shape, in a coordinate system of their own.

    Parameters
    ----------
    path : Path
        Any vector file that GDAL reads.
    where : str
        What the messages call it.

    Raises
    ------
    GroundError
        When there is no such file, it holds no shapes, or has no coordinate system.
    """
    import geopandas as gpd
    import pyogrio

    if not path.is_file():
        raise GroundError(Problem(where, "no such file", "a file of points or polygons", "check the name"))
    try:
        frame = gpd.read_file(path)
    except (pyogrio.errors.DataSourceError, OSError, ValueError) as error:
        remedy = "export it as GeoJSON, GeoPackage or a shapefile"
        raise GroundError(Problem(where, "no file of shapes", "points or polygons", remedy)) from error
    if not isinstance(frame, gpd.GeoDataFrame) or frame.geometry.isna().all():
        remedy = "export it as GeoJSON, GeoPackage or a shapefile: a table of coordinates has no shapes"
        raise GroundError(Problem(where, "rows without shapes", "points or polygons", remedy))
    if frame.crs is None:
        raise GroundError(Problem(where, "no coordinate system", "a file with one", "save it with its system"))
    return frame
