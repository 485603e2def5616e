"""The latent field and its scores against reference values, and hyper-parameters found again."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.spatial.distance import cdist
from scipy.special import ndtr

from geosample.density.laplace import (
    Hyper,
    MixedField,
    Priors,
    Sites,
    evidence,
    find_mode,
    fit_counts,
    fit_even,
    fit_field,
    fit_hyper,
    foretell,
    integrate_evidence,
    leave_one_out,
    log_prior,
    mix_lognormal,
    predict_jointly,
    predict_log,
    prior_covariance,
    settle_effects,
)
from geosample.density.mapping import upper_bound
from geosample.distributions import FIELD, expect, log_pmf, slopes

# Five sites; every value of theirs below was computed independently in R and numpy.
D12_PLACES = np.array([(0, 0), (10, 0), (0, 10), (10, 10), (5, 5)], dtype=float)
D12_COUNTS = np.array([0, 2, 1, 5, 0], dtype=float)


def d12_covariance(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Matérn 3/2 with x = 4.744 h / 20 and unit variance, plus 4 for the level."""
    x = 4.744 * cdist(a, b) / 20
    return (1 + x) * np.exp(-x) + 4


def random_sites(number: int = 40, seed: int = 5) -> Sites:
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 120, (number, 2))
    basis = np.column_stack([np.full(number, 4.0), np.exp(-rng.uniform(0, 20, number) / 4)])
    return Sites(places, basis, rng.poisson(2 * np.exp(rng.normal(0, 1, number))).astype(float), np.zeros(number))


def prior_at(at: np.ndarray, place: int, value: float) -> float:
    """Return one hyper-parameter's prior density at a value of its log, the others being where they are."""
    return float(np.exp(log_prior(np.where(np.arange(3) == place, value, at), Priors())[0][place]))


