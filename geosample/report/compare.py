"""A comparison of two methods in words: the answer first, then the tables."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from geosample.report.counts import tell_notes
from geosample.report.terminal import show_table
from geosample.units import percent, set_percent

if TYPE_CHECKING:
    from geosample.compare import Comparison
    from geosample.compare.model import Ratio
    from geosample.estimate import Interval

CLEAR = 0.05
NO_CLUMPING = 500.0
USUAL = {
    "brine": "20-25 min a batch, all told (common practice, no source)",
    "heat": "48 h a batch, nearly all of it waiting (common practice, no source)",
}
"""What a batch usually takes; facts without a published source."""


def tell_comparison(comparison: Comparison) -> list[str]:
    """Return the answer: which finds more, whether they may be taken as the same, and what was left out."""
    invented = ["Invented counts, to show what the command answers."] if comparison.trial.invented else []
    left_out = len(comparison.trial.notes)
    return [
        _say_ratio(comparison),
        *invented,
        *_say_equivalence(comparison),
        *_say_sites(comparison),
        *_say_factor(comparison),
        *([f"{left_out} rows or columns were left out or read with help (--more)."] if left_out else []),
    ]


def tell_comparison_more(comparison: Comparison) -> list[str]:
    """Return the rest: every sentence of the answer, ratios, zeros, effort, notes."""
    return [
        *tell_answer(comparison),
        "",
        *_ratio_table(comparison),
        "",
        *_effort_table(comparison),
        *(f"note: {line}" for line in tell_notes(comparison.trial.notes)),
    ]


def tell_answer(comparison: Comparison) -> list[str]:
    """Return the answer in sentences; no difference seen is never called sameness."""
    return [
        _say_ratio(comparison),
        *_say_equivalence(comparison),
        *_say_sites(comparison),
        *_say_stages(comparison),
        _say_zeros(comparison),
        *_say_correlation(comparison),
        *_say_blocks(comparison),
        *_say_factor(comparison),
    ]


def _number(value: float) -> str:
    return "no limit" if math.isinf(value) else f"{value:.2f}"


def _limits(interval: Interval) -> str:
    return f"{_number(interval.low)} to {_number(interval.high)}"


def _is_clear(ratio: Ratio) -> bool:
    return ratio.interval.low > 1 or ratio.interval.high < 1


def _say_ratio(comparison: Comparison) -> str:
    ratio, method, reference = comparison.overall, comparison.method, comparison.reference
    said = f"{method} finds {_number(ratio.interval.value)} times what {reference} finds"
    if math.isinf(ratio.interval.value):
        said = f"{reference} found none at all, {method} {ratio.found[1]}"
    if not _is_clear(ratio):
        return (
            f"We cannot tell which finds more: {said} ({percent(ratio.level)} interval {_limits(ratio.interval)}, "
            f"{ratio.blocks} blocks; permutation p {comparison.permutation_p:.3g}). "
            "That is not to say they are the same."
        )
    more = "more" if ratio.interval.low > 1 else "less"
    return (
        f"{method} finds {more}: {said} ({percent(ratio.level)} interval {_limits(ratio.interval)}, "
        f"{ratio.blocks} blocks; permutation p {comparison.permutation_p:.3g})."
    )


def _say_equivalence(comparison: Comparison) -> list[str]:
    equal = comparison.equivalence
    if equal is None:
        return ["Whether they may be taken as the same takes a margin of yours: --margin 25%."]
    span = f"{1 / equal.margin:.2f} to {equal.margin:.2f}"
    tests = f"two one-sided tests, p {equal.p:.3g}; interval {_limits(equal.interval)}"
    if equal.holds:
        small = ", though not exactly the same" if _is_clear(comparison.overall) else ""
        return [f"They are the same within your margin, {span}{small} ({tests})."]
    return [f"Not shown to be the same within your margin, {span} ({tests})."]


def _say_sites(comparison: Comparison) -> list[str]:
    if math.isnan(comparison.sites_p):
        return []
    if comparison.sites_p < CLEAR:
        return [f"The ratio differs between sites (p {comparison.sites_p:.3g}): read it site by site."]
    return [f"No difference of the ratio between sites was seen (p {comparison.sites_p:.3g}); small ones may be there."]


def _say_stages(comparison: Comparison) -> list[str]:
    clear = [ratio for ratio in comparison.by_stage if _is_clear(ratio)]
    return [
        f"Of {ratio.stage}, {comparison.method} finds {_number(ratio.interval.value)} times as many "
        f"({_limits(ratio.interval)})."
        for ratio in clear
    ]


def _say_zeros(comparison: Comparison) -> str:
    zeros = comparison.zeros
    return (
        f"Blocks where both found some: {zeros.both}; neither: {zeros.neither}; only {comparison.reference}: "
        f"{zeros.only_reference}; only {comparison.method}: {zeros.only_method} (these two alike: p {zeros.p:.3g})."
    )


def _say_correlation(comparison: Comparison) -> list[str]:
    rank = comparison.correlation
    if math.isnan(rank.value):
        return []
    return [
        f"Rank correlation of the blocks' means: {rank.value:.2f} (interval {_limits(rank)}); it says whether they "
        "order the ground alike, not whether they find as many."
    ]


def _say_blocks(comparison: Comparison) -> list[str]:
    name = set_percent(round(comparison.sized_for - 1, 2))
    asked = {
        f"tell a difference of {name}": comparison.blocks_to_tell,
        f"show that they are the same within {name}": comparison.blocks_to_show_same,
    }
    return [f"About {n} blocks like these would {what} (chance 80 %)." for what, n in asked.items() if n is not None]


def _say_factor(comparison: Comparison) -> list[str]:
    interval = comparison.overall.interval
    if interval.low <= 0 or math.isinf(interval.high):
        return []
    numbers = ",".join(f"{value:.3g}" for value in (interval.value, interval.low, interval.high))
    return [f"To put both on one scale: estimate --recovery {comparison.method}={numbers}"]


def _ratio_table(comparison: Comparison) -> list[str]:
    heads = ["site", "stage", "blocks", comparison.reference, comparison.method, "ratio", "low", "high", "level"]
    rows = [
        [
            ratio.site,
            ratio.stage,
            str(ratio.blocks),
            *(f"{found} in {bags}" for found, bags in zip(ratio.found, ratio.bags, strict=True)),
            *(_number(v) for v in (ratio.interval.value, ratio.interval.low, ratio.interval.high)),
            set_percent(ratio.level),
        ]
        for ratio in comparison.ratios
    ]
    k = "no clumping beyond chance" if comparison.k > NO_CLUMPING else f"k {comparison.k:.2g} a bag"
    spread = f"blocks' log density sd {comparison.block_sd:.2g}"
    return [*show_table(heads, rows), f"(insects in bags; within blocks {k}; {spread})"]


def _effort_table(comparison: Comparison) -> list[str]:
    rows = [
        [
            one.method,
            str(one.bags),
            _noted(one.minutes),
            _noted(one.minutes_per_insect),
            _noted(one.cost),
            USUAL.get(one.method, ""),
        ]
        for one in comparison.effort
    ]
    return show_table(["method", "bags", "min/bag", "min/insect", "cost/bag", "usual"], rows)


def _noted(value: float) -> str:
    return "not noted" if math.isnan(value) else f"{value:.1f}"
