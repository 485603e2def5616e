"""Fill a blank sheet by simulation, for tests and trials: invented insects from a stated model, never real ones.

Run as ``python tests/fill_blank.py course.gpkg blank_counts.csv filled.csv --seed 11``.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from geosample.demo.simulate import SimulationModel, count_bags, draw_truth
from geosample.design import Design, load_design
from geosample.ground import Ground, load_ground
from geosample.pests import load_pest
from geosample.survey import open_survey


@dataclass(frozen=True)
class Fates:
    """What share of the main points comes to grief; a reserve point of the stratum is pulled for each unreachable."""

    lost: float = 0.02
    unreachable: float = 0.03
    not_extracted: float = 0.0
    off_turf: float = 0.0


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
    return fill_frame(blank_csv, count_bags(design, truth, rng), design, out_csv, rng, fates or Fates())


def fill_frame(
    blank_csv: Path, bags: pd.DataFrame, design: Design, out_csv: Path, rng: np.random.Generator, fates: Fates
) -> pd.DataFrame:
    blank = pd.read_csv(blank_csv, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    state = choose_fates(design, rng, fates)
    stages = [stage.key for stage in load_pest(design.visit.pest).stages]
    found = bags.set_index("point_id")[stages].astype(str)
    rows = []
    for row in blank.to_dict("records"):
        fate = state.get(row["point_id"], "")
        counts = dict(found.loc[row["point_id"]]) if fate == "counted" else {}
        status = "" if fate == "counted" else fate
        rows.append({**row, **counts, "status": status, **_sign(design, fate)})
    filled = pd.DataFrame(rows, columns=list(blank.columns))
    filled.to_csv(out_csv, index=False)
    return filled


def choose_fates(design: Design, rng: np.random.Generator, fates: Fates) -> dict[str, str]:
    """Return point -> status; a reserve point that nobody needed is left out."""
    points = design.points.sort_values(["walk_order", "point_id"])
    main, spare = points[points["role"] == "main"], points[points["role"] == "reserve"]
    shares = [fates.lost, fates.unreachable, fates.not_extracted, fates.off_turf]
    names = ["lost", "unreachable", "not_extracted", "off_turf", "counted"]
    drawn = rng.choice(names, size=len(main), p=[*shares, 1 - sum(shares)])
    state = dict(zip(main["point_id"], (str(name) for name in drawn), strict=True))
    unreachable = main[drawn == "unreachable"].groupby("stratum").size()
    for stratum, needed in unreachable.items():
        state.update(dict.fromkeys(spare.loc[spare["stratum"] == stratum, "point_id"].iloc[:needed], "counted"))
    return state


def _sign(design: Design, fate: str) -> dict[str, str]:
    if not fate:
        return {}
    return {"collector": "crew A", "counted_by": "bench B", "collected_at": design.visit.date, "note": "simulated"}


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
