"""read_ground: the way from files to a clean frame, step by step."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyproj
import shapely

from geosample.errors import GroundError, Problem
from geosample.ground.collars import Widths, add_approaches, add_collars
from geosample.ground.edges import only_polygons
from geosample.ground.features import Content
from geosample.ground.files import read_file
from geosample.ground.frame import Understanding, frame_contents
from geosample.ground.kinds import check_kinds, parse_kinds
from geosample.ground.mend import SLIVER_M, SLIVER_M2, cut_islands, drop_repeats, drop_scraps, mend_crossings
from geosample.ground.model import Ground, Note
from geosample.ground.numbering import give_ids, lend_holes, miss_holes
from geosample.ground.overlaps import settle_overlaps
from geosample.ground.placing import read_crs
from geosample.ground.sorting import Sorted, note_remarks, sort_features
from geosample.ground.trees import note_trees_on_turf
from geosample.words import OBSTACLE_KINDS, SURFACE_KINDS

_SURFACE_COLUMNS = ["surface_id", "hole", "kind", "name", "area_m2", "source", "geometry"]
_OBSTACLE_COLUMNS = ["kind", "hole", "name", "source", "geometry"]
Fields = str | Iterable[str] | None
Step = Callable[[gpd.GeoDataFrame], tuple[gpd.GeoDataFrame, list[Note]]]


@dataclass(frozen=True, slots=True)
class GroundOptions:
    """What is seldom needed to read a course.

    Parameters
    ----------
    approach_m : float or None
        Fairway within this distance of its green becomes approach, m.
    file_crs : str, CRS or None
        What the files' coordinates are in, over what they say.
    swap_lonlat : bool
        Whether the files have latitude before longitude.
    """

    approach_m: float | None = None
    file_crs: str | pyproj.CRS | None = None
    swap_lonlat: bool = False


def read_ground(  # noqa: PLR0913 - the contract's five, and what is seldom needed in one
    files: str | Path | Iterable[str | Path],
    *,
    kinds: Mapping[str, str] | str | None = None,
    kind_from: Fields = None,
    hole_from: Fields = None,
    collar_m: Widths | None = None,
    crs: str | pyproj.CRS | None = None,
    options: GroundOptions | None = None,
) -> Ground:
    """Return a course's polygons as a clean sampling frame: disjoint, in metres, with holes and kinds.

    Parameters
    ----------
    files : path or iterable of paths
        Polygons in any of the formats read (``FORMATS``).
    kinds : mapping of str to str, or str
        The user's labels and the kinds they mean, such as ``{"teebox": "tee", "OB": "ignore"}``.
    kind_from, hole_from : str or iterable of str
        Fields that alone tell the kind or the hole; ``name``, ``folder`` and ``layer`` are fields too.
    collar_m : float or mapping of hole to float
        Width of the collar to derive round each green, m; ``*`` for the holes that have none of their own.
    crs : str or CRS
        The working system, in metres; None for an equal-area one centred on the course.
    options : GroundOptions
        Approaches, and what the files do not say of their coordinates.

    Returns
    -------
    Ground
        Surfaces in hole and kind order with ids such as ``07-fairway-1`` (1 is the largest), obstacles, and
        notes of everything understood, mended, moved and left out.

    Raises
    ------
    GroundError
        Every problem at once: files that can't be read or placed, labels that are not known, no surface.

    Notes
    -----
    Steps: read, place, tell kinds and holes, mend, cut islands, derive approaches and collars, settle
    overlaps, drop slivers, number.
    """
    options = options or GroundOptions()
    how = Understanding(
        kinds=parse_kinds([kinds]) if isinstance(kinds, str) else check_kinds(kinds or {}),
        kind_from=_listed(kind_from),
        hole_from=_listed(hole_from),
        crs=_known_crs(crs, "--crs"),
        file_crs=_known_crs(options.file_crs, "--file-crs"),
        swap=options.swap_lonlat,
    )
    paths = [Path(files)] if isinstance(files, (str, Path)) else [Path(file) for file in files]
    contents = _read_all(paths)
    with _naming_rows(contents):
        frame, remarks = frame_contents(contents, how)
    ground = make_ground(sort_features(frame), collar_m, options.approach_m)
    return replace(ground, notes=(*note_remarks(remarks), *ground.notes))


@contextmanager
def _naming_rows(contents: Sequence[Content]) -> Iterator[None]:
    """Add the features that were left out to an error: they are often its cause."""
    try:
        yield
    except GroundError as error:
        left = [remark for content in contents for remark in content.remarks if remark.remedy.startswith("left out")]
        rows = [Problem(n.where, n.what, "a shape", "mend it, or take it out") for n in note_remarks(left)]
        raise GroundError([*error.problems, *rows]) from error


def _known_crs(crs: str | pyproj.CRS | None, option: str) -> pyproj.CRS | None:
    return read_crs(crs, option) if isinstance(crs, str) else crs


def _listed(fields: Fields) -> tuple[str, ...]:
    if fields is None:
        return ()
    texts = [fields] if isinstance(fields, str) else list(fields)
    return tuple(part.strip() for text in texts for part in text.split(",") if part.strip())


def _read_all(paths: list[Path]) -> list[Content]:
    """Return all files' contents, or the problems of all of them at once."""
    contents: list[Content] = []
    problems: list[Problem] = []
    if not paths:
        problems.append(Problem("FILE", "no file", "at least one file with polygons", "name it after the survey"))
    for path in paths:
        try:
            contents.append(read_file(path))
        except GroundError as error:
            problems += error.problems
    if problems:
        raise GroundError(problems)
    return contents


