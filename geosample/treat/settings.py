"""What the user asks of a plan: the threshold, the costs, the sprayer, the distances. Nothing here knows a product."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from math import inf, isfinite
from typing import Any

from geosample.density import MOST_MISS_COST
from geosample.errors import Problem, TreatError
from geosample.treat.amounts import Sprayer
from geosample.units import FOOT2_M2, FOOT_M, Units, set_percent
from geosample.words import OBSTACLE_KINDS

MISS_COST = 3.0
"""A hot place missed costs this many needless treatments of the same area (common practice, no source)."""
SWATH_M = 15 * FOOT_M
"""Boom swath, m: 15-20 ft is common practice, no source."""
SMALLEST_M2 = 300 * FOOT2_M2
"""Smallest zone, m² (common practice, no source).

The one published spot rule is near it: about 30 m², for European chafer grubs on lawns (abstract of Nyrop, Villani &
Grant 1995, Environ. Entomol. 24:521-528). For other insects none was found.
"""

LEAST_SWATH_M, MOST_SWATH_M = 0.3, 60.0
"""From a walking sprayer's single nozzle to beyond any boom on turf (own choice)."""
_MOST_CHECKS = 0.5


@dataclass(frozen=True, slots=True)
class TreatSettings:
    """How to turn a density map into zones.

    Parameters
    ----------
    threshold_per_m2 : float
        Action threshold, insects per m²; more than 0. The user's own: none is assumed.
    miss_cost : float
        What missing a hot place costs, in needless treatments of the same area; more than 0.
    swath_m : float
        Width the sprayer covers in one pass, m; more than 0.
    smallest_m2 : float
        Zones smaller than this are left out, m²; 0 keeps all.
    keep_off_m : mapping of str to float
        Distance to keep from each kind of obstacle, m. Only what the user enters: none is invented.
    border_only_m : float or None
        Treat nothing farther than this from the outer edge of the short turf, m.
    units : {'us', 'metric'}
        Units of the sentences.
    seed : int
        Seed of the draws behind the intervals of shares.
    check_share : float
        Part of the area to treat that is left as check strips, 0 to 0.5.
    sprayer : Sprayer
        Rate, carrier and tank as the user entered them, for amounts.

    Raises
    ------
    TreatError
        With every setting that can't be.

    Examples
    --------
    >>> TreatSettings(322.917, miss_cost=3).cutoff
    0.25
    """

    threshold_per_m2: float
    miss_cost: float = MISS_COST
    swath_m: float = SWATH_M
    smallest_m2: float = SMALLEST_M2
    keep_off_m: Mapping[str, float] = field(default_factory=dict)
    border_only_m: float | None = None
    units: Units = "us"
    seed: int = 7
    check_share: float = 0.0
    sprayer: Sprayer = field(default_factory=Sprayer)

    def __post_init__(self) -> None:
        """Refuse what can't be, all of it at once."""
        problems = list(_find_problems(self))
        if problems:
            raise TreatError(problems)

    @property
    def cutoff(self) -> float:
        """The probability above which treating costs less than not treating.

        Notes
        -----
        Treating a place needlessly costs 1 and missing a hot one costs ``miss_cost``, so treating is the cheaper
        of the two where (1 - p) < miss_cost p, which is p > 1 / (1 + miss_cost).
        """
        return 1.0 / (1.0 + self.miss_cost)

    def plain(self) -> dict[str, Any]:
        """Return the settings in JSON's own types."""
        return {
            "threshold_per_m2": self.threshold_per_m2,
            "miss_cost": self.miss_cost,
            "cutoff": self.cutoff,
            "swath_m": self.swath_m,
            "smallest_m2": self.smallest_m2,
            "keep_off_m": dict(self.keep_off_m),
            "border_only_m": self.border_only_m,
            "units": self.units,
            "seed": self.seed,
            "check_share": self.check_share,
            **self.sprayer.plain(),
        }


def _find_problems(asked: TreatSettings) -> Iterator[Problem]:
    cost = "3 is usual; 1 makes both mistakes equally dear"
    ranges = {
        "--threshold": (asked.threshold_per_m2, "insects per m²", 0, inf, "name the density above which you would act"),
        "--miss-cost": (asked.miss_cost, "needless treatments", 1 / MOST_MISS_COST, MOST_MISS_COST, cost),
        "--swath": (
            asked.swath_m,
            "m",
            LEAST_SWATH_M,
            MOST_SWATH_M,
            "give the width your sprayer covers, such as 15ft",
        ),
        "--border-only": (asked.border_only_m, "m", 0, inf, "give the strip's width, such as 15ft, or leave it out"),
    }
    for where, (value, unit, low, high, remedy) in ranges.items():
        if value is not None and not (isfinite(value) and value > 0 and low <= value <= high):
            expected = f"from {low:g} to {high:,.0f}" if low and 0 < value < inf else "more than 0"
            yield Problem(where, f"{value:g} {unit}", expected, remedy)
    if not (asked.smallest_m2 >= 0 and isfinite(asked.smallest_m2)):
        yield Problem("--smallest", f"{asked.smallest_m2:g} m²", "an area of 0 or more", "give one such as 300ft2")
    if not 0 <= asked.check_share <= _MOST_CHECKS:
        yield Problem("--checks", set_percent(asked.check_share), "0 to 50 %", "5% is a start")
    for kind, distance_m in asked.keep_off_m.items():
        if kind not in OBSTACLE_KINDS:
            yield Problem("--keep-off", repr(kind), f"one of: {', '.join(OBSTACLE_KINDS)}", "write water=25ft")
        if not (distance_m >= 0 and isfinite(distance_m)):
            yield Problem(f"--keep-off {kind}", f"{distance_m:g} m", "0 or more", "give the label's or code's distance")
