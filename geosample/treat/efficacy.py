"""How well a treatment worked: densities before and after, in treated and untreated ground.

References
----------
Abbott 1925, J. Econ. Entomol. 18:265-267: (x - y) / x, with x living in the check and y living in the treated.
Henderson & Tilton 1955, J. Econ. Entomol. 48:157-161: 1 - (treated after x check before) / (treated before x check
after). Pages from memory, unverified.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geosample.errors import Problem, TreatError

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from geosample.design import Visit
    from geosample.treat.model import Zones

LEVEL = 0.9
_DRAWS = 40_000
FEWEST = 3
_SAME_PLACE_M = 0.3
GROUPS = ("treated before", "treated after", "untreated before", "untreated after")


def abbott(treated_after: float, untreated_after: float) -> float:
    """Return the share that treatment took, from the ground after it alone.

    Examples
    --------
    >>> round(abbott(12.0, 40.0), 3)
    0.7
    """
    return 1.0 - treated_after / untreated_after


def henderson_tilton(treated: tuple[float, float], untreated: tuple[float, float]) -> float:
    """Return the share that treatment took, from (before, after) of treated and of untreated ground.

    Examples
    --------
    Treated ground fell from 100 to 20 while untreated ground fell from 80 to 64, by a fifth of itself: had nothing been
    done, 80 of the 100 would be left, and 60 of those 80 are gone.

    >>> round(henderson_tilton((100.0, 20.0), (80.0, 64.0)), 3)
    0.75
    """
    return 1.0 - (treated[1] * untreated[0]) / (treated[0] * untreated[1])


@dataclass(frozen=True, slots=True)
class Group:
    """Bags of one kind of ground at one visit.

    Parameters
    ----------
    bags, insects : int
        How many.
    mean_per_m2 : float
        Weighted mean density (Hájek).
    draws : array, shape (draws,)
        Means as they might be, for intervals.
    """

    bags: int
    insects: int
    mean_per_m2: float
    draws: np.ndarray

    @property
    def limits_per_m2(self) -> tuple[float, float]:
        """The 90 % interval of the mean."""
        return limits_of(self.draws)


@dataclass(frozen=True, slots=True)
class Efficacy:
    """How well it worked, by both formulas, each with its 90 % interval; NaN where the counts can't say.

    Parameters
    ----------
    groups : dict of str to Group
        By ``GROUPS``.
    abbott, henderson_tilton : tuple of float
        Share killed, and its limits.
    same_places : int
        Later bags that lie where one was pulled before.
    strips_used : bool
        Whether check strips are the untreated ground.
    strips : tuple of int
        How many check strips the plan left, and the bags in them before and after.
    fewest : int
        Bags needed in each kind of ground at each visit.
    """

    groups: dict[str, Group]
    abbott: tuple[float, float, float]
    henderson_tilton: tuple[float, float, float]
    same_places: int
    strips_used: bool
    strips: tuple[int, int, int]
    fewest: int = FEWEST

    def summary(self) -> dict[str, Any]:
        """Return the facts in JSON's own types."""
        names = ("share", "low", "high")
        return {
            "henderson_tilton": dict(zip(names, self.henderson_tilton, strict=True)),
            "abbott": dict(zip(names, self.abbott, strict=True)),
            "groups_per_m2": {name: group.mean_per_m2 for name, group in self.groups.items()},
            "check_strips": self.strips_used,
            "strips": dict(zip(("strips", "bags_before", "bags_after"), self.strips, strict=True)),
            "same_places": self.same_places,
        }


@dataclass(frozen=True, slots=True)
class Treated:
    """How many of a plan's zones were treated, and on which recorded days; all of them where none is recorded."""

    visit: str
    planned: int
    treated: int
    days: tuple[str, ...]


def check_treatment(
    before: gpd.GeoDataFrame, after: gpd.GeoDataFrame, zones: Zones, *, rng: np.random.Generator
) -> Efficacy:
    """Return how well the treatment of the zones worked.

    Parameters
    ----------
    before, after : GeoDataFrame
        Counted samples of two visits with ``count`` (the same stages' cohort), sampled_m2, weight_m2, as ``tally``
        gives them.
    zones : Zones
        The plan that was carried out. Check strips are the untreated ground where three bags or more lie in them at
        both visits; otherwise all ground outside the zones is.

    Raises
    ------
    TreatError
        When fewer than three bags lie in treated or in untreated ground at either visit.

    Notes
    -----
    Each mean is taken to be gamma with the counts' own variance-to-mean ratio (at least 1), with half an insect added
    so that no insects at all still leave room for some.
    """
    treat, strips = (zones.of(action).union_all() for action in ("treat", "check"))
    first, second = (int(_inside(frame, strips).sum()) for frame in (before, after))
    use_strips = min(first, second) >= FEWEST
    parts: dict[str, gpd.GeoDataFrame] = {}
    for when, frame in (("before", before), ("after", after)):
        treated = _inside(frame, treat)
        untreated = _inside(frame, strips) if use_strips else ~treated
        parts |= {f"treated {when}": frame[treated], f"untreated {when}": frame[untreated]}
    _check_enough(parts)
    groups = {name: _summarise(parts[name], rng) for name in GROUPS}
    many = len(zones.of("check"))
    same = int((shapely.distance(after.geometry.to_numpy(), before.geometry.union_all()) < _SAME_PLACE_M).sum())
    return Efficacy(
        groups,
        _abbott_limits(groups),
        _henderson_limits(groups),
        same,
        use_strips,
        (many, first, second),
    )


