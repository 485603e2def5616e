"""One frame of everything that was read: a row a shape, in metres, with its kind and hole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from geosample.errors import GroundError, Problem
from geosample.ground.edges import is_area
from geosample.ground.features import Content, Remark
from geosample.ground.holes import find_holes
from geosample.ground.kinds import USER, find_kind, plain_label
from geosample.ground.placing import centre_of, check_metric, check_width, project, site_crs, to_lonlat
from geosample.ground.swapped import check_stretch

if TYPE_CHECKING:
    from collections.abc import Callable


@dataclass(frozen=True, slots=True)
class Understanding:
    """How the files are to be understood.

    Parameters
    ----------
    kinds : mapping of str to str
        The user's labels, in plain form, and the kinds they mean.
    kind_from, hole_from : tuple of str
        Fields that alone tell the kind and the hole; empty for finding them.
    file_crs : CRS or None
        What the files' coordinates are in, over what they say.
    crs : CRS or None
        The working CRS; None for one centred on the course.
    swap : bool
        Whether the files have latitude first.
    """

    kinds: Mapping[str, str] = field(default_factory=dict)
    kind_from: tuple[str, ...] = ()
    hole_from: tuple[str, ...] = ()
    file_crs: pyproj.CRS | None = None
    crs: pyproj.CRS | None = None
    swap: bool = False


COLUMNS = ["by", "kind", "label", "island_of", "hole", "name", "source", "geometry"]


def frame_contents(contents: Sequence[Content], how: Understanding) -> tuple[gpd.GeoDataFrame, list[Remark]]:
    """Return all features of all files in one frame in metres.

    Returns
    -------
    tuple of GeoDataFrame, list of Remark
        Columns by, kind (None where not known), label, island_of, hole, name, source, geometry.

    Raises
    ------
    GroundError
        When there is nothing, or coordinates can't be placed; the problems of all files at once.
    """
    lonlat, remarks = _place_all(contents, how)
    table = pd.concat([_describe(content, how) for content in contents], ignore_index=True)
    if not len(table):
        raise GroundError([Problem(str(c.path), "no shapes", "polygons", "export the course again") for c in contents])
    remarks += _unused_labels(table, how.kinds)
    crs = how.crs or site_crs(*centre_of(lonlat))
    remarks += check_metric(crs, *centre_of(lonlat))
    shapes = project(lonlat, crs)
    check_width(shapes, list(table["source"]))
    if how.file_crs is None:
        round_ones = table["kind"].isin(["green", "bunker"]).to_numpy() & is_area(shapes)
        check_stretch(shapes[round_ones], *centre_of(lonlat))
    return gpd.GeoDataFrame(table, geometry=shapes, crs=crs)[COLUMNS], remarks


def _unused_labels(table: pd.DataFrame, kinds: Mapping[str, str]) -> list[Remark]:
    used = {plain_label(label) for label in table.loc[table["by"] == USER, "label"]}
    remedy = "no feature has it: check its spelling"
    return [Remark(f"the label '{label}'", USER, remedy) for label in sorted(set(kinds) - used)]


def _place_all(contents: Sequence[Content], how: Understanding) -> tuple[np.ndarray, list[Remark]]:
    swap: Callable[[Content], Content] = _swapped if how.swap else lambda content: content
    placed: list[np.ndarray] = []
    remarks: list[Remark] = []
    problems: list[Problem] = []
    for content in contents:
        remarks += content.remarks
        try:
            shapes, assumed = to_lonlat(swap(content), how.file_crs)
            placed.append(shapes)
            remarks += assumed
        except GroundError as error:
            problems += error.problems
    if problems:
        raise GroundError(problems)
    return np.concatenate(placed), remarks


def _swapped(content: Content) -> Content:
    from dataclasses import replace

    turned = [replace(f, shape=shapely.transform(f.shape, lambda c: c[:, ::-1])) for f in content.features]
    return replace(content, features=tuple(turned))


def _describe(content: Content, how: Understanding) -> pd.DataFrame:
    meanings = [find_kind(feature, how.kinds, how.kind_from) for feature in content.features]
    return pd.DataFrame(
        {
            "by": pd.Series([meaning.by for meaning in meanings], dtype=object),
            "kind": pd.Series([meaning.kind for meaning in meanings], dtype=object),
            "label": pd.Series([meaning.label for meaning in meanings], dtype=object),
            "island_of": pd.Series([meaning.island_of for meaning in meanings], dtype=object),
            "hole": pd.Series(find_holes(content.features, how.hole_from), dtype=object),
            "name": pd.Series(
                [feature.name or feature.fields.get("name") for feature in content.features], dtype=object
            ),
            "source": pd.Series([feature.source for feature in content.features], dtype=object),
        }
    )
