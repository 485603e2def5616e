"""Invented insects with a stated model: the truth at any place, and what plugs pulled there would hold.

The density at a place is ``mean × kind factor × border factor × exp(field)``; a bag's count is negative binomial
around density × turf taken; stages are shared out at random. Every page that shows such counts must say so.

References
----------
Rahimi & Recht 2007, Random features for large-scale kernel machines: a Gaussian field as a sum of cosines whose
frequencies follow the covariance's spectrum, so that one draw has a value at every place.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geosample.errors import GeosampleError, Problem
from geosample.ground import edge_lines, measure_edge
from geosample.pests import load_pest
from geosample.survey.findings import What, read_findings

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray
    from shapely import Geometry

    from geosample.design import Design
    from geosample.ground import Ground
    from geosample.survey import Survey

# Invented proportions of a spring brood around its third instar; no survey behind them.
STAGE_SHARES = {
    "L1": 0.06,
    "L2": 0.14,
    "L3": 0.30,
    "L4": 0.24,
    "L5": 0.14,
    "pupa": 0.07,
    "teneral": 0.02,
    "adult": 0.03,
}


@dataclass(frozen=True, slots=True)
class SimulationModel:
    """The stated model behind invented counts; every number is invented, none is a finding.

    Parameters
    ----------
    mean_per_m2 : float
        Density far from the edge where the field is at its mean, insects per m² (215 is 20 per ft²).
    border_ratio, border_fade_m : float
        Density at the outer edge over that far inside, and the distance over which it fades, m; 1 is no border effect.
    field_sd, field_range_m : float
        Standard deviation of the log density, and the distance, m, at which its correlation has fallen to 0.05.
    k : float
        Negative binomial k of one bag.
    kind_factors : mapping
        Kind of surface -> factor on the density; 1 for a kind left out.
    stage_shares : mapping
        Stage key -> its share; the profile's other stages are looked for and not there.
    """

    mean_per_m2: float = 215.0
    border_ratio: float = 3.0
    border_fade_m: float = 4.0
    field_sd: float = 0.8
    field_range_m: float = 30.0
    k: float = 1.5
    kind_factors: Mapping[str, float] = field(default_factory=dict)
    stage_shares: Mapping[str, float] = field(default_factory=lambda: dict(STAGE_SHARES))

    def border(self, edge_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the factor on the density so far from the outer edge, of the same shape."""
        return np.asarray(1 + (self.border_ratio - 1) * np.exp(-edge_m / self.border_fade_m))


@dataclass(frozen=True, slots=True)
class Truth:
    """One drawn field: the true density at any place.

    Parameters
    ----------
    model : SimulationModel
        What it was drawn from.
    waves : ndarray, shape (n, 2)
        Angular frequencies, radians per m (east, north).
    phases : ndarray, shape (n,)
        Radians.
    lines : Geometry
        The outer edge the border effect fades from.
    """

    model: SimulationModel
    waves: NDArray[np.float64]
    phases: NDArray[np.float64]
    lines: Geometry


def draw_truth(
    ground: Ground,
    rng: np.random.Generator,
    model: SimulationModel,
    *,
    waves: int = 1500,
    lines: Geometry | None = None,
) -> Truth:
    """Return one truth drawn from the model.

    Parameters
    ----------
    ground : Ground
        Whose edges the border effect fades from.
    rng : Generator
        Of the field.
    model : SimulationModel
        What it is drawn from.
    waves : int
        Cosines the field is the sum of.
    lines : Geometry, optional
        The ground's edge lines, where they are at hand already.

    Notes
    -----
    The correlation is exp(-3 d / range); in two dimensions its spectrum is a bivariate Student t with 1 degree of
    freedom, drawn as a normal over the square root of a chi-square.

    Raises
    ------
    GeosampleError
        When a number of the model is out of its range.
    """
    _check_model(model)
    scale = np.sqrt(rng.chisquare(1, waves))[:, None] * model.field_range_m / 3
    frequencies = rng.standard_normal((waves, 2)) / scale
    return Truth(model, frequencies, rng.uniform(0, 2 * np.pi, waves), lines or edge_lines(ground.surfaces))


def true_density(
    truth: Truth, easting: ArrayLike, northing: ArrayLike, kinds: ArrayLike, edge_m: ArrayLike | None = None
) -> NDArray[np.float64]:
    """Return the true density at places, insects per m², shape (n,).

    Parameters
    ----------
    truth : Truth
        From ``draw_truth``.
    easting, northing : array, shape (n,)
        Metres, in the ground's CRS.
    kinds : array of str, shape (n,)
        Kind of surface at each place.
    edge_m : array, shape (n,), optional
        How far each place lies from the outer edge, m; measured when None.
    """
    model = truth.model
    places = np.column_stack([np.asarray(easting, float), np.asarray(northing, float)])
    fields = np.empty(len(places))
    for start in range(0, len(places), 2000):  # a whole course's cells at once would fill the memory
        part = slice(start, start + 2000)
        fields[part] = np.cos(places[part] @ truth.waves.T + truth.phases).sum(axis=1)
    log_field = model.field_sd * np.sqrt(2 / len(truth.phases)) * fields - model.field_sd**2 / 2
    edge = measure_edge(truth.lines, places[:, 0], places[:, 1]) if edge_m is None else np.asarray(edge_m, float)
    border = model.border(edge)
    factors = np.array([model.kind_factors.get(str(kind), 1.0) for kind in np.asarray(kinds, dtype=object)])
    return np.asarray(model.mean_per_m2 * factors * border * np.exp(log_field))


