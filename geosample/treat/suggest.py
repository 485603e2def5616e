"""From probability to zones: what is worth treating by the costs given, made drivable and told in areas and insects.

References
----------
The cut-off is the Bayes rule for two actions with constant losses, L_needless / (L_needless + L_missed): Berger 1985,
Statistical Decision Theory and Bayesian Analysis, section 4.4 (from memory, unverified).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from geosample.density import decide_at
from geosample.report.design import SIMULATED
from geosample.treat.border import find_ratio
from geosample.treat.cells import place_cells
from geosample.treat.control import tell_control
from geosample.treat.curve import target_curve
from geosample.treat.draw import draw_surface, outline_unknown, retake
from geosample.treat.findings import keep_settings, plan_findings
from geosample.treat.model import Zones
from geosample.treat.reasons import tell_reasons
from geosample.treat.rooms import find_rooms
from geosample.treat.strips import leave_strips
from geosample.treat.table import write_notes, zone_table
from geosample.treat.tell import Plan, tell_answer
from geosample.treat.totals import add_up, join_cells
from geosample.workers import map_threads

if TYPE_CHECKING:
    import pandas as pd

    from geosample.density import DensityMap
    from geosample.ground import Ground
    from geosample.treat.settings import TreatSettings


def suggest_zones(
    density_map: DensityMap,
    ground: Ground,
    *,
    settings: TreatSettings,
    findings: pd.DataFrame | None = None,
    treatments: pd.DataFrame | None = None,
    said: tuple[str, ...] = (),
) -> Zones:
    """Return the zones to treat or to look at again, with what they hold and leave.

    Parameters
    ----------
    density_map : DensityMap
        Where the insects are and how sure that is, made on this ground.
    ground : Ground
        Surfaces and obstacles.
    settings : TreatSettings
        Threshold, costs, swath, smallest zone, distances to keep.
    findings : DataFrame, optional
        The visit's and pest's rows of the layer ``findings``: the border ratio the counts support is looked up there,
        and the stage mix.
    treatments : DataFrame, optional
        The layer ``treatments``: what was done before, so that a class used last is called out.
    said : tuple of str
        Sentences that belong right behind the answer, such as what the densities rest on.

    Returns
    -------
    Zones
        Possibly of no zones: nothing to treat is an answer too.

    Raises
    ------
    TreatError
        When the map was made on other ground.

    Notes
    -----
    A cell that is known is worth treating where its probability of being above the threshold passes
    ``settings.cutoff``. The cells are joined, gaps narrower than the swath are closed, strips narrower than it are
    widened where that still pays by the same costs and dropped otherwise, corners are rounded to the swath, outlines
    straightened within half a cell, and every zone that does not pay as a whole, or is smaller than asked, is dropped.
    Cells that pass the cut-off but are not known become zones to look at again.
    """
    density_map = decide_at(density_map, settings.threshold_per_m2)
    cells = place_cells(density_map, ground, settings.threshold_per_m2)
    rooms = find_rooms(ground, cells["surface_id"].unique(), settings)
    groups = dict(list(cells.groupby("surface_id", sort=False)))
    drawn = map_threads(lambda room: draw_surface(room, groups[room.surface_id], density_map.cell_m, settings), rooms)
    rng = np.random.default_rng(settings.seed)
    drawn = retake(leave_strips(drawn, settings, rng))
    table = write_notes(zone_table(drawn, density_map, settings, ground.crs), settings, ground)
    if density_map.simulated:
        table = table.assign(note=[f"{note} Simulated counts." for note in table["note"]])
    curve = target_curve(density_map, join_cells(drawn), rng, units=settings.units, ground=ground)
    plan = Plan(add_up(drawn, ground, settings), table, settings, curve, find_ratio(findings))
    control = tell_control(findings, density_map.pest, treatments) if len(table) else ()
    first, *rest = tell_answer(plan)
    answer = (first, *([SIMULATED] if density_map.simulated else []), *said, *rest)
    sentences = (*answer, *control, *tell_reasons(plan))
    found = plan_findings(plan, density_map, sentences, brief=len(answer))
    return Zones(
        visit=density_map.visit,
        pest=density_map.pest,
        threshold_per_m2=settings.threshold_per_m2,
        zones=table,
        findings=found,
        settings=keep_settings(settings, density_map),
        sentences=sentences,
        brief=len(answer),
        unknown=outline_unknown(drawn, density_map.cell_m, ground.crs),
    )
