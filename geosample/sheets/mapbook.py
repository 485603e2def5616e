"""The crew's sheets: an overview with the round to walk, then a sheet a hole: its map, and the rows to write in.

A sheet holds as much ground as its rows leave room for. A hole whose rows do not fit beneath its map is split by
surface, greens and collars from the rest, and each of these along its length, until every sheet holds its part of the
map, the labels on it and its rows.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import pandas as pd
import shapely
from scipy.sparse.csgraph import connected_components
from shapely import affinity

from geosample.drawing import (
    MAIN_MARK,
    RESERVE_MARK,
    SURFACE_LOOKS,
    Book,
    Box,
    Column,
    Look,
    MapLayer,
    MapView,
    Mark,
    Text,
    draw_check_bar,
    draw_table,
    draw_view,
    fit_view,
    flow_pages,
    ground_layers,
    labels_fit,
    make_table,
    measure,
    must_fit,
    next_page,
    paragraph,
    space,
    text_width,
    upright_turn,
    write_footer,
    write_paragraphs,
    write_text,
)
from geosample.ground import cut_aerial
from geosample.palettes import OKABE_ITO
from geosample.report.sheets import tell_overview, tell_point, tell_pull, tell_reserve
from geosample.sheets.blanks import ordered_points
from geosample.sheets.finding import DIAL_KINDS, Clock, hour_ray, reach_edge, take_sights, tell_leg
from geosample.units import Units
from geosample.words import NO_HOLE, hole_key, name_surface

if TYPE_CHECKING:
    import geopandas as gpd
    from pyproj import CRS
    from shapely import Geometry

    from geosample.design import Design
    from geosample.ground import Aerial, Ground
    from geosample.sheets.rounds import Round

FrameT = TypeVar("FrameT", bound=pd.DataFrame)


@dataclass(frozen=True, slots=True)
class Setting:
    """How large the crew's pages are set: letters, labels of points, and the least height of a row to write in."""

    body: Text
    label: Text
    row_mm: float

    @property
    def bold(self) -> Text:
        """The body's letters, bold."""
        return replace(self.body, bold=True)


_FINE = Text(9)  # of scale bars and legends, which have their own room
USUAL = Setting(Text(9), Text(10, bold=True), 9.5)
LARGE = Setting(Text(13), Text(15, bold=True), 14.0)
"""For poor sight."""

SHEET_SCALES = (200, 250, 300, 400, 500, 600, 750, 1000, 1250, 1500, 2000, 2500, 3000)
"""Scales of the sheets; a surface too long for the last is split over sheets."""
DIAL_SCALE = 500
"""Greens and collars are drawn at this or larger: on smaller maps a dial would be smaller than its numbers."""
NEAR_M = 20.0
"""Surfaces without a hole this near each other share their sheets, m."""
SMALL_KINDS = ("green", "collar")
"""Kinds drawn large, beside the others."""
HEAD_MM = 13.0
STRIP_MM = 10.0
"""Beneath each map, for its scale bar and north arrow: they cover no ground there."""
_LEAST_MAP_MM = 40.0
_FAR_M = 1e7
_GAP_MM = 2.0
_MARGIN_MM = 6.0
_SHARES = (0.3, 0.35, 0.4, 0.45, 0.5, 0.55, 0.6)
"""Of the paper that the green's map may take beside the fairway's."""
ROUND_LOOK = Look(line_colour=OKABE_ITO["vermilion"], line_mm=0.5, dash_mm=(2.0, 1.2))
SMALL_ROUND_LOOK = Look(line_colour=OKABE_ITO["vermilion"], line_mm=0.25, dash_mm=(1.0, 1.5))
DOT = Mark(1.0, line_mm=0.1)
_PIXELS_PER_MM = 6  # 150 to the inch, as a laser printer shows of a picture (own choice)
_DARKEST = 170  # of a picture's greys, 0 to 255: black on it has 9 times its light (WCAG 2.2, relative luminance)
_SEEN_THROUGH = 0.4  # how much of a surface's own colour lies over a picture (own choice)
_DIAL_REACHES_MM = (0.8, 2.8, 6.0)
"""How far outside the edge an hour's tick begins and ends, and where the middle of its number lies."""


