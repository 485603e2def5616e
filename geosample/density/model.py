"""DensityMap: the type this room makes, and its place in the survey file."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from geosample.density.settings import Settings
from geosample.errors import Problem, SurveyError
from geosample.report.design import SIMULATED

if TYPE_CHECKING:
    import pandas as pd

    from geosample.survey import Survey


@dataclass(frozen=True, slots=True)
class DensityMap:
    """Where the insects are, cell by cell, and how sure that is.

    Parameters
    ----------
    visit, pest : str
        Whose counts.
    cell_m : float
        Side of a cell, m; the cell's west and south edges lie at ``column * cell_m`` and ``row * cell_m``.
    cells : DataFrame
        One row a piece of cell on one surface, columns of the layer ``cells``: log_mean and log_sd describe the
        natural log of the density per m² (normal), as probabilities are worked out from it; expected, low and high
        are densities per m², low to high a little wider than log_sd alone says; known is true where the counts say
        enough of the density (``decide_at``: of a threshold); nearest_m is the distance to the nearest plug, m, none
        where there is no map.
    settings : dict
        The model as asked for: covariates, priors, level, plain JSON types.
    fitted : dict
        What was fitted, and how good the map is; plain JSON types.
    findings : DataFrame
        Rows for the layer ``findings``, such as the map's worth.
    """

    visit: str
    pest: str
    cell_m: float
    cells: pd.DataFrame
    settings: dict[str, Any]
    fitted: dict[str, Any]
    findings: pd.DataFrame

    @property
    def simulated(self) -> str:
        """The sentence that goes wherever invented counts are shown; empty for real ones."""
        return SIMULATED if self.settings.get("simulated") else ""

    @property
    def level(self) -> float:
        """The probability with which low to high holds a density."""
        return float(self.settings.get("level", Settings().level))


SETTLED = 0.02
"""A chance this small, or this near to 1, settles a threshold within reach of a plug (own choice).

Of ground settled as low though its density is not known, 1 to 8 % was above the threshold in 120 simulated surveys of
60 bags (foretold: 0.8 to 1.4 %; ``tests/benchmarks/map_settled.md``): tails are the least sure part of a map. Still far
from a cut-off of 25 %.
"""

OWN_FINDINGS = (
    "map worth",
    "border effect",
    "map k",
    "range",
    "spread",
    "known share",
    "map score",
    "map coverage",
    "map calibration",
    "hotspot",
    "clusters",
    "no map",
)


def exceedance(density_map: DensityMap, threshold_per_m2: float) -> np.ndarray:
    """Return the probability that each cell's density is above a threshold, shape (cells,).

    Notes
    -----
    The log density is normal given the counts, so P(density > T) = Phi((log_mean - log T) / log_sd).
    A threshold of 0 is exceeded everywhere.
    """
    return exceed(density_map.cells, threshold_per_m2)


def exceed(cells: pd.DataFrame, threshold_per_m2: float) -> np.ndarray:
    """Return the same from the cells alone, shape (cells,)."""
    from scipy.special import ndtr

    if threshold_per_m2 <= 0:
        return np.ones(len(cells))
    mean, spread = (cells[name].to_numpy(float) for name in ("log_mean", "log_sd"))
    return np.asarray(ndtr((mean - np.log(threshold_per_m2)) / spread))


def is_one_sided(cells: pd.DataFrame, threshold_per_m2: float) -> np.ndarray:
    """Return where the cells' interval lies wholly above or below a threshold, shape (cells,)."""
    low, high = (cells[f"{end}_per_m2"].to_numpy(float) for end in ("low", "high"))
    return np.asarray((low > threshold_per_m2) | (high < threshold_per_m2))


def decide_at(density_map: DensityMap, threshold_per_m2: float) -> DensityMap:
    """Return the map with ``known`` true also where the counts settle a threshold, though not the density itself.

    Notes
    -----
    Where plugs hold next to nothing the logarithm of the density stays loose, however many there are, while nobody
    doubts that it is low. So ground within reach of a plug is known enough to decide at a threshold where the chance
    of being above it is at most ``SETTLED``, or at least 1 less that. Ground beyond reach, and a survey with too few
    insects for a map (its cells have no ``nearest_m``), is settled by no chance.
    """
    cells = density_map.cells
    reach_m = float(density_map.settings.get("reach_m", Settings().reach_m))
    doubt = np.minimum(chance := exceed(cells, threshold_per_m2), 1 - chance)
    settled = (doubt <= SETTLED) & (cells["nearest_m"].to_numpy(float) <= reach_m)
    return replace(density_map, cells=cells.assign(known=cells["known"].to_numpy(bool) | settled))


def save_density(survey: Survey, density_map: DensityMap) -> None:
    """Put the map, its model and this room's findings into the survey file, in place of the visit's old ones."""
    import pandas as pd

    of_visit = {"visit": density_map.visit, "pest": density_map.pest}
    settings = json.dumps({**density_map.settings, "cell_m": density_map.cell_m}, sort_keys=True)
    model = pd.DataFrame([{**of_visit, "settings": settings, "fitted": json.dumps(density_map.fitted)}])
    with survey.change() as change:
        change.put("cells", density_map.cells.assign(**of_visit), where=of_visit)
        change.put("models", model, where=of_visit)
        change.put("findings", density_map.findings, where={**of_visit, "what": OWN_FINDINGS})


def load_newest_density(survey: Survey) -> DensityMap:
    """Return the map of the latest visit that has one.

    Raises
    ------
    SurveyError
        When 'geosample density' has not been run.
    """
    return load_density(survey, survey.newest_among(survey.need("models")["visit"]))


def load_last_density(survey: Survey, visit: str) -> DensityMap | None:
    """Return the density map of the latest visit before this one that has one, or None."""
    last = survey.newest_among(survey.read("models")["visit"], before=visit)
    return None if last is None else load_density(survey, last)


def load_density(survey: Survey, visit: str | None = None) -> DensityMap:
    """Return a visit's density map, the newest visit's when ``visit`` is None.

    Raises
    ------
    SurveyError
        When 'geosample density' has not been run for it, or its model is no longer as it was written.
    """
    name = survey.find_visit(visit)
    model = survey.need("models", visit=name).iloc[0]
    settings = json.loads(model["settings"])
    cells = survey.need("cells", visit=name, pest=model["pest"])
    found = survey.read("findings")
    own = found[(found["visit"] == name) & (found["pest"] == model["pest"]) & found["what"].isin(OWN_FINDINGS)]
    fitted = json.loads(model["fitted"])
    return DensityMap(name, model["pest"], _read_side(survey, settings), cells, settings, fitted, own)


def _read_side(survey: Survey, settings: dict[str, Any]) -> float:
    """Return the side of a cell, m, which the settings must hold: everything on the map lies by it."""
    side = settings.get("cell_m")
    if isinstance(side, int | float) and 0 < side < math.inf:
        return float(side)
    remedy = f"run 'geosample density {survey.path.name} ...' again"
    where, found = f"{survey.path} layer models, settings", f"cell_m {side!r}"
    raise SurveyError(Problem(where, found, "the side of a cell, m", remedy))
