"""From counts and ground to the density map: the stage's one public step."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.spatial import cKDTree

from geosample.counts import Counts, tally
from geosample.density.areas import keep_sites
from geosample.density.clusters import describe_clusters
from geosample.density.covariates import Covariates, choose_covariates
from geosample.density.data import Samples, cut_target, ready_samples, target_surfaces
from geosample.density.few import bound_density
from geosample.density.field import FittedField, Sites
from geosample.density.findings import tell_findings, tell_no_map
from geosample.density.fitting import Priors, fit_counts
from geosample.density.model import DensityMap
from geosample.density.predicting import predict_log
from geosample.density.settings import Settings
from geosample.density.worth import judge_worth
from geosample.errors import DensityError, Problem

if TYPE_CHECKING:
    import pandas as pd

    from geosample.design import Design
    from geosample.ground import Ground


def map_density(
    counts: Counts,
    ground: Ground,
    *,
    design: Design | None = None,
    cell_m: float = 1.0,
    settings: Settings | None = None,
    last: DensityMap | None = None,
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
    cell_m : float
        Side of a cell, m.
    settings : Settings, optional
        The model; the defaults when None.
    last : DensityMap, optional
        An earlier visit's map, for the covariate ``last``.

    Returns
    -------
    DensityMap
        Cells of every surface aimed at or sampled, exactly clipped. With fewer than ``settings.fewest_insects`` in
        all, every cell is not known and ``high`` is the bound for the whole ground.

    Raises
    ------
    DensityError
        When samples have no place or effort or lie off the ground, a covariate can't be had, or the cell is no size.
    CountsError
        When no counted sample looked for the pest.

    Notes
    -----
    Counts are negative binomial around effort times exp(field); the field is Gaussian with exponential covariance
    plus shrunk covariate effects; Laplace's approximation at the most likely spread, range and k.
    """
    settings = settings or Settings()
    _check_settings(settings)
    _check_crs(counts, ground)
    pest = design.visit.pest if design is not None else str(counts.counts["pest"].mode().iloc[0])
    found = tally(counts, pest)
    _check_recovery(settings, set(found["method"].dropna()))
    samples = ready_samples(found, ground, settings)
    covariates = choose_covariates(ground, samples.kind, settings, last=last)
    cells = cut_target(target_surfaces(ground, samples, design), cell_m)
    whose = {"visit": counts.visit, "pest": pest}
    if samples.count.sum() < settings.fewest_insects:
        return _say_simulated(_map_bound(whose, cells, cell_m, samples, covariates), design)
    fitted = fit_counts(_sites(samples, covariates), Priors(settings.spread_tail, settings.range_tail_m))
    frame = _predict_cells(fitted, cells, samples, covariates)
    worth = judge_worth(fitted)
    clusters = describe_clusters(samples)
    findings = tell_findings(whose, fitted, frame, covariates, worth, clusters)
    record = {**_record(fitted, samples), "map_worth": worth.as_dict(), "clusters": clusters}
    density_map = DensityMap(
        **whose, cell_m=cell_m, cells=frame, settings=settings.as_dict(), fitted=record, findings=findings
    )
    return _say_simulated(density_map, design)


def _say_simulated(density_map: DensityMap, design: Design | None) -> DensityMap:
    """Carry on with the map the sentence that its counts are invented, where they are."""
    if design is None or not design.visit.simulated:
        return density_map
    return replace(density_map, settings={**density_map.settings, "simulated": design.visit.simulated})


def _check_settings(settings: Settings) -> None:
    spreads = ("edge_scale_m", "trees_scale_m", "edge_sd", "kind_sd", "trees_sd", "last_sd", "level_sd")
    problems = [
        Problem(f"settings.{name}", str(getattr(settings, name)), "a number above 0", "give one")
        for name in (
            *spreads,
            "spread_tail",
            "range_tail_m",
            "widen",
            "widen_interval",
            "least_spread",
            "reach_m",
        )
        if not (np.isfinite(getattr(settings, name)) and getattr(settings, name) > 0)
    ]
    if not (np.isfinite(settings.recovery_sd) and settings.recovery_sd >= 0):
        problems.append(Problem("settings.recovery_sd", str(settings.recovery_sd), "0 or more", "give one"))
    if not 0 < settings.known_ratio < 1:
        found = f"{settings.known_ratio:g}"
        problems.append(Problem("--known", found, "between 0 and 1, as a share of the variance", "0.5 is usual"))
    if not 0 < settings.level < 1:
        problems.append(Problem("settings.level", str(settings.level), "between 0 and 1", "0.9 is usual"))
    if problems:
        raise DensityError(problems)


