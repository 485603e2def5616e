"""What was asked, made into a request with what the survey knows: landmarks, k, densities, the last visit."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import shapely

from geosample.design.effort import Bench, points_in_hours, tell_effort
from geosample.design.howmany import CAUTIOUS_K, Wish, settle_points
from geosample.design.model import Design, load_design
from geosample.design.request import Request
from geosample.design.stops import StopAsk, plan_stop_lines, tell_stop_lines
from geosample.ground import only_polygons, read_own_shapes
from geosample.pests import load_pest
from geosample.units import Units

if TYPE_CHECKING:
    import pandas as pd

    from geosample.ground import Ground
    from geosample.survey import Survey

_NO_RANGE_PER_M2 = 100.0
"""Density taken for the time plan where the pest has no published threshold, insects per m² (own choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Extras:
    """What is asked beside the request, as the user puts it.

    Parameters
    ----------
    points : int, optional
        Main points in all; when None what the hours allow, and without hours the request's own.
    wish : Wish
        What the number of points is to buy instead.
    bench : Bench, optional
        Who and what is at hand, where hours are given.
    stop : StopAsk, optional
        Densities for stop lines.
    start : tuple of float, optional
        Longitude and latitude the round starts from.
    areas : Path, optional
        A file of own areas that split the strata, and in ``area_name`` the field that names them.
    """

    points: int | None = None
    wish: Wish = field(default_factory=Wish)
    bench: Bench | None = None
    stop: StopAsk | None = None
    start: tuple[float, float] | None = None
    areas: Path | None = None
    area_name: str | None = None


@dataclass(frozen=True, slots=True)
class Asked:
    """A request ready to draw, and what is added to the design afterwards.

    Parameters
    ----------
    request : Request
        What to draw.
    last : Design or None
        The visit whose points are kept.
    extras : Extras
        What was asked beside it.
    notes : dict
        Settings kept with the visit.
    """

    request: Request
    last: Design | None
    extras: Extras
    notes: dict[str, Any] = field(default_factory=dict)

    def finish(self, design: Design) -> Design:
        """Return the design with stop lines, where k comes from, and what points were kept of, in its settings."""
        notes = dict(self.notes)
        if self.extras.stop is not None:
            notes["stop_lines"] = plan_stop_lines(
                self.extras.stop,
                design.visit,
                design.visit.settings["strata"],
                k=self.request.k or CAUTIOUS_K,
                why_not=_why_no_stops(self.request),
            )
        return replace(design, visit=replace(design.visit, settings={**design.visit.settings, **notes}))

    def tell(self, design: Design, units: Units) -> list[str]:
        """Return what is said after the design itself: stop lines, time, kept points, the split."""
        visit = design.visit
        bags = {row["stratum"]: row["main"] for row in visit.settings["strata"]}
        main = int((design.points["role"] == "main").sum())
        lines = tell_stop_lines(visit.settings.get("stop_lines", []), bags, units)
        if self.extras.bench is not None:
            times = max(len(self.request.compare), 1)
            mean = _expect_density(self.extras.wish, self.request) * visit.unit_m2
            lines += tell_effort(main * times, self.extras.bench, mean_a_plug=mean, plugs=visit.units_per_point)
        kept = int(design.points["kept_from"].notna().sum())
        if self.last is not None:
            lines.append(f"Kept from visit {self.last.visit.visit}: {kept} of {main} points, moved by 0.5 to 1 m.")
        if self.request.compare:
            each = f"{visit.units_per_point} plugs for each of {', '.join(self.request.compare)}"
            lines.append(
                f"Split blocks: at every point {each}, dealt out at random; the field sheet says which is which."
            )
        return ["", *lines] if lines else []


def ask_design(survey: Survey, ground: Ground, request: Request, extras: Extras) -> Asked:
    """Return the request with what it leaves open filled in from the survey and the ground.

    Parameters
    ----------
    survey : Survey
        Gives k and the densities of the pest on the newest visit estimated, and the last design where points are kept.
    ground : Ground
        Gives landmarks, and the coordinate system of start and areas.
    request : Request
        As asked; in ``keep_off`` a name may be a landmark's.
    extras : Extras
        What is asked beside it.

    Raises
    ------
    DesignError
        When the wish can't be met.
    GroundError
        When the file of areas can't be used.
    """
    keep_off, spots = part_spots(request.keep_off, ground)
    known, notes = read_known(survey, load_pest(request.pest).name), {}
    k = request.k
    if k is None and known.get("k") is not None:
        k, notes["k_from"] = known["k"], known["k_from"]
    request = replace(
        request,
        areas=_read_areas(extras.areas, extras.area_name, ground),
        keep_off=keep_off,
        spots=spots,
        start=None if extras.start is None else _place(extras.start, ground),
        k=k,
        expected=tuple(known["densities"].items()) if request.allocation == "optimal" else (),
        points=_count_points(request, extras),
    )
    request = settle_points(request, extras.wish)
    last = _last_design(survey, request.visit) if request.keep else None
    if last is not None:
        notes["kept_from_visit"] = last.visit.visit
    return Asked(request, last, extras, notes)


def part_spots(
    keep_off: tuple[tuple[str, float], ...], ground: Ground
) -> tuple[tuple[tuple[str, float], ...], tuple[tuple[float, float, float], ...]]:
    """Return the obstacles to keep off, and the landmarks by name or kind as rounds to leave out."""
    marks = ground.landmarks
    obstacles = set(ground.obstacles["kind"])
    others, spots = [], []
    for kind, distance_m in keep_off:
        mine = [] if marks is None or kind in obstacles else marks[_is_called(marks, kind)].geometry
        if not len(mine):
            others.append((kind, distance_m))
        for shape in mine:
            middle = shapely.centroid(shape)
            spots.append((float(middle.x), float(middle.y), distance_m))
    return tuple(others), tuple(spots)


def read_known(survey: Survey, pest: str) -> dict[str, Any]:
    """Return a pest's k, and its densities by stratum and kind, each from the newest visit estimated for it."""
    findings, estimates = (frame[frame["pest"] == pest] for frame in map(survey.read, ("findings", "estimates")))
    of_k = findings[(findings["what"] == "k") & (findings["domain"] == "all")]
    means = estimates[(estimates["stage"] == "all") & estimates["domain"].isin(["stratum", "kind"])]
    known: dict[str, Any] = {"densities": {}}
    if (visit := survey.newest_among(of_k["visit"])) is not None:
        k = float(of_k.loc[of_k["visit"] == visit, "value"].iloc[0])
        known |= {"k": k, "k_from": f"found on visit {visit}"}
    if (visit := survey.newest_among(means["visit"])) is not None:
        rows = means[means["visit"] == visit]
        known["densities"] = rows.set_index("label")["mean_per_m2"].astype(float).to_dict()
    return known


def _count_points(request: Request, extras: Extras) -> int:
    if extras.points is not None:
        return extras.points
    return request.points if extras.bench is None else points_in_hours(extras.bench) // max(len(request.compare), 1)


def _expect_density(wish: Wish, request: Request) -> float:
    """Return the density expected, or the middle of the published thresholds, insects per m²."""
    if wish.expected_per_m2 is not None:
        return float(wish.expected_per_m2)
    ends = load_pest(request.pest).threshold_range
    return math.sqrt(ends[0] * ends[1]) if ends else _NO_RANGE_PER_M2


def _is_called(marks: pd.DataFrame, kind: str) -> pd.Series:
    names = (marks[column].astype("string").str.strip().str.lower() for column in ("kind", "name"))
    return next(names).eq(kind).fillna(value=False) | next(names).eq(kind).fillna(value=False)


def _place(degrees: tuple[float, float], ground: Ground) -> tuple[float, float]:
    import geopandas as gpd

    place = gpd.GeoSeries.from_xy([degrees[0]], [degrees[1]], crs=4326).to_crs(ground.crs).iloc[0]
    return float(place.x), float(place.y)


def _read_areas(path: Path | None, field_name: str | None, ground: Ground) -> tuple[tuple[str, str], ...]:
    """Return the user's own areas in the ground's CRS, by name."""
    if path is None:
        return ()
    own = read_own_shapes(path, ground.crs, option="--areas", name_field=field_name)
    shapes = only_polygons(own.geometry.to_numpy())
    return tuple((name, shape.wkt) for name, shape in zip(own["name"], shapes, strict=True) if not shape.is_empty)


def _last_design(survey: Survey, visit: str) -> Design | None:
    """Return the newest design but the visit's own, which may be drawn a second time."""
    others = [name for name in survey.order_visits() if name != visit]
    return load_design(survey, others[-1]) if others else None


def _why_no_stops(request: Request) -> str:
    if request.border_weight != 1:
        return "its density is weighted toward the edge, so a total means nothing"
    if request.method not in {"balanced", "random"}:
        return f"points by {request.method} are no balanced or random sample in any order"
    if request.compare:
        return "its plugs are split between methods"
    return "kept points make its density uneven" if request.keep else ""
