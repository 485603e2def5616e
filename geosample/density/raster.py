"""The map as a GeoTIFF that any GIS opens: expected, low, high, exceedance, known."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from geosample.density.model import DensityMap, decide_at, exceedance
from geosample.errors import DensityError
from geosample.saving import save_file
from geosample.units import FOOT2_M2, Units, show_density

if TYPE_CHECKING:
    import pyproj

NO_DATA = -9999.0
_TILE = 256


def write_density_tif(
    path: Path,
    density_map: DensityMap,
    crs: pyproj.CRS,
    *,
    threshold_per_m2: float,
    units: Units = "us",
) -> None:
    """Write the map's bands into a GeoTIFF.

    Parameters
    ----------
    path : Path
        Where to; a file there is replaced.
    density_map : DensityMap
        The map.
    crs : CRS
        The survey's, in metres.
    threshold_per_m2 : float
        Of the exceedance band.
    units : str
        us writes densities per ft², metric per m².

    Notes
    -----
    Bands: expected, low, high (densities), exceedance (probability, 0 to 1), known (1 where the counts say
    enough to decide at the threshold).
    Where surfaces share a raster cell the larger piece is shown. Cells of no surface hold nodata.
    """
    import rasterio

    bands = _bands(density_map, threshold_per_m2, units)
    cells = density_map.cells
    column, row = cells["column"].to_numpy(), cells["row"].to_numpy()
    west, top = int(column.min()), int(row.max())
    shape = (top - int(row.min()) + 1, int(column.max()) - west + 1)
    order = np.argsort(cells["area_m2"].to_numpy(), kind="stable")
    side = density_map.cell_m
    profile = {
        "driver": "GTiff",
        "height": shape[0],
        "width": shape[1],
        "count": len(bands),
        "dtype": "float32",
        "nodata": NO_DATA,
        "crs": rasterio.crs.CRS.from_wkt(crs.to_wkt()),
        "transform": rasterio.Affine(side, 0.0, west * side, 0.0, -side, (top + 1) * side),
        "compress": "deflate",
        "predictor": 3,
        "tiled": min(shape) >= _TILE,
    }
    with rasterio.MemoryFile() as memory:
        with memory.open(**profile) as file:
            for number, (name, values, unit) in enumerate(bands, start=1):
                grid = np.full(shape, NO_DATA, dtype=np.float32)
                grid[top - row[order], column[order] - west] = values[order]
                file.write(grid, number)
                file.set_band_description(number, name)
                file.set_band_unit(number, unit)
            file.update_tags(**_tags(density_map, threshold_per_m2, units))
        save_file(path, memory.read(), DensityError)


def _bands(density_map: DensityMap, threshold_per_m2: float, units: Units) -> list[tuple[str, np.ndarray, str]]:
    cells, factor = density_map.cells, FOOT2_M2 if units == "us" else 1.0
    unit = "insects per square foot" if units == "us" else "insects per square metre"
    largest = float(np.finfo(np.float32).max)
    densities = [
        (name, np.minimum(cells[f"{name}_per_m2"].to_numpy(float) * factor, largest), unit)
        for name in ("expected", "low", "high")
    ]
    over = ("exceedance", exceedance(density_map, threshold_per_m2), "probability")
    settled = decide_at(density_map, threshold_per_m2).cells["known"].to_numpy(float)
    return [*densities, over, ("known", settled, "1 known enough to decide, 0 not known")]


def _tags(density_map: DensityMap, threshold_per_m2: float, units: Units) -> dict[str, str]:
    return {
        "visit": density_map.visit,
        "pest": density_map.pest,
        "threshold": show_density(threshold_per_m2, units),
        "interval": f"low to high holds the density with probability {density_map.level:g}; wider than the "
        "exceedance's own spread",
        "units": "insects per square foot" if units == "us" else "insects per square metre",
        "data": density_map.simulated or "counts as they came back",
        "map_worth": str(density_map.fitted.get("map_worth", {}).get("sentence", "")),
    }
