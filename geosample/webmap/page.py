"""The page: a folium map that asks nothing of any network, its words around it, and a policy that keeps it so.

folium builds the map, its panes and every layer, as its users know it: shapes are ``GeoJson``, pictures
``ImageOverlay``, a base map ``TileLayer``. Where the page goes another way, it says why:

- **Scripts and styles** stand in the head as text, since folium links its own from servers.
- **Looks** go by class names and one style sheet, for print and for the policy, which forbids inline styles.
- **Pop-ups** are bound feature by feature (``on_each_feature``): ``GeoJsonPopup`` binds one to a whole layer, which
  neither the keyboard nor the table of zones can open at one of them.
- **Switches** stand in the page's panel beside their legends, to be reached by touch, keyboard and screen reader and to
  be printed; ``LayerControl`` hides them in a corner of the map.
"""

from __future__ import annotations

import re
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import folium
from branca.element import Element, Figure, MacroElement
from folium.utilities import JsCode

from geosample.density import LEVELS
from geosample.errors import MapError, Problem
from geosample.files.saving import escape_html, escape_json, name_by_hash, save_file
from geosample.ground import Aerial, Ground
from geosample.palettes import OKABE_ITO
from geosample.report import webmap as words
from geosample.survey import Survey
from geosample.units import FOOT_M, Units
from geosample.webmap.pictures import MapPictures, draw_aerial, draw_pictures
from geosample.webmap.story import (
    MOST_OTHERS,
    Story,
    gather_results,
    gather_stories,
    list_shapes,
    surface_features,
    write_safe,
)
from geosample.words import hole_key

if TYPE_CHECKING:
    from collections.abc import Sequence

    import geopandas as gpd

    from geosample.counts import Counts
    from geosample.density import DensityMap
    from geosample.design import Design
    from geosample.estimate import Estimates
    from geosample.ground import Bounds, Pairs
    from geosample.treat import Zones
    from geosample.webmap.story import Feature

LEAFLET_VERSION = "1.9.4"
_LEAFLET = ("js_lib_leaflet", "static/js_lib_leaflet/leaflet")
# A tile's owner may number its hosts, at the name's start: {s}.tiles.example.org.
_HOST = re.compile(r"(https?://)([^/.{]*\{\w+\}[^/.{]*\.)?([a-z0-9.-]+(?::\d+)?)/", re.IGNORECASE)
# Panes from below to above; Leaflet's own points (600) and pop-ups (700) lie higher.
OF_VISIT = ("points", "clusters", "treat", "check")
"""Shapes that a page has of visits beside the first."""
_PANES = {"base": 230, "aerial": 240, "rasters": 300, "obstacles": 340, "ground": 350, "zones": 420}


