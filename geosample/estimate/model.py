"""All of stage 5 in one call: Counts and Design in, Estimates out; the type, its place in the survey, and clumping.

The indices of clumping say nothing of where the insects are: they look at the list of counts alone. k stands in
``intervals``.

References
----------
Lloyd 1967; Iwao 1968; Morisita 1959; Taylor 1961 (from memory, unverified).
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd
import scipy  # its stats are slow to import, and load when the lines are fitted
from scipy import special

from geosample.counts import partly_counted
from geosample.distributions import Bags
from geosample.errors import EstimateError, Problem
from geosample.estimate.bags import ALL, gather_bags, group_bags, mix_stages, read_recovery
from geosample.estimate.intervals import Interval, border_ratio, fit_common_k, fit_k, split_sides
from geosample.estimate.means import check_domains, decide_groups, estimate_domains, estimate_stages
from geosample.files.saving import save_file, write_csv
from geosample.pests import load_pest
from geosample.results import Result
from geosample.survey.findings import Finding, Findings, What, put_findings, read_findings, visits_with
from geosample.units import FOOT2_M2

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from geosample.counts import Counts
    from geosample.design import Design
    from geosample.estimate.bags import Catch, Mix, Recovery
    from geosample.survey import Survey

    Floats = NDArray[np.float64]

# What this room writes into the layer ``findings``; the other rooms' findings stay.
OWN_FINDINGS = (
    What.ACCOUNT,
    What.BORDER_RATIO,
    What.COMMON_BORDER_RATIO,
    What.K,
    What.VARIANCE_TO_MEAN,
    What.MORISITA,
    What.CROWDING,
    What.PATCHINESS,
    What.TAYLOR_SLOPE,
    What.TAYLOR_INTERCEPT,
    What.IWAO_SLOPE,
    What.IWAO_INTERCEPT,
    What.STAGE_SHARE,
    What.STAGE_GROUP_SHARE,
    What.DECISION,
)


@dataclass(frozen=True, slots=True, repr=False)
class Estimates(Result):
    """What the counts of one visit say.

    Parameters
    ----------
    visit, pest : str
        Whose counts.
    estimates : DataFrame
        A row a domain and stage (``all`` for the total), columns of the layer ``estimates`` and se_per_m2; densities
        per m², totals in insects. Domain is all, kind, hole, surface, stratum or part.
    findings : Findings
        What was fitted or decided: border ratios, k and other indices of clumping, shares of stages, decisions, and the
        account of the points. Their details:

        - every row with an interval: ``level``;
        - border ratios: ``verdict`` (more, less, no_more, open), ``n`` bags of the common one;
        - shares of stages: ``found``, ``n_found`` insects at ``n_points`` points, ``n_effective``; of groups also
          ``lead`` (confidence that the commonest is commoner than the next) and ``before`` (visit, share, low, high,
          moved: whether the intervals part);
        - decisions: ``verdict`` (above, below, undecided), ``n``, ``more`` points that would settle it;
        - the account: ``planned``, ``counted``, ``reserves`` among them, ``lost`` by status, ``silent``, ``left_out``,
          ``pooled``, ``off_turf`` by stratum, ``stopped_early``, ``simulated``.
    """

    visit: str
    pest: str
    estimates: pd.DataFrame
    findings: Findings

    def summary(self) -> dict[str, Any]:
        """Return every row as a plain dict; densities per m², totals in insects."""
        rows = [{name: value for name, value in asdict(row).items() if name != "what"} for row in self.findings]
        return {
            "visit": self.visit,
            "pest": self.pest,
            "estimates": self.estimates.drop(columns=["visit", "pest"]).to_dict("records"),
            "findings": [{"what": str(row.what), **rest} for row, rest in zip(self.findings, rows, strict=True)],
        }


@dataclass(frozen=True, slots=True)
class EarlierMix:
    """An earlier visit's shares of the stage groups, 0 to 1, with their joint limits."""

    visit: str
    shares: Mapping[str, Interval]


