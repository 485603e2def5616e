"""Worker: the process in which the stages run, kept warm, so that the page lives on whatever becomes of a stage."""

from __future__ import annotations

import contextlib
import io
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Iterator
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

GRACE_S = 3.0
"""How long a cancelled stage may take to put its things away before it is ended."""


class Gone(Exception):  # noqa: N818 - not an error of the user's
    """The process ended in the middle of a job: it was cancelled, or it crashed.

    Parameters
    ----------
    wrote : dict of str to str
        The layers the job had written or was about to, each with its mark before.
    """

    def __init__(self, wrote: dict[str, str]) -> None:
        super().__init__()
        self.wrote = wrote


class Failed(Exception):  # noqa: N818
    """A job met what it could not do; its text is the problems, a line each."""


class Worker:
    """One process that does one job at a time, started when it is first needed and again after it was ended.

    Parameters
    ----------
    folder : Path
        Where it works: the names on its commands are those of this folder.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._lock = threading.Lock()
        self._process: multiprocessing.process.BaseProcess | None = None
        self._line: Connection | None = None
        self.talk: list[str] = []
        """What the running job has said so far, line by line."""
        self._answered = False

    def start(self) -> None:
        """Have the process load its modules now, so that the first job need not wait for them."""
        with self._lock:
            self._ensure()

    @contextlib.contextmanager
    def _mine(self, wait_s: float) -> Iterator[bool]:
        got = self._lock.acquire(timeout=wait_s)
        try:
            yield got
        finally:
            if got:
                self._lock.release()

    def do(self, job: str, *, wait_s: float = -1, **given: Any) -> Any:
        """Return what a function of ``jobs`` gives for these arguments; None when another job takes too long to end.

        Raises
        ------
        Gone
            When the process ended before the job did.
        Failed
            When the job raised an error.
        """
        with self._mine(wait_s) as got:
            if not got:
                return None
            line = self._ensure()
            self.talk, wrote = [], {}
            try:
                line.send((job, given))
                while True:
                    kind, value = line.recv()
                    self._answered = True
                    if kind == "done":
                        return value
                    if kind == "failed":
                        raise Failed(value)
                    if kind == "writes":
                        wrote = value
                    else:
                        self.talk.append(value)
            except (EOFError, OSError) as error:
                self._forget()
                raise Gone(wrote) from error

    @property
    def stillborn(self) -> bool:
        """Whether no process has ever come to a first answer, and the last one has ended."""
        return not self._answered and self._process is not None and self._process.exitcode is not None

    def end(self) -> None:
        """End the process: a stage puts its things away first, if it does so soon."""
        process = self._process
        if process is not None and process.is_alive():
            process.terminate()
            process.join(GRACE_S)
            if process.is_alive():
                process.kill()
                process.join()

    def _ensure(self) -> Connection:
        if self._line is None or self._process is None or not self._process.is_alive():
            context = multiprocessing.get_context("spawn")
            self._line, far = context.Pipe()
            self._process = context.Process(
                target=serve, args=(far, str(self.folder)), daemon=True, name="geosample desk"
            )
            self._process.start()
            far.close()
        return self._line

    def _forget(self) -> None:
        if self._line is not None:
            self._line.close()
        self._line = None
        if self._process is not None:
            self._process.join()


class _Talk(io.TextIOBase):
    """What a stage says on stderr, line by line, to the page."""

    def __init__(self, line: Connection) -> None:
        self.line = line

    def write(self, text: str | bytes) -> int:
        said = text.decode(errors="replace") if isinstance(text, bytes) else text
        if said.strip():
            self.line.send(("talk", said.rstrip()))
        return len(text)


def serve(line: Connection, folder: str) -> None:
    """Do jobs until the desk is gone: what the process runs."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the desk's own to answer
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    _die_with_parent()
    os.chdir(folder)
    # The stages share work among threads themselves; a matrix library's own, waiting for each other, cost a fifth more.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from geosample.cli import tell_error
    from geosample.desk import jobs
    from geosample.errors import list_problems
    from geosample.survey.reading import WATCHERS

    jobs.load_libraries()
    WATCHERS.append(lambda marks: line.send(("writes", jobs.note_writes(marks))))
    with contextlib.redirect_stderr(_Talk(line)):
        while True:
            try:
                job, given = line.recv()
            except EOFError:
                return
            jobs.WROTE.clear()
            try:
                told = ("done", getattr(jobs, job)(**given))
            except Exception as error:  # told on the page; the process goes on
                told = ("failed", "\n".join(list_problems(tell_error(error, jobs.SAYS.get(job, ())))))
            line.send(told)


def _die_with_parent() -> None:
    parent = multiprocessing.parent_process()

    def watch() -> None:
        if parent is not None:
            parent.join()
            os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
