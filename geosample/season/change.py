"""What changed between two visits: a ratio of densities with its interval, and where on the map.

Notes
-----
The points of two visits are others, so both means err by themselves, and the ratio's interval holds both errors: the
two intervals are joined on the log scale as independent ones are (MOVER). Where points were kept, a bag and its
successor err alike; the correlation of the pairs, taken low, is then taken off. Nothing is said of the reason: insects
grow up, die, fly and are treated between two visits.

References
----------
Donner & Zou 2012, Statistical Methods in Medical Research 21:347-359: closed-form intervals for functions of
parameters from each one's own interval (MOVER), with correlation (from memory, unverified).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from geosample.counts import tally
from geosample.distributions import Bags
from geosample.estimate.intervals import Interval, mean_interval

if TYPE_CHECKING:
    from collections.abc import Iterator

    import geopandas as gpd

    from geosample.counts import Counts
    from geosample.density import DensityMap
    from geosample.design import Design
    from geosample.estimate import Estimates
    from geosample.treat import Zones

LEVEL = 0.95
FEWEST_PAIRS = 10
"""Kept points below which their likeness is not used (own choice)."""
FEWEST_BAGS = 3
SAME_GROUND = 0.05
"""Areas that differ by more than this share are not the same ground (own choice)."""
SURE = 0.95
"""Chance of having grown, or fallen, from which a cell of the map of change is called so (own choice)."""


@dataclass(frozen=True, slots=True)
class Change:
    """How many times as many a domain held at the later visit.

    Parameters
    ----------
    domain, label : str
        ``all``, ``kind``, ``hole`` or ``zones``, and which.
    ratio : Interval
        Later over earlier, at ``LEVEL``; NaN where neither visit found any, infinite where the first found none.
    before, after : Interval
        The two densities, insects per m².
    bags : tuple of int
        At each visit.
    pairs : int
        Points of the later visit kept from the earlier, in this domain.
    same_ground : bool
        Whether both visits speak of the same ground; else there is no ratio.
    """

    domain: str
    label: str
    ratio: Interval
    before: Interval
    after: Interval
    bags: tuple[int, int]
    pairs: int = 0
    same_ground: bool = True

    @property
    def verdict(self) -> str:
        """``grew``, ``fell``, or ``unclear`` where the interval holds 1 or there is none."""
        if not self.same_ground or math.isnan(self.ratio.low) or self.ratio.low <= 1 <= self.ratio.high:
            return "unclear"
        return "grew" if self.ratio.low > 1 else "fell"

    def summary(self) -> dict[str, Any]:
        """Return the facts in JSON's own types."""
        ends = {"ratio": self.ratio.value, "low": self.ratio.low, "high": self.ratio.high}
        told = {name: value if math.isfinite(value) else None for name, value in ends.items()}
        before, after = self.before.value, self.after.value
        return {
            "domain": self.domain,
            "label": self.label,
            **told,
            "level": LEVEL,
            "verdict": self.verdict,
            "before_per_m2": before,
            "after_per_m2": after,
            "bags": list(self.bags),
            "pairs": self.pairs,
            "same_ground": self.same_ground,
        }


def divide(after: Interval, before: Interval, correlation: float = 0.0) -> Interval:
    """Return the ratio of two means with its interval, from each one's own (MOVER on the log scale).

    Parameters
    ----------
    after, before : Interval
        Of one level.
    correlation : float
        Of the two means' errors.

    Examples
    --------
    >>> ratio = divide(Interval(20.0, 10.0, 40.0), Interval(10.0, 5.0, 20.0))
    >>> [round(end, 2) for end in (ratio.value, ratio.low, ratio.high)]
    [2.0, 0.75, 5.33]
    """
    if after.value <= 0 and before.value <= 0:
        return Interval(math.nan, math.nan, math.nan)
    if after.value <= 0:
        return Interval(0.0, 0.0, after.high / before.low if before.low > 0 else math.inf)
    if before.value <= 0:
        return Interval(math.inf, after.low / before.high, math.inf)
    after_down, before_down = (_log(one.value / one.low) if one.low > 0 else math.inf for one in (after, before))
    after_up, before_up = _log(after.high / after.value), _log(before.high / before.value)
    value = after.value / before.value

    def joined(one: float, other: float) -> float:
        if math.isinf(one) or math.isinf(other):
            return math.inf
        return math.sqrt(max(one**2 + other**2 - 2 * correlation * one * other, 0.0))

    low, high = joined(after_down, before_up), joined(after_up, before_down)
    return Interval(value, 0.0 if math.isinf(low) else value * math.exp(-low), value * _exp(high))


