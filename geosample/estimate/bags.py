"""What of the counts goes into an estimate: bags with their weights, areas and recoveries, and the mix of stages.

Insects of one bag are not independent, so that the number of insects overstates what is known; the intervals use the
effective number instead, from the variance between points.

References
----------
Holt & Smith 1979, Post stratification, Journal of the Royal Statistical Society A 142:33-46 (from memory, unverified).
Korn & Graubard 1998, Survey Methodology 24:193-201 (exact limits at the effective size; from memory, unverified).
Rao & Scott 1981, JASA 76:221-230 (mean design effect; from memory, unverified).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.special import stdtr

from geosample.counts import tally
from geosample.counts.model import ANSWERED
from geosample.design import Design
from geosample.distributions import Groups, exact_limits, log_spread
from geosample.errors import EstimateError, Problem
from geosample.ground import Ground, only_polygons, split_border
from geosample.words import NO_HOLE, SHORT_TURF

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable

    from numpy.typing import NDArray

    from geosample.counts import Counts
    from geosample.pests import Pest

    Floats = NDArray[np.float64]


ALL = "all"
GROUND_COLUMNS = ["surface_id", "hole", "kind", "stratum", "part"]


# How much of what is in a bag a method finds: the user's factors, 1.0 unless set, with their doubt carried through


@dataclass(frozen=True, slots=True)
class Recovery:
    """The share of a reference method's catch that a method finds.

    Parameters
    ----------
    value, low, high : float
        The factor and its 95 % limits, above 0 (above 1 where a method finds more than the reference); the limits
        may equal the value when they are not known.
    method, stage : str
        What it is for; empty for any.
    """

    value: float
    low: float
    high: float
    method: str = ""
    stage: str = ""

    @property
    def log_sd(self) -> float:
        """Standard deviation of the factor's logarithm, from its limits."""
        return log_spread(self.low, self.high, 0.95)


FULL = Recovery(1.0, 1.0, 1.0)


def parse_recovery(text: str) -> Recovery:
    """Return a factor from ``method=value``, ``method:stage=value`` or ``method=value,low,high``.

    Raises
    ------
    EstimateError
        When it is not of that form, not above 0, or the value is not between its limits.

    Examples
    --------
    >>> parse_recovery("heat=1.6,1.2,2.1").high
    2.1
    >>> parse_recovery("brine:L1=0.8").stage
    'L1'
    """
    target, _, numbers = text.partition("=")
    method, _, stage = target.strip().partition(":")
    try:
        values = [float(part) for part in numbers.split(",")]
    except ValueError:
        values = []
    if len(values) == 1:
        values = values * 3
    fits = len(values) == len("vlh") and all(math.isfinite(v) and v > 0 for v in values)
    if not fits or not method or not values[1] <= values[0] <= values[2]:
        expected = "method=value or method:stage=value,low,high, all above 0, low to high around the value"
        raise EstimateError(Problem("recovery", repr(text), expected, "write for instance heat=1.6,1.2,2.1"))
    value, low, high = values
    return Recovery(value, low, high, method.strip(), stage.strip())


def read_recovery(asked: Sequence[Recovery] | Mapping[str, float]) -> tuple[Recovery, ...]:
    """Return the factors; a mapping gives one by method, taken as exact.

    Raises
    ------
    EstimateError
        For a factor that is not above 0.

    Examples
    --------
    >>> read_recovery({"heat": 1.6})[0].value
    1.6
    """
    if not isinstance(asked, Mapping):
        return tuple(asked)
    return tuple(parse_recovery(f"{method}={value!r}") for method, value in asked.items())


def find_recovery(factors: Sequence[Recovery], method: str, stage: str) -> Recovery:
    """Return the most special factor for a method and stage; 1.0 when none was set.

    Examples
    --------
    >>> factors = [parse_recovery("heat=1.6"), parse_recovery("heat:L1=0.8")]
    >>> find_recovery(factors, "heat", "L1").value, find_recovery(factors, "brine", "L1").value
    (0.8, 1.0)
    """
    fitting = [f for f in factors if f.method in ("", method) and f.stage in ("", stage)]
    return max(fitting, key=lambda f: (bool(f.stage), bool(f.method)), default=FULL)


# The bags


