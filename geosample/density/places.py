"""Densities at places and of areas from the stored map: the joint posterior, without fitting again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geosample.density.laplace import (
    Hyper,
    MixedField,
    Pattern,
    Sites,
    draw_log,
    fit_field,
    predict_jointly,
    predict_latent,
)
from geosample.density.mapping import FARTHEST_M, Covariates, choose_covariates, cut_target, know_enough
from geosample.density.model import DensityMap, exceed
from geosample.errors import DensityError, Problem
from geosample.files.saving import save_file, write_csv
from geosample.ground import is_area
from geosample.units import FOOT2_M2
from geosample.words import SURFACE_KINDS, hole_key

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from geosample.ground import Ground

DRAWS = 1000
CELLS_AN_AREA = 600
SURE = 0.9
"""Probability at which an area is called above or below the threshold (common practice, no source)."""
COLUMNS = ("name", "what", "area_m2", "mean_per_m2", "low_per_m2", "high_per_m2", "probability", "threshold_per_m2")
_SEED = 0  # of the draws, so that the same map always says the same


def restore_field(density_map: DensityMap) -> MixedField:
    """Return the latent field as it was fitted, from what the map keeps of it; maps of older versions keep one.

    Raises
    ------
    DensityError
        When there were too few insects for a map.
    """
    fitted = density_map.fitted
    if fitted["no_map"]:
        found = f"only a bound: {fitted['insects']} insects in all"
        raise DensityError(Problem("density map", found, "a map", "pull more plugs, or use the averages"))
    kept = fitted["sites"]
    sites = Sites(
        np.array(kept["places"], dtype=float),
        np.array(kept["basis"], dtype=float),
        np.array(kept["count"], dtype=float),
        np.array(kept["offset"], dtype=float),
    )
    alone = {name: fitted[name] for name in ("spread", "range_m", "k")}
    every = {**alone, "share": 1.0, "used": [True] * sites.basis.shape[1], "pull": kept.get("pull")}
    fields = fitted.get("fields", [every])
    patterns: list[Pattern] = [one.get("pattern", "own") for one in fields]
    fits = [
        fit_field(
            sites.of_pattern(pattern, -1) if "earlier" in fitted else sites,
            Hyper(one["spread"], one["range_m"], one["k"]),
            start=np.array(one["pull"], dtype=float),
            used=np.array(one["used"], dtype=bool),
            pattern=pattern,
        )
        for one, pattern in zip(fields, patterns, strict=True)
    ]
    return MixedField(tuple(fits), tuple(one["share"] for one in fields))


def covariates_of(density_map: DensityMap, ground: Ground) -> Covariates:
    """Return the covariates the map was made with."""
    kinds = np.array(density_map.fitted["kinds"], dtype=object)
    return choose_covariates(ground, kinds, density_map.settings, earlier="earlier" in density_map.fitted)


def cells_alone(density_map: DensityMap, ground: Ground) -> pd.DataFrame:
    """Return a map's cells as its own visit's counts make them, without those of an earlier visit.

    Parameters
    ----------
    density_map : DensityMap
        Any; the cells of one that took nothing in come back as they are.
    ground : Ground
        What it was made on.

    Notes
    -----
    Two visits' maps so made err apart, which a map of change between them needs.
    """
    if "earlier" not in density_map.fitted:
        return density_map.cells
    cells, settings = density_map.cells, density_map.settings
    alone, covariates = restore_field(density_map).alone, covariates_of(density_map, ground)
    kinds = cells["surface_id"].map(ground.surfaces.set_index("surface_id")["kind"]).to_numpy()
    places = cells[["easting", "northing"]].to_numpy(float)
    latent = predict_latent(alone, places, covariates.basis(places, kinds, cells["edge_m"].to_numpy(float)))
    latent = latent.shift(float(np.log(density_map.fitted["rate_per_m2"])))
    known = know_enough(alone.lead, cells["nearest_m"].to_numpy(float), latent.patchy_spread, settings)
    return cells.assign(**settings.give_density(latent), known=known)


def mapped_surfaces(density_map: DensityMap, ground: Ground) -> gpd.GeoDataFrame:
    """Return the surfaces the map covers."""
    return ground.surfaces[ground.surfaces["surface_id"].isin(set(density_map.cells["surface_id"]))]


def estimate_areas(
    density_map: DensityMap,
    ground: Ground,
    areas: gpd.GeoDataFrame,
    *,
    threshold_per_m2: float | None = None,
) -> pd.DataFrame:
    """Return the mean density of areas, with interval, from draws of the joint posterior.

    Parameters
    ----------
    density_map : DensityMap
        A map, not a bound.
    ground : Ground
        The same ground.
    areas : GeoDataFrame
        Any polygons in the ground's CRS; only what lies on mapped surfaces counts.
    threshold_per_m2 : float, optional
        For the probability that the area's mean is above it.

    Returns
    -------
    DataFrame
        A row an area, with its index: area_m2, mean_per_m2, low_per_m2, high_per_m2, and with a threshold
        probability and decision (above, below, undecided).

    Raises
    ------
    DensityError
        When an area has nothing on mapped ground, or the map is only a bound.

    Notes
    -----
    A threshold on a mean is not one on a cell: an area may be below it and hold cells above. Mean and probability are
    of all models, the interval of those with a field, as a cell's: ground called even would have a mean too sure.
    """
    import pandas as pd

    fitted, covariates = restore_field(density_map), covariates_of(density_map, ground)
    mapped = mapped_surfaces(density_map, ground)
    pieces = [_cut_area(mapped, shape) for shape in areas.geometry]
    _check_pieces(areas, pieces)
    rng = np.random.default_rng(_SEED)
    rows = [_mean_of(density_map, fitted, covariates, piece, rng) for piece in pieces]
    found = pd.DataFrame(rows, index=areas.index)
    if threshold_per_m2 is None:
        return found.drop(columns="draws")
    over = found["draws"].map(lambda draws: float((draws > threshold_per_m2).mean()))
    decision = np.select([over >= SURE, over <= 1 - SURE], ["above", "below"], "undecided")
    return found.drop(columns="draws").assign(probability=over, decision=decision)


def covary_places(density_map: DensityMap, ground: Ground, cells: pd.DataFrame) -> np.ndarray:
    """Return how the log densities of some hundreds of cells err together, by the models with a field.

    Parameters
    ----------
    density_map : DensityMap
        A map, not a bound.
    ground : Ground
        What it was made on.
    cells : DataFrame
        surface_id, easting, northing of each.

    Returns
    -------
    ndarray, shape (cells, cells)
        As the cells' intervals have it: with the widening and the doubt about recovery of ``MapSettings``.
    """
    fitted, covariates = restore_field(density_map), covariates_of(density_map, ground)
    kinds = cells["surface_id"].map(ground.surfaces.set_index("surface_id")["kind"]).to_numpy()
    places = cells[["easting", "northing"]].to_numpy(float)
    basis = covariates.basis(places, kinds)
    settings = covariates.settings
    covariance = predict_jointly(fitted.patchy, places, basis)[1]
    return np.asarray(covariance * settings.widen_interval**2 + settings.recovery_sd**2)


def _cut_area(mapped: gpd.GeoDataFrame, shape: shapely.Geometry) -> pd.DataFrame:
    import pandas as pd

    inside = mapped.assign(geometry=shapely.intersection(mapped.geometry.to_numpy(), shape))
    inside = inside[inside.area > 0]
    if inside.empty:
        return pd.DataFrame()
    return cut_target(inside, float(np.sqrt(inside.area.sum() / CELLS_AN_AREA)))


def _check_pieces(areas: gpd.GeoDataFrame, pieces: list[pd.DataFrame]) -> None:
    remedy = "choose an area on the surfaces that were sampled"
    problems = [
        Problem(f"area {name}", "nothing on mapped ground", "some", remedy)
        for name, piece in zip(areas.index, pieces, strict=True)
        if piece.empty
    ]
    if problems:
        raise DensityError(problems)


def _mean_of(
    density_map: DensityMap, fitted: MixedField, covariates: Covariates, piece: pd.DataFrame, rng: np.random.Generator
) -> dict[str, object]:
    places = piece[["easting", "northing"]].to_numpy(float)
    basis = covariates.basis(places, piece["kind"].to_numpy())
    settings = covariates.settings
    mean, around = draw_log(fitted, places, basis, rng, DRAWS)
    patchy, apart = draw_log(fitted.patchy, places, basis, rng, DRAWS)
    share = piece["area_m2"].to_numpy(float) / piece["area_m2"].sum()
    rate = float(density_map.fitted["rate_per_m2"])
    doubt = np.exp(settings.recovery_sd * rng.standard_normal(DRAWS))
    draws = np.exp(mean + settings.widen * around) @ share * rate * doubt
    wide = np.exp(patchy + settings.widen_interval * apart) @ share * rate * doubt
    low, high = np.quantile(wide, [0.5 - settings.level / 2, 0.5 + settings.level / 2])
    centre = float(np.exp(mean + around.var(axis=0) / 2) @ share) * rate
    area_m2 = float(piece["area_m2"].sum())
    ends = {"low_per_m2": min(float(low), centre), "high_per_m2": max(float(high), centre)}
    return {"area_m2": area_m2, "mean_per_m2": centre, **ends, "draws": draws}


def predict_at(density_map: DensityMap, ground: Ground, points: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return the density at points, each read with the kind of the nearest mapped surface.

    Parameters
    ----------
    density_map : DensityMap
        A map, not a bound.
    ground : Ground
        The same ground.
    points : GeoDataFrame
        In the ground's CRS.

    Returns
    -------
    DataFrame
        With the points' index: log_mean, log_sd, expected_per_m2, low_per_m2, high_per_m2.
    """
    import pandas as pd

    fitted, covariates = restore_field(density_map), covariates_of(density_map, ground)
    mapped = mapped_surfaces(density_map, ground)
    nearest = shapely.STRtree(mapped.geometry.to_numpy()).nearest(points.geometry.to_numpy())
    places = shapely.get_coordinates(points.geometry.to_numpy())
    basis = covariates.basis(places, mapped["kind"].to_numpy()[nearest])
    latent = predict_latent(fitted, places, basis).shift(float(np.log(density_map.fitted["rate_per_m2"])))
    return pd.DataFrame(covariates.settings.give_density(latent), index=points.index)


