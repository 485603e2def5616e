"""What ``geosample design`` was asked, made into a request with what the survey knows: landmarks, k, last visit."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geosample.units import Units

if TYPE_CHECKING:
    from geosample.design import Design, Request
    from geosample.design.effort import Bench
    from geosample.design.stops import StopAsk
    from geosample.ground import Ground
    from geosample.survey import Survey

USUAL_POINTS = 90


@dataclass(frozen=True, slots=True)
class Asked:
    """A request ready to draw, and what is added to the design afterwards.

    Parameters
    ----------
    request : Request
        What to draw.
    last : Design or None
        The visit whose points are kept.
    bench : Bench or None
        Who and what is at hand, where hours were given.
    stop : StopAsk or None
        Densities for stop lines.
    expected_per_m2 : float
        Density expected, insects per m².
    notes : dict
        Settings kept with the visit.
    """

    request: Request
    last: Design | None
    bench: Bench | None
    stop: StopAsk | None
    expected_per_m2: float
    notes: dict[str, Any] = field(default_factory=dict)

    def finish(self, design: Design) -> Design:
        """Return the design with stop lines, where k comes from, and what points were kept of, in its settings."""
        from geosample.design.howmany import CAUTIOUS_K
        from geosample.design.stops import plan_stop_lines

        notes = dict(self.notes)
        if self.stop is not None:
            notes["stop_lines"] = plan_stop_lines(
                self.stop,
                design.visit,
                design.visit.settings["strata"],
                k=self.request.k or CAUTIOUS_K,
                why_not=_why_no_stops(self.request),
            )
        return replace(design, visit=replace(design.visit, settings={**design.visit.settings, **notes}))

    def tell(self, design: Design, units: Units) -> list[str]:
        """Return what is said after the design itself: stop lines, time, kept points, the split."""
        from geosample.design.effort import tell_effort
        from geosample.design.stops import tell_stop_lines

        visit = design.visit
        bags = {row["stratum"]: row["main"] for row in visit.settings["strata"]}
        main = int((design.points["role"] == "main").sum())
        lines = tell_stop_lines(visit.settings.get("stop_lines", []), bags, units)
        if self.bench is not None:
            times = max(len(self.request.compare), 1)
            mean = self.expected_per_m2 * visit.unit_m2
            lines += tell_effort(main * times, self.bench, mean_a_plug=mean, plugs=visit.units_per_point)
        kept = int(design.points["kept_from"].notna().sum())
        if self.last is not None:
            lines.append(f"Kept from visit {self.last.visit.visit}: {kept} of {main} points, moved by 0.5 to 1 m.")
        if self.request.compare:
            each = f"{visit.units_per_point} plugs for each of {', '.join(self.request.compare)}"
            lines.append(
                f"Split blocks: at every point {each}, dealt out at random; the field sheet says which is which."
            )
        return ["", *lines] if lines else []


def read_asked(survey: Survey, ground: Ground, asked: dict[str, Any]) -> Asked:
    """Return the request, with k, densities and landmarks from the survey where the options leave them open."""
    from geosample.design import Request
    from geosample.design.howmany import Wish, settle_points
    from geosample.design.request import parse_holes
    from geosample.design.stops import StopAsk

    options = dict(asked)
    options.pop("least_spacing")
    wish = Wish(*(options.pop(name) for name in ("expected", "precision", "threshold", "chance")))
    bench = _bench(options)
    stop, start = options.pop("stop_lines"), options.pop("start")
    groups = options.pop("hole_groups")
    _check_wish(wish, options["points"])
    options["areas"] = _read_areas(options.pop("areas"), options.pop("area_name"), ground)
    for name in ("holes", "without_holes"):
        options[name] = parse_holes(options[name]) if options[name] else None
    options["without_holes"] = options["without_holes"] or ()
    options["hole_groups"] = tuple(parse_holes(group) for group in groups.split(";")) if groups else ()
    options["keep_off"], options["spots"] = _part_spots(options["keep_off"], ground)
    options["start"] = None if start is None else _place(start, ground)
    known = _from_last(survey)
    notes = {}
    if options["k"] is None and known.get("k") is not None:
        options["k"], notes["k_from"] = known["k"], known["k_from"]
    options["expected"] = tuple(known["densities"].items()) if options["allocation"] == "optimal" else ()
    options["points"] = _count_points(options["points"], bench, len(options["compare"] or ()))
    request = settle_points(Request(**options), wish)
    last = _last_design(survey, request.visit) if request.keep else None
    if last is not None:
        notes["kept_from_visit"] = last.visit.visit
    return Asked(request, last, bench, StopAsk(*stop) if stop else None, _expected(wish, request), notes)


def _check_wish(wish: Any, points: int | None) -> None:
    asked = [name for name, value in (("--precision", wish.precision), ("--threshold", wish.threshold_per_m2)) if value]
    if asked and (wish.expected_per_m2 is None or points is not None or len(asked) > 1):
        message = f"{' and '.join(asked)} needs --expected, and stands in place of --points"
        raise click.UsageError(message)


def _bench(options: dict[str, Any]) -> Bench | None:
    from geosample.design.effort import Bench, check_bench

    hours = options.pop("hours")
    rest = {name: options.pop(name) for name in ("people", "containers", "extraction")}
    if hours is None:
        return None
    bench = Bench(hours=hours, **rest)
    check_bench(bench)
    return bench


def _count_points(points: int | None, bench: Bench | None, methods: int) -> int:
    from geosample.design.effort import points_in_hours

    if points is not None:
        return points
    return USUAL_POINTS if bench is None else points_in_hours(bench) // max(methods, 1)


def _expected(wish: Any, request: Request) -> float:
    from geosample.pests import load_pest

    if wish.expected_per_m2 is not None:
        return float(wish.expected_per_m2)
    ends = load_pest(request.pest).threshold_range
    return float(ends[0] * ends[1]) ** 0.5 if ends else 100.0


def _part_spots(
    keep_off: tuple[tuple[str, float], ...], ground: Ground
) -> tuple[tuple[tuple[str, float], ...], tuple[tuple[float, float, float], ...]]:
    """Return the obstacles to keep off, and the landmarks by name or kind as rounds to leave out."""
    import shapely

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


def _is_called(marks: Any, kind: str) -> Any:
    names = (marks[column].astype("string").str.strip().str.lower() for column in ("kind", "name"))
    return next(names).eq(kind).fillna(value=False) | next(names).eq(kind).fillna(value=False)


def _place(degrees: tuple[float, float], ground: Ground) -> tuple[float, float]:
    import geopandas as gpd

    place = gpd.GeoSeries.from_xy([degrees[0]], [degrees[1]], crs=4326).to_crs(ground.crs).iloc[0]
    return float(place.x), float(place.y)


def _read_areas(path: Path | None, field_name: str | None, ground: Ground) -> tuple[tuple[str, str], ...]:
    """Return the user's own areas in the ground's CRS, by name."""
    from geosample.ground import only_polygons, read_own_shapes

    if path is None:
        return ()
    own = read_own_shapes(path, ground.crs, option="--areas", name_field=field_name)
    shapes = only_polygons(own.geometry.to_numpy())
    return tuple((name, shape.wkt) for name, shape in zip(own["name"], shapes, strict=True) if not shape.is_empty)


def _from_last(survey: Survey) -> dict[str, Any]:
    """Return k and the densities by stratum and kind of the newest visit that was estimated."""
    findings, estimates, visits = (survey.read(name) for name in ("findings", "estimates", "visits"))
    known: dict[str, Any] = {"densities": {}}
    for visit in visits.sort_values("date")["visit"][::-1] if len(visits) else []:
        mine = findings[(findings["visit"] == visit) & (findings["what"] == "k") & (findings["domain"] == "all")]
        if len(mine) and "k" not in known:
            known |= {"k": float(mine["value"].iloc[0]), "k_from": f"found on visit {visit}"}
        rows = estimates[(estimates["visit"] == visit) & (estimates["stage"] == "all")]
        rows = rows[rows["domain"].isin(["stratum", "kind"])]
        if len(rows) and not known["densities"]:
            known["densities"] = rows.set_index("label")["mean_per_m2"].astype(float).to_dict()
    return known


def _last_design(survey: Survey, visit: str) -> Design | None:
    """Return the newest design but the visit's own, which may be drawn a second time."""
    from geosample.design import load_design

    visits = survey.read("visits")
    others = visits[visits["visit"] != visit].sort_values("date")["visit"].tolist()
    return load_design(survey, others[-1]) if others else None


def _why_no_stops(request: Request) -> str:
    if request.border_weight != 1:
        return "its density is weighted toward the edge, so a total means nothing"
    if request.method not in {"balanced", "random"}:
        return f"points by {request.method} are no balanced or random sample in any order"
    if request.compare:
        return "its plugs are split between methods"
    return "kept points make its density uneven" if request.keep else ""
