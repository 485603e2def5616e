"""The latent field of the density: Laplace's approximation, its most likely hyper-parameters, and what it foretells.

A count is negative binomial around effort times exp(field). The field is Gaussian: an exponential covariance in
distance, and effects of covariates (the overall level is the first), each with a normal prior. ``CountField`` is this
as an estimator by scikit-learn's conventions.

References
----------
Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, algorithms 3.1, 3.2 and 5.1 (R&W below).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass, replace
from functools import reduce
from itertools import product
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, cast

import numpy as np
from scipy.linalg import cho_solve, cholesky, get_blas_funcs
from scipy.linalg.lapack import dlauum, dtrtri
from scipy.optimize import minimize, minimize_scalar
from scipy.spatial.distance import cdist
from threadpoolctl import threadpool_limits

from geosample.distributions import FIELD, cdf, expect, log_pmf, slopes, slopes_in_log_k
from geosample.workers import map_threads

if TYPE_CHECKING:
    from sklearn.gaussian_process.kernels import Kernel

# Where the search looks for spread (log units), practical range (m) and k: wide enough for any survey, and no
# covariance there is singular. The priors of the first two are in ``Priors``, that of k beside its bounds.
BOUNDS = ((0.05, 4.5), (2.7, 400.0), (FIELD.low, FIELD.high))
START = (0.8, 30.0, 1.0)
JITTER = 1e-6
_MOST_STEPS = 100
_LEAST_SHARE = 1e-8
_SETTLED = 1e-10
_NUDGE = 1e-3  # of a log hyper-parameter, for curvatures
# Below this many samples a second thread in the matrix library costs more than it brings.
_FEW_SAMPLES = 600
_BLOCK = 1024
_FORGOTTEN = 1e-6
"""A correlation this small is taken as none, in single precision."""
_LEAST_VARIANCE = 1e-12
_ELSEWHERE_M = 1e4
"""So far off no field of any range in ``BOUNDS`` knows of a sample."""
LEAST_BELIEF = 0.01
"""A field with less of the evidence than this changes no decision (own choice)."""
Given = tuple[float | None, float | None, float | None]
Pattern = Literal["own", "another", "same"]
"""Of two visits: this one's samples alone; both visits' with the same k and effects, but each under a field of its own
of the same spread and range, or none; both under one field."""
FREE: Given = (None, None, None)
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(32)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True, slots=True)
class Priors:
    """Tails of the penalised-complexity priors: P(spread > spread_tail) = P(range < range_tail_m) = 0.05."""

    spread_tail: float = 4.0
    range_tail_m: float = 8.0


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

    def take(self, rows: np.ndarray) -> Sites:
        """Return those samples alone, in that order."""
        return Sites(self.places[rows], self.basis[rows], self.count[rows], self.offset[rows])

    def of_pattern(self, pattern: Pattern, earlier: int) -> Sites:
        """Return the samples, those of an earlier visit standing last, as the models of a pattern have them.

        ``earlier`` is the basis column that is 0 but for an earlier visit's samples.
        """
        before = self.basis[:, earlier] != 0
        if pattern == "own":
            return self.take(np.flatnonzero(~before))
        if pattern == "same":
            return self
        return replace(self, places=self.places + np.column_stack([_ELSEWHERE_M * before, 0 * before]))


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


def prior_covariance(sites: Sites, hyper: Hyper) -> np.ndarray:
    """Return the prior covariance of the latent values at the samples, jitter included, shape (n, n)."""
    covariance = hyper.covary(sites.places, sites.places) + sites.basis @ sites.basis.T
    covariance[np.diag_indices_from(covariance)] += JITTER
    return np.asarray(covariance)


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
    used : ndarray of bool, shape (p,)
        The covariates it has; the others' columns are zero.
    pattern : str
        What it takes of an earlier visit, and how.
    """

    sites: Sites
    hyper: Hyper
    pull: np.ndarray
    root: np.ndarray
    precision: np.ndarray
    eta: np.ndarray
    evidence: float
    used: np.ndarray
    pattern: Pattern = "own"

    def effect(self, column: int) -> tuple[float, float]:
        """Return a covariate's effect on the log density and its standard deviation, in prior spreads."""
        basis = self.sites.basis[:, column]
        return float(basis @ self.pull), math.sqrt(max(1 - float(basis @ self.precision @ basis), 0.0))