def estimate_places(
    density_map: DensityMap,
    ground: Ground,
    at: gpd.GeoDataFrame,
    threshold_per_m2: float,
) -> pd.DataFrame:
    """Return the density at points and the mean density of areas, each with its interval and chance of exceedance.

    Parameters
    ----------
    density_map, ground
        As for ``estimate_areas``.
    at : GeoDataFrame
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

    shapes, mapped = at.geometry.to_numpy(), mapped_surfaces(density_map, ground)
    far_m = shapely.distance(shapes, shapely.union_all(mapped.geometry.to_numpy()))
    several = shapely.get_type_id(shapes) == shapely.GeometryType.MULTIPOINT
    problems = [
        Problem(f"`at`, {name}", "a line or a heap of points", "a point or an area", "leave it out")
        for name in at["name"][(shapely.get_dimensions(shapes) == 1) | several]
    ]
    within = f"within {FARTHEST_M:.0f} m of it"
    problems += [
        Problem(f"`at`, {name}", f"{far:,.0f} m off the mapped ground", within, "leave it out")
        for name, far in zip(at["name"], far_m, strict=True)
        if far > FARTHEST_M
    ]
    if problems:
        raise DensityError(problems)
    area, found = is_area(shapes), []
    if area.any():
        means = estimate_areas(density_map, ground, at[area], threshold_per_m2=threshold_per_m2)
        found.append(means.assign(what="area"))
    if not area.all():
        points = predict_at(density_map, ground, at[~area])
        points = points.assign(probability=exceed(points, threshold_per_m2), what="point")
        found.append(points.rename(columns={"expected_per_m2": "mean_per_m2"}))
    table = pd.concat(found).sort_index().assign(name=at["name"], threshold_per_m2=threshold_per_m2)
    return table.reindex(columns=list(COLUMNS))


def write_places(path: Path, table: pd.DataFrame) -> Path:
    """Write the table as CSV (UTF-8), densities per m² and per ft².

    Raises
    ------
    DensityError
        When the file can't be written.
    """
    feet = {f"{end}_per_ft2": table[f"{end}_per_m2"] * FOOT2_M2 for end in ("mean", "low", "high")}
    return save_file(path, write_csv(table.assign(**feet)), DensityError)


def find_own_bags(density_map: DensityMap, ground: Ground, samples: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return the bags the map rests on, each with the surface it lies on or nearest to; none where there is no map.

    Parameters
    ----------
    density_map : DensityMap
        With its record of the bags.
    ground : Ground
        The same ground.
    samples : GeoDataFrame
        Rows of the layer ``samples``, for the design weights; a bag without one counts like the mean of the others.

    Returns
    -------
    DataFrame
        hole, kind, per_m2 (insects over the turf taken and recovery), weight_m2, easting, northing.
    """
    import pandas as pd

    kept = density_map.fitted.get("sites")
    if density_map.fitted.get("no_map") or not kept:
        return pd.DataFrame(columns=["hole", "kind", "per_m2", "weight_m2", "easting", "northing"])
    places = density_map.bag_places
    own = slice(len(places))  # an earlier visit's stand last
    effort_m2 = np.exp(np.array(kept["offset"][own], dtype=float)) / float(density_map.fitted["rate_per_m2"])
    mapped = mapped_surfaces(density_map, ground)
    nearest = shapely.STRtree(mapped.geometry.to_numpy()).nearest(shapely.points(places))
    whose = shapely.STRtree(samples.geometry.to_numpy()).nearest(shapely.points(places))
    weight_m2 = samples["weight_m2"].to_numpy(float)[whose]
    weighed = weight_m2 > 0
    return pd.DataFrame(
        {
            "hole": mapped["hole"].to_numpy()[nearest],
            "kind": mapped["kind"].to_numpy()[nearest],
            "per_m2": np.array(kept["count"][own], dtype=float) / effort_m2,
            "weight_m2": np.where(weighed, weight_m2, weight_m2[weighed].mean() if weighed.any() else 1.0),
            "easting": places[:, 0],
            "northing": places[:, 1],
        }
    )