def treated_zones(zones: Zones, treatments: pd.DataFrame) -> tuple[Zones, Treated]:
    """Return the plan with those zones to treat that were recorded as treated, and how many of how many that are.

    Parameters
    ----------
    zones : Zones
        The plan.
    treatments : DataFrame
        The layer ``treatments``.

    Notes
    -----
    Without a record all are taken as treated. A zone that was left untreated is untreated ground, chosen for its high
    counts.
    """
    mine, planned = treatments[treatments["visit"] == zones.visit], len(zones.of("treat"))
    if mine.empty:
        return zones, Treated(zones.visit, planned, planned, ())
    done = {name.strip() for text in mine["zone_ids"] for name in str(text).split(",")}
    kept = replace(zones, zones=zones.zones[(zones.zones["action"] != "treat") | zones.zones["zone_id"].isin(done)])
    days = tuple(sorted(set(mine["date"].astype(str))))
    return kept, Treated(zones.visit, planned, len(kept.of("treat")), days)


def check_visits(before: Visit, after: Visit) -> None:
    """Let only two visits be compared that can tell what treatment did: the later drawn, and not chosen.

    Raises
    ------
    TreatError
        When the later visit is not later, or is a follow-up round, whose points were chosen where they pay most.
    """
    problems = []
    if after.date <= before.date:
        found = f"{after.visit} of {after.date}, and `before` is of {before.date}"
        problems.append(Problem("after", found, "a later visit", "draw one at fresh points with 'geosample design'"))
    if after.follows:
        found = f"{after.visit}, a follow-up round: its points were chosen, not drawn"
        remedy = "draw a visit on treated and untreated ground with 'geosample design'"
        problems.append(Problem("after", found, "a visit of 'geosample design'", remedy))
    if problems:
        raise TreatError(problems)


def _inside(frame: gpd.GeoDataFrame, shape: shapely.Geometry) -> np.ndarray:
    return np.asarray(shapely.intersects(frame.geometry.to_numpy(), shape))


def _check_enough(parts: dict[str, gpd.GeoDataFrame]) -> None:
    few = [
        Problem(name, f"{len(frame)} counted bags", f"at least {FEWEST}", "pull more plugs there, from fresh points")
        for name, frame in parts.items()
        if len(frame) < FEWEST
    ]
    if few:
        raise TreatError(few)


def _summarise(frame: gpd.GeoDataFrame, rng: np.random.Generator) -> Group:
    count, area = frame["count"].to_numpy(float), frame["sampled_m2"].to_numpy(float)
    weight = frame["weight_m2"].fillna(frame["weight_m2"].mean()).fillna(1.0).to_numpy(float)
    mean = float((weight * count / area).sum() / weight.sum())
    # a few heavy weights make fewer bags of many: Kish's effective share of the ground taken
    effort = float(area.sum() * weight.sum() ** 2 / (len(weight) * (weight**2).sum()))
    ratio = max(1.0, float(np.var(count, ddof=1) / count.mean())) if count.sum() > 0 else 1.0
    draws = rng.gamma(mean * effort / ratio + 0.5, ratio / effort, _DRAWS)
    return Group(len(frame), int(count.sum()), mean, draws)


def _abbott_limits(groups: dict[str, Group]) -> tuple[float, float, float]:
    treated, untreated = groups["treated after"], groups["untreated after"]
    if untreated.mean_per_m2 <= 0:
        return (float("nan"),) * 3
    return (abbott(treated.mean_per_m2, untreated.mean_per_m2), *limits_of(1 - treated.draws / untreated.draws))


def _henderson_limits(groups: dict[str, Group]) -> tuple[float, float, float]:
    means = {name: group.mean_per_m2 for name, group in groups.items()}
    if means["treated before"] <= 0 or means["untreated after"] <= 0:
        return (float("nan"),) * 3
    value = henderson_tilton(
        (means["treated before"], means["treated after"]), (means["untreated before"], means["untreated after"])
    )
    draws = {name: group.draws for name, group in groups.items()}
    left = draws["treated after"] * draws["untreated before"] / (draws["treated before"] * draws["untreated after"])
    return (value, *limits_of(1 - left))


def limits_of(draws: np.ndarray) -> tuple[float, float]:
    """Return the 90 % interval of draws."""
    low, high = np.quantile(draws, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    return float(low), float(high)
