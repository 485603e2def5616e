"""Hostile inputs and kills: no traceback, no hang, nothing written elsewhere, and a survey file that is whole.

Run: python tests/benchmarks/torture.py [--inputs N] [--kills N] [--write].
Good files of every format the readers take are bent at random (bytes flipped, cut, doubled, swapped for hostile text);
each must end in exit 0, 1 or 2, in words, within the limit. Then the chain's commands are killed at random moments.
"""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import joblib
import pandas as pd
from bench import ROOT, as_markdown, ask, beside
from click.testing import CliRunner
from fill_blank import fill_blank

from geosample.cli import main as program
from geosample.design import load_design
from geosample.ground import load_ground
from geosample.survey import open_survey

LIMIT_S, SEED = 30.0, 12
HOSTILE = (
    b"<!DOCTYPE x [<!ENTITY a SYSTEM 'file:///etc/passwd'>]>", b"\x00" * 64, b"NaN", b"1e999", b"-0", b"\xff\xfe",
    "é\u202e漢字".encode(), b"'; DROP TABLE points; --", b"=1+1", b"../../../escape", b"[" * 300, b'"',
    b"\r\n\r\n", b"9" * 400,
)  # fmt: skip


def run(*words: object) -> tuple[str, float]:
    """Run one command in this process; return what became of it, and its seconds."""
    start = time.perf_counter()
    result = CliRunner().invoke(program, [str(word) for word in words])
    seconds = time.perf_counter() - start
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        return f"traceback: {type(result.exception).__name__}: {result.exception}", seconds
    return f"exit {result.exit_code}", seconds


def bend(data: bytes, rng: random.Random) -> bytes:
    """Return the bytes with one to four random wounds."""
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(data) + 1)
        wounds: tuple[Callable[[bytes, int], bytes], ...] = (
            lambda whole, here: whole[:here],
            lambda whole, here: whole[:here] + bytes([rng.randrange(256)]) + whole[here + 1 :],
            lambda whole, here: whole[:here] + rng.choice(HOSTILE) + whole[here:],
            lambda whole, here: whole[:here] + whole[here : here + 400] + whole[here:],
            lambda whole, here: whole[:here] + whole[here + rng.randint(1, 400) :],
        )
        data = rng.choice(wounds)(data, at)
    return data


def prepare(folder: Path) -> dict[str, list[tuple[Path, list[str]]]]:
    """Make a survey and good files of every kind; return stage -> files with the words before and after them."""
    survey = folder / "course.gpkg"
    course = ROOT / "layers" / "course.geojson"
    assert_fine(run("ground", survey, course, "--collar", "30in"))
    assert_fine(run("design", survey, "--visit", "2026-05-04", "--points", 24, "--holes", "1-2", "--seed", 3))
    assert_fine(run("sheets", survey, "--out", folder / "out"))
    file = open_survey(survey)
    fill_blank(folder / "out" / "blank_counts.csv", load_design(file), load_ground(file), folder / "f.csv", seed=1)
    frame = gpd.read_file(course)
    grounds = [course]
    drivers = {"a.kml": "KML", "a.gpkg": "GPKG", "a.fgb": "FlatGeobuf", "a.shp": "ESRI Shapefile"}
    for name, driver in drivers.items():
        plain = frame[frame.geom_type == "Polygon"][["golf", "hole", "geometry"]].dropna()
        plain.rename(columns={"golf": "name"} if name == "a.kml" else {}).to_file(folder / name, driver=driver)
        grounds.append(folder / name)
    wkt = pd.DataFrame({"kind": frame["golf"], "hole": frame["hole"], "wkt": frame.geometry.to_wkt()})
    wkt.to_csv(folder / "a.csv", index=False)
    counts = [folder / "f.csv", folder / "out" / "blank_counts.xlsx", folder / "out" / "points.gpx"]
    pd.read_csv(folder / "f.csv").to_excel(folder / "f.xlsx", index=False)
    plan = folder / "plan.toml"
    plan.write_text('[[stage]]\ncommand = "estimate"\nthreshold = "30/ft2"\n', encoding="utf-8")
    trial = ROOT / "geosample" / "compare" / "invented_trial.csv"
    return {
        "ground": [(path, ["--collar", "30in"]) for path in [*grounds, folder / "a.csv"]],
        "counts": [(path, []) for path in [*counts, folder / "f.xlsx", folder / "out" / "points.kml"]],
        "compare": [(trial, [])],
        "batch": [(plan, [])],
    }


