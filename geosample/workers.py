"""The same work on many things, shared among this machine's cores by threads.

Geometry and matrix libraries let go of Python's lock while they work, so threads help there and need no copies.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")
MOST_THREADS = 8


def count_threads() -> int:
    """Return how many threads to use: the cores allowed, or fewer where OMP_NUM_THREADS says so."""
    asked = os.environ.get("OMP_NUM_THREADS", "")
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(int(asked) if asked.isdecimal() else cores, cores, MOST_THREADS))


def map_threads(work: Callable[[_Item], _Result], items: Iterable[_Item]) -> list[_Result]:
    """Return what the work makes of each item, in the items' order; the first error is raised.

    Examples
    --------
    >>> map_threads(abs, [-1, 2, -3])
    [1, 2, 3]
    """
    threads = count_threads()
    if threads == 1:
        return [work(item) for item in items]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, items))
