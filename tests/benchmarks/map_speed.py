"""How long fitting and mapping take, beside scikit-learn's Gaussian process and PyKrige on the same data in one run.

Run: OMP_NUM_THREADS=1 python tests/benchmarks/map_speed.py [--big 1] --write; the table is sample_maps/map_speed.md.
With --big 1: 2,000 samples, and a million cells, as well.
"""

from __future__ import annotations

import multiprocessing
import multiprocessing.connection
import os
import resource
import time
import warnings
from collections.abc import Callable, Iterable

import numpy as np
from bench import ask, in_samples
from pykrige.ok import OrdinaryKriging
from scipy.special import ndtr
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

from geosample.density.laplace import Priors, Sites, fit_counts, predict_log

CHUNK = 10_000


def make_data(samples: int, cells: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return sample places, counts around a smooth field, and cell places, on ground that grows with the samples."""
    rng = np.random.default_rng(1)
    side = 12.0 * np.sqrt(samples)
    places, grid = rng.uniform(0, side, (samples, 2)), rng.uniform(0, side, (cells, 2))
    waves, phases = rng.standard_normal((200, 2)) / 12, rng.uniform(0, 2 * np.pi, 200)
    field = np.cos(places @ waves.T + phases).sum(axis=1) * np.sqrt(2 / 200) * 0.8
    return places, rng.poisson(rng.gamma(1.2, 3 * np.exp(field) / 1.2)).astype(float), grid


def ours(places: np.ndarray, count: np.ndarray, grid: np.ndarray) -> None:
    """Fit and map: mean, interval and exceedance."""

    def basis(at: np.ndarray) -> np.ndarray:
        return np.column_stack([np.full(len(at), 4.0), 1.5 * np.exp(-(at[:, 0] % 20) / 4)])

    sites = Sites(places, basis(places), count, np.full(len(count), np.log(count.mean())))
    mean, spread = predict_log(fit_counts(sites, Priors(), doubtful=[1], allow_even=True), grid, basis(grid))
    np.exp(mean - 1.645 * spread), np.exp(mean + 1.645 * spread), ndtr(mean / spread)


def theirs(places: np.ndarray, count: np.ndarray, grid: np.ndarray) -> None:
    """Fit and predict scikit-learn's Gaussian process on roots, with std, in chunks."""
    kernel = ConstantKernel(1.0) * Matern(10.0, (1.0, 150.0), nu=0.5) + WhiteKernel(0.5)
    model = GaussianProcessRegressor(kernel, normalize_y=True).fit(places, np.sqrt(count + 0.375))
    for start in range(0, len(grid), CHUNK):
        model.predict(grid[start : start + CHUNK], return_std=True)


def kriged(places: np.ndarray, count: np.ndarray, grid: np.ndarray) -> None:
    """Fit and predict PyKrige's ordinary kriging of log counts, in chunks."""
    krige = OrdinaryKriging(*places.T, np.log1p(count), variogram_model="exponential")
    for start in range(0, len(grid), CHUNK):
        krige.execute("points", *grid[start : start + CHUNK].T)


def _measure(work: Callable[..., None], samples: int, cells: int, pipe: multiprocessing.connection.Connection) -> None:
    warnings.simplefilter("ignore")
    data = make_data(samples, cells)
    start = time.perf_counter()
    work(*data)
    pipe.send((time.perf_counter() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024))


def measure(work: Callable[..., None], samples: int, cells: int) -> tuple[float, float]:
    """Return seconds and peak MB of the work in a process of its own."""
    here, there = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(target=_measure, args=(work, samples, cells, there))
    process.start()
    there.close()
    found = here.recv()
    process.join()
    return found


def tabulate(rows: Iterable[tuple[Callable[..., None], int, int]]) -> Iterable[str]:
    """Yield a line a case."""
    for work, samples, cells in rows:
        seconds, peak = measure(work, samples, cells)
        line = f"| {NAMES[work.__name__]} | {samples:,} | {cells:,} | {seconds:.2f} | {peak:.0f} |"
        yield line


NAMES = {"ours": "geosample density", "theirs": "scikit-learn GP with std", "kriged": "PyKrige ordinary kriging"}


def main() -> None:
    """Run the table and write it."""
    asked = ask(__doc__, in_samples(__file__), big=(0, 0))
    cases = [(work, 300, 100_000) for work in (ours, theirs, kriged)]
    cases += [(ours, samples, 30_000) for samples in (50, 100, 200, 400, 800)]
    cases += [(ours, 100, cells) for cells in (10_000, 100_000, 1_000_000)]
    if asked.big:
        cases += [(ours, 300, 1_000_000), (ours, 2000, 100_000), (kriged, 2000, 100_000)]
    if asked.smallest:
        cases = [(work, 30, 200) for work in (ours, theirs, kriged)]
    threads = os.environ.get("OMP_NUM_THREADS", "all")
    lines = [
        "# How long fitting and mapping take",
        "",
        f"Fit, mean, interval and exceedance; wall seconds in one run, threads: {threads}; peak memory of each.",
        "",
        "| method | samples | cells | seconds | peak MB |",
        "|---|---|---|---|---|",
        *tabulate(cases),
    ]
    asked.publish("\n".join(lines))


if __name__ == "__main__":
    main()
