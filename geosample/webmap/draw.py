"""The page put together: answer, map, layers with their legends, zones by hole, cautions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import folium

from geosample.errors import MapError, Problem
from geosample.files.escape import escape_json
from geosample.files.saving import save_file
from geosample.palettes import OKABE_ITO
from geosample.units import FOOT_M, Units
from geosample.webmap import offline, pagetext, places
from geosample.webmap.aerial import read_aerial
from geosample.webmap.model import Look, Story, gather_story
from geosample.webmap.pictures import Drawn, draw_pictures
from geosample.words import ACTIONS

if TYPE_CHECKING:
    from geosample.survey import Survey

# Panes from below to above; Leaflet's own points (600) and pop-ups (700) lie higher.
_PANES = {"base": 230, "aerial": 240, "rasters": 300, "obstacles": 340, "ground": 350, "zones": 420}
# A layer's name -> the collections it holds, each with its pane, from below to above.
Sheets = dict[str, list[tuple[str, list[places.Feature]]]]
Layers = dict[str, list[folium.map.Layer]]


def draw_map(
    survey: Survey, path: str | Path, *, visit: str | None = None, units: Units = "us", look: Look | None = None
) -> Path:
    """Write one page that shows all the survey holds for a visit, and return its path.

    Parameters
    ----------
    survey : Survey
        From ``open_survey``; it needs a ground, and the page shows what else there is.
    path : str or Path
        The page, ending in ``.html``; an older one is replaced whole.
    visit : str, optional
        The newest when None.
    units : {"us", "metric"}
        Units shown first when ``look`` is None; the page can switch.
    look : Look, optional
        Thresholds to step through, an aerial picture, an online base map.

    Raises
    ------
    SurveyError
        Without a ground, or without the visit asked for.
    MapError
        When the page can't be written, or a threshold lies outside the map's range.
    """
    return draw_story(gather_story(survey, visit), Path(path), look or Look(units=units))


def draw_story(story: Story, path: Path, look: Look) -> Path:
    """Write the page of what was gathered already, and return its path; errors as for ``draw_map``."""
    check_path(path)
    offline.check_tiles(look.base_map, look.base_credit)
    save_file(path, compose_page(story, look).encode("utf-8"), MapError)
    return path


def check_path(path: Path) -> None:
    """Raise MapError unless a page can be written there."""
    if path.suffix.lower() not in {".html", ".htm"}:
        raise MapError(Problem("--out", str(path), "a file ending in .html", "name the page, such as map.html"))


def compose_page(story: Story, look: Look) -> str:
    """Return the whole page as text; the same story gives the same text, byte for byte."""
    bounds = _lonlat_bounds(story.surfaces)
    page = offline.OfflineMap(bounds)
    for pane, height in _PANES.items():
        folium.map.CustomPane(pane, z_index=height, pointer_events=True).add_to(page)
    sheets, drawn = list_sheets(story), draw_pictures(story, look)
    layers = {**add_backdrops(page, look, bounds), **add_layers(page, sheets, drawn)}
    offline.number_elements(page)
    listing = pagetext.Listing(story, look, drawn, frozenset(layers))
    before = offline.Words(head=pagetext.write_head(), body=pagetext.write_top(listing))
    start = {
        "layers": {name: [features for _, features in parts] for name, parts in sheets.items()},
        "bounds": offline.turn_bounds(bounds),
        "first_bounds": offline.turn_bounds(_lonlat_bounds(_visited(story))),
        "holes": [offline.turn_bounds(_lonlat_bounds(rows)) for _, rows in pagetext.by_hole(story.surfaces)],
        "pictures": {"density": drawn.density.uri, "width": drawn.width.uri} if drawn else {},
        "steps": [step.picture.uri for step in drawn.steps] if drawn else [],
        "units": look.units,
        "foot_m": FOOT_M,
        "here_colour": OKABE_ITO["purple"],
        "off": [name for name in ("hotspots",) if name in layers],
    }
    after = offline.Words(body=pagetext.write_rest(listing), script=_start_script(page, layers, start))
    return offline.render_page(
        page, title=f"{story.course}: {story.pest}", before=before, after=after, base_map=look.base_map
    )


def list_sheets(story: Story) -> Sheets:
    """Return what is drawn as shapes, layer by layer; a layer with nothing in it is left out."""
    hot = places.hotspot_features(story)
    sheets: Sheets = {
        "obstacles": [("obstacles", places.obstacle_features(story))],
        "surfaces": [("ground", places.surface_features(story)), ("markerPane", places.hole_labels(story))],
        "points": [("markerPane", places.point_features(story))],
        "clusters": [("markerPane", places.cluster_features(story))],
        "hotspots": [("zones", places.casings(hot, "hotspot")), ("zones", hot)],
    }
    for action in ACTIONS:
        shapes = places.zone_features(story, action)
        labels = places.zone_labels(story, action)
        sheets[action] = [("zones", places.casings(shapes, "zone")), ("zones", shapes), ("markerPane", labels)]
    return {name: parts for name, parts in sheets.items() if any(features for _, features in parts)}


def add_backdrops(page: offline.OfflineMap, look: Look, bounds: offline.Bounds) -> Layers:
    """Add the user's aerial picture and online base map, where there are any; the base map is off when it opens."""
    layers: Layers = {}
    if look.aerial:
        layers["aerial"] = [offline.lay_picture(*read_aerial(look.aerial, bounds), "aerial")]
    if look.base_map:
        layers["base"] = [offline.lay_tiles(look.base_map, look.base_credit, "base")]
    for group in layers.values():
        group[0].add_to(page)
    return layers


def add_layers(page: offline.OfflineMap, sheets: Sheets, drawn: Drawn | None) -> Layers:
    """Add the layers to the map, still empty, and return them by name."""
    layers: Layers = {name: [offline.open_layer(pane) for pane, _ in parts] for name, parts in sheets.items()}
    if drawn:
        layers["raster"] = [offline.lay_picture(drawn.density.uri, drawn.grid.lonlat, "rasters")]
    for layer in (layer for group in layers.values() for layer in group):
        layer.add_to(page)
    return layers


def _lonlat_bounds(rows: Any) -> offline.Bounds:
    west, south, east, north = (float(edge) for edge in rows.to_crs("EPSG:4326").total_bounds)
    return west, south, east, north


def _visited(story: Story) -> Any:
    """Return the surfaces the visit has points on, all of them before there are points: what the page opens on."""
    own = story.surfaces[story.surfaces["surface_id"].isin(set(story.points["surface_id"]))]
    return story.surfaces if own.empty else own


def _start_script(page: offline.OfflineMap, layers: Layers, start: dict[str, Any]) -> str:
    names = ", ".join(f"{name}: [{', '.join(part.get_name() for part in parts)}]" for name, parts in layers.items())
    return f"geosample.start({page.get_name()}, {{{names}}}, {escape_json(start)});"