def save_estimates(survey: Survey, estimates: Estimates) -> None:
    """Put the estimates and this room's findings into the survey file, in place of the visit's old ones."""
    of_visit = {"visit": estimates.visit, "pest": estimates.pest}
    with survey.change() as change:
        change.put("estimates", estimates.estimates, where=of_visit)
        put_findings(change, estimates.visit, estimates.pest, estimates.findings, own=OWN_FINDINGS)


def load_estimates(survey: Survey, visit: str, pest: str) -> Estimates:
    """Return the estimates of a visit and pest as they are kept; empty where there are none.

    Parameters
    ----------
    survey : Survey
        Where from.
    visit, pest : str
        Whose.
    """
    table = survey.read("estimates")
    mine = table[(table["visit"] == visit) & (table["pest"] == pest)].reset_index(drop=True)
    return Estimates(visit, pest, mine, read_findings(survey, visit, pest, *OWN_FINDINGS))


def load_mix_before(survey: Survey, visit: str, pest: str) -> EarlierMix | None:
    """Return the newest earlier visit's shares of the stage groups; None where no earlier one has any.

    Parameters
    ----------
    survey : Survey
        Where from.
    visit, pest : str
        Earlier than which visit, and of which pest.
    """
    visits = [name for name, of in visits_with(survey, What.STAGE_GROUP_SHARE) if of == pest]
    last = survey.newest_among(visits, before=visit)
    if last is None:
        return None
    rows = read_findings(survey, last, pest, What.STAGE_GROUP_SHARE)
    return EarlierMix(last, {row.domain: Interval(row.value, row.low, row.high) for row in rows})


def write_estimates_csv(path: Path, estimates: Estimates) -> None:
    """Write every row of the estimates, per m² and per ft², as CSV (UTF-8).

    Raises
    ------
    EstimateError
        When the file can't be written.
    """
    rows = estimates.estimates
    feet = {f"{end}_per_ft2": rows[f"{end}_per_m2"] * FOOT2_M2 for end in ("mean", "low", "high")}
    save_file(path, write_csv(rows.assign(**feet)), EstimateError)


FEWEST_FOR_LAWS = 10  # pairs of mean and variance for Taylor or Iwao (Clark & Perry 1994)
FEWEST_IN_PAIR = 15  # sample units behind each pair (Clark & Perry 1994)


@dataclass(frozen=True, slots=True)
class Indices:
    """Indices of one list of counts; missing where too few insects were found.

    Parameters
    ----------
    ratio : float
        Variance to mean; 1 for a random scatter.
    morisita : float
        Morisita's I (1 for random).
    crowding, patchiness : float
        Lloyd's mean crowding, and that over the mean (1 for random).
    p_random : float
        Chance of at least this variance to mean from a random scatter.
    """

    ratio: float
    morisita: float
    crowding: float
    patchiness: float
    p_random: float


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """Taylor's or Iwao's line: intercept, slope, the slope's standard error, and r²."""

    intercept: float
    slope: float
    slope_se: float
    r2: float


def measure_clumping(count: Floats) -> Indices:
    """Return the indices of a list of counts.

    Examples
    --------
    >>> found = measure_clumping(np.array([0, 1, 0, 2, 0, 3, 1, 0, 4, 0, 0, 1, 7, 2, 0, 0.0]))
    >>> round(found.morisita, 6), round(found.crowding, 6)
    (2.438095, 3.22996)
    """
    n, total = count.size, float(count.sum())
    if n < 2 or total < 2:  # noqa: PLR2004
        return Indices(*([math.nan] * 5))
    mean = total / n
    ratio = float(count.var(ddof=1)) / mean
    crowding = mean + ratio - 1
    morisita = n * float((count * (count - 1)).sum()) / (total * (total - 1))
    p_random = float(special.chdtrc(n - 1, (n - 1) * ratio))
    return Indices(ratio, morisita, crowding, crowding / mean, p_random)


def fit_taylor(mean: Floats, variance: Floats) -> PowerLaw:
    """Return ln variance = ln a + b ln mean by least squares; ``intercept`` is a. Pairs of zero are left out."""
    kept = (mean > 0) & (variance > 0)
    line = scipy.stats.linregress(np.log(mean[kept]), np.log(variance[kept]))
    return PowerLaw(math.exp(line.intercept), float(line.slope), float(line.stderr), float(line.rvalue) ** 2)


