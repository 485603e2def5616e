"""The layer ``findings``: what was fitted or decided, one typed row each, read and written here and nowhere else."""

from __future__ import annotations

import json
import math
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import pandas as pd

from geosample.errors import Problem, SurveyError
from geosample.survey.layers import shape_frame

if TYPE_CHECKING:
    from geosample.survey import Survey
    from geosample.survey.writing import SurveyChange


class What(StrEnum):
    """What a finding is about; the value is what stands in the layer."""

    BORDER_RATIO = "border ratio"
    COMMON_BORDER_RATIO = "common border ratio"
    K = "k"
    VARIANCE_TO_MEAN = "variance to mean"
    MORISITA = "Morisita's index"
    CROWDING = "Lloyd's mean crowding"
    PATCHINESS = "Lloyd's patchiness"
    TAYLOR_SLOPE = "Taylor's slope"
    TAYLOR_INTERCEPT = "Taylor's intercept"
    IWAO_SLOPE = "Iwao's slope"
    IWAO_INTERCEPT = "Iwao's intercept"
    STAGE_SHARE = "stage share"
    STAGE_GROUP_SHARE = "stage group share"
    DECISION = "decision"
    ACCOUNT = "account"
    RECOUNT = "recount agreement"
    COMPARISON = "method ratio"
    MAP_WORTH = "map worth"
    BORDER_EFFECT = "border effect"
    MAP_K = "map k"
    RANGE = "range"
    SPREAD = "spread"
    KNOWN_SHARE = "known share"
    MAP_SCORE = "map score"
    BLOCK_SCORE = "map block score"
    MAP_COVERAGE = "map coverage"
    MAP_CALIBRATION = "map calibration"
    HOTSPOT = "hotspot"
    CLUSTERS = "clusters"
    NO_MAP = "no map"
    PLAN = "plan"
    PLAN_SETTINGS = "plan settings"
    TARGETING_CURVE = "targeting curve"
    SMOOTHING = "smoothing"
    OVERSPRAY = "overspray"


_GONE = {"answer": What.ACCOUNT}
"""Kinds of older versions -> what has taken their place: they go when it is written."""


# Who makes a kind again; what is not named here is made by estimate.
_MADE_BY = {
    "counts": {What.RECOUNT},
    "compare": {What.COMPARISON},
    "density": {kind for kind in What if kind.startswith("map ")}
    | {What.BORDER_EFFECT, What.RANGE, What.SPREAD, What.KNOWN_SHARE, What.HOTSPOT, What.CLUSTERS, What.NO_MAP},
    "treat": {What.PLAN, What.PLAN_SETTINGS, What.TARGETING_CURVE, What.SMOOTHING, What.OVERSPRAY},
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One fitted or decided thing.

    Parameters
    ----------
    what : What
        What it is about.
    domain : str
        The part of the ground, or of the answer, it speaks of; ``all`` for all of it.
    value, low, high : float
        The number and its interval; missing (nan) where there is none.
    threshold_per_m2 : float
        The density it was held against, insects per m²; missing where none was.
    detail : mapping
        Further facts, plain JSON types, names with their unit: how many bags, the interval's level, a verdict's code.
    """

    what: What
    domain: str
    value: float = math.nan
    low: float = math.nan
    high: float = math.nan
    threshold_per_m2: float = math.nan
    detail: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Findings:
    """The findings of one visit and pest, in the order they were stored.

    Examples
    --------
    >>> found = Findings("May", "abw", (Finding(What.K, "all", 0.8), Finding(What.K, "green", 0.6)))
    >>> found.first(What.K, "green").value, found.first(What.RANGE), len(found.of(What.K))
    (0.6, None, 2)
    """

    visit: str
    pest: str
    rows: tuple[Finding, ...]

    def __iter__(self) -> Iterator[Finding]:
        """Iterate over the rows."""
        return iter(self.rows)

    def of(self, *what: What) -> tuple[Finding, ...]:
        """Return the findings about some things."""
        return tuple(row for row in self.rows if row.what in what)

    def first(self, what: What, domain: str | None = None) -> Finding | None:
        """Return the first finding about a thing (and a domain); None when there is none."""
        return next((row for row in self.of(what) if domain in {None, row.domain}), None)


def read_findings(survey: Survey, visit: str, pest: str, *what: What) -> Findings:
    """Return what was found of a visit and pest; only some kinds of it when named.

    Raises
    ------
    SurveyError
        When a row is of a kind that is not known.
    """
    frame = survey.read("findings")
    mine = frame[(frame["visit"] == visit) & (frame["pest"] == pest)]
    if what:
        mine = mine[mine["what"].isin([str(one) for one in what])]
    return Findings(visit, pest, tuple(_read_row(survey, row) for row in mine.itertuples()))


def visits_with(survey: Survey, what: What) -> list[tuple[str, str]]:
    """Return the visits and pests that have findings of a kind, in the order they were stored."""
    frame = survey.read("findings")
    found = frame[frame["what"] == str(what)]
    return list(dict.fromkeys(zip(found["visit"].astype(str), found["pest"].astype(str), strict=True)))


def put_findings(
    change: SurveyChange, visit: str, pest: str, rows: Iterable[Finding], *, own: Collection[What] | None = None
) -> None:
    """Put a stage's findings into a change of the survey, in place of those of the same kinds.

    Parameters
    ----------
    change : SurveyChange
        From ``survey.change()``.
    visit, pest : str
        Whose.
    rows : iterable of Finding
        The new ones.
    own : collection of What, optional
        All the kinds the stage makes, of which the old rows are taken away; the kinds among the rows when None.
    """
    rows = list(rows)
    kinds = {row.what for row in rows} if own is None else set(own)
    gone = [kind for kind, now in _GONE.items() if now in kinds]
    where = {"visit": visit, "pest": pest, "what": sorted([*map(str, kinds), *gone])}
    change.put("findings", frame_findings(visit, pest, rows), where=where)


def frame_findings(visit: str, pest: str, rows: Iterable[Finding]) -> pd.DataFrame:
    """Return findings as rows of the layer; an endless value or end of an interval is missing there."""
    columns = ("value", "low", "high", "threshold_per_m2")
    table = [
        {
            "visit": visit,
            "pest": pest,
            "what": str(row.what),
            "domain": row.domain,
            **{name: number if math.isfinite(number := getattr(row, name)) else math.nan for name in columns},
            "note": json.dumps(dict(row.detail), ensure_ascii=False, sort_keys=True) if row.detail else None,
        }
        for row in rows
    ]
    return shape_frame("findings", pd.DataFrame(table))


def _read_row(survey: Survey, row: Any) -> Finding:
    where = f"{survey.path} layer findings, '{row.what}' of visit {row.visit}"
    try:
        what = What(row.what)
    except ValueError as error:
        remedy = f"run 'geosample estimate {survey.path.name}' and the stages after it again"
        raise SurveyError(Problem(where, "a kind that is not known", f"one of: {', '.join(What)}", remedy)) from error
    try:
        detail = json.loads(row.note or "{}")
        if not isinstance(detail, dict):
            raise TypeError
    except (TypeError, ValueError) as error:
        stage = next((stage for stage, kinds in _MADE_BY.items() if what in kinds), "estimate")
        found, remedy = f"a note {str(row.note)[:60]!r}", f"run 'geosample {stage} {survey.path.name} ...' again"
        raise SurveyError(Problem(where, found, "facts as a JSON object", remedy)) from error
    return Finding(what, row.domain or "", row.value, row.low, row.high, row.threshold_per_m2, detail)
