"""Where on Earth the course lies, and the system in metres that suits it; the user's own shapes brought into it.

Greens and bunkers lie every way round, so on the whole they are as high as they are wide. Read with the
axes swapped, they all come out stretched from south to north by 1 / (cos(latitude) cos(longitude)).

References
----------
Snyder 1987, Map Projections: A Working Manual, USGS Professional Paper 1395, pp. 182-190 (Lambert azimuthal
equal-area). A system centred on the site keeps every area, and distances to 0.21 parts in a million over a
2 km course; UTM changes areas by up to 0.09 %.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pyproj
import shapely

from geosample.errors import GroundError, Problem
from geosample.files.reading import Note
from geosample.ground.features import Content, Feature
from geosample.ground.formats import WGS84, read_file
from geosample.words import SHAPE_FAULTS

if TYPE_CHECKING:
    from pyproj import CRS
    from shapely import Geometry


FEWEST = 6
"""Fewer greens and bunkers than these tell nothing (no source)."""
_LEAST_STRETCH = 1.35  # nearer the equator than this allows, the shapes tell nothing (no source)
_SURE = 3.0  # standard errors (common practice, no source)


def check_stretch(shapes: np.ndarray, lon: float, lat: float) -> None:
    """Refuse greens and bunkers that are all stretched as swapped axes would stretch them.

    Parameters
    ----------
    shapes : array of Geometry
        Greens and bunkers, in metres.
    lon, lat : float
        Where they were read to lie.

    Raises
    ------
    GroundError
        When the stretch is nearer to that of swapped axes than to none, by 3 standard errors.

    Notes
    -----
    The mean of log(height / width) is near 0 as read rightly (no source; held by the real courses we have).
    """
    if len(shapes) < FEWEST or abs(lon) >= 90:  # noqa: PLR2004 - no latitude lies beyond
        return
    stretch = 1 / (np.cos(np.radians(lat)) * np.cos(np.radians(lon)))
    if stretch < _LEAST_STRETCH:
        return
    bounds = shapely.bounds(shapes)
    logs = np.log((bounds[:, 3] - bounds[:, 1]) / (bounds[:, 2] - bounds[:, 0]))
    error = logs.std(ddof=1) / np.sqrt(len(logs))
    if logs.mean() - np.log(stretch) / 2 <= _SURE * error:
        return
    found = (
        f"{len(shapes)} greens and bunkers stretched {np.exp(logs.mean()):.1f} times from south to north, at latitude "
        f"{lat:.3f}, longitude {lon:.3f}"
    )
    remedy = "latitude and longitude are likely swapped: say `swap_lonlat` (or `file_crs=EPSG:4326` if they are not)"
    raise GroundError(Problem("the files together", found, "shapes as wide as high on the whole", remedy))


WIDEST_M = 10_000.0
"""A course wider than this is a mistake in the coordinates (common practice, no source)."""
NORTHMOST, SOUTHMOST = 72.0, -58.0
"""Latitudes beyond which no turf is mown (from memory, unverified): coordinates there are the wrong way round."""
HALF_TURN = 180.0
"""Degrees from the prime meridian to its far side, by definition: no longitude or latitude is larger."""
WORTH_SAYING = 1e-5
"""A share of the area by which a coordinate system may be off without a word (no source)."""
LARGEST_AREA_ERROR = 0.005
"""A coordinate system that falsifies areas by more than this share is refused (no source)."""


def read_crs(text: str, where: str = "crs") -> pyproj.CRS:
    """Return a CRS from what the user wrote, such as ``EPSG:32618``.

    Parameters
    ----------
    text : str
        A code, or any other text that names one.
    where : str
        The argument it was given by, for the message.

    Returns
    -------
    CRS
        The coordinate system.

    Raises
    ------
    GroundError
        When there is no such system.
    """
    try:
        return pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError as error:
        problem = Problem(f"{where}={text}", "no such coordinate system", "a code such as EPSG:32618", "look it up")
        raise GroundError(problem) from error


def site_crs(lon: float, lat: float) -> pyproj.CRS:
    """Return the equal-area CRS in metres centred on a site.

    Examples
    --------
    >>> site_crs(-73.9, 41.5).axis_info[0].unit_name
    'metre'
    """
    return pyproj.CRS.from_user_input(f"+proj=laea +lat_0={lat:.4f} +lon_0={lon:.4f} +datum=WGS84 +units=m +type=crs")


Pairs = Sequence[tuple[float, float, float, float]]
"""Places in a drawing or picture and on Earth: its own x and y, longitude and latitude, degrees."""
FEWEST_PAIRS = 3
WIDEST_MISS_M = 20.0
"""Pairs of which one lies further from its place than this hold a mistake (own choice)."""
_SAME_UNIT = 1e-5  # a foot and a US survey foot differ by 2 parts in a million: the system's own is meant


@dataclass(frozen=True, slots=True)
class PlacesFit:
    """How a drawing's or picture's own places lie on Earth: turned, made larger and moved, by least squares.

    Parameters
    ----------
    crs : CRS
        Equal-area, in metres, centred on the pairs.
    turn : complex
        East and north, m, of one unit of x.
    shift : complex
        East and north, m, of x = y = 0.
    misses_m : tuple of float
        How far each pair lies from where the fit puts it, m.
    """

    crs: pyproj.CRS
    turn: complex
    shift: complex
    misses_m: tuple[float, ...]


def fit_pairs(pairs: Pairs, where: str, *, down: bool = False) -> PlacesFit:
    """Return the fit of three or more pairs of places.

    Parameters
    ----------
    pairs : sequence of (x, y, longitude, latitude)
        As ``Pairs``.
    where : str
        The argument they were given by, for the messages.
    down : bool
        Whether y grows downward, as in a picture.

    Returns
    -------
    PlacesFit
        With each pair's miss, m.

    Raises
    ------
    GroundError
        When they are fewer than three, no numbers on Earth, all in one place, or one is far off: each with its miss.

    Examples
    --------
    >>> pairs = [(0, 0, -73.9, 41.5), (100, 0, -73.8988, 41.5), (0, 100, -73.9, 41.5009)]
    >>> round(abs(fit_pairs(pairs, "pairs").turn), 2)
    1.0
    """
    table = np.asarray(list(pairs), dtype=float).reshape(-1, 4)
    good = np.isfinite(table).all(axis=1) & (np.abs(table[:, 2]) <= HALF_TURN) & (np.abs(table[:, 3]) <= HALF_TURN / 2)
    wrong = [
        Problem(where, f"pair {i + 1}: {table[i].tolist()}", "x,y=longitude,latitude in degrees", "write it again")
        for i in np.flatnonzero(~good)
    ]
    if len(table) < FEWEST_PAIRS:
        remedy = "give corners of greens or buildings that lie far apart"
        wrong.append(Problem(where, f"{len(table)} pairs", f"at least {FEWEST_PAIRS}", remedy))
    if wrong:
        raise GroundError(wrong)
    lon, lat = centre_of(shapely.points(table[:, 2:]))
    crs = site_crs(lon, lat)
    there = shapely.get_coordinates(project(shapely.points(table[:, 2:]), crs)) @ [1, 1j]
    here = table[:, 0] + 1j * table[:, 1] * (-1 if down else 1)
    apart = here - here.mean()
    if not (np.abs(apart) > 0).all() and np.ptp(np.abs(apart)) == 0:
        raise GroundError(Problem(where, "pairs all in one place", "places that lie far apart", "choose others"))
    turn = complex(np.vdot(apart, there - there.mean()) / np.vdot(apart, apart))
    shift = complex(there.mean() - turn * here.mean())
    misses = np.abs(turn * here + shift - there)
    if misses.max() > WIDEST_MISS_M:
        rows = [
            Problem(f"{where}, pair {i + 1}", f"a place {miss:,.1f} m from where the others put it",
                    f"at most {WIDEST_MISS_M:g} m", "look at its four numbers: swapped, or another corner?")
            for i, miss in enumerate(misses)
        ]  # fmt: skip
        raise GroundError(rows)
    return PlacesFit(crs, turn, shift, tuple(float(miss) for miss in misses))


def note_pairs(fit: PlacesFit, path: Path, unit_m: float | None = None) -> Note:
    """Return how far the pairs miss that a drawing or picture is placed by, and how long its unit comes out."""
    misses = np.array(fit.misses_m)
    facts = {"pairs": len(misses), "rms_m": float(np.sqrt(np.mean(misses**2))), "worst_m": float(misses.max())}
    return Note("by_pairs", path.name, facts={**facts, "scale": abs(fit.turn) / unit_m if unit_m else None})


def _place_drawing(content: Content, shapes: np.ndarray, file_crs: pyproj.CRS | None, pairs: Pairs) -> Placed:
    """Return a drawing's shapes in longitude and latitude: by pairs, or by the system its coordinates are in."""
    if pairs:
        fit = fit_pairs(pairs, "pairs")
        notes = [note_pairs(fit, content.path, content.unit_m)]

        def move(corners: np.ndarray) -> np.ndarray:
            placed = fit.turn * (corners @ [1, 1j]) + fit.shift
            return np.column_stack([placed.real, placed.imag])

        placed, crs = shapely.transform(shapes, move), fit.crs
    elif file_crs is not None:
        unit_m = file_crs.axis_info[0].unit_conversion_factor if file_crs.axis_info else 1.0
        ratio = (content.unit_m or unit_m) / unit_m
        ratio = 1.0 if abs(ratio - 1) < _SAME_UNIT or file_crs.is_geographic else ratio
        notes = [] if content.unit_m else [Note("no_unit", content.path.name, facts={"crs_name": file_crs.name})]
        placed, crs = shapely.transform(shapes, lambda corners: corners * ratio), file_crs
    else:
        remedy = (
            "name the system its coordinates are in (`file_crs=EPSG:n`), or give three or more places that you know in "
            "both (`pairs=1203.5,884.2=-73.9123,41.5234`)"
        )
        raise GroundError(Problem(str(content.path), "a drawing in coordinates of its own", "a place on Earth", remedy))
    return shapely.transform(placed, turn_between(crs, WGS84).transform, interleaved=False), notes