def compare_bags(density_map: DensityMap, ground: Ground, bags: pd.DataFrame) -> pd.DataFrame:
    """Return for each hole and kind of surface what its own bags average, and what the map makes of it.

    Parameters
    ----------
    density_map, ground
        The map and the ground it was made on.
    bags : DataFrame
        As ``find_own_bags`` gives it.

    Returns
    -------
    DataFrame
        hole (None without one), kind, bags, own_per_m2 (the bags' weighted mean; missing without a bag), map_per_m2
        (the mean of its cells) and area_m2, sorted by hole and kind.
    """
    import pandas as pd

    own, names = pd.factorize(density_map.cells["surface_id"])  # a map's cells are many, its surfaces few
    area_m2 = density_map.cells["area_m2"].to_numpy(float)
    insects = area_m2 * density_map.cells["expected_per_m2"].to_numpy(float)
    of_surface = ground.surfaces.set_index("surface_id").loc[names, ["hole", "kind"]]
    sums = of_surface.assign(area_m2=np.bincount(own, area_m2), insects=np.bincount(own, insects))
    order = {kind: place for place, kind in enumerate(SURFACE_KINDS)}
    rows: list[dict[str, Any]] = []
    for (hole, kind), part in sums.groupby(["hole", "kind"], dropna=False, sort=False):
        there = (bags["hole"] == hole) if isinstance(hole, str) else bags["hole"].isna()
        mine = bags[there & (bags["kind"] == kind)]
        mean = float(np.average(mine["per_m2"], weights=mine["weight_m2"])) if len(mine) else np.nan
        rows.append(
            {
                "hole": hole if isinstance(hole, str) else None,
                "kind": kind,
                "bags": len(mine),
                "own_per_m2": mean,
                "map_per_m2": float(part["insects"].sum() / part["area_m2"].sum()),
                "area_m2": float(part["area_m2"].sum()),
            }
        )
    rows.sort(key=lambda row: (hole_key(row["hole"]), order.get(row["kind"], len(order))))
    return pd.DataFrame(rows)
