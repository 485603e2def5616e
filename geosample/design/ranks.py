"""The order bags are extracted in, so that stopping anywhere leaves a spread sample of each stratum."""

from __future__ import annotations

import numpy as np

from geosample.design.pivotal import draw_spread


def order_spread(places: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return an order in which every place is as likely to come early as any other, and what comes early is spread.

    Half of the places is drawn by the local pivotal method with equal chances, then half of that half, and so on.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Easting and northing, m.

    Examples
    --------
    >>> line = np.column_stack([np.arange(8.0), np.zeros(8)])
    >>> sorted(order_spread(line, np.random.default_rng(1)).tolist())
    [0, 1, 2, 3, 4, 5, 6, 7]
    """
    n = len(places)
    if n <= 2:  # noqa: PLR2004 - a pair has no middle
        return rng.permutation(n)
    half = (n + 1) // 2
    first = draw_spread(places, np.full(n, half / n), rng)
    # Rounding can leave the last fight one short or over; what is then moved is chosen at random.
    rest = np.setdiff1d(np.arange(n), first)
    return np.concatenate([first[order_spread(places[first], rng)], rest[order_spread(places[rest], rng)]])


def rank_bags(strata: np.ndarray, places: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return each main point's place in the order of extraction within its stratum, from 1, shape (n,)."""
    rank = np.zeros(len(strata), dtype=np.int64)
    for stratum in dict.fromkeys(strata.tolist()):
        rows = np.flatnonzero(strata == stratum)
        rank[rows[order_spread(places[rows], rng)]] = np.arange(1, len(rows) + 1)
    return rank