@dataclass(frozen=True, slots=True)
class OffTurf:
    """A stratum with points off the turf, of those that answered, and the share of its area they take away, 0 to 1."""

    stratum: str
    off: int
    answered: int
    share: float


@dataclass(frozen=True, slots=True)
class Catch:
    """One visit's counted bags of one pest, one row a point.

    Parameters
    ----------
    visit, pest : str
        Whose.
    bags : DataFrame
        point_id, surface_id, hole, kind, stratum, part, easting, northing (m), count, area_m2 (turf taken), effort_m2
        (area times recovery), weight_m2, log_sd (doubt of the recovery), line (the transect a point was drawn with, 0
        where points were drawn singly).
    found : DataFrame
        Same index; a column a stage with how many were found, missing where that stage was not looked for.
    efforts : DataFrame
        Same shape as ``found``: effort for that stage, m².
    areas : DataFrame
        The target ground: stratum, surface_id, hole, kind, part, area_m2.
    left_out : tuple of str
        Samples left out for want of a planned point, and so of a design weight.
    pooled : int
        Bags added up with another of the same point.
    off_turf : tuple of OffTurf
        Strata whose area is taken as smaller.
    """

    visit: str
    pest: str
    bags: pd.DataFrame
    found: pd.DataFrame
    efforts: pd.DataFrame
    areas: pd.DataFrame
    left_out: tuple[str, ...] = ()
    pooled: int = 0
    off_turf: tuple[OffTurf, ...] = ()


def gather_bags(counts: Counts, design: Design, *, pest: str | None = None, recovery: Sequence[Recovery] = ()) -> Catch:
    """Return the visit's counted bags with their ground and weight.

    Parameters
    ----------
    counts, design : Counts, Design
        Of one visit.
    pest : str, optional
        Another pest than the visit's own.
    recovery : sequence of Recovery
        Factors per method and stage; 1.0 unless set.

    Raises
    ------
    CountsError
        When no counted sample looked for the pest.
    EstimateError
        When bags of several methods would go into one mean with no recovery factor given, when none stands on a
        planned point, or when a weight or a sampled area is missing.
    """
    pest = pest or design.visit.pest
    samples = tally(counts, pest)
    _check_methods(samples, recovery)
    placed, left_out = _place_on_design(samples, design)
    _check_numbers(placed)
    found, efforts = _split_stages(counts, pest, placed, recovery)
    bags = placed.assign(**_total_effort(placed, found, recovery))
    areas, off_turf = _shrink_areas(_target_areas(design), counts.samples, design)
    return _pool_points(Catch(counts.visit, pest, bags, found, efforts, areas, left_out, 0, off_turf))


def group_bags(bags: pd.DataFrame, column: str, *, side: NDArray[np.float64] | None = None) -> Groups | None:
    """Return the bags in the groups of a column, those without any insect left out; None when all are.

    Parameters
    ----------
    bags : DataFrame
        count, effort_m2, weight_m2 and the column.
    side : ndarray of float, shape (n,), optional
        1 where the ratio applies; 0 everywhere when None.
    """
    found = bags.groupby(column)["count"].sum()
    names: Sequence[Hashable] = [name for name in found.index if found[name] > 0]
    kept = bags[column].isin(names).to_numpy()
    if not kept.any():
        return None
    mine = bags[kept]
    sides = np.zeros(len(mine)) if side is None else side[kept]
    cell = [mine[column].to_numpy(), sides]
    raw = mine["weight_m2"]
    weight = raw * raw.groupby(cell).transform("sum") / (raw**2).groupby(cell).transform("sum")
    count, effort = (mine[name].to_numpy(dtype=np.float64) for name in ("count", "effort_m2"))
    order = {name: place for place, name in enumerate(names)}
    group = np.array([order[name] for name in mine[column]], dtype=np.int64)
    return Groups(count, effort, weight.to_numpy(dtype=np.float64), group, sides)


def _check_methods(samples: gpd.GeoDataFrame, recovery: Iterable[Recovery]) -> None:
    tallies = samples["method"].dropna().value_counts()
    known = {factor.method for factor in recovery}
    missing = [] if "" in known else sorted(set(tallies.index) - known)
    if len(tallies) > 1 and missing:
        found = " and ".join(f"{n} bags by {method}" for method, n in tallies.items())
        remedy = " ".join(f"`recovery={method}=FACTOR`" for method in missing)
        problem = Problem("samples", found, "one method in one mean, or a recovery factor for each", f"give {remedy}")
        raise EstimateError(problem)