def _log(ratio: float) -> float:
    return math.log(ratio) if 0 < ratio < math.inf else math.inf


def _exp(value: float) -> float:
    return math.inf if value > 700 else math.exp(value)  # noqa: PLR2004 - the largest a float holds


def compare_means(
    before: Estimates,
    after: Estimates,
    pairs: pd.DataFrame | None = None,
    *,
    domains: tuple[str, ...] = ("all", "kind", "hole"),
) -> list[Change]:
    """Return the change of the whole ground and of each kind and hole that both visits' estimates have.

    Parameters
    ----------
    before, after : Estimates
        Of two visits and one pest, at 95 %.
    pairs : DataFrame, optional
        Kept points, from ``pair_bags``.
    domains : tuple of str
        Which.
    """
    kept = _correlate(pairs)
    tables = [
        one.estimates[(one.estimates["stage"] == "all") & one.estimates["domain"].isin(domains)].set_index(
            ["domain", "label"]
        )
        for one in (before, after)
    ]
    changes = []
    for key in tables[0].index:
        if key not in tables[1].index:
            continue
        first, second = (table.loc[key] for table in tables)
        domain, label = key
        same = abs(second["area_m2"] / first["area_m2"] - 1) <= SAME_GROUND
        ends = [Interval(*(float(row[f"{n}_per_m2"]) for n in ("mean", "low", "high"))) for row in (first, second)]
        bags = (int(first["n"]), int(second["n"]))
        there = 0 if pairs is None else int((pairs[domain] == label).sum() if domain != "all" else len(pairs))
        if not same or any(math.isnan(one.value) for one in ends):
            nothing = Interval(math.nan, math.nan, math.nan)
            changes.append(Change(domain, label, nothing, ends[0], ends[1], bags, there, same_ground=bool(same)))
            continue
        correlation = kept * there / math.sqrt(bags[0] * bags[1]) if min(bags) else 0.0
        changes.append(Change(domain, label, divide(ends[1], ends[0], correlation), ends[0], ends[1], bags, there))
    return changes


def pair_bags(before: tuple[Counts, Design], after: tuple[Counts, Design], pest: str) -> pd.DataFrame:
    """Return the counted points of the later visit that were kept from the earlier one, each with both densities.

    Returns
    -------
    DataFrame
        kind, hole, stratum, before, after (insects per m²); none where the later visit kept no points of it.
    """
    names = ["kind", "hole", "stratum", "before", "after"]
    design = after[1]
    if design.visit.settings.get("kept_from_visit") != before[1].visit.visit:
        return pd.DataFrame(columns=names)
    found = [
        (rows["count"] / rows["sampled_m2"]).groupby(rows["point_id"]).mean()
        for rows in (tally(counts, pest) for counts, _ in (before, after))
    ]
    kept = design.points[design.points["kept_from"].notna()]
    kept = kept.assign(before=kept["kept_from"].map(found[0]), after=kept["point_id"].map(found[1]))
    return pd.DataFrame(kept[names]).dropna(subset=["before", "after"]).reset_index(drop=True)


def _correlate(pairs: pd.DataFrame | None) -> float:
    """Return how alike kept points err, within their strata: the lower end of a one-sided 80 % interval, not below 0.

    The ends of an interval of a correlation are normal in its inverse hyperbolic tangent (Fisher 1921, from memory).
    """
    if pairs is None or len(pairs) < FEWEST_PAIRS:
        return 0.0
    left = [pairs[name] - pairs[name].groupby(pairs["stratum"]).transform("mean") for name in ("before", "after")]
    if min(one.std() for one in left) <= 0:
        return 0.0
    found = float(np.clip(np.corrcoef(left[0], left[1])[0, 1], -0.99, 0.99))
    free = len(pairs) - pairs["stratum"].nunique()
    return max(0.0, math.tanh(math.atanh(found) - 0.84 / math.sqrt(free - 2))) if free > 2 else 0.0  # noqa: PLR2004


