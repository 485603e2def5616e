"""The latent field: Laplace's approximation around its mode, and what it says of other places.

References
----------
Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, algorithms 3.1, 3.2 and 5.1 (R&W below).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np
from scipy.linalg import cho_solve, cholesky
from scipy.linalg.lapack import dlauum, dtrtri
from scipy.spatial.distance import cdist

from geosample.density.likelihood import expect, log_pmf, slopes

if TYPE_CHECKING:
    from sklearn.gaussian_process.kernels import Kernel

JITTER = 1e-6
_MOST_STEPS = 100
_LEAST_SHARE = 1e-8
_SETTLED = 1e-10


@dataclass(frozen=True, slots=True)
class Sites:
    """Counted samples as the model sees them.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Easting and northing, m.
    basis : ndarray, shape (n, p)
        Covariates, each already multiplied by the prior spread of its effect; the first is the overall level.
    count : ndarray, shape (n,)
        Insects found.
    offset : ndarray, shape (n,)
        Log of the count expected where the latent field is zero: effort in m² times the pooled density.
    """

    places: np.ndarray
    basis: np.ndarray
    count: np.ndarray
    offset: np.ndarray


@dataclass(frozen=True, slots=True)
class Hyper:
    """Spread of the field (log units), its practical range (correlation 0.05) in m, and k of the counts."""

    spread: float
    range_m: float
    k: float

    @property
    def kernel(self) -> Kernel:
        """Exponential covariance, spread² exp(-3 h / range_m), as scikit-learn's kernel; slow to load."""
        from sklearn.gaussian_process.kernels import ConstantKernel, Matern

        return ConstantKernel(self.spread**2) * Matern(length_scale=self.range_m / 3.0, nu=0.5)

    def covary(self, here: np.ndarray, there: np.ndarray) -> np.ndarray:
        """Return the kernel's covariance of places, shape (here, there)."""
        return self.covary_at(np.asarray(cdist(here, there)))

    def covary_at(self, distance_m: np.ndarray) -> np.ndarray:
        """Return the kernel's covariance at distances, m, in their shape."""
        return np.asarray(self.spread**2 * np.exp(-3.0 / self.range_m * distance_m))


@dataclass(frozen=True, slots=True)
class Mode:
    """Where the latent values are most likely, and the curvature there.

    Parameters
    ----------
    eta : ndarray, shape (n,)
        Latent values at the mode, log units around the prior mean.
    pull : ndarray, shape (n,)
        Prior covariance's inverse times eta, which is the likelihood's slope at the mode.
    root_weight : ndarray, shape (n,)
        Square root of the likelihood's curvature.
    factor : ndarray, shape (n, n)
        Lower Cholesky factor of I + W^½ K W^½.
    evidence : float
        Laplace's log marginal likelihood.
    """

    eta: np.ndarray
    pull: np.ndarray
    root_weight: np.ndarray
    factor: np.ndarray
    evidence: float

    def root(self) -> np.ndarray:
        """Return L⁻¹ W^½, lower triangular, so that R = its transpose times itself, shape (n, n)."""
        inverse, failed = dtrtri(self.factor, lower=1)
        if failed:
            message = f"Laplace's factor has no inverse (LAPACK trtri {failed})"
            raise ArithmeticError(message)
        return np.asarray(inverse * self.root_weight)

    def precision(self) -> np.ndarray:
        """Return R = W^½ B⁻¹ W^½, so that the posterior covariance is K - K R K, shape (n, n)."""
        return mirror_square(self.root())


def mirror_square(root: np.ndarray) -> np.ndarray:
    """Return root' root of a lower triangular root, both triangles filled."""
    square, failed = dlauum(root, lower=1)
    if failed:
        message = f"a triangular square failed (LAPACK lauum {failed})"
        raise ArithmeticError(message)
    square = np.tril(square)
    return np.asarray(square + np.tril(square, -1).T)


def find_mode(
    covariance: np.ndarray, count: np.ndarray, offset: np.ndarray, k: float, *, start: np.ndarray | None = None
) -> Mode:
    """Return the posterior mode of the latent values by Newton steps, halved where one would overshoot.

    Parameters
    ----------
    covariance : ndarray, shape (n, n)
        Prior covariance of the latent values, with its jitter.
    count, offset : ndarray, shape (n,)
        Counts, and the log of their expectation where the latent value is zero.
    k : float
        Of the negative binomial.
    start : ndarray, optional
        A pull to start from, such as the mode's at nearby hyper-parameters.
    """
    pull = np.zeros(len(count)) if start is None else start
    eta = covariance @ pull
    height = _height(eta, pull, count, offset, k)
    if start is not None and height < _height(np.zeros(len(count)), np.zeros(len(count)), count, offset, k):
        pull, eta = np.zeros(len(count)), np.zeros(len(count))
        height = _height(eta, pull, count, offset, k)
    for _ in range(_MOST_STEPS):
        aim = _newton_aim(covariance, eta, count, offset, k)
        pull, eta, gained = _step(covariance, (pull, eta, height), aim, (count, offset, k))
        height += gained
        if gained < _SETTLED * (1 + abs(height)):
            break
    return _curvature(covariance, pull, eta, height, (count, offset, k))


