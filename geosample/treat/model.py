"""Zones: the type this room makes, the facts and settings it carries, and its place in the survey file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from enum import StrEnum
from math import inf, isfinite, nan
from typing import TYPE_CHECKING, Any, cast

from geosample.density import MOST_MISS_COST
from geosample.errors import Problem, SurveyError, TreatError
from geosample.results import Result
from geosample.survey.findings import Finding, Findings, What, put_findings, read_findings, visits_with
from geosample.treat.amounts import Sprayer
from geosample.units import FOOT2_M2, FOOT_M, SPEEDS_M_PER_S, set_percent
from geosample.words import OBSTACLE_KINDS

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    import pyproj
    from shapely import Geometry

    from geosample.survey import Survey
    from geosample.treat.passes import Drive

MISS_COST = 3.0
"""A hot place missed costs this many needless treatments of the same area (common practice, no source)."""
SWATH_M = 15 * FOOT_M
"""Boom swath, m: 15-20 ft is common practice, no source."""
SMALLEST_M2 = 300 * FOOT2_M2
"""Smallest zone, m² (common practice, no source).

The one published spot rule is near it: about 30 m², for European chafer grubs on lawns (abstract of Nyrop, Villani &
Grant 1995, Environ. Entomol. 24:521-528). For other insects none was found.
"""
SPEED_M_PER_S = 3 * SPEEDS_M_PER_S["mph"]
"""At which passes are driven, m/s (common practice, no source)."""
STRIP_STEP_M = 5 * FOOT_M
"""By how much the targeting curve's border strips grow, m (own choice)."""

LEVEL = 0.9
"""Of every interval of a plan, the map's too."""
NEARLY_ALL = 0.9
"""Beyond this share of the ground a plan is no spot treatment (own choice)."""
LEAST_SWATH_M, MOST_SWATH_M = 0.3, 60.0
"""From a walking sprayer's single nozzle to beyond any boom on turf (own choice)."""
LEAST_SPEED_M_PER_S, MOST_SPEED_M_PER_S = 0.1, 15.0
"""From a slow walk to beyond any sprayer on turf (own choice)."""
_MOST_CHECKS = 0.5


@dataclass(frozen=True, slots=True)
class TreatSettings:
    """How to turn a density map into zones; the parameters are those of ``suggest_zones``.

    Raises
    ------
    TreatError
        With every setting that can't be.

    Examples
    --------
    >>> TreatSettings(322.917, miss_cost=3).cutoff
    0.25
    """

    threshold_per_m2: float
    miss_cost: float = MISS_COST
    swath_m: float = SWATH_M
    smallest_m2: float = SMALLEST_M2
    keep_off_m: Mapping[str, float] = field(default_factory=dict)
    border_only_m: float | None = None
    check_share: float = 0.0
    sampled_only: bool = False
    kinds: tuple[str, ...] = ()
    holes: tuple[str, ...] = ()
    strip_step_m: float = STRIP_STEP_M
    speed_m_per_s: float = SPEED_M_PER_S
    seed: int = 7
    sprayer: Sprayer = field(default_factory=Sprayer)

    def __post_init__(self) -> None:
        """Refuse what can't be, all of it at once."""
        problems = list(_find_problems(self))
        if problems:
            raise TreatError(problems)

    @property
    def cutoff(self) -> float:
        """The probability above which treating costs less than not treating.

        Notes
        -----
        Treating a place needlessly costs 1 and missing a hot one costs ``miss_cost``, so treating is the cheaper
        of the two where (1 - p) < miss_cost p, which is p > 1 / (1 + miss_cost).
        """
        return 1.0 / (1.0 + self.miss_cost)

    def saving(self, probability: float) -> float:
        """Return what treating ground saves less what it costs, in needless treatments of the same area.

        Examples
        --------
        >>> TreatSettings(322.917, miss_cost=3).saving(0.75)
        2.0
        """
        return self.miss_cost * probability - (1.0 - probability)

    def plain(self) -> dict[str, Any]:
        """Return the settings in JSON's own types."""
        own = {one.name: getattr(self, one.name) for one in fields(self) if one.name not in {"keep_off_m", "sprayer"}}
        return {**own, "cutoff": self.cutoff, "keep_off_m": dict(self.keep_off_m), "sprayer": self.sprayer.plain()}


