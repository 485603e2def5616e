"""Phones: the desk's second door, for the crew's phones on the local network: field notes and counts, and nothing else.

It is a server of its own, on an address of its own, with keys of its own. A phone comes in by the code on the desk's
screen; what it sends is held to the visit's own points and bags, appended to a table that ``counts`` reads, and
acknowledged once the disk has it. Entries are never changed; of two that differ both stand until the desk's user says
which holds.
"""

from __future__ import annotations

import csv
import hashlib
import hmac
import io
import json
import os
import re
import secrets
import socket
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import segno
from flask import Flask, Request, Response, abort, jsonify, request

from geosample.desk.guard import Guard
from geosample.desk.work import BUSY_S, Desk, Facts, plain_name
from geosample.desk.worker import Failed, Gone
from geosample.errors import GeosampleError, Problem
from geosample.files.saving import escape_html, read_cell, save_file, write_row
from geosample.report.desk import ENTERED, PHONES, PHRASES, WAIT
from geosample.words import EFFORT, METHODS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from flask.typing import ResponseReturnValue

LARGEST_PHOTO_BYTES = 16 * 1024 * 1024
LARGEST_SYNC_BYTES = 256 * 1024
MOST_PHONES, MOST_ENTRIES, MOST_CLOCKS = 50, 20_000, 400
"""No course has so many: what a phone gone wrong may take of the disk (own choice)."""
_LARGEST_CLOCK = 2000
_THERE_S = 30.0
"""Who was not heard of for so long is shown as away."""
_WITHDRAWN = "withdrawn"
_TIME = r"\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d)?([+-]\d\d:\d\d)?"
_DEGREES = r"-?\d{1,3}(\.\d{1,15})?"
_LENGTHS = {"moved_to": 120, "could_not": 120, "others_found": 120, "note": 200, "collector": 40, "counted_by": 40}
_CHOICES = {
    "method": {"", *METHODS},
    "status": {"", "lost", "not_extracted", "unreachable", "off_turf", _WITHDRAWN},
    "moved": {"", "yes", "no"},
    "hole_filled": {"", "yes", "no"},
    "none_found": {"", "yes"},
}
_SHAPES = {
    "plugs": r"\d{0,2}",
    **dict.fromkeys(EFFORT, r"\d{0,5}"),
    "lat": rf"({_DEGREES})?",
    "lon": rf"({_DEGREES})?",
    "accuracy_m": r"(\d{1,7}(\.\d{1,3})?)?",
    "collected_at": rf"({_TIME})?",
    "counted_at": rf"({_TIME})?",
}


class PhoneGuard(Guard):
    """The keys of the phones' door: one to come in by, which is on the desk's screen, and one each to come again.

    Parameters
    ----------
    address : str
        The host and port that phones name.
    """

    def __init__(self, address: str) -> None:
        host, _, port = address.rpartition(":")
        super().__init__(int(port))
        self.address = address
        self.host = host
        self.cookie_name = f"phone_{port}"
        self.key = ""
        self.inside: dict[str, str] = {}
        """Cookie -> the phone that came with it; empty until it has said which it is."""
        self.change_key()

    def change_key(self) -> None:
        """Make the code on the screen another one."""
        self.key = secrets.token_urlsafe(16)

    def is_door(self, asked: Request) -> bool:
        """Say whether a request is a phone's coming in, which has no cookie yet; its key speaks for it."""
        return asked.method == "GET" and asked.path.startswith("/join/")

    def enter(self, key: str) -> bool:
        """Say whether a key opens the door."""
        return hmac.compare_digest(key.encode(), self.key.encode())

    def give_cookie(self, response: Response) -> Response:
        """Let the phone come again, without the code."""
        nameless = [cookie for cookie, phone in self.inside.items() if not phone]
        for cookie in nameless[: max(len(self.inside) + 1 - MOST_PHONES, 0)]:
            del self.inside[cookie]  # scanned, and never heard of since
        if len(self.inside) >= MOST_PHONES:
            abort(403)
        cookie = secrets.token_urlsafe(32)
        self.inside[cookie] = ""
        response.set_cookie(self.cookie_name, cookie, httponly=True, samesite="Strict", path="/")
        return response

    def cookie_of(self, asked: Request) -> str:
        """Return the cookie of a phone that is inside; empty for any other."""
        given = asked.cookies.get(self.cookie_name, "").encode()
        return next((cookie for cookie in list(self.inside) if hmac.compare_digest(given, cookie.encode())), "")

    def knows(self, asked: Request) -> bool:
        """Say whether a request comes from a phone that is inside."""
        return bool(self.cookie_of(asked))