def fit_field(
    sites: Sites,
    hyper: Hyper,
    *,
    start: np.ndarray | None = None,
    used: np.ndarray | None = None,
    pattern: Pattern = "own",
) -> FittedField:
    """Return the latent field at given hyper-parameters, from a start for the mode's pull if there is one.

    Covariates that are not used have no effect.
    """
    used = np.ones(sites.basis.shape[1], dtype=bool) if used is None else used
    sites = replace(sites, basis=sites.basis * used)
    mode = find_mode(prior_covariance(sites, hyper), sites.count, sites.offset, hyper.k, start=start)
    root = mode.root()
    return FittedField(sites, hyper, mode.pull, root, mirror_square(root), mode.eta, mode.evidence, used, pattern)


@dataclass(frozen=True, slots=True)
class MixedField:
    """The models of the same counts, each with its share of belief; or one alone.

    Parameters
    ----------
    fits : tuple of FittedField
        With and without a covariate that may have no effect, and with and without a field (a spread of 0); those that
        take an earlier visit's samples, too, stand last.
    shares : tuple of float
        By their evidence, adding up to 1. What has less than ``LEAST_BELIEF`` is not predicted from.
    """

    fits: tuple[FittedField, ...]
    shares: tuple[float, ...] = (1.0,)

    @property
    def lead(self) -> FittedField:
        """The model with a field that is believed most."""
        fields = [bool(fit.hyper.spread) for fit in self.fits]
        return self.fits[int(np.argmax(np.where(fields, self.shares, 0.0)))]

    @property
    def whole(self) -> FittedField:
        """The model with a field and all covariates, of the lead's pattern."""
        return next(fit for fit in self.fits if fit.pattern == self.lead.pattern)

    def chance_of(self, column: int) -> float:
        """Return how likely it is, by the shares, that this column of the basis has an effect."""
        return sum(share for fit, share in zip(self.fits, self.shares, strict=True) if fit.used[column])

    @property
    def patchy(self) -> MixedField:
        """The models with a field alone, their shares among themselves; all where none has one."""
        return self._among([bool(fit.hyper.spread) for fit in self.fits])

    @property
    def alone(self) -> MixedField:
        """The models without an earlier visit's samples, their shares among themselves."""
        return self._among([fit.pattern == "own" for fit in self.fits])

    @property
    def same_pattern(self) -> float:
        """How likely it is, by the shares, that an earlier visit's samples lie under the same field."""
        return sum(share for fit, share in zip(self.fits, self.shares, strict=True) if fit.pattern == "same")

    def _among(self, wanted: Sequence[bool]) -> MixedField:
        if all(wanted) or not any(wanted):
            return self
        fits = tuple(fit for fit, one in zip(self.fits, wanted, strict=True) if one)
        shares = np.array(self.shares)[list(wanted)]
        # Models that are all but ruled out keep their order by evidence: a share never falls to nothing.
        shares = np.maximum(shares, np.finfo(float).tiny)
        return MixedField(fits, tuple((shares / shares.sum()).tolist()))

    @property
    def believed(self) -> list[tuple[FittedField, float]]:
        """The fields to predict from with their shares, adding up to 1."""
        found = [(fit, share) for fit, share in zip(self.fits, self.shares, strict=True) if share >= LEAST_BELIEF]
        total = sum(share for _, share in found)
        return [(fit, share / total) for fit, share in found]


