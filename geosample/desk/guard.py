"""Guard: who may speak to the desk. One browser of this user on this machine, and no page but the desk's own.

Anyone on the machine can reach the port, and any page in the browser can send requests to it. So: the first key comes
by a file that only its owner can read, and works once; it buys a cookie that other sites' requests never carry and a
token that stands in the desk's page alone; every request must name the desk's own host, and every write its origin.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import http.client
import json
import os
import secrets
import stat
import tempfile
import urllib.parse
from pathlib import Path

from flask import Flask, Request, Response, abort, request

from geosample.files.saving import escape_html
from geosample.report.desk import ENTRY, SHUT

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "frame-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


_DOOR = "geosample-desk-"


class Guard:
    """The keys of one run of the desk.

    Parameters
    ----------
    port : int
        Where the desk listens; known once it does.
    """

    def __init__(self, port: int) -> None:
        self.address = f"127.0.0.1:{port}"
        self.cookie_name = f"desk_{port}"  # cookies do not mind ports
        self.token = secrets.token_urlsafe(32)
        self.again = secrets.token_urlsafe(32)
        """Known to who may read ``note_open``'s file: the same user, who starts the desk a second time."""
        self._cookie = secrets.token_urlsafe(32)
        self._key: str | None = None
        self._door: Path | None = None

    def write_door(self) -> Path:
        """Make a key and return the page that hands it to the browser: for its owner alone, and for one time."""
        self.shut_door()
        self._key = secrets.token_urlsafe(32)
        folder = Path(tempfile.mkdtemp(prefix=_DOOR))  # readable by nobody else
        self._door = folder / "desk.html"
        page = ENTRY.format(address=escape_html(self.address), key=self._key)
        with os.fdopen(os.open(self._door, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
            file.write(page)
        return self._door

    def shut_door(self) -> None:
        """Take back a key that was not used, and its file."""
        self._key = None
        if self._door is not None:
            self._door.unlink(missing_ok=True)
            if self._door.parent.exists():
                self._door.parent.rmdir()
            self._door = None

    def is_door(self, asked: Request) -> bool:
        """Say whether a request comes from a file or program of this machine, without origin; the key speaks for it."""
        return asked.path in {"/enter", "/again"}

    def enter(self, key: str) -> bool:
        """Say whether a key opens the desk; it does so once."""
        right = self._key is not None and hmac.compare_digest(key.encode(), self._key.encode())
        if right:
            self.shut_door()
        return right

    def may_come_again(self, key: str) -> bool:
        """Say whether a program may have a new door made: it knows what only this user can read, and is no browser."""
        no_page = "Origin" not in request.headers and "Sec-Fetch-Site" not in request.headers
        return no_page and hmac.compare_digest(key.encode(), self.again.encode())

    def give_cookie(self, response: Response) -> Response:
        """Let the browser that came with the key come again."""
        response.set_cookie(self.cookie_name, self._cookie, httponly=True, samesite="Strict", path="/")
        return response

    def knows(self, asked: Request) -> bool:
        """Say whether a request comes from the browser that came with the key."""
        return hmac.compare_digest(asked.cookies.get(self.cookie_name, "").encode(), self._cookie.encode())

    def check(self) -> None:
        """Refuse a request of anyone else; 403 says no more than that."""
        own_site = f"http://{self.address}"
        if request.host != self.address:  # another name for this machine: a page that had its name turned to us
            abort(403)
        if self.is_door(request):
            return
        if request.headers.get("Origin", own_site) != own_site or not self.knows(request):
            abort(403)
        if request.headers.get("Sec-Fetch-Site", "same-origin") not in {"same-origin", "none"}:
            abort(403)
        if request.method not in {"GET", "HEAD"}:
            token = request.headers.get("X-Desk-Token", "")
            if "Origin" not in request.headers or not hmac.compare_digest(token.encode(), self.token.encode()):
                abort(403)

    def watch(self, app: Flask) -> None:
        """Check every request before anything else is done with it, and bind every answer to this page."""
        app.before_request(self.check)
        app.after_request(_bind)
        app.register_error_handler(403, lambda _: Response(SHUT, 403))


def _bind(response: Response) -> Response:
    for name, value in HEADERS.items():
        response.headers.setdefault(name, value)
    return response


def note_open(folder: Path, guard: Guard) -> Path:
    """Note, for this user alone, that a desk is open in a folder, and how a second start may come in; return the file.

    Raises
    ------
    OSError
        Where there is no place that nobody else can write to or read.
    """
    note = _note_of(folder)
    note.unlink(missing_ok=True)
    with os.fdopen(os.open(note, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
        json.dump({"address": guard.address, "again": guard.again}, file)
    return note


def find_open(folder: Path) -> tuple[str, Path] | None:
    """Return the address of the desk that is open in a folder, and the file by which a browser enters it once more.

    None where none is open, or it does not answer; a note that a killed desk left says nothing.
    """
    with contextlib.suppress(OSError, ValueError, KeyError, http.client.HTTPException):
        told = json.loads(_note_of(folder).read_text(encoding="utf-8"))
        line = http.client.HTTPConnection(told["address"], timeout=5)
        with contextlib.closing(line):
            kind = {"Content-Type": "application/x-www-form-urlencoded"}
            line.request("POST", "/again", urllib.parse.urlencode({"key": told["again"]}), kind)
            answer = line.getresponse()
            door = Path(answer.read(4096).decode())
        ours = (
            door.name == "desk.html" and door.parent.name.startswith(_DOOR) and _is_own(door) and _is_own(door.parent)
        )
        if answer.status == http.HTTPStatus.OK and ours:
            return told["address"], door
    return None


def _note_of(folder: Path) -> Path:
    user = os.getuid() if hasattr(os, "getuid") else "own"
    place = Path(tempfile.gettempdir()) / f"geosample-desks-{user}"
    place.mkdir(mode=0o700, exist_ok=True)
    if not _is_own(place):
        message = f"{place} is not this user's alone"
        raise OSError(message)
    return place / f"{hashlib.sha256(str(folder.resolve()).encode()).hexdigest()[:32]}.json"


def _is_own(place: Path) -> bool:
    """Say whether a file or folder is this user's, no link, and nobody else may write to it or read it."""
    if not hasattr(os, "getuid"):  # there a user's temporary folder is the user's own
        return place.exists()
    state = place.lstat()
    return state.st_uid == os.getuid() and not stat.S_ISLNK(state.st_mode) and not state.st_mode & 0o077
