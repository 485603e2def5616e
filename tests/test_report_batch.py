"""A batch's words: short for few courses and for many, with all that was asked for more."""

from __future__ import annotations

from pathlib import Path

from geosample.batch import Outcome
from geosample.report.batch import tell_batch, tell_batch_more, tell_course


def outcomes(done: int, failed: int, left: int = 0) -> list[Outcome]:
    return [
        *(Outcome(f"good{n}", "done", "", "", 1.5) for n in range(done)),
        *(Outcome(f"bad{n}", "failed", "counts", "row 3: found x", 0.5) for n in range(failed)),
        *(Outcome(f"late{n}", "unfinished", "", "the scheduler was lost", None) for n in range(left)),
    ]


def test_few_courses_are_told_by_name_and_many_are_counted() -> None:
    assert tell_batch(outcomes(2, 1), Path("r.parquet")) == [
        "3 courses, 1 failed.",
        "bad0: failed in counts: row 3: found x",
        "wrote r.parquet, without the 1 that failed",
    ]
    many = outcomes(180, 20)
    assert len(tell_batch(many, None)) == 7
    assert tell_batch(many, None)[-1].endswith(" and 10 more failed (--more says why)")
    more = tell_batch_more(many)
    assert all(any(line.startswith(f"{one.course} ") for line in more) for one in many)
    told = [*tell_batch(many, None), *more]
    assert sum(line.startswith("bad") and "row 3" in line for line in told) == 20


def test_a_batch_that_was_stopped_says_how_to_go_on() -> None:
    lines = tell_batch(outcomes(1, 0, left=2), Path("r.parquet"))
    assert lines[0] == "3 courses, 0 failed, 2 not finished."
    assert lines[1:5] == [
        "stopped early: the scheduler was lost",
        "done: good0",
        "not finished: late0, late1",
        "r.parquet is not written, as it would lack them",
    ]
    assert lines[5].startswith("run the same command again")


def test_of_many_courses_a_fifth_and_the_failures_are_told_as_they_come() -> None:
    good, bad = outcomes(1, 1)
    assert tell_course(good, 1, 5) == ["1/5 good0: done (1.5 s)"]
    assert sum(len(tell_course(good, number, 200)) for number in range(1, 201)) == 5
    assert tell_course(bad, 3, 200) == ["3/200 bad0: failed (0.5 s)"]