def assert_fine(outcome: tuple[str, float]) -> None:
    """Stop when a good command fails."""
    if outcome[0] != "exit 0":
        raise SystemExit(outcome[0])


def hurt_stage(stage: str, inputs: int, seed: int) -> dict[str, object]:
    """Return one row: what became of so many bent inputs to one stage."""
    rng = random.Random(seed)
    outcomes: Counter[str] = Counter()
    slowest, strays = 0.0, 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = prepare(folder)[stage]
        for number in range(inputs):
            path, more = rng.choice(files)
            trial = folder / "trial" / path.name
            trial.parent.mkdir(exist_ok=True)
            trial.write_bytes(bend(path.read_bytes(), rng))
            survey = folder / "copy.gpkg"
            survey.write_bytes((folder / "course.gpkg").read_bytes())
            before = {p for p in folder.rglob("*") if p.parent.name != "trial"}
            words = {
                "ground": ["ground", folder / f"new{number % 2}.gpkg", trial, *more],
                "counts": ["counts", survey, trial],
                "compare": ["compare", trial],
                "batch": ["batch", folder / "none", "--plan", trial],
            }[stage]
            outcome, seconds = run(*words)
            outcomes[outcome if seconds < LIMIT_S else "too slow"] += 1
            slowest = max(slowest, seconds)
            made = {p for p in folder.rglob("*") if p.parent.name != "trial"} - before
            strays += sum(not p.name.startswith(("new", ".new", "copy", ".copy")) for p in made)
    bad = {what: n for what, n in outcomes.items() if what not in {"exit 0", "exit 1", "exit 2"}}
    counts = {f"exit {code}": outcomes[f"exit {code}"] for code in (0, 1, 2)}
    return {"stage": stage, "inputs": inputs, **counts, "other": str(bad or "none"), "slowest, s": round(slowest, 1),
            "files elsewhere": strays}  # fmt: skip


def kill_chain(kills: int, seed: int) -> dict[str, object]:
    """Kill commands at random moments; return how often the survey file was whole afterwards."""
    rng = random.Random(seed)
    whole = killed = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        prepare(folder)
        assert_fine(run("counts", folder / "course.gpkg", folder / "f.csv"))
        steps = [
            ["ground", str(ROOT / "layers" / "course.geojson")],
            ["design", "--visit", "2026-06-01", "--points", "24", "--holes", "1-2"],
            ["counts", str(folder / "f.csv")],
            ["estimate"],
            ["density", "--threshold", "30/ft2", "--cell", "3m", "--out", str(folder / "o")],
            ["treat", "--threshold", "30/ft2", "--out", str(folder / "o")],
            ["record", "--date", "2026-05-08", "--rules", "none", "--set", "irac_group=28"],
        ]
        for number in range(kills):
            command, *more = steps[number % len(steps)]
            words = [sys.executable, "-c", "from geosample.cli import main; main()", command, "course.gpkg", *more]
            quiet = subprocess.DEVNULL
            with subprocess.Popen(words, cwd=folder, stdout=quiet, stderr=quiet, env=os.environ) as process:
                time.sleep(rng.uniform(0.2, 4.0))
                if process.poll() is None:
                    process.send_signal(signal.SIGKILL)
                    killed += 1
            whole += _is_whole(folder / "course.gpkg")
    return {"kills sent": kills, "still running then": killed, "survey whole": whole}


def _is_whole(path: Path) -> bool:
    with sqlite3.connect(path) as connection:
        sound = connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    survey = open_survey(path, must_exist=True)
    return sound and len(survey.need("surfaces")) > 0 and len(survey.need("points")) > 0


def main() -> None:
    asked = ask(__doc__, beside(__file__), inputs=(1000, 1), kills=(200, 1))
    stages = ("ground", "counts", "compare", "batch")
    work = [joblib.delayed(hurt_stage)(stage, asked.inputs, SEED + n) for n, stage in enumerate(stages)]
    rows = joblib.Parallel(n_jobs=2)(work)
    died = kill_chain(asked.kills, SEED)
    text = (
        f"# Torture\n\nMade by `torture.py`.\n\n{as_markdown(pd.DataFrame(rows))}\n\n"
        f"Commands of the chain killed at random moments:\n\n{as_markdown(pd.DataFrame([died]))}\n"
    )
    asked.publish(text)


if __name__ == "__main__":
    main()
