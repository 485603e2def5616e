"""Sampling turf insects, from course polygons to treatment areas.

The chain, in the order of the work::

    files --read_ground--> Ground --draw_design--> Design --write_sheets--> paper, waypoints
                                                     |
    what came back --read_counts--> Counts --estimate_means--> Estimates
                                      |--map_density--> DensityMap --suggest_zones--> Zones --draw_map--> a page

``open_survey`` gives the file that remembers it all between the stages.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from geosample.compare import (
        compare_counters,
        compare_methods,
        gather_recounts,
        gather_trial,
        read_trial,
        size_trial,
    )
    from geosample.counts import read_counts
    from geosample.density import map_density
    from geosample.design import draw_design
    from geosample.door import open_survey
    from geosample.errors import GeosampleError
    from geosample.estimate import estimate_means
    from geosample.ground import read_ground
    from geosample.rehearsal import rehearse
    from geosample.season import read_temperatures, tell_season
    from geosample.sheets import write_sheets
    from geosample.treat import suggest_zones
    from geosample.webmap import draw_map

__version__ = "0.2.0.dev0"

_HOMES = {
    "open_survey": "door",
    "read_ground": "ground",
    "draw_design": "design",
    "write_sheets": "sheets",
    "read_counts": "counts",
    "estimate_means": "estimate",
    "read_trial": "compare",
    "gather_trial": "compare",
    "compare_methods": "compare",
    "gather_recounts": "compare",
    "compare_counters": "compare",
    "size_trial": "compare",
    "map_density": "density",
    "suggest_zones": "treat",
    "rehearse": "rehearsal",
    "read_temperatures": "season",
    "tell_season": "season",
    "draw_map": "webmap",
    "GeosampleError": "errors",
}

__all__ = [
    "GeosampleError",
    "compare_counters",
    "compare_methods",
    "draw_design",
    "draw_map",
    "estimate_means",
    "gather_recounts",
    "gather_trial",
    "map_density",
    "open_survey",
    "read_counts",
    "read_ground",
    "read_temperatures",
    "read_trial",
    "rehearse",
    "size_trial",
    "suggest_zones",
    "tell_season",
    "write_sheets",
]


def __getattr__(name: str) -> object:
    """Load a stage when its name is first asked for, so that ``import geosample`` stays light (PEP 562)."""
    if name not in _HOMES:
        message = f"module 'geosample' has no attribute {name!r}"
        raise AttributeError(message)
    return getattr(importlib.import_module(f"geosample.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    """Return the public names."""
    return sorted(__all__)
