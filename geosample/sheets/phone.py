"""The page for a phone: the round with its maps, and the bench, in one file that needs no network.

What is entered leaves it as a table, a row an entry, which ``counts`` reads; the desk is sent the same rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib import resources
from typing import TYPE_CHECKING, Any

import jinja2
import numpy as np

from geosample.drawing import Box, MapView, Svg, Text, draw_view, ground_layers
from geosample.files.saving import escape_json, name_by_hash
from geosample.ground import WGS84, turn_between
from geosample.pests import load_pest
from geosample.report import phone as words
from geosample.report.sheets import tell_point
from geosample.sheets.bench import choose_recounts, stop_tables
from geosample.sheets.blanks import bench_order, ordered_points, stage_columns
from geosample.sheets.finding import PACE_M, add_finding, named_landmarks, tell_leg
from geosample.sheets.mapbook import SMALL_KINDS, dial_layers, shape_of, turn_dial, turn_upright
from geosample.sheets.rounds import split_rounds
from geosample.units import FOOT_M, Units
from geosample.words import EFFORT, RECOUNT_MARK, UNSTAGED, name_place

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely import Geometry

    from geosample.design import Design
    from geosample.ground import Ground
    from geosample.pests import Pest
    from geosample.sheets.rounds import Round

SMALL_SCALE, LONG_SCALE = 400, 1000
"""Of a phone's maps: of greens with their collars, and of the long ground, of which it shows a part at a time."""
_MARGIN_MM = 8.0
_DIAL = Text(9)
_STEP_DEG = 1e-4
_LEAST_MM = (80.0, 70.0)
"""The page shows so much of a map at a time."""
_OUTSIDE = (-500.0, -500.0)


def entry_columns(profile: Pest, *, trial: bool = False) -> tuple[str, ...]:
    """Return the columns of a phone's entries, by the names ``counts`` knows.

    Parameters
    ----------
    profile : Pest
        Whose stages are counted.
    trial : bool
        Whether methods are compared, and the time a bag takes is asked for.
    """
    stages = [name for name in stage_columns(profile) if name != UNSTAGED]
    return (
        *("entry_id", "replaces", "design_code", "visit", "sample_id", "point_id", "method", "plugs", "status"),
        *("moved", "moved_to", "lat", "lon", "accuracy_m", "could_not", "hole_filled", "none_found"),
        *(*stages, "total", "others_found", *(EFFORT if trial else ())),
        *("collector", "collected_at", "counted_by", "counted_at", "note"),
    )


