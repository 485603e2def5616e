"""DensityMap: the type this room makes, its place in the survey file, and what other programs read of it."""

from __future__ import annotations

import contextlib
import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from geosample.counts import Counts, load_counts
from geosample.design import load_visit
from geosample.distributions import normal_reach
from geosample.errors import DensityError, Problem, SurveyError
from geosample.files.saving import save_file
from geosample.palettes import GREYS, VIRIDIS
from geosample.results import Result
from geosample.survey.findings import Findings, What, put_findings, read_findings
from geosample.units import FOOT2_M2, Units, show_density

if TYPE_CHECKING:
    import folium
    import geopandas as gpd
    import pandas as pd
    import pyproj

    from geosample.density.laplace import Latent
    from geosample.design import Design
    from geosample.survey import Survey

COVARIATES = ("edge", "kind", "trees")
LEVELS = (0.5, 0.8)
"""Probabilities of being above the threshold at which ground is summed up and hotspots are drawn."""
FEWEST_CELLS = 10
"""A surface in fewer cells than this is no map (own choice)."""
SETTLED = 0.02
"""A chance this small, or this near to 1, settles a threshold within reach of a plug (own choice).

Of ground settled as low though its density is not known, 1 to 8 % was above the threshold in 120 simulated surveys of
60 bags (foretold: 0.8 to 1.4 %; ``tests/benchmarks/map_settled.md``): tails are the least sure part of a map. Still far
from a cut-off of 25 %.
"""
OWN_FINDINGS = (
    What.MAP_WORTH,
    What.BORDER_EFFECT,
    What.MAP_K,
    What.RANGE,
    What.SPREAD,
    What.KNOWN_SHARE,
    What.MAP_SCORE,
    What.BLOCK_SCORE,
    What.MAP_COVERAGE,
    What.MAP_CALIBRATION,
    What.HOTSPOT,
    What.CLUSTERS,
    What.NO_MAP,
)
NO_DATA = -9999.0
_TILE = 256
MOST_SHOWN = 20_000  # cells on a page that a notebook can still move


