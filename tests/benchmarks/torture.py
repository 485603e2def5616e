"""Hostile inputs and kills: no traceback, no hang, nothing written elsewhere, and a survey file that is whole.

Run: python tests/benchmarks/torture.py [--inputs N] [--kills N] [--write].
Good files of every format the readers take are bent at random (bytes flipped, cut, doubled, swapped for hostile text);
each must end in exit 0, 1 or 2, in words, within the limit. Then the chain's commands are killed in each
stage of their write, alone and beside another program that has the survey open and writes to it before and after.
"""

from __future__ import annotations

import hashlib
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing
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
DRIVERS = {"a.kml": "KML", "a.gpkg": "GPKG", "a.fgb": "FlatGeobuf", "a.shp": "ESRI Shapefile"}
SHEETS = ("f.csv", "out/blank_counts.xlsx", "out/points.gpx", "f.xlsx", "out/points.kml")
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


def prepare(folder: Path) -> None:
    """Make a survey and good files of every kind."""
    survey = folder / "course.gpkg"
    course = ROOT / "layers" / "course.geojson"
    assert_fine(run("ground", survey, course, "--collar", "30in"))
    assert_fine(run("design", survey, "--visit", "2026-05-04", "--points", 24, "--holes", "1-2", "--seed", 3))
    assert_fine(run("sheets", survey, "--out", folder / "out"))
    file = open_survey(survey)
    fill_blank(folder / "out" / "blank_counts.csv", load_design(file), load_ground(file), folder / "f.csv", seed=1)
    frame = gpd.read_file(course)
    for name, driver in DRIVERS.items():
        plain = frame[frame.geom_type == "Polygon"][["golf", "hole", "geometry"]].dropna()
        plain.rename(columns={"golf": "name"} if name == "a.kml" else {}).to_file(folder / name, driver=driver)
    wkt = pd.DataFrame({"kind": frame["golf"], "hole": frame["hole"], "wkt": frame.geometry.to_wkt()})
    wkt.to_csv(folder / "a.csv", index=False)
    pd.read_csv(folder / "f.csv").to_excel(folder / "f.xlsx", index=False)
    (folder / "plan.toml").write_text('[[stage]]\ncommand = "estimate"\nthreshold = "30/ft2"\n', encoding="utf-8")


def good_files(folder: Path) -> dict[str, list[Path]]:
    """Return stage -> the good files it takes, of those that were prepared and of the project's own."""
    return {
        "ground": [ROOT / "layers" / "course.geojson", *(folder / name for name in (*DRIVERS, "a.csv"))],
        "counts": [folder / name for name in SHEETS],
        "compare": [ROOT / "geosample" / "compare" / "invented_trial.csv"],
        "batch": [folder / "plan.toml"],
    }


def assert_fine(outcome: tuple[str, float]) -> None:
    """Stop when a good command fails."""
    if outcome[0] != "exit 0":
        raise SystemExit(outcome[0])