@dataclass(frozen=True, slots=True)
class HoleSheet:
    """One of the crew's sheets.

    Parameters
    ----------
    title : str
        Whose map and rows it holds, such as ``Hole 7: fairway``.
    points : GeoDataFrame
        The points whose rows stand on it, in walking order, and the reserve points told at its foot.
    views : tuple of MapView
        Its maps: the long ground, the green and collar, or both.
    fits : bool
        Whether maps, labels and rows find room on one page.
    """

    title: str
    points: gpd.GeoDataFrame
    views: tuple[MapView, ...]
    fits: bool


@dataclass(frozen=True, slots=True)
class MapBook:
    """What every sheet of a round is drawn with."""

    book: Book
    design: Design
    ground: Ground
    units: Units
    setting: Setting
    legs: Mapping[str, str]
    way: tuple[Geometry, ...]
    name: str = ""
    aerial: Aerial | None = None

    @property
    def room(self) -> Box:
        """The paper of a sheet beneath its head."""
        return self.book.inside.below(HEAD_MM)

    @property
    def has_spare(self) -> bool:
        """Whether there are reserve points."""
        return bool((self.design.points["role"] == "reserve").any())


def open_mapbook(  # noqa: PLR0913 - what a user may say of the pages
    book: Book,
    one: Round,
    ground: Ground,
    *,
    units: Units,
    setting: Setting,
    pace_m: float,
    aerial: Aerial | None = None,
) -> MapBook:
    """Return what the sheets of a round are drawn with."""
    main = ordered_points(one.design, "main")
    legs = ["", *(tell_leg(leg, pace_m, units) for leg in one.legs[1:])]
    way = [shapely.LineString(leg) for leg in one.legs[1:]]
    return MapBook(
        *(book, one.design, ground, units, setting),
        dict(zip(main["point_id"], legs, strict=True)),
        tuple(way),
        one.name,
        aerial,
    )


def by_hole(frame: FrameT) -> list[tuple[str | None, FrameT]]:
    """Return a frame's rows hole by hole in their order, the rows without a hole last under None."""
    names = sorted({hole for hole in frame["hole"] if isinstance(hole, str)}, key=hole_key)
    parts: list[tuple[str | None, FrameT]] = [(name, frame[frame["hole"] == name]) for name in names]
    nameless = frame[frame["hole"].isna()]
    return [*parts, (None, nameless)] if len(nameless) else parts


def plan_sheets(made: MapBook) -> list[HoleSheet]:
    """Return the crew's sheets, hole by hole, ground without a hole last: as few as hold the maps and the rows."""
    sheets = []
    for name, surfaces in _grounds(made):
        points = made.design.points[made.design.points["surface_id"].isin(surfaces["surface_id"])]
        if (points["role"] == "main").any():
            sheets += _sheets_of(made, name, points)
    return sheets


def untold_reserve(made: MapBook, sheets: Sequence[HoleSheet]) -> pd.DataFrame:
    """Return the reserve points on ground that has no sheet, since no main point lies there."""
    told = {point_id for sheet in sheets for point_id in sheet.points["point_id"]}
    spare = ordered_points(made.design, "reserve")
    return spare[~spare["point_id"].isin(told)]


def _grounds(made: MapBook) -> Iterator[tuple[str, gpd.GeoDataFrame]]:
    """Yield what shares its sheets: a hole's sampled surfaces, or near ones without a hole; with its name."""
    surfaces = made.ground.surfaces[made.ground.surfaces["surface_id"].isin(made.design.points["surface_id"])]
    for hole, mine in by_hole(surfaces):
        if hole is not None:
            yield f"Hole {hole}", mine
            continue
        shapes = mine.geometry.to_numpy()
        near = shapely.distance(shapes[:, None], shapes[None, :]) <= NEAR_M
        _, group = connected_components(near, directed=False)
        for number in range(group.max() + 1):
            some = mine[group == number]
            name = name_surface(some.iloc[0])
            yield name[:1].upper() + name[1:], some