def fit_iwao(mean: Floats, variance: Floats) -> PowerLaw:
    """Return mean crowding = alpha + beta mean by least squares. Pairs of zero mean are left out."""
    kept = mean > 0
    crowding = mean[kept] + variance[kept] / mean[kept] - 1
    line = scipy.stats.linregress(mean[kept], crowding)
    return PowerLaw(float(line.intercept), float(line.slope), float(line.stderr), float(line.rvalue) ** 2)


DEFAULT_BY = ("kind", "hole", "stratum")
STAGES_BY = ("kind",)
BORDER_MARGIN = 1.5
"""A border at most this many times the interior holds no more, or little more (own choice)."""

BorderVerdict = Literal["more", "less", "no_more", "open"]


def estimate_means(  # noqa: PLR0913 - plain keywords, each with its unit in its name
    counts: Counts,
    design: Design,
    *,
    by: Sequence[str] = DEFAULT_BY,
    level: float = 0.95,
    threshold_per_m2: float | None = None,
    pest: str | None = None,
    recovery: Sequence[Recovery] | Mapping[str, float] = (),
    decision_level: float = 0.90,
    border_margin: float = BORDER_MARGIN,
    before: EarlierMix | None = None,
) -> Estimates:
    """Return how many insects there are, how sure that is, which stages, and whether the border holds more.

    Parameters
    ----------
    counts : Counts
        What came back.
    design : Design
        The same visit's design: its points give each bag's stratum, its strata the exact target areas.
    by : sequence of str
        Domains besides the whole ground: kind, hole, surface, stratum, part. Kinds are always estimated.
    level : float
        Two-sided confidence of the intervals, above 0.5 and below 1.
    threshold_per_m2 : float, optional
        An action threshold, insects per m², to hold each kind against.
    pest : str, optional
        Another pest than the visit's own.
    recovery : sequence of Recovery, or mapping of str to float
        The share of a reference method's catch that a method finds, by method; 1.0 unless set.
    decision_level : float
        Two-sided confidence of the interval held against the threshold: 0.90 leaves 5 % on each side.
    border_margin : float
        The border holds no more, or little more, when at most this many times the interior's density.
    before : EarlierMix, optional
        The stage mix of an earlier visit to compare with.

    Returns
    -------
    Estimates
        ``estimates`` has stage ``all`` for the total and a row a stage for the whole ground and each kind; densities
        per m², totals in insects.

    Raises
    ------
    EstimateError
        For an unknown domain, a level or threshold out of range, mixed methods without recovery factors, bags with
        no weight or area, or points that were chosen and not drawn.
    CountsError
        When no counted sample looked for the pest.

    Notes
    -----
    Means are Hájek means with the bags' design weights within strata, added up over the strata's exact areas. Their
    intervals are negative binomial profile likelihood (exact zero bound after only zeros) within strata, joined by
    MOVER. ``se_per_m2`` comes from the local mean variance, corrected and with its floor.
    """
    wanted = tuple(dict.fromkeys(("kind", *check_domains(by))))
    _check_numbers(level, threshold_per_m2)
    _check_drawn(design)
    catch = gather_bags(counts, design, pest=pest, recovery=read_recovery(recovery))
    profile = load_pest(catch.pest)
    stages, groups = (mix_stages(catch, profile, grouped=grouped, level=level) for grouped in (False, True))
    account = count_account(catch, counts, design)
    rows = (
        account,
        *find_border(catch, level=level, margin=border_margin),
        *_find_mix(What.STAGE_SHARE, stages, None),
        *_find_mix(What.STAGE_GROUP_SHARE, groups, before),
        *find_clumping(catch, level=level),
        *_decide(catch, threshold_per_m2, decision_level),
    )
    table = pd.concat(
        [estimate_domains(catch, wanted, level=level), estimate_stages(catch, STAGES_BY, level=level)],
        ignore_index=True,
    )
    marks = "; stopped early" if account.detail["stopped_early"] else ""
    marks += "; simulated counts" if account.detail["simulated"] else ""
    table = table.assign(method=table["method"] + marks)
    return Estimates(counts.visit, catch.pest, table, Findings(counts.visit, catch.pest, rows))


