"""The house itself: imports follow the data, start-up is light, names, help and settings hold."""

from __future__ import annotations

import ast
import gc
import importlib
import inspect
import re
import subprocess
import sys
from functools import cache
from itertools import chain
from pathlib import Path
from types import FunctionType

import click
import pytest
from click.testing import CliRunner

import geosample
from geosample.cli import COMMANDS, main

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "geosample"
STAGES = ["ground", "design", "sheets", "counts", "estimate", "compare", "density", "treat", "season", "rehearsal"]
STAGES += ["webmap"]
PACKAGE_NAMES = {"__version__"}  # what any room may take from the package itself
TOOLS = [["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy"]]
SHARED_ROOMS = {"errors", "files", "workers", "units", "words", "pests", "survey", "palettes", "report"}
SHARED_ROOMS |= {"drawing", "distributions", "results"}
FRONT = {"cli", "demo", "batch", "door", "desk"}  # they call the stages; no stage may call them
HEAVY = {
    "geopandas",
    "pandas",
    "folium",
    "sklearn",
    "scipy",
    "shapely",
    "pyogrio",
    "rasterio",
    "reportlab",
    "matplotlib",
    "joblib",
    "pyarrow",
    "distributed",
}
MODULES = sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else path.stem


@cache
def parse(path: Path) -> ast.Module:
    """Return a module as Python reads it, which no test may change."""
    return ast.parse(path.read_text(encoding="utf-8"))


def imported_rooms(path: Path) -> set[str]:
    """Return the rooms a module imports from, wherever in the module the import stands.

    The words of a stage's facts may name their types: report imports those for the type checker alone.
    """
    body = parse(path).body
    if room_of(path) == "report":
        body = [node for node in body if not (isinstance(node, ast.If) and _is_for_types(node))]
    names = chain.from_iterable(_names(node) for part in body for node in ast.walk(part))
    return {name.split(".")[1] for name in names if name.startswith("geosample.")}


@cache
def imported_names(path: Path) -> list[str]:
    return list(chain.from_iterable(_names(node) for node in ast.walk(parse(path))))


def _is_for_types(node: ast.If) -> bool:
    return isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"


def _names(node: ast.AST) -> list[str]:
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names]
    if isinstance(node, ast.ImportFrom) and node.module == "geosample":
        return [f"geosample.{alias.name}" for alias in node.names]
    return [node.module] if isinstance(node, ast.ImportFrom) and node.module else []


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_stage_imports_only_earlier_stages_and_shared_rooms(path: Path) -> None:
    room = room_of(path)
    if room in FRONT or room == "__init__":
        return
    earlier = set(STAGES[: STAGES.index(room)]) if room in STAGES else set()
    assert imported_rooms(path) - {room} <= earlier | SHARED_ROOMS | PACKAGE_NAMES


def test_every_room_is_known_to_the_order() -> None:
    rooms = {room_of(path) for path in MODULES} - {"__init__"}
    assert rooms == set(STAGES) | SHARED_ROOMS | FRONT


@pytest.mark.parametrize(
    ("package", "room"),
    [("sqlite3", "survey"), ("folium", "webmap density"), ("branca", "webmap"), ("reportlab", "drawing")],
)
def test_there_is_one_door_to_what_must_have_one(package: str, room: str) -> None:
    users = set()
    for path in MODULES:
        names = imported_names(path)
        users |= {room_of(path) for name in names if name.split(".")[0] == package}
    assert users == set(room.split())


STARTS = """
import sys
import geosample
def tell(name): print("LOADED", name, *sorted({m.split(".")[0] for m in sys.modules}))
tell("nothing")
from geosample.cli import main
for words in ([], *([name] for name in sys.argv[1:])):
    try:
        main([*words, "--help"])
    except SystemExit:
        tell(*words or ["main"])
"""
"""One process for all: what a start has loaded stays loaded, so the first that loads too much is the one named."""


def test_starting_loads_no_heavy_library() -> None:
    line = [sys.executable, "-c", STARTS, *COMMANDS]
    run = subprocess.run(line, check=True, capture_output=True, text=True)
    told = [told.split()[1:] for told in run.stdout.splitlines() if told.startswith("LOADED")]
    assert [name for name, *_ in told] == ["nothing", "main", *COMMANDS]
    assert [name for name, *loaded in told if HEAVY & set(loaded)] == []


def test_public_names_are_there_and_listed() -> None:
    assert sorted(geosample.__all__) == sorted(geosample._HOMES)
    for name in geosample.__all__:
        assert callable(getattr(geosample, name))
    with pytest.raises(AttributeError, match="no_such_name"):
        geosample.no_such_name  # noqa: B018


