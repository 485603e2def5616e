"""What other methods say of the same worlds: each gives a normal distribution of a transform of the density.

Every peer is given what its users would give it, fitted as well as it can be, and its prediction of the smooth
surface, not of another count.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from map_worlds import World
from scipy.linalg import cho_solve, cholesky
from scipy.optimize import minimize
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist
from scipy.special import ndtr
from scipy.stats import norm

from geosample.density.laplace import MixedField, Priors, Sites, find_mode, fit_counts, predict_latent
from geosample.density.mapping import know_enough
from geosample.density.model import MapSettings
from geosample.density.worth import leave_out_average, tune_distance_power

SETTINGS = MapSettings()
POWERS = (0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0)
BORDER_M = 15 * 0.3048


@dataclass(frozen=True)
class Answer:
    """Normal mean and spread of a transform of the density at every cell, and at every sample where asked for."""

    mean: np.ndarray
    spread: np.ndarray
    forward: Callable[[np.ndarray], np.ndarray] = np.log
    known: np.ndarray | None = None
    interval: tuple[np.ndarray, np.ndarray] | None = None
    """Of 90 %, transformed, where it is not that of mean and spread."""

    def over(self, threshold: float) -> np.ndarray:
        """Return the probability that the density is above the threshold."""
        return np.asarray(ndtr((self.mean - self.forward(np.asarray(threshold))) / self.spread))

    def holds(self, truth: np.ndarray) -> np.ndarray:
        """Return whether the central interval of 90 % holds the truth."""
        half = norm.ppf(0.95) * self.spread
        low, high = (self.mean - half, self.mean + half) if self.interval is None else self.interval
        return np.asarray((low <= self.forward(truth)) & (self.forward(truth) <= high))

    def of(self, some: slice) -> Answer:
        """Return the answer of some of the places."""
        known = None if self.known is None else self.known[some]
        interval = None if self.interval is None else (self.interval[0][some], self.interval[1][some])
        return Answer(self.mean[some], self.spread[some], self.forward, known, interval)


def root(value: np.ndarray) -> np.ndarray:
    """Return Anscombe's root of a count."""
    return np.asarray(np.sqrt(value + 0.375))


def fit_ours(world: World, *, edge: bool | None = None) -> tuple[MixedField, np.ndarray, float]:
    """Return the room's own fitted field, the covariates of samples and cells, and the log of the mean count.

    ``edge``: with the edge term (True), without (False), or both by their evidence, as the program does (None).
    """
    sites, basis, level = sites_of(world)
    used = np.ones(basis.shape[1])
    used[1] = edge is not False
    sites = Sites(sites.places, sites.basis * used, sites.count, sites.offset)
    priors = Priors(SETTINGS.spread_tail, SETTINGS.range_tail_m)
    fitted = fit_counts(sites, priors, doubtful=[1] if edge is None else [], allow_even=True)
    return fitted, np.vstack([sites.basis, basis * used]), level


def ours(world: World, *, edge: bool | None = None) -> Answer:
    """Return the density room's own map with its default settings, at samples and cells."""
    fitted, basis, level = fit_ours(world, edge=edge)
    places = np.vstack([world.points, world.turf.places])
    latent = predict_latent(fitted, places, basis).shift(level)
    nearest_m = cKDTree(world.points).query(places)[0]
    known = know_enough(fitted.lead, nearest_m, latent.patchy_spread, SETTINGS)
    half = norm.ppf(0.95) * SETTINGS.widen_interval * latent.patchy_spread
    interval = (latent.patchy_mean - half, latent.patchy_mean + half)
    return Answer(latent.mean, latent.spread, known=known, interval=interval)


def sites_of(world: World) -> tuple[Sites, np.ndarray, float]:
    """Return the model's samples, the cells' covariates, and the log of the mean count."""
    kinds = sorted(set(world.kind)) if len(set(world.kind)) > 1 else []

    def basis(edge_m: np.ndarray, kind: np.ndarray) -> np.ndarray:
        columns = [np.full(len(edge_m), SETTINGS.level_sd), SETTINGS.edge_sd * np.exp(-edge_m / SETTINGS.edge_scale_m)]
        return np.column_stack([*columns, *(SETTINGS.kind_sd * (kind == name) for name in kinds)])

    level = float(np.log(world.count.mean()))
    sites = Sites(world.points, basis(world.edge_m, world.kind), world.count, np.full(len(world.count), level))
    return sites, basis(world.turf.edge_m, world.turf.kind), level


def oracle(world: World) -> Answer:
    """Return the map of one who knows all but the surface: in the own family its parameters, elsewhere its shape."""
    number, level, shape = len(world.count), float(np.log(world.count.mean())), world.shape
    edge_m = np.concatenate([world.edge_m, world.turf.edge_m])
    basis = np.column_stack([np.full(len(edge_m), 4.0), 3.0 * np.exp(-edge_m / shape.fade_m) * (shape.effect > 0)])
    known = np.zeros(len(edge_m)) if shape.covariance is not None else shape.log_density
    known = known - np.average(known[number:], weights=world.turf.share)
    field = np.zeros((len(edge_m), len(edge_m))) if shape.covariance is None else shape.covariance
    prior = field + basis @ basis.T
    mode = find_mode(prior[:number, :number] + 1e-6 * np.eye(number), world.count, level + known[:number], world.k)
    cross = prior[:, :number]
    variance = np.diag(prior) - np.einsum("ij,ij->i", cross @ mode.precision(), cross)
    return Answer(cross @ mode.pull + level + known, np.sqrt(np.maximum(variance, 1e-12)))


