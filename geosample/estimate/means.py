"""Means and totals by kind, hole, surface, stratum: cells of the design, estimated, added up over known areas, decided.

References
----------
Horvitz & Thompson 1952, JASA 47:663-685; Hájek 1971 (both from memory, unverified).
Stevens & Olsen 2003, Environmetrics 14:593-610: the local mean variance, for points that were spread out on purpose.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd
from scipy.sparse import csr_array

from geosample.distributions import WEAK_K, Bags, Prior, log_spread
from geosample.errors import EstimateError, Problem
from geosample.estimate.bags import ALL, group_bags
from geosample.estimate.intervals import Interval, combine_means, fit_common_k, mean_interval, stretch, widen

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Sequence

    from numpy.typing import NDArray

    from geosample.estimate.bags import Catch

    Floats = NDArray[np.float64]

DOMAINS = {"kind": "kind", "hole": "hole", "surface": "surface_id", "stratum": "stratum", "part": "part"}
FEWEST_IN_CELL = 5  # strata with fewer points in a domain are pooled (common practice, no source)
FEWEST_LINES = 3  # transects below which their spread says nothing
FEWEST_DF, MOST_DF = 10, 15  # behind the common k, and lent to a domain with fewer bags (simulated)
K_BETWEEN = 0.5  # spread of log k between domains (own choice, no source)
NO_POINTS = "no counted points"
_FIGURES = ("count", "effort_m2", "weight_m2", "easting", "northing", "line")
NEIGHBOURS = 4  # Stevens & Olsen's neighbourhood, the point itself included
FEWEST_FOR_LOCAL = 8  # below this the local variance is too unstable (own choice, no source)
LOCAL_FLOOR = 0.5  # of the with-replacement variance; own rule, simulated
Verdict = Literal["above", "below", "undecided"]
MOST_TIMES = 10  # more than ten times the points again is told as "too close to settle"


# Weighted means and their variances


def weighted_mean(values: Floats, weight: Floats) -> float:
    """Return the Hájek mean, sum of w y over sum of w.

    Examples
    --------
    >>> weighted_mean(np.array([0.0, 4.0]), np.array([3.0, 1.0]))
    1.0
    """
    return float(weight @ values / weight.sum())


def linearise(values: Floats, weight: Floats) -> Floats:
    """Return each point's share in the error of the Hájek mean; they sum to 0."""
    return np.asarray(weight * (values - weighted_mean(values, weight)) / weight.sum())


def replacement_variance(shares: Floats) -> float:
    """Return the variance of a sum as if points were drawn with replacement; infinite for a single point.

    Parameters
    ----------
    shares : ndarray, shape (n,)
        Each point's part of the sum: y/pi for a total, ``linearise`` for a Hájek mean.
    """
    n = shares.size
    return float(n / (n - 1) * ((shares - shares.mean()) ** 2).sum()) if n > 1 else np.inf


def local_variance(shares: Floats, places: Floats, inclusion: Floats) -> float:
    """Return the local mean variance of a sum, over neighbourhoods of nearest points.

    Parameters
    ----------
    shares : ndarray, shape (n,)
        Each point's part of the sum.
    places : ndarray, shape (n, 2)
        Easting and northing, m.
    inclusion : ndarray, shape (n,)
        Inclusion densities; only their ratios matter.

    Notes
    -----
    Each neighbourhood's sum of squares is divided by its degrees of freedom. Without that the estimate is about a
    quarter too small for counts that are mostly noise (computed for 30 normal values).

    References
    ----------
    Stevens & Olsen 2003, Environmetrics 14:593-610.
    """
    squares, freedom = local_squares(shares, places, inclusion)
    return float((squares / freedom).sum())


def local_squares(shares: Floats, places: Floats, inclusion: Floats) -> tuple[Floats, Floats]:
    """Return each neighbourhood's sum of squares and its degrees of freedom, as shares of one, both of shape (n,).

    Parameters
    ----------
    shares, places, inclusion : ndarray
        As for ``local_variance``.
    """
    weights = np.asarray(_kept_weights(places.tobytes(), inclusion.tobytes()).toarray())
    squares = (weights * (shares[None, :] - (weights @ shares)[:, None]) ** 2).sum(axis=1)
    return squares, 1 - (weights**2).sum(axis=1)


def design_variance(values: Floats, weight: Floats, places: Floats) -> tuple[float, float]:
    """Return the variance of a Hájek mean: the local one with its floor, and the with-replacement one.

    Examples
    --------
    >>> places = np.column_stack([np.arange(10.0), np.zeros(10)])
    >>> local, replaced = design_variance(np.arange(10.0), np.ones(10), places)
    >>> local < replaced
    True
    """
    shares = linearise(values, weight)
    replaced = replacement_variance(shares)
    if shares.size < FEWEST_FOR_LOCAL:
        return replaced, replaced
    return max(local_variance(shares, places, 1 / weight), LOCAL_FLOOR * replaced), replaced


