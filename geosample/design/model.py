"""Design: the type this room makes, and its place in the survey file."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any, cast

from geosample.errors import DesignError, Problem, SurveyError, list_names

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from geosample.survey import Survey


@dataclass(frozen=True, slots=True)
class Visit:
    """One dated round of sampling and how it was drawn.

    Parameters
    ----------
    visit : str
        Its name, unique in the survey; the date by default.
    date : str
        ISO date, YYYY-MM-DD.
    pest : str
        A profile's name.
    unit_shape : str
        ``plug``, ``square`` or ``flush``.
    unit_m2, unit_depth_mm : float
        Area in m² and depth in mm of one sample unit.
    units_per_point : int
        How many units are pooled in one bag.
    design_code : str
        Short code printed on every sheet.
    seed : int
        Seed of the draw.
    settings : dict
        Enough to draw the design again, with library versions; plain JSON types.
    """

    visit: str
    date: str
    pest: str
    unit_shape: str
    unit_m2: float
    unit_depth_mm: float
    units_per_point: int
    design_code: str
    seed: int
    settings: dict[str, Any] = field(default_factory=dict)

    @property
    def point_m2(self) -> float:
        """The turf taken at one point, m²: all its units together."""
        return self.unit_m2 * self.units_per_point

    @property
    def simulated(self) -> str:
        """The sentence that goes wherever invented counts are shown; empty for real ones."""
        return str(self.settings.get("simulated") or "")

    @property
    def follows(self) -> str:
        """The visit whose map this round's points were chosen to sharpen; empty for a round that was drawn."""
        return str(self.settings.get("follows") or "")

    @property
    def k(self) -> float | None:
        """The k of a bag the visit was planned with; None where nobody gave or found one."""
        k = self.settings.get("k")
        return float(k) if k else None

    @property
    def k_from(self) -> str:
        """Where that k comes from."""
        return str(self.settings.get("k_from") or "given")

    @property
    def stop_lines(self) -> list[dict[str, Any]]:
        """A plan for each stratum that says when its counting may stop; none for a visit counted whole."""
        return list(self.settings.get("stop_lines") or [])

    @property
    def compare(self) -> tuple[str, ...]:
        """The extraction methods each point's plugs are split between; none for one bag a point."""
        return tuple(self.settings.get("compare") or ())


@dataclass(frozen=True, slots=True)
class Design:
    """Where to pull plugs, with the density every place had of being drawn.

    Parameters
    ----------
    visit : Visit
        The round and its settings.
    points : GeoDataFrame
        One Point a planned place, columns of the layer ``points``; point_id is unique in the visit; projected CRS.
    strata : GeoDataFrame
        The target area: one MultiPolygon per stratum and surface part, columns of the layer ``strata``. Their areas
        add up to what the design weights stand for.
    """

    visit: Visit
    points: gpd.GeoDataFrame
    strata: gpd.GeoDataFrame


def load_visit(survey: Survey, visit: str | None = None) -> Visit:
    """Return a visit, the newest when ``visit`` is None.

    Raises
    ------
    SurveyError
        When there is no such visit.
    """
    row = survey.need("visits", visit=survey.find_visit(visit)).iloc[0].to_dict()
    known = {key: row[key] for key in Visit.__dataclass_fields__ if key != "settings"}
    return Visit(**known, settings=json.loads(row["settings"] or "{}"))


def load_design(survey: Survey, visit: str | None = None) -> Design:
    """Return a visit's design, the newest when ``visit`` is None.

    Raises
    ------
    SurveyError
        When there is no such visit, or its points lie in strata it no longer has.
    """
    found = load_visit(survey, visit)
    name = found.visit
    points = cast("gpd.GeoDataFrame", survey.need("points", visit=name))
    strata = cast("gpd.GeoDataFrame", survey.need("strata", visit=name))
    _check_strata(survey, points, strata)
    return Design(found, points, strata)


def _check_strata(survey: Survey, points: pd.DataFrame, strata: pd.DataFrame) -> None:
    """Let only points pass whose stratum is there; those of a follow-up have no weight, and stand for no stratum."""
    lost = sorted(set(points["stratum"][points["weight_m2"].notna()]) - set(strata["stratum"]))
    if lost:
        where, found = f"{survey.path} layer points", f"strata that layer strata does not have: {list_names(lost)}"
        remedy = "mend the rows in the program that changed them, or restore the file from a back-up"
        raise SurveyError(Problem(where, found, f"one of: {list_names(sorted(set(strata['stratum'])))}", remedy))


def save_design(survey: Survey, design: Design) -> None:
    """Put a visit's design into the survey file, in place of an older one of the same name.

    Raises
    ------
    DesignError
        When the visit has counts already: a new design would leave them without their points.
    """
    name = design.visit.visit
    with survey.change() as change:
        check_open(change.read("samples"), name)
        change.put("visits", _visit_row(design.visit), where={"visit": name})
        change.put("points", design.points, where={"visit": name})
        change.put("strata", design.strata, where={"visit": name})


def check_open(samples: pd.DataFrame, visit: str) -> None:
    """Let only a visit be drawn that has no counts yet.

    Raises
    ------
    DesignError
        When there are samples of the visit.
    """
    mine = int((samples["visit"] == visit).sum())
    if mine:
        found = f"{mine} samples that have come back for it"
        remedy = "give the new round a name of its own; its design is kept as it was drawn"
        raise DesignError(Problem(f"--visit {visit}", found, "a visit with no counts yet", remedy))


def _visit_row(visit: Visit) -> pd.DataFrame:
    import pandas as pd

    settings = json.dumps(visit.settings, ensure_ascii=False, sort_keys=True)
    return pd.DataFrame([{**asdict(visit), "settings": settings}])
