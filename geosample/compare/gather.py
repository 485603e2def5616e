"""Counts of a visit as a trial: bags of the same point belong together."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from geosample.compare.model import COLUMNS, Trial
from geosample.words import NO_HOLE

if TYPE_CHECKING:
    from geosample.counts import Counts
    from geosample.design import Design


def gather_trial(counts: Counts, design: Design, *, pest: str, site: str = "kind") -> Trial:
    """Return a visit's counted bags by block and method.

    Parameters
    ----------
    counts : Counts
        What came back.
    design : Design
        Its points, each a block of its own.
    pest : str
        The pest to compare.
    site : str
        What sites are: ``kind``, ``hole``, ``surface_id`` or ``all``.
    """
    points = design.points.set_index("point_id")
    bags = counts.samples[counts.samples["status"] == "counted"]
    rows = counts.counts[counts.counts["pest"] == pest][["sample_id", "stage", "count"]]
    merged = rows.merge(pd.DataFrame(bags.drop(columns="geometry")), on="sample_id")
    place = merged["point_id"].map
    trial = merged.assign(
        site="all" if site == "all" else place(points[site]).fillna(NO_HOLE),
        block=merged["point_id"],
        bag=merged["sample_id"],
        effort=merged["sampled_m2"],
        minutes=float("nan"),
        cost=float("nan"),
    )
    return Trial(trial[list(COLUMNS)], f"visit {counts.visit}", invented=bool(design.visit.simulated))