def _sheets_of(made: MapBook, name: str, points: gpd.GeoDataFrame) -> list[HoleSheet]:
    """Return one sheet for all points of a hole, or sheets for green and collar and for the rest, split as needed."""
    whole = _lay_out(made, _title(name, points), points)
    if whole.fits or (points["role"] == "main").sum() == 1:
        return [whole]
    small = points["kind"].isin(SMALL_KINDS)
    groups = [group for group in (points[small], points[~small]) if (group["role"] == "main").any()]
    if len(groups) == 1:  # what is only in reserve is told at the foot of the first sheet
        groups = [points]
    return [sheet for group in groups for sheet in _along_its_length(made, _title(name, group), group)]


def _title(name: str, points: gpd.GeoDataFrame) -> str:
    kinds = list(dict.fromkeys(points["kind"].sort_values(key=lambda kind: kind != "green", kind="stable")))
    if not name.startswith("Hole"):
        return name
    return f"{name}: {', '.join(kinds[:-1])}{' and ' if kinds[1:] else ''}{kinds[-1]}"


def _along_its_length(made: MapBook, title: str, points: gpd.GeoDataFrame) -> list[HoleSheet]:
    """Return as few sheets as hold the points, each for as many main points side by side along the ground's length."""
    shape = shape_of(made.ground.surfaces, points, small=None)
    turn_deg = turn_upright(made.ground.surfaces, shape, points["hole"].iloc[0])
    greens = made.ground.surfaces["hole"][made.ground.surfaces["kind"] == "green"]
    toward_green = points["hole"].iloc[0] in set(greens) and not points["kind"].isin(SMALL_KINDS).any()
    up = np.array([_height(place, turn_deg) for place in points.geometry])
    main = np.sort(up[(points["role"] == "main").to_numpy()])[::-1]
    for count in range(1, len(main) + 1):
        cuts = [-np.inf, *((low[0] + high[-1]) / 2 for high, low in pairwise(np.array_split(main, count))), np.inf]
        cuts = [np.inf, *cuts[1:-1], -np.inf]
        sheets: list[HoleSheet] = []
        for part, (top, bottom) in enumerate(pairwise(cuts), start=1):
            mine = points[(up <= top) & (up > bottom)]
            ends = {1: " (at the green)", count: " (at the tee)"} if toward_green else {}
            named = f"{title}, part {part} of {count}{ends.get(part, '')}" if count > 1 else title
            sheets.append(_lay_out(made, named, mine, band=(bottom, top, turn_deg) if count > 1 else None))
            if not sheets[-1].fits and count < len(main):
                break  # so many are too few, whatever the others hold
        if all(sheet.fits for sheet in sheets):
            break
    return sheets


def shape_of(surfaces: gpd.GeoDataFrame, points: gpd.GeoDataFrame, *, small: bool | None) -> Geometry:
    """Return the surfaces that hold the points: the small kinds, the others, or both (None)."""
    mine = surfaces[surfaces["surface_id"].isin(points["surface_id"])]
    if small is not None:
        mine = mine[mine["kind"].isin(SMALL_KINDS) == small]
    return shapely.union_all(mine.geometry.to_numpy())


def turn_upright(surfaces: gpd.GeoDataFrame, shape: Geometry, hole: str | None) -> float:
    """Return the turn that sets ground upright with its green at the top, degrees."""
    turn_deg = upright_turn(shape)
    green = shapely.union_all(surfaces.geometry[(surfaces["hole"] == hole) & (surfaces["kind"] == "green")].to_numpy())
    upside_down = not shapely.is_empty(green) and _height(green, turn_deg) < _height(shape, turn_deg)
    return turn_deg + 180.0 if upside_down else turn_deg


