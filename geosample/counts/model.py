"""Counts: the type this room makes, its place in the survey file, how more are added, and how two counters agree.

What is there adds nothing, a corrected row replaces its own.

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

References
----------
Clopper & Pearson 1934, Biometrika 26:404-413: the exact interval of a share (from memory, unverified; the interval is
checked against statsmodels). Przyborowski & Wilenski 1940, Biometrika 31:313-323: two counts compared by the share of
their sum (from memory, unverified).
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal, cast

import geopandas as gpd
import numpy as np
import pandas as pd

from geosample.counts.rows import sort_samples
from geosample.errors import CountsError, Problem, SurveyError, list_names
from geosample.files.reading import Note
from geosample.pests import DEFAULT_PEST, load_pest
from geosample.results import Result
from geosample.survey.findings import Finding, What, put_findings
from geosample.words import UNSTAGED

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    import geopandas as gpd
    import pyproj

    from geosample.design import Design
    from geosample.pests import Pest
    from geosample.survey import Survey


@dataclass(frozen=True, slots=True, repr=False)
class Counts(Result):
    """What came back of one visit.

    Parameters
    ----------
    visit : str
        The visit's name.
    samples : GeoDataFrame
        One Point a bag, columns of the layer ``samples``; projected CRS.
    counts : DataFrame
        One row a sample, pest and stage looked for, zeros included: columns of the layer ``counts``.
    notes : tuple of Note
        All that was forgiven, set aside or found missing.
    recounts : DataFrame or None
        Blind second counts: columns of the layer ``recounts``; None where there are none.
    pest : str
        The visit's own; others may have been counted beside it.
    """

    visit: str
    samples: gpd.GeoDataFrame
    counts: pd.DataFrame
    notes: tuple[Note, ...] = field(default=())
    recounts: pd.DataFrame | None = None
    pest: str = DEFAULT_PEST

    @property
    def crs(self) -> pyproj.CRS:
        """The projected CRS, in metres, of everything in the survey."""
        return cast("pyproj.CRS", self.samples.crs)

    def to_geodataframe(self) -> gpd.GeoDataFrame:
        """Return the samples at their places with the visit's pest added up in each.

        Returns
        -------
        GeoDataFrame
            The samples and a column ``count``: insects of all stages, missing where nobody looked for any.
        """
        own = self.counts[self.counts["pest"] == self.pest]
        totals = own.groupby("sample_id")["count"].sum()
        return cast("gpd.GeoDataFrame", self.samples.assign(count=self.samples["sample_id"].map(totals)))

    def summary(self) -> dict[str, Any]:
        """Return the samples by status and method, the counts by stage, how two counters agree, and every note."""
        pest, samples, counts = load_pest(self.pest), self.samples, self.counts
        counted = samples[samples["status"] == "counted"]
        by_stage = dict(iter(counts.groupby("stage")["count"]))
        return {
            "visit": self.visit,
            "pest": self.pest,
            "samples": len(samples),
            "by_status": samples["status"].value_counts().to_dict(),
            "by_method": counted["method"].value_counts().to_dict(),
            "insects": int(counts["count"].sum()),
            "samples_with_insects": int((counts.groupby("sample_id")["count"].sum() > 0).sum()),
            "by_stage": {
                stage: {"looked_for_in": len(by_stage[stage]), "found": int(by_stage[stage].sum())}
                for stage in (*(stage.key for stage in pest.stages), UNSTAGED)
                if stage in by_stage
            },
            "partly_counted": partly_counted(self, self.pest),
            "moved_samples": int(samples["moved"].sum()),
            "moved_share": float(counted["moved"].mean()) if len(counted) else None,
            "joined_by_position": int((samples["joined_by"] == "position").sum()),
            "recounts": [asdict(one) for one in compare_recounts(self, pest)],
            "notes": [{"what": note.what, "where": note.where, **note.facts} for note in self.notes],
        }


def load_counts(survey: Survey, visit: str | None = None) -> Counts:
    """Return a visit's counts, the newest visit's when ``visit`` is None.

    Raises
    ------
    SurveyError
        When no counts have been taken in, or counts and samples no longer belong together.
    """
    name = survey.find_visit(visit)
    samples = cast("gpd.GeoDataFrame", survey.need("samples", visit=name))
    counts, recounts = survey.read("counts"), survey.read("recounts")
    of_visit = [frame[frame["visit"] == name].reset_index(drop=True) for frame in (counts, recounts)]
    points = survey.read("points")
    _check_pairs(survey, points[points["visit"] == name], samples, of_visit[0])
    visits = survey.read("visits")
    pest = str(visits.loc[visits["visit"] == name, "pest"].iloc[0])
    return Counts(name, samples, of_visit[0], recounts=None if of_visit[1].empty else of_visit[1], pest=pest)


def _check_pairs(survey: Survey, points: pd.DataFrame, samples: pd.DataFrame, counts: pd.DataFrame) -> None:
    """Let only counts pass whose bag is there, and bags that have counts and a point: otherwise rows were lost."""
    counted = samples["sample_id"][samples["status"] == "counted"]
    lost = [
        ("counts", set(counts["sample_id"]) - set(samples["sample_id"]), "counts of", "samples that layer samples has"),
        ("samples", set(counted) - set(counts["sample_id"]), "counted and without a count:", "a count for each"),
        ("samples", set(samples["point_id"]) - set(points["point_id"]), "samples of", "points that layer points has"),
    ]
    problems = [
        Problem(f"{survey.path} layer {layer}", f"{said} {list_names(sorted(names))}", expected, _MEND)
        for layer, names, said, expected in lost
        if names
    ]
    if problems:
        raise SurveyError(problems)


_MEND = "take them in again with 'geosample counts', mend the rows, or restore the file from a back-up"


def tally(counts: Counts, pest: str, *, stages: Collection[str] | None = None) -> gpd.GeoDataFrame:
    """Return the counted samples with how many of a pest were found in each.

    Parameters
    ----------
    counts : Counts
        What came back.
    pest : str
        The pest to add up.
    stages : collection of str, optional
        Stage keys to add up; all that were looked for when None.

    Returns
    -------
    GeoDataFrame
        The samples with status ``counted`` and a ``count`` column (whole number). A sample in which none of the
        stages was looked for is left out, and one counted in part (``partly_counted``): that is missing, not zero.

    Raises
    ------
    CountsError
        When no counted sample looked for that pest and those stages.
    """
    rows = counts.counts[counts.counts["pest"] == pest]
    if stages is not None:
        rows = rows[rows["stage"].isin(list(stages))]
    partly = partly_counted(counts, pest, stages=stages)
    totals = rows.groupby("sample_id")["count"].sum().drop(partly)
    done = counts.samples[(counts.samples["status"] == "counted") & counts.samples["sample_id"].isin(totals.index)]
    if done.empty:
        remedy = "write the blank stages, 0 if none were found" if partly else "take counts in with 'counts'"
        found = f"no counted sample of {pest}" + (f" but {len(partly)} counted in part" if partly else "")
        if stages is not None and not partly:
            found, remedy = f"{found} in which {', '.join(stages)} was looked for", "name stages that were counted"
        raise CountsError(Problem(f"visit {counts.visit}", found, "at least one", remedy))
    found = done.assign(count=done["sample_id"].map(totals).astype("int64").to_numpy())
    return cast("gpd.GeoDataFrame", found.reset_index(drop=True))


def partly_counted(counts: Counts, pest: str, *, stages: Collection[str] | None = None) -> list[str]:
    """Return the counted samples in which a stage was not looked for that most were searched for: no total is known.

    Parameters
    ----------
    counts, pest, stages
        As for ``tally``.

    Notes
    -----
    A stage counts as searched for where at least half of the samples with stages have it; one that few looked for adds
    to their totals and is asked of no other. A sample with a count of no stage (``unstaged``) is whole.
    """
    done = set(counts.samples["sample_id"][counts.samples["status"] == "counted"])
    rows = counts.counts[(counts.counts["pest"] == pest) & counts.counts["sample_id"].isin(done)]
    if stages is not None:
        rows = rows[rows["stage"].isin([*stages, UNSTAGED])]
    return find_partly(rows)


def find_partly(rows: pd.DataFrame) -> list[str]:
    """Return the samples of which no total is known, from rows of sample_id and stage, one for each count there is.

    Examples
    --------
    >>> typed = [("a", "L1"), ("a", "L2"), ("b", "L1"), ("c", "unstaged")]
    >>> find_partly(pd.DataFrame(typed, columns=["sample_id", "stage"]))
    ['b']
    """
    whole = set(rows["sample_id"][rows["stage"] == UNSTAGED])
    rows = rows[~rows["sample_id"].isin(whole)]
    searched = rows.groupby("stage")["sample_id"].nunique()
    usual = searched.index[searched * 2 >= rows["sample_id"].nunique()]
    has = rows[rows["stage"].isin(usual)].groupby("sample_id")["stage"].nunique()
    has = has.reindex(rows["sample_id"].unique(), fill_value=0)
    return [str(name) for name in has.index[has < len(usual)]]


ALL_STAGES = "all stages"
SMALL_LARVAE = ("L1", "L2")
"""The instars that are easily missed without practice (common practice, no source)."""
LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class Agreement:
    """One stage's first count over the second, in the bags counted twice.

    Parameters
    ----------
    stage : str
        A stage, ``small larvae`` (instars 1 and 2), or all stages.
    bags, same : int
        Bags in which both counters looked for it, and those in which they agree to the insect.
    first, second : int
        Insects found.
    ratio, low, high : float
        First over second with its 95 % interval; not a number where neither found any.
    """

    stage: str
    bags: int
    same: int
    first: int
    second: int
    ratio: float
    low: float
    high: float


def compare_recounts(counts: Counts, pest: Pest) -> list[Agreement]:
    """Return the counters' agreement: all stages, small larvae, then each stage; empty without a bag counted twice.

    Notes
    -----
    The interval takes the two counts as independent, given their sum (Clopper and Pearson on first / sum, turned
    into a ratio). Both counters saw the same bag, so the true uncertainty is smaller: the interval is cautious.
    """
    pairs = pair_recounts(counts)
    if pairs.empty:
        return []
    groups = [(ALL_STAGES, pairs), ("small larvae", pairs[pairs["stage"].isin(SMALL_LARVAE)])]
    order = [stage.key for stage in pest.stages] + [UNSTAGED]
    groups += [(stage, pairs[pairs["stage"] == stage]) for stage in order]
    return [_agree(name, rows) for name, rows in groups if len(rows)]


def find_agreement(agreements: Iterable[Agreement]) -> list[Finding]:
    """Return the agreement as findings, a row a stage."""
    return [
        Finding(
            *(What.RECOUNT, one.stage, one.ratio, one.low, one.high),
            detail={"first": one.first, "second": one.second, "bags": one.bags, "same": one.same},
        )
        for one in agreements
    ]


def pair_recounts(counts: Counts, *, how: Literal["inner", "outer"] = "inner") -> pd.DataFrame:
    """Return a row a bag, pest and stage with the ``first`` and the ``second`` count.

    Parameters
    ----------
    counts : Counts
        What came back.
    how : {'inner', 'outer'}
        What both looked for alone, or all, not a number where one did not look.
    """
    keys = ["sample_id", "pest", "stage"]
    first = counts.counts[[*keys, "count"]].rename(columns={"count": "first"})
    again = counts.counts[:0] if counts.recounts is None else counts.recounts
    return first.merge(again[[*keys, "count"]].rename(columns={"count": "second"}), on=keys, how=how)


def _agree(stage: str, rows: pd.DataFrame) -> Agreement:
    bags = rows.groupby("sample_id")[["first", "second"]].sum()
    alike = rows.assign(same=rows["first"] == rows["second"]).groupby("sample_id")["same"].all()
    first, second = int(bags["first"].sum()), int(bags["second"].sum())
    low, high = recount_interval(first, second)
    ratio = first / second if second else (math.inf if first else math.nan)
    return Agreement(stage, len(bags), int(alike.sum()), first, second, ratio, low, high)


def recount_interval(first: int, second: int) -> tuple[float, float]:
    """Return the interval of first over second, two counts of the same bags.

    Examples
    --------
    >>> [round(end, 3) for end in recount_interval(10, 30)]
    [0.145, 0.701]
    """
    from geosample.distributions import exact_limits

    if first + second == 0:
        return math.nan, math.nan
    low, high = (float(end) for end in exact_limits(first, first + second, (1 - LEVEL) / 2))
    return low / (1 - low), math.inf if second == 0 else high / (1 - high)


ANSWERED = ("counted", "off_turf")
COVERAGE = ("unanswered", "reserve_skipped", "extra_answers")
"""Notes on who never came back, which depend on all the samples of a visit."""
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


def note_coverage(samples: pd.DataFrame, points: pd.DataFrame) -> list[Note]:
    """Return who never came back, by stratum, with the reserve points that stand in for them in order."""
    state = _state_of_points(samples)
    plan = points.assign(state=[state.get(point_id, "not_returned") for point_id in points["point_id"]])
    ordered = plan.sort_values(["walk_order", "point_id"], kind="stable")
    notes: list[Note] = []
    for stratum, rows in ordered.groupby("stratum", sort=True, dropna=False):
        main, reserve = rows[rows["role"] == "main"], rows[rows["role"] == "reserve"]
        missing = main[~main["state"].isin(ANSWERED)]
        stand_ins = list(reserve.loc[reserve["state"].isin(ANSWERED), "point_id"])
        for i, (point_id, why) in enumerate(zip(missing["point_id"], missing["state"], strict=True)):
            facts = {"status": why, "stand_in": stand_ins[i] if i < len(stand_ins) else None}
            notes.append(Note("unanswered", str(point_id), facts=facts))
        # passed over without a word, though a later one of the stratum was pulled
        used = [place for place, state in enumerate(reserve["state"]) if state in ANSWERED]
        earlier = reserve.iloc[: max(used, default=0)]
        skipped = list(earlier.loc[earlier["state"] == "not_returned", "point_id"])
        if skipped:
            notes.append(Note("reserve_skipped", f"stratum {stratum}", facts={"points": skipped}))
        extra = len(stand_ins) - len(missing)
        if extra > 0:
            notes.append(Note("extra_answers", f"stratum {stratum}", facts={"extra": extra}))
    return notes


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
_SAYS_NOTHING_NEW = ("joined_by", "collector", "counted_by", "collected_at", "note")
"""Fields that no number rests on: results stay where only these change."""
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
    differences : tuple of Note
        What changed in each replaced sample.
    main_points : tuple of str
        The design's main points.
    """

    counts: Counts
    new: tuple[str, ...]
    same: tuple[str, ...]
    changed: tuple[str, ...]
    differences: tuple[Note, ...]
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
            "differences": [{"sample": note.where, **note.facts} for note in self.differences],
            "notes": notes,
        }