def log_prior(log_hyper: np.ndarray, priors: Priors) -> tuple[np.ndarray, np.ndarray]:
    """Return the log prior densities of log spread, log range and log k, and their slopes, each of shape (3,).

    Notes
    -----
    Spread ~ exponential; range density proportional to range⁻² exp(-rate / range); log k normal (``FIELD``), without
    its constant, which every model of the counts has. The first two are taken as densities of the logs, so that the
    mode is not drawn to a flat field for want of counts.
    """
    spread, range_m = np.exp(log_hyper[:2])
    spread_rate = -math.log(0.05) / priors.spread_tail
    range_rate = -math.log(0.05) * priors.range_tail_m
    heights = [
        math.log(spread_rate) + log_hyper[0] - spread_rate * spread,
        math.log(range_rate) - log_hyper[1] - range_rate / range_m,
        float(FIELD.prior.log_density(log_hyper[2])),
    ]
    return np.array(heights), np.array(
        [1 - spread_rate * spread, range_rate / range_m - 1, FIELD.prior.slope(log_hyper[2])]
    )


def evidence(
    sites: Sites,
    log_hyper: np.ndarray,
    *,
    start: np.ndarray | None = None,
    distance_m: np.ndarray | None = None,
) -> tuple[float, np.ndarray, np.ndarray]:
    """Return Laplace's log marginal likelihood, its gradient in (log spread, log range, log k), and the mode's pull.

    References
    ----------
    Rasmussen & Williams 2006, algorithm 5.1.
    """
    hyper = Hyper(*np.exp(log_hyper))
    distance_m = cdist(sites.places, sites.places) if distance_m is None else distance_m
    by_spread = hyper.covary_at(distance_m)
    covariance = by_spread + sites.basis @ sites.basis.T
    covariance[np.diag_indices_from(covariance)] += JITTER
    mode = find_mode(covariance, sites.count, sites.offset, hyper.k, start=start)
    precision = mode.precision()
    expected = expect(mode.eta + sites.offset)
    slope = slopes(sites.count, expected, hyper.k)
    variance = posterior_variance(slope.weight, np.diag(precision))
    by_mode = -0.5 * variance * slope.weight_slope
    by_k = slopes_in_log_k(sites.count, expected, hyper.k)

    def through_mode(push: np.ndarray) -> float:
        return float(by_mode @ (push - covariance @ (precision @ push)))

    by_range = by_spread * distance_m
    gradient = [
        scale
        * (
            0.5 * mode.pull @ (slope_in @ mode.pull)
            - 0.5 * np.vdot(precision, slope_in)
            + through_mode(slope_in @ mode.pull)
        )
        for slope_in, scale in ((by_spread, 2.0), (by_range, 3.0 / hyper.range_m))
    ]
    gradient.append(by_k.first.sum() - 0.5 * variance @ by_k.weight + through_mode(covariance @ by_k.weight_slope))
    return mode.evidence, np.array(gradient), mode.pull


def posterior_variance(weight: np.ndarray, precision: np.ndarray) -> np.ndarray:
    """Return the posterior variance at the samples from the likelihood's curvature W and the diagonal of R.

    Notes
    -----
    R is the inverse of K + W⁻¹, so K - K R K = W⁻¹ - W⁻¹ R W⁻¹: its diagonal needs no product of matrices.
    """
    weight = np.maximum(weight, 1e-12)
    return np.asarray(np.maximum(1 - precision / weight, 0.0) / weight)


def fit_hyper(sites: Sites, priors: Priors, *, given: Given = FREE, start: Hyper | None = None) -> Hyper:
    """Return the most likely spread, range and k; those that are given stay as they are.

    Notes
    -----
    One start is enough: with these priors, three starts far apart met in one place in every simulated survey tried
    (119 of 30 to 120 samples).
    """
    if None not in given:
        return Hyper(*cast("tuple[float, float, float]", given))
    distance_m = cdist(sites.places, sites.places)
    pull = None  # the last mode, for the next to start from

    def cost(log_hyper: np.ndarray) -> tuple[float, np.ndarray]:
        nonlocal pull
        value, gradient, pull = evidence(sites, log_hyper, start=pull, distance_m=distance_m)
        prior, prior_gradient = log_prior(log_hyper, priors)
        return -(value + float(prior.sum())), -(gradient + prior_gradient)

    bounds = [tuple(np.log(pair if own is None else (own, own))) for pair, own in zip(BOUNDS, given, strict=True)]
    usual = START if start is None else (start.spread, start.range_m, start.k)
    first = [one if own is None else own for one, own in zip(usual, given, strict=True)]
    threads = 1 if len(sites.count) < _FEW_SAMPLES else None
    with threadpool_limits(threads, user_api="blas"):
        found = minimize(cast("Any", cost), np.log(first), jac=True, method="L-BFGS-B", bounds=bounds)
    fitted = np.exp(found.x)
    return Hyper(*(float(value) if own is None else own for value, own in zip(fitted, given, strict=True)))