@lru_cache(maxsize=512)
def _kept_weights(at: bytes, drawn: bytes) -> csr_array:
    """Return the weights, of places and inclusion densities as bytes: every stage asks for those of the same points."""
    places, inclusion = np.frombuffer(at).reshape(-1, 2), np.frombuffer(drawn)
    near, rank = _neighbours(places)
    size = near.sum(axis=1)
    raw = np.where(near, (1 - (rank - 1) / size[:, None]) / inclusion[None, :], 0.0)
    rows = raw / raw.sum(axis=1, keepdims=True)
    # Least squares on the pattern of neighbours: w + a_i + b_j, rows kept at 1 and columns brought to 1.
    pattern = near.astype(np.float64)
    inner = np.diag(size.astype(np.float64)) - pattern @ (pattern / size[:, None])
    columns = np.linalg.pinv(inner, hermitian=True) @ (1 - rows.sum(axis=0))
    shift = -(pattern @ columns) / size
    return csr_array(rows + np.where(near, shift[:, None] + columns[None, :], 0.0))


def _neighbours(places: Floats) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
    """Return who is a neighbour of whom, made mutual, and each neighbour's rank by distance (the point itself is 1)."""
    gap = np.hypot(*(places[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    order = np.argsort(gap + np.where(np.eye(len(places), dtype=bool), -1.0, 0.0), axis=1, kind="stable")
    first = np.zeros(gap.shape, dtype=bool)
    np.put_along_axis(first, order[:, :NEIGHBOURS], True, axis=1)
    near = first | first.T
    far_last = np.where(near, gap, np.inf) - np.where(np.eye(len(places), dtype=bool), 1.0, 0.0)
    rank = np.argsort(np.argsort(far_last, axis=1, kind="stable"), axis=1, kind="stable") + 1
    return near, rank


# Domains


@dataclass(frozen=True, slots=True)
class Mean:
    """A domain's mean density per m² with its interval, standard error and the number of bags."""

    interval: Interval
    se: float
    n: int
    method: str


@dataclass(frozen=True, slots=True)
class Asked:
    """What all domains of one table share: the level and what is known of k."""

    level: float
    prior: Prior


def check_domains(by: Iterable[str]) -> tuple[str, ...]:
    """Return the domains asked for.

    Raises
    ------
    EstimateError
        For a name that is none of ``DOMAINS``.
    """
    wanted = tuple(by)
    unknown = [name for name in wanted if name not in DOMAINS]
    if unknown:
        problem = Problem("by", ", ".join(unknown), f"some of: {', '.join(DOMAINS)}", "name those")
        raise EstimateError(problem)
    return wanted


def own_prior(catch: Catch) -> Prior:
    """Return what the visit's strata together say of log k, for domains with few bags; the weak prior when too few.

    Notes
    -----
    The spread allowed between a domain's k and the common one is ``K_BETWEEN`` (own choice, no source), and the doubt
    of the common k itself is added. Ten or more degrees of freedom are asked of the strata together.
    """
    groups = group_bags(catch.bags, "stratum")
    if groups is None:
        return WEAK_K
    df = int(groups.weight.sum()) - groups.n
    if df < FEWEST_DF:
        return WEAK_K
    k = fit_common_k(groups)
    doubt = log_spread(k.low, k.high, 0.95) if math.isfinite(k.high) and k.low > 0 else 1.0
    return Prior(math.log(k.value), math.hypot(K_BETWEEN, doubt), min(df, MOST_DF))


def estimate_domains(catch: Catch, by: Sequence[str], *, level: float = 0.95) -> pd.DataFrame:
    """Return a row for the whole target ground and one for each domain.

    Parameters
    ----------
    catch : Catch
        The visit's bags.
    by : sequence of str
        Keys of ``DOMAINS``.
    level : float
        Two-sided confidence.

    Returns
    -------
    DataFrame
        Columns of the layer ``estimates`` and se_per_m2. A domain without a counted point has a row with missing mean.
    """
    asked = Asked(level, own_prior(catch))
    rows = [_domain_row(catch.bags, catch.areas, (ALL, ALL), asked)]
    for domain in check_domains(by):
        column = DOMAINS[domain]
        for label, areas in catch.areas.groupby(column, sort=False):
            mine = catch.bags[catch.bags[column] == label]
            rows.append(_domain_row(mine, areas, (domain, str(label)), asked))
    return pd.DataFrame(rows).assign(visit=catch.visit, pest=catch.pest, stage=ALL)


def estimate_stages(catch: Catch, by: Sequence[str], *, level: float = 0.95) -> pd.DataFrame:
    """Return the rows of ``estimate_domains`` for each stage looked for, with that stage's own recovery."""
    tables = []
    for stage in catch.found.columns:
        looked = catch.found[stage].notna().to_numpy()
        bags = catch.bags[looked].assign(
            count=catch.found.loc[looked, stage], effort_m2=catch.efforts.loc[looked, stage]
        )
        table = estimate_domains(replace(catch, bags=bags), by, level=level)
        tables.append(table.assign(stage=str(stage)))
    return pd.concat(tables, ignore_index=True)


def estimate_mean(bags: pd.DataFrame, areas: pd.DataFrame, *, level: float = 0.95, prior: Prior = WEAK_K) -> Mean:
    """Return the mean density over some ground: cells of strata, each with its interval, added up by area (MOVER).

    Parameters
    ----------
    bags : DataFrame
        The bags on that ground, at least one: columns of ``Catch.bags``.
    areas : DataFrame
        That ground's pieces: stratum, kind, area_m2.
    level : float
        Two-sided confidence.
    prior : Prior
        Weak knowledge of k.
    """
    cells = name_cells(bags, areas)
    own = np.array([cells[stratum] for stratum in bags["stratum"]])
    size_m2: Counter[str] = Counter()
    for stratum, area_m2 in zip(areas["stratum"], areas["area_m2"], strict=True):
        size_m2[cells[stratum]] += area_m2
    names = sorted(set(own))
    figures = bags[list(_FIGURES)]
    parts = [_cell_mean(figures[own == name], level, prior) for name in names]
    share = np.array([size_m2[name] for name in names])
    share /= share.sum()
    joined = combine_means([part.interval for part in parts], share.tolist())
    se = float(np.sqrt(((share * [part.se for part in parts]) ** 2).sum()))
    se = se if math.isfinite(se) else math.nan  # one bag tells nothing of how bags differ: not known, not endless
    log_sd = float(np.average(bags["log_sd"], weights=bags["weight_m2"]))
    methods = sorted({part.method for part in parts})
    method = "; ".join(methods) + (f"; MOVER over {len(parts)} cells" if len(parts) > 1 else "")
    return Mean(widen(joined, log_sd, level=level), se, len(bags), method)


def name_cells(bags: pd.DataFrame, areas: pd.DataFrame) -> dict[Hashable, str]:
    """Return the cell each stratum is estimated in: itself, or pooled with its kind where points are few.

    Examples
    --------
    >>> areas = pd.DataFrame({"stratum": ["a", "b", "c"], "kind": ["green", "green", "tee"]})
    >>> bags = pd.DataFrame({"stratum": ["a"] * 5 + ["b"] * 2 + ["c"] * 6})
    >>> name_cells(bags, areas)
    {'a': 'green', 'b': 'green', 'c': 'c'}
    """
    kinds: dict[Hashable, str] = {}
    for stratum, kind in zip(areas["stratum"], areas["kind"], strict=True):
        kinds.setdefault(stratum, kind)
    n = Counter(bags["stratum"])
    short = {kind for stratum, kind in kinds.items() if n[stratum] < FEWEST_IN_CELL}
    cells = {stratum: kind if kind in short else str(stratum) for stratum, kind in sorted(kinds.items())}
    held: Counter[str] = Counter()
    for stratum, cell in cells.items():
        held[cell] += n[stratum]
    host = _host(held)
    return {stratum: cell if held[cell] >= FEWEST_IN_CELL else host for stratum, cell in cells.items()}


def _host(held: Counter[str]) -> str:
    """Return where cells with too few points go: together if that is enough, else with the smallest other cell."""
    large = {cell: n for cell, n in sorted(held.items()) if n >= FEWEST_IN_CELL}
    if held.total() - sum(large.values()) >= FEWEST_IN_CELL or not large:
        return "rest"
    return min(large, key=large.__getitem__)


def _cell_mean(bags: pd.DataFrame, level: float, prior: Prior) -> Mean:
    weight = bags["weight_m2"].to_numpy(dtype=np.float64)
    count = bags["count"].to_numpy(dtype=np.float64)
    effort = bags["effort_m2"].to_numpy(dtype=np.float64)
    found = mean_interval(Bags(count, effort, weight), level=level, prior=prior)
    mean = weighted_mean(count / effort, weight)
    variance, _ = design_variance(count / effort, weight, bags[["easting", "northing"]].to_numpy(dtype=np.float64))
    if mean == 0:
        return Mean(found, float("nan"), len(bags), "exact zero bound")
    # With unequal efforts the likelihood's mean differs a little from the design's: keep its relative width.
    scale = mean / found.value
    interval = Interval(mean, found.low * scale, found.high * scale)
    clustered = _line_variance(bags, count / effort, weight)
    if clustered is None:
        return Mean(interval, variance**0.5, len(bags), "NB profile")
    between, times = clustered
    return Mean(stretch(interval, times), max(between, variance) ** 0.5, len(bags), "NB profile, lines as clusters")


def _line_variance(bags: pd.DataFrame, density: np.ndarray, weight: np.ndarray) -> tuple[float, float] | None:
    """Return the mean's variance between transects, and how much wider than single points' that makes its spread.

    None where points were drawn singly, or lie on too few lines to tell. A line is what was drawn, so its points count
    as one (Cochran 1977, Sampling Techniques, chapter 9; from memory, unverified).
    """
    lines = bags["line"].to_numpy()
    if not (lines > 0).all() or np.unique(lines).size < FEWEST_LINES:
        return None
    shares = linearise(density, weight)
    sums = np.bincount(lines, weights=shares)[np.unique(lines)].astype(np.float64)
    between, single = replacement_variance(sums), replacement_variance(shares)
    return between, max(1.0, float(np.sqrt(between / single))) if single > 0 else 1.0


def _domain_row(bags: pd.DataFrame, areas: pd.DataFrame, name: tuple[str, str], asked: Asked) -> dict[str, object]:
    area = float(areas["area_m2"].sum())
    row: dict[str, object] = {
        "domain": name[0],
        "label": name[1],
        "n": len(bags),
        "level": asked.level,
        "area_m2": area,
    }
    if bags.empty:
        blank = dict.fromkeys(("mean_per_m2", "low_per_m2", "high_per_m2", "total", "se_per_m2"), np.nan)
        return {**row, **blank, "method": NO_POINTS}
    mean = estimate_mean(bags, areas, level=asked.level, prior=asked.prior)
    limits = {"mean_per_m2": mean.interval.value, "low_per_m2": mean.interval.low, "high_per_m2": mean.interval.high}
    return {**row, **limits, "total": mean.interval.value * area, "se_per_m2": mean.se, "method": mean.method}


# Against a threshold


@dataclass(frozen=True, slots=True)
class Decision:
    """What one group's counts say about the threshold.

    Parameters
    ----------
    label : str
        The group, such as a kind of surface.
    verdict : {"above", "below", "undecided"}
        Where the whole interval lies.
    interval : Interval
        Per m², at the decision's level.
    threshold_per_m2 : float
        What it was held against.
    n, more : int or None
        Points counted, and about how many more would settle it; None when settled, or when no sensible number would.
    """

    label: str
    verdict: Verdict
    interval: Interval
    threshold_per_m2: float
    n: int
    more: int | None


def judge(interval: Interval, threshold_per_m2: float) -> Verdict:
    """Return on which side of the threshold the whole interval lies.

    Examples
    --------
    >>> judge(Interval(2, 1, 3), 0.5), judge(Interval(2, 1, 3), 4), judge(Interval(2, 1, 3), 2.5)
    ('above', 'below', 'undecided')
    """
    if interval.low > threshold_per_m2:
        return "above"
    return "below" if interval.high < threshold_per_m2 else "undecided"


def more_points(interval: Interval, threshold_per_m2: float, n: int) -> int | None:
    """Return about how many more points would bring the limit to the threshold if the mean stays as it is.

    Notes
    -----
    The log interval shrinks as 1/sqrt(n). None when the mean is so near the threshold that more than ``MOST_TIMES``
    the points would be needed.

    Examples
    --------
    >>> more_points(Interval(2.0, 1.0, 4.0), 2.0 * 2**0.5, 20)
    60
    """
    if interval.value <= 0:
        return math.ceil(n * max(interval.high / threshold_per_m2 - 1, 0)) or None
    gap = abs(math.log(threshold_per_m2 / interval.value))
    limit = interval.high if threshold_per_m2 > interval.value else interval.low
    reach = abs(math.log(limit / interval.value)) if limit > 0 else math.inf
    times = (reach / gap) ** 2 if gap > 0 else math.inf
    return math.ceil(round(n * (times - 1), 6)) if times - 1 <= MOST_TIMES else None


def decide_groups(catch: Catch, threshold_per_m2: float, *, level: float = 0.90) -> list[Decision]:
    """Return a decision for each kind of surface that has counted points.

    Parameters
    ----------
    catch : Catch
        The visit's bags.
    threshold_per_m2 : float
        Insects per m².
    level : float
        Two-sided confidence: 0.90 leaves 5 % on each side.
    """
    decisions, prior = [], own_prior(catch)
    for label, areas in catch.areas.groupby("kind", sort=False):
        bags = catch.bags[catch.bags["kind"] == label]
        if bags.empty:
            continue
        interval = estimate_mean(bags, areas, level=level, prior=prior).interval
        verdict = judge(interval, threshold_per_m2)
        more = more_points(interval, threshold_per_m2, len(bags)) if verdict == "undecided" else None
        decisions.append(Decision(str(label), verdict, interval, threshold_per_m2, len(bags), more))
    return decisions
