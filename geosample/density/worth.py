"""How good the map is: leave-one-out scores beside plainer ways to foretell a count, and the answer in a sentence."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np

from geosample.density.field import FittedField
from geosample.density.rivals import leave_out_average, leave_out_distance
from geosample.density.scores import (
    Predictive,
    crps_counts,
    hold_share,
    leave_one_out,
    mix_lognormal,
    spread_pit,
)
from geosample.normal import normal_reach

Answer = Literal["yes", "a little", "no"]
LEVELS = (0.5, 0.8, 0.9)
_NINETY = normal_reach(0.9)
_ALONE, _FEWEST_JUDGED = 0.5, 10
"""A sample that makes more than half of all gains and losses tells of itself, not of the map (own choice)."""


@dataclass(frozen=True, slots=True)
class Worth:
    """What the map adds to plain averages, judged by foretelling each count from all the others.

    Parameters
    ----------
    answer : str
        yes, a little or no.
    gain, low, high : float
        Mean gain in log score over one average for all, nats a sample, and its 90 % interval over samples.
    log_score, crps : dict of str to float
        Mean scores of map, average and distance (inverse-distance weighting, tuned); the lower the better.
    holds : dict of str to float
        Share of counts inside the map's central predictive intervals, by level.
    tenths : tuple of float
        Share of counts in each tenth of what the map foretold; 0.1 each where it is right.
    left_out : tuple of int
        Counts that no way foretold and that would have decided by themselves; the scores are of the others.
    """

    answer: Answer
    gain: float
    low: float
    high: float
    log_score: dict[str, float]
    crps: dict[str, float]
    holds: dict[str, float]
    tenths: tuple[float, ...]
    left_out: tuple[int, ...] = ()

    @property
    def sentence(self) -> str:
        """The answer in plain words."""
        meaning = {
            "yes": "where a sample lay foretold its count clearly better than one average did",
            "a little": "where a sample lay foretold its count better than one average did, but not by more than luck",
            "no": "one average foretold the counts as well: decide by averages, not by this map",
        }[self.answer]
        odd = ", ".join(f"{count:,}" for count in self.left_out)
        without = f" Judged without the count of {odd}, which would decide by itself: check it." if odd else ""
        return (
            f"This map adds to the plain averages: {self.answer} ({meaning}; gain in log score {self.gain:+.3f} a "
            f"sample, 90 % interval {self.low:+.3f} to {self.high:+.3f}).{without}"
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the scores in plain JSON types."""
        return {**asdict(self), "tenths": list(self.tenths), "left_out": list(self.left_out), "sentence": self.sentence}


def judge_worth(fitted: FittedField) -> Worth:
    """Return what the map adds to one average for all samples, and how it scores.

    Notes
    -----
    Leave-one-out with each way's own fitted parameters kept. In simulations this was right on average where there is
    a pattern, and too kind to the map by less than 0.01 nats a sample where there is none.
    """
    sites = fitted.sites
    everyone = np.ones(len(sites.count), dtype=bool)
    scores = {name: way.log_score(sites.count) for name, way in _foretell(fitted, everyone).items()}
    fair = _find_fair(scores["average"] - scores["map"])
    ways, count = _foretell(fitted, fair), sites.count[fair]
    scores = {name: way.log_score(count) for name, way in ways.items()}
    gain, low, high = _mean_interval(scores["average"] - scores["map"])
    return Worth(
        "yes" if low > 0 else "a little" if gain > 0 else "no",
        gain,
        low,
        high,
        {name: float(score.mean()) for name, score in scores.items()},
        {name: float(crps_counts(way, count).mean()) for name, way in ways.items()},
        {f"{level:g}": hold_share(ways["map"], count, level) for level in LEVELS},
        tuple(float(share) for share in spread_pit(ways["map"], count)),
        tuple(int(odd) for odd in sites.count[~fair]),
    )


def _foretell(fitted: FittedField, fair: np.ndarray) -> dict[str, Predictive]:
    """Return each way's foretelling of the fair samples, the plainer two from those alone."""
    sites = fitted.sites
    mean, spread = leave_one_out(fitted)
    count, offset = sites.count[fair], sites.offset[fair]
    return {
        "map": mix_lognormal(mean[fair], spread[fair], offset, fitted.hyper.k),
        "average": leave_out_average(count, offset, float(sites.basis[0, 0]))[0],
        "distance": leave_out_distance(sites.places[fair], count, np.exp(offset)),
    }


def _find_fair(gains: np.ndarray) -> np.ndarray:
    """Return the samples that do not decide by themselves: no more of all gains and losses than ``_ALONE``."""
    fair = np.ones(len(gains), dtype=bool)
    while fair.sum() > _FEWEST_JUDGED:
        sizes = np.where(fair, np.abs(gains), 0.0)
        worst = int(np.argmax(sizes))
        if sizes[worst] <= _ALONE * sizes.sum():
            return fair
        fair[worst] = False
    return fair


def _mean_interval(gains: np.ndarray) -> tuple[float, float, float]:
    gain = float(gains.mean())
    error = float(gains.std(ddof=1) / np.sqrt(len(gains))) if len(gains) > 1 else 0.0
    return gain, gain - _NINETY * error, gain + _NINETY * error