def _check_recovery(settings: Settings, methods: set[str]) -> None:
    problems = [
        Problem(
            f"--recovery {method}",
            "a method no sample was taken by",
            f"one of: {', '.join(sorted(methods))}",
            "mend it",
        )
        for method in settings.recovery
        if method not in methods
    ]
    if problems:
        raise DensityError(problems)


def _check_crs(counts: Counts, ground: Ground) -> None:
    if counts.samples.crs is not None and counts.samples.crs != ground.crs:
        found = f"samples in {counts.samples.crs.name}, ground in {ground.crs.name}"
        raise DensityError(Problem("counts", found, "the same CRS", "take the counts in again with 'geosample counts'"))


def _sites(samples: Samples, covariates: Covariates) -> Sites:
    basis, _ = covariates.basis(samples.places, samples.kind)
    return Sites(samples.places, basis, samples.count, np.log(samples.effort_m2 * samples.rate_per_m2))


def _predict_cells(fitted: FittedField, cells: pd.DataFrame, samples: Samples, covariates: Covariates) -> pd.DataFrame:
    settings = covariates.settings
    places = cells[["easting", "northing"]].to_numpy(float)
    basis, edge_m = covariates.basis(places, cells["kind"].to_numpy())
    mean, spread = predict_log(fitted, places, basis)
    nearest_m = np.asarray(cKDTree(samples.places).query(places)[0])
    prior = prior_spread(max(fitted.hyper.spread, settings.least_spread))
    return cells.drop(columns="kind").assign(
        **settings.show_density(mean + np.log(samples.rate_per_m2), spread),
        prior_sd=prior * settings.widen,
        edge_m=edge_m,
        nearest_m=nearest_m,
        known=know_enough(fitted, nearest_m, spread, settings),
    )


def know_enough(fitted: FittedField, nearest_m: np.ndarray, spread: np.ndarray, settings: Settings) -> np.ndarray:
    """Return where the counts say enough: posterior over prior variance at most ``settings.known_ratio``.

    Notes
    -----
    A field fitted as flat leaves nothing to learn about, and the bare ratio would call all of it unknown however many
    plugs say the same. So the prior spread is taken as no less than ``settings.least_spread``: ground known to within
    half that variance is known enough. What lies beyond ``settings.reach_m`` of every plug is never known.
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


def _map_bound(
    whose: dict[str, str], cells: pd.DataFrame, cell_m: float, samples: Samples, covariates: Covariates
) -> DensityMap:
    settings = covariates.settings
    insects = int(samples.count.sum())
    middle, high, spread = bound_density(insects, samples.effort_m2, confidence=0.5 + settings.level / 2)
    _, edge_m = covariates.basis(cells[["easting", "northing"]].to_numpy(float), cells["kind"].to_numpy())
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
    findings = tell_no_map(whose, insects, len(samples.count), high, settings)
    sentence = str(findings["note"].iloc[0])
    fitted = {
        "no_map": True,
        "insects": insects,
        "samples": len(samples.count),
        "bound_per_m2": high,
        "map_worth": {"answer": "no", "sentence": sentence},
    }
    return DensityMap(
        **whose, cell_m=cell_m, cells=frame, settings=settings.as_dict(), fitted=fitted, findings=findings
    )


def _record(fitted: FittedField, samples: Samples) -> dict[str, Any]:
    """Return what was fitted in plain JSON types: enough to predict again without fitting again."""
    return {
        "no_map": False,
        "insects": int(samples.count.sum()),
        "samples": len(samples.count),
        "spread": fitted.hyper.spread,
        "range_m": fitted.hyper.range_m,
        "k": fitted.hyper.k,
        "log_evidence": fitted.evidence,
        "rate_per_m2": samples.rate_per_m2,
        "kinds": samples.kind.tolist(),
        "sites": keep_sites(fitted),
    }
