"""How good the map is: leave-one-out scores against plain averages, and the answer in a sentence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy.optimize import minimize_scalar

from geosample.density.field import FittedField, Hyper, Sites, fit_field
from geosample.density.fitting import BOUNDS
from geosample.density.scores import leave_one_out, mix_lognormal

Answer = Literal["yes", "a little", "no"]
NO_SPREAD = 1e-6
_NINETY = 1.6448536269514722


@dataclass(frozen=True, slots=True)
class Worth:
    """What the map adds to plain averages, in nats of log score a sample; above 0 is better.

    Parameters
    ----------
    answer : str
        yes, a little or no.
    gain, low, high : float
        Mean gain over one average for all, and its 90 % interval over samples.
    map_score, constant_score : float
        Mean leave-one-out log scores; the lower the better.
    """

    answer: Answer
    gain: float
    low: float
    high: float
    map_score: float
    constant_score: float

    @property
    def sentence(self) -> str:
        """The answer in plain words."""
        meaning = {
            "yes": "where a sample lay foretold its count clearly better than one average did",
            "a little": "where a sample lay foretold its count better than one average did, but not by more than luck",
            "no": "one average foretold the counts as well: decide by averages, not by this map",
        }[self.answer]
        return (
            f"This map adds to the plain averages: {self.answer} ({meaning}; gain in log score {self.gain:+.3f} a "
            f"sample, 90 % interval {self.low:+.3f} to {self.high:+.3f})."
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the scores in plain JSON types."""
        return {name: getattr(self, name) for name in (*self.__dataclass_fields__, "sentence")}


def fit_constant(sites: Sites) -> FittedField:
    """Return the model with one density everywhere: no covariate, no field, k at its most likely."""
    level = Sites(sites.places, sites.basis[:, :1], sites.count, sites.offset)

    def cost(log_k: float) -> float:
        return -fit_field(level, Hyper(NO_SPREAD, BOUNDS[1][1], float(np.exp(log_k)))).evidence + log_k**2 / 2

    best = minimize_scalar(cost, bounds=tuple(np.log(BOUNDS[2])), method="bounded", options={"xatol": 1e-3})
    return fit_field(level, Hyper(NO_SPREAD, BOUNDS[1][1], float(np.exp(best.x))))


def score_left_out(fitted: FittedField) -> np.ndarray:
    """Return the leave-one-out log score of every sample, shape (n,)."""
    mean, spread = leave_one_out(fitted)
    return mix_lognormal(mean, spread, fitted.sites.offset, fitted.hyper.k).log_score(fitted.sites.count)


def judge_worth(fitted: FittedField) -> Worth:
    """Return what the map adds to one average for all samples."""
    ours, plain = score_left_out(fitted), score_left_out(fit_constant(fitted.sites))
    gains = plain - ours
    gain = float(gains.mean())
    error = float(gains.std(ddof=1) / np.sqrt(len(gains))) if len(gains) > 1 else 0.0
    low, high = gain - _NINETY * error, gain + _NINETY * error
    answer: Answer = "yes" if low > 0 else "a little" if gain > 0 else "no"
    return Worth(answer, gain, low, high, float(ours.mean()), float(plain.mean()))
