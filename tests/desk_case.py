"""A desk as its command starts it."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path


def start_desk(folder: Path) -> tuple[subprocess.Popen[str], int, str]:
    """Start a desk on a folder; return its process, its port, and the address of the file that opens it once."""
    words = [sys.executable, "-c", "from geosample.cli import main; main()", "desk", str(folder), "--no-browser"]
    process = subprocess.Popen(words, stderr=subprocess.PIPE, text=True)
    assert process.stderr
    said = ""
    while not (found := re.search(r"127\.0\.0\.1:(\d+)/.*(file://\S+\.html)", said, re.DOTALL)):
        line = process.stderr.readline()
        assert line, said
        said += line
    return process, int(found[1]), found[2]
