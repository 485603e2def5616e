"""The page drawn: what was gathered, with its pictures and layers on a map, and the words around it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from geosample.density import LEVELS
from geosample.errors import MapError, Problem
from geosample.files.saving import save_file
from geosample.holes import hole_key
from geosample.palettes import OKABE_ITO
from geosample.report import webmap as words
from geosample.survey import Survey
from geosample.units import FOOT_M, Units
from geosample.webmap import page as pages
from geosample.webmap.layers import list_layers
from geosample.webmap.pictures import Bounds, draw_pictures, read_aerial
from geosample.webmap.story import Story, gather_results, gather_story

if TYPE_CHECKING:
    import folium
    import geopandas as gpd

    from geosample.counts import Counts
    from geosample.density import DensityMap
    from geosample.design import Design
    from geosample.estimate import Estimates
    from geosample.ground import Ground
    from geosample.treat import Zones


def draw_map(  # noqa: PLR0913 - what a user may say in plain words
    source: Survey | Ground | Story,
    path: str | Path,
    *,
    design: Design | None = None,
    counts: Counts | None = None,
    estimates: Estimates | None = None,
    density_map: DensityMap | None = None,
    zones: Zones | None = None,
    course: str = "",
    visit: str | None = None,
    units: Units = "us",
    thresholds_per_m2: tuple[float, ...] = (),
    aerial: str | Path | None = None,
    base_map: str | None = None,
    base_credit: str = "",
) -> Path:
    """Write one page that shows all there is of a visit, and return its path.

    Parameters
    ----------
    source : Survey, Ground or Story
        A survey with a ground in it, of which the page shows all that a visit has; or a ground, beside which the
        results are given one by one; or what ``gather_story`` gathered.
    path : str or Path
        The page, ending in ``.html``; an older one is replaced whole.
    design, counts, estimates, density_map, zones : optional
        With a ground: what there is of one visit. Results need the design they go back to.
    course : str
        With a ground: what the page calls the course. A survey's is its file's name.
    visit : str, optional
        With a survey: the visit to show; when None the newest with counts, or else the newest.
    units : {"us", "metric"}
        Units shown first; the page can switch.
    thresholds_per_m2 : tuple of float
        Thresholds the reader can step through, insects per m²; chosen from the map's range when empty.
    aerial : str or Path, optional
        A GeoTIFF of the user's to lay underneath.
    base_map : str, optional
        Address of map tiles with ``{z}``, ``{x}`` and ``{y}``. Nothing is asked of it until the reader switches it on.
    base_credit : str
        Whom the tiles' owner wants named; needed with a base map.

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
    pages.check_tiles(base_map, base_credit)
    results = {"design": design, "counts": counts, "estimates": estimates, "density_map": density_map, "zones": zones}
    if isinstance(source, Survey | Story):
        given = ", ".join(name for name, result in results.items() if result is not None)
        if given:
            found, remedy = f"{given} beside a survey", "give the ground in place of the survey, or the survey alone"
            raise MapError(Problem("source", found, "a ground beside results", remedy))
        story = source if isinstance(source, Story) else gather_story(source, visit)
    else:
        story = gather_results(source, design, counts, estimates, density_map, zones, course=course)
    text = compose_page(
        story,
        units=units,
        thresholds_per_m2=tuple(thresholds_per_m2),
        aerial=Path(aerial) if aerial else None,
        base_map=base_map,
        base_credit=base_credit,
    )
    save_file(path, text.encode("utf-8"), MapError)
    return path


def compose_page(
    story: Story,
    *,
    units: Units = "us",
    thresholds_per_m2: tuple[float, ...] = (),
    aerial: Path | None = None,
    base_map: str | None = None,
    base_credit: str = "",
) -> str:
    """Return the whole page as text, as ``draw_map`` writes it; the same story gives the same text, byte for byte."""
    bounds = _lonlat_bounds(story.surfaces)
    page = pages.OfflineMap(bounds)
    pictures = draw_pictures(story, thresholds_per_m2, units)
    layers: dict[str, list[folium.map.Layer]] = {}
    if aerial:
        layers["aerial"] = [pages.lay_picture(*read_aerial(aerial, bounds), "aerial")]
    if base_map:
        layers["base"] = [pages.lay_tiles(base_map, base_credit, "base")]
    for name, parts in list_layers(story).items():
        layers[name] = [pages.lay_shapes(features, pane, show=name != "hotspots") for pane, features in parts]
    if pictures:
        measures = [pictures.density, pictures.width, *(chance.picture for chance in pictures.chances)]
        layers["rasters"] = [
            pages.lay_picture(one.uri, pictures.grid.lonlat, "rasters", show=one is pictures.density)
            for one in measures
        ]
    for layer in (layer for group in layers.values() for layer in group):
        layer.add_to(page)
    named = story.surfaces.groupby("hole")
    holes = sorted((str(hole) for hole, _ in named), key=hole_key)
    own = story.surfaces[story.surfaces["hole"].isin(story.sampled_holes)]
    start: dict[str, Any] = {
        "bounds": pages.turn_bounds(bounds),
        "first_bounds": pages.turn_bounds(_lonlat_bounds(story.surfaces if own.empty else own)),
        "holes": [pages.turn_bounds(_lonlat_bounds(named.get_group(hole))) for hole in holes],
        "words": words.SCRIPT_WORDS,
        "units": units,
        "foot_m": FOOT_M,
        "here_colour": OKABE_ITO["purple"],
    }
    above, below = words.write_page(story, pictures, layers, holes, LEVELS)
    return pages.render_page(
        page,
        title=f"{story.course}: {story.pest}",
        before=pages.Words(head=pages.write_head(), body=above),
        after=pages.Words(body=below, script=pages.write_start(page, layers, start)),
        base_map=base_map,
    )


def _lonlat_bounds(rows: gpd.GeoDataFrame) -> Bounds:
    west, south, east, north = (float(edge) for edge in rows.to_crs("EPSG:4326").total_bounds)
    return west, south, east, north