def add_counts(survey: Survey, fresh: Counts, design: Design, *, replace_others: bool = False) -> Added:
    """Put what came back into the survey, row by row, under the survey's lock, with how two counters agree.

    Parameters
    ----------
    fresh : Counts
        From ``read_counts``; samples of the visit that it does not mention stay as they are.
    design : Design
        The visit's, for the weights, which depend on all its samples.
    replace_others : bool
        Whether a row may take the place of another person's, with other counts; else both are shown and asked about.

    Raises
    ------
    CountsError
        Where a bag of the survey was counted by another person and differs; nothing is changed then.
    SurveyError
        When the survey can't be written; nothing is changed then.
    """
    of_visit = {"visit": fresh.visit}
    with survey.change() as change:
        frames = [change.read(layer) for layer in ("samples", "counts", "recounts")]
        samples, counts, recounts = (frame[frame["visit"] == fresh.visit] for frame in frames)
        old = Counts(fresh.visit, cast("gpd.GeoDataFrame", samples), counts, recounts=recounts, pest=fresh.pest)
        fresh = _keep_signed(old, fresh)
        if not replace_others:
            _ask_about_others(old, fresh)
        added = merge_counts(old, fresh, design)
        if added.new or added.changed or _more_recounts(old, added.counts):
            change.put("samples", added.counts.samples, where=of_visit)
            change.put("counts", added.counts.counts, where=of_visit)
            other = added.new or any(note.facts["field"] not in _SAYS_NOTHING_NEW for note in added.differences)
            stale = change.forget_results(fresh.visit) if other else []
            if stale:
                told = Note("results_taken_away", f"visit {fresh.visit}", facts={"layers": list(stale)})
                added = replace(added, counts=replace(added.counts, notes=(told, *added.counts.notes)))
            if added.counts.recounts is not None:
                change.put("recounts", added.counts.recounts, where=of_visit)
            agreed = find_agreement(compare_recounts(added.counts, load_pest(design.visit.pest)))
            if agreed:
                put_findings(change, fresh.visit, design.visit.pest, agreed)
    return added


