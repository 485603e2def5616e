"""What the fitted field says of other places, quickly: near samples only, in single precision where that is safe.

The exponential covariance with the samples is worked out in blocks of neighbouring places, from the samples near
enough to matter. Covariate effects, whose vague priors are large numbers that cancel, stay in double precision.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.linalg.blas import strmm
from threadpoolctl import threadpool_limits

from geosample.density.field import FittedField
from geosample.workers import map_threads

_BLOCK = 1024
_FORGOTTEN = 1e-6
"""A correlation this small is taken as none."""
_LEAST_VARIANCE = 1e-12


@dataclass(frozen=True, slots=True)
class _Ready:
    """The fitted field made ready: single-precision copies around a near origin, and the covariates' small products."""

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


def predict_log(fitted: FittedField, places: np.ndarray, basis: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and standard deviation of the latent field at places, each of shape (m,).

    Parameters
    ----------
    places : ndarray, shape (m, 2)
        Easting and northing, m.
    basis : ndarray, shape (m, p)
        The samples' covariates at these places, multiplied by their prior spreads.

    Notes
    -----
    mean = k' a and variance = k** - k' R k, k the prior covariance with the samples. With k = c + Z b (field and
    covariates), k' R k = c' R c + 2 b' Z' R c + b' Z' R Z b. Blocks of places are shared among threads.
    """
    ready = _make_ready(fitted)
    mean, variance = np.empty(len(places)), np.empty(len(places))
    blocks = list(split_blocks(places))

    def fill(block: np.ndarray) -> None:
        mean[block], variance[block] = _predict_block(ready, places[block], basis[block])

    with threadpool_limits(1, user_api="blas"):
        map_threads(fill, blocks)
    return mean, np.sqrt(np.maximum(variance, _LEAST_VARIANCE))


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


def _make_ready(fitted: FittedField) -> _Ready:
    sites, hyper = fitted.sites, fitted.hyper
    origin = sites.places.mean(axis=0)
    weighted = fitted.precision @ sites.basis
    length_m = hyper.range_m / 3
    return _Ready(
        origin,
        (sites.places - origin).astype(np.float32),
        hyper.spread**2,
        1 / length_m,
        -np.log(_FORGOTTEN) * length_m,
        fitted.pull.astype(np.float32),
        fitted.root.astype(np.float32),
        fitted.precision.astype(np.float32),
        sites.basis.T @ fitted.pull,
        weighted.astype(np.float32),
        sites.basis.T @ weighted,
    )


def _predict_block(ready: _Ready, places: np.ndarray, basis: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    here = (places - ready.origin).astype(np.float32)
    low, high = here.min(axis=0), here.max(axis=0)
    away = np.maximum(np.maximum(low - ready.places, ready.places - high), 0)
    near = np.flatnonzero(np.hypot(away[:, 0], away[:, 1]) <= ready.reach_m)
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
        rooted = strmm(1.0, ready.root, covariance.T, lower=1, overwrite_b=1)
        return np.asarray(np.einsum("ij,ij->j", rooted, rooted))
    return np.asarray(np.einsum("ij,ij->i", covariance @ ready.precision[np.ix_(near, near)], covariance))


def _covary(ready: _Ready, here: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Return the field's covariance between places and samples, in place: one array of each block's size."""
    square = np.subtract.outer(here[:, 0], places[:, 0])
    other = np.subtract.outer(here[:, 1], places[:, 1])
    np.multiply(square, square, out=square)
    np.multiply(other, other, out=other)
    square += other
    np.sqrt(square, out=square)
    square *= np.float32(-ready.rate)
    np.exp(square, out=square)
    square *= np.float32(ready.variance)
    return np.asarray(square)
