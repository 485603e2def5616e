"""Reading layers out of a GeoPackage, whole, whatever its cached counts say."""

from __future__ import annotations

import sqlite3
import warnings
from collections.abc import Collection, Mapping
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from geosample.errors import Problem, SurveyError
from geosample.saving import SQLITE_HEADER
from geosample.survey.checking import check_layer
from geosample.survey.layers import LAYERS, shape_frame

if TYPE_CHECKING:
    import pandas as pd

Where = Mapping[str, str | Collection[str]]

# OGC 12-128r19, GeoPackage 1.4, requirement 2: "GPKG" as the application id.
_APPLICATION_IDS = {0x47504B47, 0x47503130, 0x47503131}


def check_is_survey(path: Path) -> None:
    """Raise SurveyError unless the file is a GeoPackage that can be read."""
    if path.is_dir():
        raise SurveyError(Problem(str(path), "a folder", "a survey file", "name a file ending in .gpkg"))
    try:
        with path.open("rb") as file:
            header = file.read(72)
    except FileNotFoundError:
        problem = Problem(str(path), "no such file", "a survey file", "run 'geosample ground' first to make it")
        raise SurveyError(problem) from None
    except OSError as error:
        problem = Problem(
            str(path), f"a file that can't be read ({error.strerror})", "a survey file", "check the file's permissions"
        )
        raise SurveyError(problem) from error
    if not header:
        remedy = "delete it and run 'geosample ground' again, or restore it from a back-up"
        raise SurveyError(Problem(str(path), "an empty file (0 bytes)", "a survey file (GeoPackage)", remedy))
    if header[:16] != SQLITE_HEADER or int.from_bytes(header[68:72]) not in _APPLICATION_IDS:
        raise SurveyError(_not_a_survey(path, "another kind of file"))


def list_layers(path: Path) -> list[str]:
    """Return the names of the file's feature and attribute layers.

    Raises
    ------
    SurveyError
        If the file is not a readable GeoPackage.
    """
    check_is_survey(path)
    sql = "SELECT table_name FROM gpkg_contents WHERE data_type IN ('features', 'attributes')"
    try:
        with closing(_connect(path)) as connection:
            return sorted(row[0] for row in connection.execute(sql))
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
        raise SurveyError(_not_a_survey(path, f"a damaged file ({error})")) from error


def read_layer(path: Path, layer: str, *, without: Where | None = None) -> pd.DataFrame:
    """Return a layer with its columns typed, empty if the file does not have it.

    The rows come by SQL rather than by the driver's cached count, which other programs can leave stale
    (two writers at once were seen to lose a fifth of the rows from view).

    Parameters
    ----------
    path : Path
        The survey file.
    layer : str
        The layer's name.
    without : mapping of str to str or collection of str, optional
        Leave out the rows that match in every column: they are about to be replaced, whatever they hold.

    Raises
    ------
    SurveyError
        When the file can't be read, or the layer is no longer as the program wrote it (``check_layer``).
    """
    if layer not in list_layers(path):
        _check_unlisted(path, layer)
        return empty_layer(layer)
    import pyarrow
    import pyogrio

    sql = f"SELECT * FROM {_quote(layer)}{_unless(without)}"
    try:
        with warnings.catch_warnings():  # what the driver warns of, check_layer refuses in words
            warnings.simplefilter("ignore")
            frame = pyogrio.read_dataframe(path, sql=sql, fid_as_index=True, use_arrow=True)
            frame = frame.drop(columns="fid", errors="ignore")
        with closing(_connect(path)) as connection:
            check_layer(connection, path, layer, frame)
        return shape_frame(layer, frame.reset_index(drop=True))
    except (pyarrow.ArrowException, UnicodeDecodeError) as error:
        raise SurveyError(_not_a_survey(path, f"a layer '{layer}' with text that is no UTF-8")) from error
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, sqlite3.DatabaseError) as error:
        raise SurveyError(_not_a_survey(path, f"a layer '{layer}' that can't be read ({error})")) from error


def _check_unlisted(path: Path, layer: str) -> None:
    """Refuse a file with the layer's table that its own list of layers does not name: its rows are not gone."""
    with closing(_connect(path)) as connection:
        there = connection.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?", (layer,)).fetchone()
    if there:
        raise SurveyError(_not_a_survey(path, f"a table '{layer}' that the file's list of layers does not name"))


def count_rows(path: Path, layer: str) -> int:
    """Return how many rows a layer has; 0 if the file does not have it."""
    if layer not in list_layers(path):
        return 0
    with closing(_connect(path)) as connection:
        return int(connection.execute(f"SELECT count(*) FROM {_quote(layer)}").fetchone()[0])


def _unless(where: Where | None) -> str:
    if where is None:
        return ""
    texts = {name: [value] if isinstance(value, str) else list(value) for name, value in where.items()}
    same = [f"{_quote(name)} IN ({', '.join(map(_quote_text, values))})" for name, values in texts.items()]
    return f" WHERE NOT ifnull({' AND '.join(same) or '1'}, 0)"


def _quote(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _quote_text(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _connect(path: Path) -> sqlite3.Connection:
    # Not read-only: a journal that a killed program left must be rolled back before anyone reads.
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True)


def empty_layer(layer: str) -> pd.DataFrame:
    """Return an empty frame with the layer's columns and types."""
    import geopandas as gpd
    import pandas as pd

    make = LAYERS.get(layer)
    if make is None or make.geometry is None:
        return shape_frame(layer, pd.DataFrame())
    return shape_frame(layer, gpd.GeoDataFrame(geometry=gpd.GeoSeries([], dtype="geometry")))


def _not_a_survey(path: Path, found: str) -> Problem:
    remedy = "name the survey file that 'geosample ground' made, or restore it from a back-up"
    return Problem(str(path), found, "a survey file (GeoPackage)", remedy)