def draw_map(  # noqa: PLR0913 - what a user may say in plain words
    source: Survey | Ground | Sequence[Story],
    path: str | Path,
    *,
    design: Design | None = None,
    counts: Counts | None = None,
    estimates: Estimates | None = None,
    density_map: DensityMap | None = None,
    zones: Zones | None = None,
    course: str = "",
    visit: str | None = None,
    others: int = MOST_OTHERS,
    units: Units = "us",
    thresholds_per_m2: tuple[float, ...] = (),
    aerial: str | Path | None = None,
    aerial_pairs: Pairs = (),
    aerial_crs: str | None = None,
    base_map: str | None = None,
    base_credit: str = "",
) -> Path:
    """Write one page that shows all there is of a visit, and return its path.

    Parameters
    ----------
    source : Survey, Ground or sequence of Story
        A survey with a ground in it, of which the page shows all that a visit has; or a ground, beside which the
        results are given one by one; or what ``gather_stories`` gathered.
    path : str or Path
        The page, ending in ``.html``; an older one is replaced whole.
    design, counts, estimates, density_map, zones : optional
        With a ground: what there is of one visit. Results need the design they go back to.
    course : str
        With a ground: what the page calls the course. A survey's is its file's name.
    visit : str, optional
        With a survey: the visit to show; when None the newest with counts, or else the newest.
    others : int
        With a survey: other visits to switch to and to see beside it, at most: of its pest, on its ground, with counts,
        the newest first.
    units : {"us", "metric"}
        Units shown first; the page can switch.
    thresholds_per_m2 : tuple of float
        Thresholds the reader can step through, insects per m²; chosen from the map's range when empty.
    aerial : str or Path, optional
        A picture of the user's to lay underneath: GeoTIFF, PNG or JPEG.
    aerial_pairs : Pairs
        Three or more places in it, columns and rows from its upper left corner, and where they lie, degrees.
    aerial_crs : str, optional
        What the coordinates of its world file are in, where they are no degrees.
    base_map : str, optional
        Address of map tiles with ``{z}``, ``{x}`` and ``{y}``. Nothing is asked of it until the reader switches it on.
    base_credit : str
        Whom the tiles' owner wants named; needed with a base map.

    Returns
    -------
    Path
        The page that was written.

    Raises
    ------
    SurveyError
        Without a ground, or without the visit asked for.
    MapError
        When the page can't be written, a threshold lies outside the map's range, or results don't belong together.
    """
    path = Path(path)
    if path.suffix.lower() not in {".html", ".htm"}:
        raise MapError(Problem("path", str(path), "a file ending in .html", "name the page, such as map.html"))
    check_tiles(base_map, base_credit)
    results = {"design": design, "counts": counts, "estimates": estimates, "density_map": density_map, "zones": zones}
    if not isinstance(source, Ground):
        given = ", ".join(name for name, result in results.items() if result is not None)
        if given:
            found, remedy = f"{given} beside a survey", "give the ground in place of the survey, or the survey alone"
            raise MapError(Problem("source", found, "a ground beside results", remedy))
        stories = gather_stories(source, visit, others=others) if isinstance(source, Survey) else source
    else:
        stories = [gather_results(source, design, counts, estimates, density_map, zones, course=course)]
    text = compose_page(
        stories,
        units=units,
        thresholds_per_m2=tuple(thresholds_per_m2),
        aerial=Aerial(Path(aerial), tuple(aerial_pairs), aerial_crs) if aerial else None,
        base_map=base_map,
        base_credit=base_credit,
    )
    save_file(path, text.encode("utf-8"), MapError)
    return path


def compose_page(  # noqa: PLR0913 - a keyword a thing
    stories: Sequence[Story],
    *,
    units: Units = "us",
    thresholds_per_m2: tuple[float, ...] = (),
    aerial: Aerial | None = None,
    base_map: str | None = None,
    base_credit: str = "",
    bounds: Bounds | None = None,
) -> str:
    """Return the whole page as text, as ``draw_map`` writes it; the same stories give the same text, byte for byte.

    The first story is shown, with the ground; of the others, visits to see beside it, the page has points, zones, and
    pictures by the first one's scales.
    ``bounds``, in degrees, is the ground to show where it is not the surfaces' own, which there may be none of.
    """
    story = stories[0]
    bounds = bounds or _lonlat_bounds(story.surfaces)
    drawn = OfflineMap(bounds)
    pictures: list[MapPictures | None] = []
    for one in stories:
        like = next((there for there in pictures if there), None)
        pictures.append(draw_pictures(one, () if like else thresholds_per_m2, units, like))
    layers: dict[str, list[folium.map.Layer]] = {}
    if aerial:
        layers["aerial"] = [lay_picture(draw_aerial(aerial, bounds), bounds, "aerial")]
    if base_map:
        layers["base"] = [lay_tiles(base_map, base_credit, "base")]
    visits: list[dict[str, list[folium.map.Layer]]] = []
    for one, made in zip(stories, pictures, strict=True):
        named, shown = list_shapes(one), one is story
        visits.append(layers if shown else {})
        for name in named if shown else (name for name in OF_VISIT if name in named):
            visits[-1][name] = [
                lay_shapes(shapes, pane, show=shown and name != "hotspots") for pane, shapes in named[name]
            ]
        if made:
            visits[-1]["rasters"] = [
                lay_picture(picture.uri, made.grid.lonlat, "rasters", show=shown and picture is made.density)
                for picture in (made.density, made.width, *made.chances)
            ]
    for layer in (layer for named in visits for group in named.values() for layer in group):
        layer.add_to(drawn)
    named = story.surfaces.groupby("hole")
    holes = sorted((str(hole) for hole, _ in named), key=hole_key)
    own = story.surfaces[story.surfaces["hole"].isin(story.sampled_holes)]
    first = story.surfaces if own.empty else own
    start: dict[str, Any] = {
        "bounds": turn_bounds(bounds),
        "first_bounds": turn_bounds(bounds if story.surfaces.empty else _lonlat_bounds(first)),
        "holes": [turn_bounds(_lonlat_bounds(named.get_group(hole))) for hole in holes],
        "words": words.SCRIPT_WORDS,
        "units": units,
        "foot_m": FOOT_M,
        "here_colour": OKABE_ITO["purple"],
        "steps": [made.first if made else 0 for made in pictures],
        "says": [[(own["say"], own["look"]) for own in _surface_texts(one)] for one in stories[1:]],
        "base": base_map,
    }
    names = {name for named in visits for name in named}
    above, below = words.write_page(stories, pictures, names, holes, LEVELS)
    return render_page(
        drawn,
        title=f"{story.course}: {story.pest}",
        before=Words(head=write_scripts(), body=above),
        after=Words(body=below, script=write_start(drawn, visits, start)),
        base_map=base_map,
    )


