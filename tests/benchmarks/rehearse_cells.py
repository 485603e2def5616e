"""Do a rehearsal's coarse cells decide as a plan's of 1 m do? Side by side, the same rounds; writes rehearse_cells.md.

Run: python tests/benchmarks/rehearse_cells.py [--rounds N] [--write]
Ground: three holes of the invented demo course, the three guesses of a rehearsal, one number of points.
"""

from __future__ import annotations

import pandas as pd
from bench import ROOT, as_markdown, ask, beside, clock

from geosample.ground import read_ground
from geosample.rehearsal import Rehearsal, rehearse
from geosample.units import FOOT2_M2

HOLES, THRESHOLD, SEED = "3,4,7", 30 / FOOT2_M2, 5
CELLS_M = (1.0, 2.0, None, 6.0)
"""Sides in m; None is what a rehearsal takes by itself."""


def main() -> None:
    """Play the same rounds on each size of cells and write the table."""
    asked = ask(__doc__, beside(__file__), rounds=(150, 3), points=(60, 24))
    ground = read_ground(ROOT / "layers" / "course.geojson", collar_m=0.762)
    rows = []
    for cell_m in (6.0, None) if asked.smallest else CELLS_M:
        played: list[Rehearsal] = []

        def play(side: float | None = cell_m, keep: list[Rehearsal] = played) -> None:
            keep.append(
                rehearse(
                    ground, threshold_per_m2=THRESHOLD, points=(asked.points,), rounds=asked.rounds, holes=HOLES,
                    cell_m=side, seed=SEED, jobs=asked.jobs,
                )
            )  # fmt: skip

        seconds = clock(play)
        plan = played[0].plans.iloc[0]
        shares = {
            name.removesuffix("_m2"): f"{100 * plan[name] / played[0].area_m2:.2f} ± "
            f"{100 * plan[f'{name}_se'] / played[0].area_m2:.2f}"
            for name in ("needless_m2", "left_hot_m2", "hot_m2")
        }
        side = f"{played[0].cell_m:.2g}" + (" (its own)" if cell_m is None else "")
        rows.append(
            {"cells, m": side, **shares, "kinds right": f"{100 * plan['right']:.1f}", "map tells":
             f"{100 * plan['map_says']:.1f}", "s": f"{seconds:.0f}"}
        )  # fmt: skip
    text = (
        "# Coarse cells in a rehearsal\n\n"
        f"Made by `rehearse_cells.py`: the same {asked.rounds} rounds of {asked.points} points on holes {HOLES} of the "
        "demo course;\nper cent of the ground (± luck of the rounds, which all rows share), per cent of rounds.\n\n"
        f"{as_markdown(pd.DataFrame(rows))}\n"
    )
    asked.publish(text)


if __name__ == "__main__":
    main()
