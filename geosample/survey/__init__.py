"""The survey file: one GeoPackage per course, and the only door to it.

Readers see whole states; writers take turns, with other programs too, by the locks of SQLite. ``open_survey``
gives the file, ``Survey.read`` a layer, ``Survey.change`` a set of changes that is written whole or not at all.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from geosample.errors import Problem, SurveyError
from geosample.survey.layers import LAYERS, MARKED, Layer, shape_frame
from geosample.survey.reading import check_layout, list_layers, list_older, read_description, read_layer
from geosample.survey.writing import SurveyChange, start_change

if TYPE_CHECKING:
    import pandas as pd

    from geosample.survey.reading import Where

__all__ = ["LAYERS", "Layer", "Survey", "SurveyChange", "open_survey", "shape_frame"]

# The command that makes each layer, for the error when a stage is run too early.
_MADE_BY = {
    "surfaces": "ground",
    "obstacles": "ground",
    "visits": "design",
    "points": "design",
    "strata": "design",
    "samples": "counts",
    "counts": "counts",
    "estimates": "estimate",
    "cells": "density",
    "models": "density",
    "zones": "treat",
}


@dataclass(frozen=True, slots=True)
class Survey:
    """The survey file of one course.

    Parameters
    ----------
    path : Path
        A GeoPackage; it need not exist before the first change.
    """

    path: Path

    def layers(self) -> list[str]:
        """Return the names of the layers in the file; none when there is no file yet."""
        return list_layers(self.path) if self.path.exists() else []

    def read(self, layer: str, *, only: Where | None = None) -> pd.DataFrame:
        """Return a layer, or the rows of it that match, as a frame (a GeoDataFrame where it has geometry)."""
        return read_layer(self.path, layer, only=only)

    def describe(self, layer: str) -> str:
        """Return what a person calls a layer; empty where nobody said."""
        return read_description(self.path, layer) if self.path.exists() else ""

    @property
    def course(self) -> str:
        """What the course is called: the name given with its ground, or else the file's."""
        return self.describe("surfaces") or self.path.stem

    def need(self, layer: str, *, visit: str | None = None, pest: str | None = None) -> pd.DataFrame:
        """Return a layer's rows of one visit (and pest), which must be there.

        Raises
        ------
        SurveyError
            When there are none; it names the command that makes them.
        """
        only = {column: name for column, name in (("visit", visit), ("pest", pest)) if name is not None}
        # A visit's cells are a hundred thousand; every other layer is checked whole, so that no row without a visit is
        # passed over.
        frame = self.read(layer, only=only if layer == "cells" else None)
        for column, name in only.items():
            frame = frame[frame[column] == name]
        if frame.empty:
            of_what = "".join(f" for {what} {name}" for what, name in only.items())
            command = _MADE_BY.get(layer, "ground")
            remedy = f"run 'geosample {command} {self.path.name} ...' first"
            raise SurveyError(Problem(str(self.path), f"no {layer}{of_what}", f"layer '{layer}'", remedy))
        return frame.reset_index(drop=True)

    def order_visits(self, *, before: str | None = None) -> list[str]:
        """Return the visits from the oldest to the newest, those of one day by name.

        Parameters
        ----------
        before : str, optional
            Only visits of an earlier day than this one's.
        """
        visits = self.read("visits").sort_values(["date", "visit"], kind="stable")
        if before is not None:
            day = visits.loc[visits["visit"] == before, "date"]
            visits = visits[visits["date"] < day.iloc[0]] if len(day) else visits.iloc[:0]
        return [str(name) for name in visits["visit"]]

    def newest_visit(self) -> str:
        """Return the name of the visit with the latest date."""
        self.need("visits")
        return self.order_visits()[-1]

    def newest_among(self, names: Iterable[str], *, before: str | None = None) -> str | None:
        """Return the newest of some visits, such as those that have counts; None of none. ``before`` as above."""
        wanted = set(names)
        return next((name for name in reversed(self.order_visits(before=before)) if name in wanted), None)

    def find_visit(self, visit: str | None) -> str:
        """Return the visit asked for, or the newest when None.

        Raises
        ------
        SurveyError
            When the survey has no visit of that name; it lists those there are.
        """
        if visit is None:
            return self.newest_visit()
        names = list(self.need("visits")["visit"])
        if visit not in names:
            raise SurveyError(
                Problem(
                    f"--visit {visit}",
                    "no such visit",
                    f"one of: {', '.join(names)}",
                    "name one of them, or run 'geosample design' for a new one",
                )
            )
        return visit

    @contextmanager
    def change(self) -> Iterator[SurveyChange]:
        """Collect changes while no other program can write, and write them all at the end, or none.

        Raises
        ------
        SurveyError
            When another program or command has a write of its own open for longer than ``WRITER_WAIT_S``, the
            file or its folder can't be written, or the disk is full. The file is then as it was.

        Notes
        -----
        Keep the block short: other programs that want to write wait for its end, most of them 5 s.

        Examples
        --------
        >>> import pandas as pd, tempfile
        >>> survey = open_survey(Path(tempfile.mkdtemp()) / "course.gpkg")
        >>> with survey.change() as change:
        ...     change.put("visits", pd.DataFrame({"visit": ["May"], "date": ["2026-05-04"]}))
        >>> survey.layers()
        ['layout', 'visits']
        """
        with start_change(self.path) as change:
            yield change


def open_survey(path: str | Path, *, must_exist: bool = False) -> Survey:
    """Return the survey file at a path.

    Parameters
    ----------
    path : str or Path
        A GeoPackage, ending in ``.gpkg``.
    must_exist : bool
        Refuse a file that is not there yet (all stages but ``ground``).

    Raises
    ------
    SurveyError
        When the name does not end in ``.gpkg``, when the file is missing and must exist, or is no GeoPackage.
    """
    path = Path(path)
    if path.suffix.lower() != ".gpkg":
        problem = Problem(
            str(path),
            f"the ending '{path.suffix}'",
            "a survey file ending in .gpkg",
            "give the survey file first, then the other files",
        )
        raise SurveyError(problem)
    if must_exist or path.exists():
        check_layout(path)
        _tell_older(path)
    return Survey(path)


def _tell_older(path: Path) -> None:
    """Say in one line which results an older version wrote: they are left as they are, and not read."""
    older = list_older(path)
    if older:
        from geosample.report import talk

        again = ", ".join(f"'geosample {stage}'" for stage in dict.fromkeys(MARKED[layer] for layer in older))
        talk(f"{path.name}: {', '.join(older)} of an older version are left aside: run {again} again.")
