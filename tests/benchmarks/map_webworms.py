"""Held-out counts of a real set: webworm larvae in 1,300 plots. Writes sample_maps/map_webworms.md.

Beall, G. (1940) The fit and significance of contagious distributions when applied to observations on larval insects,
Ecology 21:460-474. Coordinates rescaled to 120 m. Random plots are the survey, 300 others are foretold: with the
treatment each plot had as a covariate, and as one field that knows nothing of treatments.
Run: python tests/benchmarks/map_webworms.py --splits 20 --write
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from bench import ROOT, ask, in_samples, stop_without
from pykrige.ok import OrdinaryKriging
from scipy.spatial.distance import cdist
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

from geosample.density.laplace import Predictive, Priors, Sites, fit_counts, foretell
from geosample.density.worth import (
    crps_counts,
    expect_count,
    hold_share,
    leave_out_average,
    spread_pit,
    tune_distance_power,
    weigh_distances,
)
from geosample.distributions import fit_k_around

PLOTS = ROOT.parent / "shared" / "counts" / "beall.webworms.txt"
EXTENT_M = 120.0


@dataclass(frozen=True)
class Split:
    """A survey (``places``, ``count``, ``group``) and plots to foretell (``there``, ``group_there``)."""

    places: np.ndarray
    count: np.ndarray
    group: np.ndarray
    there: np.ndarray
    group_there: np.ndarray


def ours(split: Split, *, treatments: bool) -> Predictive:
    """Return the map's own prediction of the held-out counts."""
    level = float(np.log(max(split.count.mean(), 0.5 / len(split.count))))

    def basis(group: np.ndarray) -> np.ndarray:
        columns = [np.full(len(group), 4.0)]
        return np.column_stack(columns + [1.0 * (group == name) for name in range(4)] * treatments)

    sites = Sites(split.places, basis(split.group), split.count, np.full(len(split.count), level))
    fitted = fit_counts(sites, Priors(), allow_even=True)
    return foretell(fitted, split.there, basis(split.group_there), np.full(len(split.there), level))


def average(split: Split) -> Predictive:
    """Return one negative binomial for all."""
    level = np.full(len(split.count), np.log(split.count.mean()))
    predictive, k = leave_out_average(split.count, level, 4.0)
    return Predictive(
        np.full((len(split.there), 1), predictive.expected.mean(axis=0) @ predictive.share), np.ones(1), k
    )


def averages(split: Split) -> Predictive:
    """Return a negative binomial for each treatment, with one k."""
    mean = np.array([max(split.count[split.group == name].mean(), 0.02) for name in range(4)])
    return Predictive(mean[split.group_there][:, None], np.ones(1), fit_k_around(mean[split.group], split.count)[0])


def distance(split: Split) -> Predictive:
    """Return inverse-distance weighting with power and k by leave-one-out."""
    effort = np.ones(len(split.count))
    power, k = tune_distance_power(split.places, split.count, effort)
    weights = weigh_distances(cdist(split.there, split.places), power, effort)
    mean = expect_count(weights, split.count, effort, np.ones(len(split.there)))
    return Predictive(mean[:, None], np.ones(1), k)


def kriged(split: Split) -> Predictive:
    """Return ordinary kriging of log(1 + count), turned back, with k fitted around the smooth at the samples."""
    krige = OrdinaryKriging(*split.places.T, np.log1p(split.count), variogram_model="exponential", exact_values=False)
    here, there = (krige.execute("points", *at.T)[0] for at in (split.places, split.there))
    return _turned_back(np.expm1(here), np.expm1(there), split.count)


def process(split: Split) -> Predictive:
    """Return scikit-learn's Gaussian process on roots, turned back, with k fitted likewise."""
    kernel = ConstantKernel(1.0) * Matern(10.0, (1.0, 150.0), nu=0.5) + WhiteKernel(0.5)
    model = GaussianProcessRegressor(kernel, normalize_y=True).fit(split.places, np.sqrt(split.count + 0.375))
    return _turned_back(*(model.predict(at) ** 2 - 0.375 for at in (split.places, split.there)), split.count)


def _turned_back(here: np.ndarray, there: np.ndarray, count: np.ndarray) -> Predictive:
    least = 0.5 / len(count)
    k = fit_k_around(np.maximum(np.asarray(here), least), count)[0]
    return Predictive(np.maximum(np.asarray(there), least)[:, None], np.ones(1), k)


METHODS: dict[str, Callable[[Split], Predictive]] = {
    "geosample density, one field": lambda split: ours(split, treatments=False),
    "geosample density, treatments": lambda split: ours(split, treatments=True),
    "one average": average,
    "average by treatment": averages,
    "inverse distance, tuned": distance,
    "ordinary kriging, log counts (PyKrige)": kriged,
    "Gaussian process, roots (scikit-learn)": process,
}


def run(splits: int, sizes: Sequence[int]) -> pd.DataFrame:
    """Return a row a split, survey size and method."""
    plots = pd.read_csv(PLOTS, sep="\t")
    places = plots[["col", "row"]].to_numpy(float)
    places = places / np.ptp(places, axis=0).max() * EXTENT_M
    count, group = plots["y"].to_numpy(float), pd.factorize(plots["trt"], sort=True)[0]
    rows = []
    for number in sizes:
        for survey in range(splits):
            chosen = np.random.default_rng([5, number, survey]).permutation(len(plots))
            some, rest = chosen[:number], chosen[number : number + 300]
            split = Split(places[some], count[some], group[some], places[rest], group[rest])
            for name, method in METHODS.items():
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore" if "learn" in name or "PyKrige" in name else "error")
                    told = method(split)
                same = {"samples": number, "split": survey, "method": name}
                rows.append({**same, **judge(told, count[rest])})
    return pd.DataFrame(rows)


def judge(told: Predictive, count: np.ndarray) -> dict[str, float]:
    """Return the scores of a prediction."""
    return {
        "log_score": float(told.log_score(count).mean()),
        "crps": float(crps_counts(told, count).mean()),
        "holds": hold_share(told, count, 0.9),
        "pit": float(np.abs(spread_pit(told, count) - 0.1).max()),
    }


def main() -> None:
    """Run the splits and write the table."""
    asked = ask(__doc__, in_samples(__file__), splits=(12, 2))
    if not PLOTS.is_file():
        stop_without(f"{PLOTS.relative_to(ROOT.parent)} is not beside the clone")
    rows = run(asked.splits, (50,) if asked.smallest else (50, 120, 300))
    lines = ["# Held-out webworm counts", "", *(__doc__ or "").splitlines()[2:6], ""]
    lines += [f"Means over {asked.splits} splits; lower scores are better; differences are paired by split.", ""]
    lines += ["| samples | method | log score | above ours, one field (± s.e.) | CRPS | 90 % holds | farthest tenth |"]
    lines += ["|---|---|---|---|---|---|---|"]
    for number, group in rows.groupby("samples"):
        wide = group.pivot(index="split", columns="method", values="log_score")
        for name in METHODS:
            mean = group[group["method"] == name][["log_score", "crps", "holds", "pit"]].mean()
            extra = wide[name] - wide["geosample density, one field"]
            lines.append(
                f"| {number} | {name} | {mean['log_score']:.4f} | {extra.mean():+.4f} ± {extra.sem():.4f} | "
                f"{mean['crps']:.4f} | {mean['holds']:.3f} | {mean['pit']:.3f} |"
            )
    asked.publish("\n".join(lines))


if __name__ == "__main__":
    main()