@dataclass
class PhoneRound:
    """One visit's entries: what they may name, those that came, and the table they stand in.

    Parameters
    ----------
    told : dict
        What the worker said of the visit: columns, points, bags and what its page is made of.
    path : Path
        The table.
    """

    told: Facts
    path: Path
    entries: dict[str, dict[str, str]] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        """Take up the table as it was left; a last row that a power cut tore was acknowledged to nobody."""
        if not self.path.exists():
            save_file(self.path, b"\xef\xbb\xbf" + write_row(self.told["columns"]))
        raw = self.path.read_bytes()
        if not raw.endswith(b"\n"):
            os.truncate(self.path, raw.rfind(b"\n") + 1)
        for row in csv.DictReader(io.StringIO(self.path.read_text(encoding="utf-8-sig"), newline="")):
            said = {name: read_cell(row.get(name) or "") for name in self.told["columns"]}
            self.entries[said["entry_id"]] = said

    def take(self, entry: Mapping[str, Any], phone: str) -> str:
        """Put an entry on the disk; return what is wrong with it, nothing where it is there now or was before."""
        if wrong := self.find_fault(entry, phone):
            return wrong
        said = {name: str(entry.get(name) or "") for name in self.told["columns"]}
        with self.lock:
            known = self.entries.get(said["entry_id"])
            if known is not None:
                return "" if known == said else PHONES["other_words"]
            if len(self.entries) >= MOST_ENTRIES:
                return PHONES["too_many"]
            self._append([said])
        return ""

    def _append(self, said: list[dict[str, str]]) -> None:
        if not self.path.exists():  # taken away by hand: what the phones were told is kept here all the same
            known = [[one[name] for name in self.told["columns"]] for one in self.entries.values()]
            save_file(self.path, b"\xef\xbb\xbf" + b"".join(map(write_row, [self.told["columns"], *known])))
        with self.path.open("ab") as file:
            file.write(b"".join(write_row([one[name] for name in self.told["columns"]]) for one in said))
            file.flush()
            os.fsync(file.fileno())
        self.entries.update({one["entry_id"]: one for one in said})

    def find_fault(self, entry: Mapping[str, Any], phone: str) -> str:
        """Return the first thing that makes an entry not this phone's or not this visit's; nothing where all fits."""
        if not all(isinstance(value, str) for value in entry.values()):
            return PHONES["no_text"]
        if unknown := set(entry) - set(self.told["columns"]):
            return PHONES["unknown"].format(names=", ".join(sorted(unknown))[:60])
        own = rf"{phone}-[0-9a-z]{{10}}"
        if not re.fullmatch(own, entry.get("entry_id", "")) or not re.fullmatch(
            rf"({own})?", entry.get("replaces", "")
        ):
            return PHONES["not_own"]
        for name, value in entry.items():
            if not self._fits(name, value):
                return PHONES["bad_cell"].format(name=name)
        bag = self.told["bags"].get(entry.get("sample_id", ""))
        if entry.get("sample_id") and (bag is None or bag["point_id"] != entry.get("point_id")):
            return PHONES["bad_cell"].format(name="sample_id")
        return "" if entry.get("point_id") in self.told["points"] else PHONES["bad_cell"].format(name="point_id")

    def _fits(self, name: str, value: str) -> bool:
        fixed = {"design_code": self.told["design_code"], "visit": self.told["visit"]}
        if name in fixed:
            return bool(value == fixed[name])
        if name in _CHOICES:
            return value in _CHOICES[name]
        if name in _LENGTHS:
            return len(value) <= _LENGTHS[name] and value.isprintable()
        if name in _SHAPES or name in {*self.told["stages"], "total"}:
            return re.fullmatch(_SHAPES.get(name, r"\d{0,5}"), value, flags=re.ASCII) is not None
        return True

    def standing(self) -> list[dict[str, str]]:
        """Return the entries that no other replaced or took back, in the order they came."""
        known = list(self.entries.values())
        gone = {one["replaces"] for one in known}
        return [one for one in known if one["entry_id"] not in gone and one["status"] != _WITHDRAWN]

    def sum_of(self, entry: Mapping[str, str]) -> int:
        """Return how many insects an entry says."""
        return sum(int(entry[name] or 0) for name in (*self.told["stages"], "total"))

    def differing(self) -> list[list[dict[str, str]]]:
        """Return the entries that say different things of one bag, or of the pulling at one point."""
        groups: dict[tuple[str, str], list[dict[str, str]]] = {}
        for one in self.standing():
            groups.setdefault((one["sample_id"], "" if one["sample_id"] else one["point_id"]), []).append(one)
        return [group for group in groups.values() if len({self._says(one) for one in group}) > 1]

    def _says(self, entry: Mapping[str, str]) -> tuple[str, ...]:
        names = ("status", "moved", "moved_to", "lat", "lon", "plugs", "hole_filled", "could_not")
        counts = [entry[name] for name in self.told["stages"]]
        if entry["none_found"]:
            counts = ["0"] * len(counts)
        return (*(entry[name] for name in names), *counts, entry["total"])

    def settle(self, kept: str, shown: list[str]) -> bool:
        """Take back, in the desk's name, what differs from one entry; False where another question stands by now."""
        with self.lock:
            group = next((some for some in self.differing() if kept in {one["entry_id"] for one in some}), None)
            if group is None or {one["entry_id"] for one in group} != set(shown):
                return False
            blank = dict.fromkeys(self.told["columns"], "")
            names = ("design_code", "visit", "sample_id", "point_id")
            self._append(
                [
                    {
                        **blank,
                        **{name: one[name] for name in names},
                        "entry_id": f"desk-{secrets.token_hex(5)}",
                        "replaces": one["entry_id"],
                        "status": _WITHDRAWN,
                    }
                    for one in group
                    if one["entry_id"] != kept
                ]
            )
        return True

    def tell_phone(self, phone: str) -> Facts:
        """Return what the others have said, as far as a phone needs it: who, of what, and sums for the stop lines."""
        mine = {one["sample_id"] for one in self.standing() if _phone_of(one) == phone}
        others = [one for one in self.standing() if _phone_of(one) != phone]
        points = {
            one["point_id"]: {"by": one["collector"], **{name: one[name] for name in _PULL_FACTS}}
            for one in others
            if not one["sample_id"]
        }
        bags = {
            one["sample_id"]: {"by": one["counted_by"], **({"status": one["status"]} if one["status"] else {})}
            for one in others
            if one["sample_id"]
        }
        totals: dict[str, list[int]] = {}
        for sample_id in set(bags) - mine:
            bag = self.told["bags"][sample_id]
            one = next(one for one in others if one["sample_id"] == sample_id)
            if not bag.get("recount") and not one["status"]:
                so_far = totals.setdefault(bag["stratum"], [0, 0])
                so_far[0] += int(points.get(one["point_id"], {}).get("plugs") or self.told["plugs"])
                so_far[1] += self.sum_of(one)
        return {"points": points, "bags": bags, "totals": totals}