def _find_problems(asked: TreatSettings) -> Iterator[Problem]:
    cost = "3 is usual; 1 makes both mistakes equally dear"
    ranges = {
        "threshold_per_m2": (
            asked.threshold_per_m2,
            "insects per m²",
            0,
            inf,
            "name the density above which you would act",
        ),
        "miss_cost": (asked.miss_cost, "needless treatments", 1 / MOST_MISS_COST, MOST_MISS_COST, cost),
        "swath_m": (
            asked.swath_m,
            "m",
            LEAST_SWATH_M,
            MOST_SWATH_M,
            "give the width your sprayer covers, such as `swath_m=4.6`",
        ),
        "speed_m_per_s": (
            asked.speed_m_per_s,
            "m/s",
            LEAST_SPEED_M_PER_S,
            MOST_SPEED_M_PER_S,
            "give the speed you spray at, such as `speed_m_per_s=1.3`",
        ),
        "border_only_m": (asked.border_only_m, "m", 0, inf, "give the strip's width, such as `border_only_m=4.6`"),
        "strip_step_m": (asked.strip_step_m, "m", 0, inf, "give the step of the curve's strips, such as 1.5"),
    }
    for where, (value, unit, low, high, remedy) in ranges.items():
        if value is not None and not (isfinite(value) and value > 0 and low <= value <= high):
            expected = f"from {low:g} to {high:,.0f}" if low and 0 < value < inf else "more than 0"
            yield Problem(where, f"{value:g} {unit}", expected, remedy)
    if not (asked.smallest_m2 >= 0 and isfinite(asked.smallest_m2)):
        yield Problem("smallest_m2", f"{asked.smallest_m2:g} m²", "an area of 0 or more", "give `smallest_m2=28`")
    if not 0 <= asked.check_share <= _MOST_CHECKS:
        yield Problem("check_share", set_percent(asked.check_share), "0 to 50 %", "5 % is a start")
    for kind, distance_m in asked.keep_off_m.items():
        if kind not in OBSTACLE_KINDS:
            yield Problem(
                "keep_off_m", repr(kind), f"one of: {', '.join(OBSTACLE_KINDS)}", "name a kind and its distance"
            )
        if not (distance_m >= 0 and isfinite(distance_m)):
            yield Problem("keep_off_m", f"{kind} {distance_m:g} m", "0 or more", "give the label's or code's distance")


@dataclass(frozen=True, slots=True)
class Holding:
    """What a piece of ground holds, from the map.

    Parameters
    ----------
    area_m2 : float
        Mapped ground, m².
    insects, low, high : float
        Expected insects, and the sums of the cells' lower and upper limits: as wide as if the map erred the same way
        everywhere.
    hot_m2 : float
        Ground expected to be above the threshold, m²: the cells' areas by their probabilities.
    """

    area_m2: float
    insects: float
    low: float
    high: float
    hot_m2: float

    @property
    def mean_per_m2(self) -> float:
        """Expected insects per m²; NaN on no ground."""
        return self.insects / self.area_m2 if self.area_m2 > 0 else nan

    @property
    def probability(self) -> float:
        """Mean probability of being above the threshold, weighted by area; NaN on no ground."""
        return self.hot_m2 / self.area_m2 if self.area_m2 > 0 else nan


class LeftOut(StrEnum):
    """Why ground that is worth treating is left."""

    KEPT_OFF = "kept off"
    NOT_ASKED = "on ground not asked for"
    OUTSIDE_BORDER = "outside the border"
    CHECK = "as check strips"
    SMALL = "in patches too small"
    NARROW = "too narrow for the swath"
    UNSAMPLED = "no plug speaks for it"


@dataclass(frozen=True, slots=True)
class PlaceArea:
    """An area on a hole's ground of one kind, m²."""

    hole: str | None
    kind: str
    area_m2: float


@dataclass(frozen=True, slots=True)
class Disputed:
    """A hole's ground of one kind where the plan and the bags pulled there lie on opposite sides of the threshold.

    Parameters
    ----------
    hole : str or None
        Which.
    kind : str
        Of surface.
    bags : int
        How many speak for it: those in its zones where there are any, else all that were pulled on it.
    own_per_m2 : float
        Their weighted mean.
    plan_per_m2 : float
        The mean the plan goes by: in the zones where it treats some of it, else on all of it.
    treated : bool
        Whether it has a zone.
    """

    hole: str | None
    kind: str
    bags: int
    own_per_m2: float
    plan_per_m2: float
    treated: bool