def _check_drawn(design: Design) -> None:
    """Refuse a follow-up round: its points were chosen for the map, so no chance of being drawn gives them weight."""
    follows = design.visit.follows
    if follows:
        found = f"points chosen to sharpen the map of {follows}, not drawn"
        remedy = f"estimate that round, `visit={follows}`; 'geosample density' maps both rounds together"
        raise EstimateError(Problem(f"visit {design.visit.visit}", found, "a visit of 'geosample design'", remedy))


def _check_numbers(level: float, threshold_per_m2: float | None) -> None:
    problems = []
    if not 0.5 < level < 1:  # noqa: PLR2004
        problems.append(Problem("level", f"{level:g}", "above 0.5 and below 1", "0.95 is usual"))
    if threshold_per_m2 is not None and not threshold_per_m2 > 0:
        problems.append(
            Problem("threshold_per_m2", f"{threshold_per_m2:g}", "a density above 0", "write `threshold_per_m2=323`")
        )
    if problems:
        raise EstimateError(problems)


def count_account(catch: Catch, counts: Counts, design: Design) -> Finding:
    """Return how many planned points were counted, what became of the others, and what was left out."""
    statuses = counts.samples.set_index("point_id")["status"]
    points = design.points
    main = points.loc[points["role"] == "main", "point_id"]
    reserves = set(points.loc[points["role"] == "reserve", "point_id"]) & set(catch.bags["point_id"])
    lost = {str(status): int(n) for status, n in statuses[statuses != "counted"].value_counts().items()}
    return Finding(
        What.ACCOUNT,
        ALL,
        detail={
            "planned": len(main),
            "counted": len(catch.bags),
            "reserves": len(reserves),
            "lost": lost,
            "silent": int((~main.isin(statuses.index)).sum()),
            "left_out": list(catch.left_out),
            "partly": partly_counted(counts, catch.pest),
            "pooled": catch.pooled,
            "off_turf": [asdict(one) for one in catch.off_turf],
            # Only by stop lines: a mean of bags stopped so leans away from the threshold.
            "stopped_early": lost.get("not_extracted", 0) if design.visit.stop_lines else 0,
            "simulated": bool(design.visit.simulated),
        },
    )


def judge_border(low: float, high: float, margin: float = BORDER_MARGIN) -> BorderVerdict:
    """Return what the border does by its ratio's interval; ``open`` where the counts don't settle it.

    Parameters
    ----------
    low, high : float
        The interval of border over interior density.
    margin : float
        A border that may hold at most so many times the interior holds little more at the most.

    Examples
    --------
    >>> judge_border(1.4, 5.0), judge_border(0.1, 0.8), judge_border(0.1, 1.1), judge_border(0.5, 3.0)
    ('more', 'less', 'no_more', 'open')
    """
    if low > 1:
        return "more"
    if high < 1:
        return "less"
    return "no_more" if high <= margin else "open"


def find_border(catch: Catch, *, level: float = 0.95, margin: float = BORDER_MARGIN) -> list[Finding]:
    """Return border over interior density common to all kinds, and each kind's; nothing where bags are too few.

    The kinds' levels pay for looking at several (Bonferroni).
    """
    common, sides = border_ratio(catch.bags, level=level), split_sides(catch.bags)
    if common is None or sides is None:
        return []
    found = [_border_row(What.COMMON_BORDER_RATIO, ALL, common, level, margin, n=sides.count.size)]
    kinds = {str(kind): bags for kind, bags in catch.bags.groupby("kind", sort=False) if split_sides(bags) is not None}
    kind_level = 1 - (1 - level) / max(len(kinds), 1)
    for kind, bags in kinds.items():
        ratio = border_ratio(bags, level=kind_level)
        if ratio is not None:
            found.append(_border_row(What.BORDER_RATIO, kind, ratio, kind_level, margin, n=len(bags)))
    return found


def _border_row(what: What, domain: str, ratio: Interval, level: float, margin: float, *, n: int) -> Finding:
    verdict = judge_border(ratio.low, ratio.high, margin)
    return _row(what, domain, ratio, verdict=verdict, level=level, n=n, margin=margin)


