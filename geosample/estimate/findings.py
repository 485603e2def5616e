"""Rows of the layer ``findings``: the border, the stage mix, k and the decisions, each with its interval."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from geosample.estimate.aggregation import (
    FEWEST_FOR_LAWS,
    FEWEST_IN_PAIR,
    fit_common_k,
    fit_iwao,
    fit_k,
    fit_taylor,
    measure_clumping,
)
from geosample.estimate.bags import ALL, group_bags
from geosample.estimate.border import border_ratio, split_sides
from geosample.estimate.intervals import Interval
from geosample.negbin import Bags
from geosample.units import percent, set_percent

if TYPE_CHECKING:
    from collections.abc import Iterable

    from geosample.estimate.bags import Catch
    from geosample.estimate.decision import Decision
    from geosample.estimate.stages import Mix

Row = dict[str, object]


@dataclass(frozen=True, slots=True)
class BorderAnswer:
    """The common border ratio, and each kind's at a level that pays for looking at several.

    Parameters
    ----------
    common : Interval or None
        None when no kind has bags enough on both sides.
    kinds : dict
        Kind -> its ratio.
    kind_level : float
        Confidence of each kind's interval (Bonferroni over the kinds).
    n : int
        Bags on both sides together.
    """

    common: Interval | None
    kinds: dict[str, Interval]
    kind_level: float
    n: int


def ask_border(catch: Catch, *, level: float = 0.95) -> BorderAnswer:
    """Return what the counts say of the border, all kinds together and each by itself."""
    common = border_ratio(catch.bags, level=level)
    kinds = [kind for kind, bags in catch.bags.groupby("kind", sort=False) if split_sides(bags) is not None]
    kind_level = 1 - (1 - level) / max(len(kinds), 1)
    ratios = {str(kind): border_ratio(catch.bags[catch.bags["kind"] == kind], level=kind_level) for kind in kinds}
    sides = split_sides(catch.bags)
    known = {kind: ratio for kind, ratio in ratios.items() if ratio is not None}
    return BorderAnswer(common, known, kind_level, 0 if sides is None else sides.count.size)


def border_rows(answer: BorderAnswer, *, level: float = 0.95) -> list[Row]:
    """Return the border's rows; an end without a limit is missing."""
    if answer.common is None:
        return []
    note = f"border over interior density; {percent(level)} interval; {answer.n} bags"
    rows = [_row("common border ratio", ALL, answer.common, note)]
    note = f"border over interior density; {set_percent(answer.kind_level)} interval, so that all kinds hold together"
    return rows + [_row("border ratio", kind, ratio, note) for kind, ratio in answer.kinds.items()]


def mix_rows(stages: Mix | None, groups: Mix | None) -> list[Row]:
    """Return a row for each stage's and each group's share."""
    rows = []
    for what, mix in (("stage share", stages), ("stage group share", groups)):
        if mix is None:
            continue
        note = f"of {mix.n_found} insects at {mix.n_points} points; {percent(mix.level)} that all intervals hold"
        for name, row in mix.shares.iterrows():
            rows.append(_row(what, str(name), Interval(row["share"], row["low"], row["high"]), note))
    return rows


def clumping_rows(catch: Catch, *, level: float = 0.95) -> list[Row]:
    """Return k and variance to mean: k common to the strata, and each kind's."""
    rows = []
    groups = group_bags(catch.bags, "stratum")
    if groups is not None:
        note = "k of a bag, common to strata with means of their own; weak prior on log k"
        rows.append(_row("k", ALL, fit_common_k(groups, level=level), note))
    for kind, bags in catch.bags.groupby("kind", sort=False):
        columns = (bags[name].to_numpy(dtype=np.float64) for name in ("count", "effort_m2", "weight_m2"))
        data = Bags(*columns)
        k = fit_k(data, level=level)
        if k is None:
            continue
        rows.append(_row("k", str(kind), k, f"k of a bag; {len(bags)} bags"))
        found = measure_clumping(data.count)
        note = f"per bag; {len(bags)} bags; chance of it from a random scatter {found.p_random:.2g}"
        for what, value in (
            ("variance to mean", found.ratio),
            ("Morisita's index", found.morisita),
            ("Lloyd's mean crowding", found.crowding),
            ("Lloyd's patchiness", found.patchiness),
        ):
            rows.append(_row(what, str(kind), Interval(value, np.nan, np.nan), note))
    return [*rows, *law_rows(catch)]


def law_rows(catch: Catch) -> list[Row]:
    """Return Taylor's and Iwao's lines over the strata, where there are enough with enough bags; no row otherwise."""
    groups = catch.bags.groupby("stratum")["count"].agg(["size", "mean", "var"])
    enough = groups[(groups["size"] >= FEWEST_IN_PAIR) & (groups["mean"] > 0)]
    if len(enough) < FEWEST_FOR_LAWS or enough["mean"].nunique() < 2:  # noqa: PLR2004 - a line needs two places
        return []
    mean, variance = (enough[name].to_numpy(dtype=np.float64) for name in ("mean", "var"))
    note = f"over {len(enough)} strata with at least {FEWEST_IN_PAIR} bags"
    rows = []
    for name, law in (("Taylor", fit_taylor(mean, variance)), ("Iwao", fit_iwao(mean, variance))):
        reach = 2 * law.slope_se
        slope = Interval(law.slope, law.slope - reach, law.slope + reach)
        rows.append(_row(f"{name}'s slope", ALL, slope, f"{note}; two standard errors; r² {law.r2:.2f}"))
        rows.append(_row(f"{name}'s intercept", ALL, Interval(law.intercept, np.nan, np.nan), note))
    return rows


def decision_rows(decisions: Iterable[Decision], *, level: float) -> list[Row]:
    """Return a row for each group held against the threshold."""
    rows = []
    for one in decisions:
        more = f"; about {one.more} more points would settle it" if one.more else ""
        row = _row("decision", one.label, one.interval, f"{one.verdict}; {percent(level)} interval{more}")
        rows.append({**row, "threshold_per_m2": one.threshold_per_m2})
    return rows


def answer_rows(sentences: Iterable[str]) -> list[Row]:
    """Return the sentences as rows, numbered in their order."""
    nothing = Interval(np.nan, np.nan, np.nan)
    return [_row("answer", str(place), nothing, text) for place, text in enumerate(sentences, 1)]


def make_findings(visit: str, pest: str, rows: Iterable[Row]) -> pd.DataFrame:
    """Return the rows as a frame of the layer ``findings``."""
    columns = ["what", "domain", "value", "low", "high", "threshold_per_m2", "note"]
    return pd.DataFrame(list(rows), columns=columns).assign(visit=visit, pest=pest)


def _row(what: str, domain: str, interval: Interval, note: str) -> Row:
    value, low, high = (v if np.isfinite(v) else np.nan for v in (interval.value, interval.low, interval.high))
    return {
        "what": what,
        "domain": domain,
        "value": value,
        "low": low,
        "high": high,
        "threshold_per_m2": np.nan,
        "note": note,
    }