_PULL_FACTS = ("status", "moved", "hole_filled", "could_not", "plugs")


def _phone_of(entry: Mapping[str, str]) -> str:
    return entry["entry_id"].partition("-")[0]


class Phones:
    """The phones that are in, and their rounds.

    Parameters
    ----------
    desk : Desk
        Whose survey and visit they work on.
    guard : PhoneGuard
        Their keys.
    moved : bool
        Whether the door has another address than last time, which phones with entries of then cannot know.
    """

    def __init__(self, desk: Desk, guard: PhoneGuard, *, moved: bool = False) -> None:
        self.desk, self.guard, self.moved = desk, guard, moved
        self.people: dict[str, Facts] = {}
        self.clocks: dict[str, Facts] = {}
        self._rounds: dict[Path, PhoneRound] = {}
        self._known: dict[tuple[str, ...], PhoneRound] = {}
        self._lock = threading.Lock()
        self._clock_file = desk.kept / "phones_clocks.json"
        if self._clock_file.exists():
            self.clocks = json.loads(self._clock_file.read_text(encoding="utf-8"))

    def open_round(self, code: str = "") -> PhoneRound:
        """Return the round of a design's code, that of the desk's own visit when empty.

        Raises
        ------
        Failed
            Where the survey has no such design.
        """
        asked = {name: self.desk.asked_of_sheets.get(name, "") for name in ("extraction", "containers")}
        of_plan = ["", code, ""]
        if not code:
            shown = self.desk.tell()
            of_plan = [shown["visit"], shown["drawn"]["plan"], shown["drawn"]["sheets"]]
        key = (self.desk.survey, self.desk.units, *of_plan, *asked.values())
        if key in self._known:
            return self._known[key]
        told = self.desk.worker.do(
            *("gather_round",),
            wait_s=BUSY_S,
            survey=self.desk.survey,
            visit=self.desk.visit,
            code=code,
            units=self.desk.units,
            **asked,
        )
        if told is None:
            raise Failed(PHRASES["busy"])
        with self._lock:
            path = self.desk.folder / "dropped" / f"phones_{plain_name(told['visit'] + ' ' + told['design_code'])}.csv"
            one = self._rounds.setdefault(path, PhoneRound(told, path))
            one.told = told
            self._known[key] = one
        return one

    def hear(self, cookie: str, body: Facts) -> Facts:
        """Take what a phone sends, and return what was taken and what the others do."""
        phone, person = str(body.get("phone", "")), str(body.get("person", ""))
        if not re.fullmatch(r"[0-9a-z]{12}", phone) or len(person) > _LENGTHS["collector"] or not person.isprintable():
            abort(400)
        if self.guard.inside.get(cookie) not in {"", phone}:  # a phone speaks for itself alone
            abort(403)
        for old in [one for one, own in self.guard.inside.items() if own == phone]:
            del self.guard.inside[old]  # it has scanned the code again
        self.guard.inside[cookie] = phone
        entries = [one for one in body.get("entries", []) if isinstance(one, dict)][:50]
        got, refused = [], {}
        for one in entries:
            wrong = self.open_round(str(one.get("design_code", ""))).take(one, phone)
            if wrong:
                refused[str(one.get("entry_id", ""))] = wrong
            else:
                got.append(one["entry_id"])
        at = str(body.get("at", ""))
        self.people[phone] = {"person": person, "seen": time.monotonic(), "at": at}
        others = {name: one for name, one in self.people.items() if name != phone and _is_there(one)}
        code = next((str(one["design_code"]) for one in entries), str(body.get("code", "")))
        return {
            "got": got,
            "refused": refused,
            "clocks_got": self._take_clocks(phone, body.get("clocks", [])),
            "desk": {
                **self.open_round(code).tell_phone(phone),
                "busy": {one["at"]: one["person"] for one in others.values() if one["at"]},
                "people": sorted(one["person"] for one in others.values()),
                "clocks": [
                    _hide(one) for one in list(self.clocks.values()) if not one["ended"] and one["phone"] != phone
                ],
            },
        }

    def _take_clocks(self, phone: str, clocks: Any) -> list[str]:
        taken = []
        for one in clocks[:20] if isinstance(clocks, list) else []:
            name = str(one.get("clock_id", ""))
            fits = re.fullmatch(rf"{phone}-[0-9a-z]{{6}}", name) and len(json.dumps(one)) < _LARGEST_CLOCK
            if fits and _is_clock(one) and (name in self.clocks or len(self.clocks) < MOST_CLOCKS):
                kept = {key: one[key] for key in ("clock_id", "what", "who", "started", "marks", "ended")}
                self.clocks[name] = {**kept, "phone": phone}
                taken.append(name)
        if taken:
            save_file(self._clock_file, json.dumps(self.clocks).encode())
        return taken

    def end(self, phone: str) -> None:
        """Send a phone out, all of them when none is named, and change the code: who wants in again scans it anew."""
        for cookie, own in list(self.guard.inside.items()):
            if not phone or own in {phone, ""}:
                del self.guard.inside[cookie]
        for name in list(self.people):
            if not phone or name == phone:
                del self.people[name]
        self.guard.change_key()

    def tell(self) -> Facts:
        """Return what the desk's page shows: the code, who is there, what came and what differs."""
        address = f"http://{self.guard.address}/join/{self.guard.key}"
        try:
            one = self.open_round()
        except (Failed, Gone) as error:
            return {"on": True, "wrong": str(error) or PHRASES["crashed"]}
        code = segno.make(address, error="m", micro=False)
        return {
            "on": True,
            "wrong": PHONES["moved"] if self.moved else "",
            "address": address,
            "code": code.svg_data_uri(scale=6, border=4),
            "file": one.path.name,
            "entries": len(one.entries),
            "people": [
                {"phone": name, "person": who["person"], "there": _is_there(who), "at": who["at"]}
                | {"entries": sum(_phone_of(entry) == name for entry in list(one.entries.values()))}
                for name, who in list(self.people.items())
            ],
            "differing": [[_tell_entry(one, entry) for entry in group] for group in one.differing()],
        }


