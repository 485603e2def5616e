"""How long the sheets of 18 holes and 120 points take (at most 15 s is asked of 2 cores).

Run: python tests/benchmarks/sheets_speed.py [--holes N] [--points N]; no test times anything.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from bench import ask, clock, make_ground

from geosample.design import draw_design
from geosample.sheets import write_sheets


def main() -> None:
    asked = ask(__doc__, holes=(18, 1), points=(120, 12))
    ground = make_ground(asked.holes)
    design = draw_design(ground, visit="2026-05-04", points=asked.points, border_m=4.572, seed=1)
    with tempfile.TemporaryDirectory() as folder:
        seconds = clock(lambda: write_sheets(design, ground, folder=Path(folder)))
        size = sum(path.stat().st_size for path in Path(folder).rglob("*") if path.is_file())
    asked.publish(f"{seconds:.1f} s, {size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
