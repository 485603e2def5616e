"""Latitude read as longitude: where the place itself does not give it away, the shapes do.

Greens and bunkers lie every way round, so on the whole they are as high as they are wide. Read with the
axes swapped, they all come out stretched from south to north by 1 / (cos(latitude) cos(longitude)).
"""

from __future__ import annotations

import numpy as np
import shapely

from geosample.errors import GroundError, Problem

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
    remedy = "latitude and longitude are likely swapped: say --swap-lonlat (or --file-crs EPSG:4326 if they are not)"
    raise GroundError(Problem("the files together", found, "shapes as wide as high on the whole", remedy))
