"""Two rounds of plugs mapped as one: a follow-up with the round it follows."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from geosample.counts import Counts
from geosample.errors import DensityError, Problem

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd


def join_rounds(first: Counts, second: Counts) -> Counts:
    """Return the counts of a second round with those of the round it follows, as one visit's: the second's.

    Raises
    ------
    DensityError
        When the two lie in different coordinate systems.
    """
    import pandas as pd

    if first.samples.crs != second.samples.crs:
        found = f"{first.visit} and {second.visit} in different systems"
        raise DensityError(Problem("counts", found, "the same CRS", "take both in again with 'geosample counts'"))
    samples, counts = (
        frame.assign(sample_id=f"{first.visit} " + frame["sample_id"], visit=second.visit)
        for frame in (first.samples, first.counts)
    )
    return Counts(
        second.visit,
        cast("gpd.GeoDataFrame", pd.concat([samples, second.samples], ignore_index=True)),
        pd.concat([counts, second.counts], ignore_index=True),
        (*first.notes, *second.notes),
    )


def check_untreated(treatments: pd.DataFrame, first: str, day: str) -> None:
    """Let only rounds be joined between which nothing was applied: counts from before say nothing of after.

    Parameters
    ----------
    treatments : DataFrame
        The layer ``treatments``.
    first : str
        The visit followed.
    day : str
        Date of the round that follows, YYYY-MM-DD.

    Raises
    ------
    DensityError
        When a treatment by the first visit's plan is recorded up to that day.
    """
    done = treatments[(treatments["visit"] == first) & (treatments["date"].astype(str) <= day)]
    if len(done):
        found = f"a treatment by its plan on {', '.join(sorted(set(done['date'].astype(str))))}"
        remedy = "the counts from before no longer hold: draw a visit of its own with 'geosample design'"
        raise DensityError(Problem(f"visit {day}, which follows {first}", found, "nothing applied in between", remedy))