def gather_page(  # noqa: PLR0913 - as write_sheets
    design: Design,
    ground: Ground,
    *,
    units: Units,
    method: str,
    batch: int,
    pace_m: float = PACE_M,
    rounds: Sequence[Round] = (),
) -> dict[str, Any]:
    """Return what the page of a visit is made from, in plain JSON types.

    Parameters
    ----------
    design : Design
        The visit; with its finding words, in the order of its rounds, where these are given.
    ground : Ground
        What the maps show.
    units, method, batch, pace_m :
        As for ``write_sheets``.
    rounds : sequence of Round
        Who walks which way; one round, and finding words in these units, when none is given.
    """
    if not rounds:
        design = add_finding(design, ground, pace_m=pace_m, units=units, landmarks=named_landmarks(ground))
        rounds = split_rounds(design, ground, 1)
    profile, visit = load_pest(design.visit.pest), design.visit
    bags = bench_order(design, method, batch=batch)
    main = bags[bags["role"] == "main"]
    chosen = set(choose_recounts(main["sample_id"].to_list(), seed=visit.seed))
    names = ["sample_id", "point_id", "method", "role", "stratum"]
    listed = [
        {**{name: str(row[name]) for name in names}, "batch": int(row["batch"])} for row in bags.to_dict("records")
    ]
    again = [
        {**bag, "sample_id": f"{bag['sample_id']}-{RECOUNT_MARK}", "recount": bag["sample_id"]}
        for bag in listed
        if bag["sample_id"] in chosen
    ]
    points, maps = _lay_points(design, ground, rounds, units, pace_m)
    course = f"{ground.name}: " if ground.name else ""
    title = words.PAGE_TITLE.format(course=course, visit=visit.visit, code=visit.design_code)
    methods = list(visit.compare or [method])
    stops = [{"stratum": table.stratum, "rows": [list(row) for row in table.rows]} for table in stop_tables(design)]
    return {
        "title": title,
        "visit": visit.visit,
        "design_code": visit.design_code,
        "plugs": visit.units_per_point,
        "units": units,
        "foot_m": FOOT_M,
        "methods": methods,
        "stages": [{"key": stage.key, "name": stage.name} for stage in profile.stages],
        "effort": [{"key": name, "name": words.EFFORT_NAMES[name]} for name in EFFORT if visit.compare],
        "columns": list(entry_columns(profile, trial=bool(visit.compare))),
        "points": points,
        "maps": maps,
        "bags": listed,
        "recounts": again,
        "stops": stops,
        "reasons": words.REASONS,
        "fates": words.FATES,
        "clocks": [clock for one in methods for clock in words.list_clocks(one, visit.units_per_point, units)],
        "steps": [step for one in methods for step in words.list_steps(one, units, named=len(methods) > 1)],
        "cautions": list(dict.fromkeys(text for one in methods for text in words.list_dangers(one))),
        "words": words.WORDS,
        "desk": False,
    }


def write_phone_page(given: dict[str, Any]) -> str:
    """Return the page's text, from what ``gather_page`` gathered: its style and script run by their hashes, alone."""
    room = resources.files("geosample.sheets")
    style, script = ((room / name).read_text(encoding="utf-8") for name in ("phone.css", "phone.js"))
    policy = (
        f"default-src 'none'; script-src {name_by_hash(script)}; style-src {name_by_hash(style)}; img-src data: blob:; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'"
    )
    template = (resources.files("geosample.report") / "phone.html").read_text(encoding="utf-8")
    page = jinja2.Environment(autoescape=True).from_string(template)
    from markupsafe import Markup

    parts = {"style": Markup(style), "script": Markup(script), "given": Markup(escape_json(given))}
    return page.render(policy=policy, title=given["title"], **parts)


def _lay_points(
    design: Design, ground: Ground, rounds: Sequence[Round], units: Units, pace_m: float
) -> tuple[list[dict[str, Any]], dict[str, dict[str, Any]]]:
    """Return the points in walking order, reserve last, each with its map's name and its place there; and the maps."""
    ways: dict[str, str] = {}
    for one in rounds:
        main = ordered_points(one.design, "main")
        ways |= dict(zip(main["point_id"][1:], (tell_leg(leg, pace_m, units) for leg in one.legs[1:]), strict=True))
    listed: list[dict[str, Any]] = []
    maps: dict[str, dict[str, Any]] = {}
    small = design.points["kind"].isin(SMALL_KINDS)
    key = design.points["hole"].fillna("").astype(str) + small.map({True: " small", False: " long"})
    # Nameless ground lies anywhere: each of its surfaces has a map of its own.
    key = key.where(design.points["hole"].notna(), "surface " + design.points["surface_id"].astype(str))
    for name, mine in design.points.groupby(key, sort=False):
        maps[str(name)], places = _draw(ground, mine, design.points)
        for point, (x_mm, y_mm) in zip(mine.to_dict("records"), places.tolist(), strict=True):
            hole = point["hole"] if isinstance(point["hole"], str) else None
            listed.append(
                {
                    "point_id": point["point_id"],
                    "place": name_place(hole, point["kind"]),
                    "head": f"Hole {hole}" if hole else name_place(hole, point["kind"]),
                    "kind": point["kind"],
                    "role": point["role"],
                    "stratum": str(point["stratum"]),
                    "order": int(point["walk_order"]),
                    "words": tell_point(point),
                    "from": ways.get(point["point_id"], ""),
                    "map": str(name),
                    "x": round(x_mm, 2),
                    "y": round(y_mm, 2),
                }
            )
    return sorted(listed, key=lambda one: (one["role"] != "main", one["order"], one["point_id"])), maps


