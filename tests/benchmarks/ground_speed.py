"""How long 'ground' takes beside a bare read of the same file by the same driver, and whether memory stays flat.

Run: python tests/benchmarks/ground_speed.py [FILE ...]; the demo course when no file is named.
"""

from __future__ import annotations

import resource
import tempfile
import time
from pathlib import Path

import pyogrio
from bench import ROOT, ask

from geosample.ground import read_ground, save_ground
from geosample.survey import open_survey


def bare_read(path: Path) -> float:
    start = time.process_time()
    for layer, _ in pyogrio.list_layers(path):
        pyogrio.read_dataframe(path, layer=layer)
    return time.process_time() - start


def whole_job(path: Path, folder: Path) -> float:
    start = time.process_time()
    save_ground(open_survey(folder / "a.gpkg"), read_ground(path, kinds={"OB": "ignore"}, collar_m=0.762))
    return time.process_time() - start


def main() -> None:
    asked = ask(__doc__, words="course files", times=(24, 1))
    lines = []
    for path in map(Path, asked.words or [ROOT / "layers" / "course.geojson"]):
        bare_read(path)
        bare = bare_read(path)
        peaks = []
        with tempfile.TemporaryDirectory() as folder:
            took = min(whole_job(path, Path(folder)) for _ in range(min(3, asked.times)))
            for _ in range(asked.times):
                whole_job(path, Path(folder))
                peaks.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
        allowed = 4 * bare + 1
        lines.append(f"{path.name}: bare read {bare:.2f} s, ground {took:.2f} s, allowed {allowed:.2f} s")
        lines.append(f"  {asked.times} times over: peak memory {peaks[0]:.0f} MB at first, {peaks[-1]:.0f} MB at last")
    asked.publish("\n".join(lines))


if __name__ == "__main__":
    main()