@dataclass(frozen=True, slots=True)
class MapSettings:
    """The density model as asked for; every number is the user's to change. All priors stand here.

    Parameters
    ----------
    covariates : tuple of str
        Any of edge (exp(-edge distance / edge_scale_m)), kind (of surface), trees (exp(-distance to the nearest
        trees / trees_scale_m)).
    edge_scale_m, trees_scale_m : float
        Distance over which a border or tree-line effect falls to 37 %, m (4 m stands in every simulation we made and
        in no field data; 20 m is common practice, no source).
    edge_sd, kind_sd, trees_sd : float
        Prior spread of each effect on the log density; smaller shrinks it more (edge and kind: chosen on simulated
        surveys, see ``sample_maps/map_quality.md``; trees own choice).
    level_sd : float
        Prior spread of the overall log density around the log of the pooled mean: 4, a factor of 55, lets the counts
        alone say (own choice). The same for an earlier visit's own level.
    spread_tail : float
        P(spread of the field > spread_tail) = 0.05 (own choice: loose on purpose).
    range_tail_m : float
        P(practical range < range_tail_m) = 0.05; 8 m is below the 10-60 m usual of patches (from memory, unverified).
    recovery : mapping of str to float
        Share of the insects a method finds, by method; 1 where it is not named.
    recovery_sd : float
        How unsure the log of those shares is; it widens every density alike.
    level : float
        Probability the intervals are to hold, between 0 and 1.
    widen : float
        Factor on the posterior spread of the log density for chances: 1, none is needed (simulated, see
        ``sample_maps/map_quality.md``); maps of older versions have 1.1.
    widen_interval : float
        The same for the interval of a cell, of an area's mean and of a share of all insects, which need more to hold
        the truth as often as they say (simulated, the same table and ``map_areas.md``). A cell's comes from the models
        with a field alone, so its upper limit may lie above a threshold that its chance of being above is under one
        tail's.
    known_ratio : float
        A cell is known enough where posterior over prior variance of the log density is at most this (own choice).
    least_spread : float
        The spread of the log density before the counts is taken as no less than this when asking what is known: 0.5
        is a factor of 1.6 (common practice, no source).
    reach_m : float
        Ground farther than this from every plug is never known, m: 60 m is the longest range of patches reckoned with
        (common practice, no source). The map is judged by blocks of this side, too.
    fewest_insects : int
        With fewer in all there is no map, only the bound (own choice).
    threshold_per_m2 : float or None
        Density the hotspots are above; None for no hotspots.
    simulated : bool
        Whether the counts are invented, which every output has to say.

    Notes
    -----
    Spread and range have the penalised-complexity priors of Fuglstad, Simpson, Lindgren & Rue 2019 in two dimensions;
    the log of k has a normal prior (``FIELD`` in ``distributions``). Whether there is an edge effect at all, and a
    field, is left to the counts: the four models are fitted, and each is believed by its evidence.
    """

    covariates: tuple[str, ...] = ("edge", "kind")
    edge_scale_m: float = 4.0
    trees_scale_m: float = 20.0
    edge_sd: float = 1.5
    kind_sd: float = 0.5
    trees_sd: float = 1.0
    level_sd: float = 4.0
    spread_tail: float = 4.0
    range_tail_m: float = 8.0
    recovery: Mapping[str, float] = field(default_factory=dict)
    recovery_sd: float = 0.0
    level: float = 0.90
    widen: float = 1.0
    widen_interval: float = 1.15
    known_ratio: float = 0.5
    least_spread: float = 0.5
    reach_m: float = 60.0
    fewest_insects: int = 5
    threshold_per_m2: float | None = None
    simulated: bool = False

    def widen_spread(self, spread: np.ndarray, factor: float) -> np.ndarray:
        """Return the spread of the log density as it is given out: widened, with the doubt about recovery.

        Examples
        --------
        >>> MapSettings(recovery_sd=0.3).widen_spread(np.array([0.4]), 1.0).round(9).tolist()
        [0.5]
        """
        return np.asarray(np.sqrt((factor * spread) ** 2 + self.recovery_sd**2))

    def give_density(self, latent: Latent) -> dict[str, np.ndarray]:
        """Return the density as it is given out, columns of the layer ``cells``.

        Parameters
        ----------
        latent : Latent
            Means and spreads of the log density per m²; the intervals are those of the models with a field.

        Returns
        -------
        dict
            log_mean, log_sd, expected_per_m2, low_per_m2, high_per_m2, each of shape (n,).
        """
        half = normal_reach(self.level) * self.widen_spread(latent.patchy_spread, self.widen_interval)
        expected = np.exp(latent.mean + latent.spread**2 / 2)
        return {
            "log_mean": latent.mean,
            "log_sd": self.widen_spread(latent.spread, self.widen),
            "expected_per_m2": expected,
            "low_per_m2": np.minimum(np.exp(latent.patchy_mean - half), expected),
            "high_per_m2": np.maximum(np.exp(latent.patchy_mean + half), expected),
        }

    def as_dict(self) -> dict[str, Any]:
        """Return the settings in plain JSON types."""
        return {**asdict(self), "covariates": list(self.covariates), "recovery": dict(self.recovery)}

    @classmethod
    def from_dict(cls, kept: Mapping[str, Any]) -> MapSettings:
        """Return the settings from what ``as_dict`` gave, other keys being left aside.

        Examples
        --------
        >>> MapSettings.from_dict({**MapSettings(level=0.8).as_dict(), "cell_m": 1.0}).level
        0.8
        """
        known = {name: value for name, value in kept.items() if name in cls.__dataclass_fields__}
        known["simulated"] = bool(known.get("simulated"))
        return cls(**{**known, "covariates": tuple(known.get("covariates", ()))})