def test_help_lists_the_commands_in_the_order_of_the_work() -> None:
    text = CliRunner().invoke(main, ["--help"]).output
    places = [text.index(f"\n  {name} ") for name in COMMANDS]
    assert places == sorted(places)
    assert list(COMMANDS)[:9] == ["demo", "ground", "design", "sheets", "counts", "estimate", "density", "treat", "map"]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_that_ends_with_an_example(name: str) -> None:
    run = CliRunner().invoke(main, [name, "--help"])
    assert run.exit_code == 0
    tail = run.output.strip().rsplit("Example", 1)
    assert len(tail) == 2
    assert f"geosample {name}" in tail[1]


OF_MANY_OR_NO_SURVEYS = {"demo", "batch", "desk"}


@pytest.mark.parametrize("name", [name for name in COMMANDS if name not in OF_MANY_OR_NO_SURVEYS])
def test_every_stage_command_takes_json_and_a_survey_first(name: str) -> None:
    command = main.get_command(click.Context(main), name)
    assert command is not None
    parameters = {parameter.name for parameter in command.params}
    assert "as_json" in parameters
    assert command.params[0].name == "survey" or "survey" in parameters


def test_a_bare_number_and_an_unknown_command_are_bad_usage(tmp_path: Path) -> None:
    assert CliRunner().invoke(main, ["no-such"]).exit_code == 2
    run = CliRunner().invoke(main, ["treat", str(tmp_path / "a.gpkg"), "--threshold", "30", "--out", str(tmp_path)])
    assert run.exit_code == 2
    assert "/ft2" in run.output


@pytest.mark.parametrize("name", [name for name in COMMANDS if name not in OF_MANY_OR_NO_SURVEYS | {"ground"}])
def test_a_stage_without_a_survey_file_says_what_to_do_and_makes_nothing(name: str, tmp_path: Path) -> None:
    command = main.get_command(click.Context(main), name)
    assert command is not None
    out = {"map": "a.html"}.get(name, "out")
    needs = {"--out": str(tmp_path / out), "--threshold": "30/ft2", "--visit": "2026-05-04"}
    needs |= {"--date": "2026-05-08", "--before": "2026-05-04", "--after": "2026-05-18"}
    required = {o for p in command.params if p.required and p.param_type_name == "option" for o in p.opts}
    args = [a for option, value in needs.items() if option in required for a in (option, value)]
    (tmp_path / "counts.csv").write_text("point_id\n")
    more = [str(tmp_path / "counts.csv")] if name == "counts" else []
    run = CliRunner().invoke(main, [name, str(tmp_path / "none.gpkg"), *more, *args])
    assert run.exit_code == 1, run.output
    assert "found no such file" in run.output
    assert "geosample ground" in run.output
    assert [path.name for path in tmp_path.iterdir()] == ["counts.csv"]


@pytest.mark.slow
def test_style_format_and_types_hold() -> None:
    for tool in TOOLS:
        run = subprocess.run([sys.executable, "-m", *tool], check=False, capture_output=True, text=True, cwd=ROOT)
        assert run.returncode == 0, f"{' '.join(tool)}\n{run.stdout[-4000:]}{run.stderr[-2000:]}"


def public_functions() -> list[tuple[str, FunctionType]]:
    rooms = [importlib.import_module(f"geosample.{room}") for room in (*STAGES, *sorted(SHARED_ROOMS | {"batch"}))]
    return [
        (f"{room.__name__}.{name}", function)
        for room in rooms
        for name, function in vars(room).items()
        if isinstance(function, FunctionType)
        and not name.startswith("_")
        and function.__module__.startswith(PACKAGE.name)
    ]


@pytest.mark.parametrize(
    ("name", "function"), public_functions(), ids=lambda value: value if isinstance(value, str) else ""
)
def test_public_docstrings_give_parameters_shapes_and_errors(name: str, function: FunctionType) -> None:
    doc, signature = inspect.getdoc(function) or "", inspect.signature(function)
    assert doc, name
    if len(signature.parameters) > 2:
        assert "Parameters\n" in doc
    if "Parameters\n" in doc:
        assert [one for one in signature.parameters if one not in doc.split("Parameters\n", 1)[1]] == []
    if "ndarray" in str(signature.return_annotation):
        assert "shape" in doc
    if getattr(geosample, function.__name__, None) is function:
        assert "Returns\n" in doc
    source = inspect.getsource(function)
    if "    raise " in source and "Error" in source:
        assert "Raises\n" in doc