def draw_totals(mean: NDArray[np.float64], k: float, rng: np.random.Generator) -> NDArray[np.int64]:
    """Return negative binomial counts of bags around their means, of the same shape."""
    return rng.negative_binomial(k, k / (k + mean))


def count_bags(design: Design, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    """Return what a bag from each of the design's points would hold under one truth.

    Returns
    -------
    DataFrame
        A row a point in the design's order: point_id, then a whole number for every stage of the pest's profile.
    """
    points, model = design.points, truth.model
    density = true_density(truth, points.geometry.x, points.geometry.y, points["kind"])
    totals = draw_totals(density * design.visit.point_m2, model.k, rng)
    keys = [stage.key for stage in load_pest(design.visit.pest).stages]
    shares = np.array([model.stage_shares.get(key, 0.0) for key in keys])
    staged = rng.multinomial(totals, shares / shares.sum())
    return pd.DataFrame(staged, columns=keys).assign(point_id=points["point_id"].to_numpy())[["point_id", *keys]]


def _check_model(model: SimulationModel) -> None:
    above_zero = ("mean_per_m2", "border_ratio", "border_fade_m", "field_range_m", "k")
    problems = [
        Problem(f"simulation model, {name}", str(getattr(model, name)), "a number above 0", "give one")
        for name in above_zero
        if not getattr(model, name) > 0
    ]
    if not model.field_sd >= 0:
        problems.append(Problem("simulation model, field_sd", str(model.field_sd), "0 or more", "give one"))
    if not sum(model.stage_shares.values()) > 0:
        problems.append(Problem("simulation model, stage_shares", "no share", "a share above 0", "give one"))
    if problems:
        raise GeosampleError(problems)


@dataclass(frozen=True, slots=True)
class World:
    """What a rehearsal plays.

    Parameters
    ----------
    name : str
        A guess's code, of ``GUESSES``; a visit's name for what it found; ``stated`` for what the user says.
    model : SimulationModel
        Patchiness, border effect and k; ``mean_per_m2`` is the mean over all the ground where no kind has its own.
    kind_means : mapping
        Kind of surface -> mean density, insects per m², that its ground has over many truths.
    """

    name: str
    model: SimulationModel
    kind_means: Mapping[str, float] = field(default_factory=dict)


GUESSES: dict[str, tuple[float, dict[str, Any]]] = {
    "few": (1 / 3, {"border_ratio": 1.0, "field_sd": 0.5, "field_range_m": 30.0, "k": 1.5}),
    "patches": (1.0, {"border_ratio": 1.0, "field_sd": 1.0, "field_range_m": 40.0, "k": 1.0}),
    "edges": (2.0, {"border_ratio": 3.5, "field_sd": 0.5, "field_range_m": 30.0, "k": 1.0}),
}
"""Worlds for ground nobody has sampled: mean density in thresholds, and the model. Own choice: ranges of 10-60 m and
bags' k of 0.5-2 are usual (from memory, unverified); none is published for the annual bluegrass weevil (looked for)."""


def guess_worlds(threshold_per_m2: float) -> tuple[World, ...]:
    """Return three contrasting worlds around a threshold, insects per m²."""
    return tuple(
        World(name, SimulationModel(mean_per_m2=times * threshold_per_m2, **model))
        for name, (times, model) in GUESSES.items()
    )


def state_worlds(worlds: Sequence[World], mean_per_m2: float | None = None, **model: float | None) -> tuple[World, ...]:
    """Return the worlds with what the user states in place of their own.

    Parameters
    ----------
    worlds : sequence of World
        Found or guessed.
    mean_per_m2 : float, optional
        Mean density over all the ground, insects per m²; the kinds then have no means of their own.
    **model : float or None
        Fields of ``SimulationModel``; None for the world's own.
    """
    stated = {name: value for name, value in model.items() if value is not None}
    if mean_per_m2 is not None:
        stated["mean_per_m2"] = mean_per_m2
    return tuple(
        World(
            one.name,
            replace(one.model, **stated),  # type: ignore[arg-type]
            one.kind_means if mean_per_m2 is None else {},
        )
        for one in worlds
    )


def read_world(survey: Survey, pest: str) -> World | None:
    """Return the world the newest mapped visit found: fitted spread, range, k and border effect, and kinds' means.

    Parameters
    ----------
    survey : Survey
        With the visits' findings and estimates.
    pest : str
        The pest's name, as it stands in the survey.

    Returns
    -------
    World or None
        None where no visit has a map of the pest with insects enough for one, or no means by kind.
    """
    fitted = (What.SPREAD, What.RANGE, What.MAP_K, What.BORDER_EFFECT)
    for visit in reversed(survey.order_visits()):
        found = read_findings(survey, visit, pest, *fitted)
        spread, range_m, k, border = (found.first(what) for what in fitted)
        if spread is None or range_m is None or k is None:
            continue
        rows = survey.read("estimates")
        rows = rows[(rows["visit"] == visit) & (rows["pest"] == pest) & (rows["stage"] == "all")]
        means = rows[(rows["domain"] == "kind") & (rows["mean_per_m2"] > 0)].set_index("label")["mean_per_m2"]
        if means.empty:
            continue
        # an edge effect counts for as much as it is believed
        ratio = 1.0 if border is None else 1 + (border.value - 1) * float(border.detail.get("chance", 1.0))
        model = SimulationModel(
            mean_per_m2=float(means.mean()), border_ratio=ratio, field_sd=spread.value, field_range_m=range_m.value,
            k=k.value,
        )  # fmt: skip
        return World(visit, model, {str(kind): float(mean) for kind, mean in means.items()})
    return None
