"""What the plan treats and leaves, and what making it drivable added and took away, in area and in insects."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geosample.density import is_one_sided
from geosample.treat.cells import Holding, weigh
from geosample.treat.rooms import fall_on, keep_off_area, sweep_over
from geosample.treat.shapes import NOTHING, less, meet
from geosample.treat.table import place_name

if TYPE_CHECKING:
    from geosample.ground import Ground
    from geosample.treat.draw import Drawn
    from geosample.treat.settings import TreatSettings

NARROW = "too narrow for the swath"
_SHARES = ("hot", "unsure", "treated", "check", "kept", "allowed", "known", "small")


@dataclass(frozen=True, slots=True)
class Totals:
    """The plan in figures.

    Parameters
    ----------
    mapped : Holding
        All the ground the map covers.
    known_m2 : float
        The part of it that is known, m².
    one_sided_m2 : float
        The part of it where the interval lies wholly above or below the threshold, m².
    above : Holding
        Cells known to be worth treating, before shapes were made of them.
    treated, look_again : Holding
        Inside the zones; look_again is all ground that may be above but is not known, drawn as a zone or not.
    added : Holding
        Ground inside the zones that was not worth treating by itself.
    removed : dict of str to Holding
        Worth treating but left: ``kept off``, ``outside the border``, ``as check strips``, ``in patches too small``,
        ``too narrow for the swath``.
    small : int
        Patches left out for their size.
    added_unknown_m2 : float
        The part of what was added that is not known, m².
    above_by_edge : tuple of (float, float)
        The ground of ``above`` by whole metres from the outer edge: at least so far in (m), and so large (m²).
    overspray_m2 : dict of str to float
        What a whole boom would cover beyond the zones, by what it falls on.
    narrow_m2 : dict of str to float
        Where what is too narrow lies: hole and kind, and how much of it there.
    near_m2 : float
        Overspray inside the distances the user keeps, m².
    highest_per_m2, highest_high_per_m2 : float
        The map's highest expected density and highest upper limit.
    missing_obstacles : tuple of str
        Kinds the user keeps off that the ground has none of.
    """

    mapped: Holding
    known_m2: float
    one_sided_m2: float
    above: Holding
    treated: Holding
    look_again: Holding
    added: Holding
    removed: dict[str, Holding]
    small: int
    added_unknown_m2: float = 0.0
    above_by_edge: tuple[tuple[float, float], ...] = ()
    overspray_m2: dict[str, float] = field(default_factory=dict)
    narrow_m2: dict[str, float] = field(default_factory=dict)
    near_m2: float = 0.0
    highest_per_m2: float = 0.0
    highest_high_per_m2: float = 0.0
    missing_obstacles: tuple[str, ...] = ()

    @property
    def known_share(self) -> float:
        """Known over mapped ground, 0 to 1."""
        return self.known_m2 / self.mapped.area_m2

    def above_beyond_m2(self, width_m: float) -> float:
        """Return how much of ``above`` lies farther in than a border strip of a width, to the whole metre, m²."""
        return sum(area_m2 for edge_m, area_m2 in self.above_by_edge if edge_m >= width_m)

    @property
    def one_sided_share(self) -> float:
        """Ground whose interval lies wholly on one side of the threshold, over mapped ground, 0 to 1."""
        return self.one_sided_m2 / self.mapped.area_m2

    @property
    def share_of_area(self) -> float:
        """Area treated over area mapped, 0 to 1."""
        return self.treated.area_m2 / self.mapped.area_m2

    @property
    def share_of_insects(self) -> float:
        """Expected insects in the zones over all expected on mapped ground, 0 to 1."""
        return self.treated.insects / self.mapped.insects if self.mapped.insects > 0 else 0.0


def add_up(drawn: Sequence[Drawn], ground: Ground, settings: TreatSettings) -> Totals:
    """Return the plan in figures.

    Parameters
    ----------
    drawn : sequence of Drawn
        Every mapped surface, at least one.
    """
    cells = join_cells(drawn)
    share = {name: cells[name].to_numpy(float) for name in _SHARES}
    over, near_m2 = _find_overspray(drawn, ground, settings)
    left = _left_out(share)
    present = set(ground.obstacles["kind"])
    return Totals(
        mapped=weigh(cells, np.ones(len(cells))),
        known_m2=weigh(cells, share["known"]).area_m2,
        one_sided_m2=weigh(cells, is_one_sided(cells, settings.threshold_per_m2).astype(float)).area_m2,
        above=weigh(cells, share["hot"]),
        treated=weigh(cells, share["treated"]),
        look_again=weigh(cells, share["unsure"] * (1 - share["treated"])),
        added=weigh(cells, share["treated"] * (1 - share["hot"])),
        removed={reason: weigh(cells, part) for reason, part in left.items()},
        small=sum(len(one.small) for one in drawn),
        added_unknown_m2=weigh(cells, share["treated"] * (1 - share["hot"]) * (1 - share["known"])).area_m2,
        above_by_edge=_sum_by_edge(cells, share["hot"]),
        overspray_m2=over,
        narrow_m2=_sum_by_place(drawn, cells["area_m2"].to_numpy(float) * left[NARROW]),
        near_m2=near_m2,
        highest_per_m2=float(cells["expected_per_m2"].max()),
        highest_high_per_m2=float(cells["high_per_m2"].max()),
        missing_obstacles=tuple(kind for kind in settings.keep_off_m if kind not in present),
    )


def _sum_by_edge(cells: gpd.GeoDataFrame, share: np.ndarray) -> tuple[tuple[float, float], ...]:
    sums = np.bincount(cells["edge_m"].to_numpy(float).astype(int), cells["area_m2"].to_numpy(float) * share)
    return tuple((float(metre), float(area)) for metre, area in enumerate(sums) if area > 0)


def _sum_by_place(drawn: Sequence[Drawn], area_m2: np.ndarray) -> dict[str, float]:
    """Return the sums of the joined cells' areas by hole and kind, largest first."""
    names = np.repeat([place_name(one.room.hole, one.room.kind) for one in drawn], [len(one.cells) for one in drawn])
    sums = pd.Series(area_m2).groupby(names).sum().sort_values(ascending=False, kind="stable")
    return {str(name): float(area) for name, area in sums.items() if area >= 1}


def join_cells(drawn: Sequence[Drawn]) -> gpd.GeoDataFrame:
    """Return the cells of every surface in one frame."""
    return gpd.GeoDataFrame(pd.concat([one.cells for one in drawn], ignore_index=True), geometry="geometry")


def _left_out(share: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    hot, kept, allowed = share["hot"], share["kept"], share["allowed"]
    return {
        "kept off": hot * (1 - kept),
        "outside the border": hot * np.maximum(kept - allowed, 0),
        "as check strips": hot * np.minimum(share["check"], allowed),
        "in patches too small": hot * np.minimum(share["small"], allowed),
        NARROW: hot * np.maximum(allowed - share["treated"] - share["check"] - share["small"], 0),
    }


def _find_overspray(drawn: Sequence[Drawn], ground: Ground, settings: TreatSettings) -> tuple[dict[str, float], float]:
    zones = [zone for one in drawn for zone in one.treat]
    if not zones:
        return {}, 0.0
    swept = shapely.union_all([sweep_over(zone, settings.swath_m) for zone in zones])
    beside = less(swept, shapely.union_all(zones))
    shut = keep_off_area(ground.obstacles, settings.keep_off_m) if settings.keep_off_m else NOTHING
    return fall_on(ground, beside), float(meet(beside, shut).area)
