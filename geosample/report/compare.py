"""A comparison of two methods in words: the answer first, then the tables."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from geosample.distributions import K_IF_UNKNOWN
from geosample.errors import list_names
from geosample.report import show_table
from geosample.report.counts import tell_notes
from geosample.units import percent, set_percent

if TYPE_CHECKING:
    from geosample.compare import Comparison, CounterComparison, TrialSize
    from geosample.compare.counters import CounterRatio
    from geosample.compare.model import Ratio
    from geosample.estimate import Interval

NO_CLUMPING = 500.0
RECOVERY_LEVEL = 0.95
"""What ``estimate --recovery`` takes limits to be."""
USUAL = {
    "brine": "20-25 min a batch, all told (common practice, no source)",
    "heat": "48 h a batch, nearly all of it waiting (common practice, no source)",
}
"""What a batch usually takes; facts without a published source."""


def tell_comparison(comparison: Comparison) -> list[str]:
    """Return the answer: which finds more, whether they may be taken as the same, and what was left out."""
    invented = ["Invented counts, to show what the command answers."] if comparison.trial.invented else []
    left_out = sum("columns" not in note.facts for note in comparison.trial.notes)
    return [
        _say_ratio(comparison),
        *invented,
        *_say_level(comparison),
        *_say_equivalence(comparison),
        *[line for line in _say_contrasts(comparison) if "is open" not in line][:1],
        _say_exposure(comparison),
        *_say_unused(comparison),
        *_say_factor(comparison),
        *([f"{left_out} rows were left out or read with help (--more)."] if left_out else []),
    ]


def tell_size(size: TrialSize, k_from_visit: str | None) -> list[str]:
    """Return what the blocks of a planned trial promise, and on what that rests."""
    goal = {
        "difference": f"tell a true difference of {set_percent(round(size.margin - 1, 2))} from none",
        "equivalence": f"show methods that are alike to lie within {set_percent(round(size.margin - 1, 2))}",
    }[size.aim]
    k = f"found on visit {k_from_visit}" if k_from_visit else "a careful value, none is published"
    if k_from_visit is None and size.k != K_IF_UNKNOWN:
        k = "given by you"
    return [
        f"{size.blocks} blocks {goal} with a chance of {percent(size.power)} (± {percent(size.power_se)}, "
        f"{size.rounds} trials played; asked {percent(size.asked)}), at {size.mean:.2g} insects a bag and "
        f"k {size.k:.2g} ({k}); no spread is taken for the blocks', which errs on the side of more."
    ]


def tell_counters(compared: CounterComparison) -> list[str]:
    """Return how two counters agree, and what the second would have found in all bags."""
    one, (first, second) = compared.overall, compared.recounts.names
    told = [
        f"{second} finds {_number(one.interval.value)} times what {first} finds ({set_percent(one.level)} interval "
        f"{_limits(one.interval)}; {one.found[1]} to {one.found[0]} insects in {one.bags} bags counted twice, "
        f"{one.same} of them alike to the insect)."
    ]
    if compared.margin is None or compared.within is None:
        told.append("Whether that is alike enough takes a margin of yours: --margin 10%.")
    else:
        what = "The ratio lies" if compared.holds else "The ratio is not shown to lie"
        span = f"{1 / compared.margin:.2f} to {compared.margin:.2f}"
        level = set_percent(2 * one.level - 1)
        told.append(f"{what} within your margin, {span} ({level} interval {_limits(compared.within)}).")
    if compared.bags > one.bags:
        level = set_percent(one.level)
        told.append(
            f"In all {compared.bags} bags {second} would find {compared.mean.value:.2f} a bag ({level} interval "
            f"{_limits(compared.mean)}); by its own bags alone {compared.mean_alone.value:.2f} ({level} "
            f"interval {_limits(compared.mean_alone)}). That is for bags counted twice that were picked at random."
        )
    told += _say_share(compared)
    left_out = len(compared.recounts.notes)
    return [*told, *([f"{left_out} rows were left out or read with help (--more)."] if left_out else [])]


def tell_counters_more(compared: CounterComparison) -> list[str]:
    """Return the answer, a table by stage, bags by who found any, and notes."""
    first, second = compared.recounts.names
    heads = ["stage", "bags", "alike", first, second, "ratio", "low", "high", "level"]
    zeros = compared.zeros
    return [
        *tell_counters(compared),
        "",
        *show_table(heads, [_counter_row(one) for one in (compared.overall, *compared.by_stage)]),
        f"Bags where both found some: {zeros.both}; neither: {zeros.neither}; only {first}: {zeros.only_reference}; "
        f"only {second}: {zeros.only_method} (these two alike: p {zeros.p:.3g}).",
        "Intervals: Fieller's, of a ratio of sums over bags, one insect of disagreement added; the mean by the "
        "ratio of a double sample.",
        *(f"note: {line}" for line in tell_notes(compared.recounts.notes)),
    ]


def _counter_row(one: CounterRatio) -> list[str]:
    limits = (_number(v) for v in (one.interval.value, one.interval.low, one.interval.high))
    return [one.stage, str(one.bags), str(one.same), *map(str, one.found), *limits, set_percent(one.level)]


def _say_share(compared: CounterComparison) -> list[str]:
    """Return how estimates take the first counts onto the second's scale: by the share that the first finds."""
    one = compared.overall
    if one.interval.low <= 0 or math.isinf(one.interval.high) or not math.isclose(one.level, RECOVERY_LEVEL):
        return []
    shares = (1 / value for value in (one.interval.value, one.interval.high, one.interval.low))
    numbers = ",".join(f"{share:.3g}" for share in shares)
    method = compared.recounts.method or "METHOD"
    return [f"To put {compared.recounts.names[0]} counts on that scale: estimate --recovery {method}={numbers}"]


