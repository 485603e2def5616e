"""The targeting curve: how many of the insects each way of choosing ground reaches, for how much of the ground."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.sparse import csr_array

from geosample.treat.draws import LEVEL, build_field, draw_sums
from geosample.units import FOOT_M, percent, show_length

if TYPE_CHECKING:
    from geosample.density import DensityMap
    from geosample.ground import Ground
    from geosample.units import Units

_MOST_WIDTHS = 24
_STEPS_M: dict[str, float] = {"us": 5 * FOOT_M, "metric": 1.0}


def target_curve(
    density_map: DensityMap,
    cells: pd.DataFrame,
    rng: np.random.Generator,
    *,
    units: Units = "us",
    ground: Ground | None = None,
) -> pd.DataFrame:
    """Return the share of insects reached and of ground treated, for border strips, whole surfaces and the zones.

    Parameters
    ----------
    cells : DataFrame
        Cells with area_m2, edge_m, surface_id, expected_per_m2 and ``treated``, the share of each inside the zones.
    units : {'us', 'metric'}
        Strips grow by 5 ft or 1 m, in as many steps as it takes, at most 24.
    ground : Ground, optional
        As in ``build_field``.

    Returns
    -------
    DataFrame
        way (``border``, ``surfaces``, ``best cells``, ``zones``), label, width_m (border only), area_m2, area_share,
        insect_share, low, high: shares 0 to 1, the interval 90 % from draws of the map.

    Notes
    -----
    Whole surfaces and best cells are taken from the densest down, as expected; no plan can beat the best cells.
    """
    ways = [_border_way(cells, units), _surface_way(cells), _best_way(cells)]
    area, treated = (cells[name].to_numpy(float) for name in ("area_m2", "treated"))
    add = _adder(ways, area, treated)
    area_m2, expected = add(np.ones(len(cells))), add(cells["expected_per_m2"].to_numpy(float))
    insects = draw_sums(build_field(density_map, cells, ground=ground), rng, add)
    low, high = np.quantile(insects[:-1] / insects[-1], [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=1)
    steps = [(way.name, label, width) for way in ways for label, width in zip(way.labels, way.widths_m, strict=True)]
    frame = pd.DataFrame([*steps, ("zones", "the zones", np.nan)], columns=["way", "label", "width_m"])
    return frame.assign(
        area_m2=area_m2[:-1],
        area_share=area_m2[:-1] / area_m2[-1],
        insect_share=expected[:-1] / max(float(expected[-1]), 1e-300),
        low=low,
        high=high,
    )


@dataclass(frozen=True, slots=True)
class _Way:
    """One way of choosing ground, step by step: a step holds all the cells of the steps before it.

    Parameters
    ----------
    labels, widths_m : lists of the steps' names and widths (NaN where a step is no border strip).
    step : array of int, shape (cells,)
        The first step that holds the cell; beyond the last for a cell that none holds.
    """

    name: str
    labels: list[str]
    widths_m: list[float]
    step: np.ndarray


def _adder(ways: list[_Way], area_m2: np.ndarray, treated: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
    """Return what adds density times area up over every step of every way, over the zones, and over all the ground.

    Cells that every way takes at the same step are added up first, all of them and those in the zones, in the draws'
    single precision: they are few. The groups are then added up in double.
    """
    counts = [len(way.labels) + 1 for way in ways]
    alike, group = np.unique(np.ravel_multi_index([way.step for way in ways], counts), return_inverse=True)
    inside = np.flatnonzero(treated > 0)
    weight = np.concatenate([area_m2, (area_m2 * treated)[inside]]).astype(np.float32)
    row = np.concatenate([group, group[inside] + len(alike)])
    cell = np.concatenate([np.arange(len(area_m2)), inside])
    sums = csr_array((weight, (row, cell)), shape=(2 * len(alike), len(area_m2)))
    stairs = [
        np.arange(count - 1)[:, None] >= step
        for count, step in zip(counts, np.unravel_index(alike, counts), strict=True)
    ]
    steps = csr_array(np.concatenate(stairs).astype(float))

    def add(density: np.ndarray) -> np.ndarray:
        every, zones = np.split(sums @ density.astype(np.float32, copy=False), 2)
        return np.concatenate(
            [steps @ every, *(part.sum(axis=0, keepdims=True, dtype=float) for part in (zones, every))]
        )

    return add


def _border_way(cells: pd.DataFrame, units: Units) -> _Way:
    edge = cells["edge_m"].to_numpy(float)
    step = _STEPS_M[units]
    while edge.max() / step > _MOST_WIDTHS:
        step *= 2
    widths = np.arange(1, int(np.ceil(edge.max() / step)) + 1) * step
    labels = [f"border {show_length(width, units)}" for width in widths]
    return _Way("border", labels, widths.tolist(), np.searchsorted(widths, edge))


def _surface_way(cells: pd.DataFrame) -> _Way:
    sums = cells.assign(insects=cells["expected_per_m2"] * cells["area_m2"]).groupby("surface_id")
    mean = sums["insects"].sum() / sums["area_m2"].sum()
    order = list(mean.sort_values(ascending=False, kind="stable").index)
    ranks = cells["surface_id"].map({name: rank for rank, name in enumerate(order)}).to_numpy()
    labels = [f"{rank + 1} densest {'surface' if rank == 0 else 'surfaces'}" for rank in range(len(order))]
    return _Way("surfaces", labels, [np.nan] * len(order), ranks)


def _best_way(cells: pd.DataFrame) -> _Way:
    density = cells["expected_per_m2"].to_numpy(float)
    order = np.argsort(-density, kind="stable")
    reached = np.empty(len(order))
    area = cells["area_m2"].to_numpy(float)[order]
    reached[order] = np.cumsum(area) / area.sum()
    steps = np.r_[0.01, 0.02, 0.03, 0.04, np.arange(1, 20) / 20]  # fine near 0, where a small plan lies
    labels = [f"densest {percent(step)}" for step in steps]
    return _Way("best cells", labels, [np.nan] * len(steps), np.searchsorted(steps, reached))


def interpolate_strip(curve: pd.DataFrame, width_m: float) -> tuple[float, float, float, float]:
    """Return area share, insect share and its limits of a border strip of any width, along the curve."""
    border = curve[curve["way"] == "border"].sort_values("width_m")
    widths = [0.0, *border["width_m"]]
    return tuple(  # type: ignore[return-value]
        float(np.interp(width_m, widths, [0.0, *border[name]]))
        for name in ("area_share", "insect_share", "low", "high")
    )


def best_width_m(curve: pd.DataFrame) -> float:
    """Return the border width whose share of insects is most above its share of the ground, m.

    Examples
    --------
    >>> curve = pd.DataFrame({"way": "border", "width_m": [1.0, 2.0, 3.0], "area_share": [0.1, 0.2, 0.3],
    ...                       "insect_share": [0.2, 0.5, 0.55]})
    >>> best_width_m(curve)
    2.0
    """
    border = curve[curve["way"] == "border"]
    return float(border["width_m"].iloc[int(np.argmax(border["insect_share"] - border["area_share"]))])


def curve_rows(curve: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the curve as rows of the layer ``findings``: insect share as value, the rest as JSON in the note."""
    kept = ["way", "width_m", "area_m2", "area_share"]
    return [
        {
            "what": "targeting curve",
            "domain": row["label"],
            "value": row["insect_share"],
            "low": row["low"],
            "high": row["high"],
            "note": json.dumps({name: None if pd.isna(row[name]) else row[name] for name in kept}),
        }
        for row in curve.to_dict("records")
    ]


def read_curve(findings: pd.DataFrame) -> pd.DataFrame:
    """Return the curve from rows of the layer ``findings``, columns as of ``target_curve``."""
    rows = findings[findings["what"] == "targeting curve"]
    notes = pd.DataFrame(
        [json.loads(note) for note in rows["note"]], columns=["way", "width_m", "area_m2", "area_share"]
    )
    values = rows[["domain", "value", "low", "high"]].reset_index(drop=True)
    named = values.rename(columns={"domain": "label", "value": "insect_share"})
    return pd.concat([notes, named], axis=1).astype({"width_m": float})
