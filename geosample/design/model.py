"""Design: the type this room makes, its facts, what its points are called, and its place in the survey file."""

from __future__ import annotations

import hashlib
import json
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
import shapely

from geosample.design.frame import STRIPS
from geosample.design.howmany import (
    MINUTES,
    MORE_POINTS,
    PLUGS_SHOWN,
    POINTS_SHOWN,
    WALK_M_PER_S,
    Bench,
    pooled_bags,
    precision_of,
    time_parts,
)
from geosample.design.walk import walk_m
from geosample.distributions import K_IF_UNKNOWN
from geosample.errors import DesignError, Problem, SurveyError, list_names
from geosample.ground import ground_version
from geosample.pests import load_pest
from geosample.results import Result
from geosample.words import KIND_LETTERS, NO_HOLE, hole_label, is_date

if TYPE_CHECKING:
    import geopandas as gpd
    from pyproj import CRS

    from geosample.survey import Survey

_NO_RANGE_PER_M2 = 100.0
"""Density taken for the time plan where the pest has no published threshold, insects per m² (own choice)."""
# No 0, 1, 2, 5, 8 and no B, I, L, O, S, Z: read aloud or written wet, they are taken for each other.
_CODE_SIGNS = "34679ACDEFGHJKMNPQRTUVWXY"
_CODE_LENGTH = 5


@dataclass(frozen=True, slots=True)
class Visit:
    """One dated round of sampling and how it was drawn.

    Parameters
    ----------
    visit : str
        Its name, unique in the survey; the date by default.
    date : str
        ISO date, YYYY-MM-DD.
    pest : str
        A profile's name.
    unit_shape : str
        ``plug``, ``square`` or ``flush``.
    unit_m2, unit_depth_mm : float
        Area in m² and depth in mm of one sample unit.
    units_per_point : int
        How many units are pooled in one bag.
    design_code : str
        Short code printed on every sheet.
    seed : int
        Seed of the draw.
    settings : dict
        Enough to draw the design again, with library versions; plain JSON types.
    """

    visit: str
    date: str
    pest: str
    unit_shape: str
    unit_m2: float
    unit_depth_mm: float
    units_per_point: int
    design_code: str
    seed: int
    settings: dict[str, Any] = field(default_factory=dict)

    @property
    def point_m2(self) -> float:
        """The turf taken at one point, m²: all its units together."""
        return self.unit_m2 * self.units_per_point

    @property
    def simulated(self) -> bool:
        """Whether the counts are invented, which is said wherever they are shown."""
        return bool(self.settings.get("simulated"))

    @property
    def follows(self) -> str:
        """The visit whose map this round's points were chosen to sharpen; empty for a round that was drawn."""
        return str(self.settings.get("follows") or "")

    @property
    def k(self) -> float | None:
        """The k of a bag the visit was planned with; None where nobody gave or found one."""
        k = self.settings.get("k")
        return float(k) if k else None

    @property
    def k_from_visit(self) -> str | None:
        """The visit that k was found on; None where it was given."""
        return self.settings.get("k_from_visit")

    @property
    def stop_lines(self) -> list[dict[str, Any]]:
        """A plan for each stratum that says when its counting may stop; none for a visit counted whole."""
        return list(self.settings.get("stop_lines") or [])

    @property
    def compare(self) -> tuple[str, ...]:
        """The extraction methods each point's plugs are split between; none for one bag a point."""
        return tuple(self.settings.get("compare") or ())

    @property
    def sites(self) -> str:
        """The column of the points that tells the sites of a trial; ``all`` for one site."""
        return str(self.settings.get("sites") or "kind")

    @property
    def method(self) -> str:
        """How its bags are extracted, one of ``words.METHODS``; empty where several methods are compared."""
        return "" if self.compare else "flush" if self.unit_shape == "flush" else self.bench.extraction

    @property
    def bench(self) -> Bench:
        """Who and what was to be at hand, and what the work takes."""
        noted = self.settings.get("effort") or {}
        told = {name: noted[name] for name in Bench.__dataclass_fields__ if name in noted}
        taken = {"plugs_pooled": self.units_per_point, "bags_a_point": max(len(self.compare), 1)}
        return Bench(**{**told, **taken, "minutes": tuple(dict(noted.get("minutes") or {}).items())})


