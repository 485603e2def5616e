"""Covariates of the density: what is measured at samples and cells, and how strongly each is shrunk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geosample.density.settings import COVARIATES, Settings
from geosample.errors import DensityError, Problem
from geosample.ground import edge_lines, measure_edge

if TYPE_CHECKING:
    from geosample.density.model import DensityMap
    from geosample.ground import Ground


@dataclass(frozen=True, slots=True)
class Covariates:
    """The columns of the model's basis and the ground they are measured on.

    Parameters
    ----------
    names : tuple of str
        ``level`` first, then edge, ``kind: green`` and so on, trees, last.
    spreads : ndarray
        Prior spread of each effect on the log density.
    settings : Settings
        The scales.
    lines, trees : Geometry
        What edge and tree distances are measured to.
    last : DensityMap or None
        The last visit's map.
    """

    names: tuple[str, ...]
    spreads: np.ndarray
    settings: Settings
    lines: Any
    trees: Any = None
    last: DensityMap | None = None

    def basis(self, places: np.ndarray, kinds: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the basis (m, p), each column times its prior spread, and the edge distances (m,) in m."""
        edge_m = measure_edge(self.lines, places[:, 0], places[:, 1])
        columns = [self._column(name, places, kinds, edge_m) for name in self.names]
        return np.column_stack(columns) * self.spreads, edge_m

    def _column(self, name: str, places: np.ndarray, kinds: np.ndarray, edge_m: np.ndarray) -> np.ndarray:
        if name == "level":
            return np.ones(len(places))
        if name == "edge":
            return np.asarray(np.exp(-edge_m / self.settings.edge_scale_m))
        if name.startswith("kind: "):
            return np.asarray(kinds == name.removeprefix("kind: "), dtype=float)
        if name == "trees":
            far_m = measure_edge(self.trees, places[:, 0], places[:, 1])
            return np.asarray(np.exp(-far_m / self.settings.trees_scale_m))
        return _last_log_density(self.last, places)


def _last_log_density(last: DensityMap | None, places: np.ndarray) -> np.ndarray:
    """Return the last map's log density at the nearest cell, around its own mean."""
    from scipy.spatial import KDTree

    if last is None:
        return np.zeros(len(places))
    cells = last.cells
    _, nearest = KDTree(cells[["easting", "northing"]].to_numpy(float)).query(places)
    log_mean = cells["log_mean"].to_numpy(float)
    return np.asarray(log_mean[nearest] - np.average(log_mean, weights=cells["area_m2"].to_numpy(float)))


def choose_covariates(
    ground: Ground, kinds: np.ndarray, settings: Settings, *, last: DensityMap | None = None
) -> Covariates:
    """Return the covariates asked for that the counts can speak to.

    Parameters
    ----------
    ground : Ground
        Surfaces and obstacles.
    kinds : ndarray of str
        Kind of surface of every sample; with one kind only there is nothing to compare.
    settings : Settings
        Which covariates, and their prior spreads.
    last : DensityMap, optional
        The last visit's map, for the covariate ``last``.

    Raises
    ------
    DensityError
        When a covariate is unknown, or asked for on ground that has nothing to measure it from.
    """
    trees = ground.obstacles[ground.obstacles["kind"] == "trees"]
    _check(settings, has_trees=len(trees) > 0, has_last=last is not None)
    found = dict(_spreads(kinds, settings))
    lines = edge_lines(ground.surfaces)
    shape = shapely.union_all(trees.geometry.to_numpy()) if len(trees) else None
    return Covariates(tuple(found), np.array(list(found.values())), settings, lines, shape, last)


def _spreads(kinds: np.ndarray, settings: Settings) -> list[tuple[str, float]]:
    wanted = settings.covariates
    several = sorted(set(kinds)) if "kind" in wanted and len(set(kinds)) > 1 else []
    return [
        ("level", settings.level_sd),
        *([("edge", settings.edge_sd)] if "edge" in wanted else []),
        *((f"kind: {kind}", settings.kind_sd) for kind in several),
        *([("trees", settings.trees_sd)] if "trees" in wanted else []),
        *([("last", settings.last_sd)] if "last" in wanted else []),
    ]


def _check(settings: Settings, *, has_trees: bool, has_last: bool) -> None:
    allowed = ", ".join(COVARIATES)
    problems = [
        Problem("--covariates", repr(name), f"any of: {allowed}, or none alone", "name one of them")
        for name in settings.covariates
        if name not in COVARIATES
    ]
    if "trees" in settings.covariates and not has_trees:
        remedy = "read tree lines in with 'geosample ground', or leave trees out"
        problems.append(Problem("--covariates", "trees, but the ground has none", "obstacles of kind trees", remedy))
    if "last" in settings.covariates and not has_last:
        remedy = "run 'geosample density' for the earlier visit first, or leave last out"
        problems.append(
            Problem("--covariates", "last, but no earlier map", "a density map of an earlier visit", remedy)
        )
    if problems:
        raise DensityError(problems)
