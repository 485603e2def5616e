"""The whole chain, command by command, as a user runs it: CPU seconds and peak memory of each, and how both grow.

Run: python tests/benchmarks/chain_speed.py [--write]
Each command is a process of its own, so starting Python and loading libraries is in every figure;
the bare import is shown as the floor. CPU seconds, of all threads, so that other work on the machine changes little.
"""

from __future__ import annotations

import json
import os
import platform
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import pandas as pd
import shapely
from bench import CRS, as_markdown, ask, beside
from fill_blank import fill_blank
from shapely import affinity

from geosample.design import load_design
from geosample.ground import load_ground
from geosample.survey import open_survey

PROGRAM = [sys.executable, "-c", "from geosample.cli import main; main()"]
ONE_PROCESS = """
import json, sys
from pathlib import Path
from geosample.cli import main
sys.path.insert(0, sys.argv[2])
for words in json.loads(sys.argv[1]):
    if words[0] == "fill":
        from chain_speed import fill_sheets
        fill_sheets(Path(words[1]))
        continue
    try:
        main(words, standalone_mode=False)
    except SystemExit as end:
        if end.code:
            raise
"""
IMPORTS = "import geopandas, pyarrow, scipy.optimize, scipy.sparse.linalg"


@dataclass(frozen=True)
class Size:
    """How much of everything: holes of the course, main points, the map's cell in m."""

    holes: int = 18
    points: int = 120
    cell_m: float = 1.0


