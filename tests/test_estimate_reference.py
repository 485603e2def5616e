"""Stage 5 against published and independently computed values."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from estimate_case import make_bags
from scipy import special

from geosample.distributions import FREE_K, WEAK_K
from geosample.estimate.bags import group_bags
from geosample.estimate.intervals import (
    Interval,
    combine_means,
    fit_common_k,
    fit_k,
    profile_interval,
    spread_cut,
)
from geosample.estimate.means import (
    linearise,
    local_squares,
    local_variance,
    replacement_variance,
    weighted_mean,
)
from geosample.estimate.model import fit_iwao, fit_taylor, measure_clumping

CHI2_95 = 3.841458820694124
MITES = np.repeat(np.arange(8.0), [70, 38, 17, 10, 9, 3, 2, 1])
FIFTEEN = [0, 0, 0, 1, 0, 2, 0, 0, 5, 0, 1, 0, 0, 0, 3]
TWENTY = [0, 2, 1, 0, 0, 4, 1, 0, 0, 7, 0, 1, 3, 0, 0, 0, 2, 0, 1, 0]
PLACES = np.array([(1, 2), (3, 8), (6, 5), (8, 9), (2, 5), (5, 1), (9, 3), (4, 10), (7, 7), (10, 6)], dtype=float)
VALUES = np.array([0, 2, 1, 5, 0, 3, 1, 4, 2, 0], dtype=float)


def test_horse_kicks_vary_as_a_random_scatter():
    # pscl::prussian, in R 4.2
    assert measure_clumping(np.repeat(np.arange(5.0), [109, 65, 22, 3, 1])).ratio == pytest.approx(1.0015652, rel=1e-6)


def test_red_mite_indices_and_intervals():
    # Computed with R 4.2
    found = measure_clumping(MITES)
    values = (found.ratio, found.morisita, found.crowding, found.patchiness)
    assert values == pytest.approx((1.9828313, 1.8563851, 2.1294979, 1.8571203), rel=1e-6)
    # R's interval takes chi-square's cut, which is the F point of this level.
    level = special.fdtr(1, len(MITES) - 1, CHI2_95)
    k = fit_k(make_bags(MITES), level=level)
    assert (k.low, k.high) == pytest.approx((0.6254235, 1.8362416), rel=1e-6)
    mean = profile_interval(make_bags(MITES), cut=CHI2_95, prior=FREE_K)
    assert (mean.low, mean.high) == pytest.approx((0.9209861, 1.4297685), rel=1e-7)


@pytest.mark.parametrize(
    ("counts", "prior", "cut", "low", "high"),
    [
        # Computed independently
        (FIFTEEN, FREE_K, CHI2_95, 0.2744485, 3.1792085),
        (FIFTEEN, WEAK_K, CHI2_95, 0.3182253, 2.2862226),
        (FIFTEEN, WEAK_K, spread_cut(15, 0.95), 0.2895530, 2.6270255),
        (TWENTY, FREE_K, CHI2_95, 0.5201819, 2.5989840),
        (TWENTY, WEAK_K, CHI2_95, 0.5456418, 2.3869452),
        (TWENTY, WEAK_K, spread_cut(20, 0.95), 0.5187645, 2.5502345),
    ],
)
def test_profile_interval(counts, prior, cut, low, high):
    found = profile_interval(make_bags(counts), cut=cut, prior=prior)
    assert (found.low, found.high) == pytest.approx((low, high), rel=2e-7)


def test_mover_over_two_strata():
    # Zou & Donner 2008 formula by hand
    found = combine_means([Interval(1, 0.5, 1.8), Interval(2, 1.2, 3.4)], [0.6, 0.4])
    assert (found.value, found.low, found.high) == pytest.approx((1.4, 0.9613657560, 2.1375635566), rel=1e-9)


def test_weighted_mean_of_thompsons_exercise():
    # Thompson, Sampling, chapter 6, exercises 1-2: Hájek total computed
    inclusion = 1 - (1 - np.array([0.06, 0.20, 0.10])) ** 3
    values = np.array([3.0, 10.0, 7.0])
    assert 10 * weighted_mean(values, 1 / inclusion) == pytest.approx(54.999821, rel=1e-7)


def test_local_mean_variance():
    # Stevens & Olsen 2003, against the published R implementation, which leaves the degrees of freedom out
    even = np.full(10, 0.1)
    assert local_squares(VALUES / even, PLACES, even)[0].sum() == pytest.approx(1846.230914, rel=1e-9)
    assert replacement_variance(VALUES / even) == pytest.approx(3066.666667, rel=1e-9)
    uneven = np.array([0.05, 0.1, 0.15, 0.2, 0.1, 0.05, 0.1, 0.1, 0.05, 0.1])
    assert local_squares(VALUES / uneven, PLACES, uneven)[0].sum() == pytest.approx(3272.888663, rel=1e-9)
    shares = linearise(VALUES, 1 / uneven)
    assert local_squares(shares, PLACES, uneven)[0].sum() == pytest.approx(0.1682322319, rel=1e-8)


def test_corrected_local_variance_is_unbiased_for_pure_noise():
    rng = np.random.default_rng(7)
    places, inclusion = rng.uniform(size=(30, 2)), np.ones(30)
    found = [local_variance(rng.normal(size=30), places, inclusion) for _ in range(400)]
    assert np.mean(found) / 30 == pytest.approx(1, abs=0.06)


def test_webworms_in_shared_data(shared: Path):
    # Beall 1940, Ecology 21:460-474; fits computed with R 4.2
    data = pd.read_csv(shared / "counts" / "beall.webworms.txt", sep="\t")
    k = {name: fit_k(make_bags(mine["y"])).value for name, mine in data.groupby("trt")}
    assert [k[name] for name in ("T1", "T2", "T3", "T4")] == pytest.approx(
        [1.9113095, 3.0220686, 2.1576755, 1.4234078], rel=1e-6
    )
    # one k common to the treatments, each with its mean: statsmodels' NegativeBinomial, a column a treatment
    dummies = pd.get_dummies(data["trt"]).to_numpy(float)
    theirs = sm.NegativeBinomial(data["y"], dummies).fit(disp=0, maxiter=500, gtol=1e-8)
    bags = data.assign(count=data["y"].astype(float), effort_m2=1.0, weight_m2=1.0)
    assert fit_common_k(group_bags(bags, "trt")).value == pytest.approx(1 / theirs.params.iloc[-1], abs=5e-4)
    cells = data.groupby(["block", "trt"])["y"].agg(["mean", "var"])
    taylor = fit_taylor(cells["mean"].to_numpy(), cells["var"].to_numpy())
    iwao = fit_iwao(cells["mean"].to_numpy(), cells["var"].to_numpy())
    assert (taylor.intercept, taylor.slope, taylor.r2) == pytest.approx((1.2654011, 1.1291665, 0.9243632), rel=1e-6)
    assert (iwao.intercept, iwao.slope, iwao.r2) == pytest.approx((0.0464626, 1.2349741, 0.8292472), abs=6e-8)
