"""Positions as people and devices write them: degrees, minutes, commas, swapped, or with a sign lost.

A position is mended only when exactly one mending puts it on the course, and every mending is told.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from geosample.counts.rows import Row
from geosample.counts.rules import Log
from geosample.counts.values import clean_text, read_metres

REACH_M = 2000.0
"""How far from the planned points a position may lie and still be of this course, m (our own choice)."""
_M_PER_DEGREE = 111_320.0
_NUMBERS = re.compile(r"\d+(?:\.\d+)?")
_MENDINGS: dict[str, Callable[[float, float], tuple[float, float]]] = {
    "as it is": lambda lat, lon: (lat, lon),
    "latitude and longitude swapped": lambda lat, lon: (lon, lat),
    "the longitude's sign turned": lambda lat, lon: (lat, -lon),
    "the latitude's sign turned": lambda lat, lon: (-lat, lon),
    "both signs turned": lambda lat, lon: (-lat, -lon),
    "swapped, and the longitude's sign turned": lambda lat, lon: (lon, -lat),
    "swapped, and the latitude's sign turned": lambda lat, lon: (-lon, lat),
}


@dataclass(frozen=True, slots=True)
class Place:
    """A reported position, degrees, with the receiver's accuracy in metres where it gave one."""

    lat: float = math.nan
    lon: float = math.nan
    accuracy_m: float = math.nan


@dataclass(frozen=True, slots=True)
class Reach:
    """The box a course's positions lie in: west, south, east, north in degrees."""

    west: float
    south: float
    east: float
    north: float

    def holds(self, lat: float, lon: float) -> bool:
        """Return whether a position lies in the box."""
        return self.west <= lon <= self.east and self.south <= lat <= self.north


def find_reach(lon: np.ndarray, lat: np.ndarray) -> Reach:
    """Return the box around planned places, widened by ``REACH_M``."""
    north_m = REACH_M / _M_PER_DEGREE
    east_m = north_m / max(math.cos(math.radians(float(np.mean(lat)))), 0.01)
    west, south, east, north = lon.min(), lat.min(), lon.max(), lat.max()
    return Reach(float(west - east_m), float(south - north_m), float(east + east_m), float(north + north_m))


def read_degrees(text: str) -> float | None:
    r"""Return decimal degrees from a number, or degrees, minutes and seconds; None when it can't be read.

    Parameters
    ----------
    text : str
        Such as ``41.5``, ``41,5``, ``-73 54.6``, ``41°30'00.4"N``.

    Examples
    --------
    >>> read_degrees("41,5012"), read_degrees("73°54'36\"W"), read_degrees("41 30.6 N")
    (41.5012, -73.91, 41.51)
    >>> read_degrees("41°75'") is None
    True
    """
    plain = clean_text(text.replace("º", "°")).upper()
    letters = re.findall(r"[NSEW]", plain)
    body = re.sub(r"(?<=\d),(?=\d)", ".", plain)
    if len(letters) > 1 or re.search(r"\d.*[NSEW].*\d|[^-+NSEW\d\s.°:'’′\"”″]", body):
        return None
    parts = [float(number) for number in _NUMBERS.findall(body)]
    if not parts or len(parts) > 3 or any(part >= 60 for part in parts[1:]):  # noqa: PLR2004 (minutes, seconds)
        return None
    minus = body.lstrip("NSEW ").startswith("-")
    if minus and letters and letters[0] in "NE":
        return None
    value = float(sum(part / 60.0**power for power, part in enumerate(parts)))
    return round(-value if minus or letters in (["S"], ["W"]) else value, 9)


def read_place(row: Row, reach: Reach, log: Log) -> Place | None:
    """Return the row's position, empty where it gave none; None after asking about one that can't be read or placed."""
    lat_text, lon_text, accuracy = _position_texts(row)
    if not lat_text and not lon_text:
        return Place(accuracy_m=_accuracy(row, accuracy))
    lat, lon = read_degrees(lat_text), read_degrees(lon_text)
    if lat is None or lon is None:
        found = f"position '{lat_text}', '{lon_text}'"
        log.ask(row.where, found, "latitude and longitude in degrees", "write such as 41.50012 and -73.90034")
        return None
    if lat == 0 and lon == 0:
        log.note(row.where, "position 0, 0, which a device writes when it has no fix", "taken as no position")
        return Place()
    if not _is_plain(lat_text) or not _is_plain(lon_text):
        log.note(row.where, f"position '{lat_text}', '{lon_text}'", f"read as {lat:.6f}, {lon:.6f}")
    return _mend(row, Place(lat, lon, _accuracy(row, accuracy)), reach, log)


def _mend(row: Row, place: Place, reach: Reach, log: Log) -> Place | None:
    fits = {}
    for name, turn in _MENDINGS.items():
        lat, lon = turn(place.lat, place.lon)
        if reach.holds(lat, lon):
            fits[name] = Place(lat, lon, place.accuracy_m)
    if "as it is" in fits:
        return place
    shown = f"position {place.lat:.6f}, {place.lon:.6f}"
    if len(fits) == 1:
        [(name, mended)] = fits.items()
        log.note(row.where, f"{shown} is off the course; on it with {name}", f"{mended.lat:.6f}, {mended.lon:.6f} used")
        return mended
    expected = f"a place within {REACH_M / 1000:.0f} km of the planned points"
    log.ask(row.where, shown, expected, "correct the position, or clear it: the label is enough")
    return None


def _position_texts(row: Row) -> tuple[str, str, str]:
    """Return latitude, longitude and accuracy as written; a form's position holds them in one cell."""
    if row.get("lat") or row.get("lon"):
        return row.get("lat"), row.get("lon"), ""
    text = clean_text(row.get("position"))
    parts = re.split(r"\s*[,;]\s+|[;]", text) if re.search(r"[,;]\s|;", text) else text.split()
    if len(parts) == 1 and text.count(",") == 1:
        parts = text.split(",")
    if len(parts) == 4:  # noqa: PLR2004 (XLSForm geopoint: latitude longitude altitude accuracy)
        return parts[0], parts[1], parts[3]
    return (parts[0], parts[1], "") if len(parts) in {2, 3} else (text, "", "")


def _accuracy(row: Row, text: str) -> float:
    value = read_metres(row.get("accuracy_m") or text)
    return value if isinstance(value, float) and value > 0 else math.nan


def _is_plain(text: str) -> bool:
    return bool(re.fullmatch(r"[-+]?\d+(\.\d+)?", text.strip()))
