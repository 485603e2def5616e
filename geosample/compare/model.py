"""Trial and Comparison: the types this room takes and makes, and their place in the survey file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from geosample.estimate import Interval
from geosample.units import set_percent
from geosample.words import METHODS

if TYPE_CHECKING:
    from geosample.survey import Survey

COLUMNS = ("site", "block", "method", "bag", "stage", "count", "effort", "minutes", "cost")
ALL = "all"
"""The stage of a row that counts all insects, and the site of an answer over all sites."""


@dataclass(frozen=True, slots=True)
class Trial:
    """Bags of several methods in matched blocks.

    Parameters
    ----------
    bags : DataFrame
        One row a bag and stage: ``COLUMNS``. ``bag`` tells bags apart; ``count`` is a whole number, zero included;
        ``effort`` how much turf is in the bag (m² from a survey, plugs from a table); ``minutes`` and ``cost`` a bag,
        not a number where not noted. Blocks of different sites are different, whatever they are called.
    source : str
        The file or visit it comes from.
    invented : bool
        Whether the counts are made up.
    notes : tuple of str
        What was left out or read with a little help.
    """

    bags: pd.DataFrame
    source: str
    invented: bool = False
    notes: tuple[str, ...] = ()

    @property
    def methods(self) -> list[str]:
        """The methods, in the program's own order of them, so that no file's order decides which is the reference."""
        there = set(self.bags["method"])
        return [name for name in METHODS if name in there]

    @property
    def whole_bags(self) -> pd.DataFrame:
        """One row a bag, its stages added up."""
        same = {name: (name, "first") for name in ("site", "block", "method", "effort", "minutes", "cost")}
        return self.bags.groupby("bag", sort=False).agg(count=("count", "sum"), **same).reset_index()


@dataclass(frozen=True, slots=True)
class Ratio:
    """One ratio of means, method over reference.

    Parameters
    ----------
    site, stage : str
        What it is for; ``ALL`` for all.
    found : tuple of int
        Insects found with the reference and with the method.
    bags : tuple of int
        Bags of each.
    blocks : int
        Blocks that hold both.
    interval : Interval
        The ratio and its limits, 0 and infinity where the counts set none.
    level : float
        Confidence of the limits.
    """

    site: str
    stage: str
    found: tuple[int, int]
    bags: tuple[int, int]
    blocks: int
    interval: Interval
    level: float


@dataclass(frozen=True, slots=True)
class Zeros:
    """Blocks by who found any: both, neither, only the reference, only the method; p of the two last being alike."""

    both: int
    neither: int
    only_reference: int
    only_method: int
    p: float


@dataclass(frozen=True, slots=True)
class Effort:
    """What one method takes: bags, minutes and cost a bag (not a number where not noted), minutes per insect found."""

    method: str
    bags: int
    minutes: float
    cost: float
    minutes_per_insect: float
    usual: str


@dataclass(frozen=True, slots=True)
class Equivalence:
    """Two one-sided tests against a margin.

    Parameters
    ----------
    margin : float
        The ratio up to which methods are taken as the same; 1.25 means from 0.8 to 1.25.
    p : float
        The larger of the two tests' p.
    interval : Interval
        The ratio with the limits that decide: 90 % for tests at 5 %.
    holds : bool
        Whether both limits lie inside the margin.
    """

    margin: float
    p: float
    interval: Interval
    holds: bool


@dataclass(frozen=True, slots=True)
class Comparison:
    """How one method's counts stand to a reference's.

    Parameters
    ----------
    reference, method : str
        The ratio is method over reference.
    overall : Ratio
        All sites and stages.
    k, block_sd : float
        Negative binomial k of a bag within its block (more than 500 means no clumping seen), and the standard
        deviation of the blocks' log density.
    permutation_p : float
        Of no difference at all, by shuffling labels inside blocks.
    permutations : int
        How many were looked at, all there are or a random draw.
    equivalence : Equivalence or None
        None when no margin was given.
    by_site, by_stage : tuple of Ratio
        Each at a level that lets all of them hold together.
    sites_p : float
        Of the same ratio at all sites; not a number with one site.
    correlation : Interval
        Rank correlation of the blocks' means (Spearman), not a number with too few blocks.
    zeros : Zeros
        Blocks by who found any.
    effort : tuple of Effort
        The reference's, then the method's.
    blocks_for : dict
        What one would settle -> about how many blocks like these.
    trial : Trial
        What was compared.
    """

    reference: str
    method: str
    overall: Ratio
    k: float
    block_sd: float
    permutation_p: float
    permutations: int
    equivalence: Equivalence | None
    by_site: tuple[Ratio, ...]
    by_stage: tuple[Ratio, ...]
    sites_p: float
    correlation: Interval
    zeros: Zeros
    effort: tuple[Effort, Effort]
    blocks_for: dict[str, int]
    trial: Trial

    @property
    def ratios(self) -> tuple[Ratio, ...]:
        """All ratios, the overall one first."""
        return (self.overall, *self.by_site, *self.by_stage)


OWN_FINDING = "method ratio"


def save_comparison(survey: Survey, comparison: Comparison, *, visit: str, pest: str) -> None:
    """Put the ratios into the survey file's findings, in place of the visit's old ones.

    Parameters
    ----------
    survey : Survey
        Where to.
    comparison : Comparison
        What was found.
    visit, pest : str
        Whose rows they are.
    """
    pair = f"{comparison.method}:{comparison.reference}"
    rows = [
        {
            "visit": visit,
            "pest": pest,
            "what": OWN_FINDING,
            "domain": f"{pair}, {ratio.site}, {ratio.stage}",
            "value": ratio.interval.value,
            "low": ratio.interval.low,
            "high": ratio.interval.high,
            "note": f"method over reference; {set_percent(ratio.level)} interval; {ratio.blocks} blocks",
        }
        for ratio in comparison.ratios
    ]
    frame = pd.DataFrame(rows).replace([float("inf")], float("nan"))
    with survey.change() as change:
        change.put("findings", frame, where={"visit": visit, "pest": pest, "what": OWN_FINDING})
