"""Each script in tests/benchmarks still starts: once, at its smallest, with its table in a temporary folder."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "tests" / "benchmarks"
FILES = {path.stem: path for path in sorted(FOLDER.glob("*.py"))}
SCRIPTS = [name for name, path in FILES.items() if 'if __name__ == "__main__":' in path.read_text(encoding="utf-8")]
CANNOT_RUN = 77
"""The exit code by which a script says that it lacks something here (``bench.stop_without``)."""


def start(name: str, folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run a script as a user does, from another folder, and let none of its processes use more than one core."""
    line = [sys.executable, str(FILES[name]), *words]
    one_core = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    asked = {"cwd": folder, "env": os.environ | one_core, "timeout": 900}
    return subprocess.run(line, check=False, capture_output=True, text=True, encoding="utf-8", **asked)


def published() -> dict[Path, tuple[int, bytes]]:
    tables = [*FOLDER.glob("*.md"), *(ROOT / "sample_maps").glob("*.md")]
    return {path: (path.stat().st_mtime_ns, path.read_bytes()) for path in tables}


@pytest.mark.slow
@pytest.mark.parametrize("name", SCRIPTS)
def test_a_benchmark_starts_and_a_trial_of_it_leaves_the_published_tables_alone(name: str, tmp_path: Path) -> None:
    before = published()
    run = start(name, tmp_path, "--smallest", "--out", str(tmp_path / "table.md"))
    if run.returncode == CANNOT_RUN:
        pytest.skip(run.stderr.strip().splitlines()[-1])
    assert run.returncode == 0, run.stderr
    table = (tmp_path / "table.md").read_text(encoding="utf-8")
    assert table.strip() in run.stdout
    assert any(sign.isdigit() for sign in table)
    assert published() == before


def test_what_is_no_script_serves_one() -> None:
    imported = {
        node.module
        for path in FILES.values()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom)
    }
    assert len(SCRIPTS) > 10
    assert set(FILES) - set(SCRIPTS) <= imported


@pytest.mark.slow
def test_a_trial_is_never_published(tmp_path: Path) -> None:
    before = published()
    run = start("compare_rates", tmp_path, "--smallest", "--write")
    assert run.returncode == 2
    assert "--smallest is a trial" in run.stderr
    assert published() == before