class TestLaplaceAgainstReference:
    def test_mode_and_evidence(self) -> None:
        covariance = d12_covariance(D12_PLACES, D12_PLACES) + 1e-6 * np.eye(5)
        mode = find_mode(covariance, D12_COUNTS, np.zeros(5), 1.0)
        # Computed independently in R and numpy
        expected = [-0.25043226, 0.35520465, 0.10873564, 0.82402471, 0.03656036]
        assert mode.eta == pytest.approx(expected, abs=1e-7)
        # Computed independently in R and numpy
        assert mode.evidence == pytest.approx(-9.9880289, abs=1e-6)

    @pytest.mark.parametrize(
        ("place", "mean", "spread", "over_one"),
        # Computed independently in R and numpy
        [((5, 0), -0.01617775, 0.91385626, 0.492938), ((20, 20), 0.36630307, 1.24831811, 0.615406)],
    )
    def test_prediction(self, place: tuple[float, float], mean: float, spread: float, over_one: float) -> None:
        covariance = d12_covariance(D12_PLACES, D12_PLACES) + 1e-6 * np.eye(5)
        mode = find_mode(covariance, D12_COUNTS, np.zeros(5), 1.0)
        cross = d12_covariance(np.array([place], dtype=float), D12_PLACES)[0]
        found_mean = cross @ mode.pull
        found_spread = np.sqrt(5 - cross @ mode.precision() @ cross)
        assert found_mean == pytest.approx(mean, abs=1e-7)
        assert found_spread == pytest.approx(spread, abs=1e-6)
        assert ndtr(found_mean / found_spread) == pytest.approx(over_one, abs=1e-6)

    def test_exponential_correlations(self) -> None:
        kernel = Hyper(1.0, 10.0, 1.0).kernel
        found = kernel(np.zeros((1, 2)), np.array([[0, 0], [5, 0], [10, 0], [20, 0]], dtype=float))[0]
        # Computed independently in R and numpy: exponential with practical range 10
        assert found == pytest.approx([1, 0.22313016, 0.04978707, 0.00247875], abs=1e-8)

    def test_covariance_is_that_of_scikit_learn(self) -> None:
        hyper, rng = Hyper(0.8, 37.0, 1.0), np.random.default_rng(5)
        here, there = (rng.uniform(0, 100, (number, 2)) for number in (7, 11))
        assert hyper.covary(here, there) == pytest.approx(hyper.kernel(here, there), abs=1e-12)

    def test_ordinary_kriging_of_isaaks_and_srivastava(self) -> None:
        places = np.array([(61, 139), (63, 140), (64, 129), (68, 128), (71, 140), (73, 141), (75, 128)], dtype=float)
        values = np.array([477, 696, 227, 646, 606, 791, 783], dtype=float)
        kernel = Hyper(np.sqrt(10), 10.0, 1.0).kernel
        covariance, cross = kernel(places) + 1e7, kernel(np.array([[65.0, 137.0]]), places)[0] + 1e7
        weights = np.linalg.solve(covariance, cross)
        # Isaaks & Srivastava 1989, Applied Geostatistics, ch. 12, pp. 290-296 (592.7, 8.96)
        assert weights @ values == pytest.approx(592.7289, abs=2e-3)
        assert 10 + 1e7 - weights @ cross == pytest.approx(8.956053, abs=1e-3)

    def test_gradient_equals_differences(self) -> None:
        sites, at = random_sites(), np.log([0.7, 25.0, 1.3])
        _, gradient, _ = evidence(sites, at)
        steps = 1e-5 * np.eye(3)
        differences = [(evidence(sites, at + s)[0] - evidence(sites, at - s)[0]) / 2e-5 for s in steps]
        assert gradient == pytest.approx(differences, abs=2e-3)

    def test_prior_gradient_equals_differences(self) -> None:
        at, steps = np.log([0.7, 25.0, 1.3]), 1e-6 * np.eye(3)
        _, gradient = log_prior(at, Priors())
        differences = [(log_prior(at + s, Priors())[0] - log_prior(at - s, Priors())[0]).sum() / 2e-6 for s in steps]
        assert gradient == pytest.approx(differences, abs=1e-6)

    def test_priors_of_spread_and_range_add_up_to_one(self) -> None:
        # what is weighed against a model without them must be a probability (scipy's quad)
        for place in (0, 1):
            at = np.array([0.0, 3.0, 0.0])
            total, _ = quad(lambda x, place=place, at=at: prior_at(at, place, x), -9, 12, limit=200)
            assert total == pytest.approx(1, abs=1e-3)

    def test_prediction_at_the_samples_is_the_posterior_there(self) -> None:
        fitted = fit_field(random_sites(), Hyper(0.8, 40.0, 1.0))
        mean, spread = predict_log(MixedField((fitted,)), fitted.sites.places, fitted.sites.basis)
        covariance = prior_covariance(fitted.sites, fitted.hyper)
        posterior = covariance - covariance @ fitted.precision @ covariance
        assert mean == pytest.approx(fitted.eta, abs=1e-4)
        assert spread == pytest.approx(np.sqrt(np.diag(posterior)), abs=1e-4)

    def test_leave_one_out_is_close_to_leaving_out(self) -> None:
        sites, hyper = random_sites(), Hyper(0.8, 40.0, 1.0)
        mean, spread = leave_one_out(fit_field(sites, hyper))
        for i in (0, 7, 23):
            rest = np.arange(len(sites.count)) != i
            without = Sites(sites.places[rest], sites.basis[rest], sites.count[rest], sites.offset[rest])
            really = predict_log(MixedField((fit_field(without, hyper),)), sites.places[[i]], sites.basis[[i]])
            assert (mean[i], spread[i]) == pytest.approx((really[0][0], really[1][0]), abs=0.15)