Placed = tuple[np.ndarray, list[Note]]


def to_lonlat(content: Content, file_crs: pyproj.CRS | None, pairs: Pairs = ()) -> Placed:
    """Return the content's shapes in longitude and latitude (WGS84), and what had to be assumed.

    Parameters
    ----------
    content : Content
        As read.
    file_crs : CRS or None
        What the user says the file is in; it goes before what the file says.
    pairs : Pairs
        Where places of a drawing lie on Earth; other files have no use for them.

    Raises
    ------
    GroundError
        When the file has metres and no CRS, degrees in a system of metres, or latitude before longitude.
    """
    shapes = np.array([feature.shape for feature in content.features], dtype=object)
    if content.drawing:
        lonlat, notes = _place_drawing(content, shapes, file_crs, pairs)
        _check_lonlat(content.path, lonlat)
        return lonlat, notes
    crs, notes = _settle_crs(content, file_crs, shapes)
    if crs == WGS84:
        lonlat = shapes
    else:
        lonlat = shapely.transform(shapes, turn_between(crs, WGS84).transform, interleaved=False)
        notes += _doubt_datum(content.path, crs)
    _check_lonlat(content.path, lonlat)
    return lonlat, notes


def _settle_crs(content: Content, file_crs: pyproj.CRS | None, shapes: np.ndarray) -> tuple[pyproj.CRS, list[Note]]:
    crs = file_crs or content.crs
    degrees = _look_like_degrees(shapes)
    if crs is None and degrees:
        return WGS84, [Note("no_crs_stated", content.path.name)]
    if crs is None:
        raise GroundError(_problem(content.path, "coordinates in metres or feet and no coordinate system"))
    if not crs.is_geographic and degrees:
        name = crs.name
        remedy = "it is in degrees: say `file_crs=EPSG:4326`"
        found = f"degrees in the metric system '{name}'"
        raise GroundError(Problem(str(content.path), found, "metres", remedy))
    if crs.is_geographic and not degrees:
        found = f"{_show_bounds(shapes)} in the system of degrees '{crs.name}'"
        raise GroundError(_problem(content.path, found))
    return crs, []