def _height(shape: Geometry, turn_deg: float) -> float:
    """Return how high up a turned page the middle of a shape lies."""
    middle, angle = shapely.centroid(shape), np.radians(turn_deg)
    return float(middle.x * np.sin(angle) + middle.y * np.cos(angle))


def _lay_out(
    made: MapBook, title: str, points: gpd.GeoDataFrame, band: tuple[float, float, float] | None = None
) -> HoleSheet:
    """Return the sheet of these points, its maps as large as the rows beneath them allow.

    ``band`` is the part of the ground it shows, by height on a turned page: from, to, and the turn.
    """
    points = points.sort_values(["walk_order", "point_id"], kind="stable")
    main = points[points["role"] == "main"]
    room = made.room
    rows_mm = measure(made.book, [_row_table(made, main)], room.width_mm)
    foot = [paragraph(words, made.setting.body) for words in _reserve_words(points)]
    foot_mm = measure(made.book, foot, room.width_mm)
    map_mm = room.height_mm - rows_mm - foot_mm - (2 if foot else 1) * _GAP_MM
    area = Box(room.west_mm, room.north_mm - max(map_mm, _LEAST_MAP_MM), room.width_mm, max(map_mm, _LEAST_MAP_MM))
    small = shape_of(made.ground.surfaces, main, small=True)
    long = shape_of(made.ground.surfaces, main, small=False)
    if band is not None:
        small, long = (_cut_band(shape, band) for shape in (small, long))
    found = _arrangements(made, area, long, small, main)
    for views in found if map_mm >= _LEAST_MAP_MM else ():
        if all(_labels_fit(made, view, points, dial=view.scale <= DIAL_SCALE) for view in views):
            return HoleSheet(title, points, views, fits=True)
    if found:
        return HoleSheet(title, points, found[0], fits=False)
    both = shapely.union(long, small)  # whatever the scale: the last resort of ground that can't be split
    turn_deg = turn_upright(made.ground.surfaces, both, main["hole"].iloc[0])
    return HoleSheet(title, points, (must_fit(both, _frame_in(area), turn_deg=turn_deg),), fits=False)


def _cut_band(shape: Geometry, band: tuple[float, float, float]) -> Geometry:
    bottom, top, turn_deg = band
    strip = shapely.box(-_FAR_M, max(bottom, -_FAR_M), _FAR_M, min(top, _FAR_M))
    return shapely.intersection(shape, affinity.rotate(strip, -turn_deg, origin=(0, 0)))


def _arrangements(
    made: MapBook, area: Box, long: Geometry, small: Geometry, main: gpd.GeoDataFrame
) -> list[tuple[MapView, ...]]:
    """Return the ways to set the maps of a sheet into its paper, the largest maps first.

    The long ground stands upright with its green at the top, or lies with its green to the right; a green is turned as
    its clock is, six o'clock at the foot.
    """
    upright = 0.0 if shapely.is_empty(long) else turn_upright(made.ground.surfaces, long, main["hole"].iloc[0])
    dial = 0.0 if shapely.is_empty(small) else turn_dial(made.ground.surfaces, main)
    longs, smalls = [(long, upright), (long, upright - 90.0)], [(small, dial)]
    sets: list[tuple[MapView | None, ...]]
    if shapely.is_empty(long):
        sets = [(_fit(area, *smalls[0], DIAL_SCALE),)]
    elif shapely.is_empty(small):
        sets = [(_fit(area, *one, SHEET_SCALES[-1]),) for one in longs]
    else:
        papers = [_divide(area, share, beside=beside) for share in _SHARES for beside in (True, False)]
        sets = [
            (_fit(one, *shape, SHEET_SCALES[-1]), _fit(other, *smalls[0], DIAL_SCALE))
            for one, other in papers
            for shape in longs
        ]
    found = [tuple(view for view in views if view is not None) for views in sets if None not in views]
    return sorted(found, key=lambda views: tuple(view.scale for view in views))


