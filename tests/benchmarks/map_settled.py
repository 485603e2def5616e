"""Ground whose chance settles a threshold, within reach of a plug: how often that is wrong.

Run: python tests/benchmarks/map_settled.py [--surveys N] [--write]
Truths are drawn from the model at 120 places no bag was taken from; 40 surveys of 60 bags a row.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from bench import as_markdown, ask, beside
from conftest import make_hole
from density_case import THRESHOLD, draw_counts, make_counts

from geosample.density import decide_at, exceedance, map_density
from geosample.density.model import SETTLED
from geosample.ground import Ground
from geosample.units import FOOT2_M2

BAGS, PLACES = 60, 180


def look_at(ground: Ground, seed: int, mean_per_m2: float, spread: float) -> pd.DataFrame:
    """Return the places kept from the map that lie on settled ground: its chance, and whether they are above."""
    asked = {"border": (0.0, 0.8)[seed % 2], "range_m": (10.0, 20.0, 40.0, 60.0)[seed % 4]}
    rng = np.random.default_rng(500 + seed)
    counts, places, density = draw_counts(ground, PLACES, rng, mean_per_m2=mean_per_m2, spread=spread, **asked)
    shown = np.arange(PLACES) < BAGS
    some = make_counts(ground, places[shown], counts.counts["count"].to_numpy()[shown])
    found = map_density(some, ground, cell_m=4)
    at = shapely.STRtree(shapely.points(found.cells[["easting", "northing"]].to_numpy()))
    near = at.nearest(shapely.points(places[~shown]))
    chance = exceedance(found, THRESHOLD)[near]
    settled = decide_at(found, THRESHOLD).cells["known"].to_numpy()[near] & (abs(chance - 0.5) >= 0.5 - SETTLED)
    rows = pd.DataFrame({"survey": seed, "chance": chance, "above": density[~shown] > THRESHOLD})
    return rows[settled]


def sum_up(ground: Ground, mean_per_m2: float, spread: float, surveys: int) -> dict[str, object]:
    """Return one row: how much of the ground settled as low was above, and of that settled as high was not."""
    rows = pd.concat([look_at(ground, seed, mean_per_m2, spread) for seed in range(surveys)])
    low = rows[rows["chance"] < 0.5]
    high = rows[rows["chance"] > 0.5]
    by_survey = low.groupby("survey")["above"].mean()
    return {
        "mean, /ft2": round(mean_per_m2 * FOOT2_M2, 1),
        "log sd": spread,
        "settled low": len(low),
        "above, %": round(100 * low["above"].mean(), 1) if len(low) else "",
        "s.e.": round(100 * by_survey.std() / np.sqrt(len(by_survey)), 1) if len(by_survey) > 1 else "",
        "foretold, %": round(100 * low["chance"].mean(), 1) if len(low) else "",
        "settled high": len(high),
        "not above, %": round(100 * (~high["above"]).mean(), 1) if len(high) else "",
    }


def main() -> None:
    """Write the table."""
    asked = ask(__doc__, beside(__file__), surveys=(40, 1))
    ground = make_hole()
    cases = ((60.0, 0.8), (120.0, 0.8), (60.0, 1.2), (800.0, 0.8))[: 1 if asked.smallest else None]
    rows = [sum_up(ground, *case, asked.surveys) for case in cases]
    text = (
        f"# Settled ground\n\nMade by `map_settled.py`: threshold 30/ft2, a chance of {SETTLED:g} settles it; "
        f"{asked.surveys} simulated surveys of {BAGS} bags a row, half with a border effect, ranges 10 to 60 m.\n\n"
        f"{as_markdown(pd.DataFrame(rows))}\n"
    )
    asked.publish(text)


if __name__ == "__main__":
    main()