@dataclass(frozen=True, slots=True, repr=False)
class Design(Result):
    """Where to pull plugs, with the density every place had of being drawn.

    Parameters
    ----------
    visit : Visit
        The round and its settings.
    points : GeoDataFrame
        One Point a planned place, columns of the layer ``points``; point_id is unique in the visit; projected CRS.
    strata : GeoDataFrame
        The target area: one MultiPolygon per stratum and surface part, columns of the layer ``strata``. Their areas
        add up to what the design weights stand for.
    """

    visit: Visit
    points: gpd.GeoDataFrame
    strata: gpd.GeoDataFrame

    @property
    def crs(self) -> CRS:
        """The coordinate system of points and strata."""
        return cast("CRS", self.points.crs)

    @property
    def main(self) -> gpd.GeoDataFrame:
        """The main points."""
        return self.points[self.points["role"] == "main"]

    def sites_of(self, points: pd.DataFrame, column: str | None = None) -> pd.Series:
        """Return the site of each row of points, as the trial has them or by another column of the points."""
        column = column or self.visit.sites
        if column == "all":
            return pd.Series("all", index=points.index)
        names = (
            points[column].map(lambda name: f"hole {name}", na_action="ignore") if column == "hole" else points[column]
        )
        return names.fillna(NO_HOLE)

    def to_geodataframe(self) -> gpd.GeoDataFrame:
        """Return a copy of the points."""
        return self.points.copy()

    def summary(self) -> dict[str, Any]:
        """Return the design's facts in plain types, units in the names."""
        visit, main = self.visit, self.main
        settings = visit.settings
        area_m2 = float(self.strata["area_m2"].sum())
        facts = {
            "visit": visit.visit,
            "points": len(main),
            "reserve": len(self.points) - len(main),
            "area_m2": area_m2,
            "date": visit.date,
            "pest": visit.pest,
            "design_code": visit.design_code,
            "seed": visit.seed,
            "simulated": visit.simulated,
            "simulation": settings.get("simulation"),
            "follows": visit.follows or None,
            "method": settings.get("method"),
            "allocation": settings.get("allocation"),
            "unit_shape": visit.unit_shape,
            "units_per_point": visit.units_per_point,
            "plugs": len(main) * visit.units_per_point * max(len(visit.compare), 1),
            "point_m2": visit.point_m2,
            "walk_m": settings.get("round", {}).get("length_m")
            or walk_m(shapely.get_coordinates(main.geometry.to_numpy())),
            "spacing_m": math.sqrt(area_m2 / max(len(main), 1)),
            "surfaces_missing": list(settings.get("surfaces_missing") or ()),
            "edge_doubt_m": settings.get("edge_doubt_m"),
            "strata": [_stratum_facts(main, row) for row in settings.get("strata") or ()],
            "precision": _precision_facts(visit, settings.get("strata") or ()),
            "stop_lines": visit.stop_lines,
            "compare": list(visit.compare),
            "effort": _effort_facts(visit, len(main)),
        }
        if kept_from := settings.get("kept_from_visit"):
            facts |= {"kept_from_visit": kept_from, "kept": int(self.points["kept_from"].notna().sum())}
        if strips_from := settings.get("strips_from_visit"):
            inside = int(main["stratum"].str.endswith(STRIPS).sum())
            facts |= {"strips_from_visit": strips_from, "points_in_strips": inside}
        return facts


def _stratum_facts(main: gpd.GeoDataFrame, row: Mapping[str, Any]) -> dict[str, Any]:
    density = main.loc[main["stratum"] == row["stratum"], "inclusion_per_m2"]
    ends = (float(density.min()), float(density.max())) if len(density) else (math.nan, math.nan)
    keep = {key: row[key] for key in ("stratum", "main", "reserve", "planned", "area_m2", "balance")}
    return {**keep, "density_low_per_m2": ends[0], "density_high_per_m2": ends[1]}


