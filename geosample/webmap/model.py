"""Story: all that one visit's page is drawn from, as far as the work has come."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

from geosample.report.design import SIMULATED
from geosample.units import Units

if TYPE_CHECKING:
    from pathlib import Path

    import geopandas as gpd
    import pandas as pd

    from geosample.density import DensityMap
    from geosample.survey import Survey


@dataclass(frozen=True, slots=True)
class Look:
    """How the page is to look.

    Parameters
    ----------
    units : {"us", "metric"}
        Units shown first; the page can switch.
    thresholds_per_m2 : tuple of float
        Thresholds the reader can step through, insects per m²; chosen from the map's range when empty.
    aerial : Path, optional
        A GeoTIFF of the user's to lay underneath.
    base_map : str, optional
        Address of map tiles with ``{z}``, ``{x}`` and ``{y}``. Nothing is asked of it until the reader switches it on.
    base_credit : str
        Whom the tiles' owner wants named; needed with a base map.
    """

    units: Units = "us"
    thresholds_per_m2: tuple[float, ...] = ()
    aerial: Path | None = None
    base_map: str | None = None
    base_credit: str = ""


@dataclass(frozen=True, slots=True)
class Story:
    """What the survey holds for one visit; a stage that has not run leaves its frame empty.

    Parameters
    ----------
    course : str
        The survey file's name without its ending.
    visit : dict
        The row of ``visits``; empty before the design.
    settings : dict
        The visit's settings; empty before the design.
    surfaces, obstacles : GeoDataFrame
        The ground.
    points, samples, zones : GeoDataFrame
        This visit's rows; maybe none.
    counts, estimates, findings : DataFrame
        This visit's rows; maybe none.
    density : DensityMap, optional
        None before 'geosample density'.
    """

    course: str
    visit: dict[str, Any]
    settings: dict[str, Any]
    surfaces: gpd.GeoDataFrame
    obstacles: gpd.GeoDataFrame
    points: gpd.GeoDataFrame
    samples: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    counts: pd.DataFrame
    estimates: pd.DataFrame
    findings: pd.DataFrame
    density: DensityMap | None

    @property
    def pest(self) -> str:
        """The visit's pest, or what to call it before there is a visit."""
        return str(self.visit.get("pest") or "insect")

    @property
    def simulated(self) -> str:
        """The sentence that says the counts are simulated, or nothing."""
        return SIMULATED if self.settings.get("simulated") else ""

    @property
    def planned_per_m2(self) -> float | None:
        """The threshold of the treatment areas, insects per m², or None."""
        said = self.zones["threshold_per_m2"].dropna()
        if said.empty:
            said = self.findings.loc[self.findings["what"] == "plan", "threshold_per_m2"].dropna()
        return float(said.iloc[0]) if len(said) else None

    @property
    def threshold_per_m2(self) -> float | None:
        """The plan's threshold, or else the one the map was asked for, insects per m², or None."""
        asked = self.density.settings.threshold_per_m2 if self.density else None
        return self.planned_per_m2 or asked

    @property
    def settled(self) -> DensityMap | None:
        """The density map, ``known`` where the counts say enough to decide at the page's threshold."""
        from geosample.density import decide_at

        if self.density is None or not self.threshold_per_m2:
            return self.density
        return decide_at(self.density, self.threshold_per_m2)


def gather_story(survey: Survey, visit: str | None = None) -> Story:
    """Return all that the survey holds for a visit; when None the newest with counts, or else the newest.

    Raises
    ------
    SurveyError
        When there is no ground yet, or no visit of that name.
    """
    surfaces = cast("gpd.GeoDataFrame", survey.need("surfaces"))
    obstacles = cast("gpd.GeoDataFrame", survey.read("obstacles"))
    wanted = visit if visit is not None else survey.newest_among(survey.read("samples")["visit"])
    name = None if wanted is None and survey.read("visits").empty else survey.find_visit(wanted)
    row = _visit_row(survey, name)
    own = {layer: _rows(survey, layer, row) for layer in ("counts", "estimates", "findings")}
    placed = {layer: cast("gpd.GeoDataFrame", _rows(survey, layer, row)) for layer in ("points", "samples", "zones")}
    settings = json.loads(row.get("settings") or "{}")
    density = _density(survey, row)
    return Story(survey.path.stem, row, settings, surfaces, obstacles, **placed, **own, density=density)


def _visit_row(survey: Survey, name: str | None) -> dict[str, Any]:
    if name is None:
        return {}
    row = survey.need("visits", visit=name).iloc[0]
    return {str(key): value for key, value in row.items()}


def _rows(survey: Survey, layer: str, visit: dict[str, Any]) -> pd.DataFrame:
    """Return the visit's rows of a layer; the visit's own pest where the layer tells pests apart."""
    frame = survey.read(layer)
    mine = frame["visit"] == visit.get("visit")
    if "pest" in frame.columns:
        mine &= frame["pest"] == visit.get("pest")
    return frame[mine].reset_index(drop=True)


def _density(survey: Survey, visit: dict[str, Any]) -> DensityMap | None:
    from geosample.density import load_density

    if not visit or (survey.read("models")["visit"] == visit["visit"]).sum() == 0:
        return None
    return load_density(survey, visit["visit"])
