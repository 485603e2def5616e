"""Fixtures shared by the stages' tests: a small invented ground, and where the shared data lie."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from counts_case import filled_sheet, scatter_design
from ground_case import one_hole, write
from survey_case import fill_rows
from threadpoolctl import threadpool_limits
from visit_case import count_visit, design_visit

from geosample.counts import Counts
from geosample.design import Design, save_design
from geosample.ground import Ground, save_ground
from geosample.survey import Survey, open_survey

# As many tests run at once as there are cores, and matrices are small: more threads would only wait for each other.
os.environ.update(dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1"))
threadpool_limits(1)
# Programs that tests start keep what they compile: else each compiles the whole package again, for a second.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

SHARED = Path(__file__).resolve().parents[2] / "shared"
CRS = "+proj=laea +lat_0=41.5 +lon_0=-73.9 +datum=WGS84 +units=m"

SLOW_FIXTURES = {"demo", "played", "hostile", "chromium"}
"""What takes long to make; whoever asks for it is marked slow."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if SLOW_FIXTURES & set(getattr(item, "fixturenames", ())):
            item.add_marker(pytest.mark.slow)


def kidney(east: float, north: float, radius_m: float = 13.0) -> shapely.Geometry:
    """Return a kidney-shaped green of about 5,500 ft²."""
    angle = np.linspace(0, 2 * np.pi, 73)[:-1]
    radius = radius_m * (1 - 0.25 * np.exp(-(((angle - 1.2) / 0.5) ** 2)) + 0.12 * np.cos(2 * angle))
    return shapely.Polygon(np.column_stack([east + radius * np.cos(angle), north + radius * np.sin(angle)]))


def bent_fairway() -> shapely.Geometry:
    """Return a fairway of about 230 x 32 m with a bend, ending short of the green at (0, 0)."""
    return shapely.buffer(shapely.LineString([(-20, -40), (-60, -120), (-20, -240)]), 16, quad_segs=8)


@pytest.fixture(scope="session")
def small_ground() -> Ground:
    """The hole of ``make_hole``, which no test may change."""
    return make_hole()


def make_hole() -> Ground:
    """Return one hole: green, its 30 in collar, a bent fairway with a bunker cut out of it, and a pond beside it."""
    green = kidney(0, 0)
    collar = shapely.difference(shapely.buffer(green, 0.762), green)
    bunker = shapely.buffer(shapely.Point(-45, -90), 5)
    fairway = shapely.difference(bent_fairway(), shapely.union_all([bunker, shapely.buffer(green, 0.762)]))
    shapes = [shapely.multipolygons([green]), shapely.multipolygons([collar]), shapely.multipolygons([fairway])]
    surfaces = gpd.GeoDataFrame(
        {
            "surface_id": ["01-green-1", "01-collar-1", "01-fairway-1"],
            "hole": "1",
            "kind": ["green", "collar", "fairway"],
            "name": None,
            "source": "invented",
        },
        geometry=shapes,
        crs=CRS,
    )
    water = shapely.buffer(shapely.Point(10, -120), 15)
    obstacles = gpd.GeoDataFrame(
        {"kind": ["bunker", "water"], "hole": "1", "name": None, "source": "invented"},
        geometry=[bunker, water],
        crs=CRS,
    )
    return Ground(surfaces.assign(area_m2=surfaces.area), obstacles)


@pytest.fixture
def hole_file(tmp_path: Path) -> Path:
    """A file of one hole, as ``read_ground`` takes it."""
    return write(tmp_path / "hole.geojson", *one_hole())


@pytest.fixture(scope="session")
def sheets_design(small_ground: Ground) -> Design:
    """The drawn design of the tests of sheets, which no test may change."""
    return design_visit(small_ground)


@pytest.fixture(scope="session")
def counted_visit(small_ground: Ground) -> tuple[Counts, Design]:
    """Simulated counts of a drawn design and that design, which no test may change."""
    design = design_visit(small_ground, points=60, visit="2026-05-20")
    return count_visit(design, small_ground), design


@pytest.fixture(scope="session")
def counts_design(small_ground: Ground) -> Design:
    """The design of the tests of counts, which no test may change."""
    return scatter_design(small_ground)


@pytest.fixture
def counts_sheet(counts_design: Design) -> pd.DataFrame:
    """The sheet of ``counts_design``, its main points counted."""
    return filled_sheet(counts_design)


@pytest.fixture(scope="session")
def drawn_survey(tmp_path_factory: pytest.TempPathFactory, small_ground: Ground, counts_design: Design) -> Path:
    """A survey file with the ground and ``counts_design`` in it, to be copied and never changed."""
    survey = open_survey(tmp_path_factory.mktemp("drawn") / "course.gpkg")
    save_ground(survey, small_ground)
    save_design(survey, counts_design)
    return survey.path


@pytest.fixture
def counts_survey(tmp_path: Path, drawn_survey: Path) -> Survey:
    """A survey with the ground and ``counts_design`` in it, no counts yet."""
    return open_survey(shutil.copy(drawn_survey, tmp_path / "course.gpkg"))


@pytest.fixture(scope="session")
def two_counts_survey(tmp_path_factory: pytest.TempPathFactory, small_ground: Ground) -> Path:
    """A survey file with the ground and two counts of visit A, to be copied and never changed."""
    survey = open_survey(tmp_path_factory.mktemp("two") / "course.gpkg")
    save_ground(survey, small_ground)
    with survey.change() as c:
        c.put("counts", fill_rows("counts", visit="A", sample_id=["1", "2"], count=[3, 0]))
    return survey.path


@pytest.fixture(scope="session")
def shared() -> Path:
    """Return the folder of shared data, or skip where it is not there."""
    if not SHARED.is_dir():
        pytest.skip("needs the shared data folder beside the clone, which is not there")
    return SHARED