def _precision_facts(visit: Visit, strata: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """Return what numbers of points give at the low, middle and high of the pest's range; None where none is known."""
    ends = load_pest(visit.pest).threshold_range
    if ends is None:
        return None
    k, densities = visit.k or K_IF_UNKNOWN, [ends[0], math.sqrt(ends[0] * ends[1]), ends[1]]

    def buys(points: int) -> list[float]:
        return [precision_of(points, density * visit.point_m2, k) for density in densities]

    return {
        "k": k,
        "k_known": visit.k is not None,
        "k_from_visit": visit.k_from_visit,
        "densities_per_m2": densities,
        "points": [{"points": n, "se_over_mean": buys(n)} for n in POINTS_SHOWN],
        "strata": [
            {"stratum": row["stratum"], "points": row["main"], "se_over_mean": buys(row["main"])}
            for row in strata
            if row["main"]
        ],
    }


def _effort_facts(visit: Visit, points: int) -> dict[str, Any]:
    """Return the time these points take, what ten more would take and tell, and what pooling plugs would change."""
    bench, settings = visit.bench, visit.settings
    noted, walk = settings.get("effort") or {}, settings.get("round") or {}
    ends = load_pest(visit.pest).threshold_range
    middle = math.sqrt(ends[0] * ends[1]) if ends else _NO_RANGE_PER_M2
    mean_a_plug = (noted.get("expected_per_m2") or middle) * visit.unit_m2
    pooled = [(plugs, *pooled_bags(mean_a_plug, plugs)) for plugs in PLUGS_SHOWN]
    day = day_facts(visit, points, walk.get("longest_m", walk.get("length_m", 0.0)), walk.get("longest_points"))
    more = points + MORE_POINTS
    longer_m = day["walk_m"] * math.sqrt(more / max(points, 1))
    k, mean = visit.k or K_IF_UNKNOWN, mean_a_plug * visit.units_per_point
    return {
        **day,
        "points_wished": noted.get("points_wished"),
        "more": {
            "points": MORE_POINTS,
            "minutes": max(sum(time_parts(more, bench, walk_m=longer_m).values()) - day["minutes"], 0.0),
            "density_per_m2": mean_a_plug / visit.unit_m2,
            "se_over_mean": [precision_of(n, mean, k) for n in (points, more)],
        },
        "pooling": [{"plugs": plugs, "bags_if_alike": a, "bags_if_independent": b} for plugs, a, b in pooled],
    }


def day_facts(
    visit: Visit, points: int, walk_m: float, pulled: int | None, people: int | None = None
) -> dict[str, Any]:
    """Return how long a day's work takes and of what: the longest round of ``pulled`` points, then the bench.

    Parameters
    ----------
    visit : Visit
        Whose bench, pace and minutes are reckoned with.
    points : int
        Main points in all.
    walk_m : float
        The walk of the longest round, m.
    pulled : int, optional
        Its points; an even share when None.
    people : int, optional
        Who work; the design's number when None.
    """
    bench = replace(visit.bench, people=people or visit.bench.people)
    parts = time_parts(points, bench, walk_m=walk_m, pulled=pulled)
    return {
        **{name: getattr(bench, name) for name in ("hours", "people", "containers", "extraction", "begin")},
        "walk_m_per_s": bench.walk_m_per_s,
        "own_speed": bench.walk_m_per_s != WALK_M_PER_S,
        "walk_m": walk_m,
        "bags": points * bench.bags_a_point,
        "batches": math.ceil(points * bench.bags_a_point / bench.containers),
        "each_minutes": {what: bench.takes(what) for what in MINUTES[bench.extraction]},
        "own_minutes": sorted(dict(bench.minutes)),
        "parts_minutes": parts,
        "minutes": sum(parts.values()),
    }


def label_points(holes: Sequence[str | None], kinds: Sequence[str]) -> list[str]:
    """Return a label for each point, numbered within hole and kind in the order given.

    Examples
    --------
    >>> label_points(["7", "7", "Red 3", None], ["fairway", "fairway", "green", "tee"])
    ['07F-01', '07F-02', 'RED3G-01', 'XT-01']
    """
    seen: Counter[str] = Counter()
    labels = []
    for hole, kind in zip(holes, kinds, strict=True):
        stem = hole_label(hole) + KIND_LETTERS[kind]
        seen[stem] += 1
        labels.append(f"{stem}-{seen[stem]:02d}")
    return labels


def design_code(settings: dict[str, Any], places: np.ndarray) -> str:
    """Return a short code that another design would not have, but for one chance in ten million.

    Parameters
    ----------
    settings : dict
        Plain JSON types.
    places : ndarray, shape (n, 2)
        Easting and northing of the points; the millimetre counts.
    """
    text = json.dumps(settings, sort_keys=True) + np.round(places, 3).astype(str).tobytes().hex()
    number = int.from_bytes(hashlib.sha256(text.encode()).digest()[:8])
    signs = []
    for _ in range(_CODE_LENGTH):
        number, sign = divmod(number, len(_CODE_SIGNS))
        signs.append(_CODE_SIGNS[sign])
    return "".join(signs)


def load_visit(survey: Survey, visit: str | None = None) -> Visit:
    """Return a visit, the newest when ``visit`` is None.

    Raises
    ------
    SurveyError
        When there is no such visit.
    """
    row = survey.need("visits", visit=survey.find_visit(visit)).iloc[0].to_dict()
    known = {key: row[key] for key in Visit.__dataclass_fields__ if key != "settings"}
    return Visit(**known, settings=json.loads(row["settings"] or "{}"))


def load_design(survey: Survey, visit: str | None = None) -> Design:
    """Return a visit's design, the newest when ``visit`` is None.

    Raises
    ------
    SurveyError
        When there is no such visit, or its points lie in strata it no longer has.
    """
    found = load_visit(survey, visit)
    name = found.visit
    points = cast("gpd.GeoDataFrame", survey.need("points", visit=name))
    strata = cast("gpd.GeoDataFrame", survey.need("strata", visit=name))
    # Points of a follow-up have no weight, and stand for no stratum.
    lost = sorted(set(points["stratum"][points["weight_m2"].notna()]) - set(strata["stratum"]))
    if lost:
        where, told = f"{survey.path} layer points", f"strata that layer strata does not have: {list_names(lost)}"
        remedy = "mend the rows in the program that changed them, or restore the file from a back-up"
        raise SurveyError(Problem(where, told, f"one of: {list_names(sorted(set(strata['stratum'])))}", remedy))
    return Design(found, points, strata)


def load_last_design(survey: Survey, visit: str) -> Design | None:
    """Return the newest design but the visit's own, which may be drawn a second time; None when there is none."""
    others = [name for name in survey.order_visits() if name != visit]
    return load_design(survey, others[-1]) if others else None


def save_design(survey: Survey, design: Design) -> None:
    """Put a visit's design into the survey file, in place of an older one of the same name.

    Raises
    ------
    DesignError
        When the visit has counts already: a new design would leave them without their points.
    """
    name = design.visit.visit
    with survey.change() as change:
        check_open(change.read("samples"), name)
        settings = json.dumps(design.visit.settings, ensure_ascii=False, sort_keys=True)
        # A second round belongs to the ground of the visit it follows, any other to the newest.
        version = ground_version(change, change.read("surfaces"), design.visit.follows or None)
        row = pd.DataFrame([{**asdict(design.visit), "settings": settings, "ground_version": version}])
        change.put("visits", row, where={"visit": name})
        change.put("points", design.points, where={"visit": name})
        change.put("strata", design.strata, where={"visit": name})


FAR_DAYS = 550
"""Days from every other visit from which a new one's date is asked about (own choice)."""
_NEAR_TODAY_DAYS = 60


def check_day(survey: Survey, visit: str, day: str, *, sure: bool = False) -> None:
    """Ask about a date far from the survey's other visits and from today, as when a year is mistyped.

    Parameters
    ----------
    survey : Survey
        With its visits.
    visit, day : str
        The new visit's name and ISO date.
    sure : bool
        Whether the user has said that it is right.

    Raises
    ------
    DesignError
        When it is so, and ``sure`` was not said.
    """
    visits = survey.read("visits")
    others = visits.loc[visits["visit"] != visit, "date"].tolist()
    if sure or not others or not is_date(day):
        return
    new, today = date.fromisoformat(day), date.today()
    nearest = min(others, key=lambda other: abs(date.fromisoformat(other) - new))
    apart = abs(date.fromisoformat(nearest) - new).days
    if apart > FAR_DAYS and abs(new - today).days > _NEAR_TODAY_DAYS:
        found = f"{day}, {apart:,} days from the nearest other visit ({nearest})"
        remedy = "mend the year, or add `sure` if it is so"
        raise DesignError(Problem("date" if day != visit else "visit", found, "a date near the other visits'", remedy))


def check_open(samples: pd.DataFrame, visit: str) -> None:
    """Let only a visit be drawn that has no counts yet.

    Raises
    ------
    DesignError
        When there are samples of the visit.
    """
    mine = int((samples["visit"] == visit).sum())
    if mine:
        found = f"{mine} samples that have come back for it"
        remedy = "give the new round a name of its own; its design is kept as it was drawn"
        raise DesignError(Problem(f"visit={visit}", found, "a visit with no counts yet", remedy))