def integrate_evidence(fitted: FittedField, priors: Priors, *, given: Given = FREE) -> float:
    """Return the log probability of the counts with the fitted hyper-parameters, not those given, integrated out.

    Notes
    -----
    Laplace's approximation around the most likely ones, in their logs, with the curvature by differences of the
    gradient. No curvature below that of k's prior is believed: at a bound, and far out, the counts say nothing of it.
    """
    free = np.array([own is None for own in given])
    if not free.any():
        return fitted.evidence
    at = np.log(astuple(fitted.hyper))
    distance_m = cdist(fitted.sites.places, fitted.sites.places)

    def slope(log_hyper: np.ndarray) -> np.ndarray:
        _, gradient, _ = evidence(fitted.sites, log_hyper, start=fitted.pull, distance_m=distance_m)
        return np.asarray(gradient + log_prior(log_hyper, priors)[1])

    here = slope(at)
    curvature = np.array([(here - slope(at + step)) / _NUDGE for step in _NUDGE * np.eye(3)[free]])[:, free]
    height = fitted.evidence + float(log_prior(at, priors)[0][free].sum())
    return height + _spread_out(np.linalg.eigvalsh((curvature + curvature.T) / 2))


def _spread_out(curvatures: np.ndarray) -> float:
    """Return the log of the integral over a normal peak of height 1 with these curvatures, log k's prior's at least."""
    return float(0.5 * np.log(2 * np.pi / np.maximum(curvatures, FIELD.prior.sd**-2)).sum())


def settle_effects(sites: Sites, k: float) -> tuple[np.ndarray, float]:
    """Return the covariates' most likely effects where there is no field, and Laplace's log marginal likelihood.

    Parameters
    ----------
    sites : Sites
        The counted samples.
    k : float
        Of the negative binomial.

    Returns
    -------
    effects : ndarray, shape (p,)
        In prior spreads.
    evidence : float
        As ``evidence`` gives it for a spread of 0, in a matrix of the covariates' size.
    """
    effects = np.zeros(sites.basis.shape[1])

    def look(there: np.ndarray) -> tuple[float, np.ndarray]:
        expected = expect(sites.basis @ there + sites.offset)
        return float(log_pmf(sites.count, expected, k).sum() - 0.5 * there @ there), expected

    height, expected = look(effects)
    for _ in range(_MOST_STEPS):
        slope = slopes(sites.count, expected, k)
        inner = np.eye(len(effects)) + (sites.basis.T * slope.weight) @ sites.basis
        step = np.linalg.solve(inner, sites.basis.T @ slope.first - effects)
        share = 1.0
        while (found := look(effects + share * step))[0] < height and share > _LEAST_SHARE:
            share /= 2
        gained = found[0] - height
        if gained < _SETTLED * (1 + abs(height)):
            break
        effects, (height, expected) = effects + share * step, found
    return effects, height - float(np.linalg.slogdet(inner)[1]) / 2


def fit_even(sites: Sites, k: float | None = None) -> tuple[float, float]:
    """Return the most likely k where there is no field, and the log probability of the counts, k integrated out.

    A k that is given stays as it is.
    """
    if k is not None:
        return k, settle_effects(sites, k)[1]

    def height(log_k: float) -> float:
        return settle_effects(sites, math.exp(log_k))[1] + float(FIELD.prior.log_density(log_k))

    best = minimize_scalar(
        lambda log_k: -height(log_k), bounds=FIELD.log_bounds, method="bounded", options={"xatol": 1e-3}
    )
    top, wide = height(best.x), 0.1
    curvature = (2 * top - height(best.x - wide) - height(best.x + wide)) / wide**2
    return math.exp(best.x), top + _spread_out(np.array([curvature]))