def make_ground(found: Sorted, collar_m: Widths | None, approach_m: float | None) -> Ground:
    """Return the ground from what was read and sorted.

    Raises
    ------
    GroundError
        When no surface is left.
    """
    polygons, mended = _take_steps(found.polygons, (mend_crossings, drop_repeats, cut_islands))
    surfaces = polygons[polygons["kind"].isin(SURFACE_KINDS)].reset_index(drop=True)
    obstacles = _join([polygons[polygons["kind"].isin(OBSTACLE_KINDS)], found.obstacles])
    steps = (
        partial(lend_holes, landmarks=found.landmarks),
        partial(add_approaches, distance_m=approach_m),
        partial(add_collars, width_m=collar_m),
    )
    surfaces, seen = _take_steps(surfaces, steps)
    whole, obstacles, moved = settle_overlaps(surfaces, obstacles)
    surfaces, scraps = drop_scraps(whole)
    if surfaces.empty:
        raise GroundError(_no_surface(whole))
    lacking = [*note_trees_on_turf(surfaces, obstacles), *miss_holes(surfaces)]
    notes = (*found.notes, *mended, *seen, *moved, *scraps, *lacking)
    numbered = give_ids(surfaces)
    multi = gpd.GeoSeries(only_polygons(numbered.geometry.to_numpy()), numbered.index, crs=numbered.crs)
    numbered = numbered.set_geometry(multi).assign(area_m2=multi.area)
    return Ground(numbered[_SURFACE_COLUMNS], _tidy(obstacles), notes, _tidy(found.landmarks), found.left_out)


def _take_steps(frame: gpd.GeoDataFrame, steps: Iterable[Step]) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the frame after each step in turn, and what they all noted."""
    notes: list[Note] = []
    for step in steps:
        frame, seen = step(frame)
        notes += seen
    return frame, notes


def _no_surface(whole: gpd.GeoDataFrame) -> Problem:
    """Return what is wrong where no surface is left: none was read, or none was large enough."""
    if len(whole):
        found = f"{len(whole)} surface{'s' * (len(whole) > 1)}, the largest of {whole.area.max() * 1e4:,.3g} cm²"
        expected = f"surfaces of at least {SLIVER_M2} m² and {SLIVER_M * 100:.0f} cm across"
        remedy = "check the coordinates: they may be rounded, or in another unit (see --file-crs)"
        return Problem("the files together", found, expected, remedy)
    kinds = ", ".join(SURFACE_KINDS)
    remedy = "check the labels, or map them with --kinds"
    return Problem("the files together", "no surface", f"at least one {kinds}", remedy)


def _join(frames: list[gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    filled = [frame for frame in frames if len(frame)] or frames[:1]
    return gpd.GeoDataFrame(pd.concat(filled, ignore_index=True), geometry="geometry", crs=frames[0].crs)


def _tidy(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    order = shapely.bounds(frame.geometry.to_numpy())
    placed = frame.assign(_west=order[:, 0], _south=order[:, 1])
    return placed.sort_values(["kind", "_west", "_south"], kind="stable")[_OBSTACLE_COLUMNS].reset_index(drop=True)
