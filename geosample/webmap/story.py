"""Story: all that one visit's page is drawn from, as far as the work has come; and what of it is drawn as shapes.

Shapes are frames made GeoJSON features, each with its look and what it says when tapped.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
import shapely
from markupsafe import escape

from geosample.density import LEVELS, decide_at, exceedance, find_hotspots, load_density, outline_hotspots
from geosample.errors import MapError, Problem
from geosample.ground import load_ground
from geosample.report import webmap as words
from geosample.survey.findings import Findings, What, read_findings
from geosample.survey.layers import shape_frame
from geosample.survey.reading import empty_layer
from geosample.units import percent
from geosample.words import ACTIONS

if TYPE_CHECKING:
    from collections.abc import Mapping

    import geopandas as gpd

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
_OF_VISIT = ("strata", "points", "samples", "counts", "estimates", "zones", "treatments")


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
    treatments : DataFrame
        What was recorded as done by this visit's plan; maybe nothing.
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
    treatments: pd.DataFrame
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

    def treated(self) -> dict[str, str]:
        """Return the zones that were recorded as treated, each with the last day it was."""
        rows = self.treatments.sort_values("date", kind="stable")
        done = {
            name.strip(): str(day)
            for day, names in zip(rows["date"], rows["zone_ids"], strict=True)
            for name in str(names).split(",")
        }
        there = set(self.zones_to("treat")["zone_id"])
        return {name: day for name, day in done.items() if name in there}

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
        "treatments": None,
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


Feature = dict[str, Any]
# A layer's name -> the parts it has, each a pane and its features, from below to above.
Layers = dict[str, list[tuple[str, list[Feature]]]]
# 1e-7 degrees is about a centimetre: finer than any fix, and a third of the page's size saved.
_DIGITS = 7
MOST_HOTSPOTS = 40
"""Outlines drawn at each level, the largest first: enough for a course, and the page stays small."""
COUNT_LEVEL = 0.95


def list_shapes(story: Story) -> Layers:
    """Return what is drawn as shapes, layer by layer; a layer with nothing in it is left out."""
    hot = hotspot_features(story)
    layers: Layers = {
        "obstacles": [("obstacles", obstacle_features(story))],
        "surfaces": [("ground", surface_features(story)), ("markerPane", hole_labels(story))],
        "points": [("markerPane", point_features(story))],
        "clusters": [("markerPane", cluster_features(story))],
        "hotspots": [("zones", _casings(hot, "hotspot")), ("zones", hot)],
    }
    for action in ACTIONS:
        shapes = zone_features(story, action)
        layers[action] = [
            ("zones", _casings(shapes, "zone")),
            ("zones", shapes),
            ("markerPane", zone_labels(story, action)),
        ]
    return {name: parts for name, parts in layers.items() if any(features for _, features in parts)}


def surface_features(story: Story) -> list[Feature]:
    """Return the surfaces, large ones first so that small ones stay on top and can be tapped."""
    cells = story.settled.cells if story.settled else None
    own = {} if cells is None else dict(list(cells.groupby("surface_id")))
    rows = story.surfaces.sort_values("area_m2", ascending=False, kind="stable")
    return _features(
        rows,
        [
            {
                "look": f"surface {row['kind']}{' mapped' if row['surface_id'] in own else ''}",
                "id": row["surface_id"],
                "hole": row["hole"] or "",
                "name": f"{row['surface_id']}, {row['kind']}",
                "say": words.tell_surface(
                    row, None if cells is None else _sum_cells(own.get(row["surface_id"], cells.iloc[:0]))
                ),
            }
            for row in _records(rows)
        ],
    )


def _sum_cells(cells: pd.DataFrame) -> dict[str, float]:
    known = cells[cells["known"]]
    if known.empty:
        return {"share": 0.0}
    weights = known["area_m2"]
    return {
        "mean_per_m2": float((known["expected_per_m2"] * weights).sum() / weights.sum()),
        "low_per_m2": float(known["low_per_m2"].min()),
        "high_per_m2": float(known["high_per_m2"].max()),
        "share": float(weights.sum() / cells["area_m2"].sum()),
    }


def obstacle_features(story: Story) -> list[Feature]:
    """Return the obstacles; trees first, for their crowns reach over other things."""
    rows = story.obstacles
    rows = rows.assign(last=rows["kind"] != "trees").sort_values("last", kind="stable")
    return _features(
        rows,
        [
            {
                "look": f"obstacle {row['kind']}",
                "row": str(place),  # in the survey's layer, for obstacles have no id
                "hole": row["hole"] or "",
                "name": row["kind"],
                "say": words.tell_obstacle(row),
            }
            for place, row in zip(rows.index, _records(rows), strict=True)
        ],
    )


def point_features(story: Story) -> list[Feature]:
    """Return the planned points with what was counted at each, and samples that belong to no point."""
    samples = with_counts(story)
    by_point: dict[str, list[dict[str, Any]]] = {}
    for sample in _records(samples):
        by_point.setdefault(sample["point_id"], []).append(sample)
    points = _features(
        story.points,
        [_point_properties(row, by_point.get(row["point_id"], []), story.pest) for row in _records(story.points)],
    )
    stray = samples[~samples["point_id"].isin(set(story.points["point_id"]))]
    strays = [{**row, "point_id": row["sample_id"], "kind": "place off the plan"} for row in _records(stray)]
    return points + _features(stray, [_point_properties(row, [row], story.pest) for row in strays])


def with_counts(story: Story) -> gpd.GeoDataFrame:
    """Return the samples with the pest's ``count``, all stages together, and the densities it alone allows.

    Missing where it was not looked for.
    """
    totals = story.counts.groupby("sample_id")["count"].sum()
    count = story.samples["sample_id"].map(totals).astype("float64")
    low, high = count_interval(count.to_numpy(), story.samples["sampled_m2"].to_numpy(float))
    return story.samples.assign(count=count, low_per_m2=low, high_per_m2=high)


def count_interval(count: np.ndarray, sampled_m2: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the densities per m² that counts alone allow, were the insects spread at random around the point.

    Parameters
    ----------
    count, sampled_m2 : array, shape (samples,)
        Insects, and the turf they were counted in.

    Returns
    -------
    tuple of array, shape (samples,)
        The low and the high ends.

    Notes
    -----
    The exact Poisson interval; clumping and what extraction missed widen it further.

    References
    ----------
    Garwood 1936, Biometrika 28:437-442.

    Examples
    --------
    >>> [round(float(end), 2) for end in count_interval(np.array(10), np.array(1.0))]
    [4.8, 18.39]
    """
    from scipy.special import gammaincinv

    tail = (1 - COUNT_LEVEL) / 2
    low = np.where(count == 0, 0.0, gammaincinv(np.where(count == 0, 1.0, count), tail))
    return low / sampled_m2, gammaincinv(count + 1, 1 - tail) / sampled_m2


