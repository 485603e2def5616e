"""The plan's figures as rows of the layer ``findings``: areas in m², insects as numbers, shares 0 to 1."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from geosample.survey import shape_frame
from geosample.treat.curve import curve_rows

if TYPE_CHECKING:
    from geosample.density import DensityMap
    from geosample.treat.settings import TreatSettings
    from geosample.treat.tell import Plan
    from geosample.treat.totals import Totals


def plan_findings(plan: Plan, density_map: DensityMap, sentences: Sequence[str], *, brief: int) -> pd.DataFrame:
    """Return the plan's figures, the targeting curve, the settings, and the sentences (first the answer)."""
    settings = plan.settings
    whose = {"visit": density_map.visit, "pest": density_map.pest, "threshold_per_m2": settings.threshold_per_m2}
    rows = [*_plan_rows(plan.totals), *_smoothing_rows(plan.totals), *curve_rows(plan.curve)]
    rows.append(_settings_row(keep_settings(settings, density_map), sentences, brief))
    return shape_frame("findings", pd.DataFrame([{**whose, **row} for row in rows]))


def _plan_rows(totals: Totals) -> list[dict[str, Any]]:
    treated, mapped, again = totals.treated, totals.mapped, totals.look_again
    return [
        {"what": "plan", "domain": "mapped area m2", "value": mapped.area_m2},
        {"what": "plan", "domain": "known area m2", "value": totals.known_m2},
        {"what": "plan", "domain": "treated area m2", "value": treated.area_m2},
        {"what": "plan", "domain": "unknown and maybe above m2", "value": again.area_m2},
        {"what": "plan", "domain": "treated share of area", "value": totals.share_of_area},
        {"what": "plan", "domain": "treated share of insects", "value": totals.share_of_insects},
        {
            "what": "plan",
            "domain": "insects in zones",
            "value": treated.insects,
            "low": treated.low,
            "high": treated.high,
        },
        {"what": "plan", "domain": "insects mapped", "value": mapped.insects, "low": mapped.low, "high": mapped.high},
    ]


def _smoothing_rows(totals: Totals) -> list[dict[str, Any]]:
    parts = {"above the cut-off": totals.above, "added": totals.added, **totals.removed}
    rows = []
    for name, holding in parts.items():
        rows.append({"what": "smoothing", "domain": f"{name}, area m2", "value": holding.area_m2})
        rows.append(
            {
                "what": "smoothing",
                "domain": f"{name}, insects",
                "value": holding.insects,
                "low": holding.low,
                "high": holding.high,
            }
        )
    over = [
        {"what": "overspray", "domain": kind, "value": area, "note": "area in m2"}
        for kind, area in totals.overspray_m2.items()
    ]
    return [*rows, *over]


def keep_settings(settings: TreatSettings, density_map: DensityMap) -> dict[str, Any]:
    """Return the settings in plain JSON types, and whether the map's counts are invented, where they are."""
    return {**settings.plain(), **({"simulated": True} if density_map.simulated else {})}


def _settings_row(settings: dict[str, Any], sentences: Sequence[str], brief: int) -> dict[str, Any]:
    note = json.dumps({"settings": settings, "sentences": list(sentences), "brief": brief}, ensure_ascii=False)
    return {"what": "plan settings", "domain": "all", "note": note}
