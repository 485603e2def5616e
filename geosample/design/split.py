"""Split blocks: the plugs pulled side by side at a point are dealt out at random between extraction methods."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def split_plugs(points: int, methods: Sequence[str], plugs: int, rng: np.random.Generator) -> list[str]:
    """Return for each point the method of every plug, in the order they are pulled.

    Parameters
    ----------
    points : int
        How many points.
    methods : sequence of str
        The extraction methods compared.
    plugs : int
        Plugs in a bag; a point gives one bag a method.

    Examples
    --------
    >>> split_plugs(2, ["brine", "heat"], 2, np.random.default_rng(3))
    ['heat heat brine brine', 'heat brine brine heat']
    """
    deck = np.repeat(np.asarray(methods, dtype=object), plugs)
    return [" ".join(rng.permutation(deck)) for _ in range(points)]
