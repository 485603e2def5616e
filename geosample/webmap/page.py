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

import base64
import hashlib
import re
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

import folium
from branca.element import Element, Figure, MacroElement
from folium.utilities import JsCode

from geosample.errors import MapError, Problem
from geosample.files.saving import escape_html, escape_json
from geosample.webmap.layers import write_safe

if TYPE_CHECKING:
    from geosample.webmap.layers import Feature
    from geosample.webmap.pictures import Bounds

LEAFLET_VERSION = "1.9.4"
_LEAFLET = ("js_lib_leaflet", "static/js_lib_leaflet/leaflet")
# A tile's owner may number its hosts, at the name's start: {s}.tiles.example.org.
_HOST = re.compile(r"(https?://)([^/.{]*\{\w+\}[^/.{]*\.)?([a-z0-9.-]+(?::\d+)?)/", re.IGNORECASE)
# Panes from below to above; Leaflet's own points (600) and pop-ups (700) lie higher.
_PANES = {"base": 230, "aerial": 240, "rasters": 300, "obstacles": 340, "ground": 350, "zones": 420}


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

    default_js: list[tuple[str, str]] = []  # noqa: RUF012  (folium's way: they stand in the head as text, write_head)
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
        [_hash(text) for part in (head, body) for text in re.findall(rf"<{tag}>(.*?)</{tag}>", part, re.DOTALL)]
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


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode('ascii')}'"


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
def write_head() -> str:
    """Return the style sheets and scripts that travel in the page: its own, and Leaflet's.

    Raises
    ------
    MapError
        When the package that carries Leaflet is missing, or carries another version than the page was tested with.
    """
    own = resources.files("geosample.webmap").joinpath("page")
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


def write_start(page: OfflineMap, layers: dict[str, list[folium.map.Layer]], start: dict[str, Any]) -> str:
    """Return the line that hands the map, its layers by name and what else it must know to the page's script."""
    names = ", ".join(f"{name}: [{', '.join(part.get_name() for part in parts)}]" for name, parts in layers.items())
    return f"geosample.start({page.get_name()}, {{{names}}}, {escape_json(start)});"
