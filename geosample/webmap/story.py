"""Story: all that one visit's page is drawn from, as far as the work has come."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

from geosample.density import decide_at, load_density
from geosample.errors import MapError, Problem
from geosample.ground import load_ground
from geosample.survey.findings import Findings, What, read_findings
from geosample.survey.layers import shape_frame
from geosample.survey.reading import empty_layer
from geosample.words import ACTIONS

if TYPE_CHECKING:
    from collections.abc import Mapping

    import geopandas as gpd
    import pandas as pd

    from geosample.counts import Counts
    from geosample.density import DensityMap
    from geosample.design import Design, Visit
    from geosample.estimate import Estimates
    from geosample.ground import Ground
    from geosample.survey import Survey
    from geosample.treat import Zones

STAGES = ("design", "counts", "estimate", "density", "treat")
"""What the page can show besides the ground, in the order of the work."""
MOST_OTHERS = 3
"""Other visits on a page: each adds about two tenths of a megabyte (own choice)."""
_OF_VISIT = ("strata", "points", "samples", "counts", "estimates", "zones")


@dataclass(frozen=True, slots=True)
class Story:
    """What there is of one visit; a stage that has not run leaves its frame empty.

    Parameters
    ----------
    course : str
        What the course is called.
    visit : Visit, optional
        None before the design.
    surfaces, obstacles : GeoDataFrame
        The ground, projected, in metres.
    strata, points, samples, zones : GeoDataFrame
        This visit's rows; maybe none.
    counts, estimates : DataFrame
        This visit's rows, of its own pest; maybe none.
    findings : Findings
        Of this visit and pest; maybe none.
    density : DensityMap, optional
        None before 'geosample density'.
    """

    course: str
    visit: Visit | None
    surfaces: gpd.GeoDataFrame
    obstacles: gpd.GeoDataFrame
    strata: gpd.GeoDataFrame
    points: gpd.GeoDataFrame
    samples: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    counts: pd.DataFrame
    estimates: pd.DataFrame
    findings: Findings
    density: DensityMap | None

    @property
    def pest(self) -> str:
        """The visit's pest, or what to call it before there is a visit."""
        return self.visit.pest if self.visit else "insect"

    @property
    def simulated(self) -> bool:
        """Whether the counts are invented."""
        return self.visit is not None and self.visit.simulated

    @property
    def planned(self) -> bool:
        """Whether zones have been looked for, be it that none were found."""
        return len(self.zones) > 0 or self.findings.first(What.PLAN) is not None

    @property
    def planned_per_m2(self) -> float | None:
        """The threshold of the treatment areas, insects per m², or None."""
        said = [*self.zones["threshold_per_m2"], *(row.threshold_per_m2 for row in self.findings.of(What.PLAN))]
        return next((float(value) for value in said if value == value), None)  # noqa: PLR0124  (nan is no threshold)

    @property
    def threshold_per_m2(self) -> float | None:
        """The plan's threshold, or else the one the map was asked for, insects per m², or None."""
        asked = self.density.settings.threshold_per_m2 if self.density else None
        return self.planned_per_m2 or asked

    @property
    def settled(self) -> DensityMap | None:
        """The density map, ``known`` where the counts say enough to decide at the page's threshold."""
        if self.density is None or not self.threshold_per_m2:
            return self.density
        return decide_at(self.density, self.threshold_per_m2)

    @property
    def not_known(self) -> tuple[float, float]:
        """The mapped ground that the counts say too little of, and all of it, m²; none before there is a map."""
        if self.settled is None:
            return 0.0, 0.0
        cells = self.settled.cells
        return float(cells.loc[~cells["known"], "area_m2"].sum()), float(cells["area_m2"].sum())

    @property
    def missing(self) -> tuple[str, ...]:
        """The stages that have not run, of ``STAGES``."""
        done = (self.visit is not None, len(self.samples), len(self.estimates), self.density is not None, self.planned)
        return tuple(stage for stage, run in zip(STAGES, done, strict=True) if not run)

    @property
    def uncounted(self) -> int:
        """How many samples came back without a count."""
        return int((self.samples["status"] != "counted").sum())

    @property
    def counted(self) -> gpd.GeoDataFrame:
        """The points whose bags came back counted."""
        back = self.samples.loc[self.samples["status"] == "counted", "point_id"]
        return self.points[self.points["point_id"].isin(set(back))]

    @property
    def unsampled(self) -> gpd.GeoDataFrame:
        """The surfaces that were to be sampled and have no counted bag; none before counts come back."""
        asked = set(self.strata["surface_id"]) if len(self.samples) else set()
        return self.surfaces[self.surfaces["surface_id"].isin(asked - set(self.counted["surface_id"]))]

    @property
    def sampled_holes(self) -> set[str]:
        """The holes with a counted bag, or else those with a point."""
        points = self.points if self.counted.empty else self.counted
        return set(points["hole"].dropna())

    def zones_to(self, action: str) -> gpd.GeoDataFrame:
        """Return the zones of one action."""
        return self.zones[self.zones["action"] == action]

    def broadest(self) -> dict[str, Any] | None:
        """Return the estimate that rests on the most samples, ground and stages; None when there is none."""
        if self.estimates.empty:
            return None
        order = self.estimates.sort_values(["n", "area_m2", "mean_per_m2"], kind="stable")
        return cast("dict[str, Any]", order.iloc[-1].to_dict())

    def kinds(self) -> list[dict[str, Any]]:
        """Return the estimates by kind of ground, the highest first, of the stages the broadest estimate is of."""
        whole, rows = self.broadest(), self.estimates
        if whole is None:
            return []
        rows = rows[(rows["domain"] == "kind") & (rows["stage"] == whole["stage"])]
        rows = rows.sort_values("mean_per_m2", ascending=False, kind="stable")
        return cast("list[dict[str, Any]]", rows.to_dict("records"))

    def summary(self) -> dict[str, Any]:
        """Return the facts of what is shown in plain JSON types, names with their unit."""
        areas = self.zones.groupby("action")["area_m2"].sum()
        return {
            "visit": self.visit.visit if self.visit else None,
            "simulated": self.simulated,
            "surfaces": len(self.surfaces),
            "points": int((self.points["role"] == "main").sum()),
            "samples": len(self.samples),
            "counted": int((self.samples["status"] == "counted").sum()),
            "density": self.density is not None,
            "not_known_m2": self.not_known[0] if self.density else None,
            "zones": {action: len(self.zones_to(action)) for action in ACTIONS},
            "zone_area_m2": {action: float(areas.get(action, 0.0)) for action in ACTIONS},
        }