def _surface_texts(story: Story) -> list[dict[str, str]]:
    return [feature["properties"] for feature in surface_features(story)]


def _lonlat_bounds(rows: gpd.GeoDataFrame) -> Bounds:
    west, south, east, north = (float(edge) for edge in rows.to_crs("EPSG:4326").total_bounds)
    return west, south, east, north


def turn_for_folium(lon: float, lat: float) -> tuple[float, float]:
    """Return (lat, lon) as folium wants it, from (lon, lat): the one place where the order turns.

    Examples
    --------
    >>> turn_for_folium(-73.9, 41.5)
    (41.5, -73.9)
    """
    return lat, lon


def turn_bounds(bounds: Bounds) -> list[list[float]]:
    """Return folium's two corners from west, south, east, north in degrees.

    Examples
    --------
    >>> turn_bounds((-74.0, 41.0, -73.0, 42.0))
    [[41.0, -74.0], [42.0, -73.0]]
    """
    west, south, east, north = bounds
    return [list(turn_for_folium(west, south)), list(turn_for_folium(east, north))]


class OfflineMap(folium.Map):
    """A folium map with the page's panes, which links no script and no style sheet.

    Parameters
    ----------
    bounds : tuple of float
        West, south, east, north in degrees.
    """

    default_js: list[tuple[str, str]] = []  # noqa: RUF012  (folium's way: they stand in the head as text, write_scripts)
    default_css: list[tuple[str, str]] = []  # noqa: RUF012

    def __init__(self, bounds: Bounds) -> None:
        west, south, east, north = bounds
        centre = turn_for_folium((west + east) / 2, (south + north) / 2)
        super().__init__(location=centre, tiles=None, zoom_start=16, max_zoom=22, zoom_snap=0.25, zoom_delta=1)
        for pane, height in _PANES.items():
            folium.map.CustomPane(pane, z_index=height, pointer_events=True).add_to(self)


class Words(MacroElement):
    """Finished text for the page's head, body and script, in the order the elements are added.

    folium reads what its own elements render as a template a second time. What this element holds is written as it is.

    Parameters
    ----------
    head, body, script : str
        What came from a file must have been escaped already.
    """

    def __init__(self, *, head: str = "", body: str = "", script: str = "") -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self.texts = {"header": head, "html": body, "script": script}

    def render(self, **kwargs: Any) -> None:  # type: ignore[override]  # noqa: ARG002
        """Put the texts into the figure's parts."""
        figure = self.get_root()
        for part, text in self.texts.items():
            getattr(figure, part).add_child(_AsItIs(text), name=f"{self.get_name()}_{part}")


class _AsItIs(Element):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text

    def render(self, **kwargs: Any) -> str:  # noqa: ARG002
        return self.text