@dataclass(frozen=True, slots=True)
class Strip:
    """A strip along the outer edge of a width, m, and the shares of ground and of insects in it, 0 to 1.

    ``low`` and ``high`` are the 90 % interval of the share of insects.
    """

    width_m: float
    area_share: float
    insect_share: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Driving:
    """All the passes of a plan.

    Parameters
    ----------
    passes : int
        How many.
    length_m : float
        Of all of them, without turns.
    swept_m2 : float
        What a whole boom covers along them.
    twice_m2 : float
        Under two of the same zone's.
    kept_off_m2, corners_m2 : float
        Left of the zones: where the boom would be over water or ground kept off, and corners too small for a pass or
        beside a check strip that the boom meets at a slant.
    """

    passes: int = 0
    length_m: float = 0.0
    swept_m2: float = 0.0
    twice_m2: float = 0.0
    kept_off_m2: float = 0.0
    corners_m2: float = 0.0


@dataclass(frozen=True, slots=True)
class CheckOffer:
    """Check strips that would be left: how many, their ground, m², and the share of the zones to ask for, 0 to 1."""

    strips: int
    area_m2: float
    share: float


@dataclass(frozen=True, slots=True)
class OfferedStrip:
    """A check strip that would be left, on its surface; m."""

    surface_id: str
    hole: str | None
    kind: str
    geometry: Geometry


@dataclass(frozen=True, slots=True)
class BorderRatio:
    """Border over interior density by the counts, with its interval, and what that says of the border."""

    value: float
    low: float
    high: float
    verdict: str = "open"
    level: float = 0.95

    @property
    def supported(self) -> bool:
        """Whether the whole interval lies above 1: the counts say the border holds more."""
        return self.low > 1.0


class BorderOnly(StrEnum):
    """Whether treating the border alone would do."""

    UNSUPPORTED = "unsupported"
    ASKED = "asked"
    ALL_ABOVE = "all above"
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class BorderAdvice:
    """What the counts say of treating the border alone.

    Parameters
    ----------
    answer : BorderOnly
        Whether it would do.
    ratio : BorderRatio or None
        From the counts; None where it was not estimated.
    strip : Strip
        The strip spoken of: as asked, else the one proposed, else the usual one.
    left_m2 : float
        Ground farther in that passes the rule, m².
    best_aimed : bool
        Whether the strip's share of the insects is as far above its share of the ground as any strip's.
    """

    answer: BorderOnly
    ratio: BorderRatio | None
    strip: Strip
    left_m2: float
    best_aimed: bool


@dataclass(frozen=True, slots=True)
class ControlClass:
    """A class of control by the open IRAC groups, and how much of what was found it fits.

    Parameters
    ----------
    share : float
        Share of the insects found that are in its stages, 0 to 1.
    when : str
        The stages it is for, as the pest's profile has it.
    irac : tuple of str
        Groups; none where no class fits.
    used : tuple of str
        Those of them in the last recorded treatment.
    used_on : str
        Its date; empty where none was used.
    grade, source : str
        What the profile rests on.
    """

    share: float
    when: str
    irac: tuple[str, ...]
    used: tuple[str, ...]
    used_on: str
    grade: str
    source: str


class Basis(StrEnum):
    """What a plan's densities rest on: the map's cells, or stratum averages and why."""

    MAP = "map"
    ASKED = "averages, as asked"
    FEW_INSECTS = "averages, too few insects for a map"
    NO_BETTER = "averages, the map adds nothing"