def _place_on_design(samples: gpd.GeoDataFrame, design: Design) -> tuple[pd.DataFrame, tuple[str, ...]]:
    points = pd.DataFrame(design.points[["point_id", *GROUND_COLUMNS, "line"]])
    kept = ["sample_id", "point_id", "method", "sampled_m2", "weight_m2", "count"]
    places = samples.geometry
    frame = pd.DataFrame(samples[kept]).assign(easting=places.x.to_numpy(), northing=places.y.to_numpy())
    joined = frame.merge(points, on="point_id", how="left", validate="many_to_one")
    stray = joined["stratum"].isna()
    if stray.all():
        problem = Problem(
            "samples", f"{len(joined)} bags, none at a planned point", "point_id of the design", "join them by label"
        )
        raise EstimateError(problem)
    placed = joined[~stray].assign(hole=joined["hole"].fillna(NO_HOLE))
    return placed.reset_index(drop=True), tuple(joined.loc[stray, "sample_id"].astype(str))


def _check_numbers(placed: pd.DataFrame) -> None:
    problems = [
        Problem(f"sample {name}", f"{column} {value}", "m² above 0", "mend the sheet and take the counts in again")
        for column in ("sampled_m2", "weight_m2")
        for name, value in zip(placed["sample_id"], placed[column], strict=True)
        if not value > 0
    ]
    if problems:
        raise EstimateError(problems)


