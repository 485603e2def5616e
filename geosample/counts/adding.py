"""Counts into the survey: each with its weight; what is there adds nothing, a corrected row replaces its own.

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

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, cast

import geopandas as gpd
import numpy as np
import pandas as pd

from geosample.counts.model import Counts, compare_recounts, find_agreement
from geosample.counts.rows import sort_samples
from geosample.files.reading import RowNote
from geosample.pests import load_pest
from geosample.results import Result
from geosample.survey.findings import put_findings

if TYPE_CHECKING:
    from collections.abc import Sequence

    from geosample.design import Design
    from geosample.survey import Survey


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


# What a corrected row may change; weights follow from all samples, and sampled_m2 from the plugs.
COMPARED = (
    "point_id",
    "method",
    "status",
    "plugs",
    "moved",
    "fix_lon",
    "fix_lat",
    "accuracy_m",
    "joined_by",
    "collector",
    "counted_by",
    "collected_at",
    "note",
)
_DEGREES = 1e-9


@dataclass(frozen=True, slots=True, repr=False)
class Added(Result):
    """What a load did to the survey.

    Parameters
    ----------
    counts : Counts
        All of the visit's counts as they are now.
    new, same, changed : tuple of str
        Sample ids that were not there, that were there and say the same, and that a corrected row replaced.
    differences : tuple of RowNote
        What changed in each replaced sample.
    main_points : tuple of str
        The design's main points.
    """

    counts: Counts
    new: tuple[str, ...]
    same: tuple[str, ...]
    changed: tuple[str, ...]
    differences: tuple[RowNote, ...]
    main_points: tuple[str, ...]

    def summary(self) -> dict[str, Any]:
        """Return the visit's samples by status, its counts by stage, who is missing, what is new, and every note."""
        facts = self.counts.summary()
        notes = facts.pop("notes")
        answered = set(self.counts.samples.loc[self.counts.samples["status"].isin(ANSWERED), "point_id"])
        return {
            **facts,
            "main_points": len(self.main_points),
            "main_points_unanswered": [name for name in self.main_points if name not in answered],
            "added": {"new": len(self.new), "unchanged": len(self.same), "replaced": len(self.changed)},
            "differences": [{"sample": note.where, "was": note.what, "done": note.done} for note in self.differences],
            "notes": notes,
        }


def add_counts(survey: Survey, fresh: Counts, design: Design) -> Added:
    """Put what came back into the survey, row by row, under the survey's lock, with how two counters agree.

    Parameters
    ----------
    fresh : Counts
        From ``read_counts``; samples of the visit that it does not mention stay as they are.
    design : Design
        The visit's, for the weights, which depend on all its samples.

    Raises
    ------
    SurveyError
        When the survey can't be written; nothing is changed then.
    """
    of_visit = {"visit": fresh.visit}
    with survey.change() as change:
        frames = [change.read(layer) for layer in ("samples", "counts", "recounts")]
        samples, counts, recounts = (frame[frame["visit"] == fresh.visit] for frame in frames)
        old = Counts(fresh.visit, cast("gpd.GeoDataFrame", samples), counts, recounts=recounts, pest=fresh.pest)
        added = merge_counts(old, fresh, design)
        if added.new or added.changed or _more_recounts(old, added.counts):
            change.put("samples", added.counts.samples, where=of_visit)
            change.put("counts", added.counts.counts, where=of_visit)
            stale = change.forget_results(fresh.visit)
            added = replace(added, counts=_note_stale(added.counts, stale))
            if added.counts.recounts is not None:
                change.put("recounts", added.counts.recounts, where=of_visit)
            agreed = find_agreement(compare_recounts(added.counts, load_pest(design.visit.pest)))
            if agreed:
                put_findings(change, fresh.visit, design.visit.pest, agreed)
    return added


def _note_stale(counts: Counts, layers: Sequence[str]) -> Counts:
    """Say that results worked out from the earlier counts were taken away, where there were any."""
    if not layers:
        return counts
    told = RowNote(
        f"visit {counts.visit}",
        f"results from the earlier counts ({', '.join(layers)})",
        "taken away, since the counts have changed; run estimate, density and treat again",
    )
    return replace(counts, notes=(told, *counts.notes))