_SIGNED = ("collector", "counted_by", "collected_at")


def _keep_signed(old: Counts, fresh: Counts) -> Counts:
    """Return the fresh rows with who and when of the survey's, where they say the same counts and do not say who."""
    before, after = _by_sample(old), _by_sample(fresh)
    same = [name for name in after if name in before and not _differ_in_counts(before[name], after[name])]
    samples = fresh.samples.copy()
    told = samples["sample_id"].isin(same)
    known = old.samples.set_index("sample_id")
    for name in _SIGNED:
        silent = told & samples[name].isna()
        samples.loc[silent, name] = samples.loc[silent, "sample_id"].map(known[name])
    silent = told & samples["note"].isna()
    samples.loc[silent, "note"] = samples.loc[silent, "sample_id"].map(known["note"])
    return replace(fresh, samples=samples)


def _ask_about_others(old: Counts, fresh: Counts) -> None:
    """Ask about bags that the survey has from another person with other counts.

    A row of nobody's is corrected by whoever signs it; but what was counted on paper and again on a phone, which takes
    the time, are two counts.
    """
    before, after = _by_sample(old), _by_sample(fresh)
    problems = []
    for name, said in after.items():
        was = before.get(name)
        if was is None or was["counted_by"] == said["counted_by"] or was["status"] != "counted":
            continue
        if not was["counted_by"] and "counted at: " not in str(said["note"]):
            continue
        if differs := _differ_in_counts(was, said):
            shown = "; ".join(f"{one['field'].rpartition(', ')[2]} {one['was']} and {one['now']}" for one in differs)
            people = " and ".join(str(one["counted_by"] or "nobody named") for one in (was, said))
            problems.append(
                Problem(
                    f"bag {name}",
                    f"two counts, by {people}: {shown}",
                    "one count a bag",
                    "take the wrong one out of its file or back on its phone; or let the new ones hold (--replace)",
                )
            )
    if problems:
        raise CountsError(problems)