def krige_logs(world: World) -> Answer:
    """Return universal kriging of log(1 + count) with the map's edge term as drift, by REML."""
    return Answer(*krige(world, np.log1p(world.count)), np.log1p)


def krige_roots(world: World) -> Answer:
    """Return universal kriging of Anscombe's roots with the map's edge term as drift, by REML."""
    return Answer(*krige(world, root(world.count)), root)


def krige(world: World, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and spread of the smooth surface: exponential covariance, nugget filtered, level and edge as drift.

    Notes
    -----
    REML of range and nugget share, the variance profiled out: a grid of starts, then L-BFGS-B from the best (Diggle &
    Ribeiro 2007, Model-based Geostatistics, section 5.4; universal kriging: Cressie 1993, section 3.4).
    """
    distance_m = cdist(world.points, world.points)
    edge_m = np.concatenate([world.edge_m, world.turf.edge_m])
    drift = np.column_stack([np.ones(len(edge_m)), np.exp(-edge_m / SETTINGS.edge_scale_m)])
    number = len(values)
    x, there = drift[:number], drift

    def solve(asked: np.ndarray) -> tuple[float, np.ndarray, np.ndarray, np.ndarray, float]:
        range_m, share = np.exp(asked[0]), 1 / (1 + np.exp(-asked[1]))  # share: of the nugget
        factor = cholesky((1 - share) * np.exp(-3 * distance_m / range_m) + share * np.eye(number), lower=True)
        solved = cho_solve((factor, True), np.column_stack([x, values]))
        inner = x.T @ solved[:, :2]
        beta = np.linalg.solve(inner, x.T @ solved[:, 2])
        rest = solved[:, 2] - solved[:, :2] @ beta
        free = number - x.shape[1]
        variance = max(float((values - x @ beta) @ rest) / free, 1e-12)
        cost = free * np.log(variance) / 2 + np.log(np.diag(factor)).sum() + np.linalg.slogdet(inner)[1] / 2
        return float(cost), factor, beta, rest, variance

    grid = [np.array([np.log(r), n]) for r in (5.0, 15.0, 40.0, 120.0) for n in (-2.0, 0.0, 2.0, 4.0)]
    start = min(grid, key=lambda one: solve(one)[0])
    best = minimize(
        lambda asked: solve(asked)[0], start, method="L-BFGS-B", bounds=[(np.log(2.7), np.log(400)), (-4, 6)]
    )
    _, factor, beta, rest, variance = solve(best.x)
    range_m, share = np.exp(best.x[0]), 1 / (1 + np.exp(-best.x[1]))
    cross = (1 - share) * np.exp(-3 * cdist(np.vstack([world.points, world.turf.places]), world.points) / range_m)
    mean = there @ beta + cross @ rest
    solved = cho_solve((factor, True), np.column_stack([cross.T, x]))
    inner, left = x.T @ solved[:, -2:], there - cross @ solved[:, -2:]
    told = np.einsum("ij,ji->i", cross, solved[:, :-2])
    unsure = np.einsum("ij,ij->i", left @ np.linalg.inv(inner), left)
    return mean, np.sqrt(np.maximum(variance * (1 - share - told + unsure), 1e-6))


def weigh_distance(world: World) -> Answer:
    """Return inverse-distance weighting, its power chosen by leave-one-out negative binomial log score."""
    power, k = tune_distance_power(world.points, world.count, np.ones(len(world.count)), POWERS)
    square = cdist(np.vstack([world.points, world.turf.places]), world.points) ** 2 + 1e-6
    weight = square ** (-power / 2)
    weight /= weight.sum(axis=1, keepdims=True)
    mean = np.maximum(weight @ world.count, 0.5 / len(world.count))
    error = (weight**2).sum(axis=1) * (1 / mean + 1 / k)
    return Answer(np.log(mean), np.sqrt(np.log1p(error)))


def one_average(world: World) -> Answer:
    """Return one density for all, negative binomial, with its standard error."""
    level = np.full(len(world.count), np.log(world.count.mean()))
    k, number = leave_out_average(world.count, level, SETTINGS.level_sd)[1], len(world.count)
    error = np.sqrt((1 / world.count.mean() + 1 / k) / number)
    places = number + len(world.turf.places)
    return Answer(np.full(places, level[0]), np.full(places, error))


def nothing(world: World) -> Answer:
    """Return that nothing is above anything: leave all."""
    places = len(world.count) + len(world.turf.places)
    return Answer(np.full(places, -50.0), np.ones(places))


def everything(world: World) -> Answer:
    """Return that all is above everything: treat all."""
    places = len(world.count) + len(world.turf.places)
    return Answer(np.full(places, 50.0), np.ones(places))


PEERS: dict[str, Callable[[World], Answer]] = {
    "kriging of log(1 + count) + edge, REML": krige_logs,
    "kriging of roots + edge, REML": krige_roots,
    "inverse distance, tuned": weigh_distance,
    "one average": one_average,
}
