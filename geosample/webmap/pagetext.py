"""The page's words: its head, what stands above the map, and what stands beside and below it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

import pandas as pd
from jinja2 import DictLoader, Environment, StrictUndefined
from markupsafe import Markup

from geosample import __version__
from geosample.cautions import GRADES, TREATMENT
from geosample.density import LEVELS
from geosample.holes import hole_key
from geosample.report.density import tell_clusters
from geosample.units import percent, set_percent
from geosample.webmap import popups, wording
from geosample.webmap.answer import write_answer, write_headline
from geosample.webmap.assets import leaflet_script, leaflet_style
from geosample.webmap.model import Look, Story
from geosample.webmap.pictures import Drawn
from geosample.words import ACTIONS

if TYPE_CHECKING:
    import geopandas as gpd

_PARTS = ("top.html", "rest.html", "parts.html", "page.css", "page.js")


@dataclass(frozen=True, slots=True)
class Listing:
    """What the page's words are about.

    Parameters
    ----------
    story : Story
        The survey's content.
    look : Look
        As asked for.
    drawn : Drawn, optional
        The density map's pictures.
    layers : frozenset of str
        The layers there are to switch.
    """

    story: Story
    look: Look
    drawn: Drawn | None
    layers: frozenset[str]


def write_head() -> str:
    """Return the style sheets and scripts that travel in the page: its own, and Leaflet's."""
    styles = (_part("page.css"), leaflet_style())
    scripts = (leaflet_script(), _part("page.js"))
    return "\n".join(
        [*(f"<style>{text}</style>" for text in styles), *(f"<script>{text}</script>" for text in scripts)]
    )


def write_top(listing: Listing) -> str:
    """Return what stands above the map: whose page it is, and the answer."""
    story = listing.story
    return (
        _templates()
        .get_template("top.html")
        .render(
            course=story.course,
            visit=story.visit,
            pest=story.pest,
            simulated=story.simulated,
            simulated_briefly=story.simulated.partition(":")[0].rstrip(".") + ".",
            headline=write_headline(story),
            answer=write_answer(story),
            has_zones=len(story.zones) > 0,
        )
    )


def write_rest(listing: Listing) -> str:
    """Return what stands beside and below the map: layers, legends, zones by hole, cautions."""
    story, drawn = listing.story, listing.drawn
    return (
        _templates()
        .get_template("rest.html")
        .render(
            visit=story.visit,
            layers=listing.layers,
            holes=[hole for hole, _ in by_hole(story.surfaces)],
            pictures={"density": drawn.density, "width": drawn.width} if drawn else None,
            steps=drawn.steps if drawn else [],
            first_step=drawn.first if drawn else 0,
            level=_level(story),
            clusters=_say_clusters(story),
            levels=LEVELS,
            has_zones=len(story.zones) > 0,
            no_zones=_no_zones(story),
            zones=list_zones(story),
            actions=ACTIONS,
            cautions=TREATMENT,
        )
    )


def by_hole(surfaces: gpd.GeoDataFrame) -> list[tuple[str, gpd.GeoDataFrame]]:
    """Return each hole's surfaces, in playing order; ground without a hole is left out."""
    groups = [(str(hole), rows) for hole, rows in surfaces.groupby("hole") if isinstance(hole, str)]
    return sorted(groups, key=lambda group: hole_key(group[0]))


def list_zones(story: Story) -> list[dict[str, Any]]:
    """Return the zones by hole, those to treat first within a hole."""
    rows = sorted(
        story.zones.drop(columns="geometry").to_dict("records"),
        key=lambda row: (hole_key(row["hole"]), list(ACTIONS).index(row["action"])),
    )
    return [
        {
            **row,
            "place": popups.name_place(row),
            "what": ACTIONS[row["action"]].brief,
            "expected": wording.density(row["mean_per_m2"]),
            "chance": percent(row["probability"]) if pd.notna(row["probability"]) else "not known",
        }
        for row in rows
    ]


def _say_clusters(story: Story) -> Markup:
    """Return what was found of clusters, with its warning; empty where nobody looked."""
    found = story.density.fitted.get("clusters") if story.density else None
    if not found:
        return Markup("")
    return wording.twice(lambda shown: tell_clusters(found, shown))


def _level(story: Story) -> str:
    return set_percent(story.density.level) if story.density else ""


def _no_zones(story: Story) -> str:
    if (story.findings["what"] == "plan").any():
        return "The plan found nothing to treat and nothing to look at again."
    return "No zones yet: run geosample treat."


@cache
def _templates() -> Environment:
    pages = Environment(
        loader=DictLoader({name: _part(name) for name in _PARTS if name.endswith(".html")}),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    pages.globals.update(
        area=wording.area, density=wording.density, percent=percent, version=__version__, grades=GRADES, len=len
    )
    return pages


@cache
def _part(name: str) -> str:
    return resources.files(__package__).joinpath("page", name).read_text(encoding="utf-8")
