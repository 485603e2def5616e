"""CountField: counts at places as an estimator by scikit-learn's conventions, and the map's scores by its tools."""

from __future__ import annotations

import subprocess
import sys
import warnings

import numpy as np
import pytest
from density_case import THRESHOLD, aim_design, draw_counts, make_counts
from scipy.stats import lognorm, nbinom
from sklearn import clone, config_context
from sklearn.exceptions import SkipTestWarning
from sklearn.model_selection import KFold, LeaveOneOut, cross_val_score
from sklearn.utils.estimator_checks import check_estimator

from geosample.density import CountField, DensityMap, map_density
from geosample.density.laplace import BOUNDS
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
