"""What other methods say of the same worlds: each gives a normal distribution of a transform of the density.

Every peer is given what its users would give it, and its prediction of the smooth surface, not of another count.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from map_worlds import World
from pykrige.ok import OrdinaryKriging
from pykrige.uk import UniversalKriging
from scipy.spatial import cKDTree
from scipy.special import ndtr
from scipy.stats import norm
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

from geosample.density.laplace import Hyper, Priors, Sites, find_mode, fit_counts, fit_field, predict_log
from geosample.density.mapping import know_enough
from geosample.density.model import MapSettings
from geosample.density.worth import leave_out_average, tune_distance_power

SETTINGS = MapSettings()
NO_SPREAD = 1e-6
POWERS = (0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0)
BORDER_M = 15 * 0.3048


@dataclass(frozen=True)
class Answer:
    """Normal mean and spread of a transform of the density at every cell."""

    mean: np.ndarray
    spread: np.ndarray
    forward: Callable[[np.ndarray], np.ndarray] = np.log
    wider: float = 1.0
    known: np.ndarray | None = None

    def over(self, threshold: float) -> np.ndarray:
        """Return the probability that the density is above the threshold."""
        return np.asarray(ndtr((self.mean - self.forward(np.asarray(threshold))) / self.spread))

    def holds(self, truth: np.ndarray, level: float = 0.9) -> np.ndarray:
        """Return whether the central interval holds the truth."""
        return np.asarray(
            np.abs(self.forward(truth) - self.mean) <= norm.ppf(0.5 + level / 2) * self.spread * self.wider
        )


def root(value: np.ndarray) -> np.ndarray:
    """Return Anscombe's root of a count."""
    return np.asarray(np.sqrt(value + 0.375))


def ours(world: World, *, edge: bool = True) -> Answer:
    """Return the density room's own map with its default settings."""
    sites, basis, level = sites_of(world, edge=edge)
    fitted = fit_counts(sites, Priors(SETTINGS.spread_tail, SETTINGS.range_tail_m))
    mean, spread = predict_log(fitted, world.turf.places, basis)
    nearest_m = cKDTree(world.points).query(world.turf.places)[0]
    known = know_enough(fitted, nearest_m, spread, SETTINGS)
    return Answer(mean + level, spread * SETTINGS.widen, wider=SETTINGS.widen_interval / SETTINGS.widen, known=known)


def sites_of(world: World, *, edge: bool = True) -> tuple[Sites, np.ndarray, float]:
    """Return the model's samples, the cells' covariates, and the log of the mean count."""
    kinds = sorted(set(world.kind)) if len(set(world.kind)) > 1 else []

    def basis(edge_m: np.ndarray, kind: np.ndarray) -> np.ndarray:
        columns = [np.full(len(edge_m), SETTINGS.level_sd)]
        columns += [SETTINGS.edge_sd * np.exp(-edge_m / SETTINGS.edge_scale_m)] if edge else []
        return np.column_stack([*columns, *(SETTINGS.kind_sd * (kind == name) for name in kinds)])

    level = float(np.log(world.count.mean()))
    sites = Sites(world.points, basis(world.edge_m, world.kind), world.count, np.full(len(world.count), level))
    return sites, basis(world.turf.edge_m, world.turf.kind), level


def oracle(world: World) -> Answer:
    """Return the map of one who knows spread, range, k, fade and correlation, and only not the surface."""
    number, level = len(world.count), float(np.log(world.count.mean()))
    edge_m = np.concatenate([world.edge_m, world.turf.edge_m])
    basis = np.column_stack([np.full(len(edge_m), 4.0), 3.0 * np.exp(-edge_m / world.fade_m) * (world.border > 0)])
    prior = world.covariance + basis @ basis.T
    mode = find_mode(prior[:number, :number] + 1e-6 * np.eye(number), world.count, np.full(number, level), world.k)
    cross = prior[number:, :number]
    variance = np.diag(prior)[number:] - np.einsum("ij,ij->i", cross @ mode.precision(), cross)
    return Answer(cross @ mode.pull + level, np.sqrt(np.maximum(variance, 1e-12)))