def merge_counts(old: Counts, fresh: Counts, design: Design) -> Added:
    """Return the visit's counts with the fresh rows in place of their own older ones, and what that changed."""
    old = _drop_placeholders(old, fresh)
    before, after = _by_sample(old), _by_sample(fresh)
    differences = {name: _differ(before[name], said) for name, said in after.items() if name in before}
    changed = tuple(name for name, notes in differences.items() if notes)
    samples = _put(old.samples, fresh.samples, set(after))
    weighed = use_weights(sort_samples(cast("gpd.GeoDataFrame", samples), design), design.points)
    counts = _put(old.counts, fresh.counts, set(after)).sort_values(["sample_id", "pest", "stage"], kind="stable")
    own = set(note_coverage(fresh.samples, design.points))
    notes = [note for note in fresh.notes if note not in own] + note_coverage(weighed, design.points)
    merged = replace(
        fresh,
        samples=cast("gpd.GeoDataFrame", weighed),
        counts=counts.reset_index(drop=True),
        notes=tuple(notes),
        recounts=_merge_recounts(old.recounts, fresh.recounts),
    )
    merged = replace(merged, notes=(*merged.notes, *_note_unpaired(merged)))
    told = tuple(RowNote(name, what, done) for name, notes in differences.items() for what, done in notes)
    new = tuple(name for name in after if name not in before)
    same = tuple(name for name in differences if name not in changed)
    points = design.points
    mains = tuple(points.loc[points["role"] == "main", "point_id"])
    return Added(merged, new, same, changed, told, mains)


def _drop_placeholders(old: Counts, fresh: Counts) -> Counts:
    """Take away records of points without a bag, which name no method, where a bag of the point has come since."""
    bagless = old.samples["method"].eq("other") & old.samples["status"].ne("counted")
    gone = bagless & old.samples["point_id"].isin(fresh.samples["point_id"])
    gone &= ~old.samples["sample_id"].isin(fresh.samples["sample_id"])
    return replace(old, samples=cast("gpd.GeoDataFrame", old.samples[~gone]))


def _put(old: pd.DataFrame, fresh: pd.DataFrame, names: set[str]) -> pd.DataFrame:
    kept = old[~old["sample_id"].isin(names)]
    if kept.empty:
        return fresh
    return pd.concat([kept, fresh], ignore_index=True) if len(fresh) else kept


def _by_sample(counts: Counts) -> dict[str, dict[str, object]]:
    """Return sample id -> what is said of it: its compared fields, then its counts by stage."""
    said = {
        str(row["sample_id"]): {name: _plain(row[name]) for name in COMPARED}
        for row in counts.samples.drop(columns="geometry").to_dict("records")
    }
    rows = counts.counts[["sample_id", "pest", "stage", "count"]].itertuples(index=False)
    for sample_id, pest, stage, count in rows:
        said.get(str(sample_id), {})[f"{pest}, {stage}:"] = int(count)
    return said


def _differ(before: dict[str, object], after: dict[str, object]) -> list[tuple[str, str]]:
    """Return what changed: (what was there, what is there now)."""
    names = [*before, *(name for name in after if name not in before)]
    return [
        (f"{name} {_show(before.get(name))}", f"now {_show(after.get(name))}")
        for name in names
        if not _equal(before.get(name), after.get(name))
    ]


def _equal(one: object, other: object) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return abs(one - other) <= _DEGREES
    return one == other


def _plain(value: object) -> object:
    """Return the value with everything missing as None."""
    return None if value is None or value != value else value  # noqa: PLR0124 (not a number is not itself)


def _show(value: object) -> str:
    return "blank" if value is None or value == "" else str(value)


def _merge_recounts(old: pd.DataFrame | None, fresh: pd.DataFrame | None) -> pd.DataFrame | None:
    frames = [frame for frame in (old, fresh) if frame is not None and len(frame)]
    if not frames:
        return None
    joined = pd.concat(frames, ignore_index=True)
    last = joined.drop_duplicates(["sample_id", "pest", "stage"], keep="last")
    return last.sort_values(["sample_id", "pest", "stage"], kind="stable").reset_index(drop=True)


def _note_unpaired(counts: Counts) -> list[RowNote]:
    """Tell of second counts that have no first one to compare with."""
    if counts.recounts is None:
        return []
    alone = counts.recounts[~counts.recounts["sample_id"].isin(counts.counts["sample_id"])]
    names = sorted(set(alone["sample_id"]))
    return [RowNote(name, "a second count without a first", "kept until the first one comes") for name in names]


def _more_recounts(old: Counts, merged: Counts) -> bool:
    if merged.recounts is None:
        return False
    return old.recounts is None or not old.recounts.reset_index(drop=True).equals(merged.recounts)