def _point_properties(row: dict[str, Any], samples: list[dict[str, Any]], pest: str) -> dict[str, Any]:
    read = [s for s in samples if s["status"] == "counted" and not pd.isna(s["count"])]
    mark, look = "?" if samples else "", "uncounted" if samples else "planned"
    if read:
        count = sum(int(s["count"]) for s in read)
        per_m2 = count / sum(s["sampled_m2"] for s in read)
        size = int(np.digitize(per_m2, (100.0, 400.0, 1600.0))) + 1  # in steps of four-fold
        mark, look = str(count), "zero" if count == 0 else f"found s{size}"
    if row.get("role") == "reserve":
        look += " reserve"
    return {
        "look": f"point {look}",
        "mark": mark,
        "id": row["point_id"],
        "name": f"Point {row['point_id']}: {mark or 'no count yet'}",
        "say": words.tell_bags(row, samples, pest),
    }


def cluster_features(story: Story) -> list[Feature]:
    """Return the samples that lie in a cluster of high counts (Getis-Ord Gi*), as rings round their points."""
    found = story.density.fitted.get("clusters") if story.density else None
    high = {str(name) for name in found["high"]} if found else set()
    rows = story.samples[story.samples["sample_id"].isin(high)]
    return _features(
        rows,
        [
            {
                "look": "point cluster",
                "mark": "",
                "id": f"cluster {row['sample_id']}",
                "name": f"Cluster at {row['point_id']}",
                "say": words.tell_cluster(row["point_id"]),
            }
            for row in _records(rows)
        ],
    )