def _draw(ground: Ground, mine: gpd.GeoDataFrame, points: gpd.GeoDataFrame) -> tuple[dict[str, Any], np.ndarray]:
    """Return a map of the surfaces that hold some points, and where these lie on it, mm from its top left."""
    small = bool(mine["kind"].isin(SMALL_KINDS).all())
    shape = shape_of(ground.surfaces, mine, small=None)
    view = _frame(ground, shape, mine, small=small)
    near = points[view.window().buffer(-2 / view.mm_per_m).intersects(points.geometry)]
    layers = dial_layers(view, ground.surfaces, mine["surface_id"].tolist(), _DIAL) if small else []
    frame = view.frame
    paper = Svg(frame.width_mm, frame.height_mm)
    ground_beneath = ground_layers(ground.surfaces, ground.obstacles)
    draw_view(paper, view, ground_beneath, layers, scale_at=_OUTSIDE, north_at=_OUTSIDE)  # the page draws its own
    places, marks = (
        np.column_stack([placed[:, 0], frame.height_mm - placed[:, 1]])
        for placed in (view.place_points(one.geometry.to_numpy()) for one in (mine, near))
    )
    named = zip(marks.round(2).tolist(), near["point_id"], (near["role"] == "reserve").tolist(), strict=True)
    lon, lat = turn_between(ground.crs, WGS84).transform(view.easting, view.northing)
    corners = turn_between(WGS84, ground.crs).transform([lon, lon + _STEP_DEG, lon], [lat, lat, lat + _STEP_DEG])
    on_paper = view.place(*corners) * [1, -1]  # a picture's y runs down
    east, north = ((on_paper[i] - on_paper[0]) / _STEP_DEG for i in (1, 2))
    told = {
        "svg": paper.to_text(),
        "marks": [[x, y, name, reserve] for (x, y), name, reserve in named],
        "width_mm": frame.width_mm,
        "height_mm": frame.height_mm,
        "long": not small,
        "turn_deg": view.turn_deg,
        "mm_per_m": view.mm_per_m,
        "lon": lon,
        "lat": lat,
        "x": frame.width_mm / 2,
        "y": frame.height_mm / 2,
        "per_degree": [[east[0], north[0]], [east[1], north[1]]],
    }
    return told, places


def _frame(ground: Ground, shape: Geometry, mine: gpd.GeoDataFrame, *, small: bool) -> MapView:
    """Return the view of some ground: a green as its clock is turned, long ground upright with its green at the top."""
    turn_deg = turn_dial(ground.surfaces, mine) if small else turn_upright(ground.surfaces, shape, mine["hole"].iloc[0])
    scale = SMALL_SCALE if small else LONG_SCALE
    whole = MapView(Box(0, 0, 1, 1), scale, 0.0, 0.0, turn_deg).to_paper(shape)
    west, south, east, north = whole.bounds
    sides = (
        max(size + 2 * _MARGIN_MM, least) for size, least in zip((east - west, north - south), _LEAST_MM, strict=True)
    )
    box = Box(0, 0, *(round(side, 1) for side in sides))
    angle = np.radians(-turn_deg)
    across, up = ((west + east) / 2 - 0.5) * scale / 1000, ((south + north) / 2 - 0.5) * scale / 1000
    return MapView(
        box,
        scale,
        float(across * np.cos(angle) - up * np.sin(angle)),
        float(across * np.sin(angle) + up * np.cos(angle)),
        turn_deg,
    )
