"""CountField: counts at places as an estimator by scikit-learn's conventions.

This module alone needs scikit-learn, which takes half a second to load: import it where it is used.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import check_array, check_is_fitted, validate_data

from geosample.density.laplace import Latent, MixedField, Priors, Sites, fit_counts, foretell, predict_latent

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


class CountField(RegressorMixin, BaseEstimator):  # type: ignore[misc] # scikit-learn has no types
    """Density of counted things over places, from counts with their effort.

    Counts are negative binomial around effort times a density; the log density is a Gaussian field with exponential
    covariance, plus a level and covariates whose effects have normal priors around 0. Laplace's approximation, at the
    most likely spread, range and k.

    Parameters
    ----------
    spread, range_m, k : float, optional
        Standard deviation of the log density from place to place, practical range in m (correlation 0.05), and k of
        the counts; each is fitted where it is None. A spread of 0 is one density for all places and needs the other
        two.
    level_sd : float
        Prior spread of the overall log density around the log of the pooled one.
    covariate_sds : array_like, shape (p,), optional
        Prior spread of each covariate's effect on the log density; 1 each when None.
    doubtful : sequence of int
        Covariates that may have no effect at all: the field is fitted with and without each, and every such model is
        believed by its evidence.
    allow_even : bool
        Whether there may be no field at all, only one level and the covariates' effects: such models are fitted too,
        and believed by their evidence. Not where the spread is given.
    earlier : int, optional
        Covariate that is 1 for counts of an earlier visit and 0 for all others: its effect is that visit's own level.
        Those counts are left out, or lie under another field like the others', or under the same: models of each kind
        are fitted, and believed by their evidence. What is predicted, at 0, is of the others' visit.
    spread_tail, range_tail_m : float
        P(spread > spread_tail) = P(range < range_tail_m) = 0.05.
    precise : bool
        Whether ``predict`` works in double precision from all the samples; otherwise five figures, several times as
        fast, for hundreds of thousands of places.

    Attributes
    ----------
    spread_, range_m_, k_ : float
        As fitted or given; of the model with a field that is believed most.
    rate_ : float
        Pooled density: all counts over all effort, an earlier visit's left out; half a count where there is none.
    log_evidence_ : float
        Laplace's log marginal likelihood.
    field_ : MixedField
        The field given the counts, or the models with their shares of belief.
    n_features_in_ : int
        Coordinates of a place.

    Notes
    -----
    In cross-validation exposure and covariates are routed as scikit-learn's metadata: ``set_fit_request``,
    ``set_score_request``. The prior of the range is that of two dimensions. Counts need not be whole: the probability
    is then a density of the same form.

    References
    ----------
    Rasmussen & Williams 2006, algorithms 3.1, 3.2, 5.1; Fuglstad, Simpson, Lindgren & Rue 2019 (priors).

    Examples
    --------
    >>> places, counts = [[0.0, 0.0], [10.0, 0.0], [60.0, 0.0], [70.0, 0.0]], [9, 7, 0, 1]
    >>> field = CountField(spread=1.0, range_m=40.0, k=2.0).fit(places, counts, exposure=[2.0, 2.0, 2.0, 2.0])
    >>> field.predict([[5.0, 0.0], [65.0, 0.0]]).round(1).tolist()
    [3.8, 1.1]
    """

    def __init__(  # noqa: PLR0913 - scikit-learn reads parameters from it
        self,
        *,
        spread: float | None = None,
        range_m: float | None = None,
        k: float | None = None,
        level_sd: float = 4.0,
        covariate_sds: ArrayLike | None = None,
        doubtful: Sequence[int] = (),
        allow_even: bool = False,
        earlier: int | None = None,
        spread_tail: float = 4.0,
        range_tail_m: float = 8.0,
        precise: bool = True,
    ) -> None:
        self.spread = spread
        self.range_m = range_m
        self.k = k
        self.level_sd = level_sd
        self.covariate_sds = covariate_sds
        self.doubtful = doubtful
        self.allow_even = allow_even
        self.earlier = earlier
        self.spread_tail = spread_tail
        self.range_tail_m = range_tail_m
        self.precise = precise

    def fit(
        self,
        X: ArrayLike,  # noqa: N803 - scikit-learn's name
        y: ArrayLike,
        exposure: ArrayLike | None = None,
        covariates: ArrayLike | None = None,
    ) -> Self:
        """Fit spread, range and k, where they are not given, and the field to counts.

        Parameters
        ----------
        X : array_like, shape (n, 2)
            Easting and northing, m.
        y : array_like, shape (n,)
            Counts, 0 or more.
        exposure : array_like, shape (n,), optional
            Effort behind each count, such as m² of turf; 1 each when None.
        covariates : array_like, shape (n, p), optional
            What may shift the log density.

        Returns
        -------
        CountField
            Itself.

        Raises
        ------
        ValueError
            When a count is negative, an exposure not above 0, a given number out of its range, or shapes disagree.
        """
        places, count = validate_data(self, X, y, dtype=np.float64, y_numeric=True)
        count = np.asarray(count, dtype=np.float64)
        if (count < 0).any():
            message = f"counts must be 0 or more; the least is {count.min():g}"
            raise ValueError(message)
        effort = _read_exposure(exposure, len(count))
        columns = 0 if covariates is None else np.shape(covariates)[-1]
        basis = self._weigh(covariates, len(count), columns)
        before = np.zeros(len(count), dtype=bool) if self.earlier is None else basis[:, 1 + self.earlier] != 0
        if before.all():
            message = "all counts are of the earlier visit"
            raise ValueError(message)
        self.rate_ = _pool(count[~before], effort[~before])
        then = _pool(count[before], effort[before]) if before.any() else self.rate_
        sites = Sites(places, basis, count, np.log(effort * np.where(before, then, self.rate_)))
        priors = Priors(self.spread_tail, self.range_tail_m)
        doubtful = [1 + column for column in self.doubtful]  # the level stands first
        self.field_: MixedField = fit_counts(
            sites,
            priors,
            given=self._given(),
            doubtful=doubtful,
            allow_even=self.allow_even,
            earlier=None if self.earlier is None else 1 + self.earlier,
        )
        hyper = self.field_.lead.hyper
        self.spread_, self.range_m_, self.k_ = hyper.spread, hyper.range_m, hyper.k
        self.log_evidence_ = self.field_.lead.evidence
        return self

    def predict(
        self,
        X: ArrayLike,  # noqa: N803
        return_std: bool = False,
        covariates: ArrayLike | None = None,
    ) -> np.ndarray | tuple[np.ndarray, np.ndarray]:
        """Return the expected density at places: counts per unit of exposure, shape (m,).

        Parameters
        ----------
        X : array_like, shape (m, 2)
            Easting and northing, m.
        return_std : bool
            Whether the density's standard deviation given the counts is returned beside it, shape (m,).
        covariates : array_like, shape (m, p), optional
            As fitted with.
        """
        log_mean, spread = self.predict_log(X, covariates)
        mean = np.exp(log_mean + spread**2 / 2)
        return (mean, mean * np.sqrt(np.expm1(spread**2))) if return_std else mean

    def predict_log(
        self,
        X: ArrayLike,  # noqa: N803
        covariates: ArrayLike | None = None,
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return mean and standard deviation of the log density at places, which is normal, each of shape (m,).

        Parameters
        ----------
        X, covariates
            As for ``predict``.
        """
        found = self.predict_latent(X, covariates)
        return found.mean, found.spread

    def predict_latent(
        self,
        X: ArrayLike,  # noqa: N803
        covariates: ArrayLike | None = None,
    ) -> Latent:
        """Return mean and standard deviation of the log density by all models, and by those with a field alone.

        Parameters
        ----------
        X, covariates
            As for ``predict``.
        """
        places, basis = self._look_at(X, covariates)
        return predict_latent(self.field_, places, basis, precise=self.precise).shift(float(np.log(self.rate_)))

    def score(
        self,
        X: ArrayLike,  # noqa: N803
        y: ArrayLike,
        exposure: ArrayLike | None = None,
        covariates: ArrayLike | None = None,
    ) -> float:
        """Return the mean log predictive probability of counts, in nats; higher is better, and 0 is the most.

        Parameters
        ----------
        X, y, exposure, covariates
            As for ``fit``.
        """
        places, basis = self._look_at(X, covariates)
        count = np.asarray(check_array(y, ensure_2d=False, dtype=np.float64)).ravel()
        offset = np.log(_read_exposure(exposure, len(count)) * self.rate_)
        return -float(foretell(self.field_, places, basis, offset).log_score(count).mean())

    def __sklearn_tags__(self) -> Any:
        """Return what scikit-learn's own checks should know: counts are not negative, and the score is no R²."""
        tags = super().__sklearn_tags__()
        tags.target_tags.positive_only = True
        tags.regressor_tags.poor_score = True
        return tags

    def _given(self) -> tuple[float | None, float | None, float | None]:
        given = (self.spread, self.range_m, self.k)
        least = 0.0 if None not in given else np.nextafter(0, 1)
        if any(own is not None and not (np.isfinite(own) and own > 0) for own in given[1:]) or (
            given[0] is not None and not (np.isfinite(given[0]) and given[0] >= least)
        ):
            message = f"spread, range_m and k must be above 0 (a spread of 0 needs the other two); found {given}"
            raise ValueError(message)
        return given

    def _look_at(self, places: ArrayLike, covariates: ArrayLike | None) -> tuple[np.ndarray, np.ndarray]:
        """Return places to predict and their covariates as the fitted field takes them."""
        check_is_fitted(self)
        there = validate_data(self, places, dtype=np.float64, reset=False)
        return there, self._weigh(covariates, len(there), self.field_.lead.sites.basis.shape[1] - 1)

    def _weigh(self, covariates: ArrayLike | None, number: int, columns: int) -> np.ndarray:
        """Return level and covariates times their prior spreads, shape (number, columns + 1)."""
        told = (
            np.zeros((number, 0))
            if covariates is None
            else check_array(covariates, dtype=np.float64, ensure_min_features=0)
        )
        sds = np.ones(columns) if self.covariate_sds is None else np.asarray(self.covariate_sds, dtype=float)
        if told.shape != (number, columns) or sds.shape != (columns,):
            found = f"found {told.shape}, and prior spreads of shape {sds.shape}"
            message = f"covariates must be of shape {(number, columns)}; {found}"
            raise ValueError(message)
        return np.asarray(np.column_stack([np.ones(number), told]) * np.concatenate([[self.level_sd], sds]))


def _pool(count: np.ndarray, effort: np.ndarray) -> float:
    return float(max(count.sum(), 0.5) / effort.sum())


def _read_exposure(exposure: ArrayLike | None, number: int) -> np.ndarray:
    effort = np.ones(number) if exposure is None else np.asarray(exposure, dtype=float)
    if effort.shape != (number,) or not (np.isfinite(effort) & (effort > 0)).all():
        message = f"exposure must be {number} numbers above 0; found shape {effort.shape}"
        raise ValueError(message)
    return effort
