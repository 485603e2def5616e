"""The bags of a visit as the estimates need them: what each found, what it searched, and the ground it stands for."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from geosample.counts import tally
from geosample.counts.adding import ANSWERED
from geosample.errors import EstimateError, Problem
from geosample.estimate.recovery import Recovery, find_recovery
from geosample.negbin import Groups
from geosample.units import percent
from geosample.words import NO_HOLE

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Mapping, Sequence

    import geopandas as gpd
    from numpy.typing import NDArray

    from geosample.counts import Counts
    from geosample.design import Design
    from geosample.units import Units

ALL = "all"
GROUND_COLUMNS = ["surface_id", "hole", "kind", "stratum", "part"]


BORDER_MARGIN = 1.5
"""A border at most this many times the interior holds no more, or little more (own choice)."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What may be asked of the estimates beyond their domains.

    Parameters
    ----------
    pest : str, optional
        Another pest than the visit's own.
    recovery : tuple of Recovery
        Factors per method and stage; 1.0 unless set.
    units : {"us", "metric"}
        Units of the sentences; the tables stay per m².
    border_margin : float
        The border "holds no more" when at most this many times the interior's density (own choice, no source).
    decision_level : float
        Two-sided confidence of the interval held against the threshold.
    visit_before : str
        The visit the stage mix is compared with; empty for none.
    before : mapping of str to (share, low, high)
        Its stage groups' shares, 0 to 1.
    """

    pest: str | None = None
    recovery: tuple[Recovery, ...] = ()
    units: Units = "us"
    border_margin: float = BORDER_MARGIN
    decision_level: float = 0.90
    visit_before: str = ""
    before: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)


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
    notes : tuple of str
        What was left out and why.
    """

    visit: str
    pest: str
    bags: pd.DataFrame
    found: pd.DataFrame
    efforts: pd.DataFrame
    areas: pd.DataFrame
    notes: tuple[str, ...] = field(default=())


def gather_bags(counts: Counts, design: Design, settings: Settings) -> Catch:
    """Return the visit's counted bags with their ground and weight.

    Raises
    ------
    CountsError
        When no counted sample looked for the pest.
    EstimateError
        When bags of several methods would go into one mean with no recovery factor given, when none stands on a
        planned point, or when a weight or a sampled area is missing.
    """
    pest = settings.pest or design.visit.pest
    samples = tally(counts, pest)
    _check_methods(samples, settings.recovery)
    placed, notes = _place_on_design(samples, design)
    _check_numbers(placed)
    found, efforts = _split_stages(counts, pest, placed, settings.recovery)
    bags = placed.assign(**_total_effort(placed, found, settings.recovery))
    areas, shrunk = _shrink_areas(_target_areas(design), counts.samples, design)
    return _pool_points(Catch(counts.visit, pest, bags, found, efforts, areas, (*notes, *shrunk)))


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
        remedy = " ".join(f"--recovery {method}=FACTOR" for method in missing)
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
    names = ", ".join(joined.loc[stray, "sample_id"].astype(str))
    notes = (f"Left out, with no planned point and so no design weight: {names}.",) if stray.any() else ()
    placed = joined[~stray].assign(hole=joined["hole"].fillna(NO_HOLE))
    return placed.reset_index(drop=True), notes


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
    counts: Counts, pest: str, placed: pd.DataFrame, recovery: tuple[Recovery, ...]
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


def _total_effort(placed: pd.DataFrame, found: pd.DataFrame, recovery: tuple[Recovery, ...]) -> dict[str, np.ndarray]:
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
    note = f"{len(by) - len(first)} bags were pooled with another of the same point."
    return Catch(
        catch.visit,
        catch.pest,
        first.reset_index(),
        catch.found.groupby(by).sum(min_count=1).reset_index(drop=True),
        catch.efforts.groupby(by).sum(min_count=1).reset_index(drop=True),
        catch.areas,
        (*catch.notes, note),
    )


def _target_areas(design: Design) -> pd.DataFrame:
    columns = ["stratum", "surface_id", "hole", "kind", "part", "area_m2"]
    areas = pd.DataFrame(design.strata[columns])
    return areas.assign(hole=areas["hole"].fillna(NO_HOLE))


def _shrink_areas(
    areas: pd.DataFrame, samples: gpd.GeoDataFrame, design: Design
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the areas less the share of each stratum's answers, by weight, that lay off the turf, and what to say.

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
    notes = tuple(
        f"{name}: {int(off[stratum == name].sum())} of {int((stratum == name).sum())} points lay off the turf, so its "
        f"area is taken as {percent(part)} smaller."
        for name, part in share.items()
        if part > 0
    )
    return areas.assign(area_m2=areas["area_m2"] * kept), notes
