"""All of stage 5 in one call: Counts and Design in, Estimates out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from geosample.cautions import SIMULATED
from geosample.errors import EstimateError, Problem
from geosample.estimate.bags import Settings, gather_bags
from geosample.estimate.decision import decide_groups
from geosample.estimate.domains import check_domains, estimate_domains, estimate_stages
from geosample.estimate.findings import (
    answer_rows,
    ask_border,
    border_rows,
    clumping_rows,
    decision_rows,
    make_findings,
    mix_rows,
)
from geosample.estimate.model import Estimates
from geosample.estimate.sentences import (
    say_account,
    say_border,
    say_decisions,
    say_densities,
    say_rule,
    say_shift,
    say_stages,
    say_stopped,
    say_thresholds,
)
from geosample.estimate.stages import mix_stages
from geosample.pests import load_pest

if TYPE_CHECKING:
    from collections.abc import Sequence

    from geosample.counts import Counts
    from geosample.design import Design
    from geosample.estimate.bags import Catch
    from geosample.estimate.decision import Decision
    from geosample.estimate.findings import BorderAnswer
    from geosample.estimate.stages import Mix

DEFAULT_BY = ("kind", "hole", "stratum")
STAGES_BY = ("kind",)


def estimate_means(
    counts: Counts,
    design: Design,
    *,
    by: Sequence[str] = DEFAULT_BY,
    level: float = 0.95,
    threshold_per_m2: float | None = None,
    settings: Settings | None = None,
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
    settings : Settings, optional
        Another pest, recovery factors, units of the sentences, the border's margin, the decision's level.

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
    asked = settings or Settings()
    catch = gather_bags(counts, design, asked)
    pest = load_pest(catch.pest)
    stages, groups = (mix_stages(catch, pest, grouped=grouped, level=level) for grouped in (False, True))
    found = _Found(
        catch=catch,
        estimates=estimate_domains(catch, wanted, level=level),
        stages=stages,
        groups=groups,
        border=ask_border(catch, level=level),
        decisions=()
        if threshold_per_m2 is None
        else tuple(decide_groups(catch, threshold_per_m2, level=asked.decision_level)),
    )
    statuses = counts.samples.set_index("point_id")["status"]
    sentences = _say(found, design, statuses, asked)
    rows = [
        *answer_rows(sentences),
        *border_rows(found.border, level=level),
        *mix_rows(stages, groups),
        *clumping_rows(catch, level=level),
        *decision_rows(found.decisions, level=asked.decision_level),
    ]
    table = pd.concat([found.estimates, estimate_stages(catch, STAGES_BY, level=level)], ignore_index=True)
    table = _mark(table, design, stopped=bool(say_stopped(design, statuses)))
    findings = make_findings(counts.visit, catch.pest, rows)
    return Estimates(counts.visit, catch.pest, table, findings, sentences)


@dataclass(frozen=True, slots=True)
class _Found:
    """All that was worked out from the bags, before it is said."""

    catch: Catch
    estimates: pd.DataFrame
    stages: Mix | None
    groups: Mix | None
    border: BorderAnswer
    decisions: tuple[Decision, ...]


def _say(found: _Found, design: Design, statuses: pd.Series, asked: Settings) -> tuple[str, ...]:
    pest = load_pest(found.catch.pest)
    return (
        *([SIMULATED] if design.visit.simulated else []),
        *say_densities(found.estimates, asked.units),
        *say_decisions(found.decisions, asked.units),
        *say_rule(asked.decision_level, decided=bool(found.decisions)),
        *say_stopped(design, statuses),
        *say_stages(found.groups, pest),
        *say_shift(asked.before, found.groups, asked.visit_before),
        say_border(found.border, asked.border_margin),
        *say_thresholds(pest, asked.units),
        *say_account(found.catch, design, statuses),
    )


def _mark(table: pd.DataFrame, design: Design, *, stopped: bool) -> pd.DataFrame:
    """Return the rows with what must be known of all of them behind their method."""
    marks = ("; stopped early" if stopped else "") + ("; simulated counts" if design.visit.simulated else "")
    return table.assign(method=table["method"] + marks) if marks else table


def _check_drawn(design: Design) -> None:
    """Refuse a follow-up round: its points were chosen for the map, so no chance of being drawn gives them weight."""
    follows = design.visit.follows
    if follows:
        found = f"points chosen to sharpen the map of {follows}, not drawn"
        remedy = f"estimate that round (--visit {follows}); 'geosample density' maps both rounds together"
        raise EstimateError(Problem(f"visit {design.visit.visit}", found, "a visit of 'geosample design'", remedy))


def _check_numbers(level: float, threshold_per_m2: float | None) -> None:
    problems = []
    if not 0.5 < level < 1:  # noqa: PLR2004
        problems.append(Problem("--level", f"{level:g}", "above 0.5 and below 1", "0.95 is usual"))
    if threshold_per_m2 is not None and not threshold_per_m2 > 0:
        problems.append(Problem("--threshold", f"{threshold_per_m2:g}/m²", "a density above 0", "such as 30/ft2"))
    if problems:
        raise EstimateError(problems)
