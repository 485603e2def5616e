"""The plan of a batch: which commands, with which options, as TOML."""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

from geosample.cli import COMMANDS, MODULES
from geosample.errors import GeosampleError, Problem

NOT_IN_A_BATCH = ("demo", "batch")
ALLOWED = tuple(name for name in COMMANDS if name not in NOT_IN_A_BATCH)
FOLDER_COMMANDS = ("sheets", "density", "treat")
"""Commands whose ``--out`` is a folder; each course gets its own."""


@dataclass(frozen=True, slots=True)
class Step:
    """One command of the plan.

    Parameters
    ----------
    command : str
        One of ``ALLOWED``.
    options : dict
        Option names without their dashes -> text, number, true for a flag, or a list for several.
    files : tuple of str
        Arguments after the survey file; a path that is not absolute starts at the survey file's folder.

    Notes
    -----
    In options and files ``{course}`` stands for the survey file's name without its ending, ``{folder}`` for its folder
    and ``{out}`` for where this course's files go, so that a plan means the same on every machine.
    """

    command: str
    options: dict[str, Any]
    files: tuple[str, ...] = ()

    def words(self, survey: Path, out: Path) -> list[str]:
        """Return the command line for one survey; what it makes goes to ``out`` unless the plan says otherwise.

        Examples
        --------
        >>> Step("estimate", {"by": "kind,hole"}).words(Path("a.gpkg"), Path("out"))
        ['estimate', 'a.gpkg', '--by', 'kind,hole']
        """
        options = dict(self.options)
        if self.command in FOLDER_COMMANDS:
            options.setdefault("out", "{out}")
        if self.command == "map":
            options.setdefault("out", "{out}/map.html")
        stands_for = {"{course}": survey.stem, "{folder}": str(survey.parent), "{out}": str(out)}
        files = [str(survey.parent / _fill(name, stands_for)) for name in self.files]
        words = [_fill(word, stands_for) for word in _option_words(options)]
        return [self.command, str(survey), *files, *words]


@dataclass(frozen=True, slots=True)
class Plan:
    """The commands to run on each survey, in order."""

    steps: tuple[Step, ...]

    @property
    def code(self) -> str:
        """A short code of what the plan says, by which finished courses are recognised."""
        said = json.dumps([[s.command, s.options, s.files] for s in self.steps], sort_keys=True)
        return hashlib.sha256(said.encode()).hexdigest()[:12]


def read_plan(path: str | Path) -> Plan:
    r"""Return a plan from its TOML file: a table ``[[stage]]`` a command.

    Raises
    ------
    GeosampleError
        With everything wrong with it: no file, no TOML, no stage, commands there are not, values that are none.

    Examples
    --------
    >>> import tempfile
    >>> file = Path(tempfile.mkdtemp()) / "plan.toml"
    >>> _ = file.write_text('[[stage]]\ncommand = "estimate"\nthreshold = "30/ft2"\n')
    >>> read_plan(file).steps[0]
    Step(command='estimate', options={'threshold': '30/ft2'}, files=())
    """
    data = _load(Path(path))
    tables = data.get("stage", [])
    problems = list(_find_problems(str(path), data, tables))
    if problems:
        raise GeosampleError(problems)
    return Plan(tuple(_step(table) for table in tables))


def _load(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        problem = Problem(str(path), f"'{error.strerror}'", "a plan, a TOML file", "name one with --plan")
        raise GeosampleError(problem) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        problem = Problem(str(path), f"what is no TOML ({error})", "a plan, a TOML file", "mend it there")
        raise GeosampleError(problem) from error


def _find_problems(where: str, data: dict[str, Any], tables: Any) -> Iterator[Problem]:
    others = [name for name in data if name != "stage"]
    if others:
        yield Problem(where, f"tables {', '.join(others)}", "tables [[stage]] only", "rename or remove them")
    if not isinstance(tables, list) or not tables or not all(isinstance(table, dict) for table in tables):
        yield Problem(
            where, "no stage", "a table [[stage]] for each command", 'write [[stage]] and command = "estimate"'
        )
        return
    for number, table in enumerate(tables, 1):
        yield from _table_problems(f"{where}, stage {number}", table)


def _table_problems(where: str, table: dict[str, Any]) -> Iterator[Problem]:
    command = table.get("command")
    if command not in ALLOWED:
        yield Problem(where, f"command {command!r}", f"one of: {', '.join(ALLOWED)}", "name one of them")
    else:
        yield from _option_problems(where, str(command), table)
    files = table.get("files", [])
    if not isinstance(files, list) or not all(isinstance(name, str) for name in files):
        yield Problem(where, f"files = {files!r}", "a list of file names", 'write files = ["{course}.csv"]')
    for name, value in table.items():
        parts = value if isinstance(value, list) else [value]
        if not all(isinstance(part, (str, int, float)) for part in parts):
            yield Problem(f"{where}, {name}", repr(value), "text, a number, true, or a list of them", "mend it")


def _option_problems(where: str, command: str, table: dict[str, Any]) -> Iterator[Problem]:
    params = import_module(f"geosample.cli.{MODULES.get(command, command)}").command.params
    known = {name for param in params for name in param.opts if name.startswith("--")}
    for name in table.keys() - {"command", "files"}:
        if f"--{name.replace('_', '-')}" not in known:
            allowed = ", ".join(sorted(one.removeprefix("--") for one in known))
            yield Problem(f"{where}, {command}", f"an option {name!r}", f"one of: {allowed}", "mend its name")


def _step(table: dict[str, Any]) -> Step:
    options = {name: value for name, value in table.items() if name not in {"command", "files"}}
    return Step(table["command"], options, tuple(table.get("files", ())))


def _option_words(options: dict[str, Any]) -> list[str]:
    words: list[str] = []
    for name, value in options.items():
        flag = f"--{name.replace('_', '-')}"
        if value is True:
            words.append(flag)
        elif value is not False:
            for part in value if isinstance(value, list) else [value]:
                words += [flag, str(part)]
    return words


def _fill(text: str, stands_for: dict[str, str]) -> str:
    for name, value in stands_for.items():
        text = text.replace(name, value)
    return text