def fit_counts(
    sites: Sites,
    priors: Priors,
    *,
    given: Given = FREE,
    doubtful: Sequence[int] = (),
    allow_even: bool = False,
    earlier: int | None = None,
) -> MixedField:
    """Return the latent field with the hyper-parameters fitted to the counts, but for those that are given.

    Parameters
    ----------
    sites : Sites
        The counted samples.
    priors : Priors
        Of spread and range.
    given : tuple of float or None
        Spread, range and k where they are known.
    doubtful : sequence of int
        Columns of the basis that may have no effect at all: the field is fitted with and without each.
    allow_even : bool
        Whether there may be no field at all, only the covariates' effects; not where the spread is given.
    earlier : int, optional
        Column of the basis that is 0 but for samples of an earlier visit, whose own level it is. They are left out,
        or lie under another field or the same: models of each ``Pattern`` are fitted.

    Notes
    -----
    Each of the models, all as likely before the counts, is believed by its evidence, its hyper-parameters integrated
    out. The fields stand first, those without one after them, in the same order, pattern by pattern; an earlier visit's
    samples stand last. That both visits have a pattern of one kind is no sign that they have the same one: hence the
    models with another field of the same spread and range. Where the earlier samples are left out, their evidence is
    that of models of their own, with a k of their own: one prior more, whose constant counts here.
    """
    ask: _Ask = (priors, given, tuple(doubtful), allow_even)
    before = np.zeros(len(sites.count), dtype=bool) if earlier is None else sites.basis[:, earlier] != 0
    every = np.ones(sites.basis.shape[1], dtype=bool)
    if earlier is None or not before.any():
        fits, logs = _fit_models(sites, ask, every, weigh=False)
        return MixedField(tuple(fits), _share_out(logs))
    alone = np.arange(len(every)) != earlier
    fits, logs = _fit_models(sites.take(np.flatnonzero(~before)), ask, alone)
    apart = _sum_logs(_fit_models(sites.take(np.flatnonzero(before)), ask, alone)[1])
    apart -= math.log(math.sqrt(2 * math.pi) * FIELD.prior.sd) if given[2] is None else 0.0
    logs = [one + apart for one in logs]
    both = sites.take(np.argsort(before, kind="stable"))
    patterns: tuple[tuple[Pattern, bool], ...] = (("another", allow_even), ("same", False))
    for pattern, even in patterns:
        asked = (priors, given, tuple(doubtful), even)
        found = _fit_models(both.of_pattern(pattern, earlier), asked, every, start=fits[0].hyper, pattern=pattern)
        fits, logs = [*fits, *found[0]], [*logs, *found[1]]
    return MixedField(tuple(fits), _share_out(logs))


_Ask = tuple[Priors, Given, tuple[int, ...], bool]


def _fit_models(
    sites: Sites,
    ask: _Ask,
    used: np.ndarray,
    *,
    start: Hyper | None = None,
    weigh: bool = True,
    pattern: Pattern = "own",
) -> tuple[list[FittedField], list[float]]:
    """Return the models of one set of samples, fields first, with the log of each one's evidence."""
    priors, given, doubtful, allow_even = ask
    sets = []
    for chosen in product((True, False), repeat=len(doubtful)):
        sets.append(used.copy())
        sets[-1][list(doubtful)] = chosen
    even = sets if allow_even and given[0] is None else []
    fits: list[FittedField] = []
    logs: list[float] = []
    for own in sets:
        hyper = fit_hyper(
            replace(sites, basis=sites.basis * own), priors, given=given, start=fits[0].hyper if fits else start
        )
        fits.append(fit_field(sites, hyper, start=fits[0].pull if fits else None, used=own, pattern=pattern))
        weighed = weigh or len(sets) + len(even) > 1
        logs.append(integrate_evidence(fits[-1], priors, given=given) if weighed else 0.0)
    for own in even:
        k, height = fit_even(replace(sites, basis=sites.basis * own), given[2])
        fits.append(fit_field(sites, Hyper(0.0, fits[0].hyper.range_m, k), used=own, pattern=pattern))
        logs.append(height)
    return fits, logs