def tell_comparison_more(comparison: Comparison) -> list[str]:
    """Return the rest: every sentence of the answer, ratios, zeros, effort, notes."""
    return [
        *tell_trial(comparison),
        "",
        *_ratio_table(comparison),
        *_say_model(comparison),
        "",
        *_effort_table(comparison),
        *(f"note: {line}" for line in tell_notes(comparison.trial.notes)),
    ]


def tell_trial(comparison: Comparison) -> list[str]:
    """Return the answer in sentences; no difference seen is never called sameness."""
    return [
        _say_ratio(comparison),
        *_say_level(comparison),
        *_say_equivalence(comparison),
        *_say_contrasts(comparison),
        *_say_sites_p(comparison),
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
            f"We cannot tell which finds more: {said} ({set_percent(ratio.level)} interval "
            f"{_limits(ratio.interval)}, {ratio.blocks} blocks; permutation p {comparison.permutation_p:.3g}). "
            "That is not to say they are alike."
        )
    more = "more" if ratio.interval.low > 1 else "less"
    return (
        f"{method} finds {more}: {said} ({set_percent(ratio.level)} interval {_limits(ratio.interval)}, "
        f"{ratio.blocks} blocks; permutation p {comparison.permutation_p:.3g})."
    )


def _say_level(comparison: Comparison) -> list[str]:
    """Return that the blocks are too few for the level asked for, where they are."""
    level, asked = comparison.overall.level, comparison.asked_level
    if level >= asked:
        return []
    return [
        f"{comparison.overall.blocks} blocks can carry {set_percent(level)} confidence, not {set_percent(asked)}: "
        "that is what is given."
    ]


def _say_equivalence(comparison: Comparison) -> list[str]:
    equal = comparison.equivalence
    if equal is None:
        return ["Whether they are alike enough takes a margin of yours: --margin 25%."]
    span = f"{1 / equal.margin:.2f} to {equal.margin:.2f}"
    tests = (
        f"{set_percent(equal.level)} interval {_limits(equal.interval)}; two one-sided tests at "
        f"{set_percent((1 - equal.level) / 2)}, p {equal.p:.3g}"
    )
    if equal.holds:
        clear = "differ, but by no more than your margin" if _is_clear(comparison.overall) else "differ at most by it"
        return [f"Within your margin: the ratio lies within {span}, so they {clear} ({tests})."]
    return [f"Not shown to lie within your margin, {span} ({tests})."]


def _say_contrasts(comparison: Comparison) -> list[str]:
    """Return whether the answer differs between sites or stages: one ratio over the other, with its interval."""
    lines = []
    for one in comparison.contrasts:
        times = f"{_number(one.interval.value)} times"
        limits = f"{set_percent(one.level)} interval {_limits(one.interval)}, all {one.of}s looked at"
        if one.interval.low > 1:
            lines.append(
                f"The answer differs between {one.of}s: the ratio of {one.second} is {times} that of {one.first} "
                f"({limits}); read it {one.of} by {one.of}."
            )
        else:
            lines.append(
                f"Whether {one.of}s differ is open: the ratio of {one.second} is {times} that of {one.first} "
                f"({limits})."
            )
    return lines


def _say_stages(comparison: Comparison) -> list[str]:
    clear = [ratio for ratio in comparison.by_stage if _is_clear(ratio)]
    return [
        f"Of {ratio.stage}, {comparison.method} finds {_number(ratio.interval.value)} times as many "
        f"({set_percent(ratio.level)} interval {_limits(ratio.interval)})."
        for ratio in clear
    ]


_UNITS = {
    "plug": "one plug to a row",
    "bag": "one bag to a row",
    "split": "bags divided among the methods, each bag a block",
}


def _say_exposure(comparison: Comparison) -> str:
    """Return what a row is and what its turf is reckoned by."""
    exposure = comparison.trial.exposure
    by = {"": "every row counts as the same turf", "m2": "exposure is the turf in the bag, m²"}
    return f"Read as {_UNITS[comparison.trial.unit]}; {by.get(exposure, f'exposure is the column {exposure!r}')}."


