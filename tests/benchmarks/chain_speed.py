"""The whole chain, command by command, as a user runs it: seconds and peak memory of each, and how both grow.

Run as ``python tests/benchmarks/chain_speed.py`` from the project's folder; the table goes to ``chain_speed.md``
beside this file. Each command is a process of its own, so starting Python and loading libraries is in every figure;
the bare import is shown as the floor.
"""

from __future__ import annotations

import os
import platform
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import pandas as pd
import shapely
from shapely import affinity

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from fill_blank import fill_blank

from geosample.design import load_design
from geosample.ground import load_ground
from geosample.survey import open_survey

TABLE = Path(__file__).with_suffix(".md")
CRS = "+proj=laea +lat_0=41.5 +lon_0=-73.9 +datum=WGS84 +units=m"
PROGRAM = [sys.executable, "-c", "from geosample.cli import main; main()"]
IMPORTS = "import geopandas, scipy.optimize, scipy.sparse.linalg, sklearn.gaussian_process"


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
    """Run one command; return its seconds and its peak memory in MB."""
    start = time.perf_counter()
    quiet = [(os.POSIX_SPAWN_OPEN, stream, os.devnull, os.O_WRONLY, 0) for stream in (1, 2)]
    child = os.posix_spawn(sys.executable, [str(word) for word in words], os.environ, file_actions=quiet)
    _, status, usage = os.wait4(child, 0)
    if status:
        message = f"{words}: exit {os.waitstatus_to_exitcode(status)}"
        raise SystemExit(message)
    return time.perf_counter() - start, usage.ru_maxrss / 1024


def run_chain(size: Size, folder: Path) -> pd.DataFrame:
    """Return seconds and MB of every command, from polygons to the page."""
    survey, out, filled = folder / "course.gpkg", folder / "out", folder / "filled.csv"
    holes = pd.concat([make_hole(number) for number in range(size.holes)], ignore_index=True)
    gpd.GeoDataFrame(holes, crs=CRS).to_crs(4326).to_file(folder / "course.geojson")
    rows = {"(import of the libraries)": run(sys.executable, "-c", IMPORTS)}

    def step(name: str, *words: object) -> None:
        rows[name] = run(*PROGRAM, name, survey, *words)

    step("ground", folder / "course.geojson", "--collar", "30in")
    step("design", "--visit", "2026-05-04", "--points", size.points, "--border", "15ft", "--seed", "7")
    step("sheets", "--out", out)
    file = open_survey(survey)
    fill_blank(out / "blank_counts.csv", load_design(file), load_ground(file), filled, seed=11)
    step("counts", filled)
    step("estimate", "--by", "kind,hole,stratum")
    step("density", "--threshold", "30/ft2", "--cell", f"{size.cell_m}m", "--out", out)
    step("treat", "--threshold", "30/ft2", "--out", out)
    step("map", "--out", out / "map.html")
    cells = len(file.read("cells"))
    return pd.DataFrame(rows, index=["s", "MB"]).T.assign(cells=cells)


def sum_up(size: Size) -> tuple[pd.DataFrame, dict[str, object]]:
    """Run the chain at one size; return its table and one row that sums it up."""
    with tempfile.TemporaryDirectory() as folder:
        table = run_chain(size, Path(folder))
    work = table.iloc[1:]
    return table, {
        "holes": size.holes,
        "points": size.points,
        "cell, m": size.cell_m,
        "cells": int(table["cells"].iloc[0]),
        "all, s": round(work["s"].sum(), 1),
        "density, s": round(table.loc["density", "s"], 1),
        "peak, MB": round(work["MB"].max()),
    }


def as_markdown(frame: pd.DataFrame) -> str:
    """Return a frame as a Markdown table."""
    rows = [list(frame.columns), ["---"] * frame.shape[1], *frame.astype(str).to_numpy().tolist()]
    return "\n".join(f"| {' | '.join(map(str, row))} |" for row in rows)


def main() -> None:
    usual = Size()
    table, row = sum_up(usual)
    others = [replace(usual, points=60), replace(usual, points=240), replace(usual, cell_m=2.0)]
    others += [replace(usual, cell_m=0.5), replace(usual, holes=9), replace(usual, holes=36)]
    growth = pd.DataFrame([row, *(sum_up(size)[1] for size in others)])
    shown = table.drop(columns="cells").round({"s": 2, "MB": 0}).rename_axis("command").reset_index()
    text = (
        f"# The whole chain, measured\n\nMade by `chain_speed.py` on {os.cpu_count()} cores ({platform.machine()}), "
        f"Python {platform.python_version()}. An invented course of {usual.holes} holes, {usual.points} main points, "
        f"{usual.cell_m:g} m cells; each command a process of its own.\n\n{as_markdown(shown)}\n\n"
        f"All commands: {row['all, s']} s, at most {row['peak, MB']} MB. The floor is the import, once a command.\n\n"
        f"## Growth\n\n{as_markdown(growth)}\n"
    )
    TABLE.write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
