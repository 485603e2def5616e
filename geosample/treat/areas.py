"""Areas by hole and kind, in all the units a crew may ask for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from geosample.holes import hole_key
from geosample.units import ACRE_M2, FOOT2_M2, HECTARE_M2, percent
from geosample.words import KIND_LETTERS

if TYPE_CHECKING:
    from geosample.ground import Ground
    from geosample.treat.model import Zones


def four_areas(area_m2: float) -> list[str]:
    """Return an area in ft², acres, m² and ha.

    Examples
    --------
    >>> four_areas(4046.8564224)
    ['43,560', '1.00', '4,047', '0.405']
    """
    acres, hectares = area_m2 / ACRE_M2, area_m2 / HECTARE_M2
    return [
        f"{area_m2 / FOOT2_M2:,.0f}",
        f"{acres:.2f}" if acres >= 1 else f"{acres:.3f}",
        f"{area_m2:,.0f}",
        f"{hectares:.3f}",
    ]


def sum_areas(zones: Zones, ground: Ground) -> pd.DataFrame:
    """Return the areas to treat by hole and kind, and the share of that kind on that hole.

    Returns
    -------
    DataFrame
        hole, kind, zones (how many), area_m2, share (0 to 1), in the order of the holes.
    """
    treat = zones.zones[zones.zones["action"] == "treat"].assign(hole=lambda f: f["hole"].fillna(""))
    sums = treat.groupby(["hole", "kind"], as_index=False).agg(zones=("zone_id", "size"), area_m2=("area_m2", "sum"))
    surfaces = ground.surfaces.assign(hole=ground.surfaces["hole"].fillna(""), all_m2=ground.surfaces.area)
    whole = surfaces.groupby(["hole", "kind"], as_index=False)["all_m2"].sum()
    both = sums.merge(whole, on=["hole", "kind"], how="left")
    both = both.assign(share=both["area_m2"] / both["all_m2"]).drop(columns="all_m2")
    kinds = list(KIND_LETTERS)
    order = sorted(
        range(len(both)), key=lambda i: (hole_key(both["hole"].iloc[i] or None), kinds.index(both["kind"].iloc[i]))
    )
    ordered: pd.DataFrame = both.iloc[order].reset_index(drop=True)
    return ordered


def area_rows(zones: Zones, ground: Ground) -> list[list[str]]:
    """Return the areas by hole and kind as text, with a row for all of them first; no rows for an empty plan."""
    sums = sum_areas(zones, ground)
    if sums.empty:
        return []
    total = ["all", "", f"{sums['zones'].sum()}", *four_areas(float(sums["area_m2"].sum())), ""]
    return [total, *(_row(row) for row in sums.itertuples())]


def _row(row: Any) -> list[str]:
    hole = row.hole or "none named"
    return [hole, row.kind, str(row.zones), *four_areas(row.area_m2), percent(row.share)]