class TestAFieldWithAndWithoutACovariate:
    """The mixture of two normals: mean, and variance as the mean of the variances plus the variance of the means."""

    @pytest.fixture
    def mixed(self) -> MixedField:
        return fit_counts(random_sites(), Priors(), doubtful=[1])

    def test_each_is_believed_by_its_evidence(self, mixed: MixedField) -> None:
        heights = [integrate_evidence(fit, Priors()) for fit in mixed.fits]
        assert mixed.fits[1].sites.basis[:, 1] == pytest.approx(0)
        assert sum(mixed.shares) == pytest.approx(1)
        assert np.log(mixed.shares[0] / mixed.shares[1]) == pytest.approx(heights[0] - heights[1], abs=1e-5)

    @pytest.mark.parametrize("free", [0, 1, 2])
    def test_evidence_is_the_integral_over_what_is_not_given(self, free: int) -> None:
        sites, priors = random_sites(), Priors()
        given = tuple(None if place == free else value for place, value in enumerate((0.8, 30.0, 1.5)))
        fitted = fit_counts(sites, priors, given=given).lead
        at = np.log([fitted.hyper.spread, fitted.hyper.range_m, fitted.hyper.k])

        def height(log_value: float) -> float:
            there = np.where(np.arange(3) == free, log_value, at)
            return float(np.exp(evidence(sites, there)[0] - fitted.evidence + log_prior(there, priors)[0][free]))

        # scipy's quad; what is left is Laplace's own error, most of it the long tail of small spreads
        total, _ = quad(height, at[free] - 4, at[free] + 4, epsabs=1e-4, limit=60)
        assert integrate_evidence(fitted, priors, given=given) == pytest.approx(
            np.log(total) + fitted.evidence, abs=0.3
        )

    def test_without_a_field_the_effects_tell_what_the_latent_values_tell(self) -> None:
        sites = random_sites()
        effects, height = settle_effects(sites, 1.3)
        mode = find_mode(sites.basis @ sites.basis.T + 1e-9 * np.eye(40), sites.count, sites.offset, 1.3)
        assert height == pytest.approx(mode.evidence, abs=1e-4)
        assert sites.basis @ effects == pytest.approx(mode.eta, abs=1e-4)
        k, whole = fit_even(sites)

        def over_k(log_k: float) -> float:
            return float(np.exp(settle_effects(sites, np.exp(log_k))[1] - whole + FIELD.prior.log_density(log_k)))

        assert np.log(quad(over_k, *FIELD.log_bounds)[0]) == pytest.approx(0, abs=0.15)  # scipy's quad
        assert fit_even(sites, k)[1] == pytest.approx(settle_effects(sites, k)[1])

    def test_even_counts_are_believed_even_and_patchy_ones_not(self) -> None:
        rng = np.random.default_rng(8)
        places = rng.uniform(0, 150, (80, 2))
        basis = np.full((80, 1), 4.0)
        offset = np.full(80, np.log(6.0))

        def even_share(count: np.ndarray) -> float:
            mixed = fit_counts(Sites(places, basis, count.astype(float), offset), Priors(), allow_even=True)
            assert [fit.hyper.spread > 0 for fit in mixed.fits] == [True, False]
            assert mixed.lead is mixed.fits[0]
            return mixed.shares[1]

        assert even_share(rng.poisson(6.0, 80)) > 0.7
        assert even_share(rng.poisson(6.0 * np.exp(1.2 * np.sin(places[:, 0] / 25)))) < 0.01

    def test_without_a_field_places_know_only_their_covariates(self) -> None:
        sites = random_sites()
        even = fit_counts(sites, Priors(), allow_even=True).fits[1]
        places, basis = np.array([[10.0, 20.0], [900.0, 5.0]]), np.array([[4.0, 0.3], [4.0, 0.3]])
        for precise in (True, False):
            mean, spread = predict_log(MixedField((even,)), places, basis, precise=precise)
            assert mean[0] == pytest.approx(mean[1], abs=1e-6)
            assert spread[0] == pytest.approx(spread[1], abs=1e-6)
        # the inverse of the effects' curvature: McCullagh & Nelder 1989, Generalized Linear Models, ch. 2.5, with the
        # unit priors' 1 on its diagonal
        weight = slopes(sites.count, expect(sites.basis @ settle_effects(sites, even.hyper.k)[0]), even.hyper.k).weight
        curvature = np.eye(2) + (sites.basis.T * weight) @ sites.basis
        assert spread[0] ** 2 == pytest.approx(basis[0] @ np.linalg.solve(curvature, basis[0]), rel=1e-3)

    def test_mean_and_variance_are_the_mixtures(self, mixed: MixedField) -> None:
        places, basis = np.array([[10.0, 20.0], [90.0, 5.0]]), np.array([[4.0, 1.0], [4.0, 0.1]])
        share = mixed.shares[0]
        (one, one_sd), (two, two_sd) = (predict_log(MixedField((fit,)), places, basis) for fit in mixed.fits)
        # as draws of a mixture have it: Frühwirth-Schnatter 2006, Finite Mixture and Markov Switching Models, eq. 1.20
        mean = share * one + (1 - share) * two
        variance = share * (one_sd**2 + one**2) + (1 - share) * (two_sd**2 + two**2) - mean**2
        for precise in (True, False):
            found = predict_log(mixed, places, basis, precise=precise)
            assert found[0] == pytest.approx(mean, abs=1e-4)
            assert found[1] == pytest.approx(np.sqrt(variance), abs=1e-4)
        together = predict_jointly(mixed, places, basis)
        assert together[0] == pytest.approx(mean, abs=1e-4)
        assert np.diag(together[1]) == pytest.approx(variance, abs=1e-5)

    def test_counts_are_foretold_by_both_each_with_its_k(self, mixed: MixedField) -> None:
        places, basis, offset = np.array([[10.0, 20.0]]), np.array([[4.0, 1.0]]), np.zeros(1)
        told = foretell(mixed, places, basis, offset)
        parts = []
        for fit, share in zip(mixed.fits, mixed.shares, strict=True):
            mean, spread = predict_log(MixedField((fit,)), places, basis, precise=True)
            parts.append(share * np.exp(-mix_lognormal(mean, spread, offset, fit.hyper.k).log_score(np.array([2.0]))))
        assert np.exp(-told.log_score(np.array([2.0]))) == pytest.approx(sum(parts))

    def test_what_has_a_hundredth_of_the_belief_is_not_predicted_from(self, mixed: MixedField) -> None:
        left = MixedField(mixed.fits, (0.995, 0.005)).believed
        assert [(fit is mixed.fits[0], share) for fit, share in left] == [(True, 1.0)]

    def test_counts_as_even_as_poisson_have_a_large_k(self) -> None:
        rng = np.random.default_rng(4)
        sites = Sites(
            rng.uniform(0, 100, (150, 2)),
            np.full((150, 1), 4.0),
            rng.poisson(6.0, 150) * 1.0,
            np.full(150, np.log(6.0)),
        )
        assert fit_counts(sites, Priors()).lead.hyper.k > 20


