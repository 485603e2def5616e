"""Above, below or undecided: a group's mean held against a threshold, and how many more points would settle it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from geosample.estimate.domains import estimate_mean, own_prior

if TYPE_CHECKING:
    from geosample.estimate.bags import Catch
    from geosample.estimate.intervals import Interval

Verdict = Literal["above", "below", "undecided"]
MOST_TIMES = 10  # more than ten times the points again is told as "too close to settle"


@dataclass(frozen=True, slots=True)
class Decision:
    """What one group's counts say about the threshold.

    Parameters
    ----------
    label : str
        The group, such as a kind of surface.
    verdict : {"above", "below", "undecided"}
        Where the whole interval lies.
    interval : Interval
        Per m², at the decision's level.
    threshold_per_m2 : float
        What it was held against.
    n, more : int or None
        Points counted, and about how many more would settle it; None when settled, or when no sensible number would.
    """

    label: str
    verdict: Verdict
    interval: Interval
    threshold_per_m2: float
    n: int
    more: int | None


def judge(interval: Interval, threshold_per_m2: float) -> Verdict:
    """Return on which side of the threshold the whole interval lies.

    Examples
    --------
    >>> from geosample.estimate.intervals import Interval
    >>> judge(Interval(2, 1, 3), 0.5), judge(Interval(2, 1, 3), 4), judge(Interval(2, 1, 3), 2.5)
    ('above', 'below', 'undecided')
    """
    if interval.low > threshold_per_m2:
        return "above"
    return "below" if interval.high < threshold_per_m2 else "undecided"


def more_points(interval: Interval, threshold_per_m2: float, n: int) -> int | None:
    """Return about how many more points would bring the limit to the threshold if the mean stays as it is.

    Notes
    -----
    The log interval shrinks as 1/sqrt(n). None when the mean is so near the threshold that more than ``MOST_TIMES``
    the points would be needed.

    Examples
    --------
    >>> from geosample.estimate.intervals import Interval
    >>> more_points(Interval(2.0, 1.0, 4.0), 2.0 * 2**0.5, 20)
    60
    """
    if interval.value <= 0:
        return math.ceil(n * max(interval.high / threshold_per_m2 - 1, 0)) or None
    gap = abs(math.log(threshold_per_m2 / interval.value))
    limit = interval.high if threshold_per_m2 > interval.value else interval.low
    reach = abs(math.log(limit / interval.value)) if limit > 0 else math.inf
    times = (reach / gap) ** 2 if gap > 0 else math.inf
    return math.ceil(round(n * (times - 1), 6)) if times - 1 <= MOST_TIMES else None


def decide_groups(catch: Catch, threshold_per_m2: float, *, level: float = 0.90) -> list[Decision]:
    """Return a decision for each kind of surface that has counted points.

    Parameters
    ----------
    catch : Catch
        The visit's bags.
    threshold_per_m2 : float
        Insects per m².
    level : float
        Two-sided confidence: 0.90 leaves 5 % on each side.
    """
    decisions, prior = [], own_prior(catch)
    for label, areas in catch.areas.groupby("kind", sort=False):
        bags = catch.bags[catch.bags["kind"] == label]
        if bags.empty:
            continue
        interval = estimate_mean(bags, areas, level=level, prior=prior).interval
        verdict = judge(interval, threshold_per_m2)
        more = more_points(interval, threshold_per_m2, len(bags)) if verdict == "undecided" else None
        decisions.append(Decision(str(label), verdict, interval, threshold_per_m2, len(bags), more))
    return decisions