def gather_story(survey: Survey, visit: str | None = None) -> Story:
    """Return all that the survey holds for a visit; when None the newest with counts, or else the newest.

    Raises
    ------
    SurveyError
        When there is no ground yet, or no visit of that name.
    """
    return gather_stories(survey, visit, others=0)[0]


def gather_stories(survey: Survey, visit: str | None = None, *, others: int = MOST_OTHERS) -> list[Story]:
    """Return the story of a visit, as ``gather_story`` does, and after it those of other visits to see beside it.

    Parameters
    ----------
    survey : Survey
        With a ground in it.
    visit : str, optional
        The first; when None the newest with counts, or else the newest.
    others : int
        How many others at most: those of its pest, on its ground, that have counts, the newest first.

    Raises
    ------
    SurveyError
        When there is no ground yet, or no visit of that name.
    """
    from geosample.design import load_visit

    survey.need("surfaces")
    frames = {layer: survey.read(layer) for layer in _OF_VISIT}
    counted = set(frames["samples"]["visit"])
    wanted = visit if visit is not None else survey.newest_among(counted)
    visits = survey.read("visits")
    known = None if wanted is None and visits.empty else load_visit(survey, wanted)
    ground = load_ground(survey, known.visit if known else None)
    shown = [known]
    if known and others:
        drawn_on = visits.set_index("visit")["ground_version"]
        alike = counted & set(visits.loc[visits["pest"] == known.pest, "visit"]) - {known.visit}
        alike = {name for name in alike if drawn_on[name] == drawn_on[known.visit]}
        names = [name for name in reversed(survey.order_visits()) if name in alike]
        shown += [load_visit(survey, name) for name in names[:others]]
    mapped = set(survey.read("models")["visit"])
    return [
        _tell_story(
            survey.course,
            one,
            (ground.surfaces, ground.obstacles),
            frames,
            read_findings(survey, one.visit, one.pest) if one else Findings("", "", ()),
            load_density(survey, one.visit) if one and one.visit in mapped else None,
        )
        for one in shown
    ]


def gather_results(  # noqa: PLR0913 - a keyword a stage
    ground: Ground,
    design: Design | None = None,
    counts: Counts | None = None,
    estimates: Estimates | None = None,
    density_map: DensityMap | None = None,
    zones: Zones | None = None,
    *,
    course: str = "",
) -> Story:
    """Return the story of stages' results that no survey file need hold.

    Parameters
    ----------
    ground : Ground
        The course.
    design, counts, estimates, density_map, zones : optional
        What there is of one visit; results need the design they go back to.
    course : str
        What the page calls the course.

    Raises
    ------
    MapError
        When there are results without a design, or of another visit than it.
    """
    visit = design.visit if design else None
    results = {"counts": counts, "estimates": estimates, "density_map": density_map, "zones": zones}
    given = {name: result.visit for name, result in results.items() if result is not None}
    if visit is None and given:
        found, remedy = f"none, but {', '.join(given)}", "give the design they go back to"
        raise MapError(Problem("design", found, "the design of their visit", remedy))
    others = [(name, of) for name, of in given.items() if visit and of != visit.visit]
    if visit and others:
        remedy = "give results of one visit"
        raise MapError(
            Problem(name, f"visit {of}", f"visit {visit.visit}, the design's", remedy) for name, of in others
        )
    frames = {
        "strata": design.strata if design else None,
        "points": design.points if design else None,
        "samples": counts.samples if counts else None,
        "counts": counts.counts if counts else None,
        "estimates": estimates.estimates if estimates else None,
        "zones": zones.zones if zones else None,
    }
    made = [result.findings for result in (estimates, density_map, zones) if result is not None]
    findings = Findings(
        visit.visit if visit else "", visit.pest if visit else "", tuple(row for part in made for row in part)
    )
    return _tell_story(
        course or ground.name or "The course", visit, (ground.surfaces, ground.obstacles), frames, findings, density_map
    )


def _tell_story(
    course: str,
    visit: Visit | None,
    ground: tuple[gpd.GeoDataFrame, gpd.GeoDataFrame],
    frames: Mapping[str, pd.DataFrame | None],
    findings: Findings,
    density: DensityMap | None,
) -> Story:
    """Return a story of the frames' rows that are of the visit, and of its own pest where a frame tells pests apart."""
    own = {name: _of_visit(name, frame, visit) for name, frame in frames.items()}
    return Story(course, visit, *ground, **own, findings=findings, density=density)


def _of_visit(layer: str, frame: pd.DataFrame | None, visit: Visit | None) -> pd.DataFrame:
    if frame is None or visit is None:
        return empty_layer(layer)
    mine = frame["visit"] == visit.visit
    if "pest" in frame.columns:
        mine &= frame["pest"] == visit.pest
    return shape_frame(layer, frame[mine])
