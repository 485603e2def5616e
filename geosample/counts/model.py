"""Counts: the type this room makes, its place in the survey file, what the user may allow, and how two counters agree.

References
----------
Clopper & Pearson 1934, Biometrika 26:404-413: the exact interval of a share (from memory, unverified; the interval is
checked against statsmodels). Przyborowski & Wilenski 1940, Biometrika 31:313-323: two counts compared by the share of
their sum (from memory, unverified).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any, cast

import pandas as pd

from geosample.errors import CountsError, Problem, SurveyError, list_names
from geosample.files.reading import RowNote
from geosample.pests import DEFAULT_PEST, load_pest
from geosample.results import Result
from geosample.survey.findings import Finding, What
from geosample.units import FOOT2_M2
from geosample.words import UNSTAGED

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    import geopandas as gpd
    import pyproj

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
    notes : tuple of RowNote
        All that was forgiven, set aside or found missing.
    recounts : DataFrame or None
        Blind second counts: columns of the layer ``recounts``; None where there are none.
    pest : str
        The visit's own; others may have been counted beside it.
    """

    visit: str
    samples: gpd.GeoDataFrame
    counts: pd.DataFrame
    notes: tuple[RowNote, ...] = field(default=())
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
            "moved_samples": int(samples["moved"].sum()),
            "moved_share": float(counted["moved"].mean()) if len(counted) else None,
            "joined_by_position": int((samples["joined_by"] == "position").sum()),
            "recounts": [asdict(one) for one in compare_recounts(self, pest)],
            "notes": [{"where": note.where, "found": note.what, "done": note.done} for note in self.notes],
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
        stages was looked for is left out: that is missing, not zero.

    Raises
    ------
    CountsError
        When no counted sample looked for that pest and those stages.
    """
    rows = counts.counts[counts.counts["pest"] == pest]
    if stages is not None:
        rows = rows[rows["stage"].isin(list(stages))]
    totals = rows.groupby("sample_id")["count"].sum()
    done = counts.samples[(counts.samples["status"] == "counted") & counts.samples["sample_id"].isin(totals.index)]
    if done.empty:
        problem = Problem(
            f"visit {counts.visit}", f"no counted sample of {pest}", "at least one", "take counts in with 'counts'"
        )
        raise CountsError(problem)
    found = done.assign(count=done["sample_id"].map(totals).astype("int64").to_numpy())
    return cast("gpd.GeoDataFrame", found.reset_index(drop=True))


MOST_PER_M2 = 2000 / FOOT2_M2
"""Counts above this density are asked about: 2,000 per ft² (no published maximum found; several times any density
in the trade's thresholds, so a slip of the pen rather than a find)."""
DAYS_OF_VISIT = 7
"""A plug dated more than this many days from the visit is asked about (common practice, no source)."""
GPS_WITHIN_M = 10.0
"""How far a position may lie from its point, m, before the receiver's own accuracy is added: twice a phone's usual
4.9 m under open sky (GPS.gov, from memory)."""

MOST_MOVED_M = 100.0
"""A plug ticked as moved farther than this, m, is asked about: a slip of the pen rather than a walk (own choice)."""


@dataclass(frozen=True, slots=True)
class ReadRules:
    """What the user allows beyond the careful reading.

    Parameters
    ----------
    method : str or None
        The extraction method of rows that don't say theirs; None asks about them.
    sums : bool
        Read ``3+4`` as 7.
    set_aside : bool
        Take the good rows and list the bad ones, instead of taking none.
    most_per_m2 : float
        A count above this density, insects per m², is asked about.
    days : int
        How many days from the visit's date a plug may be dated.
    other_codes : mapping of str to str
        Design code -> visit, of the survey's other visits, to name the visit an old sheet belongs to.
    """

    method: str | None = None
    sums: bool = False
    set_aside: bool = False
    most_per_m2: float = MOST_PER_M2
    days: int = DAYS_OF_VISIT
    other_codes: Mapping[str, str] = field(default_factory=dict)


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
    pairs = _pair(counts)
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


def _pair(counts: Counts) -> pd.DataFrame:
    """Return a row a bag and stage that both counters looked for: first and second."""
    if counts.recounts is None:
        return pd.DataFrame(columns=["sample_id", "stage", "first", "second"])
    keys = ["sample_id", "pest", "stage"]
    first = counts.counts[[*keys, "count"]].rename(columns={"count": "first"})
    second = counts.recounts[[*keys, "count"]].rename(columns={"count": "second"})
    return first.merge(second, on=keys)


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
    from scipy.special import betaincinv

    both, tail = first + second, (1 - LEVEL) / 2
    if both == 0:
        return math.nan, math.nan
    low = 0.0 if first == 0 else float(betaincinv(first, second + 1, tail))
    high = 1.0 if second == 0 else float(betaincinv(first + 1, second, 1 - tail))
    return low / (1 - low), math.inf if second == 0 else high / (1 - high)
