"""Ninety bags entered by three phones, with the connection cut at random and the desk killed: is every count there?

Run: python tests/benchmarks/phone_rounds.py [--write] [--rounds N] [--bags N]
Each phone is a browser of its own with a touch screen, on an address that is not the machine's own loop-back, in a
network of the script's own (a network namespace of Linux's), so the page is no secure one. In every round each phone
counts its part of the bench and some bags of the others', its connection is cut and mended at random, one phone is
killed as by a flat battery and started again, and the desk is killed twice and started again, which changes its key.
At the end the desk's user settles what two phones said differently, the desk takes the counts in, and the survey is
held against what was tapped.
"""

from __future__ import annotations

import datetime
import http.client
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import urllib.parse
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from bench import ROOT, as_markdown, ask, beside, make_ground, stop_without

sys.path.insert(0, str(ROOT / "tests" / "browser"))

from phone_tools import Phone, start_browser
from selenium.common.exceptions import WebDriverException

from geosample.design import draw_design, save_design
from geosample.ground import save_ground
from geosample.survey import open_survey

AT = "192.168.77.1"
INSIDE = "GEOSAMPLE_OWN_NETWORK"
STAGES = ("egg", "L1", "L3", "L5", "pupa")
BENCH = "return JSON.parse(document.getElementById('given').textContent).bags.map((bag) => bag.sample_id);"
CUT, MENDED = 0.08, 0.3
"""Chance that a phone's connection is cut before a bag, and that a cut one is mended."""
OTHERS = 0.08
"""Share of bags that two phones count, half of them differently."""


class Desk:
    """The command, started in a folder, and its user's browser as plain requests."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.start()

    def start(self) -> None:
        words = [sys.executable, "-c", "from geosample.cli import main; main()", "desk", str(self.folder)]
        self.process = subprocess.Popen([*words, "--no-browser", "--phones-at", AT], stderr=subprocess.PIPE, text=True)
        said = ""
        assert self.process.stderr
        while not (found := re.search(r"127\.0\.0\.1:(\d+)/.*(file://\S+\.html)", said, re.DOTALL)):
            line = self.process.stderr.readline()
            assert line, said
            said += line
        self.port, self.cookie, self.token = int(found[1]), "", ""
        page = Path(urllib.parse.unquote(urllib.parse.urlparse(found[2]).path)).read_text()
        [key] = re.findall(r'name="key" value="([^"]+)"', page)
        form = {"Content-Type": "application/x-www-form-urlencoded", "Origin": "null"}
        _, headers = self.ask("POST", "/enter", urllib.parse.urlencode({"key": key}), **form)
        self.cookie = headers["Set-Cookie"].split(";")[0]
        [self.token] = re.findall(r'name="desk-token" content="([^"]+)"', self.ask("GET", "/")[0])

    def ask(self, method: str, path: str, body: str | None = None, **headers: str) -> tuple[str, Any]:
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        own = {"Cookie": self.cookie, "Origin": f"http://127.0.0.1:{self.port}", "X-Desk-Token": self.token}
        line.request(method, path, body, {**own, "Content-Type": "application/json", **headers})
        answer = line.getresponse()
        text = answer.read().decode()
        line.close()
        assert answer.status == 200, (path, answer.status, text)
        return text, answer.headers

    def tell(self, path: str, **body: Any) -> Any:
        return json.loads(self.ask("POST" if body else "GET", path, json.dumps(body) if body else None)[0])

    def kill(self) -> None:
        """End it as a power cut does, its worker too."""
        for child in Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split():
            os.kill(int(child), signal.SIGKILL)
        self.process.kill()
        self.process.wait()
        assert self.process.stderr
        self.process.stderr.close()

    def count(self, file: str) -> None:
        """Take the phones' file in, by the command."""
        assert self.tell("/run", step="counts", answers={"files": [file]})["started"]
        while (state := self.tell("/state"))["running"]:
            time.sleep(0.2)
        assert not state["steps"]["counts"]["problems"], state["steps"]["counts"]["problems"]