def _differ_in_counts(before: dict[str, object], after: dict[str, object]) -> list[dict[str, Any]]:
    return [one for one in _differ(before, after) if one["field"] == "status" or str(one["field"]) not in COMPARED]


def merge_counts(old: Counts, fresh: Counts, design: Design) -> Added:
    """Return the visit's counts with the fresh rows in place of their own older ones, and what that changed."""
    old, came = _drop_placeholders(old, fresh)
    before, after = _by_sample(old), _by_sample(fresh)
    differences = {name: _differ(before[name], said) for name, said in after.items() if name in before}
    changed = tuple(name for name, notes in differences.items() if notes)
    samples = _put(old.samples, fresh.samples, set(after))
    weighed = use_weights(sort_samples(cast("gpd.GeoDataFrame", samples), design), design.points)
    counts = _put(old.counts, fresh.counts, set(after)).sort_values(["sample_id", "pest", "stage"], kind="stable")
    notes = [note for note in fresh.notes if note.what not in COVERAGE] + note_coverage(weighed, design.points)
    merged = replace(
        fresh,
        samples=cast("gpd.GeoDataFrame", weighed),
        counts=counts.reset_index(drop=True),
        notes=tuple(notes),
        recounts=_merge_recounts(old.recounts, fresh.recounts),
    )
    merged = replace(merged, notes=(*merged.notes, *_note_unpaired(merged)))
    told = tuple(Note("replaced", name, facts=facts) for name, notes in differences.items() for facts in notes)
    told = (*came, *told)
    new = tuple(name for name in after if name not in before)
    same = tuple(name for name in differences if name not in changed)
    points = design.points
    mains = tuple(points.loc[points["role"] == "main", "point_id"])
    return Added(merged, new, same, changed, told, mains)