@dataclass(frozen=True, slots=True)
class Figures:
    """The plan in figures.

    Parameters
    ----------
    mapped : Holding
        All the ground the map covers.
    known_m2 : float
        The part of it that is known, m².
    one_sided_m2 : float
        The part of it where the interval lies wholly above or below the threshold, m².
    above : Holding
        Cells worth treating by the rule, before shapes were made of them; where only sampled ground is treated, those
        that plugs speak for.
    treated, unsampled : Holding
        Inside the zones, and the part of it that no plug speaks for: it is treated by ground like it.
    added : Holding
        Ground inside the zones that was not worth treating by itself.
    removed : dict of str to Holding
        Worth treating but left, by ``LeftOut``.
    small_patches : int
        Patches left out for their size.
    added_unknown_m2 : float
        The part of what was added that is not known, m².
    above_by_edge_m2 : tuple of float
        The ground of ``above``, m², by its distance from the outer edge in whole metres, from 0 up.
    overspray_m2 : dict of str to float
        What a whole boom covers along the passes beyond the zones, by what it falls on.
    narrow : tuple of PlaceArea
        Where what is too narrow lies, the largest first.
    highest_per_m2, highest_high_per_m2 : float
        The map's highest expected density and highest upper limit.
    missing_obstacles : tuple of str
        Kinds the user keeps off that the ground has none of.
    curve : DataFrame
        The targeting curve, as of ``target_curve``.
    border : BorderAdvice or None
        None for a plan that treats nothing, unless only the border was asked for.
    plain_strip : Strip or None
        A strip of as much ground along the outer edge, where it would reach no fewer insects than the zones.
    controls : tuple of ControlClass
        What the stages found point to, the commonest first.
    basis : Basis
        What the densities rest on.
    insects_counted : int or None
        Insects counted in all, where the map says how many.
    driving : Driving
        The passes, added up.
    offer : CheckOffer or None
        Check strips to leave, for a plan that leaves none.
    by_cost_m2 : tuple of (float, float)
        What the rule alone would treat were a miss to cost so many needless treatments: a third of what it is taken to
        cost, and three times that.
    disputed : tuple of Disputed
        Where plan and bags differ about the threshold; none for plans of before it was looked at.
    """

    mapped: Holding
    known_m2: float
    one_sided_m2: float
    above: Holding
    treated: Holding
    unsampled: Holding
    added: Holding
    removed: dict[str, Holding]
    small_patches: int
    added_unknown_m2: float
    above_by_edge_m2: tuple[float, ...]
    overspray_m2: dict[str, float]
    narrow: tuple[PlaceArea, ...]
    highest_per_m2: float
    highest_high_per_m2: float
    missing_obstacles: tuple[str, ...]
    curve: pd.DataFrame
    border: BorderAdvice | None = None
    plain_strip: Strip | None = None
    controls: tuple[ControlClass, ...] = ()
    basis: Basis = Basis.MAP
    insects_counted: int | None = None
    driving: Driving = field(default_factory=Driving)
    offer: CheckOffer | None = None
    by_cost_m2: tuple[tuple[float, float], ...] = ()
    disputed: tuple[Disputed, ...] = ()

    @property
    def known_share(self) -> float:
        """Known over mapped ground, 0 to 1."""
        return self.known_m2 / self.mapped.area_m2

    @property
    def share_of_area(self) -> float:
        """Area treated over area mapped, 0 to 1."""
        return self.treated.area_m2 / self.mapped.area_m2

    @property
    def nearly_all(self) -> bool:
        """Whether the plan treats so much that comparing it with treating all says nothing."""
        return self.share_of_area > NEARLY_ALL

    @property
    def share_of_insects(self) -> float:
        """Expected insects in the zones over all expected on mapped ground, 0 to 1."""
        return self.treated.insects / self.mapped.insects if self.mapped.insects > 0 else 0.0

    @property
    def reached(self) -> Strip:
        """The zones' own shares, with the interval of the insects', as of a strip of no width."""
        row = self.curve[self.curve["way"] == "zones"].iloc[0]
        return Strip(0.0, *(float(row[name]) for name in ("area_share", "insect_share", "low", "high")))

    def above_beyond_m2(self, width_m: float) -> float:
        """Return how much of ``above`` lies farther in than a border strip of a width, to the whole metre, m²."""
        return sum(area_m2 for edge_m, area_m2 in enumerate(self.above_by_edge_m2) if edge_m >= width_m)

    def plain(self) -> dict[str, Any]:
        """Return the figures in JSON's own types, without the curve."""
        whole = asdict(replace(self, curve=self.curve.iloc[:0]))
        del whole["curve"]
        return whole


def _read_figures(said: dict[str, Any], curve: pd.DataFrame) -> Figures:
    """Return the figures from what ``Figures.plain`` gave."""
    holdings = {name: Holding(**said[name]) for name in ("mapped", "above", "treated", "unsampled", "added")}
    return Figures(
        **{
            **said,
            **holdings,
            "basis": Basis(said["basis"]),
            "removed": {reason: Holding(**left) for reason, left in said["removed"].items()},
            "above_by_edge_m2": tuple(said["above_by_edge_m2"]),
            "narrow": tuple(PlaceArea(**place) for place in said["narrow"]),
            "missing_obstacles": tuple(said["missing_obstacles"]),
            "border": _read_border(said["border"]) if said["border"] else None,
            "plain_strip": Strip(**said["plain_strip"]) if said["plain_strip"] else None,
            "driving": Driving(**said["driving"]),
            "offer": CheckOffer(**said["offer"]) if said["offer"] else None,
            # Plans of before it was reckoned have none.
            "by_cost_m2": tuple((cost, area_m2) for cost, area_m2 in said.get("by_cost_m2", ())),
            "disputed": tuple(Disputed(**one) for one in said.get("disputed", ())),
            "controls": tuple(
                ControlClass(**{**one, "irac": tuple(one["irac"]), "used": tuple(one["used"])})
                for one in said["controls"]
            ),
        },
        curve=curve,
    )


