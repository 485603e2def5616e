"""What the map says of the user's own points and areas: a row each, for a table."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import shapely

from geosample.density.areas import estimate_areas, mapped_surfaces, predict_at
from geosample.density.data import FARTHEST_M
from geosample.density.model import DensityMap, exceed
from geosample.errors import DensityError, Problem
from geosample.escape import write_csv
from geosample.ground import is_area
from geosample.report import show_table
from geosample.saving import save_file
from geosample.units import FOOT2_M2, Units, percent, show_area, show_density

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from geosample.ground import Ground

COLUMNS = ("name", "what", "area_m2", "mean_per_m2", "low_per_m2", "high_per_m2", "probability", "threshold_per_m2")


def tell_places(
    density_map: DensityMap,
    ground: Ground,
    own: gpd.GeoDataFrame,
    threshold_per_m2: float,
    *,
    last: DensityMap | None = None,
) -> pd.DataFrame:
    """Return the density at points and the mean density of areas, each with its interval and chance of exceedance.

    Parameters
    ----------
    density_map, ground, last
        As for ``estimate_areas``.
    own : GeoDataFrame
        Points and polygons in the ground's CRS, with the column ``name``.
    threshold_per_m2 : float
        The probability is that of a density (of an area: of its mean) above this.

    Returns
    -------
    DataFrame
        In the order given: name, what (point or area), area_m2 (mapped ground inside; missing for a point),
        mean_per_m2, low_per_m2, high_per_m2, probability, threshold_per_m2.

    Raises
    ------
    DensityError
        When a shape is neither point nor polygon, a point lies more than 30 m off the mapped ground, an area has none
        of it, or the map is only a bound.
    """
    import pandas as pd

    _check(density_map, ground, own)
    area = is_area(own.geometry.to_numpy())
    found = []
    if area.any():
        means = estimate_areas(density_map, ground, own[area], threshold_per_m2=threshold_per_m2, last=last)
        found.append(means.assign(what="area"))
    if not area.all():
        at = predict_at(density_map, ground, own[~area], last=last)
        chance = exceed(at, threshold_per_m2)
        found.append(at.rename(columns={"expected_per_m2": "mean_per_m2"}).assign(probability=chance, what="point"))
    table = pd.concat(found).sort_index().assign(name=own["name"], threshold_per_m2=threshold_per_m2)
    return table.reindex(columns=list(COLUMNS))


def _check(density_map: DensityMap, ground: Ground, own: gpd.GeoDataFrame) -> None:
    shapes = own.geometry.to_numpy()
    far_m = shapely.distance(shapes, shapely.union_all(mapped_surfaces(density_map, ground).geometry.to_numpy()))
    lines = shapely.get_dimensions(shapes) == 1
    several = shapely.get_type_id(shapes) == shapely.GeometryType.MULTIPOINT
    problems = [
        Problem(f"--at, {name}", "a line or a heap of points", "a point or an area", "leave it out")
        for name in own["name"][lines | several]
    ]
    problems += [
        Problem(
            f"--at, {name}", f"{far:,.0f} m off the mapped ground", f"within {FARTHEST_M:.0f} m of it", "leave it out"
        )
        for name, far in zip(own["name"], far_m, strict=True)
        if far > FARTHEST_M
    ]
    if problems:
        raise DensityError(problems)


def show_places(table: pd.DataFrame, units: Units) -> list[str]:
    """Return the table for people, in their units."""
    rows = [
        [
            str(row["name"]),
            show_area(row["area_m2"], units) if row["what"] == "area" else "point",
            *(show_density(row[f"{end}_per_m2"], units) for end in ("mean", "low", "high")),
            f"{percent(row['probability'])}",
        ]
        for row in table.to_dict("records")
    ]
    return show_table(["asked for", "area", "mean", "low", "high", "over threshold"], rows)


def write_places(path: Path, table: pd.DataFrame) -> Path:
    """Write the table as CSV (UTF-8), densities per m² and per ft².

    Raises
    ------
    DensityError
        When the file can't be written.
    """
    feet = {f"{end}_per_ft2": table[f"{end}_per_m2"] * FOOT2_M2 for end in ("mean", "low", "high")}
    return save_file(path, write_csv(table.assign(**feet)), DensityError)
