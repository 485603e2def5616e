"""The weight each sample is used with: reserve points stand in within their stratum, and no stratum grows.

Notes
-----
A point's design weight is one over its inclusion density: the turf it stands for, m². Main points are a balanced draw
from a larger balanced draw that the reserve completes, so a reserve point's own weight is as good as a main point's
(and equal to it where the density is). Points that were answered are those counted and those found off the turf;
unreachable, lost, unread and unreturned points are nonresponse and answer nothing.

- While a stratum has no more answers than main points, every answer keeps its own design weight: the reserve point has
  taken the place of the missing main point, and what no reserve point made good is left to the estimate, which
  weighs by what was answered.
- With more answers than main points (reserve points pulled for points off the turf, or beyond need), all of the
  stratum's answers are scaled by main points / answers, so that they stand for the stratum once, not more.
- A point off the turf keeps its weight: it says how much of the planned area is not turf, and the area shrinks by it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from geosample.counts.model import RowNote

ANSWERED = ("counted", "off_turf")
NONRESPONSE = ("unreachable", "lost", "not_extracted")


def use_weights(samples: pd.DataFrame, points: pd.DataFrame) -> pd.DataFrame:
    """Return the samples with ``weight_m2`` as used; not a number where a sample answers nothing.

    Parameters
    ----------
    samples : DataFrame
        Columns of the layer ``samples``: every sample of the visit, since the weights depend on one another.
    points : DataFrame
        The design's points: point_id, stratum, role, weight_m2.

    Examples
    --------
    >>> points = pd.DataFrame({"point_id": ["a", "b", "r"], "stratum": "s", "role": ["main", "main", "reserve"],
    ...                        "weight_m2": 50.0})
    >>> came = pd.DataFrame({"point_id": ["a", "b", "r"], "status": ["counted", "unreachable", "counted"]})
    >>> use_weights(came, points)["weight_m2"].tolist()
    [50.0, nan, 50.0]
    >>> use_weights(came.assign(status="counted"), points)["weight_m2"].round(3).tolist()
    [33.333, 33.333, 33.333]
    """
    plan = points.set_index("point_id")
    stratum = samples["point_id"].map(plan["stratum"])
    answers = samples["status"].isin(ANSWERED)
    answered = samples[answers].groupby(stratum[answers], dropna=False)["point_id"].nunique()
    mains = plan[plan["role"] == "main"].groupby("stratum", dropna=False).size()
    share = (mains.reindex(answered.index).fillna(0) / answered).clip(upper=1.0)
    weight = samples["point_id"].map(plan["weight_m2"]).astype(float) * stratum.map(share).astype(float)
    return samples.assign(weight_m2=np.where(answers, weight, np.nan))


def note_coverage(samples: pd.DataFrame, points: pd.DataFrame) -> list[RowNote]:
    """Return who never came back, by stratum, with the reserve points that stand in for them in order."""
    state = _state_of_points(samples)
    plan = points.assign(state=[state.get(point_id, "not returned") for point_id in points["point_id"]])
    ordered = plan.sort_values(["walk_order", "point_id"], kind="stable")
    notes: list[RowNote] = []
    for stratum, rows in ordered.groupby("stratum", sort=True, dropna=False):
        main, reserve = rows[rows["role"] == "main"], rows[rows["role"] == "reserve"]
        missing = main[~main["state"].isin(ANSWERED)]
        stand_ins = list(reserve.loc[reserve["state"].isin(ANSWERED), "point_id"])
        for i, (point_id, why) in enumerate(zip(missing["point_id"], missing["state"], strict=True)):
            done = f"{stand_ins[i]} stands in for it" if i < len(stand_ins) else "nothing stands in for it"
            notes.append(RowNote(str(point_id), why.replace("_", " "), done))
        skipped = _skipped(reserve)
        if skipped:
            done = "weighted as if at random; use the reserve in its order"
            notes.append(RowNote(f"stratum {stratum}", f"reserve used before {', '.join(skipped)}", done))
        extra = len(stand_ins) - len(missing)
        if extra > 0:
            scaled = "all weights of the stratum scaled so that it counts once"
            notes.append(RowNote(f"stratum {stratum}", f"{extra} more answers than main points", scaled))
    return notes


def _skipped(reserve: pd.DataFrame) -> list[str]:
    """Return the reserve points passed over without a word though a later one of their stratum was pulled."""
    used = [place for place, state in enumerate(reserve["state"]) if state in ANSWERED]
    earlier = reserve.iloc[: max(used, default=0)]
    return list(earlier.loc[earlier["state"] == "not returned", "point_id"])


def _state_of_points(samples: pd.DataFrame) -> dict[str, str]:
    """Return each returned point's state: answered where any of its samples is."""
    rank = {status: place for place, status in enumerate((*ANSWERED, *NONRESPONSE))}
    best = samples.assign(rank=samples["status"].map(rank)).sort_values("rank", kind="stable")
    first = best.drop_duplicates("point_id")
    return dict(zip(first["point_id"], first["status"], strict=True))
