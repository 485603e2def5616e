"""Fill a blank sheet by simulation, for tests and trials: invented insects from a stated model, never real ones.

Run as ``python tests/fill_blank.py course.gpkg blank_counts.csv filled.csv --seed 11``.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import pandas as pd

from geosample.demo import Fates, fill_sheet
from geosample.design import Design, load_design
from geosample.ground import Ground, load_ground
from geosample.rehearsal.worlds import SimulationModel, draw_truth
from geosample.survey import open_survey


def fill_blank(
    blank_csv: Path,
    design: Design,
    ground: Ground,
    out_csv: Path,
    *,
    seed: int,
    model: SimulationModel | None = None,
    fates: Fates | None = None,
) -> pd.DataFrame:
    """Write the filled sheet and return it, all cells as text; what nobody filled stays blank."""
    rng = np.random.default_rng(seed)
    truth = draw_truth(ground, rng, model or SimulationModel())
    return fill_sheet(blank_csv, out_csv, design, truth, rng, fates)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    for name in ("survey", "blank", "out"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--seed", type=int, default=11)
    given = parser.parse_args()
    survey = open_survey(given.survey, must_exist=True)
    filled = fill_blank(given.blank, load_design(survey), load_ground(survey), given.out, seed=given.seed)
    print(f"{given.out}: {len(filled)} rows, simulated with seed {given.seed}")


if __name__ == "__main__":
    main()