def compare_zones(before: gpd.GeoDataFrame, after: gpd.GeoDataFrame, zones: Zones) -> Iterator[Change]:
    """Yield the change in a plan's zones: all that were treated together, then each with bags enough at both visits.

    Parameters
    ----------
    before, after : GeoDataFrame
        Counted samples with ``count``, as ``tally`` gives them.
    zones : Zones
        The plan, with those zones that were treated.
    """
    treated = zones.of("treat")
    parts = [("treated zones", treated.union_all())]
    parts += list(zip(treated["zone_id"], treated.geometry, strict=True))
    for name, shape in parts:
        inside = [frame[shapely.intersects(frame.geometry.to_numpy(), shape)] for frame in (before, after)]
        bags = (len(inside[0]), len(inside[1]))
        if min(bags) >= FEWEST_BAGS:
            ends = [_mean_in(frame) for frame in inside]
            yield Change("zones", str(name), divide(ends[1], ends[0]), ends[0], ends[1], bags)


def _mean_in(frame: gpd.GeoDataFrame) -> Interval:
    count, area = (frame[name].to_numpy(float) for name in ("count", "sampled_m2"))
    weight = frame["weight_m2"].fillna(frame["weight_m2"].mean()).fillna(1.0).to_numpy(float)
    return mean_interval(Bags(count, area, weight * weight.sum() / (weight**2).sum()), level=LEVEL)


def map_change(before: DensityMap, after: DensityMap) -> pd.DataFrame | None:
    """Return where the density grew and fell, cell by cell; None where either visit has no map.

    Parameters
    ----------
    before, after : DensityMap
        Two visits' maps of one pest, each by its own bags alone (``cells_alone``).

    Returns
    -------
    DataFrame
        easting, northing, side_m (of the coarser map's cells), log_ratio, log_sd (of the natural log of later over
        earlier), chance (of having grown), known (both, before, after, neither), likely (grew, fell, unclear, as the
        two maps have it), and verdict: that, or one_visit and unknown for ground that one visit or neither knows.

    Notes
    -----
    Given their counts the two log densities are normal, each fitted to its own visit, so that they err apart: their
    difference is normal with the sum of the variances. That would not hold of a map that took the earlier visit's bags
    in: where it believes in one pattern, it would say that nothing changed in place.
    """
    if before.fitted.get("no_map") or after.fitted.get("no_map"):
        return None
    side = max(before.cell_m, after.cell_m)
    frames = []
    for one in (before, after):
        cells = one.cells
        at = {
            "surface_id": cells["surface_id"],
            "column": np.floor(cells["easting"] / side).astype(int),
            "row": np.floor(cells["northing"] / side).astype(int),
        }
        keys = list(at)
        part = cells.assign(**at)
        frames.append(part.sort_values("area_m2", ascending=False, kind="stable").drop_duplicates(keys).set_index(keys))
    both = frames[0].add_suffix("_b").join(frames[1].add_suffix("_a"), how="inner")
    log_ratio = (both["log_mean_a"] - both["log_mean_b"]).to_numpy(float)
    log_sd = np.hypot(both["log_sd_a"].to_numpy(float), both["log_sd_b"].to_numpy(float))
    from scipy.special import ndtr

    chance = np.asarray(ndtr(log_ratio / log_sd))
    known_b, known_a = both["known_b"].to_numpy(bool), both["known_a"].to_numpy(bool)
    known = np.select([known_b & known_a, known_b, known_a], ["both", "before", "after"], "neither")
    likely = np.select([chance >= SURE, chance <= 1 - SURE], ["grew", "fell"], "unclear")
    verdict = np.select([known == "neither", known != "both"], ["unknown", "one_visit"], likely)
    table = {
        "easting": both["easting_b"].to_numpy(float),
        "northing": both["northing_b"].to_numpy(float),
        "area_m2": both["area_m2_b"].to_numpy(float),
        "log_ratio": log_ratio,
        "log_sd": log_sd,
        "chance": chance,
        "known": known,
        "likely": likely,
        "verdict": verdict,
    }
    return pd.DataFrame(table).assign(side_m=side).reset_index(drop=True)