def regress_edge(world: World) -> Answer:
    """Return a negative binomial regression on the edge covariate, with no field."""
    sites, basis, level = sites_of(world)
    wide = Sites(sites.places, sites.basis[:, :2] * [1, 3], sites.count, sites.offset)
    k = leave_out_average(wide.count, wide.offset, SETTINGS.level_sd)[1]
    mean, spread = predict_log(
        fit_field(wide, Hyper(NO_SPREAD, 400.0, k)), world.turf.places, basis[:, :2] * np.array([1, 3])
    )
    return Answer(mean + level, np.maximum(spread, 1e-3))


def stratum_means(world: World) -> Answer:
    """Return the mean of border and of interior, with the standard error of each."""
    mean, spread = np.zeros(len(world.turf.edge_m)), np.ones(len(world.turf.edge_m))
    for inside, cells in zip(
        (world.edge_m <= BORDER_M, world.edge_m > BORDER_M),
        (world.turf.edge_m <= BORDER_M, world.turf.edge_m > BORDER_M),
        strict=True,
    ):
        some = world.count[inside] if inside.sum() > 1 and world.count[inside].sum() > 0 else world.count
        centre = some.mean()
        error = max(some.std(ddof=1), np.sqrt(centre)) / np.sqrt(len(some)) / centre
        mean[cells], spread[cells] = np.log(centre), np.sqrt(np.log1p(error**2))
    return Answer(mean, spread)


def krige_logs(world: World) -> Answer:
    """Return ordinary kriging of log(1 + count), exponential variogram fitted by PyKrige, nugget filtered."""
    krige = OrdinaryKriging(*world.points.T, np.log1p(world.count), variogram_model="exponential")
    mean, variance = krige.execute("points", *world.turf.places.T)
    return _filtered(mean, variance, float(krige.variogram_model_parameters[-1]))


def krige_logs_edge(world: World) -> Answer:
    """Return universal kriging of log(1 + count) with the edge covariate as drift."""
    drift, there = np.exp(-world.edge_m / 4), np.exp(-world.turf.edge_m / 4)
    krige = UniversalKriging(
        *world.points.T, np.log1p(world.count), variogram_model="exponential", drift_terms=["specified"],
        specified_drift=[drift],
    )  # fmt: skip
    mean, variance = krige.execute("points", *world.turf.places.T, specified_drift_arrays=[there])
    return _filtered(mean, variance, float(krige.variogram_model_parameters[-1]))


def _filtered(mean: np.ndarray, variance: np.ndarray, nugget: float) -> Answer:
    rest = np.maximum(np.asarray(variance) - nugget, 1e-4)
    return Answer(np.asarray(mean), np.sqrt(rest), np.log1p)


def gp_roots(world: World) -> Answer:
    """Return scikit-learn's Gaussian process on Anscombe roots, white noise fitted and filtered."""
    values = root(world.count)
    kernel = ConstantKernel(1.0) * Matern(10.0, (1.0, 150.0), nu=0.5) + WhiteKernel(0.5)
    model = GaussianProcessRegressor(kernel, normalize_y=True, n_restarts_optimizer=1, random_state=1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        mean, spread = model.fit(world.points, values).predict(world.turf.places, return_std=True)
    noise = model.kernel_.k2.noise_level * values.std() ** 2
    return Answer(mean, np.sqrt(np.maximum(spread**2 - noise, 1e-4)), root)


def weigh_distance(world: World) -> Answer:
    """Return inverse-distance weighting, its power chosen by leave-one-out negative binomial log score."""
    power, k = tune_distance_power(world.points, world.count, np.ones(len(world.count)), POWERS)
    square = ((world.turf.places[:, None] - world.points) ** 2).sum(axis=2) + 1e-6
    weight = square ** (-power / 2)
    weight /= weight.sum(axis=1, keepdims=True)
    mean = np.maximum(weight @ world.count, 0.5 / len(world.count))
    error = (weight**2).sum(axis=1) * (1 / mean + 1 / k)
    return Answer(np.log(mean), np.sqrt(np.log1p(error)))


PEERS: dict[str, Callable[[World], Answer]] = {
    "ordinary kriging, log counts (PyKrige)": krige_logs,
    "Gaussian process, roots (scikit-learn)": gp_roots,
    "universal kriging + edge, log counts (PyKrige)": krige_logs_edge,
    "inverse distance, tuned": weigh_distance,
    "negative binomial regression on the edge": regress_edge,
    "means of border and interior": stratum_means,
}