def _drop_placeholders(old: Counts, fresh: Counts) -> tuple[Counts, tuple[Note, ...]]:
    """Take away records of points without a bag, which name no method, where a bag has come since; and say so."""
    bagless = old.samples["method"].eq("other") & old.samples["status"].ne("counted")
    gone = bagless & old.samples["point_id"].isin(fresh.samples["point_id"])
    gone &= ~old.samples["sample_id"].isin(fresh.samples["sample_id"])
    bags = fresh.samples.drop_duplicates("point_id").set_index("point_id")
    told = tuple(
        Note("replaced", bags["sample_id"][one.point_id],
             facts={"field": "status", "was": one.status, "now": bags["status"][one.point_id]})
        for one in old.samples[gone].itertuples()
    )  # fmt: skip
    return replace(old, samples=cast("gpd.GeoDataFrame", old.samples[~gone])), told


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
        said.get(str(sample_id), {})[f"{pest}, {stage}"] = int(count)
    return said


def _differ(before: dict[str, object], after: dict[str, object]) -> list[dict[str, object]]:
    """Return what changed: the field, what was there, and what is there now."""
    names = [*before, *(name for name in after if name not in before)]
    return [
        {"field": name, "was": before.get(name), "now": after.get(name)}
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


def _merge_recounts(old: pd.DataFrame | None, fresh: pd.DataFrame | None) -> pd.DataFrame | None:
    frames = [frame for frame in (old, fresh) if frame is not None and len(frame)]
    if not frames:
        return None
    joined = pd.concat(frames, ignore_index=True)
    last = joined.drop_duplicates(["sample_id", "pest", "stage"], keep="last")
    return last.sort_values(["sample_id", "pest", "stage"], kind="stable").reset_index(drop=True)


def _note_unpaired(counts: Counts) -> list[Note]:
    """Tell of second counts that have no first one to compare with."""
    if counts.recounts is None:
        return []
    alone = counts.recounts[~counts.recounts["sample_id"].isin(counts.counts["sample_id"])]
    names = sorted(set(alone["sample_id"]))
    return [Note("recount_alone", name) for name in names]


def _more_recounts(old: Counts, merged: Counts) -> bool:
    if merged.recounts is None:
        return False
    return old.recounts is None or not old.recounts.reset_index(drop=True).equals(merged.recounts)
