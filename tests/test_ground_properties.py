"""What holds for any course: moving, turning or reordering it changes nothing, and no ground is lost or doubled."""

from __future__ import annotations

import tempfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from ground_case import LAEA, disc, write
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from geosample.ground import Ground, outer_turf, read_ground, split_border
from geosample.words import SURFACE_KINDS

Shapes = list[tuple[shapely.Geometry, dict[str, object]]]
metres = st.integers(-200, 200)
sizes = st.integers(4, 60)
kinds = st.sampled_from([*SURFACE_KINDS, "bunker", "water", "path"])
holes = st.sampled_from(["1", "2", "12", None])


@st.composite
def shapes(draw: st.DrawFn) -> Shapes:
    """Draw boxes, discs and crooked pentagons of any kind, lying over each other any way round."""
    made: Shapes = [(disc(0, 0, 15), {"kind": "green", "hole": "1"})]
    for _ in range(draw(st.integers(1, 7))):
        east, north, size = draw(metres), draw(metres), draw(sizes)
        angles = sorted(draw(st.lists(st.integers(0, 359), min_size=5, max_size=5, unique=True)))
        crooked = shapely.Polygon([(east + size * np.cos(a), north + size * np.sin(a)) for a in np.radians(angles)])
        shape = draw(st.sampled_from([shapely.box(east, north, east + size, north + size / 2), crooked]))
        made.append((shape, {"kind": draw(kinds), "hole": draw(holes)}))
    return made


def read(made: Shapes, **options: object) -> Ground:
    with tempfile.TemporaryDirectory() as folder:
        return read_ground(write(Path(folder) / "a.geojson", *made), collar_m=0.762, **options)


def table(ground: Ground) -> dict[str, float]:
    """Return the area by hole and kind, which is what must not change."""
    named = ground.surfaces.assign(hole=ground.surfaces["hole"].fillna("-"))
    return dict(named.groupby(["hole", "kind"])["area_m2"].sum())


many = settings(max_examples=15, deadline=None)


@pytest.mark.slow
@many
@given(made=shapes())
def test_surfaces_are_valid_disjoint_and_clear_of_obstacles(made: Shapes) -> None:
    ground = read(made)
    surfaces = ground.surfaces
    assert surfaces.geometry.is_valid.all()
    assert surfaces["surface_id"].is_unique
    assert surfaces["area_m2"].sum() == pytest.approx(surfaces.union_all().area, rel=1e-6)
    cutting = ground.obstacles.union_all()
    assert shapely.area(shapely.intersection(surfaces.geometry.to_numpy(), cutting)).max() < 1e-3


@pytest.mark.slow
@many
@given(made=shapes())
def test_no_ground_is_lost_but_to_obstacles_and_what_the_notes_say(made: Shapes) -> None:
    ground = read(made)
    turf = shapely.union_all([shape for shape, fields in made if fields["kind"] in SURFACE_KINDS])
    placed = gpd.GeoSeries(ground.surfaces.geometry, crs=ground.crs).to_crs(LAEA)
    lost = shapely.difference(turf, shapely.union_all([*placed, *ground.obstacles.geometry.to_crs(LAEA)])).area
    told = sum(n.facts.get("left_m2", n.area_m2) for n in ground.notes if n.what in {"scraps", "island"})
    seams = 1e-3 * sum(shape.length for shape, _ in made)  # the two projections agree to a millimetre
    assert lost <= told * (1 + 1e-6) + seams


@pytest.mark.slow
@many
@given(made=shapes(), seed=st.integers(0, 99))
def test_reordering_the_file_changes_nothing(made: Shapes, seed: int) -> None:
    order = np.random.default_rng(seed).permutation(len(made))
    first, second = read(made).surfaces, read([made[i] for i in order]).surfaces
    assert first["surface_id"].tolist() == second["surface_id"].tolist()
    assert first["area_m2"].to_numpy() == pytest.approx(second["area_m2"].to_numpy(), abs=1e-4)


@pytest.mark.slow
@many
@given(made=shapes(), east=metres, north=metres)
def test_moving_the_course_changes_no_area(made: Shapes, east: int, north: int) -> None:
    moved = [(affinity.translate(shape, east, north), fields) for shape, fields in made]
    assert table(read(moved)) == pytest.approx(table(read(made)), rel=1e-4, abs=0.3)


@pytest.mark.slow
@many
@given(made=shapes(), angle=st.sampled_from([90, 180, 270]))
def test_turning_the_course_changes_no_area(made: Shapes, angle: int) -> None:
    turned = [(affinity.rotate(shape, angle, origin=(0, 0)), fields) for shape, fields in made]
    assert table(read(turned)) == pytest.approx(table(read(made)), rel=1e-4, abs=0.3)


@pytest.mark.slow
@many
@given(made=shapes(), width=st.floats(0.5, 20))
def test_border_and_interior_make_up_each_surface(made: Shapes, width: float) -> None:
    surfaces = read(made).surfaces
    parts = split_border(surfaces, width)
    sums = parts.groupby("surface_id")["area_m2"].sum()
    assert sums.sort_index().to_numpy() == pytest.approx(
        surfaces.set_index("surface_id")["area_m2"].sort_index().to_numpy(), rel=1e-6
    )
    assert set(parts["part"]) <= {"border", "interior"}


@pytest.mark.slow
@many
@given(made=shapes())
def test_closing_gaps_only_adds_ground(made: Shapes) -> None:
    surfaces = read(made).surfaces
    short = surfaces[surfaces["kind"] != "rough"]
    assert outer_turf(surfaces).area >= shapely.union_all(short.geometry.to_numpy()).area - 1e-6
