"""Which kinds of control the stage mix points to: classes by the open IRAC groups, never a product."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from geosample.cautions import GRADES
from geosample.errors import GeosampleError
from geosample.pests import load_pest
from geosample.units import percent

if TYPE_CHECKING:
    import pandas as pd

    from geosample.pests import Control

_LEAST_SHARE = 0.05


def tell_control(findings: pd.DataFrame | None, pest: str, treatments: pd.DataFrame | None) -> Iterator[str]:
    """Yield which classes fit the stages found, and which of them were used last.

    Parameters
    ----------
    findings : DataFrame or None
        The visit's rows of the layer ``findings``; ``stage share`` rows are read.
    pest : str
        The visit's pest; one with no profile has nothing to say.
    treatments : DataFrame or None
        The layer ``treatments``: what was recorded before.
    """
    shares = stage_shares(findings)
    if not shares:
        return
    try:
        controls = load_pest(pest).controls
    except GeosampleError:  # a pest of the user's own, with no profile
        return
    used = last_groups(treatments)
    fitting = [(sum(shares.get(stage, 0.0) for stage in control.stages), control) for control in controls]
    for share, control in sorted(fitting, key=lambda pair: -pair[0]):
        if share >= _LEAST_SHARE:
            yield _tell_class(share, control, used)
    if fitting:
        stages = [stage for control in controls for stage in control.stages]
        twice = ", ".join(sorted({stage for stage in stages if stages.count(stage) > 1 and shares.get(stage, 0.0) > 0}))
        overlap = f"Stages that fit more than one line ({twice}) are counted in each, so the shares overlap. "
        yield (
            f"{overlap if twice else ''}A class aimed at adults does nothing to larvae, and the other way round; the "
            "stages sampled decide."
        )


def stage_shares(findings: pd.DataFrame | None) -> dict[str, float]:
    """Return the share of each stage among the insects found, 0 to 1; empty where it is not known."""
    if findings is None:
        return {}
    rows = findings[findings["what"] == "stage share"]
    return dict(zip(rows["domain"].astype(str), rows["value"].astype(float), strict=True))


def last_groups(treatments: pd.DataFrame | None) -> dict[str, str]:
    """Return the IRAC groups of the last recorded treatment with any, each with its date.

    Examples
    --------
    >>> import pandas as pd
    >>> last_groups(pd.DataFrame({"date": ["2026-05-01"], "record": ['{"irac_group": "28, 3A"}']}))
    {'28': '2026-05-01', '3A': '2026-05-01'}
    """
    if treatments is None or treatments.empty:
        return {}
    newest = treatments.sort_values("date", ascending=False)
    for date, record in zip(newest["date"], newest["record"].fillna("{}"), strict=True):
        groups = read_groups(json.loads(record))
        if groups:
            return dict.fromkeys(groups, str(date))
    return {}


def read_groups(record: dict[str, Any]) -> list[str]:
    """Return the IRAC groups named in a record."""
    said = str(record.get("irac_group") or "").upper()
    return [group for group in said.replace(";", ",").replace("+", ",").replace(" ", ",").split(",") if group]


def _tell_class(share: float, control: Control, used: dict[str, str]) -> str:
    ground = control.source or GRADES[control.grade]
    start = f"Stages: {percent(share)} of the insects found fit '{control.when}'"
    if not control.irac:
        return f"{start} [{ground}]."
    again = [group for group in control.irac if group in used]
    call = (
        f" Group {', '.join(again)} was used on {used[again[0]]}: do not meet the next generation with the same group "
        "(from memory, IRAC)."
        if again
        else ""
    )
    return f"{start}: IRAC groups {', '.join(control.irac)} [{ground}].{call}"
