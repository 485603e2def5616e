"""Zones: the type this room makes, and its place in the survey file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from geosample.survey import Survey


@dataclass(frozen=True, slots=True)
class Zones:
    """What to treat, what to look at again, and how sure that is.

    Parameters
    ----------
    visit, pest : str
        Whose counts.
    threshold_per_m2 : float
        Action threshold, insects per m².
    zones : GeoDataFrame
        One MultiPolygon a zone, columns of the layer ``zones``; projected CRS; may be empty.
    findings : DataFrame
        Rows for the layer ``findings``: totals, the targeting curve, what smoothing added and took away.
    settings : dict
        As asked for: costs, swath, smallest, keep-off distances; plain JSON types.
    sentences : tuple of str
        The answer in plain words, most important first.
    """

    visit: str
    pest: str
    threshold_per_m2: float
    zones: gpd.GeoDataFrame
    findings: pd.DataFrame
    settings: dict[str, Any]
    sentences: tuple[str, ...]


OWN_FINDINGS = ("plan", "plan settings", "targeting curve", "smoothing", "overspray")


def save_zones(survey: Survey, zones: Zones) -> None:
    """Put the zones and this room's findings into the survey file, in place of the visit's old ones."""
    of_visit = {"visit": zones.visit, "pest": zones.pest}
    with survey.change() as change:
        change.put("zones", zones.zones, where=of_visit)
        change.put("findings", zones.findings, where={**of_visit, "what": OWN_FINDINGS})
