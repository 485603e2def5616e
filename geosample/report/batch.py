"""A batch in words: how many courses are done, which failed and why, and how to go on when it was stopped."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from geosample.errors import MOST_ALIKE, list_names
from geosample.report import show_table

if TYPE_CHECKING:
    from pathlib import Path

    from geosample.batch import Outcome


def tell_batch(outcomes: Sequence[Outcome], region: Path | None) -> list[str]:
    """Return the answer: how many courses are done, what the first that failed said, and how to go on."""
    of = {state: [one for one in outcomes if one.state == state] for state in ("as before", "failed", "unfinished")}
    failed, left = of["failed"], of["unfinished"]
    lines = [
        f"{len(outcomes)} courses, {len(failed)} failed"
        + (f", {len(left)} not finished" if left else "")
        + (f", {len(of['as before'])} as before" if of["as before"] else "")
        + "."
    ]
    lines += tell_failures(failed[:MOST_ALIKE])
    if len(failed) > MOST_ALIKE:
        others = list_names([one.course for one in failed[MOST_ALIKE:]], most=MOST_ALIKE)
        lines.append(f"and {others} failed (--more says why)")
    if region is not None and not left:
        lines.append(f"wrote {region}{f', without the {len(failed)} that failed' if failed else ''}")
    return [*lines, *_tell_left(outcomes, left, region)]


def tell_batch_more(outcomes: Sequence[Outcome]) -> list[str]:
    """Return the rest: each course with its time, and what each that failed said."""
    rows = [[one.course, one.state, "" if one.seconds is None else f"{one.seconds:.1f}"] for one in outcomes]
    return [
        *show_table(["course", "state", "seconds"], rows),
        *tell_failures([one for one in outcomes if one.state == "failed"][MOST_ALIKE:]),
    ]


def tell_course(outcome: Outcome, number: int, total: int) -> list[str]:
    """Return that a course came back, and of how many; of many courses only each fifth of them, and failures."""
    if outcome.state != "failed" and number % max(1, total // MOST_ALIKE):
        return []
    took = "" if outcome.seconds is None else f" ({outcome.seconds:.1f} s)"
    return [f"{number}/{total} {outcome.course}: {outcome.state}{took}"]


def tell_failures(failed: Sequence[Outcome]) -> list[str]:
    """Return what each course that failed said, and in which stage."""
    return [f"{one.course}: failed{f' in {one.stage}' if one.stage else ''}: {one.said}" for one in failed]


def _tell_left(outcomes: Sequence[Outcome], left: Sequence[Outcome], region: Path | None) -> list[str]:
    """Return which courses are done and which not, and that the same command goes on, when the batch was stopped."""
    if not left:
        return []
    done = [one.course for one in outcomes if one.state in {"done", "as before"}]
    return [
        f"stopped early: {left[0].said}",
        f"done: {list_names(done, most=MOST_ALIKE) or 'none'}",
        f"not finished: {list_names([one.course for one in left], most=MOST_ALIKE)}",
        *([f"{region} is not written, as it would lack them"] if region else []),
        "run the same command again, without --again: it goes on with those that are not done, at the stage they had "
        "reached; no survey file is half-written",
    ]