def _share_out(logs: Sequence[float]) -> tuple[float, ...]:
    shares = np.exp(np.array(logs) - max(logs))
    return tuple((shares / shares.sum()).tolist())


def _sum_logs(logs: Sequence[float]) -> float:
    return max(logs) + math.log(sum(math.exp(one - max(logs)) for one in logs))


@dataclass(frozen=True, slots=True)
class _Ready:
    """The fitted field made ready: copies around a near origin, and the covariates' small products."""

    origin: np.ndarray
    places: np.ndarray
    variance: float
    rate: float
    reach_m: float
    pull: np.ndarray
    root: np.ndarray
    precision: np.ndarray
    level: np.ndarray
    cross: np.ndarray
    inner: np.ndarray


class Latent(NamedTuple):
    """Mean and spread of the latent field at places, of all models and of those with a field alone, each of shape (m,).

    Ground can be called even on the whole without every spot of it being so: whether a spot is above a threshold is
    asked of all models, how far its density may lie from the mean of those with a field.
    """

    mean: np.ndarray
    spread: np.ndarray
    patchy_mean: np.ndarray
    patchy_spread: np.ndarray

    def shift(self, by: float) -> Latent:
        """Return the same with that much added to the means."""
        return Latent(self.mean + by, self.spread, self.patchy_mean + by, self.patchy_spread)


def predict_latent(fitted: MixedField, places: np.ndarray, basis: np.ndarray, *, precise: bool = False) -> Latent:
    """Return means and spreads of the latent field at places.

    Parameters
    ----------
    places : ndarray, shape (m, 2)
        Easting and northing, m.
    basis : ndarray, shape (m, p)
        The samples' covariates at these places, multiplied by their prior spreads.
    precise : bool
        In double precision, from all the samples. Otherwise the field, not the covariates whose vague priors are large
        numbers that cancel, is worked out in single precision from the samples near enough to matter: five figures,
        and several times as fast.

    Notes
    -----
    mean = k' a and variance = k** - k' R k, k the prior covariance with the samples. With k = c + Z b (field and
    covariates), k' R k = c' R c + 2 b' Z' R c + b' Z' R Z b. In single precision blocks of places are
    shared among threads. Of several models, mean and variance of their mixture.
    """
    mixtures = (fitted.believed, fitted.patchy.believed)
    needed = {id(fit): fit for mixture in mixtures for fit, _ in mixture}
    found = {name: _predict_field(fit, places, basis * fit.used, precise=precise) for name, fit in needed.items()}
    told: list[np.ndarray] = []
    for mixture in mixtures:
        parts = [(share, *found[id(fit)]) for fit, share in mixture]
        mean = np.asarray(sum(share * own for share, own, _ in parts))
        variance = sum(share * (own + (middle - mean) ** 2) for share, middle, own in parts)
        told += [mean, np.sqrt(np.maximum(variance, _LEAST_VARIANCE))]
    return Latent(*told)


