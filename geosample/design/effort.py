"""What the work takes: how many bags the bench can extract in the time at hand, and what pooling plugs would change."""

from __future__ import annotations

import math
from dataclasses import dataclass

from geosample.design.howmany import CAUTIOUS_K
from geosample.errors import DesignError, Problem
from geosample.report import show_table

BATCH_MINUTES = {"brine": 22.5, "heat": 48 * 60.0}
"""Time of a batch, minutes: brine 20-25 all told, heat 48 h under the lamp (common practice, no source)."""
HANDLE_MINUTES = {"brine": 0.0, "heat": 10.0}
"""A person's time a bag besides, minutes: crumbling and counting from the funnel (from memory, unverified)."""
PULL_MINUTES = 3.0
"""A person's time to walk to a point, pull and bag it, minutes (from memory, unverified)."""
CONTAINERS = 6
"""Bags extracted at once (common practice, no source: as many as the containers, salt or funnels allow)."""
PLUGS_SHOWN = (1, 3, 6)


@dataclass(frozen=True, slots=True)
class Bench:
    """Who and what is at hand.

    Parameters
    ----------
    hours : float
        Hours in all, pulling and extracting.
    people : int
        People at work.
    containers : int
        Bags extracted at once: closed containers for brine, funnels with their lamps for heat.
    extraction : str
        ``brine`` or ``heat``.
    """

    hours: float
    people: int = 1
    containers: int = CONTAINERS
    extraction: str = "brine"


def check_bench(bench: Bench) -> None:
    """Raise DesignError for hours, people or containers that can't be."""
    rules = [
        ("--hours", 0 < bench.hours <= 2000, f"{bench.hours:g}", "above 0, up to 2000"),  # noqa: PLR2004
        ("--people", 1 <= bench.people <= 100, f"{bench.people}", "1 to 100"),  # noqa: PLR2004
        ("--containers", 1 <= bench.containers <= 1000, f"{bench.containers}", "1 to 1000"),  # noqa: PLR2004
        ("--extraction", bench.extraction in BATCH_MINUTES, repr(bench.extraction), "brine or heat"),
    ]
    problems = [Problem(where, found, expected, "change it") for where, fine, found, expected in rules if not fine]
    if problems:
        raise DesignError(problems)


def hours_for(points: int, bench: Bench) -> float:
    """Return the hours that so many points take, pulling and extraction one after the other.

    Examples
    --------
    >>> [round(hours_for(90, bench), 2) for bench in (Bench(hours=8, containers=1), Bench(hours=8, people=2))]
    [38.25, 7.88]
    """
    batches = math.ceil(points / bench.containers)
    bench_minutes = batches * BATCH_MINUTES[bench.extraction]
    hands = points * HANDLE_MINUTES[bench.extraction] / bench.people
    return (points * PULL_MINUTES / bench.people + max(bench_minutes, hands)) / 60


def points_in_hours(bench: Bench) -> int:
    """Return how many points can be pulled and extracted in the hours at hand.

    Examples
    --------
    >>> points_in_hours(Bench(hours=8, containers=1)), points_in_hours(Bench(hours=8, people=2))
    (18, 90)
    """
    check_bench(bench)
    return next((n - 1 for n in range(1, 20_001) if hours_for(n, bench) > bench.hours), 20_000)


def tell_effort(points: int, bench: Bench, *, mean_a_plug: float, plugs: int) -> list[str]:
    """Return the lines on time: what these points take, in which batches, and what pooling would change.

    Parameters
    ----------
    points : int
        Main points.
    bench : Bench
        Who and what is at hand.
    mean_a_plug : float
        Insects expected in one plug.
    plugs : int
        Plugs pooled at a point now.
    """
    batches = math.ceil(points / bench.containers)
    hours, most = hours_for(points, bench), points_in_hours(bench)
    minutes = BATCH_MINUTES[bench.extraction]
    batch = f"{minutes:.1f} min" if minutes < 60 else f"{minutes / 60:.0f} h"  # noqa: PLR2004
    fit = "fits" if hours <= bench.hours else f"does not fit; {most} points would"
    rows = [[f"{m}", *_pooled(mean_a_plug, m)] for m in PLUGS_SHOWN]
    return [
        f"Time: {points} bags by {bench.extraction} in {batches} batches of {bench.containers} ({batch} each) and "
        f"{PULL_MINUTES:.0f} min a point to pull take about {hours:.0f} h with {bench.people} at work; "
        f"{bench.hours:g} h: {fit}.",
        "Pooling plugs in a bag, for a mean within ± 50 % (two standard errors):",
        *show_table(["plugs a bag", "bags if a point's plugs are alike", "bags if they are independent"], rows),
        f"Pooled here: {plugs}. A bag takes the bench as long whatever is in it, so pooling saves bags; how many "
        "depends on how alike neighbouring plugs are, which nobody has published (G). It costs the look at single "
        "plugs.",
    ]


def _pooled(mean_a_plug: float, plugs: int) -> list[str]:
    """Return the bags needed when pooled plugs share one k, and when they are independent (k times the plugs)."""
    mean = mean_a_plug * plugs
    return [f"{math.ceil((1 / mean + 1 / k) / 0.25**2)}" for k in (CAUTIOUS_K, CAUTIOUS_K * plugs)]
