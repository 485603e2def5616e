"""Zones: the type this room makes, and its place in the survey file."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

from geosample.errors import Problem, SurveyError

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
        The answer in plain words, most important first, then the reasons.
    brief : int
        How many of the sentences make the answer.
    unknown : GeoDataFrame or None
        Mapped ground outside the zones that is not known, a row a surface (hole, geometry), for the plan's maps. Not
        kept with the zones: the map's cells have it.
    """

    visit: str
    pest: str
    threshold_per_m2: float
    zones: gpd.GeoDataFrame
    findings: pd.DataFrame
    settings: dict[str, Any]
    sentences: tuple[str, ...]
    brief: int
    unknown: gpd.GeoDataFrame | None = None

    @property
    def answer(self) -> tuple[str, ...]:
        """The sentences to read first."""
        return self.sentences[: self.brief]

    @property
    def reasons(self) -> tuple[str, ...]:
        """The sentences that say why."""
        return self.sentences[self.brief :]


OWN_FINDINGS = ("plan", "plan settings", "targeting curve", "smoothing", "overspray")


def save_zones(survey: Survey, zones: Zones) -> None:
    """Put the zones and this room's findings into the survey file, in place of the visit's old ones."""
    of_visit = {"visit": zones.visit, "pest": zones.pest}
    with survey.change() as change:
        change.put("zones", zones.zones, where=of_visit)
        change.put("findings", zones.findings, where={**of_visit, "what": OWN_FINDINGS})


def load_zones(survey: Survey, visit: str | None = None) -> Zones:
    """Return a visit's zones, when ``visit`` is None those of the newest visit with a plan; one of no zones is one too.

    Raises
    ------
    SurveyError
        When 'geosample treat' has not been run for it, or its settings are no longer as they were written.
    """
    found = survey.read("findings")
    planned = found.loc[found["what"] == "plan settings", "visit"]
    name = visit if visit is not None else survey.newest_among(planned)
    name = survey.find_visit(name)
    own = found[(found["visit"] == name) & found["what"].isin(OWN_FINDINGS)].reset_index(drop=True)
    plan = own[own["what"] == "plan settings"]
    if plan.empty:
        remedy = f"run 'geosample treat {survey.path.name} ...' first"
        raise SurveyError(Problem(str(survey.path), f"no plan for {name}", "treatment zones", remedy))
    row = plan.iloc[-1]
    said = _read_settings(survey, row)
    zones = survey.read("zones")
    zones = zones[(zones["visit"] == name) & (zones["pest"] == row["pest"])].reset_index(drop=True)
    own = own[own["pest"] == row["pest"]].reset_index(drop=True)
    return Zones(
        name,
        row["pest"],
        float(row["threshold_per_m2"]),
        cast("gpd.GeoDataFrame", zones),
        own,
        said["settings"],
        tuple(said["sentences"]),
        int(said.get("brief", len(said["sentences"]))),
    )


def _read_settings(survey: Survey, row: pd.Series) -> dict[str, Any]:
    """Return what the finding 'plan settings' keeps of a plan, which is JSON."""
    try:
        said = json.loads(row["note"] or "")
    except ValueError:
        said = None
    if isinstance(said, dict) and {"settings", "sentences"} <= set(said) and row["threshold_per_m2"] >= 0:
        return said
    where = f"{survey.path} layer findings, 'plan settings' of visit {row['visit']}"
    found = f"threshold_per_m2 {row['threshold_per_m2']}, note {str(row['note'])[:60]!r}"
    remedy = f"run 'geosample treat {survey.path.name} ...' again"
    raise SurveyError(Problem(where, found, "a threshold, and settings as JSON", remedy))