def _problem(path: Path, found: str) -> Problem:
    remedy = "say which one its metres are in: `file_crs=EPSG:n` (the surveyor or county GIS office knows)"
    return Problem(str(path), found, "a stated coordinate system", remedy)


def _look_like_degrees(shapes: np.ndarray) -> bool:
    if not len(shapes):
        return True
    west, south, east, north = shapely.total_bounds(shapes)
    return bool(max(abs(west), abs(east), abs(south), abs(north)) <= HALF_TURN)


def _show_bounds(shapes: np.ndarray) -> str:
    west, south, east, north = shapely.total_bounds(shapes)
    return f"coordinates from {west:,.1f}, {south:,.1f} to {east:,.1f}, {north:,.1f}"


def _check_lonlat(path: Path, lonlat: np.ndarray) -> None:
    if not len(lonlat):
        return
    _, south, _, north = shapely.total_bounds(lonlat)
    if not np.isfinite([south, north]).all():
        remedy = "name the file's own system with `file_crs=EPSG:n`"
        raise GroundError(Problem(str(path), "coordinates outside their coordinate system", "places on Earth", remedy))
    if north > NORTHMOST or south < SOUTHMOST:
        found = f"latitudes from {south:.4f} to {north:.4f}, where no turf grows"
        remedy = "latitude and longitude are likely swapped: say `swap_lonlat`, or export the file again"
        raise GroundError(Problem(str(path), found, "longitude first, then latitude", remedy))


