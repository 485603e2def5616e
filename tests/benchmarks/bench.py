"""What the scripts of this folder share: how they are asked, where their tables go, an invented course, a clock.

``python tests/benchmarks/NAME.py`` prints what it found and writes nothing; ``--write`` keeps it as the published
table, ``--out FILE`` elsewhere. ``--smallest`` is a trial of everything at its smallest, which a test runs for every
script; it never becomes the published table. Importing this module lets a script import the helpers in ``tests/`` too.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import pandas as pd
import shapely
from shapely import affinity

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from geosample.ground import Ground  # noqa: E402 - after the path, so that this clone is meant

CRS = "+proj=laea +lat_0=41.5 +lon_0=-73.9 +datum=WGS84 +units=m"
CANNOT_RUN = 77
"""The exit code of a script that lacks something it needs, as in other test harnesses (common practice, no source)."""


@dataclass
class Asked:
    """What a script is asked: its numbers (each is an attribute by its name), and where its table goes."""

    smallest: bool
    table: Path | None
    words: list[str]
    numbers: dict[str, int] = field(default_factory=dict)

    def __getattr__(self, name: str) -> int:
        try:
            return self.__dict__["numbers"][name]
        except KeyError:
            raise AttributeError(name) from None

    @property
    def jobs(self) -> int:
        """How many processes share the work; a trial starts none, which takes longer than its work."""
        return 1 if self.smallest else 2

    def publish(self, text: str) -> None:
        """Print the text, and write it where the script was asked to."""
        print(text)
        if self.table is not None:
            self.table.write_text(text.rstrip() + "\n", encoding="utf-8")
            print(f"wrote {self.table}")


def ask(doc: str | None, table: Path | None = None, *, words: str | None = None, **numbers: tuple[int, int]) -> Asked:
    """Read the command line.

    Parameters
    ----------
    doc : str
        The script's docstring, its help.
    table : Path, optional
        The published table; a script without one has no ``--write``.
    words : str, optional
        What arguments without a dash are, for scripts that take some.
    **numbers : tuple of int
        Option -> its usual value and its value in ``--smallest``.
    """
    parser = argparse.ArgumentParser(description=doc, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--smallest", action="store_true", help="everything once at its smallest: does it still run?")
    place = parser.add_mutually_exclusive_group()
    place.add_argument("--out", type=Path, help="write the table to this file")
    if table is not None:
        place.add_argument("--write", action="store_true", help=f"write the published table, {table.name}")
    for name, (usual, _) in numbers.items():
        parser.add_argument(f"--{name}", type=int, help=f"{usual} when not given")
    if words:
        parser.add_argument("words", nargs="*", help=words)
    asked = parser.parse_args()
    write = table is not None and asked.write
    if write and asked.smallest:
        parser.error("--smallest is a trial: its table can go to --out, not in place of the published one")
    given = {name: getattr(asked, name) for name in numbers}
    chosen = {n: values[asked.smallest] if given[n] is None else given[n] for n, values in numbers.items()}
    return Asked(asked.smallest, table if write else asked.out, asked.words if words else [], chosen)


def stop_without(what: str) -> None:
    """End the script with the reason why it cannot run here, which the test of all scripts turns into a skip."""
    print(f"cannot run here: {what}", file=sys.stderr)
    raise SystemExit(CANNOT_RUN)


def beside(script: str) -> Path:
    """Return the published table that lies beside a script."""
    return Path(script).with_suffix(".md")


def in_samples(script: str) -> Path:
    """Return the published table of a script whose table lies in ``sample_maps/``."""
    return ROOT / "sample_maps" / f"{Path(script).stem}.md"


def as_markdown(frame: pd.DataFrame) -> str:
    """Return a frame as a Markdown table."""
    rows = [list(frame.columns), ["---"] * frame.shape[1], *frame.astype(str).to_numpy().tolist()]
    return "\n".join(f"| {' | '.join(map(str, row))} |" for row in rows)


def clock(work: Callable[[], object]) -> float:
    """Return the wall seconds a call takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def make_ground(holes: int) -> Ground:
    """Return so many invented holes: a green, its collar, a bent fairway of about 0.9 ha and a bunker each."""
    green = affinity.scale(shapely.Point(0, 0).buffer(13), 1.2, 0.9)
    apron = green.buffer(0.762)
    fairway = shapely.LineString([(0, -40), (-35, -150), (10, -310)]).buffer(16).difference(apron)
    shapes = {"green": green, "collar": apron.difference(green), "fairway": fairway}
    bunker = shapely.Point(25, 0).buffer(6)
    places = [(number + 1, 180.0 * (number % 6), 480.0 * (number // 6)) for number in range(holes)]
    rows = [
        {"surface_id": f"{hole:02d}-{kind}-1", "hole": str(hole), "kind": kind, "name": None, "source": "invented",
         "geometry": shapely.multipolygons([affinity.translate(shape, east, north)])}
        for hole, east, north in places
        for kind, shape in shapes.items()
    ]  # fmt: skip
    surfaces = gpd.GeoDataFrame(rows, crs=CRS)
    bunkers = gpd.GeoDataFrame(
        {"kind": "bunker", "hole": [str(hole) for hole, *_ in places], "name": None, "source": "invented"},
        geometry=[affinity.translate(bunker, east, north) for _, east, north in places],
        crs=CRS,
    )
    return Ground(surfaces.assign(area_m2=surfaces.area), bunkers)