def _say_model(comparison: Comparison) -> list[str]:
    """Return the model as in a paper."""
    k = "no limit (Poisson)" if comparison.k > NO_CLUMPING else f"{comparison.k:.2g}"
    exposure = "log turf (m²)" if comparison.trial.exposure == "m2" else "log plugs"
    offset = f"{exposure} as offset" if comparison.trial.exposure else "no offset"
    fixed = "site and method" if comparison.by_site else "method"
    blocks, bags = comparison.overall.blocks, comparison.bags_used
    return [
        f"Model: counts of {bags} bags, {offset}; fixed: {fixed}; random: {blocks} blocks, normal on the log scale "
        f"(sd {comparison.block_sd:.2g}), integrated out; negative binomial with variance m + m²/k, k {k}; log link; "
        "maximum likelihood. Interval: profile likelihood, F(1, d) point, d = bags - blocks - 1, at most twice blocks "
        "less sites. Levels of sites and stages pay for looking at several (Bonferroni)."
    ]


def _say_sites_p(comparison: Comparison) -> list[str]:
    if math.isnan(comparison.sites_p):
        return []
    return [f"One ratio for all sites: p {comparison.sites_p:.3g}; a large p does not show that they are alike."]


def _say_unused(comparison: Comparison) -> list[str]:
    names = [str(name) for note in comparison.trial.notes for name in note.facts.get("columns", ())]
    return [f"Columns not used: {list_names(names)}."] if names else []


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
        f"Rank correlation of the blocks' means: {rank.value:.2f} ({set_percent(comparison.overall.level)} interval "
        f"{_limits(rank)}); it says whether they "
        "order the ground alike, not whether they find as many."
    ]


def _say_blocks(comparison: Comparison) -> list[str]:
    name = set_percent(round(comparison.sized_for - 1, 2))
    asked = {
        f"tell a difference of {name}": comparison.blocks_to_tell,
        f"show that they lie within {name} of each other": comparison.blocks_to_show_same,
    }
    return [f"About {n} blocks like these would {what} (chance 80 %)." for what, n in asked.items() if n is not None]


def _say_factor(comparison: Comparison) -> list[str]:
    interval = comparison.overall.interval
    if interval.low <= 0 or math.isinf(interval.high) or not math.isclose(comparison.overall.level, RECOVERY_LEVEL):
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
    """Return one table of what the two take and find, lines nobody noted left out, and when each is the better."""
    both = comparison.effort
    lines = {
        "minutes at hand a bag": [one.minutes for one in both],
        "hours to wait a bag": [one.wait_hours for one in both],
        "minutes at hand an insect": [one.minutes_per_insect for one in both],
        "cost a bag": [one.cost for one in both],
        "insects a bag": [one.found / one.bags for one in both],
    }
    rows = [
        [name, *("" if math.isnan(value) else f"{value:.1f}" for value in values)]
        for name, values in lines.items()
        if not all(map(math.isnan, values))
    ]
    minutes = [one.minutes for one in both]
    waits = [60 * one.wait_hours for one in both]
    if not any(map(math.isnan, [*minutes, *waits])):
        at_hand = [percent(hand / (hand + wait)) for hand, wait in zip(minutes, waits, strict=True)]
        rows.append(["share of its time at hand", *at_hand])
    rows += [
        [f"of its insects, {stage}", *(percent(one.stages.get(stage, 0.0)) for one in both)]
        for stage in dict.fromkeys(stage for one in both for stage in one.stages)
    ]
    usual = [f"Usual for {one.method}: {USUAL[one.method]}." for one in both if one.method in USUAL]
    return [*show_table(["", *(one.method for one in both)], rows), *usual, *_say_better(comparison)]


def _say_better(comparison: Comparison) -> list[str]:
    """Return when each method is the better choice, by hands and by waiting, from what was noted."""
    one, other = comparison.effort
    if math.isnan(one.minutes) or math.isnan(other.minutes):
        return ["Which is the better choice takes minutes noted for both."]
    quick, slow = (one, other) if one.minutes <= other.minutes else (other, one)
    told = (
        f"Where hands are short {quick.method} is the better: {slow.minutes - quick.minutes:.1f} minutes at hand "
        "less a bag"
    )
    if quick.minutes == slow.minutes:
        told = "Both take as long at hand"
    sooner, later = (one, other) if one.wait_hours <= other.wait_hours else (other, one)
    if math.isnan(one.wait_hours) or math.isnan(other.wait_hours):
        return [f"{told}. Waiting was not noted: note wait_hours to weigh it as well."]
    if sooner.wait_hours == later.wait_hours:
        return [f"{told}; both wait as long."]
    apart = later.wait_hours - sooner.wait_hours
    if sooner.method == quick.method and quick.minutes < slow.minutes:
        return [f"{told}, and its answer is there {apart:.1f} h sooner."]
    return [f"{told}. Where the answer is wanted within {later.wait_hours:.0f} h {sooner.method} is the better."]