class Hand:
    """A person with a phone: what they were to tap, and what they tapped."""

    def __init__(self, name: str, profile: Path, tools: tuple[str, str]) -> None:
        self.name, self.profile, self.tools = name, profile, tools
        self.tapped: dict[str, dict[str, int]] = {}
        self.cut = False
        self.start()

    def start(self) -> None:
        self.phone = Phone(start_browser(*self.tools, self.profile))
        self.phone.cdp("Network.enable")

    def join(self, desk: Desk) -> None:
        """Scan the code on the desk's screen."""
        self.set_cut(cut=False)
        told = desk.tell("/phones")
        while "address" not in told:  # the desk's worker is still loading its libraries
            time.sleep(0.5)
            told = desk.tell("/phones")
        self.phone.browser.get(told["address"])
        self.phone.wait(lambda: self.phone.ask("return document.body.dataset.ready"), "the page")
        assert self.phone.ask("return [location.hostname, isSecureContext]") == [AT, False]
        if not self.phone.ask("return document.querySelector('#person') === null"):
            self.phone.enter_name(self.name)
        self.phone.button("Bench")

    def set_cut(self, *, cut: bool) -> None:
        speed = {"latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
        self.phone.cdp("Network.emulateNetworkConditions", offline=cut, **speed)
        self.cut = cut

    def count(self, bag: str, found: dict[str, int]) -> None:
        """Count a bag, which the page mostly shows by itself; of what was left blank it asks once."""
        if self.phone.heading() != bag:
            self.phone.open_bag(bag)
        if sum(found.values()):
            self.phone.type_counts({stage: count for stage, count in found.items() if count})
            self.phone.next(bag)
        else:
            self.phone.button("None found")
            self.phone.wait(lambda: self.phone.said().startswith(f"{bag}:"), bag)
        self.tapped[bag] = found

    def flat_battery(self) -> None:
        """Kill the browser with all its processes in the middle of its work, and start it with what its disk has."""
        browser = self.phone.browser
        for process in _below(browser.service.process.pid):
            os.kill(process, signal.SIGKILL)
        try:
            browser.quit()
        except (WebDriverException, OSError):
            browser.service.stop()
        self.start()

    def waiting(self) -> int:
        return int(self.phone.ask("return Number(document.querySelector('#state').dataset.waiting)"))


def _below(process: int) -> list[int]:
    children = Path(f"/proc/{process}/task/{process}/children").read_text().split()
    return [own for child in children for own in (*_below(int(child)), int(child))]


Work = list[tuple[int, str, dict[str, int]]]


def share(labels: list[str], hands: int, rng: np.random.Generator) -> Work:
    """Return who is to count which bag and finds what: each a part of the bench in its order, and some of others'."""
    own = [list(part) for part in np.array_split(labels, hands)]
    found = {bag: dict(zip(STAGES, rng.poisson(0.5, len(STAGES)).tolist(), strict=True)) for bag in labels}
    lists = [[(who, str(bag), found[bag]) for bag in part] for who, part in enumerate(own)]
    for who, part in enumerate(own):
        for bag in part:
            if rng.random() < OTHERS:
                other = {**found[bag], "L3": found[bag]["L3"] + 1} if rng.random() < 0.5 else found[bag]
                second = (who + int(rng.integers(1, hands))) % hands
                lists[second].insert(int(rng.integers(len(lists[second]) + 1)), (second, str(bag), other))
    turns = rng.permutation([who for who, mine in enumerate(lists) for _ in mine])
    return [lists[who].pop(0) for who in turns]


def enter(work: Work, hands: list[Hand], desk: Desk, kills: int, rng: np.random.Generator) -> int:
    """Have the phones count, with all that goes wrong meanwhile, and return how often a connection was cut."""
    killed = set(rng.choice(np.arange(5, len(work)), kills, replace=False).tolist())
    battery, cuts = int(rng.integers(5, len(work))), 0
    for step, (who, bag, found) in enumerate(work):
        hand = hands[who]
        if step in killed:
            desk.kill()
            desk.start()
            for other in hands:
                if rng.random() < 0.6:  # the others go on without it
                    other.join(desk)
        if step == battery:
            hand.flat_battery()
            hand.join(desk)
        if rng.random() < (MENDED if hand.cut else CUT):
            hand.set_cut(cut=not hand.cut)
            cuts += hand.cut
        hand.count(bag, found)
    return cuts


def settle(told: dict[str, Any], desk: Desk, rng: np.random.Generator) -> dict[str, str]:
    """Have the desk's user choose where two phones differ; return whose count of a bag holds."""
    settled = {}
    for pair in told["differing"]:
        chosen = pair[int(rng.integers(len(pair)))]
        desk.tell("/phones", settle=chosen["entry_id"], of=[one["entry_id"] for one in pair])
        settled[chosen["what"]] = chosen["who"]
    return settled


def find_wrong(labels: list[str], hands: list[Hand], settled: dict[str, str], counts: pd.DataFrame) -> list[str]:
    """Return the bags of which the survey holds anything but what was tapped, or what should have been asked about."""
    by_bag = counts.pivot_table(index="sample_id", columns="stage", values="count", aggfunc="sum")
    wrong = []
    for bag in labels:
        says = {hand.name: hand.tapped[bag] for hand in hands if bag in hand.tapped}
        due = says[settled[bag]] if bag in settled else next(iter(says.values()))
        if bag not in settled and any(found != due for found in says.values()):
            wrong.append(f"{bag}: differed and nobody was asked")
        if bag not in by_bag.index or {stage: int(by_bag.loc[bag, stage]) for stage in STAGES} != due:
            holds = by_bag.loc[bag].dropna().to_dict() if bag in by_bag.index else "nothing"
            wrong.append(f"{bag}: tapped {due}, by {sorted(says)}, {bag in settled=}; the survey holds {holds}")
    return wrong


def check_position(phone: Phone) -> None:
    """Hold the page to what it must say of positions where the browser gives none."""
    phone.button("Field")
    phone.button("Moved")
    said = phone.text()
    assert "Over this address the browser gives no position" in said
    assert "Add this phone" not in said
    phone.button("Bench")


def play(number: int, folder: Path, hands: list[Hand], bags: int, kills: int) -> dict[str, Any]:
    """Play one round, and return its figures."""
    rng = np.random.default_rng(number)
    ground, survey = make_ground(3), open_survey(folder / "course.gpkg")
    save_ground(survey, ground)
    day = datetime.date.today().isoformat()
    design = draw_design(ground, visit=day, points=bags, reserve=0.0, seed=1000 + number)
    save_design(survey, design)
    desk = Desk(folder)
    for hand in hands:
        hand.tapped = {}
        hand.join(desk)
    if not number:
        check_position(hands[0].phone)
    labels = hands[0].phone.ask(BENCH)
    assert len(labels) == bags
    cuts = enter(share(labels, len(hands), rng), hands, desk, kills, rng)
    late = sum(hand.waiting() for hand in hands)
    for hand in hands:
        hand.join(desk)
        hand.phone.wait(lambda hand=hand: hand.waiting() == 0, "all to be sent", 60)
    told = desk.tell("/phones")
    settled = settle(told, desk, rng)
    desk.count(told["file"])
    desk.kill()
    wrong = find_wrong(labels, hands, settled, survey.read("counts"))
    assert not wrong, (number, wrong)
    assert len(survey.read("samples")) == bags
    return {"bags": bags, "entries": told["entries"], "differed": len(settled), "cuts": cuts, "waiting": late}


def main() -> None:
    asked = ask(__doc__, beside(__file__), rounds=(50, 3), bags=(90, 90), kills=(2, 1))
    tools = (shutil.which("chromium") or "", shutil.which("chromedriver") or "")
    if not all(tools) or not shutil.which("unshare") or not shutil.which("ip"):
        stop_without("Chromium and its driver, or unshare and ip, are not installed")
    if INSIDE not in os.environ:
        go_inside()
    rows = []
    place, hands = tempfile.mkdtemp(), []
    try:
        hands = [Hand(name, Path(place) / name, tools) for name in ("Ann", "Bo", "Cy")]
        for number in range(asked.rounds):
            folder = Path(place) / f"round_{number}"
            folder.mkdir()
            start = time.perf_counter()
            rows.append(
                {**play(number, folder, hands, asked.bags, asked.kills), "seconds": round(time.perf_counter() - start)}
            )
            print(rows[-1], file=sys.stderr)
            if asked.table is not None:  # a long run that is stopped leaves what it found
                asked.table.write_text(tell(rows, asked.bags, asked.kills) + "\n", encoding="utf-8")
    except BaseException:  # what a round that failed has left is what tells why
        for hand in hands:
            (Path(place) / f"{hand.name}.json").write_text(json.dumps([hand.tapped, hand.phone.kept()]))
        print(f"All that it left is in {place}", file=sys.stderr)
        raise
    finally:
        for hand in hands:
            hand.phone.browser.quit()
    shutil.rmtree(place, ignore_errors=True)
    asked.publish(tell(rows, asked.bags, asked.kills))


def tell(rows: list[dict[str, Any]], bags: int, kills: int) -> str:
    """Return the table of the rounds so far."""
    told = pd.DataFrame(rows)
    total = told.sum()
    head = (
        f"{len(told)} rounds of {bags} bags and three phones; in each the desk was killed {kills} times "
        f"and a phone once: all counts in the survey are what was tapped, in {len(told)} of {len(told)}.\n\n"
    )
    shown = pd.DataFrame(
        [
            ["bags counted", int(total["bags"])],
            ["entries sent", int(total["entries"])],
            ["connections cut", int(total["cuts"])],
            ["entries that waited on a phone at a round's end", int(total["waiting"])],
            ["bags on which two phones differed, settled by the desk's user", int(total["differed"])],
            ["bags lost, doubled or changed", 0],
            ["seconds a round", int(told["seconds"].median())],
        ],
        columns=["", "in all"],
    )
    return head + as_markdown(shown)


def go_inside() -> None:
    """Run this script again in a network of its own, which holds this machine alone."""
    root = [] if os.geteuid() == 0 else ["--map-root-user"]
    made = f'ip link set lo up && ip addr add {AT}/32 dev lo && exec "$@"'
    line = ["unshare", *root, "--net", "sh", "-c", made, "sh", sys.executable, *sys.argv]
    if subprocess.run(["unshare", *root, "--net", "true"], check=False, capture_output=True).returncode:
        stop_without("no network of the script's own may be made")
    raise SystemExit(subprocess.run(line, check=False, env={**os.environ, INSIDE: "yes"}).returncode)


if __name__ == "__main__":
    main()
