"""How much of what is in a bag a method finds: the user's factors, 1.0 unless set, with their doubt carried through."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geosample.errors import EstimateError, Problem
from geosample.normal import log_spread

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True)
class Recovery:
    """The share of a reference method's catch that a method finds.

    Parameters
    ----------
    value, low, high : float
        The factor and its 95 % limits, above 0 (above 1 where a method finds more than the reference); the limits
        may equal the value when they are not known.
    method, stage : str
        What it is for; empty for any.
    """

    value: float
    low: float
    high: float
    method: str = ""
    stage: str = ""

    @property
    def log_sd(self) -> float:
        """Standard deviation of the factor's logarithm, from its limits."""
        return log_spread(self.low, self.high, 0.95)


FULL = Recovery(1.0, 1.0, 1.0)


def parse_recovery(text: str) -> Recovery:
    """Return a factor from ``method=value``, ``method:stage=value`` or ``method=value,low,high``.

    Raises
    ------
    EstimateError
        When it is not of that form, not above 0, or the value is not between its limits.

    Examples
    --------
    >>> parse_recovery("heat=1.6,1.2,2.1").high
    2.1
    >>> parse_recovery("brine:L1=0.8").stage
    'L1'
    """
    target, _, numbers = text.partition("=")
    method, _, stage = target.strip().partition(":")
    try:
        values = [float(part) for part in numbers.split(",")]
    except ValueError:
        values = []
    if len(values) == 1:
        values = values * 3
    fits = len(values) == len("vlh") and all(math.isfinite(v) and v > 0 for v in values)
    if not fits or not method or not values[1] <= values[0] <= values[2]:
        expected = "method=value or method:stage=value,low,high, all above 0, low to high around the value"
        raise EstimateError(Problem("--recovery", repr(text), expected, "write for instance heat=1.6,1.2,2.1"))
    value, low, high = values
    return Recovery(value, low, high, method.strip(), stage.strip())


def find_recovery(factors: Sequence[Recovery], method: str, stage: str) -> Recovery:
    """Return the most special factor for a method and stage; 1.0 when none was set.

    Examples
    --------
    >>> factors = [parse_recovery("heat=1.6"), parse_recovery("heat:L1=0.8")]
    >>> find_recovery(factors, "heat", "L1").value, find_recovery(factors, "brine", "L1").value
    (0.8, 1.0)
    """
    fitting = [f for f in factors if f.method in ("", method) and f.stage in ("", stage)]
    return max(fitting, key=lambda f: (bool(f.stage), bool(f.method)), default=FULL)
