"""Lines of trees that run across turf, where none can stand."""

from __future__ import annotations

from typing import TYPE_CHECKING

import shapely

from geosample.ground.model import Note
from geosample.words import SHORT_TURF

if TYPE_CHECKING:
    import geopandas as gpd

WORTH_SAYING_M = 5.0
"""A line of trees that touches turf over less than this may be crowns at its edge (no source)."""


def note_trees_on_turf(surfaces: gpd.GeoDataFrame, obstacles: gpd.GeoDataFrame) -> list[Note]:
    """Return a note a source for lines of trees that run across short turf, which no trees stand on.

    Such a line is most often one long line drawn from stand to stand; the distance to trees is wrong beside it.

    Examples
    --------
    >>> import geopandas as gpd
    >>> turf = gpd.GeoDataFrame({"kind": ["fairway"]}, geometry=[shapely.box(0, 0, 30, 30)])
    >>> line = shapely.LineString([(-10, 10), (50, 10)])
    >>> trees = gpd.GeoDataFrame({"kind": ["trees"], "source": ["a.kml, placemark 6"]}, geometry=[line])
    >>> [(note.what, note.where) for note in note_trees_on_turf(turf, trees)]
    [('a line of trees runs 30 m across short turf', 'a.kml, placemark 6')]
    """
    lines = obstacles[(obstacles["kind"] == "trees") & obstacles.geom_type.isin(["LineString", "MultiLineString"])]
    turf = shapely.union_all(surfaces.geometry[surfaces["kind"].isin(SHORT_TURF)].to_numpy())
    across = shapely.length(shapely.intersection(lines.geometry.to_numpy(), turf))
    remedy = "distances to trees are measured to it as drawn; split it where no trees stand"
    return [
        Note(f"a line of trees runs {length:,.0f} m across short turf", source, 1, 0.0, remedy)
        for source, length in zip(lines["source"], across, strict=True)
        if length > WORTH_SAYING_M
    ]