@dataclass(frozen=True, slots=True, repr=False)
class DensityMap(Result):
    """Where the insects are, cell by cell, and how sure that is.

    Parameters
    ----------
    visit, pest : str
        Whose counts.
    cell_m : float
        Side of a cell, m; the cell's west and south edges lie at ``column * cell_m`` and ``row * cell_m``.
    cells : DataFrame
        One row a piece of cell on one surface, columns of the layer ``cells``: log_mean and log_sd describe the
        natural log of the density per m² (normal), as probabilities are worked out from it; expected, low and high
        are densities per m², low to high a little wider than log_sd alone says; known is true where the counts say
        enough of the density (``decide_at``: of a threshold); nearest_m is the distance to the nearest plug, m, none
        where there is no map.
    settings : MapSettings
        The model as asked for: covariates, priors, level.
    fitted : dict
        What was fitted, and how good the map is; plain JSON types.
    findings : Findings
        What the layer ``findings`` keeps of it, such as the map's worth.
    crs : CRS or None
        Of eastings and northings, in metres.
    """

    visit: str
    pest: str
    cell_m: float
    cells: pd.DataFrame
    settings: MapSettings
    fitted: dict[str, Any]
    findings: Findings
    crs: pyproj.CRS | None = None

    @property
    def simulated(self) -> bool:
        """Whether the counts are invented."""
        return self.settings.simulated

    @property
    def level(self) -> float:
        """The probability with which low to high holds a density."""
        return self.settings.level

    @property
    def bag_places(self) -> np.ndarray:
        """Where this visit's bags were pulled, none of an earlier one, m, shape (n, 2); empty without a map."""
        places = self.fitted.get("sites", {}).get("places", [])
        return np.asarray(places[: self.fitted.get("samples")], dtype=float).reshape(-1, 2)

    @property
    def within_surfaces_ratio(self) -> float:
        """Between places on one surface: the 95 % over the 5 % point of expected density, the surfaces' mean by area.

        Near 1 the map tells surfaces apart, by their kind and edge, and not places on them.
        """
        surfaces = [group for _, group in self.cells.groupby("surface_id")]
        ends = np.log([np.quantile(group["expected_per_m2"], [0.05, 0.95]) for group in surfaces])
        return float(np.exp(np.average(np.diff(ends)[:, 0], weights=[group["area_m2"].sum() for group in surfaces])))

    def summary(self) -> dict[str, Any]:
        """Return the map's facts in plain JSON types, names with their unit; shares are of the area, 0 to 1."""
        cells, fitted, threshold = self.cells, self.fitted, self.settings.threshold_per_m2
        area = cells["area_m2"].to_numpy(float)
        pieces = cells["surface_id"].value_counts()
        told: dict[str, Any] = {
            "visit": self.visit,
            "pest": self.pest,
            "simulated": self.simulated,
            "cells": len(cells),
            "cell_m": self.cell_m,
            "surfaces": len(pieces),
            "coarse_surfaces": int((pieces < FEWEST_CELLS).sum()),
            "fewest_cells": FEWEST_CELLS,
            "area_m2": float(area.sum()),
            "known_share": float(area[cells["known"].to_numpy(bool)].sum() / area.sum()),
            "lowest_per_m2": float(cells["low_per_m2"].min()),
            "highest_per_m2": float(cells["high_per_m2"].max()),
            "level": self.level,
            "threshold_per_m2": threshold,
            **{name: fitted[name] for name in ("insects", "samples", "map_worth", "earlier") if name in fitted},
        }
        if fitted.get("no_map"):
            return {**told, "bound_per_m2": fitted.get("bound_per_m2")}
        told["within_surfaces_ratio"] = self.within_surfaces_ratio
        if threshold is not None:
            over = exceedance(self, threshold)
            settled = decide_at(self, threshold).cells["known"].to_numpy(bool)
            told["decided_share"] = float(area[settled].sum() / area.sum())
            told["one_sided_share"] = float(area[is_one_sided(cells, threshold)].sum() / area.sum())
            told |= {f"area_over_{level:g}_m2": float(area[over >= level].sum()) for level in LEVELS}
        return {**told, "findings": [asdict(row) for row in self.findings]}

    def to_geodataframe(self) -> gpd.GeoDataFrame:
        """Return the cells as whole squares in the map's CRS; ``area_m2`` is the part on the cell's surface."""
        import geopandas as gpd

        from geosample.ground import draw_squares

        squares = draw_squares(self.cells["column"], self.cells["row"], self.cell_m)
        return gpd.GeoDataFrame(self.cells.copy(), geometry=squares, crs=self.crs)

    def explore(self, *, tiles: str | None = None) -> folium.Map:
        """Return a map to move and zoom, as a notebook shows it; a look at the numbers, not the page of ``draw_map``.

        Parameters
        ----------
        tiles : str, optional
            A background as folium names it; without it none is loaded.

        Notes
        -----
        Colours go by expected density, in tenths of the ground (viridis, light is high); what is not known is grey. Of
        more than 20,000 cells every other, or third, is drawn, as large as its neighbours together.
        """
        import folium

        step = max(1, math.ceil(math.sqrt(len(self.cells) / MOST_SHOWN)))
        some = self.cells[(self.cells["column"] % step == 0) & (self.cells["row"] % step == 0)]
        thinned = replace(self, cells=some.assign(column=some["column"] // step, row=some["row"] // step))
        cells = replace(thinned, cell_m=step * self.cell_m).to_geodataframe()
        rank = (cells["expected_per_m2"].rank(pct=True) * (len(VIRIDIS) - 1)).round().astype(int)
        colour = [VIRIDIS[place] if known else GREYS[3] for place, known in zip(rank, cells["known"], strict=True)]
        shown = ["surface_id", "expected_per_m2", "low_per_m2", "high_per_m2", "known"]
        layer = folium.GeoJson(
            cells[[*shown, "geometry"]].round(1).assign(colour=colour).to_crs(4326),
            style_function=lambda cell: {"weight": 0, "fillOpacity": 0.8, "fillColor": cell["properties"]["colour"]},
            tooltip=folium.GeoJsonTooltip(shown),
        )
        page = folium.Map(tiles=tiles, max_zoom=22)
        layer.add_to(page)
        page.fit_bounds(cast("list[list[float]]", layer.get_bounds()))
        return page

    def plot(self, column: str = "expected_per_m2") -> Any:
        """Return matplotlib's axes with the cells coloured by one of their columns.

        Parameters
        ----------
        column : str
            Such as expected_per_m2, log_sd or known.

        Raises
        ------
        DensityError
            When matplotlib, which geosample itself does without, is not installed.
        """
        try:
            return self.to_geodataframe().plot(column, cmap="viridis", legend=True)
        except ImportError as error:
            remedy = "install it (pip install matplotlib), or use explore()"
            raise DensityError(Problem("plot", "no matplotlib", "it installed", remedy)) from error


def exceedance(density_map: DensityMap, threshold_per_m2: float) -> np.ndarray:
    """Return the probability that each cell's density is above a threshold, shape (cells,).

    Notes
    -----
    The log density is normal given the counts, so P(density > T) = Phi((log_mean - log T) / log_sd).
    A threshold of 0 is exceeded everywhere.
    """
    return exceed(density_map.cells, threshold_per_m2)


def exceed(cells: pd.DataFrame, threshold_per_m2: float) -> np.ndarray:
    """Return the same from the cells alone, shape (cells,)."""
    from scipy.special import ndtr

    if threshold_per_m2 <= 0:
        return np.ones(len(cells))
    mean, spread = (cells[name].to_numpy(float) for name in ("log_mean", "log_sd"))
    return np.asarray(ndtr((mean - np.log(threshold_per_m2)) / spread))


def is_one_sided(cells: pd.DataFrame, threshold_per_m2: float) -> np.ndarray:
    """Return where the cells' interval lies wholly above or below a threshold, shape (cells,)."""
    low, high = (cells[f"{end}_per_m2"].to_numpy(float) for end in ("low", "high"))
    return np.asarray((low > threshold_per_m2) | (high < threshold_per_m2))


def decide_at(density_map: DensityMap, threshold_per_m2: float) -> DensityMap:
    """Return the map with ``known`` true also where the counts settle a threshold, though not the density itself.

    Notes
    -----
    Where plugs hold next to nothing the logarithm of the density stays loose, however many there are, while nobody
    doubts that it is low. So ground within reach of a plug is known enough to decide at a threshold where the chance
    of being above it is at most ``SETTLED``, or at least 1 less that. Ground beyond reach, and a survey with too few
    insects for a map (its cells have no ``nearest_m``), is settled by no chance.
    """
    cells = density_map.cells
    doubt = np.minimum(chance := exceed(cells, threshold_per_m2), 1 - chance)
    settled = (doubt <= SETTLED) & (cells["nearest_m"].to_numpy(float) <= density_map.settings.reach_m)
    return replace(density_map, cells=cells.assign(known=cells["known"].to_numpy(bool) | settled))


def save_density(survey: Survey, density_map: DensityMap) -> None:
    """Put the map, its model and this room's findings into the survey file, in place of the visit's old ones."""
    import pandas as pd

    visit, pest = density_map.visit, density_map.pest
    of_visit = {"visit": visit, "pest": pest}
    settings = json.dumps({**density_map.settings.as_dict(), "cell_m": density_map.cell_m}, sort_keys=True)
    model = pd.DataFrame([{**of_visit, "settings": settings, "fitted": json.dumps(density_map.fitted)}])
    with survey.change() as change:
        change.put("cells", density_map.cells.assign(**of_visit), where=of_visit)
        change.put("models", model, where=of_visit)
        put_findings(change, visit, pest, density_map.findings, own=OWN_FINDINGS)


def load_newest_density(survey: Survey) -> DensityMap:
    """Return the map of the latest visit that has one.

    Raises
    ------
    SurveyError
        When 'geosample density' has not been run.
    """
    return load_density(survey, survey.newest_among(survey.need("models")["visit"]))


def load_density(survey: Survey, visit: str | None = None) -> DensityMap:
    """Return a visit's density map, the newest visit's when ``visit`` is None.

    Raises
    ------
    SurveyError
        When 'geosample density' has not been run for it, or its model is no longer as it was written.
    """
    name = survey.find_visit(visit)
    model = survey.need("models", visit=name).iloc[0]
    pest, settings = str(model["pest"]), json.loads(model["settings"])
    side = settings.get("cell_m")
    if not (isinstance(side, int | float) and 0 < side < math.inf):  # everything on the map lies by it
        remedy = f"run 'geosample density {survey.path.name} ...' again"
        where, found = f"{survey.path} layer models, settings", f"cell_m {side!r}"
        raise SurveyError(Problem(where, found, "the side of a cell, m", remedy))
    if "last" in settings.get("covariates", ()):
        remedy = f"run 'geosample density {survey.path.name} --visit {name}' again"
        where, found = f"density map of {name}", "one with the map before it as a covariate, of an older version"
        raise SurveyError(Problem(where, found, "one made of bags, the earlier visit's too", remedy))
    return DensityMap(
        name,
        pest,
        float(side),
        survey.need("cells", visit=name, pest=pest),
        MapSettings.from_dict(settings),
        json.loads(model["fitted"]),
        read_findings(survey, name, pest, *OWN_FINDINGS),
        cast("gpd.GeoDataFrame", survey.read("surfaces")).crs,
    )


def write_density_tif(path: Path, density_map: DensityMap, *, threshold_per_m2: float, units: Units = "us") -> None:
    """Write the map's bands into a GeoTIFF that any GIS opens: expected, low, high, exceedance, known.

    Parameters
    ----------
    path : Path
        Where to; a file there is replaced.
    density_map : DensityMap
        The map, which knows its CRS.
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

    from geosample.report.density import tag_map

    cells, side = density_map.cells, density_map.cell_m
    factor, unit = (FOOT2_M2, "insects per square foot") if units == "us" else (1.0, "insects per square metre")
    largest = float(np.finfo(np.float32).max)
    settled = decide_at(density_map, threshold_per_m2).cells["known"].to_numpy(float)
    bands = [
        *(
            (name, np.minimum(cells[f"{name}_per_m2"].to_numpy(float) * factor, largest), unit)
            for name in ("expected", "low", "high")
        ),
        ("exceedance", exceedance(density_map, threshold_per_m2), "probability"),
        ("known", settled, "1 known enough to decide, 0 not known"),
    ]
    column, row = cells["column"].to_numpy(), cells["row"].to_numpy()
    west, top = int(column.min()), int(row.max())
    shape = (top - int(row.min()) + 1, int(column.max()) - west + 1)
    order = np.argsort(cells["area_m2"].to_numpy(), kind="stable")
    profile = {
        "driver": "GTiff",
        "height": shape[0],
        "width": shape[1],
        "count": len(bands),
        "dtype": "float32",
        "nodata": NO_DATA,
        "crs": None if density_map.crs is None else rasterio.crs.CRS.from_wkt(density_map.crs.to_wkt()),
        "transform": rasterio.Affine(side, 0.0, west * side, 0.0, -side, (top + 1) * side),
        "compress": "deflate",
        "predictor": 3,
        "tiled": min(shape) >= _TILE,
    }
    tags = {
        "visit": density_map.visit,
        "pest": density_map.pest,
        "threshold": show_density(threshold_per_m2, units),
        "units": unit,
        **tag_map(density_map),
    }
    with rasterio.MemoryFile() as memory:
        with memory.open(**profile) as file:
            for number, (name, values, meaning) in enumerate(bands, start=1):
                grid = np.full(shape, NO_DATA, dtype=np.float32)
                grid[top - row[order], column[order] - west] = values[order]
                file.write(grid, number)
                file.set_band_description(number, name)
                file.set_band_unit(number, meaning)
            file.update_tags(**tags)
        save_file(path, memory.read(), DensityError)


def join_followup(first: Counts, second: Counts) -> Counts:
    """Return the counts of a second round with those of the round it follows, as one visit's: the second's.

    Raises
    ------
    DensityError
        When the two lie in different coordinate systems.
    """
    import pandas as pd

    if first.samples.crs != second.samples.crs:
        found = f"{first.visit} and {second.visit} in different systems"
        raise DensityError(Problem("counts", found, "the same CRS", "take both in again with 'geosample counts'"))
    samples, counts = (
        frame.assign(sample_id=f"{first.visit} " + frame["sample_id"], visit=second.visit)
        for frame in (first.samples, first.counts)
    )
    return Counts(
        second.visit,
        cast("gpd.GeoDataFrame", pd.concat([samples, second.samples], ignore_index=True)),
        pd.concat([counts, second.counts], ignore_index=True),
        (*first.notes, *second.notes),
    )


def check_untreated(treatments: pd.DataFrame, first: str, day: str) -> None:
    """Let only rounds be joined between which nothing was applied: counts from before say nothing of after.

    Parameters
    ----------
    treatments : DataFrame
        The layer ``treatments``.
    first : str
        The visit followed.
    day : str
        Date of the round that follows, YYYY-MM-DD.

    Raises
    ------
    DensityError
        When a treatment by the first visit's plan is recorded up to that day.
    """
    done = treatments[(treatments["visit"] == first) & (treatments["date"].astype(str) <= day)]
    if len(done):
        found = f"a treatment by its plan on {', '.join(sorted(set(done['date'].astype(str))))}"
        remedy = "the counts from before no longer hold: draw a visit of its own with 'geosample design'"
        raise DensityError(Problem(f"visit {day}, which follows {first}", found, "nothing applied in between", remedy))


def earlier_counts(survey: Survey, design: Design) -> Counts | None:
    """Return the counts of the last visit before this one, for its map; None where there is none.

    Parameters
    ----------
    survey : Survey
        With visits and counts.
    design : Design
        The visit that is mapped.

    Returns
    -------
    Counts or None
        Of the same pest; a second round's with those of the round it follows, unless a treatment lies between the two.

    Notes
    -----
    Ground may have been treated since: that the pattern is no longer the same is for the evidence to notice. Measured,
    a map is better with the samples from there than without (``tests/benchmarks/map_last.md``).
    """
    visit, counted = design.visit, set(survey.read("samples")["visit"])
    names = [name for name in survey.order_visits(before=visit.follows or visit.visit) if name in counted]
    last = next((one for name in reversed(names) if (one := load_visit(survey, name)).pest == visit.pest), None)
    if last is None:
        return None
    counts = load_counts(survey, last.visit)
    if last.follows in counted:
        with contextlib.suppress(DensityError):
            check_untreated(survey.read("treatments"), last.follows, last.date)
            return join_followup(load_counts(survey, last.follows), counts)
    return counts
