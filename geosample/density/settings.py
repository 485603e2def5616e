"""What the density model is asked to do: covariates, priors and what counts as known enough."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from scipy.special import ndtri

COVARIATES = ("edge", "kind", "trees", "last")


@dataclass(frozen=True, slots=True)
class Settings:
    """The density model as asked for; every number is the user's to change.

    Parameters
    ----------
    covariates : tuple of str
        Any of edge (exp(-edge distance / edge_scale_m)), kind (of surface), trees (exp(-distance to the nearest
        trees / trees_scale_m)), last (the log density of the last visit's map).
    edge_scale_m, trees_scale_m : float
        Distance over which a border or tree-line effect falls to 37 %, m (4 m stands in every simulation we made and
        in no field data; 20 m is common practice, no source).
    edge_sd, kind_sd, trees_sd, last_sd : float
        Prior spread of each effect on the log density; smaller shrinks it more (edge and kind: chosen on simulated
        surveys, see ``sample_maps/map_quality.md``; the others own choice).
    level_sd : float
        Prior spread of the overall log density around the log of the pooled mean: 4, a factor of 55, lets the counts
        alone say (own choice).
    spread_tail : float
        P(spread of the field > spread_tail) = 0.05 (own choice: loose on purpose).
    range_tail_m : float
        P(practical range < range_tail_m) = 0.05; 8 m is below the 10-60 m usual of patches (from memory, unverified).
    recovery : mapping of str to float
        Share of the insects a method finds, by method; 1 where it is not named.
    recovery_sd : float
        How unsure the log of those shares is; it widens every density alike.
    level : float
        Probability the intervals are to hold, between 0 and 1.
    widen : float
        Factor on the posterior spread of the log density for probabilities and for means of areas, since spread and
        range are not known: the decisions it leads to are cheapest, and intervals of areas hold (simulated surveys).
    widen_interval : float
        The same for a single cell's interval, which needs more to hold the truth as often as it says (simulated). So
        a cell's upper limit may lie above a threshold that its chance of being above is under one tail's.
    known_ratio : float
        A cell is known enough where posterior over prior variance of the log density is at most this (own choice).
    least_spread : float
        The spread of the log density before the counts is taken as no less than this when asking what is known: 0.5
        is a factor of 1.6 (common practice, no source).
    reach_m : float
        Ground farther than this from every plug is never known, m: 60 m is the longest range of patches reckoned with
        (common practice, no source).
    fewest_insects : int
        With fewer in all there is no map, only the bound (own choice).
    threshold_per_m2 : float or None
        Density the hotspots are above; None for no hotspots.

    Notes
    -----
    Spread and range have the penalised-complexity priors of Fuglstad, Simpson, Lindgren & Rue 2019 in two dimensions;
    the log of k has a standard normal prior.
    """

    covariates: tuple[str, ...] = ("edge", "kind")
    edge_scale_m: float = 4.0
    trees_scale_m: float = 20.0
    edge_sd: float = 1.5
    kind_sd: float = 0.5
    trees_sd: float = 1.0
    last_sd: float = 1.0
    level_sd: float = 4.0
    spread_tail: float = 4.0
    range_tail_m: float = 8.0
    recovery: Mapping[str, float] = field(default_factory=dict)
    recovery_sd: float = 0.0
    level: float = 0.90
    widen: float = 1.1
    widen_interval: float = 1.35
    known_ratio: float = 0.5
    least_spread: float = 0.5
    reach_m: float = 60.0
    fewest_insects: int = 5
    threshold_per_m2: float | None = None

    def show_spread(self, spread: np.ndarray, factor: float) -> np.ndarray:
        """Return the spread of the log density as it is shown: widened, with the doubt about recovery.

        Examples
        --------
        >>> Settings(recovery_sd=0.3).show_spread(np.array([0.4]), 1.0).round(9).tolist()
        [0.5]
        """
        return np.asarray(np.sqrt((factor * spread) ** 2 + self.recovery_sd**2))

    def show_density(self, log_mean: np.ndarray, spread: np.ndarray) -> dict[str, np.ndarray]:
        """Return the density as it is shown: log_mean, log_sd, expected_per_m2, low_per_m2, high_per_m2, shape (n,).

        Parameters
        ----------
        log_mean, spread : ndarray, shape (n,)
            Of the log density per m².
        """
        half = float(ndtri(0.5 + self.level / 2)) * self.show_spread(spread, self.widen_interval)
        return {
            "log_mean": log_mean,
            "log_sd": self.show_spread(spread, self.widen),
            "expected_per_m2": np.exp(log_mean + spread**2 / 2),
            "low_per_m2": np.exp(log_mean - half),
            "high_per_m2": np.exp(log_mean + half),
        }

    def as_dict(self) -> dict[str, Any]:
        """Return the settings in plain JSON types.

        Examples
        --------
        >>> Settings().as_dict()["covariates"]
        ['edge', 'kind']
        """
        return {**asdict(self), "covariates": list(self.covariates), "recovery": dict(self.recovery)}

    @classmethod
    def from_dict(cls, kept: Mapping[str, Any]) -> Settings:
        """Return the settings from what ``as_dict`` gave, other keys being left aside.

        Examples
        --------
        >>> Settings.from_dict({**Settings(level=0.8).as_dict(), "cell_m": 1.0}).level
        0.8
        """
        known = {name: value for name, value in kept.items() if name in cls.__dataclass_fields__}
        return cls(**{**known, "covariates": tuple(known.get("covariates", ()))})