def _is_there(person: Facts) -> bool:
    return bool(time.monotonic() - person["seen"] < _THERE_S)


def _hide(clock: Facts) -> Facts:
    """Return a clock for another phone to show, without the name that its own phone signs with."""
    hidden = hashlib.sha256(clock["clock_id"].encode()).hexdigest()[:12]
    return {name: value for name, value in clock.items() if name != "phone"} | {"clock_id": hidden}


def _is_clock(one: Facts) -> bool:
    marks = one.get("marks")
    numbers = all(isinstance(one.get(name), (int, float)) for name in ("started", "ended"))
    words = all(isinstance(one.get(name), str) and one[name].isprintable() for name in ("what", "who"))
    if not numbers or not words or not isinstance(marks, list):
        return False
    return all(isinstance(m, list) and len(m) == 2 and isinstance(m[0], (int, float)) for m in marks)  # noqa: PLR2004


def _tell_entry(one: PhoneRound, entry: Mapping[str, str]) -> Facts:
    names = [*one.told["stages"], "total"] if entry["sample_id"] else ["moved", "moved_to", "plugs", "hole_filled"]
    said = ", ".join(
        f"{name.replace('_', ' ')} {entry[name]}"
        for name in (*names, "status", "could_not")
        if entry[name] not in {"", "0"}
    )
    return {
        "entry_id": entry["entry_id"],
        "what": entry["sample_id"] or entry["point_id"],
        "who": entry["counted_by"] or entry["collector"],
        "when": entry["counted_at"] or entry["collected_at"],
        "said": said or PHRASES["none_found"],
    }