def make_hole(number: int) -> gpd.GeoDataFrame:
    """Return an invented hole: green, tee, a bent fairway of 0.75 ha, two bunkers and a wood."""
    shapes = {
        "green": affinity.scale(shapely.Point(0, 0).buffer(13), 1.2, 0.9),
        "fairway": shapely.LineString([(0, -40), (-35, -150), (10, -270)]).buffer(15),
        "tee": affinity.rotate(shapely.box(-6, -330, 6, -318), 8 * number),
        "bunker": shapely.Point(23, 2).buffer(5).union(shapely.Point(-20, -120).buffer(6)),
        "trees": shapely.box(45, -250, 60, -60),
    }
    turned = [affinity.rotate(shape, 7 * (number % 5), origin=(0, -150)) for shape in shapes.values()]
    placed = [affinity.translate(shape, (number % 6) * 180.0, (number // 6) * 480.0) for shape in turned]
    return gpd.GeoDataFrame({"kind": list(shapes), "hole": str(number + 1)}, geometry=placed, crs=CRS)


def run(*words: object) -> tuple[float, float]:
    """Run one command; return its CPU seconds and its peak memory in MB."""
    quiet = [(os.POSIX_SPAWN_OPEN, stream, os.devnull, os.O_WRONLY, 0) for stream in (1, 2)]
    child = os.posix_spawn(sys.executable, [str(word) for word in words], os.environ, file_actions=quiet)
    _, status, usage = os.wait4(child, 0)
    if status:
        message = f"{words}: exit {os.waitstatus_to_exitcode(status)}"
        raise SystemExit(message)
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def plan_chain(size: Size, folder: Path) -> list[list[str]]:
    """Draw the course, and return every command's words, from polygons to the page."""
    survey, out, filled = folder / "course.gpkg", folder / "out", folder / "filled.csv"
    holes = pd.concat([make_hole(number) for number in range(size.holes)], ignore_index=True)
    gpd.GeoDataFrame(holes, crs=CRS).to_crs(4326).to_file(folder / "course.geojson")
    words: list[list[object]] = [
        ["ground", survey, folder / "course.geojson", "--collar", "30in"],
        ["design", survey, "--visit", "2026-05-04", "--points", size.points, "--border", "15ft", "--seed", "7"],
        ["sheets", survey, "--out", out],
        ["counts", survey, filled],
        ["estimate", survey, "--by", "kind,hole,stratum"],
        ["density", survey, "--threshold", "30/ft2", "--cell", f"{size.cell_m}m", "--out", out],
        ["treat", survey, "--threshold", "30/ft2", "--out", out],
        ["map", survey, "--out", out / "map.html"],
    ]
    return [[str(word) for word in command] for command in words]


def fill_sheets(folder: Path) -> None:
    """Fill the blank counts in, between the sheets and the counts."""
    file, blank = open_survey(folder / "course.gpkg"), folder / "out" / "blank_counts.csv"
    fill_blank(blank, load_design(file), load_ground(file), folder / "filled.csv", seed=11)


def run_chain(size: Size, folder: Path) -> pd.DataFrame:
    """Return seconds and MB of every command, each a process of its own."""
    rows = {"(import of the libraries)": run(sys.executable, "-c", IMPORTS)}
    for words in plan_chain(size, folder):
        if words[0] == "counts":
            fill_sheets(folder)
        rows[words[0]] = run(*PROGRAM, *words)
    survey = open_survey(folder / "course.gpkg")
    cells, zones = survey.read("cells"), survey.read("zones")
    treated_m2 = zones["area_m2"][zones["action"] == "treat"].sum()
    facts = {
        "cells": len(cells),
        "zones": len(zones),
        "treated": round(treated_m2 / cells["area_m2"].sum(), 2),
        "page_mb": (folder / "out" / "map.html").stat().st_size / 1e6,
    }
    return pd.DataFrame(rows, index=["s", "MB"]).T.assign(**facts)


def run_together(size: Size, *, processes: int, sheets_only: bool = False) -> tuple[float, float]:
    """Return seconds and peak MB of the same commands in one process, or in two with the counts between them.

    A trial goes only as far as the filled sheets.
    """
    with tempfile.TemporaryDirectory() as folder:
        plan = plan_chain(size, Path(folder))
        parts = [[*plan[:3], ["fill", folder]], plan[3:]]
        parts = parts[:1] if sheets_only else parts if processes == 2 else [[*parts[0], *parts[1]]]
        here = str(Path(__file__).parent)
        runs = [run(sys.executable, "-c", ONE_PROCESS, json.dumps(part), here) for part in parts]
    return sum(seconds for seconds, _ in runs), max(mb for _, mb in runs)


def run_season(size: Size, visits: int) -> pd.DataFrame:
    """Return seconds, MB and CPU seconds of one visit's page, and of a season of so many with their maps stored."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        ground, design, sheets, *results, _, _ = plan_chain(size, folder)
        survey = ground[1]
        words = [ground]
        for number in range(visits):
            day = f"2026-{4 + number // 3:02d}-{1 + 9 * (number % 3):02d}"
            words.append([*design[:3], day, *design[4:-1], str(number)])
            words += [sheets, ["fill", name], *results]
        run(sys.executable, "-c", ONE_PROCESS, json.dumps(words), str(Path(__file__).parent))
        page = ["map", survey, "--others", "0", "--out", f"{name}/map.html"]
        asked = {"map of one visit": page, f"season of {visits}": ["season", survey, "--out", f"{name}/season"]}
        rows = {}
        for what, command in asked.items():
            before = os.times()
            rows[what] = run(*PROGRAM, *command)
            now = os.times()
            rows[what] += (now.children_user + now.children_system - before.children_user - before.children_system,)
    return pd.DataFrame(rows, index=["s", "MB", "CPU s"]).T.round({"s": 2, "MB": 0, "CPU s": 2})


def sum_up(size: Size) -> tuple[pd.DataFrame, dict[str, object]]:
    """Run the chain at one size; return its table and one row that sums it up."""
    with tempfile.TemporaryDirectory() as folder:
        table = run_chain(size, Path(folder))
    work = table.iloc[1:]
    return table, {
        "holes": size.holes,
        "points": size.points,
        "cell, m": size.cell_m,
        **{name: table[name].iloc[0].item() for name in ("cells", "zones", "treated")},
        "all, s": round(work["s"].sum(), 1),
        **{f"{name}, s": round(table.loc[name, "s"], 1) for name in ("sheets", "estimate", "density", "treat")},
        "treat, MB": round(table.loc["treat", "MB"]),
        "peak, MB": round(work["MB"].max()),
    }


def main() -> None:
    asked = ask(__doc__, beside(__file__), visits=(10, 2))
    usual = Size(1, 12, 8.0) if asked.smallest else Size()
    table, row = sum_up(usual)
    ways = {2: "in two processes, as `batch` runs them", 1: "in one"}
    ways = {1: "in one process as far as the sheets"} if asked.smallest else ways
    together = {way: run_together(usual, processes=n, sheets_only=asked.smallest) for n, way in ways.items()}
    spent = [f"{way}, {seconds:.1f} s, {mb:.0f} MB" for way, (seconds, mb) in together.items()]
    others = [replace(usual, points=60), replace(usual, points=240), replace(usual, cell_m=2.0)]
    others += [replace(usual, cell_m=0.5), replace(usual, holes=9), replace(usual, holes=36)]
    others += [replace(usual, holes=72), replace(usual, points=2000)]
    growth = pd.DataFrame([row, *(sum_up(size)[1] for size in others if not asked.smallest)])
    season = run_season(usual, asked.visits)
    shown = table[["s", "MB"]].round({"s": 2, "MB": 0}).rename_axis("command").reset_index()
    share = season["CPU s"].iloc[1] / season["CPU s"].iloc[0]
    text = (
        f"# The whole chain, measured\n\nMade by `chain_speed.py` on {os.cpu_count()} cores ({platform.machine()}), "
        f"Python {platform.python_version()}. An invented course of {usual.holes} holes, {usual.points} main points, "
        f"{usual.cell_m:g} m cells; each command a process of its own, CPU seconds.\n\n{as_markdown(shown)}\n\n"
        f"All commands: {row['all, s']} s, at most {row['peak, MB']} MB. The floor is the import, once a command.\n"
        f"With the sheets filled in between: {'; '.join(spent)}. "
        f"The page is {table['page_mb'].iloc[0]:.1f} MB.\n\n"
        f"## Growth\n\n`treated` is the plan's share of the ground: nearly all of it has few and simple outlines, "
        f"some of it costs more for each hole.\n\n{as_markdown(growth)}\n\n"
        f"## A season\n\nThe same course, {asked.visits} visits of {usual.points} points, their maps stored: "
        f"drawing the season takes {share:.1f} times the CPU of one visit's page.\n\n"
        f"{as_markdown(season.rename_axis('command').reset_index())}\n"
    )
    asked.publish(text)


if __name__ == "__main__":
    main()
