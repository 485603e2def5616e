"""How evenly the points lie: the Voronoi balance."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree


def balance_of(points: np.ndarray, cells: np.ndarray, chance: np.ndarray) -> float:
    """Return the Voronoi balance of a sample; 0 is perfect, about 0.3 is chance.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
        Easting and northing of the sample, m.
    cells : ndarray, shape (m, 2)
        Easting and northing of the frame's cells, m.
    chance : ndarray, shape (m,)
        Expected number of points in each cell.

    Returns
    -------
    float
        Mean of (v - 1)², v the expected number of points among the cells nearest to a point; NaN for no points.
        Cells as near to two points are shared.

    References
    ----------
    Stevens & Olsen 2004, Spatially balanced sampling of natural resources, JASA 99:262-278 (divided by n here).

    Examples
    --------
    >>> line = np.column_stack([np.arange(4.0), np.zeros(4)])
    >>> balance_of(line[[0, 3]], line, np.full(4, 0.5))
    0.0
    """
    if not len(points):
        return float("nan")
    share = np.zeros(len(points))
    near, at = (np.reshape(a, (len(cells), -1)) for a in cKDTree(points).query(cells, k=min(4, len(points))))
    tied = near <= near[:, :1] * (1 + 1e-9) + 1e-9
    part = (np.asarray(chance) / tied.sum(axis=1))[:, None] * tied
    np.add.at(share, at, part)
    return float(np.mean((share - 1) ** 2))