def make_door(phones: Phones) -> Flask:  # noqa: C901 - a list of addresses
    """Return what phones may ask: the page, and to send entries and a label's photo; every address behind the guard."""
    app = Flask("geosample.phones", static_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = LARGEST_PHOTO_BYTES
    guard, desk = phones.guard, phones.desk
    guard.watch(app)

    @app.errorhandler(403)
    def tell_shut(_: Exception) -> ResponseReturnValue:
        return Response(PHONES["shut"], 403, mimetype="text/plain")

    def tell_failed(error: Exception) -> ResponseReturnValue:
        return jsonify({"words": str(error) or PHRASES["crashed"]}), 409

    for kind in (Failed, Gone):
        app.register_error_handler(kind, tell_failed)

    @app.get("/join/<key>")
    def join(key: str) -> Response:
        if not guard.enter(key):
            abort(403)
        return guard.give_cookie(Response(ENTERED))

    @app.get("/")
    def page() -> Response:
        try:
            text = phones.open_round().told["page"]
        except (Failed, Gone) as error:  # busy, or no plan yet: it asks again by itself
            return Response(WAIT.format(words=escape_html(str(error) or PHRASES["crashed"])), 503)
        response = Response(text, mimetype="text/html")
        response.headers["Content-Security-Policy"] = "frame-ancestors 'none'"  # the page brings its own beside
        return response

    @app.get("/here")
    def here() -> Response:
        return jsonify({"token": guard.token})

    @app.post("/sync")
    def sync() -> Response:
        if (request.content_length or 0) > LARGEST_SYNC_BYTES:
            abort(413)
        body = request.get_json(silent=True)
        if not isinstance(body, dict) or not isinstance(body.get("entries", []), list):
            abort(400)
        return jsonify(phones.hear(guard.cookie_of(request), body))

    @app.post("/label")
    def label() -> Response:
        texts = desk.worker.do("read_label", wait_s=BUSY_S / 2, data=request.get_data())
        one = phones.open_round()
        named = [text.partition(" ") for text in texts or []]
        bags = [bag for code, _, bag in named if code == one.told["design_code"] and bag in one.told["bags"]]
        other = next((code for code, _, _ in named if code != one.told["design_code"]), "")
        words = PHONES["label"].format(bag=bags[0]) if bags else PHONES["other_label" if other else "no_label"]
        return jsonify({"sample_id": bags[0] if bags else "", "words": words})

    return app


def add_phones(app: Flask, phones: Phones | None) -> None:
    """Give the desk's own page what it asks of the phones; they have no way to these addresses."""

    @app.get("/phones")
    def tell() -> Response:
        return jsonify(phones.tell() if phones else {"on": False})

    @app.post("/phones")
    def act() -> Response:
        body = request.get_json(silent=True)
        if phones is None or not isinstance(body, dict):
            abort(400)
        if "settle" in body:
            shown = body.get("of")
            done = phones.open_round().settle(str(body["settle"]), shown if isinstance(shown, list) else [])
            return jsonify({"words": PHONES["settled" if done else "not_settled"]})
        phones.end(str(body.get("end", "")))
        return jsonify({"words": PHONES["ended"]})


def open_phones(desk: Desk, host: str) -> tuple[socket.socket, Phones]:
    """Listen for phones, at the port of last time where it is free: what a phone keeps belongs to an address and port.

    Parameters
    ----------
    desk : Desk
        Whose phones they are.
    host : str
        This machine's address in their network; found when empty.

    Raises
    ------
    GeosampleError
        Where this machine is in no network, or has no such address.
    """
    host = host or find_address()
    kept = desk.kept / "phones_door.json"
    last = json.loads(kept.read_text(encoding="utf-8")) if kept.exists() else []
    for port in ([last[1]] if last else []), [0]:
        for one in port:
            try:
                place = socket.create_server((host, one))
            except OSError as error:
                if one == 0:
                    found = f"no such address on this machine ({host})"
                    remedy = "name this machine's own address in the phones' network"
                    raise GeosampleError(Problem("--phones-at", found, "an own address", remedy)) from error
                continue
            door = [host, place.getsockname()[1]]
            desk.kept.mkdir(parents=True, exist_ok=True)
            save_file(kept, json.dumps(door).encode())
            guard = PhoneGuard(f"{host}:{door[1]}")
            return place, Phones(desk, guard, moved=bool(last) and last != door)
    raise AssertionError  # the last port is any that is free


def find_address() -> str:
    """Return this machine's address in its network; nothing is sent to find it.

    Raises
    ------
    GeosampleError
        Where it is in none.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(("192.0.2.1", 9))  # an address of nobody's (RFC 5737): only the way there is looked up
            return str(asked.getsockname()[0])
        except OSError as error:
            remedy = "join the network of the phones, or name the address with --phones-at"
            found = "this machine in no network"
            raise GeosampleError(Problem("--phones", found, "a network that the phones are in too", remedy)) from error
