"""Invented insects with a stated model: the truth at any place, what plugs pulled there would hold, and a sheet of it.

The density at a place is ``mean × kind factor × border factor × exp(field)``; a bag's count is negative binomial
around density × turf taken; stages are shared out at random. Every page that shows such counts must say so.

References
----------
Rahimi & Recht 2007, Random features for large-scale kernel machines: a Gaussian field as a sum of cosines whose
frequencies follow the covariance's spectrum, so that one draw has a value at every place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from geosample.errors import GeosampleError, Problem
from geosample.files.saving import read_cell, save_file, write_csv
from geosample.ground import edge_lines, measure_edge
from geosample.pests import load_pest

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray
    from shapely import Geometry

    from geosample.design import Design
    from geosample.ground import Ground

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


def draw_truth(ground: Ground, rng: np.random.Generator, model: SimulationModel, *, waves: int = 1500) -> Truth:
    """Return one truth drawn from the model.

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
    return Truth(model, frequencies, rng.uniform(0, 2 * np.pi, waves), edge_lines(ground.surfaces))


def true_density(truth: Truth, easting: ArrayLike, northing: ArrayLike, kinds: ArrayLike) -> NDArray[np.float64]:
    """Return the true density at places, insects per m², shape (n,).

    Parameters
    ----------
    truth : Truth
        From ``draw_truth``.
    easting, northing : array, shape (n,)
        Metres, in the ground's CRS.
    kinds : array of str, shape (n,)
        Kind of surface at each place.
    """
    model = truth.model
    places = np.column_stack([np.asarray(easting, float), np.asarray(northing, float)])
    fields = np.empty(len(places))
    for start in range(0, len(places), 2000):  # a whole course's cells at once would fill the memory
        part = slice(start, start + 2000)
        fields[part] = np.cos(places[part] @ truth.waves.T + truth.phases).sum(axis=1)
    log_field = model.field_sd * np.sqrt(2 / len(truth.phases)) * fields - model.field_sd**2 / 2
    edge = measure_edge(truth.lines, places[:, 0], places[:, 1])
    border = 1 + (model.border_ratio - 1) * np.exp(-edge / model.border_fade_m)
    factors = np.array([model.kind_factors.get(str(kind), 1.0) for kind in np.asarray(kinds, dtype=object)])
    return np.asarray(model.mean_per_m2 * factors * border * np.exp(log_field))


def count_bags(design: Design, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    """Return what a bag from each of the design's points would hold under one truth.

    Returns
    -------
    DataFrame
        A row a point in the design's order: point_id, then a whole number for every stage of the pest's profile.
    """
    points, model = design.points, truth.model
    density = true_density(truth, points.geometry.x, points.geometry.y, points["kind"])
    mean = density * design.visit.point_m2
    totals = rng.negative_binomial(model.k, model.k / (model.k + mean))
    keys = [stage.key for stage in load_pest(design.visit.pest).stages]
    shares = np.array([model.stage_shares.get(key, 0.0) for key in keys])
    staged = rng.multinomial(totals, shares / shares.sum())
    return pd.DataFrame(staged, columns=keys).assign(point_id=points["point_id"].to_numpy())[["point_id", *keys]]


@dataclass(frozen=True, slots=True)
class Fates:
    """What share of the main points comes to grief; each unreachable one has a reserve point pulled for it."""

    lost: float = 0.02
    unreachable: float = 0.03
    not_extracted: float = 0.0
    off_turf: float = 0.0


def fill_sheet(
    blank_csv: Path,
    out_csv: Path,
    design: Design,
    truth: Truth,
    rng: np.random.Generator,
    fates: Fates | None = None,
) -> pd.DataFrame:
    """Write a filled copy of a blank sheet and return it, all cells as text; what nobody filled stays blank.

    Parameters
    ----------
    blank_csv, out_csv : Path
        What ``write_sheets`` made, and where the filled copy goes.
    design : Design
        The visit the sheet was printed for.
    truth : Truth
        Where the invented insects are.
    rng : Generator
        Draws the fates, then the counts.
    fates : Fates, optional
        Shares lost and so on; a few when None.
    """
    blank = pd.read_csv(blank_csv, dtype=str, keep_default_na=False, encoding="utf-8-sig").map(read_cell)
    state = choose_fates(design, rng, fates or Fates())
    stages = [stage.key for stage in load_pest(design.visit.pest).stages]
    found = count_bags(design, truth, rng).set_index("point_id")[stages].astype(str)
    rows = []
    for row in blank.to_dict("records"):
        fate = state.get(row["point_id"], "")
        counts = found.loc[row["point_id"]].to_dict() if fate == "counted" else {}
        rows.append({**row, **counts, **_sign(design, fate)})
    filled = pd.DataFrame(rows, columns=list(blank.columns))
    save_file(out_csv, write_csv(filled))
    return filled


def choose_fates(design: Design, rng: np.random.Generator, fates: Fates) -> dict[str, str]:
    """Return point -> status; a reserve point that nobody needed is left out."""
    points = design.points.sort_values(["walk_order", "point_id"], kind="stable")
    main, spare = points[points["role"] == "main"], points[points["role"] == "reserve"]
    names = ["lost", "unreachable", "not_extracted", "off_turf"]
    shares = [fates.lost, fates.unreachable, fates.not_extracted, fates.off_turf]
    drawn = rng.choice([*names, "counted"], size=len(main), p=[*shares, 1 - sum(shares)])
    state = {str(point): str(fate) for point, fate in zip(main["point_id"], drawn, strict=True)}
    for stratum, needed in main[drawn == "unreachable"].groupby("stratum").size().items():
        pulled = spare.loc[spare["stratum"] == stratum, "point_id"].iloc[:needed]
        state.update(dict.fromkeys(pulled, "counted"))
    return state


def _sign(design: Design, fate: str) -> dict[str, str]:
    if not fate:
        return {}
    signed = {"collector": "crew A", "counted_by": "bench B", "collected_at": design.visit.date, "note": "simulated"}
    return signed if fate == "counted" else {**signed, "status": fate}


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