def _fit(area: Box, shape: Geometry, turn_deg: float, most: int) -> MapView | None:
    """Return the largest view of a shape that paper holds above a strip for its scale bar, None where none does."""
    frame = _frame_in(area)
    if min(frame.width_mm, frame.height_mm) <= 3 * _MARGIN_MM:
        return None
    scales = [scale for scale in SHEET_SCALES if scale <= most]
    return fit_view(shape, frame, scales=scales, turn_deg=turn_deg, margin_mm=_MARGIN_MM)


def _frame_in(box: Box) -> Box:
    """Return the paper of a map within its place, above the strip for scale bar and arrow."""
    return Box(box.west_mm, box.south_mm + STRIP_MM, box.width_mm, box.height_mm - STRIP_MM)


def _divide(area: Box, share: float, *, beside: bool) -> tuple[Box, Box]:
    """Return the paper of the long ground and of the green: beside it, or beneath it."""
    if beside:
        width_mm = share * area.width_mm
        rest_mm = area.width_mm - width_mm - _GAP_MM
        east = Box(area.east_mm - width_mm, area.south_mm, width_mm, area.height_mm)
        return Box(area.west_mm, area.south_mm, rest_mm, area.height_mm), east
    height_mm = share * area.height_mm
    low = Box(area.west_mm, area.south_mm, area.width_mm, height_mm)
    return Box(area.west_mm, low.north_mm, area.width_mm, area.height_mm - height_mm), low


def turn_dial(surfaces: gpd.GeoDataFrame, main: gpd.GeoDataFrame) -> float:
    """Return the turn that sets six o'clock of the points' green at the foot of the page, degrees."""
    small = main["surface_id"][main["kind"].isin(SMALL_KINDS)].iloc[0]
    clock = take_sights(surfaces, small).clock
    return 0.0 if clock is None else -90.0 - clock.six_deg


def _labels_fit(made: MapBook, view: MapView, points: gpd.GeoDataFrame, *, dial: bool) -> bool:
    shown = points[points["kind"].isin(SMALL_KINDS) == dial] if dial else points
    shown = shown[_points_in(view, shown)]
    places = view.place_points(shown.geometry.to_numpy())
    return labels_fit(places, shown["point_id"].tolist(), view.frame, style=made.setting.label)


def _points_in(view: MapView, points: gpd.GeoDataFrame) -> np.ndarray:
    """Return which points lie in a view, clear of its frame's line, shape (n,) of bool."""
    inside = shapely.buffer(view.window(), -1.5 / view.mm_per_m, join_style="mitre")
    return np.asarray(shapely.intersects(inside, points.geometry.to_numpy()))


def draw_sheet(made: MapBook, sheet: HoleSheet) -> list[str]:
    """Draw a sheet on a page of its own, and return the labels of its points that found no room on its maps."""
    book, setting, room = made.book, made.setting, made.room
    next_page(book)
    write_head(made, sheet.title)
    looks = SURFACE_LOOKS
    if made.aerial is not None:
        looks = {kind: replace(look, fill_alpha=min(look.fill_alpha, _SEEN_THROUGH)) for kind, look in looks.items()}
    beneath = ground_layers(made.ground.surfaces, made.ground.obstacles, looks=looks)
    walk = MapLayer(made.way, SMALL_ROUND_LOOK)
    unplaced: set[str] = set()
    for view in sheet.views:
        close = view.scale <= DIAL_SCALE
        own = sheet.points
        if len(sheet.views) > 1:
            own = own[own["kind"].isin(SMALL_KINDS) == (view is sheet.views[1])]
        inside = own[_points_in(view, own)]
        others = made.design.points[_points_in(view, made.design.points)]
        others = others[~others["point_id"].isin(inside["point_id"])]
        layers = [
            walk,
            *(dial_layers(view, made.ground.surfaces, own["surface_id"], setting.body) if close else []),
            MapLayer(others.geometry.to_numpy(), DOT),
            *(
                MapLayer(one.geometry.to_numpy(), mark, "", one["point_id"].tolist(), setting.label)
                for role, mark in (("main", MAIN_MARK), ("reserve", RESERVE_MARK))
                for one in [inside[inside["role"] == role]]
            ),
        ]
        frame = view.frame
        strip_mm = frame.south_mm - STRIP_MM
        if made.aerial is not None:
            book.lay_picture(_lighten(made.aerial, view, made.ground.crs), frame)
        unplaced |= set(
            draw_view(
                *(book, view, beneath, layers),
                units=made.units,
                scale_at=(frame.west_mm + 4, strip_mm + 3),
                north_at=(frame.east_mm - 6, strip_mm + 4.2),
                arrow_mm=6.0,
                letters=_FINE,
            )
        )
    south_mm = min(view.frame.south_mm for view in sheet.views) - STRIP_MM - _GAP_MM
    table = _row_table(made, sheet.points[sheet.points["role"] == "main"])
    rows_mm = measure(book, [table], room.width_mm)
    left = draw_table(book, table, Box(room.west_mm, room.south_mm, room.width_mm, south_mm - room.south_mm))
    foot = Box(room.west_mm, room.south_mm, room.width_mm, max(south_mm - rows_mm - _GAP_MM - room.south_mm, 0.0))
    _, unsaid = write_paragraphs(book, _reserve_words(sheet.points), foot, setting.body)
    write_foot(made, sheet.title)
    rest = [*([left] if left is not None else []), *(paragraph(words, setting.body) for words in unsaid)]
    flow_rest(made, sheet.title, rest)
    return sorted(unplaced)