def _find_mix(what: What, mix: Mix | None, before: EarlierMix | None) -> list[Finding]:
    """Return a row for each stage's or group's share, with its share before where there was a visit before."""
    if mix is None:
        return []
    rows = []
    shared = {"n_found": mix.n_found, "n_points": mix.n_points, "n_effective": mix.n_effective, "level": mix.level}
    if what is What.STAGE_GROUP_SHARE:
        shared["lead"] = None if math.isnan(mix.lead) else mix.lead  # type: ignore[assignment]
    for name, row in mix.shares.iterrows():
        share = Interval(float(row["share"]), float(row["low"]), float(row["high"]))
        detail: dict[str, object] = {**shared, "found": int(row["found"])}
        if before is not None:
            then = before.shares.get(str(name), Interval(0.0, 0.0, 0.0))
            moved = share.low > then.high or share.high < then.low
            detail["before"] = {
                "visit": before.visit, "share": then.value, "low": then.low, "high": then.high, "moved": moved
            }  # fmt: skip
        rows.append(_row(what, str(name), share, **detail))
    return rows


def find_clumping(catch: Catch, *, level: float = 0.95) -> list[Finding]:
    """Return k common to the strata, each kind's k and indices per bag, and Taylor's and Iwao's lines over strata."""
    rows = []
    groups = group_bags(catch.bags, "stratum")
    if groups is not None:
        rows.append(_row(What.K, ALL, fit_common_k(groups, level=level), level=level, n=groups.count.size))
    for kind, bags in catch.bags.groupby("kind", sort=False):
        data = Bags(*(bags[name].to_numpy(dtype=np.float64) for name in ("count", "effort_m2", "weight_m2")))
        k = fit_k(data, level=level)
        if k is None:
            continue
        rows.append(_row(What.K, str(kind), k, level=level, n=len(bags)))
        found = measure_clumping(data.count)
        p_random = None if math.isnan(found.p_random) else found.p_random
        for what, value in (
            (What.VARIANCE_TO_MEAN, found.ratio),
            (What.MORISITA, found.morisita),
            (What.CROWDING, found.crowding),
            (What.PATCHINESS, found.patchiness),
        ):
            rows.append(Finding(what, str(kind), value, detail={"n": len(bags), "p_random": p_random}))
    return [*rows, *find_laws(catch)]


def find_laws(catch: Catch) -> list[Finding]:
    """Return Taylor's and Iwao's lines over the strata, where there are enough with enough bags; no row otherwise.

    The slope's limits are two standard errors away.
    """
    groups = catch.bags.groupby("stratum")["count"].agg(["size", "mean", "var"])
    enough = groups[(groups["size"] >= FEWEST_IN_PAIR) & (groups["mean"] > 0)]
    if len(enough) < FEWEST_FOR_LAWS or enough["mean"].nunique() < 2:  # noqa: PLR2004 - a line needs two places
        return []
    mean, variance = (enough[name].to_numpy(dtype=np.float64) for name in ("mean", "var"))
    rows = []
    for slope, intercept, law in (
        (What.TAYLOR_SLOPE, What.TAYLOR_INTERCEPT, fit_taylor(mean, variance)),
        (What.IWAO_SLOPE, What.IWAO_INTERCEPT, fit_iwao(mean, variance)),
    ):
        reach, detail = 2 * law.slope_se, {"strata": len(enough), "r2": law.r2}
        rows.append(Finding(slope, ALL, law.slope, law.slope - reach, law.slope + reach, detail=detail))
        rows.append(Finding(intercept, ALL, law.intercept, detail=detail))
    return rows


def _decide(catch: Catch, threshold_per_m2: float | None, level: float) -> list[Finding]:
    """Return a row for each kind held against the threshold."""
    if threshold_per_m2 is None:
        return []
    return [
        Finding(
            What.DECISION,
            one.label,
            one.interval.value,
            one.interval.low,
            one.interval.high,
            threshold_per_m2,
            {"verdict": one.verdict, "level": level, "n": one.n, "more": one.more},
        )
        for one in decide_groups(catch, threshold_per_m2, level=level)
    ]


def _row(what: What, domain: str, interval: Interval, **detail: object) -> Finding:
    return Finding(what, domain, interval.value, interval.low, interval.high, detail=detail)