def predict_log(
    fitted: MixedField, places: np.ndarray, basis: np.ndarray, *, precise: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and standard deviation of the latent field at places by all models, as ``predict_latent`` does."""
    found = predict_latent(fitted, places, basis, precise=precise)
    return found.mean, found.spread


def _predict_field(
    fitted: FittedField, places: np.ndarray, basis: np.ndarray, *, precise: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and variance of one field at places."""
    ready = _make_ready(fitted, np.float64 if precise else np.float32)
    mean, variance = np.empty(len(places)), np.empty(len(places))
    blocks = list(split_blocks(places))

    def fill(block: np.ndarray) -> None:
        mean[block], variance[block] = _predict_block(ready, places[block], basis[block])

    if precise:
        for block in blocks:
            fill(block)
    else:
        with threadpool_limits(1, user_api="blas"):
            map_threads(fill, blocks)
    return mean, variance


def split_blocks(places: np.ndarray, most: int = _BLOCK) -> Iterator[np.ndarray]:
    """Yield index arrays of compact blocks of places, each halved along its longer side until small enough.

    Examples
    --------
    >>> places = np.column_stack([np.arange(8.0), np.zeros(8)])
    >>> [sorted(block.tolist()) for block in split_blocks(places, 4)]
    [[0, 1, 2, 3], [4, 5, 6, 7]]
    """
    waiting = [np.arange(len(places))] if len(places) else []
    while waiting:
        block = waiting.pop()
        if len(block) <= most:
            yield block
            continue
        here = places[block]
        along = int(np.argmax(np.ptp(here, axis=0)))
        order = np.argpartition(here[:, along], len(block) // 2)
        waiting += [block[order[len(block) // 2 :]], block[order[: len(block) // 2]]]


def _make_ready(fitted: FittedField, kind: type[np.floating[Any]]) -> _Ready:
    sites, hyper = fitted.sites, fitted.hyper
    origin = sites.places.mean(axis=0)
    weighted = fitted.precision @ sites.basis
    length_m = hyper.range_m / 3
    reach_m = -np.log(_FORGOTTEN) * length_m if kind is np.float32 else math.inf
    reach_m = reach_m if hyper.spread else -1.0  # without a field no sample is near
    return _Ready(
        origin,
        (sites.places - origin).astype(kind),
        hyper.spread**2,
        1 / length_m,
        reach_m,
        fitted.pull.astype(kind),
        fitted.root.astype(kind),
        fitted.precision.astype(kind),
        sites.basis.T @ fitted.pull,
        weighted.astype(kind),
        sites.basis.T @ weighted,
    )


def _predict_block(ready: _Ready, places: np.ndarray, basis: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    here = (places - ready.origin).astype(ready.places.dtype)
    low, high = here.min(axis=0), here.max(axis=0)
    away = np.maximum(np.maximum(low - ready.places, ready.places - high), 0)
    near = np.flatnonzero(reduce(np.hypot, away.T) <= ready.reach_m)
    covariance = _covary(ready, here, ready.places[near])
    mean = covariance @ ready.pull[near] + basis @ ready.level
    told = 2 * np.einsum("ij,ij->i", basis, covariance @ ready.cross[near])
    told += np.einsum("ij,ij->i", basis @ ready.inner, basis)
    told += _reduce(ready, covariance, near)
    prior = ready.variance + np.einsum("ij,ij->i", basis, basis)
    return mean, prior - told


def _reduce(ready: _Ready, covariance: np.ndarray, near: np.ndarray) -> np.ndarray:
    """Return c' R c for every place; with all samples near by R's triangular root, which is half the work."""
    if len(near) == len(ready.places):
        (trmm,) = get_blas_funcs(("trmm",), (ready.root,))
        rooted = trmm(1.0, ready.root, covariance.T, lower=1, overwrite_b=1)
        return np.asarray(np.einsum("ij,ij->j", rooted, rooted))
    return np.asarray(np.einsum("ij,ij->i", covariance @ ready.precision[np.ix_(near, near)], covariance))


def _covary(ready: _Ready, here: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Return the field's covariance between places and samples, in place: one array of each block's size."""
    square = np.zeros((len(here), len(places)), dtype=here.dtype)
    for own, other in zip(here.T, places.T, strict=True):
        away = np.subtract.outer(own, other)
        np.multiply(away, away, out=away)
        square += away
    np.sqrt(square, out=square)
    square *= here.dtype.type(-ready.rate)
    np.exp(square, out=square)
    square *= here.dtype.type(ready.variance)
    return square


def predict_jointly(fitted: MixedField, places: np.ndarray, basis: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the latent mean at places, shape (m,), and its posterior covariance K** - K* R K*', shape (m, m).

    Notes
    -----
    For some hundreds of places; ``predict_log`` gives means and spreads of any number. Of several fields, mean and
    covariance of their mixture.
    """
    found = [(share, *_predict_together(fit, places, basis * fit.used)) for fit, share in fitted.believed]
    mean = np.asarray(sum(share * own for share, own, _ in found))
    covariance = sum(share * (own + np.outer(middle - mean, middle - mean)) for share, middle, own in found)
    covariance = np.asarray(covariance)
    covariance[np.diag_indices_from(covariance)] += JITTER
    return mean, covariance


def _predict_together(fitted: FittedField, places: np.ndarray, basis: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    cross = fitted.hyper.covary(places, fitted.sites.places) + basis @ fitted.sites.basis.T
    covariance = fitted.hyper.covary(places, places) + basis @ basis.T - cross @ fitted.precision @ cross.T
    return np.asarray(cross @ fitted.pull), np.asarray(covariance)


def draw_log(
    fitted: MixedField, places: np.ndarray, basis: np.ndarray, rng: np.random.Generator, draws: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return the latent mean at places, shape (m,), and joint draws around it, shape (draws, m)."""
    mean, covariance = predict_jointly(fitted, places, basis)
    factor = cholesky(covariance, lower=True, check_finite=False)
    return mean, np.asarray(rng.standard_normal((draws, len(places))) @ factor.T)


@dataclass(frozen=True, slots=True)
class Predictive:
    """Predictive distributions of counts: negative binomials mixed over nodes of the log expectation.

    Parameters
    ----------
    expected : ndarray, shape (n, nodes)
        Expectations mixed over.
    share : ndarray, shape (nodes,)
        Weight of each node, adding up to 1.
    k : float or ndarray, shape (nodes,)
        Of the negative binomials.
    """

    expected: np.ndarray
    share: np.ndarray
    k: float | np.ndarray

    def log_score(self, count: np.ndarray) -> np.ndarray:
        """Return -log p(count), shape (n,)."""
        logs = log_pmf(count[:, None], self.expected, self.k)
        most = logs.max(axis=1, keepdims=True)
        return np.asarray(-(most[:, 0] + np.log(np.exp(logs - most) @ self.share)))

    def cdf(self, count: np.ndarray) -> np.ndarray:
        """Return P(Y <= count), shape (n,); 0 below 0."""
        return np.asarray(cdf(count[:, None], self.expected, self.k) @ self.share)


def mix_lognormal(mean: np.ndarray, spread: np.ndarray, offset: np.ndarray, k: float) -> Predictive:
    """Return the predictive distributions of counts whose log expectation is normal, by Gauss-Hermite nodes."""
    return Predictive(expect(mean[:, None] + spread[:, None] * _NODES + offset[:, None]), _WEIGHTS, k)


def foretell(fitted: MixedField, places: np.ndarray, basis: np.ndarray, offset: np.ndarray) -> Predictive:
    """Return the predictive distributions of counts at places; ``offset`` as in ``Sites``."""
    parts = []
    for fit, share in fitted.believed:
        mean, variance = _predict_field(fit, places, basis * fit.used, precise=True)
        spread = np.sqrt(np.maximum(variance, _LEAST_VARIANCE))
        parts.append((mix_lognormal(mean, spread, offset, fit.hyper.k), share))
    return mix_foretold(parts)


def mix_foretold(parts: Sequence[tuple[Predictive, float]]) -> Predictive:
    """Return the mixture of predictive distributions of the same counts, each with its share."""
    return Predictive(
        np.hstack([part.expected for part, _ in parts]),
        np.concatenate([share * part.share for part, share in parts]),
        np.concatenate([np.broadcast_to(part.k, part.share.shape) for part, _ in parts]),
    )


def leave_one_out(fitted: FittedField) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and spread of each sample's latent value given all the other samples, hyper-parameters kept.

    Notes
    -----
    Laplace's approximation puts a normal site of precision W at each sample; taking one away leaves the cavity
    (Rasmussen & Williams 2006, equations 3.56 applied to Laplace sites).
    """
    sites, k = fitted.sites, fitted.hyper.k
    slope = slopes(sites.count, expect(fitted.eta + sites.offset), k)
    # The cavity variance from R alone: 1/R_ii - 1/W_ii, as for a Gaussian process with noise 1/W.
    weight = np.maximum(slope.weight, 1e-12)
    diagonal = np.maximum(np.diag(fitted.precision), 1e-300)
    variance = np.maximum(1 / diagonal - 1 / weight, 1e-12)
    target = fitted.eta + slope.first / weight
    # The sites' own residual weights: R (target) equals the pull at the mode.
    return np.asarray(target - fitted.pull / diagonal), np.sqrt(variance)