def _read_border(said: dict[str, Any]) -> BorderAdvice:
    ratio = BorderRatio(**said["ratio"]) if said["ratio"] else None
    return BorderAdvice(
        **{**said, "answer": BorderOnly(said["answer"]), "ratio": ratio, "strip": Strip(**said["strip"])}
    )


@dataclass(frozen=True, slots=True, repr=False)
class Zones(Result):
    """What to treat, and how sure that is, in the order of what each acre saves.

    Parameters
    ----------
    visit, pest : str
        Whose counts.
    zones : GeoDataFrame
        One MultiPolygon a zone, columns of the layer ``zones``; projected CRS; may be empty.
    settings : TreatSettings
        As asked for: threshold, costs, swath, smallest, keep-off distances.
    figures : Figures
        Totals, the targeting curve, what making it drivable added and took away.
    simulated : bool
        Whether the counts are invented, which every output has to say.
    unknown : GeoDataFrame or None
        Mapped ground that is not known, a row a surface (hole, geometry), for the plan's maps. Not kept with the
        zones: the map's cells have it.
    drives : tuple of Drive
        The passes in driving order. Not kept: ``lay_passes`` makes them again.
    offered : tuple of OfferedStrip
        The check strips of ``figures.offer``. Not kept.
    """

    visit: str
    pest: str
    zones: gpd.GeoDataFrame
    settings: TreatSettings
    figures: Figures
    simulated: bool = False
    unknown: gpd.GeoDataFrame | None = None
    drives: tuple[Drive, ...] = ()
    offered: tuple[OfferedStrip, ...] = ()

    @property
    def threshold_per_m2(self) -> float:
        """Action threshold, insects per m²."""
        return self.settings.threshold_per_m2

    @property
    def crs(self) -> pyproj.CRS | None:
        """The zones' coordinate system, projected, m."""
        return cast("pyproj.CRS | None", self.zones.crs)

    @property
    def findings(self) -> Findings:
        """The plan's figures, the targeting curve and the settings, as they are kept in the survey file."""
        return Findings(self.visit, self.pest, tuple(_find_all(self)))

    def of(self, action: str) -> gpd.GeoDataFrame:
        """Return the zones of one action."""
        return self.zones[self.zones["action"] == action]

    def to_geodataframe(self) -> gpd.GeoDataFrame:
        """Return the zones, a row each, in their projected CRS."""
        return self.zones.copy()

    def summary(self) -> dict[str, Any]:
        """Return the plan's facts in JSON's own types: settings, figures, zones and the targeting curve."""
        curve = self.figures.curve
        table = self.zones.drop(columns=["geometry", "visit", "pest", "threshold_per_m2"])
        return {
            "visit": self.visit,
            "pest": self.pest,
            "simulated": self.simulated,
            "threshold_per_m2": self.threshold_per_m2,
            "treated_m2": self.figures.treated.area_m2,
            "mapped_m2": self.figures.mapped.area_m2,
            "settings": self.settings.plain(),
            "figures": self.figures.plain(),
            "zones": table.to_dict("records"),
            "drives": [drive.plain() for drive in self.drives],
            "curve": curve.astype(object).where(curve.notna(), None).to_dict("records"),
        }


_OWN = (What.PLAN, What.PLAN_SETTINGS, What.TARGETING_CURVE, What.SMOOTHING, What.OVERSPRAY)
_OF_CURVE = ("way", "width_m", "surfaces", "area_m2", "area_share")


def save_zones(survey: Survey, zones: Zones) -> None:
    """Put the zones and this room's findings into the survey file, in place of the visit's old ones."""
    with survey.change() as change:
        change.put("zones", zones.zones, where={"visit": zones.visit, "pest": zones.pest})
        put_findings(change, zones.visit, zones.pest, zones.findings, own=_OWN)