def test_no_name_stands_for_two_things() -> None:
    """But for ``open_survey``: the door's gives a survey that knows the whole job."""
    sorts = ast.ClassDef | ast.FunctionDef
    names = [node.name for path in MODULES for node in parse(path).body if isinstance(node, sorts)]
    public = [name for name in names if not name.startswith("_")]
    assert sorted({name for name in public if public.count(name) > 1}) == ["open_survey"]


def test_what_developers_are_told_to_run_is_what_the_suite_runs() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    told = [line.strip() for block in text.split("```sh")[1:] for line in block.split("```")[0].splitlines()]
    commands = [part.strip() for line in told for part in line.split("&&") if part.strip()]
    tools = [command.split("-m ", 1)[1] for command in commands if " -m " in command and "venv .venv" not in command]
    assert tools == [*(" ".join(tool) for tool in TOOLS), "pytest -n 3"]
    for word in set(re.findall(r"`((?:tests|geosample|layers)/[\w./]+)`", text)):
        assert "NAME" in word or (ROOT / word).exists(), word
    for word in re.findall(r"`(\w+_\w+)`", text.split("## What was measured")[1].split("##")[0]):
        assert list((ROOT / "tests" / "benchmarks").glob(f"{word}.py")), word


def test_ci_calls_the_readme_test_command() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    tests = [line for line in readme.splitlines() if "pytest" in line and "pip install" in line]
    demos = [line for line in readme.splitlines() if "geosample demo" in line and "pip install" in line]
    assert len(tests) == 1
    assert len(demos) == 1
    assert tests[0] in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()


def test_the_top_level_holds_only_what_belongs_there() -> None:
    listed = subprocess.run(["git", "ls-files"], check=True, capture_output=True, text=True, cwd=ROOT).stdout.split(
        "\n"
    )
    top = {line.split("/")[0] for line in listed if line}
    shown = {name for name in top if not name.startswith(".")}
    folders = {"geosample", "layers", "tests", "sample_maps"}
    assert shown <= folders | {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE"}


def test_nothing_speaks_of_one_machine() -> None:
    files = [*MODULES, *ROOT.glob("*.md"), *ROOT.glob("layers/*"), *ROOT.glob("tests/*.py")]
    for path in files:
        text = path.read_text(encoding="utf-8")
        for prefix in ("work", "root", "home"):
            assert f"/{prefix}/" not in text, path


# what only one place may do: a pattern, the files that may hold it, and where the rest find it
ONE_PLACE = [
    (r"\.isdigit\(", "", "isdecimal, or hole_number of geosample/words.py: int() cannot read every digit"),
    (r"""["'](?:suggested for treatment|leave untreated)["']""", "words.py", "words.ACTIONS"),
    (r"\b100 \* [^\n]*%|\* 100\b[^\n]*%", "units.py", "units.percent, which never rounds to certainty"),
    (r"""settings(?:\.get\(|\[)["'](?:follows|k|k_from|stop_lines|compare)\b""", "design/", "the properties of Visit"),
    (r"\b1\.(?:64|95|96)\d*\b|ndtri\(0\.9|norm\.ppf\(", "distributions.py", "normal_reach"),
    (r"\b(?:0\.3048|0\.0254|25\.4|0\.9144)\b", "units.py", "the units of geosample/units.py"),
    (
        r"\.to_csv\(|csv\.writer|json\.dumps\([^\n]*\.replace",
        "files/saving.py",
        "write_csv and escape_json, which make texts harmless",
    ),
    (r"\.canvas\b", "drawing/", "what geosample/drawing/ has for it, such as draw_line and draw_box"),
]


@pytest.mark.parametrize(("pattern", "place", "remedy"), ONE_PLACE)
def test_what_one_place_does_no_other_does(pattern: str, place: str, remedy: str) -> None:
    others = [path for path in MODULES if not (place and str(path.relative_to(PACKAGE)).startswith(place))]
    assert [path.name for path in others if re.search(pattern, path.read_text(encoding="utf-8"))] == [], remedy


@pytest.mark.parametrize("collecting", [True, False])
@pytest.mark.parametrize("fault", [None, OSError(28, "No space left on device"), KeyError("cell")])
def test_a_command_runs_without_the_collector_and_leaves_it_as_it_was(
    collecting: bool, fault: Exception | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[bool] = []

    @click.command()
    def look() -> None:
        seen.append(gc.isenabled())
        if fault:
            raise fault

    monkeypatch.setattr(type(main), "get_command", lambda *_: look)
    (gc.enable if collecting else gc.disable)()
    try:
        assert CliRunner().invoke(main, ["ground"]).exit_code == (1 if fault else 0)
        assert (seen, gc.isenabled()) == ([False], collecting)
    finally:
        gc.enable()
