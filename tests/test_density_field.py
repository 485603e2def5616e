"""CountField: an estimator by the conventions of scikit-learn; the latent field and scores against reference values."""

from __future__ import annotations

import subprocess
import sys
import warnings

import numpy as np
import pytest
from density_case import THRESHOLD, aim_design, draw_counts, make_counts
from scipy.integrate import fixed_quad, quad
from scipy.spatial.distance import cdist
from scipy.special import ndtr
from scipy.stats import lognorm, nbinom, norm
from sklearn import clone, config_context
from sklearn.exceptions import SkipTestWarning
from sklearn.model_selection import KFold, LeaveOneOut, cross_val_score
from sklearn.utils.estimator_checks import check_estimator

from geosample.density import CountField, DensityMap, map_density
from geosample.density.laplace import (
    BOUNDS,
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
from geosample.ground import Ground
from geosample.survey.findings import What

# scikit-learn's checks that CountField may fail, each with its reason: none does.
EXPECTED_TO_FAIL: dict[str, str] = {}


def draw_survey(number: int = 60, seed: int = 3) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return places, counts, exposures and one covariate that doubles the density."""
    rng = np.random.default_rng(seed)
    places, shade = rng.uniform(0, 100, (number, 2)), rng.integers(0, 2, number)
    exposure = rng.choice([0.5, 1.0, 2.0], number)
    density = 4 * np.exp(np.sin(places[:, 0] / 20) + 0.7 * shade)
    return places, rng.poisson(density * exposure).astype(float), exposure, shade[:, None].astype(float)


@pytest.fixture(scope="module")
def fitted() -> CountField:
    places, counts, exposure, shade = draw_survey()
    return CountField(covariate_sds=[1.5]).fit(places, counts, exposure=exposure, covariates=shade)


@pytest.mark.slow
def test_it_keeps_scikit_learns_conventions() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SkipTestWarning)  # of array libraries that are not installed
        results = check_estimator(CountField(), on_fail=None, expected_failed_checks=EXPECTED_TO_FAIL)
    assert {row["check_name"]: str(row["exception"]) for row in results if row["status"] == "failed"} == {}
    assert len(results) > 40
    assert len(EXPECTED_TO_FAIL) <= 5


def test_clone_is_asked_as_the_first_and_not_fitted(fitted: CountField) -> None:
    twin = clone(fitted)
    assert twin.get_params() == fitted.get_params()
    assert not hasattr(twin, "field_")


def test_what_is_fitted_stands_within_its_bounds(fitted: CountField) -> None:
    for value, (low, high) in zip((fitted.spread_, fitted.range_m_, fitted.k_), BOUNDS, strict=True):
        assert low <= value <= high
    assert fitted.n_features_in_ == 2
    assert np.isfinite(fitted.log_evidence_)


def test_a_given_number_stays_and_the_others_are_fitted() -> None:
    places, counts, exposure, _ = draw_survey()
    found = CountField(range_m=33.0).fit(places, counts, exposure=exposure)
    assert found.range_m_ == 33.0
    free = CountField().fit(places, counts, exposure=exposure)
    assert free.log_evidence_ != found.log_evidence_
    again = CountField(spread=free.spread_, range_m=free.range_m_, k=free.k_).fit(places, counts, exposure=exposure)
    assert again.log_evidence_ == pytest.approx(free.log_evidence_, abs=1e-9)


def test_the_density_is_lognormal_and_twice_the_exposure_halves_it(fitted: CountField) -> None:
    places, counts, exposure, shade = draw_survey()
    log_mean, log_sd = fitted.predict_log(places, shade)
    mean, spread = fitted.predict(places, return_std=True, covariates=shade)
    assert mean == pytest.approx(lognorm.mean(log_sd, scale=np.exp(log_mean)))
    assert spread == pytest.approx(lognorm.std(log_sd, scale=np.exp(log_mean)))
    half = clone(fitted).fit(places, counts, exposure=2 * exposure, covariates=shade)
    assert half.predict(places, covariates=shade) == pytest.approx(mean / 2, rel=1e-6)


def test_a_covariate_moves_the_density_the_way_it_does_in_truth(fitted: CountField) -> None:
    place = np.array([[50.0, 50.0]])
    ratio = fitted.predict(place, covariates=[[1.0]]) / fitted.predict(place, covariates=[[0.0]])
    assert 1.2 < ratio[0] < 3.5


def test_single_precision_is_five_figures_of_double(fitted: CountField) -> None:
    places, counts, exposure, shade = draw_survey()
    quick = clone(fitted).set_params(precise=False).fit(places, counts, exposure=exposure, covariates=shade)
    for own, other in zip(quick.predict_log(places, shade), fitted.predict_log(places, shade), strict=True):
        assert own == pytest.approx(other, abs=1e-4)


def test_score_is_the_mean_log_probability_of_the_counts() -> None:
    places, counts, exposure, _ = draw_survey()
    field = CountField(spread=0.0, range_m=10.0, k=2.0, level_sd=1e-6).fit(places, counts, exposure=exposure)
    # with no field and no doubt about the level, a negative binomial around the pooled density
    expected = counts.sum() / exposure.sum() * exposure
    told = nbinom.logpmf(counts, 2.0, 2.0 / (2.0 + expected)).mean()
    assert field.score(places, counts, exposure=exposure) == pytest.approx(told, abs=1e-6)


def test_a_field_foretells_a_pattern_better_than_one_average_in_cross_validation() -> None:
    places, counts, exposure, shade = draw_survey(120)
    params = {"exposure": exposure, "covariates": shade}
    with config_context(enable_metadata_routing=True):
        asked = {"exposure": True, "covariates": True}
        ways = [CountField(), CountField(spread=0.0, range_m=1.0, k=2.0)]
        scores = [
            cross_val_score(
                way.set_fit_request(**asked).set_score_request(**asked),
                places,
                counts,
                cv=KFold(4, shuffle=True, random_state=1),
                params=params,
            ).mean()
            for way in ways
        ]
    assert scores[1] < scores[0] < 0


@pytest.mark.parametrize(
    ("asked", "told", "words"),
    [
        ({}, {"y": [-1.0, 2.0]}, "counts must be 0 or more; the least is -1"),
        ({}, {"exposure": [1.0, 0.0]}, "exposure must be 2 numbers above 0"),
        ({}, {"exposure": [1.0]}, r"exposure must be 2 numbers above 0; found shape \(1,\)"),
        ({"k": -1.0}, {}, "spread, range_m and k must be above 0"),
        ({"spread": 0.0}, {}, "a spread of 0 needs the other two"),
        ({"covariate_sds": [1.0, 2.0]}, {"covariates": [[1.0], [2.0]]}, r"covariates must be of shape \(2, 1\)"),
    ],
)
def test_what_cannot_be_is_refused(asked: dict[str, object], told: dict[str, object], words: str) -> None:
    given = {"y": [1.0, 2.0], **told}
    with pytest.raises(ValueError, match=words):
        CountField(**asked).fit([[0.0, 0.0], [5.0, 0.0]], **given)


def test_covariates_left_out_at_a_new_place_are_refused(fitted: CountField) -> None:
    with pytest.raises(ValueError, match=r"covariates must be of shape \(1, 1\); found \(1, 0\)"):
        fitted.predict([[1.0, 2.0]])


@pytest.fixture(scope="module")
def patterned(small_ground: Ground) -> DensityMap:
    counts, _, _ = draw_counts(small_ground, 120, np.random.default_rng(2), spread=1.5, range_m=90, k=3)
    return map_density(counts, small_ground, design=aim_design(small_ground), cell_m=4, threshold_per_m2=THRESHOLD)


class TestTheMapsScores:
    def test_left_out_one_by_one_is_close_to_scikit_learns_own(self, patterned: DensityMap) -> None:
        kept, fitted = patterned.fitted["sites"], patterned.fitted
        hyper = {name: fitted[name] for name in ("spread", "range_m", "k")}
        places, counts = np.array(kept["places"])[:40], np.array(kept["count"])[:40]
        field = CountField(**hyper)
        with config_context(enable_metadata_routing=True):
            field.set_fit_request(exposure=True).set_score_request(exposure=True)
            params = {"exposure": np.exp(kept["offset"])[:40]}
            scores = cross_val_score(field, places, counts, cv=LeaveOneOut(), params=params)
        from geosample.density.laplace import leave_one_out, mix_lognormal

        whole = field.fit(places, counts, exposure=np.exp(kept["offset"])[:40]).field_.lead
        foretold = mix_lognormal(*leave_one_out(whole), whole.sites.offset, whole.hyper.k)
        assert -scores.mean() == pytest.approx(foretold.log_score(counts).mean(), abs=0.02)

    def test_blocks_are_harder_than_single_samples_and_the_finding_says_which(self, patterned: DensityMap) -> None:
        worth, findings = patterned.fitted["map_worth"], patterned.findings
        assert worth["blocks"]["log_score"]["map"] > worth["log_score"]["map"]
        rows = findings.of(What.BLOCK_SCORE)
        assert {row.domain: row.value for row in rows} == worth["blocks"]["log_score"]
        assert all(row.detail == {"block_m": 60.0, "blocks": worth["blocks"]["blocks"]} for row in rows)
        assert 2 <= worth["blocks"]["folds"] <= 10

    def test_one_block_is_not_judged_by_blocks(self, small_ground: Ground) -> None:
        counts, places, _ = draw_counts(small_ground, 200, np.random.default_rng(2))
        near = np.hypot(*(places - places[0]).T) < 20
        some = make_counts(small_ground, places[near], counts.counts["count"].to_numpy()[near])
        found = map_density(some, small_ground, cell_m=5)
        assert found.fitted["map_worth"]["blocks"] is None
        assert found.findings.of(What.BLOCK_SCORE) == ()


@pytest.mark.slow
def test_scikit_learn_waits_until_a_map_is_made() -> None:
    code = "import sys, geosample.density, geosample.treat, geosample.webmap; print('sklearn' in sys.modules)"
    run = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert run.stdout.strip() == "False"


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


def two_visits(seed: int, *, alike: bool, number: int = 50) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return places, counts and the mark of the earlier of two visits; the later one's insects are twice as many."""
    rng = np.random.default_rng(seed)
    places, earlier = rng.uniform(0, 120, (2 * number, 2)), np.repeat([0.0, 1.0], number)
    waves = np.sin(places[:, 0] / 12 + np.where((earlier == 1) & (not alike), np.pi, 0.0))
    return places, rng.poisson(np.where(earlier, 4.0, 8.0) * np.exp(1.2 * waves)).astype(float), earlier[:, None]


@pytest.fixture(scope="module")
def alike() -> CountField:
    places, counts, earlier = two_visits(2, alike=True)
    asked = {"covariate_sds": [4.0], "allow_even": True, "earlier": 0}
    return CountField(**asked).fit(places, counts, covariates=earlier)


class TestAnEarlierVisit:
    """Left out, or under another field like this visit's, or under the same: by the evidence of the two."""

    COUNT = np.array([9.0, 14.0, 30.0, 22.0])
    PLACES = np.array([[0.0, 0.0], [60.0, 0.0], [3.0, 4.0], [60.0, 9.0]])

    def sites(self) -> Sites:
        levels = np.column_stack([np.full(4, 0.7), np.repeat([0.0, 0.7], 2)])
        return Sites(self.PLACES, levels, self.COUNT, np.full(4, np.log(15.0)))

    def chance_of_counts(self, rows: list[int], k: float, *, apart: bool = False) -> float:
        """Return the probability of some of the counts, spread 0.8 and range 40 m, by quadrature over latent values."""
        sites = self.sites().take(np.array(rows))
        basis = sites.basis if len(rows) == 4 else sites.basis[:, :1]
        together = Hyper(0.8, 40.0, k).covary(sites.places, sites.places)
        if apart:
            together[:2, 2:] = together[2:, :2] = 0
        nodes, weights = np.polynomial.hermite_e.hermegauss(16)
        grid = np.stack(np.meshgrid(*[nodes] * len(rows), indexing="ij"), axis=-1).reshape(-1, len(rows))
        share = np.prod(np.meshgrid(*[weights / weights.sum()] * len(rows), indexing="ij"), axis=0).ravel()
        expected = 15.0 * np.exp(grid @ np.linalg.cholesky(together + basis @ basis.T).T)
        return float(share @ nbinom.pmf(sites.count, k, k / (k + expected)).prod(axis=1))

    def test_each_pattern_is_believed_as_brute_force_says(self) -> None:
        mixed = fit_counts(self.sites(), Priors(), given=(0.8, 40.0, 3.0), earlier=1)
        own, first = (self.chance_of_counts(rows, 3.0) for rows in ([0, 1], [2, 3]))
        another, same = (self.chance_of_counts([0, 1, 2, 3], 3.0, apart=apart) for apart in (True, False))
        chances = np.array([own * first, another, same])
        assert [fit.pattern for fit in mixed.fits] == ["own", "another", "same"]
        assert mixed.shares == pytest.approx(chances / chances.sum(), abs=0.02)  # Laplace's error
        assert mixed.same_pattern == mixed.shares[2]

    def test_a_k_for_each_visit_costs_a_prior_more_than_one_for_both(self) -> None:
        mixed = fit_counts(self.sites(), Priors(), given=(0.8, 40.0, None), earlier=1)

        def over_k(rows: list[int]) -> float:
            def height(log_k: float) -> float:
                return self.chance_of_counts(rows, np.exp(log_k)) * norm.pdf(log_k, 0.0, 1.5)

            return float(fixed_quad(np.vectorize(height), *FIELD.log_bounds, n=24)[0])

        own, first, both = (over_k(rows) for rows in ([0, 1], [2, 3], [0, 1, 2, 3]))
        # without the constant of k's prior the odds would be a quarter of these
        assert np.log(mixed.shares[2] / mixed.shares[0]) == pytest.approx(np.log(both / (own * first)), abs=0.4)

    def test_the_same_pattern_is_believed_and_another_is_not(self, alike: CountField) -> None:
        assert alike.field_.same_pattern > 0.95
        places, counts, earlier = two_visits(2, alike=False)
        field = clone(alike).fit(places, counts, covariates=earlier)
        assert field.field_.same_pattern < 0.01
        own = earlier[:, 0] == 0
        alone = CountField(allow_even=True).fit(places[own], counts[own])
        assert field.predict(places, covariates=0 * earlier) == pytest.approx(alone.predict(places), rel=0.15)

    @pytest.mark.slow
    def test_unrelated_visits_have_little_weight_on_average(self, alike: CountField) -> None:
        rng, weights = np.random.default_rng(4), []
        for _ in range(20):
            places, earlier = rng.uniform(0, 120, (100, 2)), np.repeat([[0.0], [1.0]], 50, axis=0)
            root = np.linalg.cholesky(np.exp(-cdist(places, places) / 15) + 1e-9 * np.eye(100))
            fields = root @ rng.standard_normal((100, 2))
            counts = rng.poisson(5 * np.exp(np.where(earlier[:, 0], *fields.T))).astype(float)
            weights.append(clone(alike).fit(places, counts, covariates=earlier).field_.same_pattern)
        assert np.mean(weights) < 0.25

    def test_its_own_samples_alone_are_what_they_are_without_it(self, alike: CountField) -> None:
        places, counts, earlier = two_visits(2, alike=True)
        own = earlier[:, 0] == 0
        bare = CountField(allow_even=True).fit(places[own], counts[own]).field_
        alone = alike.field_.alone
        assert alone.shares == pytest.approx(bare.shares)
        assert [fit.pull for fit in alone.fits] == [pytest.approx(fit.pull, abs=1e-6) for fit in bare.fits]
        assert alike.rate_ == counts[own].mean()
        assert len(alike.field_.whole.sites.count) == 100
        assert (alike.field_.whole.sites.count[:50] == counts[own]).all()

    def test_counts_of_the_earlier_visit_alone_are_none(self, alike: CountField) -> None:
        with pytest.raises(ValueError, match="all counts are of the earlier visit"):
            clone(alike).fit([[0.0, 1.0], [2.0, 3.0]], [1, 2], covariates=[[1.0], [1.0]])


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


def test_two_doubtful_covariates_are_believed_each_by_its_own_evidence() -> None:
    rng = np.random.default_rng(3)
    places, columns = rng.uniform(0, 200, (80, 2)), rng.standard_normal((80, 2))
    counts = rng.poisson(3 * np.exp(1.2 * columns[:, 0]))
    field = CountField(range_m=30.0, k=8.0, doubtful=[0, 1], allow_even=True).fit(places, counts, covariates=columns)
    assert len(field.field_.fits) == 8
    assert sum(field.field_.shares) == pytest.approx(1)
    assert field.field_.chance_of(1) > 0.99
    assert field.field_.chance_of(2) < 0.5
