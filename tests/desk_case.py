"""A desk as its command starts it."""

from __future__ import annotations

import contextlib
import http.client
import json
import re
import subprocess
import sys
import time
import urllib.parse
from dataclasses import dataclass
from pathlib import Path
from typing import Any


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


@dataclass
class Served:
    """A desk as it is started by the command, and a client that came in with its key."""

    process: subprocess.Popen[str]
    port: int
    folder: Path
    door: str
    cookie: str = ""
    token: str = ""

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> tuple[int, bytes, Any]:
        with contextlib.closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)) as line:
            return self._ask(line, method, path, body, headers)

    def _ask(self, line: Any, method: str, path: str, body: Any, headers: dict[str, str]) -> tuple[int, bytes, Any]:
        sent = {"Cookie": self.cookie, "Origin": f"http://127.0.0.1:{self.port}", "X-Desk-Token": self.token, **headers}
        data = body if isinstance(body, (str, bytes, type(None))) else json.dumps(body)
        if not isinstance(body, (str, bytes, type(None))):
            sent["Content-Type"] = "application/json"
        line.request(method, path, data, sent)
        answer = line.getresponse()
        return answer.status, answer.read(), answer.headers

    def enter(self) -> None:
        page = Path(urllib.parse.unquote(urllib.parse.urlparse(self.door).path)).read_text()
        [key] = re.findall(r'name="key" value="([^"]+)"', page)
        kind = {"Content-Type": "application/x-www-form-urlencoded", "Origin": "null"}
        status, _, headers = self.ask("POST", "/enter", urllib.parse.urlencode({"key": key}), **kind)
        assert status == 200
        self.cookie = headers["Set-Cookie"].split(";")[0]
        [self.token] = re.findall(r'name="desk-token" content="([^"]+)"', self.ask("GET", "/")[1].decode())

    def state(self) -> Any:
        status, told, _ = self.ask("GET", "/state")
        assert status == 200, told
        return json.loads(told)

    def run(self, step: str, **answers: Any) -> Any:
        status, told, _ = self.ask("POST", "/run", {"step": step, "answers": answers})
        assert status == 200, told
        assert json.loads(told)["started"], told
        return self.wait()["steps"][step]

    def wait(self, seconds: float = 600) -> Any:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            state = self.state()
            if not state["running"]:
                return state
            time.sleep(0.4)  # as often as the page looks
        message = "the work does not end"
        raise TimeoutError(message)