def _split_stages(
    counts: Counts, pest: str, placed: pd.DataFrame, recovery: Sequence[Recovery]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    rows = counts.counts[counts.counts["pest"] == pest]
    table = rows.pivot_table(index="sample_id", columns="stage", values="count", aggfunc="sum", observed=True)
    found = table.reindex(placed["sample_id"]).astype("float64").reset_index(drop=True)
    methods = placed["method"].fillna("").astype(str)
    factors = {
        stage: [find_recovery(recovery, method, str(stage)).value for method in methods] for stage in found.columns
    }
    efforts = pd.DataFrame(factors, index=found.index).mul(placed["sampled_m2"], axis=0)
    return found, efforts.where(found.notna())


def _total_effort(placed: pd.DataFrame, found: pd.DataFrame, recovery: Sequence[Recovery]) -> dict[str, np.ndarray]:
    """Return each bag's effort over all its stages, and the doubt of its recovery.

    The factor of a method is its catch over its catch corrected stage by stage, so that one bag's few insects do not
    decide it.
    """
    methods = placed["method"].fillna("").astype(str).to_numpy()
    factor, log_sd = np.ones(len(placed)), np.zeros(len(placed))
    for method in np.unique(methods):
        mine = methods == method
        values = [find_recovery(recovery, method, str(stage)) for stage in found.columns]
        caught = found[mine].sum().to_numpy()
        corrected = caught / np.array([value.value for value in values])
        share = corrected / corrected.sum() if caught.any() else np.full(len(values), 1 / len(values))
        factor[mine] = caught.sum() / corrected.sum() if caught.any() else np.mean([v.value for v in values])
        log_sd[mine] = _mixed_sd(values, share)
    area = placed["sampled_m2"].to_numpy(dtype=np.float64)
    return {"area_m2": area, "effort_m2": area * factor, "log_sd": log_sd}


def _mixed_sd(values: list[Recovery], share: np.ndarray) -> float:
    """Return the log sd of a mix of factors: the same factor used for several stages is one doubt, not several."""
    alike: dict[Recovery, float] = {}
    for value, part in zip(values, share, strict=True):
        alike[value] = alike.get(value, 0.0) + float(part)
    return float(np.sqrt(sum((part * value.log_sd) ** 2 for value, part in alike.items())))


def _pool_points(catch: Catch) -> Catch:
    """Return the catch with bags of one point added up: they share the point's weight."""
    if catch.bags["point_id"].is_unique:
        return catch
    by = catch.bags["point_id"].to_numpy()
    summed = ["count", "area_m2", "effort_m2"]
    sums = catch.bags.groupby("point_id")[summed].sum()
    first = catch.bags.groupby("point_id").first().drop(columns=summed).join(sums)
    return replace(
        catch,
        bags=first.reset_index(),
        found=catch.found.groupby(by).sum(min_count=1).reset_index(drop=True),
        efforts=catch.efforts.groupby(by).sum(min_count=1).reset_index(drop=True),
        pooled=len(by) - len(first),
    )


def _target_areas(design: Design) -> pd.DataFrame:
    columns = ["stratum", "surface_id", "hole", "kind", "part", "area_m2"]
    areas = pd.DataFrame(design.strata[columns])
    return areas.assign(hole=areas["hole"].fillna(NO_HOLE))


def _shrink_areas(
    areas: pd.DataFrame, samples: gpd.GeoDataFrame, design: Design
) -> tuple[pd.DataFrame, tuple[OffTurf, ...]]:
    """Return the areas less the share of each stratum's answers, by weight, that lay off the turf, and which strata.

    A point off the turf is an answer: that piece of the planned area is no turf. An unreachable one answers nothing.
    """
    answers = samples[samples["status"].isin(ANSWERED)].drop_duplicates("point_id")
    stratum = answers["point_id"].map(design.points.set_index("point_id")["stratum"])
    off = (answers["status"] == "off_turf") & (answers["weight_m2"] > 0)
    if not off.any():
        return areas, ()
    weight = answers["weight_m2"].fillna(0.0)
    share = (weight.where(off, 0.0).groupby(stratum).sum() / weight.groupby(stratum).sum()).fillna(0.0)
    kept = 1 - areas["stratum"].map(share).fillna(0.0).astype(float)
    shrunk = tuple(
        OffTurf(str(name), int(off[stratum == name].sum()), int((stratum == name).sum()), float(part))
        for name, part in share.items()
        if part > 0
    )
    return areas.assign(area_m2=areas["area_m2"] * kept), shrunk


# Post-strata


def post_stratify(design: Design, ground: Ground, border_m: float) -> Design:
    """Return the design with each whole stratum split into border and interior, and its points by where they lie.

    Parameters
    ----------
    design : Design
        A visit whose strata are not split by a border yet; strata that are stay as they are.
    ground : Ground
        The course it was drawn on.
    border_m : float
        Width of the border, m.

    Raises
    ------
    EstimateError
        When every stratum is split already, or the width is not above 0.

    Notes
    -----
    Points keep their inclusion densities; within a post-stratum the Hájek mean is weighed by the exact area.
    """
    whole = design.strata["part"] == "whole"
    if not whole.any() or not border_m > 0:
        found = "a visit whose strata are border and interior already" if border_m > 0 else f"{border_m:g} m"
        remedy = "leave `border_m` out: the design has done it" if border_m > 0 else "give a width such as 4.6 m, 15 ft"
        raise EstimateError(Problem("border_m", found, "strata to split, and a width above 0", remedy))
    short = ground.surfaces[ground.surfaces["kind"].isin({*SHORT_TURF, *design.strata["kind"]})]
    halves = split_border(short, border_m)
    pieces = [_cut(design.strata[whole], halves[halves["part"] == part], part) for part in ("border", "interior")]
    strata = pd.concat([design.strata[~whole], *pieces], ignore_index=True)
    near = np.where(design.points["edge_m"] < border_m, "border", "interior")
    part = design.points["part"].where(design.points["part"] != "whole", near)
    stratum = design.points["stratum"].where(
        design.points["part"] != "whole", design.points["stratum"].astype(str) + " " + part.astype(str)
    )
    shaped = gpd.GeoDataFrame(strata, geometry="geometry", crs=design.strata.crs)
    return replace(design, strata=shaped, points=design.points.assign(part=part, stratum=stratum))


def _cut(strata: gpd.GeoDataFrame, half: gpd.GeoDataFrame, part: str) -> gpd.GeoDataFrame:
    """Return the strata's ground within one half of each surface."""
    shapes = half.dissolve("surface_id").geometry.reindex(strata["surface_id"])
    inside = only_polygons(shapely.intersection(strata.geometry.to_numpy(), shapes.to_numpy()))
    cut = strata.assign(geometry=inside, part=part, stratum=strata["stratum"].astype(str) + f" {part}")
    cut = cut.assign(area_m2=cut.geometry.area)
    return cut[cut["area_m2"] > 0]


FEWEST_POINTS = 3  # points with insects; below that no share can be told


@dataclass(frozen=True, slots=True)
class Mix:
    """Shares of stages or groups of stages.

    Parameters
    ----------
    shares : DataFrame
        Index the stage or group, in the order of life; columns share, low, high (0 to 1), found (insects).
    level : float
        Confidence that all the intervals hold together.
    n_points, n_found : int
        Points with any insect; insects.
    n_effective : float
        Independent insects that would tell as much.
    lead : float
        Confidence that the commonest is commoner than the next, 0 to 1; missing when it can't be told.
    """

    shares: pd.DataFrame
    level: float
    n_points: int
    n_found: int
    n_effective: float
    lead: float


def mix_stages(catch: Catch, pest: Pest, *, grouped: bool, level: float = 0.95) -> Mix | None:
    """Return the shares of the stages, or of their groups; None when fewer than three points had any insect.

    Parameters
    ----------
    catch : Catch
        The visit's bags.
    pest : Pest
        The profile, for order and groups.
    grouped : bool
        Add stages of one group together.
    level : float
        Confidence that all intervals hold together (Bonferroni).
    """
    found, density = _in_order(catch, pest, grouped)
    seen = found.sum(axis=1) > 0
    if int(seen.sum()) < FEWEST_POINTS:
        return None
    amount = density.mul(catch.bags["weight_m2"].to_numpy(), axis=0).to_numpy()
    strata = catch.bags["stratum"].to_numpy()
    share = amount.sum(axis=0) / amount.sum()
    errors = (amount - amount.sum(axis=1, keepdims=True) * share) / amount.sum()
    covariance = _between_points(errors, strata)
    n_found = int(found.to_numpy().sum())
    n_effective = _effective_size(share, covariance, n_found)
    low, high = exact_limits(share * n_effective, n_effective, (1 - level) / (2 * len(share)))
    table = pd.DataFrame({"share": share, "low": low, "high": high, "found": found.sum()}, index=found.columns)
    lead = _lead(share, covariance, int(seen.sum()))
    return Mix(table, level, int(seen.sum()), n_found, n_effective, lead)


def _in_order(catch: Catch, pest: Pest, grouped: bool) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return counts and densities, a column a stage or group in the order of life."""
    stages = [s.key for s in pest.stages]
    known = [s for s in stages if s in catch.found.columns]
    others = sorted(set(catch.found.columns) - set(stages))
    found = catch.found[[*known, *others]].fillna(0.0)
    density = (found / catch.efforts[found.columns]).fillna(0.0)
    if not grouped:
        return found, density
    groups = [pest.group_of(stage) for stage in found.columns]
    names = list(dict.fromkeys(groups))
    return tuple(frame.T.groupby(groups).sum().T[names] for frame in (found, density))  # type: ignore[return-value]


def _between_points(errors: Floats, strata: NDArray[np.object_]) -> Floats:
    """Return the covariance of the shares from the spread between points within strata."""
    total = np.zeros((errors.shape[1], errors.shape[1]))
    for stratum in pd.unique(strata):
        mine = errors[strata == stratum]
        if len(mine) > 1:
            centred = mine - mine.mean(axis=0)
            total += len(mine) / (len(mine) - 1) * centred.T @ centred
    return total


def _effective_size(share: Floats, covariance: Floats, n_found: int) -> float:
    """Return the insects divided by the mean design effect over the shares, never more than the insects."""
    real = share > 0
    if int(real.sum()) < 2:  # noqa: PLR2004
        return float(n_found)
    effects = n_found * np.diag(covariance)[real] / (share[real] * (1 - share[real]))
    mean_effect = float(np.average(effects, weights=1 - share[real]))
    return n_found / max(mean_effect, 1.0)


def _lead(share: Floats, covariance: Floats, n_points: int) -> float:
    """Return the one-sided confidence that the largest share is larger than the second."""
    if share.size < 2:  # noqa: PLR2004
        return float("nan")
    first, second = np.argsort(-share, kind="stable")[:2]
    variance = covariance[first, first] + covariance[second, second] - 2 * covariance[first, second]
    gap = float(share[first] - share[second])
    if variance <= 0:
        return float("nan")
    return float(stdtr(n_points - 1, gap / variance**0.5))
