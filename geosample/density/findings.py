"""What the density model found, as rows for the layer ``findings``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from geosample.density.covariates import Covariates
from geosample.density.field import FittedField
from geosample.density.model import exceed
from geosample.density.patches import LEVELS, find_hotspots
from geosample.density.settings import Settings
from geosample.density.worth import Worth
from geosample.normal import normal_reach
from geosample.units import percent, show_density, show_length

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = ("visit", "pest", "what", "domain", "value", "low", "high", "threshold_per_m2", "note")
ALL = "all ground mapped"


MOST_PATCHES = 12
"""Hotspots listed at each level, the largest first."""


def tell_findings(
    whose: dict[str, str],
    fitted: FittedField,
    cells: pd.DataFrame,
    covariates: Covariates,
    worth: Worth,
    clusters: dict[str, Any],
) -> pd.DataFrame:
    """Return the findings of a map: its worth, what was fitted, how much of the ground is known, and hotspots."""
    settings, hyper = covariates.settings, fitted.hyper
    area = cells["area_m2"].to_numpy(float)
    share = float(area[cells["known"].to_numpy(bool)].sum() / area.sum())
    rows = [
        _row("map worth", worth.gain, worth.sentence, low=worth.low, high=worth.high),
        *_effects(fitted, covariates),
        _row("map k", hyper.k, "k of the counts around the map; small is clumped"),
        _row("range", hyper.range_m, "m over which the field forgets: correlation 0.05 at this distance"),
        _row("spread", hyper.spread, "standard deviation of the log density from place to place"),
        _row(
            "known share",
            share,
            f"share of the area where posterior over prior variance of the log density is at most "
            f"{settings.known_ratio:g} (the prior spread taken as no less than {settings.least_spread:g}) within "
            f"{settings.reach_m:g} m of a plug; the rest is not known, not clean",
        ),
        *_scores(worth),
        *_hotspots(cells, settings),
        _clusters(clusters),
    ]
    return _frame(whose, rows)


def _scores(worth: Worth) -> list[dict[str, Any]]:
    names = {"map": "the map", "average": "one average", "distance": "tuned inverse-distance weighting"}
    scores = [
        _row(
            "map score",
            worth.log_score[key],
            f"Leave-one-out log score of {name}, nats a sample, lower is better; CRPS {worth.crps[key]:.3f} insects.",
            domain=key,
        )
        for key, name in names.items()
    ]
    holds = [
        _row(
            "map coverage",
            share,
            f"Share of left-out counts inside the {percent(float(level))} interval.",
            domain=level,
        )
        for level, share in worth.holds.items()
    ]
    tenths = ", ".join(f"{percent(share)}" for share in worth.tenths)
    note = (
        f"Share of left-out counts in each tenth of what the map foretold, lowest first (10 % each is right): {tenths}."
    )
    farthest = max(abs(share - 1 / len(worth.tenths)) for share in worth.tenths)
    return [*scores, *holds, _row("map calibration", farthest, note)]


def _hotspots(cells: pd.DataFrame, settings: Settings) -> list[dict[str, Any]]:
    threshold = settings.threshold_per_m2
    if threshold is None:
        return []
    over = exceed(cells, threshold)
    return [
        _row(
            "hotspot",
            patch["area_m2"],
            f"m² where each cell is above {show_density(threshold)} with {percent(level)} probability or more (mean "
            f"{percent(patch['probability'])}); expected {show_density(patch['mean_per_m2'])}; "
            f"{patch['known_m2']:.0f} m² of it known enough; middle at {patch['easting']:.0f} E "
            f"{patch['northing']:.0f} N.",
            domain=f"{level:.0%}: {patch['surface_ids']}",
            threshold_per_m2=threshold,
        )
        for level in LEVELS
        for patch in find_hotspots(cells, over, level).head(MOST_PATCHES).to_dict("records")
    ]


def _both(length_m: float) -> str:
    """Return a length in both systems: a finding is kept for readers of either."""
    return f"{show_length(length_m)} ({show_length(length_m, 'metric')})"


def _clusters(clusters: dict[str, Any]) -> dict[str, Any]:
    high, share = clusters["high"], clusters["false_share"]
    named = f": {', '.join(high)}" if high else ""
    near = _both(clusters["band_m"])
    note = (
        f"{len(high)} samples have more high counts around them than chance gives{named}. {clusters['warning']} "
        f"(Getis-Ord Gi*, neighbours within {near}, permutation test at a false discovery rate of {percent(share)}.)"
    )
    return _row("clusters", float(len(high)), note)


def tell_no_map(whose: dict[str, str], insects: int, samples: int, high: float, settings: Settings) -> pd.DataFrame:
    """Return the one finding of a survey with too few insects for a map."""
    note = (
        f"No map: {insects} insects in {samples} samples is fewer than {settings.fewest_insects}. All that can be "
        f"said is that the mean density is below {show_density(high)} ({show_density(high, 'metric')}) with "
        f"{percent(0.5 + settings.level / 2)} confidence; no place is shown as clean."
    )
    return _frame(whose, [_row("no map", float(insects), note, high=high)])


def effect(fitted: FittedField, column: int, spread: float) -> tuple[float, float]:
    """Return posterior mean and standard deviation of one covariate's effect on the log density."""
    basis = fitted.sites.basis
    mean = float(basis[:, column] @ fitted.pull)
    variance = 1 - float(basis[:, column] @ fitted.precision @ basis[:, column])
    return mean * spread, float(np.sqrt(max(variance, 0.0))) * spread


def _effects(fitted: FittedField, covariates: Covariates) -> list[dict[str, Any]]:
    rows = []
    for column, name in enumerate(covariates.names):
        if name == "edge":
            mean, spread = effect(fitted, column, float(covariates.spreads[column]))
            rows.append(_border(mean, spread, covariates.settings))
    return rows


def _border(mean: float, spread: float, settings: Settings) -> dict[str, Any]:
    half = normal_reach(settings.level) * spread * settings.widen_interval
    low, high = float(np.exp(mean - half)), float(np.exp(mean + half))
    clear = "higher" if low > 1 else "lower" if high < 1 else ""
    answer = f"the density is {clear} along the edge" if clear else "the counts do not settle whether the edge differs"
    note = (
        f"Density at the outer edge over that far inside, other things equal: {answer} (shrunk towards 1; "
        f"falls off over {_both(settings.edge_scale_m)}; {percent(settings.level)} interval)."
    )
    return _row("border effect", float(np.exp(mean)), note, low=low, high=high)


def _row(what: str, value: float, note: str, **more: Any) -> dict[str, Any]:
    return {"domain": ALL, "low": np.nan, "high": np.nan, **more, "what": what, "value": value, "note": note}


def _frame(whose: dict[str, str], rows: list[dict[str, Any]]) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame([{"threshold_per_m2": np.nan, **whose, **row} for row in rows])[list(COLUMNS)]
