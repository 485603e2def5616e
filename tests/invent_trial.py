"""Make the invented trial that ships with the program: three sites, blocks of four plugs split between two methods.

Run as ``python tests/invent_trial.py``; a test makes it again and compares.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import numpy as np

PATH = Path(__file__).resolve().parents[1] / "geosample" / "compare" / "invented_trial.csv"
SITES = {"Alder green": 2.0, "Birch collar": 5.0, "Cedar fairway": 1.2}
RATIOS = {"small larvae": 1.6, "large larvae": 1.05}
SHARES = {"small larvae": 0.45, "large larvae": 0.55}
MINUTES = {"brine": (22.0, 2.5), "heat": (9.0, 1.5)}
WAIT_HOURS = {"brine": 1.5, "heat": 48}
BLOCKS, K, BLOCK_SD, SEED = 8, 1.5, 0.7, 11


def invent_rows() -> Iterator[list[object]]:
    rng = np.random.default_rng(SEED)
    for site, mean in SITES.items():
        for block in range(1, BLOCKS + 1):
            here = mean * np.exp(BLOCK_SD * rng.standard_normal() - BLOCK_SD**2 / 2)
            for bag, method in enumerate(rng.permutation(["brine", "brine", "heat", "heat"]), 1):
                clump = rng.gamma(K, 1 / K)
                minutes = round(float(rng.normal(*MINUTES[str(method)])), 1)
                for stage, ratio in RATIOS.items():
                    found = rng.poisson(here * clump * SHARES[stage] * (ratio if method == "heat" else 1.0))
                    yield [site, f"B{block:02d}", bag, method, stage, found, minutes, WAIT_HOURS[str(method)]]


def write_trial(path: Path) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["site", "block", "bag", "method", "stage", "count", "minutes", "wait_hours"])
        writer.writerows(invent_rows())


if __name__ == "__main__":
    write_trial(PATH)
