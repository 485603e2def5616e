"""What the documents say is what the program does: the help's examples run here, the README's lines in test_chain."""

from __future__ import annotations

import doctest
import json
import re
import shlex
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from fill_blank import fill_blank

import geosample as gs
from geosample import __version__
from geosample.cli import COMMANDS, main
from geosample.design import load_design
from geosample.ground import load_ground, read_ground
from geosample.survey import open_survey

ROOT = Path(__file__).resolve().parents[1]


def example_of(name: str) -> list[str]:
    """Return the words of the example at the end of a command's help."""
    text = CliRunner().invoke(main, [name, "--help"], terminal_width=200).output
    found = re.findall(rf"^ *(geosample {name} .*)$", text.rsplit("Example", 1)[1], flags=re.MULTILINE)
    assert len(found) == 1, text
    return shlex.split(found[0])


def readme_plan() -> str:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    [plan] = re.findall(r"```toml\n(.*?)```", text, flags=re.DOTALL)
    return str(plan)


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to type commands in, with the demo course's layers beside."""
    (tmp_path / "layers").symlink_to(ROOT / "layers")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def type_in(words: list[str]) -> None:
    run = CliRunner().invoke(main, words[1:])
    assert run.exit_code == 0, f"{shlex.join(words)}\n{run.output}"


def fill_in(place: Path, blank: Path, name: str = "filled.csv") -> None:
    survey = open_survey(place / "course.gpkg")
    fill_blank(blank, load_design(survey), load_ground(survey), place / name, seed=3)


@pytest.mark.slow
def test_every_example_in_the_help_runs_in_the_order_of_the_work(place: Path) -> None:
    examples = {
        name: example_of(name) for name in COMMANDS if name not in {"demo", "desk"}
    }  # test_desk starts the desk
    for name in ("ground", "design", "sheets"):
        type_in(examples.pop(name))
    fill_in(place, place / "sheets" / "blank_counts.csv")
    for name in ("counts", "estimate", "density", "treat", "map", "record"):
        type_in(examples.pop(name))
    shutil.copy("course.gpkg", "before_second_round.gpkg")
    type_in(examples.pop("followup"))
    # Chosen points enter no mean, so what compares two rounds needs a second round drawn like the first.
    shutil.copy("before_second_round.gpkg", "course.gpkg")
    type_in(shlex.split("geosample design course.gpkg --visit 2026-05-18 --holes 1-3 --seed 8"))
    type_in(shlex.split("geosample sheets course.gpkg --out second"))
    fill_in(place, place / "second" / "blank_counts.csv", "second.csv")
    type_in(["geosample", "counts", "course.gpkg", "second.csv"])
    (place / "courses").mkdir()
    shutil.copy("course.gpkg", "courses/course.gpkg")
    (place / "plan.toml").write_text(readme_plan().replace("{course}.csv", "../second.csv"), encoding="utf-8")
    for name in list(examples):
        type_in(examples.pop(name))
    assert not examples


def test_the_readme_names_every_command() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [name for name in COMMANDS if f"`{name}`" not in text and f"geosample {name}" not in text] == []


def test_links_in_the_readme_lead_somewhere() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    targets = re.findall(r"\]\(([^)]+)\)", text)
    assert targets
    assert [target for target in targets if not (ROOT / target).exists()] == []


def test_the_newest_entry_of_the_changes_is_this_version() -> None:
    changes = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").rsplit("## Changes", 1)[1]
    [newest, *_] = re.findall(r"^(\d\S*?)( \(in work\))?[,:] ", changes, flags=re.MULTILINE)
    assert __version__ == (f"{newest[0]}.dev0" if newest[1] else newest[0])


def readme_python() -> str:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    [block] = re.findall(r"```python\n(.*?)```", text, flags=re.DOTALL)
    return str(block)


@pytest.mark.slow
def test_the_python_door_does_the_whole_job_in_at_most_twelve_lines(place: Path) -> None:
    lines = readme_python().splitlines()
    assert len(lines) <= 12
    ground = read_ground("layers/course.geojson", collar_m=0.76)
    drawn: dict[str, object] = {}
    exec("\n".join(line.removeprefix(">>> ") for line in lines[:4]), drawn)
    fill_blank(place / "out" / "blank_counts.csv", drawn["design"], ground, place / "filled.csv", seed=3)
    test = doctest.DocTestParser().get_doctest(readme_python(), {}, "README", "README.md", 0)
    assert doctest.DocTestRunner().run(test).failed == 0
    survey = gs.open_survey("python.gpkg", must_exist=True)
    results = [survey.ground, survey.design(), survey.counts(), survey.estimates(), survey.density(), survey.zones()]
    for result in results:
        assert len(repr(result)) <= 200
        assert "\n" not in repr(result)
        assert result._repr_html_()
        json.dumps(result.summary(), allow_nan=True)
    assert (place / "out" / "map.html").exists()
    with pytest.raises(gs.GeosampleError, match="found a str"):
        survey.save("a text")
