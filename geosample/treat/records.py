"""What was done, with the fields that record rules ask for and any of the user's own, and how well it worked.

References
----------
Abbott 1925, J. Econ. Entomol. 18:265-267: (x - y) / x, with x living in the check and y living in the treated.
Henderson & Tilton 1955, J. Econ. Entomol. 48:157-161: 1 - (treated after x check before) / (treated before x check
after). Pages from memory, unverified.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from geosample.errors import Problem, TreatError
from geosample.units import show_area
from geosample.words import WORKED_OUT, RecordRules, is_date, name_place

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from geosample.design import Visit
    from geosample.survey import Survey
    from geosample.treat.model import Zones
    from geosample.units import Units


_GROUP = re.compile(r"\d{1,2}[A-Z]?|UN[A-Z]*")


def fill_record(
    zones: Zones, zone_ids: Sequence[str], said: Mapping[str, str], *, day: str, units: Units = "us"
) -> dict[str, str]:
    """Return the record: what the plan knows, and over it what the user said.

    Parameters
    ----------
    zones : Zones
        The plan that was followed.
    zone_ids : sequence of str
        Zones treated; all of the plan's when empty.
    said : mapping of str to str
        The user's fields; any name goes, and ``irac_group`` is read by the next plan.
    day : str
        Date of the treatment, YYYY-MM-DD.

    Raises
    ------
    TreatError
        For a date that is none or before the plan's counts, a zone the plan has not, a plan of no zones, or an IRAC
        group that is none; all at once.
    """
    treat = zones.of("treat").set_index("zone_id")
    problems = [
        *_check_day(day, zones.visit),
        *_check_zones(treat, zone_ids),
        *_check_groups(said),
        *_check_names(said),
    ]
    if problems:
        raise TreatError(problems)
    done = treat.loc[list(zone_ids) or list(treat.index)]
    places = dict.fromkeys(name_place(hole, kind) for hole, kind in zip(done["hole"], done["kind"], strict=True))
    known = {
        "date": day,
        "size_of_area": show_area(float(done["area_m2"].sum()), units),
        "site": "; ".join(places),
        "target_organism": zones.pest,
    }
    return {**known, **{key.strip(): value.strip() for key, value in said.items()}, "zones": ", ".join(done.index)}


def _check_day(day: str, visit: str) -> Iterator[Problem]:
    if not is_date(day):
        yield Problem("day", repr(day), "a date, YYYY-MM-DD", "write 2026-05-08")
    elif is_date(visit) and day < visit:
        yield Problem("day", f"{day}, before the plan's counts of {visit}", "a day after them", "mend the date")


def _check_zones(treat: pd.DataFrame, zone_ids: Sequence[str]) -> Iterator[Problem]:
    if treat.empty:
        yield Problem("zones", "a plan of no zones to treat", "at least one", "run 'geosample treat' first")
        return
    twice = sorted({name for name in zone_ids if list(zone_ids).count(name) > 1})
    if twice:
        yield Problem("zone_ids", f"{', '.join(twice)} more than once", "each zone once", "leave out the other")
    unknown = [name for name in zone_ids if name not in treat.index]
    if unknown:
        some = ", ".join(treat.index)
        yield Problem("zone_ids", ", ".join(unknown), f"zones to treat: {some}", "name those of the plan")


def _check_names(said: Mapping[str, str]) -> Iterator[Problem]:
    for name in ("date", "zones"):
        if name in said:
            yield Problem(
                f"--set {name}", repr(said[name]), f"it as --{name}", "the next plan and 'check' read it there"
            )


def _check_groups(said: Mapping[str, str]) -> Iterator[Problem]:
    """Yield what is no IRAC group, such as 28 or 3A: the next plan reads it."""
    wrong = [group for group in read_groups(dict(said)) if not _GROUP.fullmatch(group)]
    if wrong:
        yield Problem("--set irac_group", ", ".join(wrong), "groups such as 28 or 3A", "read them off the label")


def missing_fields(record: Mapping[str, str], rules: RecordRules) -> list[str]:
    """Return the names of the fields the rules ask for that are not there, or are blank.

    Examples
    --------
    >>> from geosample.words import RULES
    >>> missing_fields({"date": "2026-05-08"}, RULES["none"])
    []
    """
    return [key for key in rules.fields if not record.get(key)]


def keep_fields(survey: Survey, visit: str, record: Mapping[str, str], said: Mapping[str, str]) -> dict[str, str]:
    """Return the record with what was said before of the same visit, date and zones kept, unless said anew.

    Parameters
    ----------
    survey : Survey
        With the layer ``treatments``.
    visit : str
        Whose plan was followed.
    record : mapping of str to str
        As filled now.
    said : mapping of str to str
        The user's own fields of now, which replace older ones.
    """
    old = survey.read("treatments")
    same = (old["visit"] == visit) & (old["date"] == record["date"]) & (old["zone_ids"] == record["zones"])
    before = json.loads(old.loc[same, "record"].iloc[-1]) if same.any() else {}
    added = {key: value for key, value in before.items() if key not in WORKED_OUT}
    return {**record, **added, **{key: record[key] for key in said}}


def save_record(survey: Survey, visit: str, record: Mapping[str, str]) -> None:
    """Put a record into the layer ``treatments``, in place of one of the same visit, date and zones."""
    row: dict[str, Any] = {"visit": visit, "date": record["date"], "zone_ids": record["zones"]}
    text = json.dumps(dict(record), ensure_ascii=False, sort_keys=True)
    with survey.change() as change:
        change.put("treatments", pd.DataFrame([{**row, "record": text}]), where=row)


def last_groups(treatments: pd.DataFrame | None) -> dict[str, str]:
    """Return the IRAC groups of the last recorded treatment with any, each with its date.

    Examples
    --------
    >>> import pandas as pd
    >>> last_groups(pd.DataFrame({"date": ["2026-05-01"], "record": ['{"irac_group": "28, 3A"}']}))
    {'28': '2026-05-01', '3A': '2026-05-01'}
    """
    if treatments is None or treatments.empty:
        return {}
    newest = treatments.sort_values("date", ascending=False)
    for date, record in zip(newest["date"], newest["record"].fillna("{}"), strict=True):
        groups = read_groups(json.loads(record))
        if groups:
            return dict.fromkeys(groups, str(date))
    return {}


def read_groups(record: dict[str, Any]) -> list[str]:
    """Return the IRAC groups named in a record."""
    said = str(record.get("irac_group") or "").upper()
    return [group for group in said.replace(";", ",").replace("+", ",").replace(" ", ",").split(",") if group]


LEVEL = 0.9
_DRAWS = 40_000
_PRIOR_FREEDOM, _PRIOR_CLUMPING = 4, 1.5
"""What few strips say of how far strips differ is weighed with 4 degrees of freedom of 1.5 times the bags' own spread
(own choice; how often intervals hold with it: ``tests/benchmarks/check_strips.md``)."""
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
        Whether check strips are the untreated ground: where three bags or more lie in them afterwards.
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

    @property
    def by_before(self) -> bool:
        """Whether the verdict goes by what the strips held before, too: where as many bags say so as afterwards.

        Strips lie at random in the zones, so that the ground afterwards alone is a fair comparison.
        """
        return self.strips[1] >= max(self.strips[2], self.fewest)

    @property
    def verdict(self) -> tuple[float, float, float]:
        """Share killed, and its limits, against the check strips; NaN without."""
        if not self.strips_used:
            return (float("nan"),) * 3
        return self.henderson_tilton if self.by_before else self.abbott

    def summary(self) -> dict[str, Any]:
        """Return the facts in JSON's own types."""
        names = ("share", "low", "high")
        return {
            "killed": dict(zip(names, self.verdict, strict=True)) if self.strips_used else None,
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
        The plan that was carried out. Check strips are the untreated ground where three bags or more lie in them at the
        later visit; otherwise all ground outside the zones is.

    Raises
    ------
    TreatError
        When fewer than three bags lie in treated or in untreated ground at a visit; before, strips need none.

    Notes
    -----
    Each mean is taken to be gamma with the counts' own variance-to-mean ratio (at least 1), with half an insect added
    so that no insects at all still leave room for some. Bags of one strip are alike, and so are those of few strips:
    theirs is the spread between strips.
    """
    treat, strips = (zones.of(action).union_all() for action in ("treat", "check"))
    first, second = (int(_inside(frame, strips).sum()) for frame in (before, after))
    use_strips = second >= FEWEST
    parts: dict[str, gpd.GeoDataFrame] = {}
    for when, frame in (("before", before), ("after", after)):
        treated = _inside(frame, treat)
        untreated = _inside(frame, strips) if use_strips else ~treated
        parts |= {f"treated {when}": frame[treated], f"untreated {when}": frame[untreated]}
    _check_enough(parts, needless={"untreated before", "treated before"} if use_strips else set())
    apart = zones.of("check").geometry.to_numpy()
    groups = {}
    for name in GROUPS:
        state, when = name.split()
        own = apart if use_strips and state == "untreated" else None
        clumping = _clumping([parts[f"{one} {when}"] for one in ("treated", "untreated")]) if use_strips else 0.0
        groups[name] = _summarise(parts[name], rng, strips=own, clumping=clumping)
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


def find_strips(survey: Survey, visit: str, day: str, pest: str) -> tuple[str, gpd.GeoDataFrame] | None:
    """Return the newest plan's visit before a day, and its check strips; None where it left none.

    Parameters
    ----------
    survey : Survey
        With plans.
    visit, day, pest : str
        Of the visit that is drawn.
    """
    zones, days = survey.read("zones"), survey.read("visits").set_index("visit")["date"]
    mine = zones[(zones["pest"] == pest) & (zones["visit"] != visit)]
    earlier = {str(one): str(days[one]) for one in mine["visit"].unique() if str(days[one]) < day}
    if not earlier:
        return None
    of = max(earlier, key=lambda one: earlier[one])
    strips = mine[(mine["visit"] == of) & (mine["action"] == "check")]
    return (of, strips) if len(strips) else None


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


def _check_enough(parts: dict[str, gpd.GeoDataFrame], needless: set[str]) -> None:
    few = [
        Problem(name, f"{len(frame)} counted bags", f"at least {FEWEST}", "pull more plugs there, from fresh points")
        for name, frame in parts.items()
        if len(frame) < FEWEST and name not in needless
    ]
    if few:
        raise TreatError(few)


def _clumping(frames: list[gpd.GeoDataFrame]) -> float:
    """Return 1/k of all bags together, by moments within each frame; 0 where they are no more clumped than Poisson."""
    counts = [frame["count"].to_numpy(float) for frame in frames if len(frame) > 1]
    over = sum((len(one) - 1) * (one.var(ddof=1) - one.mean()) for one in counts)
    squared = sum((len(one) - 1) * one.mean() ** 2 for one in counts)
    return max(0.0, float(over / squared)) if squared > 0 else 0.0


def _summarise(
    frame: gpd.GeoDataFrame, rng: np.random.Generator, *, strips: np.ndarray | None = None, clumping: float = 0.0
) -> Group:
    """Return what bags hold, with draws of their mean.

    ``strips`` are the pieces of ground whose bags are alike; ``clumping`` is 1/k as all bags tell it, which is more
    than a few do.
    """
    if frame.empty:
        return Group(0, 0, float("nan"), np.full(_DRAWS, np.nan))
    count, area = frame["count"].to_numpy(float), frame["sampled_m2"].to_numpy(float)
    weight = frame["weight_m2"].fillna(frame["weight_m2"].mean()).fillna(1.0).to_numpy(float)
    mean = float((weight * count / area).sum() / weight.sum())
    # a few heavy weights make fewer bags of many: Kish's effective share of the ground taken
    effort = float(area.sum() * weight.sum() ** 2 / (len(weight) * (weight**2).sum()))
    spread = float(np.var(count, ddof=1) / count.mean()) if count.sum() > 0 and len(count) > 1 else 1.0
    spread = max(1.0, spread, 1.0 + clumping * float(count.mean()))
    ratio = spread if strips is None else _between_strips(frame, strips, mean, spread, rng)
    draws = rng.gamma(mean * effort / ratio + 0.5, ratio / effort, _DRAWS)
    return Group(len(frame), int(count.sum()), mean, draws)


def _between_strips(
    frame: gpd.GeoDataFrame, strips: np.ndarray, mean_per_m2: float, spread: float, rng: np.random.Generator
) -> np.ndarray:
    """Return draws of the variance-to-mean ratio of counts that lie in few strips, from strips' totals.

    The totals' Pearson statistic over its degrees of freedom estimates it, and is uncertain as chi-square is.
    """
    near = shapely.STRtree(strips).nearest(frame.geometry.to_numpy())
    held = frame["count"].groupby(near).sum().to_numpy(float)
    expected = mean_per_m2 * frame["sampled_m2"].groupby(near).sum().to_numpy(float)
    free = len(held) - 1
    between = float(((held - expected) ** 2 / np.maximum(expected, np.finfo(float).tiny)).sum()) if mean_per_m2 else 0.0
    together = free + _PRIOR_FREEDOM
    scale = (between + _PRIOR_FREEDOM * _PRIOR_CLUMPING * spread) / together
    return np.maximum(scale * together / rng.chisquare(together, _DRAWS), 1.0)


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