def _doubt_datum(path: Path, crs: pyproj.CRS) -> list[Note]:
    """Return a note when the shift between datums is only roughly known here."""
    with warnings.catch_warnings():  # said in words below
        warnings.simplefilter("ignore", UserWarning)
        group = pyproj.transformer.TransformerGroup(crs, WGS84, always_xy=True)
    if group.best_available or not group.transformers or crs.geodetic_crs == WGS84:
        return []
    accuracy = group.transformers[0].accuracy
    known = float(accuracy) if accuracy and accuracy > 0 else None
    return [Note("datum_shift", path.name, facts={"crs_name": crs.name, "accuracy_m": known})]


def centre_of(lonlat: Sequence[Geometry] | np.ndarray) -> tuple[float, float]:
    """Return the middle of the shapes' bounds as (lon, lat), on either side of the date line."""
    bounds = shapely.bounds(lonlat)
    lon = bounds[:, [0, 2]]
    if np.ptp(lon) > HALF_TURN:
        lon = np.where(lon < 0, lon + 2 * HALF_TURN, lon)
    middle = (lon.min() + lon.max()) / 2
    return float((middle + HALF_TURN) % (2 * HALF_TURN) - HALF_TURN), float(
        (bounds[:, 1].min() + bounds[:, 3].max()) / 2
    )


def project(lonlat: np.ndarray, crs: pyproj.CRS) -> np.ndarray:
    """Return shapes in longitude and latitude as shapes in a CRS, easting first."""
    turn = turn_between(WGS84, crs).transform
    return np.asarray(shapely.transform(lonlat, turn, interleaved=False), dtype=object)


@lru_cache(16)  # finding the way between two systems takes longer than going it
def turn_between(here: pyproj.CRS, there: pyproj.CRS) -> pyproj.Transformer:
    """Return what turns coordinates, easting or longitude first, of one system into another's."""
    return pyproj.Transformer.from_crs(here, there, always_xy=True)


def check_width(shapes: np.ndarray, sources: Sequence[str]) -> None:
    """Refuse a course wider than 10 km, and name the features that lie far from the rest.

    Raises
    ------
    GroundError
        With a row for each feature (at most ten) that lies too far from the others.
    """
    west, south, east, north = shapely.total_bounds(shapes)
    if max(east - west, north - south) <= WIDEST_M:
        return
    places = shapely.get_coordinates(shapely.centroid(shapes))
    off = np.hypot(*(places - np.median(places, axis=0)).T)
    far = [int(i) for i in np.argsort(-off)[:10] if off[i] > WIDEST_M / 2]
    remedy = "take it out of the file or set its coordinates right (swapped or in another system?)"
    rows = [Problem(sources[i], f"a place {off[i] / 1000:,.0f} km from the rest", "one course", remedy) for i in far]
    found = f"a course {max(east - west, north - south) / 1000:,.0f} km wide"
    raise GroundError([Problem("the files together", found, "at most 10 km", "one survey file a course"), *rows])


def check_metric(crs: pyproj.CRS, lon: float, lat: float) -> list[Note]:
    """Refuse a working CRS that is not in metres or falsifies areas, and say by how much it does.

    Raises
    ------
    GroundError
        When it is not projected, not in metres, or its areas are wrong by more than 0.5 %.
    """
    name = crs.to_string()
    units = {axis.unit_name for axis in crs.axis_info}
    if not crs.is_projected or units - {"metre"}:
        found = f"'{crs.name}' in {', '.join(sorted(units)) or 'no unit'}"
        remedy = "choose one in metres, or leave `crs` out for one centred on the course"
        raise GroundError(Problem(f"crs={name}", found, "a projected system in metres", remedy))
    scale = pyproj.Proj(crs).get_factors(lon, lat).areal_scale
    error = scale - 1
    if not abs(error) < LARGEST_AREA_ERROR:
        found = f"areas {error:+.1%} wrong at this course in '{crs.name}'"
        remedy = "leave `crs` out for an equal-area system centred on the course"
        raise GroundError(Problem(f"crs={name}", found, "areas right to 0.5 %", remedy))
    if abs(error) < WORTH_SAYING:
        return []
    return [Note("areas_off", "crs", facts={"crs_name": crs.name, "area_error": float(error)})]


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