def _height(eta: np.ndarray, pull: np.ndarray, count: np.ndarray, offset: np.ndarray, k: float) -> float:
    """R&W equation 3.12 without its constant: log p(y | eta) - ½ eta' K⁻¹ eta."""
    return float(log_pmf(count, expect(eta + offset), k).sum() - 0.5 * pull @ eta)


def _newton_aim(covariance: np.ndarray, eta: np.ndarray, count: np.ndarray, offset: np.ndarray, k: float) -> np.ndarray:
    """Return the pull a full Newton step leads to (R&W algorithm 3.1, lines 4-6)."""
    slope = slopes(count, expect(eta + offset), k)
    root = np.sqrt(slope.weight)
    factor = _factor(covariance, root)
    b = slope.weight * eta + slope.first
    return np.asarray(b - root * cho_solve((factor, True), root * (covariance @ b), check_finite=False))


def _factor(covariance: np.ndarray, root: np.ndarray) -> np.ndarray:
    inner = covariance * root
    inner *= root[:, None]
    inner[np.diag_indices_from(inner)] += 1.0
    return cast("np.ndarray", cholesky(inner, lower=True, overwrite_a=True, check_finite=False))


def _step(
    covariance: np.ndarray,
    now: tuple[np.ndarray, np.ndarray, float],
    aim: np.ndarray,
    data: tuple[np.ndarray, np.ndarray, float],
) -> tuple[np.ndarray, np.ndarray, float]:
    pull, eta, height = now
    direction = aim - pull
    rise = covariance @ direction
    share = 1.0
    while share > _LEAST_SHARE:
        gained = _height(eta + share * rise, pull + share * direction, *data) - height
        if gained >= 0:
            return pull + share * direction, eta + share * rise, gained
        share /= 2
    return pull, eta, 0.0


def _curvature(
    covariance: np.ndarray,
    pull: np.ndarray,
    eta: np.ndarray,
    height: float,
    data: tuple[np.ndarray, np.ndarray, float],
) -> Mode:
    count, offset, k = data
    root = np.sqrt(slopes(count, expect(eta + offset), k).weight)
    factor = _factor(covariance, root)
    return Mode(eta, pull, root, factor, height - float(np.log(np.diag(factor)).sum()))


@dataclass(frozen=True, slots=True)
class FittedField:
    """The latent field given the counts: all that prediction needs.

    Parameters
    ----------
    sites : Sites
        The samples it was fitted to.
    hyper : Hyper
        Spread, range and k.
    pull : ndarray, shape (n,)
        Weights of the samples in a prediction's mean.
    root, precision : ndarray, shape (n, n)
        Of ``Mode.root`` and ``Mode.precision``.
    eta : ndarray, shape (n,)
        Latent values at the samples.
    evidence : float
        Laplace's log marginal likelihood.
    """

    sites: Sites
    hyper: Hyper
    pull: np.ndarray
    root: np.ndarray
    precision: np.ndarray
    eta: np.ndarray
    evidence: float


def fit_field(sites: Sites, hyper: Hyper, *, start: np.ndarray | None = None) -> FittedField:
    """Return the latent field at given hyper-parameters, from a start for the mode's pull if there is one."""
    mode = find_mode(prior_covariance(sites, hyper), sites.count, sites.offset, hyper.k, start=start)
    root = mode.root()
    return FittedField(sites, hyper, mode.pull, root, mirror_square(root), mode.eta, mode.evidence)


def prior_covariance(sites: Sites, hyper: Hyper) -> np.ndarray:
    """Return the prior covariance of the latent values at the samples, jitter included, shape (n, n)."""
    covariance = hyper.covary(sites.places, sites.places) + sites.basis @ sites.basis.T
    covariance[np.diag_indices_from(covariance)] += JITTER
    return np.asarray(covariance)


def predict_jointly(fitted: FittedField, places: np.ndarray, basis: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the latent mean at places, shape (m,), and its posterior covariance K** - K* R K*', shape (m, m).

    Notes
    -----
    For some hundreds of places; ``predict_log`` gives means and spreads of any number.
    """
    cross = fitted.hyper.covary(places, fitted.sites.places) + basis @ fitted.sites.basis.T
    covariance = fitted.hyper.covary(places, places) + basis @ basis.T - cross @ fitted.precision @ cross.T
    covariance[np.diag_indices_from(covariance)] += JITTER
    return np.asarray(cross @ fitted.pull), np.asarray(covariance)


def draw_log(
    fitted: FittedField, places: np.ndarray, basis: np.ndarray, rng: np.random.Generator, draws: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return the latent mean at places, shape (m,), and joint draws around it, shape (draws, m)."""
    mean, covariance = predict_jointly(fitted, places, basis)
    factor = cholesky(covariance, lower=True, check_finite=False)
    return mean, np.asarray(rng.standard_normal((draws, len(places))) @ factor.T)
