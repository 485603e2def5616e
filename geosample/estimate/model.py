"""Estimates: the type this room makes, and its place in the survey file."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from geosample.errors import EstimateError
from geosample.estimate.intervals import Interval
from geosample.files.saving import save_file, write_csv
from geosample.results import Result
from geosample.survey.findings import What, put_findings, read_findings, visits_with
from geosample.units import FOOT2_M2

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import pandas as pd

    from geosample.survey import Survey
    from geosample.survey.findings import Findings

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
