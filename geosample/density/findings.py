"""What the density model found, as rows for the layer ``findings``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.stats import norm

from geosample.density.covariates import Covariates
from geosample.density.field import FittedField
from geosample.density.settings import Settings
from geosample.density.worth import Worth
from geosample.units import show_density

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = ("visit", "pest", "what", "domain", "value", "low", "high", "threshold_per_m2", "note")
ALL = "all ground mapped"


def tell_findings(
    whose: dict[str, str], fitted: FittedField, cells: pd.DataFrame, covariates: Covariates, worth: Worth
) -> pd.DataFrame:
    """Return the findings of a map: its worth, what was fitted, and how much of the ground is known."""
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
            f"{settings.known_ratio:g}; the rest is not known, not clean",
        ),
    ]
    return _frame(whose, rows)


def tell_no_map(whose: dict[str, str], insects: int, samples: int, high: float, settings: Settings) -> pd.DataFrame:
    """Return the one finding of a survey with too few insects for a map."""
    note = (
        f"No map: {insects} insects in {samples} samples is fewer than {settings.fewest_insects}. All that can be "
        f"said is that the mean density is below {show_density(high)} ({show_density(high, 'metric')}) with "
        f"{0.5 + settings.level / 2:.0%} confidence; no place is shown as clean."
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
    half = float(norm.ppf(0.5 + settings.level / 2)) * spread * settings.widen
    low, high = float(np.exp(mean - half)), float(np.exp(mean + half))
    clear = "higher" if low > 1 else "lower" if high < 1 else ""
    answer = f"the density is {clear} along the edge" if clear else "the counts do not settle whether the edge differs"
    note = (
        f"Density at the outer edge over that far inside, other things equal: {answer} (shrunk towards 1; "
        f"falls off over {settings.edge_scale_m:g} m; {settings.level:.0%} interval)."
    )
    return _row("border effect", float(np.exp(mean)), note, low=low, high=high)


def _row(what: str, value: float, note: str, *, low: float = np.nan, high: float = np.nan) -> dict[str, Any]:
    return {"what": what, "domain": ALL, "value": value, "low": low, "high": high, "note": note}


def _frame(whose: dict[str, str], rows: list[dict[str, Any]]) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame([{"threshold_per_m2": np.nan, **whose, **row} for row in rows])[list(COLUMNS)]
