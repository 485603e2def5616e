"""From counts and ground to the map: samples and covariates, the target cells, the fit, and what is known."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import shapely
from scipy.optimize import brentq
from scipy.spatial import cKDTree

from geosample.counts import Counts, partly_counted, tally
from geosample.density.hotspots import describe_clusters, find_hotspots
from geosample.density.laplace import FittedField, MixedField
from geosample.density.model import COVARIATES, LEVELS, DensityMap, MapSettings, exceed
from geosample.distributions import K_IF_UNKNOWN, cdf, normal_quantile, normal_reach
from geosample.errors import CountsError, DensityError, Problem
from geosample.ground import Ground, cut_cells, edge_lines, measure_edge
from geosample.pests import list_pests, load_pest
from geosample.survey.findings import Finding, Findings, What

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from geosample.density.field import CountField
    from geosample.density.model import DensityMap
    from geosample.density.worth import Worth
    from geosample.design import Design
    from geosample.ground import Ground
    from geosample.pests import Threshold


MOST_CELLS = 2_000_000
FARTHEST_M = 30.0
"""A sample farther than this from every surface is a wrong position (common practice, no source)."""
NEAR_M = 3.0
"""An earlier visit's sample this near to the mapped ground is on it: a phone's position errs so far (own choice)."""


@dataclass(frozen=True, slots=True)
class Samples:
    """Counted samples as arrays: places (n, 2) in m, count, effort in m² with recovery, sample, surface, kind."""

    places: np.ndarray
    count: np.ndarray
    effort_m2: np.ndarray
    sample_id: np.ndarray
    surface_id: np.ndarray
    kind: np.ndarray

    @property
    def rate_per_m2(self) -> float:
        """Pooled density: all insects over all the turf sampled; half an insect where none was found."""
        return float(max(self.count.sum(), 0.5) / self.effort_m2.sum())


def ready_samples(found: gpd.GeoDataFrame, ground: Ground, settings: MapSettings) -> Samples:
    """Return the counted samples as arrays, each with the surface it lies on or nearest to.

    Raises
    ------
    DensityError
        When samples lack a place or their effort, or lie far off every surface; all are listed.
    """
    _check_samples(found, ground, settings)
    return _as_samples(found, ground, settings)


def _as_samples(found: gpd.GeoDataFrame, ground: Ground, settings: MapSettings) -> Samples:
    places = shapely.get_coordinates(found.geometry.to_numpy())
    nearest = shapely.STRtree(ground.surfaces.geometry.to_numpy()).nearest(found.geometry.to_numpy())
    recovery = found["method"].map(dict(settings.recovery)).astype(float).fillna(1.0).to_numpy()
    return Samples(
        places,
        found["count"].to_numpy(float),
        found["sampled_m2"].to_numpy(float) * recovery,
        found["sample_id"].to_numpy(),
        ground.surfaces["surface_id"].to_numpy()[nearest],
        ground.surfaces["kind"].to_numpy()[nearest],
    )


def ready_earlier(
    earlier: Counts, pest: str, ground: Ground, surfaces: gpd.GeoDataFrame, samples: Samples, settings: MapSettings
) -> Samples | None:
    """Return an earlier visit's samples that may tell of this one's pattern; None where they are of no use.

    Parameters
    ----------
    earlier : Counts
        The earlier visit's.
    pest : str
        Of both visits.
    ground : Ground
        This visit's.
    surfaces : GeoDataFrame
        What is mapped: samples elsewhere are left out, and those on kinds of ground that this visit did not sample.
    samples : Samples
        This visit's.
    settings : MapSettings
        With too few insects for a map there is nothing to take in.
    """
    if earlier.samples.crs != ground.crs:
        return None
    try:
        found = tally(earlier, pest)
    except CountsError:  # nobody looked for it
        return None
    placed = (found["sampled_m2"].to_numpy(float) > 0) & ~(found.geometry.is_empty | found.geometry.isna()).to_numpy()
    found = found[placed]
    alike = shapely.union_all(surfaces.geometry[surfaces["kind"].isin(set(samples.kind))].to_numpy())
    found = found[shapely.dwithin(found.geometry.to_numpy(), alike, NEAR_M)]
    if found["count"].sum() < settings.fewest_insects:
        return None
    return _as_samples(found, ground, settings)


def _check_samples(found: gpd.GeoDataFrame, ground: Ground, settings: MapSettings) -> None:
    problems = [
        Problem(f"`recovery` of {method}", str(share), "a share above 0", "give the share of insects that method finds")
        for method, share in settings.recovery.items()
        if not share > 0
    ]
    methods = sorted(set(found["method"].dropna()))
    problems += [
        Problem(f"`recovery` of {name}", "a method no sample was taken by", f"one of: {', '.join(methods)}", "mend it")
        for name in settings.recovery
        if name not in methods
    ]
    no_effort = ~(found["sampled_m2"].to_numpy(float) > 0)
    no_place = (found.geometry.is_empty | found.geometry.isna()).to_numpy()
    problems += [
        Problem(f"sample {name}", "no area sampled", "plugs and their size", "say how many plugs were pooled")
        for name in found["sample_id"][no_effort]
    ]
    problems += [
        Problem(f"sample {name}", "no place", "a position", "join it by its label or give its position")
        for name in found["sample_id"][no_place]
    ]
    off_m = shapely.distance(found.geometry.to_numpy(), shapely.union_all(ground.surfaces.geometry.to_numpy()))
    problems += [
        Problem(
            f"sample {name}",
            f"a place {far:.0f} m off every surface",
            f"within {FARTHEST_M:.0f} m of one",
            "mend its position, or mark it off_turf to leave it out",
        )
        for name, far in zip(found["sample_id"], off_m, strict=True)
        if far > FARTHEST_M
    ]
    if problems:
        raise DensityError(problems)


def target_surfaces(ground: Ground, samples: Samples, design: Design | None) -> gpd.GeoDataFrame:
    """Return the surfaces to map: those the design aimed at and those sampled; never one nobody looked at."""
    wanted = set(samples.surface_id) | (set(design.strata["surface_id"]) if design is not None else set())
    return cast("gpd.GeoDataFrame", ground.surfaces[ground.surfaces["surface_id"].isin(wanted)].reset_index(drop=True))


def cut_target(surfaces: gpd.GeoDataFrame, cell_m: float) -> pd.DataFrame:
    """Return the cells of the surfaces without their shapes: surface_id, kind, column, row, area_m2, easting, northing.

    Raises
    ------
    DensityError
        When the cell is no length, or so small that the map would not fit.
    """
    import pandas as pd

    if not (np.isfinite(cell_m) and cell_m > 0):
        raise DensityError(Problem("cell_m", f"{cell_m} m", "a length above 0", "give a cell of about 1m"))
    boxes = surfaces.geometry.bounds
    number = float((((boxes.maxx - boxes.minx) / cell_m + 1) * ((boxes.maxy - boxes.miny) / cell_m + 1)).sum())
    if number > 20 * MOST_CELLS or surfaces.area.sum() / cell_m**2 > MOST_CELLS:
        least_m = np.sqrt(surfaces.area.sum() / MOST_CELLS)
        remedy = f"take cells of {max(least_m, cell_m * np.sqrt(number / 20 / MOST_CELLS)):.2g} m or more"
        found = f"{cell_m:g} m, which makes about {surfaces.area.sum() / cell_m**2:,.0f} cells"
        raise DensityError(Problem("cell_m", found, f"at most {MOST_CELLS:,} cells", remedy))
    cells = pd.DataFrame(cut_cells(surfaces, cell_m).drop(columns="geometry"))
    return cells.assign(kind=cells["surface_id"].map(surfaces.set_index("surface_id")["kind"]).to_numpy())


@dataclass(frozen=True, slots=True)
class Covariates:
    """The columns of the model's basis and the ground they are measured on.

    Parameters
    ----------
    names : tuple of str
        ``level`` first, then edge, ``kind: green`` and so on, trees, earlier (an earlier visit's level).
    spreads : ndarray
        Prior spread of each effect on the log density.
    settings : MapSettings
        The scales.
    lines, trees : Geometry
        What edge and tree distances are measured to.
    """

    names: tuple[str, ...]
    spreads: np.ndarray
    settings: MapSettings
    lines: Any
    trees: Any = None

    def measure(
        self, places: np.ndarray, kinds: np.ndarray, edge_m: np.ndarray | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return the covariates, the level's 1 first, shape (m, p), and the edge distances in m, shape (m,).

        Those of the visit that is mapped: the earlier one's level is 0 everywhere.
        """
        edge_m = measure_edge(self.lines, places[:, 0], places[:, 1]) if edge_m is None else edge_m
        return np.column_stack([self._column(name, places, kinds, edge_m) for name in self.names]), edge_m

    @property
    def doubtful(self) -> list[int]:
        """The covariates after the level that may have no effect at all: the edge's."""
        return [self.names.index("edge") - 1] if "edge" in self.names else []

    def basis(self, places: np.ndarray, kinds: np.ndarray, edge_m: np.ndarray | None = None) -> np.ndarray:
        """Return the covariates, each times its prior spread, shape (m, p)."""
        return np.asarray(self.measure(places, kinds, edge_m)[0] * self.spreads)

    def _column(self, name: str, places: np.ndarray, kinds: np.ndarray, edge_m: np.ndarray) -> np.ndarray:
        if name == "level":
            return np.ones(len(places))
        if name == "edge":
            return np.asarray(np.exp(-edge_m / self.settings.edge_scale_m))
        if name.startswith("kind: "):
            return np.asarray(kinds == name.removeprefix("kind: "), dtype=float)
        if name == "trees":
            far_m = measure_edge(self.trees, places[:, 0], places[:, 1])
            return np.asarray(np.exp(-far_m / self.settings.trees_scale_m))
        return np.zeros(len(places))


def choose_covariates(ground: Ground, kinds: np.ndarray, settings: MapSettings, *, earlier: bool = False) -> Covariates:
    """Return the covariates asked for that the counts can speak to.

    Parameters
    ----------
    ground : Ground
        Surfaces and obstacles.
    kinds : ndarray of str
        Kind of surface of every sample; with one kind only there is nothing to compare.
    settings : MapSettings
        Which covariates, and their prior spreads.
    earlier : bool
        Whether an earlier visit's samples are taken in, whose level is a column of its own.

    Raises
    ------
    DensityError
        When a covariate is unknown, or asked for on ground that has nothing to measure it from.
    """
    wanted, trees = settings.covariates, ground.obstacles[ground.obstacles["kind"] == "trees"]
    problems = [
        Problem("covariates", repr(name), f"any of: {', '.join(COVARIATES)}, or none alone", "name one of them")
        for name in wanted
        if name not in (*COVARIATES, "last")
    ]
    if "last" in wanted:  # of older versions
        remedy = "leave it out: the bags of the visit before are taken in by themselves"
        problems.append(Problem("covariates", "last", f"any of: {', '.join(COVARIATES)}", remedy))
    if len(set(wanted)) < len(wanted):
        problems.append(Problem("covariates", ", ".join(wanted), "each named once", "leave out the second"))
    if "trees" in wanted and trees.empty:
        remedy = "read tree lines in with 'geosample ground', or leave trees out"
        problems.append(Problem("covariates", "trees, but the ground has none", "obstacles of kind trees", remedy))
    if problems:
        raise DensityError(problems)
    several = sorted(set(kinds)) if "kind" in wanted and len(set(kinds)) > 1 else []
    found = {
        "level": settings.level_sd,
        **({"edge": settings.edge_sd} if "edge" in wanted else {}),
        **{f"kind: {kind}": settings.kind_sd for kind in several},
        **({"trees": settings.trees_sd} if "trees" in wanted else {}),
        **({"earlier": settings.level_sd} if earlier else {}),
    }
    shape = shapely.union_all(trees.geometry.to_numpy()) if len(trees) else None
    return Covariates(tuple(found), np.array(list(found.values())), settings, edge_lines(ground.surfaces), shape)


ALL = "all ground mapped"
MOST_PATCHES = 12
"""Hotspots listed at each level, the largest first."""


def map_density(  # noqa: PLR0913 - what a user may say in plain words
    counts: Counts,
    ground: Ground,
    *,
    design: Design | None = None,
    threshold_per_m2: float | None = None,
    cell_m: float = 1.0,
    covariates: Sequence[str] = ("edge", "kind"),
    known_ratio: float = 0.5,
    recovery: Mapping[str, float] | None = None,
    recovery_sd: float = 0.0,
    earlier: Counts | None = None,
    settings: MapSettings | None = None,
) -> DensityMap:
    """Return where the insects are, cell by cell, how sure that is, and what the map is worth.

    Parameters
    ----------
    counts : Counts
        What came back.
    ground : Ground
        Surfaces and obstacles, in the counts' CRS.
    design : Design, optional
        What was aimed at: its pest and surfaces. Without it, the pest counted most often and the surfaces sampled.
    threshold_per_m2 : float, optional
        Density the hotspots are above, insects per m²; None for no hotspots.
    cell_m : float
        Side of a cell, m.
    covariates : sequence of str
        What may shift the density: any of edge, kind, trees; none when empty.
    known_ratio : float
        Posterior over prior variance of the log density at which a cell is known enough, between 0 and 1.
    recovery : mapping of str to float, optional
        Share of the insects a method finds, by method; 1 where it is not named.
    recovery_sd : float
        How unsure the log of those shares is; it widens every density alike.
    earlier : Counts, optional
        An earlier visit's, such as ``earlier_counts`` returns: they are taken in as far as both visits' counts say that
        the pattern is the same.
    settings : MapSettings, optional
        Priors and other numbers of the model; what the keywords above name is taken from them.

    Returns
    -------
    DensityMap
        Cells of every surface aimed at or sampled, exactly clipped. With fewer than ``settings.fewest_insects`` in
        all, every cell is not known and ``high`` is the bound for the whole ground.

    Raises
    ------
    DensityError
        When samples have no place or effort or lie off the ground, a covariate can't be had, or a number is of no use.
    CountsError
        When no counted sample looked for the pest.

    Notes
    -----
    Counts are negative binomial around effort times exp(field); the field is Gaussian with exponential covariance
    plus shrunk covariate effects; Laplace's approximation at the most likely spread, range and k (``CountField``).
    An earlier visit has its own level; that both visits lie under one field is believed by its evidence, beside that
    each has its own. What that is worth: ``tests/benchmarks/map_last.md``.
    """
    settings = replace(
        settings or MapSettings(),
        covariates=tuple(covariates),
        known_ratio=known_ratio,
        recovery=dict(recovery or {}),
        recovery_sd=recovery_sd,
        threshold_per_m2=threshold_per_m2,
        simulated=design is not None and bool(design.visit.simulated),
    )
    pest = design.visit.pest if design is not None else str(counts.counts["pest"].mode().iloc[0])
    _check(settings, counts, ground)
    found = tally(counts, pest)
    samples = ready_samples(found, ground, settings)
    target = target_surfaces(ground, samples, design)
    before = None if earlier is None else ready_earlier(earlier, pest, ground, target, samples, settings)
    chosen = choose_covariates(ground, samples.kind, settings, earlier=before is not None)
    cells = cut_target(target, cell_m)
    if samples.count.sum() < settings.fewest_insects:
        frame, fitted, findings = _map_bound(cells, samples, chosen)
    else:
        frame, fitted, findings = _map_field(cells, samples, chosen, before)
    if earlier is not None and "earlier" in fitted:
        fitted["earlier"]["visit"] = earlier.visit
    fitted["partly"] = partly_counted(counts, pest)
    whose = Findings(counts.visit, pest, tuple(findings))
    return DensityMap(counts.visit, pest, cell_m, frame, settings, fitted, whose, ground.crs)


def _check(settings: MapSettings, counts: Counts, ground: Ground) -> None:
    """Refuse numbers of no use, and counts that do not lie on the ground's map."""
    above_nothing = (
        *("edge_scale_m", "trees_scale_m", "edge_sd", "kind_sd", "trees_sd", "level_sd"),
        *("spread_tail", "range_tail_m", "widen", "widen_interval", "least_spread", "reach_m"),
    )
    problems = [
        Problem(f"settings.{name}", str(getattr(settings, name)), "a number above 0", "give one")
        for name in above_nothing
        if not (np.isfinite(getattr(settings, name)) and getattr(settings, name) > 0)
    ]
    if not (np.isfinite(settings.recovery_sd) and settings.recovery_sd >= 0):
        problems.append(Problem("recovery_sd", str(settings.recovery_sd), "a number of 0 or more", "give one"))
    if not 0 < settings.known_ratio < 1:
        remedy = "0.5 is usual; a smaller one calls less ground known"
        problems.append(Problem("known_ratio", f"{settings.known_ratio:g}", "a share between 0 and 1", remedy))
    if not 0 < settings.level < 1:
        problems.append(Problem("settings.level", str(settings.level), "between 0 and 1", "0.9 is usual"))
    threshold_per_m2 = settings.threshold_per_m2
    if threshold_per_m2 is not None and not threshold_per_m2 > 0:
        remedy = "name the density above which you would act, such as 30/ft2"
        problems.append(Problem("threshold_per_m2", f"{threshold_per_m2:g} insects per m²", "more than 0", remedy))
    if counts.samples.crs is not None and counts.samples.crs != ground.crs:
        where = f"samples in {counts.samples.crs.name}, ground in {ground.crs.name}"
        problems.append(Problem("counts", where, "the same CRS", "take the counts in again with 'geosample counts'"))
    if problems:
        raise DensityError(problems)


def _map_field(
    cells: pd.DataFrame, samples: Samples, covariates: Covariates, earlier: Samples | None
) -> tuple[pd.DataFrame, dict[str, Any], list[Finding]]:
    from geosample.density.worth import judge_worth

    settings, field = covariates.settings, start_field(covariates)
    visits = [samples, *([] if earlier is None else [earlier])]
    measured = np.vstack([covariates.measure(one.places, one.kind)[0] for one in visits])
    if earlier is not None:
        measured[len(samples.count) :, covariates.names.index("earlier")] = 1.0
    field.fit(
        np.vstack([one.places for one in visits]),
        np.concatenate([one.count for one in visits]),
        exposure=np.concatenate([one.effort_m2 for one in visits]),
        covariates=measured[:, 1:],
    )
    places = cells[["easting", "northing"]].to_numpy(float)
    measured, edge_m = covariates.measure(places, cells["kind"].to_numpy())
    latent = field.predict_latent(places, measured[:, 1:])
    nearest_m = np.asarray(cKDTree(samples.places).query(places)[0])
    fitted = field.field_.lead
    frame = cells.drop(columns="kind").assign(
        **settings.give_density(latent),
        prior_sd=prior_spread(max(fitted.hyper.spread, settings.least_spread)) * settings.widen,
        edge_m=edge_m,
        nearest_m=nearest_m,
        known=know_enough(fitted, nearest_m, latent.patchy_spread, settings),
    )
    worth, clusters = judge_worth(field, block_m=settings.reach_m), describe_clusters(samples)
    record = _record(field, samples, worth, clusters)
    if earlier is not None:
        record["earlier"] = {"bags": len(earlier.count), "weight": field.field_.same_pattern}
    return frame, record, _find(field, frame, covariates, worth, clusters)


def start_field(covariates: Covariates) -> CountField:
    """Return the estimator with the settings' priors, not fitted yet."""
    from geosample.density.field import CountField  # scikit-learn takes half a second to load

    settings = covariates.settings
    return CountField(
        level_sd=settings.level_sd,
        covariate_sds=covariates.spreads[1:],
        doubtful=covariates.doubtful,
        allow_even=True,
        earlier=covariates.names.index("earlier") - 1 if "earlier" in covariates.names else None,
        spread_tail=settings.spread_tail,
        range_tail_m=settings.range_tail_m,
        precise=False,
    )


def know_enough(fitted: FittedField, nearest_m: np.ndarray, spread: np.ndarray, settings: MapSettings) -> np.ndarray:
    """Return where the counts say enough: posterior over prior variance at most ``settings.known_ratio``.

    Notes
    -----
    ``spread`` is that of the models with a field. A field fitted as flat leaves nothing to learn about, and the bare
    ratio would call all of it unknown however many plugs say the same. So the prior spread is taken as no less than
    ``settings.least_spread``: ground known to within half that variance is known enough. What lies beyond
    ``settings.reach_m`` of every plug is never known.
    """
    prior = prior_spread(max(fitted.hyper.spread, settings.least_spread))
    return np.asarray((spread**2 <= settings.known_ratio * prior**2) & (nearest_m <= settings.reach_m))


def prior_spread(field_spread: float) -> float:
    """Return the spread of a place's log density before the counts: the field's, and the level's counted as equal.

    Notes
    -----
    The level's own prior is vague on purpose. Counted in full it would make ground that no plug came near look known,
    so it counts for as much as the field and no more: with a ratio of 0.5 a cell is known only where the counts
    have made it surer than a place far from every plug can be, however well the overall level is known.
    """
    return math.sqrt(2.0) * field_spread


def _record(field: CountField, samples: Samples, worth: Worth, clusters: dict[str, Any]) -> dict[str, Any]:
    """Return what was fitted in plain JSON types: enough to predict again without fitting again.

    The samples of an earlier visit stand last.
    """
    fitted, mixed = field.field_.lead, field.field_
    sites = next((fit for fit in mixed.fits if fit.pattern == "same"), mixed.fits[0]).sites  # the first has all of them
    arrays = {"places": sites.places, "basis": sites.basis, "count": sites.count, "offset": sites.offset}
    fields = [
        {
            **asdict(fit.hyper),
            "share": share,
            "used": fit.used.tolist(),
            "pattern": fit.pattern,
            "log_evidence": fit.evidence,
            "pull": fit.pull.tolist(),
        }
        for fit, share in zip(field.field_.fits, field.field_.shares, strict=True)
    ]
    return {
        "no_map": False,
        "insects": int(samples.count.sum()),
        "samples": len(samples.count),
        "spread": fitted.hyper.spread,
        "range_m": fitted.hyper.range_m,
        "k": fitted.hyper.k,
        "log_evidence": fitted.evidence,
        "rate_per_m2": field.rate_,
        "kinds": samples.kind.tolist(),
        "sites": {name: array.tolist() for name, array in arrays.items()},
        "fields": fields,
        "map_worth": worth.as_dict(),
        "clusters": clusters,
    }


def _find(
    field: CountField, cells: pd.DataFrame, covariates: Covariates, worth: Worth, clusters: dict[str, Any]
) -> list[Finding]:
    """Return the findings of a map: its worth, what was fitted, how much of the ground is known, and hotspots."""
    settings, hyper = covariates.settings, field.field_.lead.hyper
    area = cells["area_m2"].to_numpy(float)
    share = float(area[cells["known"].to_numpy(bool)].sum() / area.sum())
    knows = {name: getattr(settings, name) for name in ("known_ratio", "least_spread", "reach_m")}
    verdict = {"answer": worth.answer, "level": worth.level, "left_out": list(worth.left_out)}
    tenths = {"tenths": list(worth.tenths)}
    farthest = max(abs(part - 1 / len(worth.tenths)) for part in worth.tenths)
    near = {name: clusters[name] for name in ("high", "band_m", "false_share")}
    return [
        Finding(What.MAP_WORTH, ALL, worth.gain, worth.low, worth.high, detail=verdict),
        *_find_border(field.field_, covariates),
        Finding(What.MAP_K, ALL, hyper.k),
        Finding(What.RANGE, ALL, hyper.range_m, detail={"unit": "m", "correlation": 0.05}),
        Finding(What.SPREAD, ALL, hyper.spread, detail={"of": "log density"}),
        Finding(What.KNOWN_SHARE, ALL, share, detail=knows),
        *(
            Finding(What.MAP_SCORE, name, score, detail={"crps": worth.crps[name]})
            for name, score in worth.log_score.items()
        ),
        *(
            Finding(What.BLOCK_SCORE, name, score, detail={"block_m": by.block_m, "blocks": by.blocks})
            for by in ([worth.blocks] if worth.blocks else [])
            for name, score in by.log_score.items()
        ),
        *(Finding(What.MAP_COVERAGE, level, share) for level, share in worth.holds.items()),
        Finding(What.MAP_CALIBRATION, ALL, farthest, detail=tenths),
        *_find_patches(cells, settings.threshold_per_m2),
        Finding(What.CLUSTERS, ALL, float(len(clusters["high"])), detail=near),
    ]


def _find_border(field: MixedField, covariates: Covariates) -> list[Finding]:
    """Return the density at the outer edge over that far inside, other things equal, where the model has an edge.

    The ratio and its interval are those of the model with both field and edge, as its coverage was measured
    (``sample_maps/map_areas.md``); ``chance`` is how likely there is an edge effect.
    """
    if "edge" not in covariates.names:
        return []
    column, settings = covariates.names.index("edge"), covariates.settings
    fitted, chance = field.whole, field.chance_of(column)
    mean, spread = (float(covariates.spreads[column]) * value for value in fitted.effect(column))
    half = normal_reach(settings.level) * spread * settings.widen
    low, high = float(np.exp(mean - half)), float(np.exp(mean + half))
    verdict = "higher" if low > 1 else "lower" if high < 1 else "unsettled"
    told = {"verdict": verdict, "level": settings.level, "scale_m": settings.edge_scale_m, "chance": chance}
    return [Finding(What.BORDER_EFFECT, ALL, float(np.exp(mean)), low, high, detail=told)]


def _find_patches(cells: pd.DataFrame, threshold_per_m2: float | None) -> list[Finding]:
    if threshold_per_m2 is None:
        return []
    over = exceed(cells, threshold_per_m2)
    return [
        Finding(
            What.HOTSPOT,
            f"{level:.0%}: {patch['surface_ids']}",
            patch["area_m2"],
            threshold_per_m2=threshold_per_m2,
            detail={"level": level, **cast("dict[str, Any]", patch)},
        )
        for level in LEVELS
        for patch in find_hotspots(cells, over, level).head(MOST_PATCHES).to_dict("records")
    ]


def _map_bound(
    cells: pd.DataFrame, samples: Samples, covariates: Covariates
) -> tuple[pd.DataFrame, dict[str, Any], list[Finding]]:
    """Return one upper bound for all the ground, and nothing that looks like knowledge."""
    settings, insects, bags = covariates.settings, int(samples.count.sum()), len(samples.count)
    confidence = 0.5 + settings.level / 2
    high = upper_bound(insects, bags, confidence=confidence) / float(samples.effort_m2.mean())
    middle = max(insects, 0.5) / float(samples.effort_m2.sum())
    spread = float(np.log(high / middle) / normal_quantile(confidence))
    _, edge_m = covariates.measure(cells[["easting", "northing"]].to_numpy(float), cells["kind"].to_numpy())
    frame = cells.drop(columns="kind").assign(
        log_mean=np.log(middle),
        log_sd=spread,
        prior_sd=spread,
        expected_per_m2=insects / float(samples.effort_m2.sum()),
        low_per_m2=0.0,
        high_per_m2=high,
        edge_m=edge_m,
        nearest_m=np.nan,
        known=False,
    )
    asked = {"samples": bags, "fewest_insects": settings.fewest_insects, "confidence": confidence}
    fitted = {"no_map": True, "insects": insects, **asked, "bound_per_m2": high, "map_worth": {"answer": "no"}}
    return frame, fitted, [Finding(What.NO_MAP, ALL, float(insects), high=high, detail=asked)]


def upper_bound(insects: int, samples: int, k: float = K_IF_UNKNOWN, *, confidence: float = 0.95) -> float:
    """Return the one-sided upper bound of the mean count per sample when few insects were found in all.

    Notes
    -----
    The sum of n counts with mean mu and the same k is negative binomial with mean n mu and size n k; the bound is the
    mu that leaves a chance of 1 - confidence to find as few.

    Examples
    --------
    >>> round(upper_bound(0, 10), 6)  # k ((1 - 0.95)^(-1/(n k)) - 1)
    0.410282
    """
    size = samples * k

    def excess(log_mu: float) -> float:
        return float(cdf(insects, samples * np.exp(log_mu), size)) - (1 - confidence)

    return float(np.exp(brentq(excess, np.log(1e-9), np.log(1e9), xtol=1e-12)))


def starting_threshold(pest: str) -> Threshold:
    """Return the threshold to start from where none is given: the first of the pest's profile.

    Raises
    ------
    DensityError
        When the pest has no profile or its profile no threshold.

    Examples
    --------
    >>> first = starting_threshold("annual bluegrass weevil")
    >>> round(first.low_per_m2), first.source
    (323, 'Maryland golf BMP')
    """
    thresholds = load_pest(pest).thresholds if pest in list_pests() else ()
    if not thresholds:
        remedy = "give one, such as 30/ft2"
        raise DensityError(Problem("threshold_per_m2", f"none, and none is known for {pest}", "a density", remedy))
    return thresholds[0]
