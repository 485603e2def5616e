"""Pest profiles: stages, sample unit, thresholds and control groups as TOML data, each with its grade and source."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources

from geosample.errors import GeosampleError, Problem
from geosample.units import FOOT2_M2
from geosample.words import Grade

DEFAULT_PEST = "annual bluegrass weevil"


@dataclass(frozen=True, slots=True)
class Stage:
    """A life stage: its key in files, its name, the group it is reported in, the words it is known by."""

    key: str
    name: str
    group: str
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Threshold:
    """An action threshold's range in insects per m², when it holds, and where it comes from."""

    low_per_m2: float
    high_per_m2: float
    when: str
    surfaces: tuple[str, ...]
    grade: Grade
    source: str


@dataclass(frozen=True, slots=True)
class Control:
    """The IRAC mode-of-action groups that reach a group of stages: classes, never products."""

    group: str
    stages: tuple[str, ...]
    when: str
    irac: tuple[str, ...]
    grade: Grade
    source: str


@dataclass(frozen=True, slots=True)
class Event:
    """What is seen of a pest at a sum of degree-days F, with the plant that shows it; low and high may be one.

    Parameters
    ----------
    name : str
        What is seen.
    low_f, high_f : float
        The sum, degree-days F above ``base_f``.
    base_f, upper_f : float
        Thresholds of development, °F; no upper one where the source has none.
    sign : str
        What blooms then; empty where no source says.
    look : bool
        Whether it is a time to sample.
    """

    name: str
    low_f: float
    high_f: float
    base_f: float
    sign: str
    grade: Grade
    source: str
    upper_f: float | None = None
    look: bool = False


@dataclass(frozen=True, slots=True)
class Pest:
    """What the program knows of one pest; every number can be overruled by the user.

    Parameters
    ----------
    unit : str
        ``plug`` or ``flush``.
    unit_diameter_m, unit_depth_mm : float
        The usual sample unit.
    plugs_per_point : int
        How many units are usually pooled at a point.
    """

    name: str
    unit: str
    unit_diameter_m: float
    unit_depth_mm: float
    plugs_per_point: int
    stages: tuple[Stage, ...]
    thresholds: tuple[Threshold, ...]
    controls: tuple[Control, ...]
    events: tuple[Event, ...] = ()

    def stage_of(self, word: str) -> str | None:
        """Return the key of the stage a word means, or None.

        Examples
        --------
        >>> load_pest().stage_of("3rd Instar")
        'L3'
        """
        plain = " ".join(word.lower().replace("_", " ").replace("-", " ").split())
        names = {w: stage.key for stage in self.stages for w in (*stage.words, stage.key.lower())}
        return names.get(plain)

    @property
    def threshold_range(self) -> tuple[float, float] | None:
        """The lowest and the highest published threshold, insects per m²; None where there is none.

        Examples
        --------
        >>> low, high = load_pest().threshold_range or (0.0, 0.0)
        >>> low < high
        True
        """
        ends = [(one.low_per_m2, one.high_per_m2) for one in self.thresholds]
        return (min(low for low, _ in ends), max(high for _, high in ends)) if ends else None

    def group_of(self, stage: str) -> str:
        """Return the group a stage is reported in; an unknown stage is its own group."""
        return next((s.group for s in self.stages if s.key == stage), stage)


def list_pests() -> list[str]:
    """Return the names of the profiles there are."""
    files = resources.files(__package__).iterdir()
    return sorted(file.name[:-5].replace("_", " ") for file in files if file.name.endswith(".toml"))


@cache
def load_pest(name: str = DEFAULT_PEST) -> Pest:
    """Return a pest's profile.

    Raises
    ------
    GeosampleError
        When there is no such profile; the message lists those there are.
    """
    key = name.strip().lower().replace(" ", "_").replace("-", "_")
    file = resources.files(__package__).joinpath(f"{key}.toml")
    if not file.is_file():
        raise GeosampleError(Problem("pest", repr(name), f"one of: {', '.join(list_pests())}", "name one of them"))
    data = tomllib.loads(file.read_text(encoding="utf-8"))
    stages = tuple(Stage(**{**row, "words": tuple(row["words"])}) for row in data.pop("stages"))
    return Pest(
        stages=stages,
        thresholds=tuple(_threshold(row) for row in data.pop("thresholds", [])),
        controls=tuple(
            Control(
                **{**row, "irac": tuple(row["irac"])},
                stages=tuple(stage.key for stage in stages if stage.group == row["group"]),
            )
            for row in data.pop("controls", [])
        ),
        events=tuple(Event(**row) for row in data.pop("events", [])),
        **data,
    )


def _threshold(row: dict[str, object]) -> Threshold:
    low, high = (float(str(row.pop(f"{end}_per_ft2"))) / FOOT2_M2 for end in ("low", "high"))
    surfaces = row.pop("surfaces", [])
    return Threshold(low, high, surfaces=tuple(surfaces), **row)  # type: ignore[arg-type]
