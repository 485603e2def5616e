"""The desk's speed: drafts while a slider moves, and the chain of eight commands at the desk against eight processes.

Run: python tests/benchmarks/desk_speed.py [--write]
CPU seconds, which other work on the machine changes little. A draft is timed where the desk makes it, in the process
that has its modules loaded; the first draft of zones after a change of the survey reads it, those after it do not. The
desk's chain is all that its two processes spend from their start to their end, the server with them.
"""

from __future__ import annotations

import os
import resource
import shutil
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # as in the desk's worker, where drafts are made

from bench import as_markdown, ask, beside
from chain_speed import IMPORTS, PROGRAM, Size, fill_sheets, plan_chain, run
from desk_case import Served, start_desk

from geosample.desk import jobs

CARDS = {"ground": ("ground",), "plan": ("design",), "sheets": ("sheets",), "counts": ("counts",)}
CARDS |= {"answer": ("estimate", "density"), "treat": ("treat", "map")}


def spent(who: int) -> float:
    """Return the CPU seconds of this process, or of its children that have ended."""
    usage = resource.getrusage(who)
    return usage.ru_utime + usage.ru_stime


def cpu_of(work: Callable[[], object]) -> float:
    """Return the CPU seconds a call takes, threads and all."""
    start = time.process_time()
    work()
    return time.process_time() - start


def answers_of(lines: list[list[str]]) -> dict[str, str]:
    """Return what is entered on a card so that it runs these commands."""
    pairs = {}
    for words in lines:
        at = [place for place, word in enumerate(words) if word.startswith("--")]
        pairs |= {words[place].removeprefix("--"): words[place + 1] for place in at}
    return {name: value for name, value in pairs.items() if name != "out"}


def run_at_desk(chain: dict[str, list[str]], folder: Path) -> float:
    """Do the chain at the desk; return the CPU seconds of its processes."""
    before = spent(resource.RUSAGE_CHILDREN)
    (folder / "dropped").mkdir()
    shutil.copy(folder / "course.geojson", folder / "dropped")
    process, port, door = start_desk(folder)
    try:
        desk = Served(process, port, folder, door)
        desk.enter()
        for card, commands in CARDS.items():
            answers: dict[str, object] = dict(answers_of([chain[command] for command in commands]))
            if card == "ground":
                answers["files"] = ["course.geojson"]
            if card == "counts":
                [sheets] = (folder / "course_files").glob("*/blank_counts.csv")
                shutil.copytree(sheets.parent, folder / "out")
                fill_sheets(folder)
                shutil.copy(folder / "filled.csv", folder / "dropped")
                answers["files"] = ["filled.csv"]
            told = desk.run(card, **answers)
            if told["problems"]:
                raise SystemExit(f"{card}: {told['problems']}")  # noqa: EM102
    except BaseException:
        process.kill()  # it would hold the pipes of whoever waits for this script
        raise
    desk.ask("POST", "/close", {})
    process.wait(timeout=30)
    assert process.stderr
    process.stderr.close()
    return spent(resource.RUSAGE_CHILDREN) - before


def run_apart(chain: dict[str, list[str]], folder: Path) -> float:
    """Run the chain, a process a command; return their CPU seconds."""
    total = 0.0
    for command, words in chain.items():
        if command == "counts":
            fill_sheets(folder)
        before = spent(resource.RUSAGE_CHILDREN)
        run(*PROGRAM, *words)
        total += spent(resource.RUSAGE_CHILDREN) - before
    return total


def time_drafts(survey: Path, points: int) -> dict[str, float]:
    """Return the median CPU seconds of a draft of points and of zones, and of the first of zones."""
    own = str(survey)
    plans = [
        cpu_of(lambda count=count: jobs.try_plan(["design", own, "--visit", "2026-06-01", "--points", str(count)]))
        for count in (points, points + 5, points + 10)
    ]
    zones = [
        cpu_of(lambda at=at: jobs.try_zones(["treat", own, "--threshold", f"{at}/ft2", "--out", "x"]))
        for at in (30, 25, 20, 35)
    ]
    return {"plan": statistics.median(plans), "zones, first": zones[0], "zones": statistics.median(zones[1:])}


def run_all(few: Size, many: Size, *, trial: bool) -> str:
    """Return the tables; a trial runs two commands of the eight apart, for most of that is starting Python."""
    drafts, chains = [], []
    jobs.load_libraries()
    os.environ.pop("OPENBLAS_NUM_THREADS", None)  # the eight commands run as they are
    for size in dict.fromkeys((few, many)):
        with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as two:
            apart, desk = Path(one), Path(two)
            chain = {words[0]: words for words in plan_chain(size, apart)}
            alone = run_apart(dict(list(chain.items())[: 2 if trial else None]), apart)
            if size == many:
                together = run_at_desk({words[0]: words for words in plan_chain(size, desk)}, desk)
                before = spent(resource.RUSAGE_CHILDREN)
                run(*PROGRAM[:1], "-c", IMPORTS)
                floor = spent(resource.RUSAGE_CHILDREN) - before
                ratio = f"{together / alone:.2f}"
                chains.append(
                    {"holes": size.holes, "eight commands, s": f"{alone:.1f}", "the desk, s": f"{together:.1f}"}
                    | {"ratio": ratio, "bare import of the libraries, s": f"{floor:.2f}"}
                )
            took = time_drafts((desk if trial else apart) / "course.gpkg", size.points)
            drafts.append({"holes": size.holes, "points": size.points} | {n: f"{s:.2f}" for n, s in took.items()})
    import pandas as pd

    head = f"# The desk's speed\n\nCPU seconds on {os.cpu_count()} cores; tests/benchmarks/desk_speed.py.\n"
    first = "## A draft while a slider moves\n"
    second = "## The chain of eight commands\n"
    return "\n".join(
        [head, first, as_markdown(pd.DataFrame(drafts)), "", second, as_markdown(pd.DataFrame(chains)), ""]
    )


if __name__ == "__main__":
    asked = ask(__doc__, beside(__file__), holes=(18, 1), points=(120, 12))
    smaller = Size(min(3, asked.holes), min(60, asked.points), 4.0 if asked.smallest else 1.0)
    larger = Size(asked.holes, asked.points, smaller.cell_m)
    asked.publish(run_all(smaller, larger, trial=asked.smallest))