def _lighten(aerial: Aerial, view: MapView, crs: CRS) -> bytes:
    """Return what a view shows of a picture from above as a grey JPEG, so light that black on it is read."""
    import io

    from PIL import Image

    _, upper_right, upper_left, lower_left, _ = shapely.get_coordinates(view.window())
    most = view.frame.width_mm * view.frame.height_mm * _PIXELS_PER_MM**2
    pixels = cut_aerial(aerial, np.array([upper_left, upper_right, lower_left]), crs, most, must_reach=False)
    grey = Image.fromarray(pixels).convert("L").point(lambda level: _DARKEST + level * (255 - _DARKEST) // 255)
    content = io.BytesIO()
    grey.save(content, format="JPEG", quality=75)
    return content.getvalue()


def flow_rest(made: MapBook, title: str, story: Sequence[Any]) -> None:
    """Let what found no room on a page flow over as many more as it takes; none for none."""
    if not story:
        return

    def start_page(_: int) -> Box:
        next_page(made.book)
        write_head(made, f"{title} (continued)")
        write_foot(made, title)
        return made.room

    flow_pages(made.book, story, start_page)


def draw_overview(
    made: MapBook, spare: pd.DataFrame, about: Sequence[str], *, pace_m: float, sources: Sequence[str]
) -> None:
    """Draw the whole course with the round to walk, which points lie on which hole, and what the crew must know.

    Parameters
    ----------
    made : MapBook
        What to draw with.
    spare : DataFrame
        Reserve points that no sheet tells of; told here.
    about : sequence of str
        What the round is: its points, its length, its time.
    pace_m : float
        Length of a pace, m.
    sources : sequence of str
        Where the numbers on the sheets come from; the last lines of the page.
    """
    book, design, setting, room = made.book, made.design, made.setting, made.room
    write_head(made, "Overview: the round to walk")
    words = [*about, *tell_overview(design.visit, made.units, pace_m=pace_m, spare=made.has_spare)]
    words += [tell_reserve(point) for point in spare.to_dict("records")]
    story = [paragraph(text, setting.body) for text in [*words, *sources]]
    words_mm = measure(book, story, room.width_mm)
    legend_mm = 20.0
    area_mm = max(room.height_mm - words_mm - legend_mm - 2 * _GAP_MM, 0.42 * room.height_mm)
    frame = _frame_in(Box(room.west_mm, room.north_mm - area_mm, room.width_mm, area_mm))
    sampled = made.ground.surfaces[made.ground.surfaces["surface_id"].isin(design.points["surface_id"])]
    view = must_fit(shapely.union_all(sampled.geometry.to_numpy()), frame, margin_mm=10)
    main = ordered_points(design, "main")
    places, texts = _hole_labels(main)
    layers = [
        MapLayer(made.way, ROUND_LOOK, "the round"),
        MapLayer(main.geometry.to_numpy(), DOT, "point to pull plugs at"),
        MapLayer(places, DOT, labels=texts, label_style=setting.bold),
    ]
    strip_mm = frame.south_mm - STRIP_MM
    draw_view(
        *(book, view, ground_layers(made.ground.surfaces, made.ground.obstacles), layers),
        units=made.units,
        scale_at=(frame.west_mm + 4, strip_mm + 3),
        north_at=(frame.east_mm - 6, strip_mm + 4.2),
        arrow_mm=6.0,
        letters=_FINE,
        legend=Box(frame.west_mm, strip_mm - legend_mm, frame.width_mm, legend_mm),
    )
    draw_check_bar(book, frame.west_mm + 84, strip_mm + 5, _FINE, units=made.units)
    foot = Box(room.west_mm, room.south_mm, room.width_mm, strip_mm - legend_mm - _GAP_MM - room.south_mm)
    _, unsaid = write_paragraphs(book, [*words, *sources], foot, setting.body)
    write_foot(made, "overview")
    flow_rest(made, "Overview", [paragraph(text, setting.body) for text in unsaid])


def _hole_labels(main: pd.DataFrame) -> tuple[list[Geometry], list[str]]:
    """Return a place and a label for each hole (its name, its points' places in the round) and for both ends."""
    places, texts = [], []
    for hole, points in by_hole(main):
        spots = points.geometry.to_numpy()  # the one in the middle: the ends lie beside other holes
        places.append(spots[int(np.argmin(shapely.distance(spots, shapely.MultiPoint(spots).centroid)))])
        name = f"hole {hole}" if hole is not None else NO_HOLE
        low, high = points["walk_order"].min(), points["walk_order"].max()
        texts.append(f"{name}: {low}-{high}" if high > low else f"{name}: {low}")
    return [*places, main.iloc[0].geometry, main.iloc[-1].geometry], [*texts, "start", "end"]


def write_head(made: MapBook, title: str) -> None:
    """Write a page's title, what to pull, the visit and the design code at its top."""
    inside, visit, setting = made.book.inside, made.design.visit, made.setting
    body = min(setting.body.size_pt, 11.0)  # two lines of them stand in the head
    right = Text(11, bold=True, align="right")
    room_mm = inside.width_mm - text_width(f"Design {visit.design_code}", right) - 6
    shrink = min(1.0, room_mm / text_width(title, Text(14, bold=True)))
    write_text(made.book, title, inside.west_mm, inside.north_mm - 5, Text(14 * shrink, bold=True))
    write_text(made.book, f"Design {visit.design_code}", inside.east_mm, inside.north_mm - 5, right)
    write_text(made.book, made.name, inside.east_mm, inside.north_mm - 10, replace(right, size_pt=body))
    course = f"{made.ground.name}, visit" if made.ground.name else "Visit"
    pull = f"{course} {visit.visit}{'' if visit.visit == visit.date else f', {visit.date}'}. {tell_pull(visit)}"
    room_mm = inside.width_mm - text_width(made.name, replace(right, size_pt=body)) - 6
    shrink = min(1.0, room_mm / text_width(pull, Text(body)))
    write_text(made.book, pull, inside.west_mm, inside.north_mm - 10, Text(body * shrink))


def write_foot(made: MapBook, title: str) -> None:
    """Write the line at a page's foot."""
    visit, name = made.design.visit, f" · {made.name}" if made.name else ""
    write_footer(made.book, f"Design {visit.design_code} · visit {visit.visit} · {title}{name}", Text(9))


def dial_layers(view: MapView, surfaces: gpd.GeoDataFrame, surface_ids: Sequence[str], letters: Text) -> list[MapLayer]:
    """Return the clock face of each green the surfaces belong to, as the finding words count its hours."""
    dials: dict[tuple[float, float], tuple[Clock, Geometry]] = {}
    for surface_id in dict.fromkeys(surface_ids):
        sights = take_sights(surfaces, surface_id)
        if sights.kind in DIAL_KINDS and sights.clock is not None:
            middle = (sights.clock.easting, sights.clock.northing)
            outline = dials[middle][1] if middle in dials else sights.outline
            dials[middle] = (sights.clock, shapely.union(outline, sights.outline))
    lines, numbers = [], []
    for clock, outline in dials.values():
        for hour in range(1, 13):
            middle_m, way = hour_ray(clock, hour)
            edge_m = middle_m + reach_edge(clock, outline, hour) * way
            start, end, number = (edge_m + out_mm / view.mm_per_m * way for out_mm in _DIAL_REACHES_MM)
            lines.append(shapely.LineString([start, end]))
            numbers.append((hour, shapely.Point(number)))
        lines += [shapely.LineString([middle_m - arm, middle_m + arm]) for arm in np.eye(2) * 2 / view.mm_per_m]
    layers = [MapLayer(lines, Look())]
    for bold in (False, True):
        some = [(str(hour), place) for hour, place in numbers if (hour % 6 == 0) is bold]
        style = replace(letters, bold=bold, align="centre")
        layers.append(MapLayer([place for _, place in some], style, labels=[hour for hour, _ in some]))
    return layers


def _row_table(made: MapBook, main: gpd.GeoDataFrame) -> Any:
    """Return the table the crew writes in: a row a point."""
    body, label = made.setting.body, made.setting.label
    centred = replace(body, align="centre")
    grow = body.size_pt / USUAL.body.size_pt
    longest_mm = max((text_width(name, label) for name in main["point_id"]), default=0.0) + 2.2
    columns = [
        Column("walk", 10 * grow, centred),
        Column("point", max(16.0, longest_mm), label),
        Column("where to find it", 0, body),
        Column("from the last", 17 * grow, body),
        Column("plugs pulled", 14),
        Column("moved to, or reserve taken" if made.has_spare else "moved to", 23),
        Column("could not, because", 23),
        Column("hole filled", 12.5),
        Column("time", 13),
    ]
    rest_mm = made.room.width_mm - sum(column.width_mm for column in columns)
    columns[2] = replace(columns[2], width_mm=rest_mm)
    rows = [
        [
            *(str(point["walk_order"]), point["point_id"]),
            tell_point(point),
            made.legs.get(point["point_id"], ""),
            *[""] * 5,
        ]
        for point in main.to_dict("records")
    ]
    return make_table(
        columns, rows, width_mm=made.room.width_mm, row_mm=made.setting.row_mm, head_style=Text(9, bold=True)
    )


def _reserve_words(points: pd.DataFrame) -> list[str]:
    spare = points[points["role"] == "reserve"].to_dict("records")
    return [tell_reserve(point) for point in spare]


def draw_rows(
    made: MapBook,
    title: str,
    columns: Sequence[Column],
    rows: Sequence[Sequence[str]],
    *,
    notes: Sequence[str],
) -> None:
    """Draw rows to write in over as many pages as they take, the notes above them; none for none.

    Parameters
    ----------
    made : MapBook
        What to draw with.
    title : str
        Of the pages.
    columns : sequence of Column
        Heads and widths; they fill the page.
    rows : sequence of sequence of str
        A cell a column.
    notes : sequence of str
        Paragraphs above the first row.
    """
    if not rows:
        return

    def start_page(number: int) -> Box:
        next_page(made.book)
        write_head(made, f"{title} (continued)" if number else title)
        write_foot(made, title)
        return made.room

    row_mm = made.setting.row_mm
    table = make_table(columns, rows, width_mm=made.room.width_mm, row_mm=row_mm, head_style=Text(9, bold=True))
    flow_pages(made.book, [*(paragraph(note, made.setting.body) for note in notes), space(1.5), table], start_page)