def load_zones(survey: Survey, visit: str | None = None) -> Zones:
    """Return a visit's zones, when ``visit`` is None those of the newest visit with a plan; one of no zones is one too.

    Raises
    ------
    SurveyError
        When 'geosample treat' has not been run for it, or its settings are no longer as they were written.
    """
    import pandas as pd

    planned = visits_with(survey, What.PLAN_SETTINGS)
    name = visit if visit is not None else survey.newest_among(pd.Series([of for of, _ in planned], dtype=object))
    name = survey.find_visit(name)
    pests = [pest for of, pest in planned if of == name]
    if not pests:
        remedy = f"run 'geosample treat {survey.path.name} ...' first"
        raise SurveyError(Problem(str(survey.path), f"no plan for {name}", "treatment zones", remedy))
    found = read_findings(survey, name, pests[-1], What.PLAN_SETTINGS, What.TARGETING_CURVE)
    settings, figures, simulated = _read_plan(survey, found)
    table = survey.read("zones")
    table = table[(table["visit"] == name) & (table["pest"] == pests[-1])].reset_index(drop=True)
    return Zones(name, pests[-1], cast("gpd.GeoDataFrame", table), settings, figures, simulated)


def _read_plan(survey: Survey, found: Findings) -> tuple[TreatSettings, Figures, bool]:
    """Return settings, figures and the word on invented counts from the finding that keeps them."""
    (row,) = found.of(What.PLAN_SETTINGS)[-1:]
    try:
        said = dict(row.detail["settings"])
        del said["cutoff"]
        only = {name: tuple(said.get(name, ())) for name in ("kinds", "holes")}
        settings = TreatSettings(**{**said, **only, "sprayer": Sprayer.of_plain(said["sprayer"])})
        figures = _read_figures(row.detail["figures"], _read_curve(found))
    except (KeyError, TypeError, ValueError) as error:
        where = f"{survey.path} layer findings, 'plan settings' of visit {found.visit}"
        remedy = f"run 'geosample treat {survey.path.name} ...' again"
        expected = "settings and figures as this version writes them"
        raise SurveyError(Problem(where, "a plan of an older version, or overwritten", expected, remedy)) from error
    return settings, figures, bool(row.detail.get("simulated"))


def _find_all(zones: Zones) -> Iterator[Finding]:
    limit, figures = zones.threshold_per_m2, zones.figures
    treated, mapped = figures.treated, figures.mapped
    plan: dict[str, float | Holding] = {
        "mapped area m2": mapped.area_m2,
        "known area m2": figures.known_m2,
        "treated area m2": treated.area_m2,
        "treated though no plug speaks for it m2": figures.unsampled.area_m2,
        "treated share of area": figures.share_of_area,
        "treated share of insects": figures.share_of_insects,
        "insects in zones": treated,
        "insects mapped": mapped,
    }
    for domain, value in plan.items():
        yield _find(What.PLAN, domain, value, limit)
    for name, holding in {"above the cut-off": figures.above, "added": figures.added, **figures.removed}.items():
        yield _find(What.SMOOTHING, f"{name}, area m2", holding.area_m2, limit)
        yield _find(What.SMOOTHING, f"{name}, insects", holding, limit)
    for kind, area_m2 in figures.overspray_m2.items():
        yield Finding(What.OVERSPRAY, kind, area_m2, threshold_per_m2=limit, detail={"unit": "m2"})
    curve = figures.curve
    for row in curve.astype(object).where(curve.notna(), None).to_dict("records"):
        detail = {name: row[name] for name in _OF_CURVE}
        yield Finding(What.TARGETING_CURVE, row["label"], row["insect_share"], row["low"], row["high"], limit, detail)
    detail = {"settings": zones.settings.plain(), "figures": figures.plain(), "simulated": zones.simulated}
    yield Finding(What.PLAN_SETTINGS, "all", threshold_per_m2=limit, detail=detail)


def _find(what: What, domain: str, value: float | Holding, limit: float) -> Finding:
    if isinstance(value, Holding):
        return Finding(what, domain, value.insects, value.low, value.high, limit)
    return Finding(what, domain, value, threshold_per_m2=limit)


def _read_curve(found: Findings) -> pd.DataFrame:
    """Return the curve from its findings, columns as of ``target_curve``."""
    import pandas as pd

    rows = [
        {**row.detail, "label": row.domain, "insect_share": row.value, "low": row.low, "high": row.high}
        for row in found.of(What.TARGETING_CURVE)
    ]
    columns = ["way", "label", *_OF_CURVE[1:], "insect_share", "low", "high"]
    return pd.DataFrame(rows, columns=columns).astype({"width_m": float, "surfaces": float})
