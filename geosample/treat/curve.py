"""The targeting curve: how many of the insects each way of choosing ground reaches, for how much of the ground."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geosample.treat.draws import LEVEL, build_field, draw_densities
from geosample.units import FOOT_M, show_length

if TYPE_CHECKING:
    from geosample.density import DensityMap
    from geosample.units import Units

_MOST_WIDTHS = 24
_STEPS_M: dict[str, float] = {"us": 5 * FOOT_M, "metric": 1.0}
WAYS = ("border", "surfaces", "best cells", "zones")


def target_curve(
    density_map: DensityMap, cells: pd.DataFrame, rng: np.random.Generator, *, units: Units = "us"
) -> pd.DataFrame:
    """Return the share of insects reached and of ground treated, for border strips, whole surfaces and the zones.

    Parameters
    ----------
    cells : DataFrame
        Cells with area_m2, edge_m, surface_id, expected_per_m2 and ``treated``, the share of each inside the zones.
    units : {'us', 'metric'}
        Strips grow by 5 ft or 1 m, in as many steps as it takes, at most 24.

    Returns
    -------
    DataFrame
        way (``border``, ``surfaces``, ``best cells``, ``zones``), label, width_m (border only), area_m2, area_share,
        insect_share, low, high: shares 0 to 1, the interval 90 % from draws of the map.

    Notes
    -----
    Whole surfaces and best cells are taken from the densest down, as expected; no plan can beat the best cells.
    """
    sets = [*_border_sets(cells, units), *_surface_sets(cells), *_best_sets(cells)]
    sets.append(("zones", "the zones", np.nan, cells["treated"].to_numpy(float)))
    inside = np.column_stack([share for *_, share in sets])
    area = cells["area_m2"].to_numpy(float)
    expected = area * cells["expected_per_m2"].to_numpy(float)
    low, high = _share_limits(density_map, cells, inside, rng)
    frame = pd.DataFrame({"way": [s[0] for s in sets], "label": [s[1] for s in sets], "width_m": [s[2] for s in sets]})
    return frame.assign(
        area_m2=area @ inside,
        area_share=area @ inside / area.sum(),
        insect_share=expected @ inside / max(expected.sum(), 1e-300),
        low=low,
        high=high,
    )


def _share_limits(
    density_map: DensityMap, cells: pd.DataFrame, inside: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    area = cells["area_m2"].to_numpy(float)
    weights = inside * area[:, None]
    shares = [
        (density.T @ weights) / (area @ density)[:, None]
        for density in draw_densities(build_field(density_map, cells), rng)
    ]
    low, high = np.quantile(np.vstack(shares), [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0)
    return low, high


_Set = tuple[str, str, float, np.ndarray]


def _border_sets(cells: pd.DataFrame, units: Units) -> list[_Set]:
    edge = cells["edge_m"].to_numpy(float)
    step = _STEPS_M[units]
    while edge.max() / step > _MOST_WIDTHS:
        step *= 2
    widths = np.arange(1, int(np.ceil(edge.max() / step)) + 1) * step
    return [("border", f"border {show_length(w, units)}", float(w), (edge <= w).astype(float)) for w in widths]


def _surface_sets(cells: pd.DataFrame) -> list[_Set]:
    sums = cells.assign(insects=cells["expected_per_m2"] * cells["area_m2"]).groupby("surface_id")
    mean = sums["insects"].sum() / sums["area_m2"].sum()
    order = list(mean.sort_values(ascending=False, kind="stable").index)
    ranks = cells["surface_id"].map({name: rank for rank, name in enumerate(order)}).to_numpy()
    names = [f"{rank + 1} densest {'surface' if rank == 0 else 'surfaces'}" for rank in range(len(order))]
    return [("surfaces", name, np.nan, (ranks <= rank).astype(float)) for rank, name in enumerate(names)]


def _best_sets(cells: pd.DataFrame) -> list[_Set]:
    density = cells["expected_per_m2"].to_numpy(float)
    order = np.argsort(-density, kind="stable")
    reached = np.empty(len(order))
    area = cells["area_m2"].to_numpy(float)[order]
    reached[order] = np.cumsum(area) / area.sum()
    steps = np.arange(1, 20) / 20
    return [("best cells", f"densest {s:.0%}".replace("%", " %"), np.nan, (reached <= s).astype(float)) for s in steps]


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
