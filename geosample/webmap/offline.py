"""folium, told to ask nothing of any network: the one door to it."""

from __future__ import annotations

import base64
import hashlib
import re
from typing import Any

import folium
from branca.element import Element, Figure, MacroElement
from folium.utilities import JsCode

from geosample.errors import MapError, Problem
from geosample.files.escape import escape_html

# A tile's owner may number its hosts, at the name's start: {s}.tiles.example.org.
_HOST = re.compile(r"(https?://)([^/.{]*\{\w+\}[^/.{]*\.)?([a-z0-9.-]+(?::\d+)?)/", re.IGNORECASE)
Bounds = tuple[float, float, float, float]


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
    """A folium map whose scripts and styles travel inside the page.

    Parameters
    ----------
    bounds : tuple of float
        West, south, east, north in degrees.
    """

    def __init__(self, bounds: Bounds) -> None:
        west, south, east, north = bounds
        self.default_js: list[tuple[str, str]] = []  # they stand in the head as text (pagetext.write_head)
        self.default_css: list[tuple[str, str]] = []
        super().__init__(
            location=turn_for_folium((west + east) / 2, (south + north) / 2),
            tiles=None,
            zoom_start=16,
            max_zoom=22,
            zoom_snap=0.25,
            zoom_delta=1,
        )


class Words(MacroElement):
    """Finished text for the page's head, body and script, in the order the elements are added.

    folium reads what its own elements render as a template a second time; a name such as ``{{ 7 * 7 }}`` would be
    worked out there. What this element holds is written as it is.

    Parameters
    ----------
    head, body, script : str
        What came from a file must have been escaped already.
    """

    def __init__(self, *, head: str = "", body: str = "", script: str = "") -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self._name = "Words"
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


def open_layer(pane: str) -> folium.GeoJson:
    """Return an empty layer of GeoJSON, which the page's script fills and draws by its style sheet.

    Parameters
    ----------
    pane : str
        The pane it is drawn in.
    """
    return folium.GeoJson(
        {"type": "FeatureCollection", "features": []},
        control=False,
        smooth_factor=0.5,
        on_each_feature=JsCode("geosample.feature"),
        point_to_layer=JsCode("geosample.place"),
        style=JsCode("geosample.style"),
        pane=pane,
    )


def lay_picture(address: str, bounds: Bounds, pane: str) -> folium.raster_layers.ImageOverlay:
    """Return a picture laid over west, south, east, north in degrees.

    Parameters
    ----------
    address : str
        A data: address.
    """
    return folium.raster_layers.ImageOverlay(
        address, turn_bounds(bounds), pixelated=False, control=False, pane=pane, alt=""
    )


def check_tiles(address: str | None, credit: str) -> None:
    """Let only a base map be laid that can be one, with its owner named.

    Raises
    ------
    MapError
        When the address is no web address or has no place for a tile's numbers, or the credit is missing or alone.
    """
    problems = []
    if address is None:
        if credit:
            found, expected = repr(credit), "a base map to go with it"
            problems.append(Problem("--base-credit", found, expected, "add --base-map, or leave it out"))
    else:
        if not address.startswith(("https://", "http://")):
            expected = "an address that starts with https://"
            problems.append(Problem("--base-map", repr(address), expected, "ask the tiles' owner for the address"))
        elif not _HOST.match(address):
            expected = "a host's plain name, {s} only at its start, no password"
            problems.append(Problem("--base-map", repr(address), expected, "ask the tiles' owner for the address"))
        if not all(part in address for part in ("{z}", "{x}", "{y}")):
            expected = "an address with {z}, {x} and {y}"
            problems.append(Problem("--base-map", repr(address), expected, "ask the tiles' owner for the address"))
        if not credit:
            expected = "whom the tiles' owner wants named"
            problems.append(Problem("--base-credit", "none", expected, "give it beside --base-map"))
    if problems:
        raise MapError(problems)


def lay_tiles(address: str, credit: str, pane: str) -> folium.TileLayer:
    """Return an online base map that is off when the page opens, and asks for nothing until it is switched on.

    Parameters
    ----------
    address : str
        With ``{z}``, ``{x}`` and ``{y}``.
    credit : str
        Plain text.
    """
    return folium.TileLayer(
        tiles=address, attr=escape_html(credit), overlay=True, control=False, show=False, pane=pane, max_zoom=22
    )


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
    return _add_policy(_mend(figure.render()), base_map)


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
        raise MapError(Problem("--base-map", repr(address), "a host's plain name", "ask the tiles' owner for it"))
    return f"{match[1]}{'*.' if match[2] else ''}{match[3]}"


def number_elements(page: OfflineMap) -> None:
    """Give the map's elements numbers in place of folium's random names, so that two runs make the same page."""
    waiting: list[Element] = [page]
    number = 0
    while waiting:
        element = waiting.pop(0)
        element._id = f"{number:04d}"
        number += 1
        waiting.extend(element._children.values())


def _mend(page: str) -> str:
    """Give the page its language, and let readers pinch to zoom, which folium's head forbids."""
    page = page.replace("<html>", '<html lang="en">', 1)
    return re.sub(r",\s*maximum-scale=1\.0,\s*user-scalable=no", "", page, count=1)