def lay_shapes(features: list[Feature], pane: str, *, show: bool = True) -> folium.GeoJson:
    """Return a layer of GeoJSON; the page's script gives each feature its class, its mark and its pop-up."""
    return folium.GeoJson(
        {"type": "FeatureCollection", "features": features},
        control=False,
        show=show,
        smooth_factor=0.5,
        on_each_feature=JsCode("geosample.feature"),
        point_to_layer=JsCode("geosample.place"),
        style=JsCode("geosample.style"),
        pane=pane,
    )


def lay_picture(uri: str, bounds: Bounds, pane: str, *, show: bool = True) -> folium.raster_layers.ImageOverlay:
    """Return a picture, a data: address, laid over west, south, east, north in degrees."""
    return folium.raster_layers.ImageOverlay(
        uri, turn_bounds(bounds), pixelated=False, control=False, show=show, pane=pane, alt=""
    )


def lay_tiles(address: str, credit: str, pane: str) -> folium.TileLayer:
    """Return an online base map that is off when the page opens, and asks for nothing until it is switched on."""
    return folium.TileLayer(
        tiles=address, attr=write_safe(credit), overlay=True, control=False, show=False, pane=pane, max_zoom=22
    )


def check_tiles(address: str | None, credit: str) -> None:
    """Let only a base map be laid that can be one, with its owner named.

    Raises
    ------
    MapError
        When the address is no web address or has no place for a tile's numbers, or the credit is missing or alone.
    """
    problems = []
    ask = "ask the tiles' owner for the address"
    if address is None:
        if credit:
            expected = "a base map to go with it"
            problems.append(Problem("base_credit", repr(credit), expected, "add `base_map`, or leave it out"))
    else:
        if not address.startswith(("https://", "http://")):
            problems.append(Problem("base_map", repr(address), "an address that starts with https://", ask))
        elif not _HOST.match(address):
            expected = "a host's plain name, {s} only at its start, no password"
            problems.append(Problem("base_map", repr(address), expected, ask))
        if not all(part in address for part in ("{z}", "{x}", "{y}")) or re.search(r"[{}]{2}|\{[^a-z]", address):
            problems.append(Problem("base_map", repr(address), "an address with {z}, {x} and {y}", ask))
        if not credit:
            problems.append(
                Problem("base_credit", "none", "whom the tiles' owner wants named", "give it beside `base_map`")
            )
    if problems:
        raise MapError(problems)


def render_page(page: OfflineMap, *, title: str, before: Words, after: Words, base_map: str | None) -> str:
    """Return the page as text, the same for the same map.

    Parameters
    ----------
    title : str
        Plain text.
    before, after : Words
        What stands above and below the map.
    base_map : str, optional
        The address of the tiles, which the page may then ask for.
    """
    figure = Figure(title=escape_html(title))
    for element in (before, page, after):
        figure.add_child(element)
    text = _number_elements(figure.render(), figure)
    # folium's head has no language and forbids readers to pinch
    text = text.replace("<html>", '<html lang="en">', 1)
    text = re.sub(r",\s*maximum-scale=1\.0,\s*user-scalable=no", "", text, count=1)
    return _add_policy(text, base_map)


def _number_elements(text: str, figure: Figure) -> str:
    """Return the page with numbers in place of folium's random ids, so that two runs make the same page."""
    ids: dict[str, str] = {}
    waiting: list[dict[str, Any]] = [figure.to_dict()]
    while waiting:
        element = waiting.pop(0)
        ids.setdefault(element["id"], f"{len(ids):04d}")
        waiting.extend(element["children"].values())
    return re.sub("(?<=_)[0-9a-f]{32}", lambda found: ids.get(found[0], found[0]), text)


