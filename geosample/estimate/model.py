"""Estimates: the type this room makes, and its place in the survey file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from geosample.survey import Survey


@dataclass(frozen=True, slots=True)
class Estimates:
    """What the counts of one visit say.

    Parameters
    ----------
    visit, pest : str
        Whose counts.
    estimates : DataFrame
        A row a domain and stage (``all`` for the total), columns of the layer ``estimates`` and se_per_m2; densities
        per m², totals in insects. Domain is all, kind, hole, surface, stratum or part.
    findings : DataFrame
        A row a fitted or decided thing, columns of the layer ``findings``.
    sentences : tuple of str
        The answer in plain words, most important first.
    """

    visit: str
    pest: str
    estimates: pd.DataFrame
    findings: pd.DataFrame
    sentences: tuple[str, ...]


# What this room writes into the layer ``findings``; the other rooms' findings stay.
OWN_FINDINGS = (
    "answer",
    "border ratio",
    "common border ratio",
    "k",
    "variance to mean",
    "Morisita's index",
    "Lloyd's mean crowding",
    "Lloyd's patchiness",
    "Taylor's slope",
    "Taylor's intercept",
    "Iwao's slope",
    "Iwao's intercept",
    "stage share",
    "stage group share",
    "decision",
)


def save_estimates(survey: Survey, estimates: Estimates) -> None:
    """Put the estimates and this room's findings into the survey file, in place of the visit's old ones."""
    of_visit = {"visit": estimates.visit, "pest": estimates.pest}
    with survey.change() as change:
        change.put("estimates", estimates.estimates, where=of_visit)
        change.put("findings", estimates.findings, where={**of_visit, "what": OWN_FINDINGS})


def load_mix_before(survey: Survey, visit: str, pest: str) -> tuple[str, dict[str, tuple[float, float, float]]]:
    """Return the newest earlier visit with a stage mix, and its groups' shares with their limits; ("", {}) for none."""
    findings = survey.read("findings")
    mine = findings[(findings["what"] == "stage group share") & (findings["pest"] == pest)]
    last = survey.newest_among(mine["visit"], before=visit)
    if last is None:
        return "", {}
    rows = mine[mine["visit"] == last]
    shares = zip(rows["domain"], rows["value"], rows["low"], rows["high"], strict=True)
    return last, {str(name): (float(value), float(low), float(high)) for name, value, low, high in shares}