def hotspot_features(story: Story) -> list[Feature]:
    """Return the hotspots at each level of probability, as outlines; the threshold is the plan's, or else the map's."""
    import geopandas as gpd

    settled, threshold = story.settled, story.threshold_per_m2
    if settled is None or story.density is None or story.density.fitted.get("no_map") or not threshold:
        return []
    cells, over = settled.cells, exceedance(story.density, threshold)
    surfaces = story.surfaces.set_index("surface_id").geometry
    features: list[Feature] = []
    for level in LEVELS:
        found = find_hotspots(cells, over, level).head(MOST_HOTSPOTS)
        shapes = outline_hotspots(cells, over, level, story.density.cell_m, surfaces, most=len(found))
        drawn = gpd.GeoDataFrame(found, geometry=shapes.to_numpy(), crs=story.surfaces.crs)
        properties = [
            {
                "look": f"hotspot level{100 * level:.0f}",
                "id": f"hotspot {100 * level:.0f} {number}",
                "name": f"Hotspot, {percent(level)} or more",
                "say": words.tell_hotspot(row, level, threshold),
            }
            for number, row in enumerate(_records(drawn))
        ]
        features += _features(drawn, properties)
    return features


def zone_features(story: Story, action: str) -> list[Feature]:
    """Return the zones of one action."""
    rows, treated = story.zones_to(action), story.treated()
    return _features(
        rows,
        [
            {
                "look": f"zone {action}{' done' if row.zone_id in treated else ''}",
                "id": row.zone_id,
                "name": f"Zone {row.zone_id}",
                "say": words.tell_zone_place(row, treated.get(row.zone_id, "")),
            }
            for row in rows.itertuples()
        ],
    )


def zone_labels(story: Story, action: str) -> list[Feature]:
    """Return each zone's id at a place inside it."""
    rows = story.zones_to(action)
    inside = rows.set_geometry(rows.geometry.representative_point())
    return _features(
        inside, [{"look": f"label {action}", "mark": row["zone_id"], "id": row["zone_id"]} for row in _records(inside)]
    )


def hole_labels(story: Story) -> list[Feature]:
    """Return each hole's name at a place inside its largest surface, for a map too small for the zones' ids."""
    largest = story.surfaces.sort_values("area_m2", ascending=False, kind="stable").drop_duplicates("hole")
    named = largest[largest["hole"].notna()]
    inside = named.set_geometry(named.geometry.representative_point())
    return _features(inside, [{"look": "label hole", "mark": row["hole"], "id": ""} for row in _records(inside)])


def _casings(shapes: list[Feature], kind: str) -> list[Feature]:
    """Return the same shapes as pale outlines, to lie under the real ones so that these stand out on any ground."""
    return [{**shape, "properties": {"look": f"{kind} casing"}} for shape in shapes]


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return cast("list[dict[str, Any]]", frame.drop(columns="geometry").to_dict("records"))


def _features(frame: gpd.GeoDataFrame, properties: list[dict[str, str]]) -> list[Feature]:
    if frame.empty:
        return []
    shapes = frame.geometry.to_crs("EPSG:4326")
    return [
        {
            "type": "Feature",
            "properties": {name: write_safe(text) for name, text in own.items()},
            "geometry": _rounded(shape),
        }
        for shape, own in zip(shapes, properties, strict=True)
        if shape is not None and not shape.is_empty
    ]


def write_safe(text: str) -> str:
    """Return a text, or finished Markup, as HTML in which folium finds no template.

    folium reads what it has rendered as a template a second time; a name such as ``{{ 7 * 7 }}`` would be worked out.

    Examples
    --------
    >>> write_safe("<7 {{ 7 * 7 }}")
    '&lt;7 &#123;&#123; 7 * 7 }}'
    """
    return str(escape(text)).replace("{", "&#123;")


def _rounded(shape: shapely.Geometry) -> dict[str, Any]:
    if shape.geom_type == "GeometryCollection":
        return {"type": shape.geom_type, "geometries": [_rounded(part) for part in shape.geoms]}
    geometry: dict[str, Any] = shapely.geometry.mapping(shape)
    return {"type": geometry["type"], "coordinates": _round_all(geometry["coordinates"])}


def _round_all(coordinates: Any) -> Any:
    if isinstance(coordinates, float):
        return round(coordinates, _DIGITS)
    return [_round_all(part) for part in coordinates]