def _add_policy(page: str, base_map: str | None) -> str:
    """Return the page with a policy that lets it run its own scripts, show its own pictures, and do nothing else.

    Only what stands in the head and after the body is allowed by its hash: names from files stand in the body, so that
    a script that came in with one would not run.

    References
    ----------
    W3C, Content Security Policy Level 3: hashes of inline scripts and styles; a meta element counts from where it is.
    """
    page = page.replace("\r\n", "\n").replace("\r", "\n")  # as a browser reads it before it works out a hash
    head, body = page.partition("</head>")[0], page.rpartition("</body>")[2]
    scripts, styles = (
        [name_by_hash(text) for part in (head, body) for text in re.findall(rf"<{tag}>(.*?)</{tag}>", part, re.DOTALL)]
        for tag in ("script", "style")
    )
    rules = {
        "default-src": ["'none'"],
        "script-src": scripts,
        "style-src": styles,
        "img-src": ["data:", *([tile_host(base_map)] if base_map else [])],
        "base-uri": ["'none'"],
        "form-action": ["'none'"],
    }
    policy = "; ".join(" ".join([name, *allowed]) for name, allowed in rules.items())
    meta = f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
    return re.sub(r"<meta http-equiv=.content-type.[^>]*>", lambda found: f"{found[0]}\n    {meta}", page, count=1)


def tile_host(address: str) -> str:
    """Return what a page's policy calls the host of tiles that ``check_tiles`` let pass.

    Examples
    --------
    >>> tile_host("https://tiles.invalid/{z}/{x}/{y}.png"), tile_host("https://{s}.tiles.invalid:8443/{z}/{x}/{y}")
    ('https://tiles.invalid', 'https://*.tiles.invalid:8443')
    """
    match = _HOST.match(address)
    if match is None:
        raise MapError(Problem("base_map", repr(address), "a host's plain name", "ask the tiles' owner for it"))
    return f"{match[1]}{'*.' if match[2] else ''}{match[3]}"


@cache
def write_scripts() -> str:
    """Return the style sheets and scripts that travel in the page: its own, and Leaflet's.

    Raises
    ------
    MapError
        When the package that carries Leaflet is missing, or carries another version than the page was tested with.
    """
    own = resources.files("geosample.webmap")
    style, script = (own.joinpath(name).read_text(encoding="utf-8") for name in ("page.css", "page.js"))
    leaflet, looks = _read_leaflet(".js"), _read_leaflet(".css")
    check_version("django-js-lib-leaflet", leaflet, rf"Leaflet {re.escape(LEAFLET_VERSION)}\b", LEAFLET_VERSION)
    # without the address of a map of its source, and without pictures the page never shows: nobody should ask for them
    leaflet = leaflet.partition("//# sourceMappingURL")[0].strip()
    looks = re.sub(r"url\([^)]*\)", "none", looks).strip()
    return "\n".join(
        [
            *(f"<style>{text}</style>" for text in (looks, style)),
            *(f"<script>{text}</script>" for text in (leaflet, script)),
        ]
    )


def check_version(package: str, text: str, pattern: str, version: str) -> None:
    """Raise MapError unless a script's opening comment names the version expected.

    Examples
    --------
    >>> check_version("some-package", "/* Thing 1.2.0 */", "Thing 1.2.3", "1.2.3")
    Traceback (most recent call last):
    geosample.errors.MapError: some-package: found another version; expected one that carries 1.2.3; ...
    """
    if not re.search(pattern, text[:400]):
        remedy = f"install a {package} that carries {version}"
        raise MapError(Problem(package, "another version", f"one that carries {version}", remedy))


def _read_leaflet(ending: str) -> str:
    package, name = _LEAFLET
    try:
        return resources.files(package).joinpath(f"{name}{ending}").read_text(encoding="utf-8")
    except (ModuleNotFoundError, FileNotFoundError) as error:
        remedy = "install geosample again with its dependencies"
        raise MapError(Problem(package, "not installed, or without its files", f"{name}{ending}", remedy)) from error


def write_start(page: OfflineMap, visits: list[dict[str, list[folium.map.Layer]]], start: dict[str, Any]) -> str:
    """Return the line that hands the map, each visit's layers by name and what else it must know to the script."""
    named = [
        ", ".join(f"{name}: [{', '.join(part.get_name() for part in parts)}]" for name, parts in layers.items())
        for layers in visits
    ]
    return (
        f"geosample.start({page.get_name()}, [{', '.join(f'{{{names}}}' for names in named)}], {escape_json(start)});"
    )