def hurt_stage(stage: str, inputs: int, seed: int, good: Path) -> dict[str, object]:
    """Return one row: what became of so many bent inputs to one stage."""
    rng = random.Random(seed)
    outcomes: Counter[str] = Counter()
    slowest, strays = 0.0, 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(shutil.copytree(good, name, dirs_exist_ok=True))
        files = good_files(folder)[stage]
        for number in range(inputs):
            path = rng.choice(files)
            trial = folder / "trial" / path.name
            trial.parent.mkdir(exist_ok=True)
            trial.write_bytes(bend(path.read_bytes(), rng))
            survey = folder / "copy.gpkg"
            survey.write_bytes((folder / "course.gpkg").read_bytes())
            before = {p for p in folder.rglob("*") if p.parent.name != "trial"}
            words = {
                "ground": ["ground", folder / f"new{number % 2}.gpkg", trial, "--collar", "30in"],
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


def kill_chain(kills: int, seed: int, good: Path) -> list[dict[str, object]]:
    """Kill commands in each stage of their write, alone and beside another program; return a row a stage and mode.

    Each starts from the same file and is ended by the system's own timer, set as the stage is entered or left, so it
    strikes within the libraries too. The file must hold the state of before or of after, and all the other wrote.
    """
    rng = random.Random(seed)
    tally: dict[tuple[str, str], Counter[str]] = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(shutil.copytree(good, name, dirs_exist_ok=True))
        cases = [_Case(folder, words) for words in _prepare_writes(folder, most=kills)]
        for number in range(kills):
            stage, mode = _STAGES[number % len(_STAGES)], _OTHERS[number // len(_STAGES) % len(_OTHERS)]
            counter = tally.setdefault((stage, mode), Counter())
            counter.update(cases[number % len(cases)].strike(stage, mode, rng.uniform(0, 0.03)))
    heads = ("kills sent", "killed", "old state", "new state", "whole", "other's rows kept")
    return [{"stage": stage, "another program": mode, **{head: n[head] for head in heads}}
            for (stage, mode), n in tally.items()]  # fmt: skip


_STEPS = ("write_frames", "put_layers", "commit")
_STAGES = ("start", *(f"{when} {step}" for step in _STEPS for when in ("before", "in", "after")), "end")
_OTHERS = ("none", "wal", "delete")
_STRUCK = """
import signal, sys
stage, delay = sys.argv.pop(1), float(sys.argv.pop(1))
from geosample.survey import writing
when, _, step = stage.partition(" ")
def strike(seconds):
    signal.setitimer(signal.ITIMER_REAL, max(seconds, 1e-6))
if step:
    real = getattr(writing, step)
    def struck(*args):
        if when != "after":
            strike(delay if when == "in" else 0)
        result = real(*args)
        if when == "after":
            strike(0)
        return result
    setattr(writing, step, struck)
from geosample.cli import main
if stage == "start":
    strike(delay * 20)
main(standalone_mode=False)
if stage == "end":
    strike(0)
    signal.pause()
"""
_OTHER = """
import sqlite3, sys
c = sqlite3.connect(sys.argv[1], isolation_level=None, timeout=10)
c.execute(f"PRAGMA journal_mode = {sys.argv[2]}")
for line in sys.stdin:
    c.execute("INSERT INTO theirs VALUES (?)", (line.strip(),))
    print("done", flush=True)
"""


def _prepare_writes(folder: Path, most: int) -> list[list[str]]:
    """Make the file each of the first commands starts from, ``before-COMMAND.gpkg``; return the commands."""
    survey = folder / "course.gpkg"
    with closing(sqlite3.connect(survey)) as file, file:
        file.execute("CREATE TABLE theirs (text TEXT)")
    visit = ["--visit", "2026-05-04"]
    asked = [*visit, "--threshold", "30/ft2", "--out", str(folder / "o")]
    commands = [
        ["design", "--visit", "2026-06-01", "--points", "24", "--holes", "1-2", "--seed", "5"],
        ["ground", str(ROOT / "layers" / "course.geojson"), "--collar", "30in"],
        ["counts", str(folder / "f.csv"), *visit],
        ["estimate", *visit],
        ["density", "--cell", "3m", *asked],
        ["treat", *asked],
        ["record", "--date", "2026-05-08", "--rules", "none", "--set", "irac_group=28", *visit],
    ][:most]
    for command, *more in commands:
        shutil.copy(survey, folder / f"before-{command}.gpkg")
        assert_fine(run(command, survey, *more))
    return commands


class _Case:
    """One command, the file it starts from, and the states that file may be in afterwards."""

    def __init__(self, folder: Path, words: list[str]) -> None:
        self.words = words
        self.start = folder / f"before-{words[0]}.gpkg"
        self.trial = folder / "kill" / "course.gpkg"
        self.trial.parent.mkdir(exist_ok=True)
        self._fresh()
        self.old = _states(self.trial)
        assert_fine(run(words[0], self.trial, *words[1:]))
        self.new = _states(self.trial)

    def _fresh(self) -> None:
        shutil.rmtree(self.trial.parent)
        self.trial.parent.mkdir()
        shutil.copy(self.start, self.trial)

    def strike(self, stage: str, mode: str, delay: float) -> dict[str, int]:
        self._fresh()
        command, *more = self.words
        words = [sys.executable, "-c", _STRUCK, stage, f"{delay}", command, str(self.trial), *more]
        quiet = subprocess.DEVNULL
        if mode == "none":
            ended = subprocess.run(words, check=False, stdout=quiet, stderr=quiet).returncode
            kept = True
        else:
            talk = subprocess.PIPE
            other = [sys.executable, "-c", _OTHER, str(self.trial), mode]
            with subprocess.Popen(other, stdin=talk, stdout=talk, text=True) as program:
                told = [_tell(program, "before")]
                ended = subprocess.run(words, check=False, stdout=quiet, stderr=quiet).returncode
                told.append(_tell(program, "after"))
                program.communicate()
            with closing(sqlite3.connect(self.trial)) as file:
                kept = [row[0] for row in file.execute("SELECT text FROM theirs")] == ["before", "after"] == told
        if ended not in {0, -signal.SIGALRM}:
            message = f"{command} neither finished nor was killed: exit {ended}"
            raise SystemExit(message)
        with closing(sqlite3.connect(self.trial)) as file:
            sound = file.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        now = _states(self.trial)
        return {"kills sent": 1, "killed": ended == -signal.SIGALRM, "old state": now == self.old,
                "new state": now == self.new != self.old, "whole": sound and now in (self.old, self.new),
                "other's rows kept": kept}  # fmt: skip


def _tell(program: subprocess.Popen[str], text: str) -> str:
    assert program.stdin is not None
    assert program.stdout is not None
    program.stdin.write(f"{text}\n")
    program.stdin.flush()
    return text if program.stdout.readline() == "done\n" else "not written"


def _states(path: Path) -> dict[str, str]:
    """Return each layer's rows in short, however they are stored."""
    survey = open_survey(path, must_exist=True)
    frames = {layer: survey.read(layer) for layer in survey.layers()}
    texts = {layer: pd.DataFrame(frame).to_csv(index=False) for layer, frame in frames.items()}
    return {layer: hashlib.sha256(text.encode()).hexdigest() for layer, text in texts.items()}


def main() -> None:
    asked = ask(__doc__, beside(__file__), inputs=(1000, 1), kills=(300, 2))
    stages = ("ground", "counts", "compare", "batch")
    with tempfile.TemporaryDirectory() as name:
        good = Path(name)
        prepare(good)
        work = [joblib.delayed(hurt_stage)(stage, asked.inputs, SEED + n, good) for n, stage in enumerate(stages)]
        rows = joblib.Parallel(n_jobs=asked.jobs)(work)
        died = kill_chain(asked.kills, SEED, good)
    text = (
        f"# Torture\n\nMade by `torture.py`.\n\n{as_markdown(pd.DataFrame(rows))}\n\n"
        f"Commands of the chain killed in each stage of their write:\n\n{as_markdown(pd.DataFrame(died))}\n"
    )
    asked.publish(text)


if __name__ == "__main__":
    main()