class TestScoresAgainstReference:
    @pytest.mark.parametrize(
        ("mean", "k", "count", "score"),
        # Negative binomial log scores, computed independently
        [(1, 1, 0, 0.6931471806), (1, 1, 3, 2.7725887222), (0.5, 0.5, 0, 0.3465735903), (2, 0.8, 5, 3.1741837853)],
    )
    def test_log_score(self, mean: float, k: float, count: int, score: float) -> None:
        assert -log_pmf(np.array(count), np.array(float(mean)), k) == pytest.approx(score, abs=1e-9)
        mixed = mix_lognormal(np.log([mean]), np.array([1e-9]), np.zeros(1), k)
        assert mixed.log_score(np.array([float(count)])) == pytest.approx([score], abs=1e-6)

    @pytest.mark.parametrize(
        ("samples", "k", "bound"),
        # Computed from k (0.05^(-1/nk) - 1): one-sided 95 % upper bounds of the mean when nothing was found
        [(10, 0.5, 0.4102821), (10, 1, 0.3492828), (30, 2, 0.1023926), (100, 0.5, 0.0308730)],
    )
    def test_zero_bound(self, samples: int, k: float, bound: float) -> None:
        assert upper_bound(0, samples, k) == pytest.approx(bound, abs=1e-7)


def test_hyper_parameters_are_recovered_from_many_counts() -> None:
    rng = np.random.default_rng(12)
    places = rng.uniform(0, 150, (500, 2))
    covariance = 1.0 * np.exp(-3 * cdist(places, places) / 45) + 1e-9 * np.eye(500)
    eta = np.linalg.cholesky(covariance) @ rng.standard_normal(500)
    counts = rng.poisson(rng.gamma(1.5, 8 * np.exp(eta) / 1.5)).astype(float)
    hyper = fit_hyper(Sites(places, np.full((500, 1), 4.0), counts, np.full(500, np.log(8.0))), Priors())
    assert hyper.spread == pytest.approx(1.0, rel=0.35)
    assert 20 < hyper.range_m < 100
    assert hyper.k == pytest.approx(1.5, rel=0.3)
