"""The blank sheet's columns and rows: the one place both the paper's makers and the counts' readers look.

One header row, one row a bag. The columns before ``status`` come filled in; ``status`` and after are the crew's to
fill. ``lat`` and ``lon`` stay blank unless the plug was moved: the planned place is in the waypoints and on the map.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from geosample.words import UNSTAGED, make_sample_id

if TYPE_CHECKING:
    from geosample.design import Design
    from geosample.pests import Pest

FILLED_COLUMNS = (
    "design_code",
    "visit",
    "sample_id",
    "point_id",
    "surface_id",
    "walk_order",
    "role",
    "method",
    "plugs",
)
"""What the program fills in; ``plugs`` is the plan's and may be corrected by hand."""
FATE_COLUMNS = ("status", "moved", "lat", "lon", "accuracy_m")
"""What became of the point: one of ``words.STATUSES``, whether it was moved, and if so where to (degrees, metres)."""
HAND_COLUMNS = ("collector", "counted_by", "collected_at", "note")
"""Who, when, and anything else."""


def stage_columns(profile: Pest) -> tuple[str, ...]:
    """Return the columns insects are counted in: the profile's stages in order, then ``unstaged``.

    Examples
    --------
    >>> from geosample.pests import load_pest
    >>> stage_columns(load_pest())[:3]
    ('egg', 'L1', 'L2')
    """
    return (*(stage.key for stage in profile.stages), UNSTAGED)


def sheet_columns(profile: Pest) -> tuple[str, ...]:
    """Return the blank sheet's header row.

    Examples
    --------
    >>> from geosample.pests import load_pest
    >>> sheet_columns(load_pest())[9:15]
    ('status', 'moved', 'lat', 'lon', 'accuracy_m', 'egg')
    """
    return (*FILLED_COLUMNS, *FATE_COLUMNS, *stage_columns(profile), *HAND_COLUMNS)


def ordered_points(design: Design, role: str) -> pd.DataFrame:
    """Return the design's points of one role in walking order, ties by label."""
    points = design.points[design.points["role"] == role]
    ordered: pd.DataFrame = points.sort_values(["walk_order", "point_id"], kind="stable").reset_index(drop=True)
    return ordered


def blank_rows(design: Design, profile: Pest, *, method: str = "brine") -> pd.DataFrame:
    """Return the blank sheet: a row a bag, the main points in walking order and the reserve points after them.

    Parameters
    ----------
    design : Design
        The visit's points.
    profile : Pest
        Whose stages are counted.
    method : str
        One of ``words.METHODS``; it travels with every count.

    Returns
    -------
    DataFrame
        The columns of ``sheet_columns``; what the crew fills is None, since blank is not zero.
    """
    points = list_bags(design, method)
    filled = {
        "design_code": design.visit.design_code,
        "visit": design.visit.visit,
        "sample_id": points["sample_id"].to_list(),
        **{name: points[name].to_list() for name in ("point_id", "surface_id", "walk_order", "role", "method")},
        "plugs": design.visit.units_per_point,
    }
    blank = dict.fromkeys(sheet_columns(profile)[len(FILLED_COLUMNS) :])
    return pd.DataFrame({**filled, **blank}, index=range(len(points)), columns=list(sheet_columns(profile)))


def list_bags(design: Design, method: str) -> pd.DataFrame:
    """Return a row a bag: the points in walking order, main before reserve, each with its ``method`` and ``sample_id``.

    A visit drawn in split blocks gives a bag a method at every point, whatever the method asked for.
    """
    points = pd.concat([ordered_points(design, "main"), ordered_points(design, "reserve")], ignore_index=True)
    methods = list(design.visit.compare or [method])
    bags = points.loc[points.index.repeat(len(methods))].reset_index(drop=True).assign(method=methods * len(points))
    names = [make_sample_id(point, one) for point, one in zip(bags["point_id"], bags["method"], strict=True)]
    return pd.DataFrame(bags.assign(sample_id=names))
