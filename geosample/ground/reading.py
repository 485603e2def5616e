"""read_ground: the way from files to a clean frame, step by step."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from geosample.errors import GroundError, Problem
from geosample.files.reading import Note
from geosample.ground.cutting import Widths, add_approaches, add_collars, is_area, only_polygons
from geosample.ground.features import Content
from geosample.ground.formats import WALKED, read_file
from geosample.ground.mending import (
    PIECE_M2,
    SLIVER_M,
    clear_scraps,
    cut_islands,
    drop_repeats,
    mend_crossings,
    note_trees_on_turf,
    settle_overlaps,
)
from geosample.ground.model import Ground
from geosample.ground.naming import (
    IGNORE,
    ISLAND,
    KINDS,
    LANDMARK,
    USER,
    WORDS,
    check_kinds,
    find_holes,
    find_kind,
    give_ids,
    guess_kind,
    lend_holes,
    miss_holes,
    parse_kinds,
    plain_label,
    split_name,
)
from geosample.ground.placing import (
    Pairs,
    centre_of,
    check_metric,
    check_stretch,
    check_width,
    project,
    read_crs,
    site_crs,
    to_lonlat,
)
from geosample.ground.walking import CLOSE_M, CLOSE_SHARE, trace_walks
from geosample.units import show_area, show_length
from geosample.words import OBSTACLE_KINDS, SHAPE_FAULTS, SURFACE_KINDS


@dataclass(frozen=True, slots=True)
class Understanding:
    """How the files are to be understood.

    Parameters
    ----------
    kinds : mapping of str to str
        The user's labels, as the user writes them, and the kinds they mean.
    kind_from, hole_from : tuple of str
        Fields that alone tell the kind and the hole; empty for finding them.
    file_crs : CRS or None
        What the files' coordinates are in, over what they say.
    crs : CRS or None
        The working CRS; None for one centred on the course.
    swap : bool
        Whether the files have latitude first.
    pairs : Pairs
        Where places of a drawing lie on Earth.
    """

    kinds: Mapping[str, str] = field(default_factory=dict)
    kind_from: tuple[str, ...] = ()
    hole_from: tuple[str, ...] = ()
    file_crs: pyproj.CRS | None = None
    crs: pyproj.CRS | None = None
    swap: bool = False
    pairs: Pairs = ()


_STATED = {
    "accuracy_m": ("accuracy", "accuracy m", "horizontal accuracy", "hacc"),
    "edge_doubt_m": ("edge doubt m", "edge doubt"),
    "area_doubt": ("area doubt",),
}
"""What a feature's own fields may state as a number above 0 -> their names; the doubts as ``write_ground`` has them."""
COLUMNS = ["by", "kind", "label", "island_of", "hole", "name", "source", "walked", *_STATED, "geometry"]


def frame_contents(contents: Sequence[Content], how: Understanding) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return all features of all files in one frame in metres.

    Returns
    -------
    tuple of GeoDataFrame, list of Note
        ``COLUMNS``: kind is None where not known; walked, whether a receiver recorded it; accuracy_m, its own;
        edge_doubt_m and area_doubt as ``trace_walks`` gave them, where this program wrote the file.

    Raises
    ------
    GroundError
        When there is nothing, or coordinates can't be placed; the problems of all files at once.
    """
    lonlat, notes = _place_all(contents, how)
    table = pd.concat([_describe(content, how) for content in contents], ignore_index=True)
    if not len(table):
        raise GroundError([Problem(str(c.path), "no shapes", "polygons", "export the course again") for c in contents])
    used = {plain_label(label) for label in table.loc[table["by"] == USER, "label"]}
    unused = sorted(label for label in how.kinds if plain_label(label) not in used)
    notes += [Note("label_unused", USER, facts={"label": label}) for label in unused]
    crs = how.crs or site_crs(*centre_of(lonlat))
    notes += check_metric(crs, *centre_of(lonlat))
    shapes = project(lonlat, crs)
    check_width(shapes, list(table["source"]))
    if how.file_crs is None:
        round_ones = table["kind"].isin(["green", "bunker"]).to_numpy() & is_area(shapes)
        check_stretch(shapes[round_ones], *centre_of(lonlat))
    return gpd.GeoDataFrame(table, geometry=shapes, crs=crs)[COLUMNS], notes


def _place_all(contents: Sequence[Content], how: Understanding) -> tuple[np.ndarray, list[Note]]:
    placed: list[np.ndarray] = []
    notes: list[Note] = []
    problems: list[Problem] = []
    for content in contents:
        notes += content.notes
        try:
            shapes, assumed = to_lonlat(_swap(content) if how.swap else content, how.file_crs, how.pairs)
            placed.append(shapes)
            notes += assumed
        except GroundError as error:
            problems += error.problems
    if problems:
        raise GroundError(problems)
    return np.concatenate(placed), notes


def _swap(content: Content) -> Content:
    turned = [replace(f, shape=shapely.transform(f.shape, lambda c: c[:, ::-1])) for f in content.features]
    return replace(content, features=tuple(turned))


def _describe(content: Content, how: Understanding) -> pd.DataFrame:
    kinds = {plain_label(label): kind for label, kind in how.kinds.items()}
    meanings = [find_kind(feature, kinds, how.kind_from) for feature in content.features]
    columns = {name: [getattr(one, name) for one in meanings] for name in ("by", "kind", "label", "island_of")}
    columns["hole"] = find_holes(content.features, how.hole_from)
    columns["name"] = [feature.name or feature.fields.get("name") for feature in content.features]
    columns["source"] = [feature.source for feature in content.features]
    columns["walked"] = [WALKED in feature.fields for feature in content.features]
    for column, names in _STATED.items():
        columns[column] = [_own_number(feature.fields, names) for feature in content.features]
    return pd.DataFrame(columns, dtype=object)


def _own_number(fields: Mapping[str, str], names: Sequence[str]) -> float:
    """Return the number above 0 that a feature's own field of one of the names states; missing where it states none."""
    plain = {plain_label(name): value for name, value in fields.items()}
    for name in names:
        try:
            stated = float(plain.get(name, ""))
        except ValueError:
            continue
        if 0 < stated < np.inf:
            return stated
    return np.nan


_AREAL = (*SURFACE_KINDS, "bunker", "water", "building", "other", "path", ISLAND)
_WALKABLE = tuple(kind for kind in _AREAL if kind != "path")
_RINGS = 4
_NAMED = 3  # places named in a note, the rest counted
POINT, LINE, POLYGON = shapely.GeometryType.POINT, shapely.GeometryType.LINESTRING, shapely.GeometryType.POLYGON
# What becomes of a feature, beside LANDMARK.
_AREA, _MEASURED, _LEFT_OUT = "area", "measured", "left out"


@dataclass(frozen=True, slots=True)
class Sorted:
    """What was read, by what becomes of it; all frames have the columns of ``frame_contents``."""

    polygons: gpd.GeoDataFrame  # surfaces, areal obstacles and islands
    obstacles: gpd.GeoDataFrame  # lines and points that are measured from, and trees of any shape
    landmarks: gpd.GeoDataFrame
    left_out: gpd.GeoDataFrame
    notes: tuple[Note, ...]


class UnknownKindsError(GroundError):
    """Labels that are not known; carries what was seen, so that it can be drawn.

    Parameters
    ----------
    problems : list of Problem
        A row a label.
    seen : Ground
        The shapes as drawn, nothing mended; what is not known under ``left_out``.
    """

    def __init__(self, problems: list[Problem], seen: Ground) -> None:
        self.seen = seen
        super().__init__(problems)


def sort_features(frame: gpd.GeoDataFrame) -> Sorted:
    """Return what was read, sorted, once everything with an extent is known or ignored.

    Raises
    ------
    GroundError
        When polygons or lines are not recognised: a row a label, with how many, how large and what to say.
        When there is no polygon at all.
    """
    shape = shapely.get_type_id(frame.geometry.to_numpy())
    shape[shape == shapely.GeometryType.MULTIPOLYGON] = POLYGON
    if not (shape == POLYGON).any():
        raise GroundError(_no_polygons(frame, shape))
    unknown = frame["kind"].isna().to_numpy() & (shape != POINT)
    if unknown.any():
        turf, other = (_only(frame, frame["kind"].isin(kinds).to_numpy()) for kinds in (SURFACE_KINDS, OBSTACLE_KINDS))
        raise UnknownKindsError(_name_unknown(frame, unknown), Ground(turf, other, left_out=_only(frame, unknown)))
    fate = _tell_fate(frame["kind"].to_numpy(), shape)
    landmarks = _only(frame, fate == LANDMARK)
    landmarks = landmarks.assign(kind=LANDMARK, name=landmarks["name"].fillna(landmarks["label"]))
    polygons, obstacles, left_out = (_only(frame, fate == one) for one in (_AREA, _MEASURED, _LEFT_OUT))
    return Sorted(polygons, obstacles, landmarks, left_out, tuple(_note_sorting(frame, shape, fate)))


def _tell_fate(kind: np.ndarray, shape: np.ndarray) -> np.ndarray:
    """Return what becomes of each feature: the first of these that holds."""
    measured = (kind == "trees") | (np.isin(kind, OBSTACLE_KINDS) & (shape == LINE))
    measured |= np.isin(kind, ["building", "other"]) & (shape == POINT)
    fates = {
        _AREA: np.isin(kind, _AREAL) & (shape == POLYGON),
        _MEASURED: measured,
        _LEFT_OUT: pd.isna(kind) | (kind == IGNORE),
        LANDMARK: (shape == POINT) | (kind == LANDMARK),
    }
    return np.select(list(fates.values()), list(fates), _LEFT_OUT)


def _note_sorting(frame: gpd.GeoDataFrame, shape: np.ndarray, fate: np.ndarray) -> list[Note]:
    kind, line = frame["kind"].to_numpy(), shape == LINE
    open_line = np.isin(kind, (*SURFACE_KINDS, ISLAND)) & line
    # a name of its own that is not known, in a folder whose name is
    by_folder = np.asarray((frame["by"] == "folder") & frame["name"].notna(), dtype=bool)
    told = [
        (kind == IGNORE, "ignored"),
        (pd.isna(kind), "unknown_point"),
        (open_line, "open_line"),
        ((fate == _MEASURED) & line & (kind != "trees"), "no_width"),
        (by_folder, "by_folder"),
        (_by_code(frame), "by_code"),
        (fate == LANDMARK, "landmark"),
    ]
    return [
        Note(what, str(group["source"].iloc[0]), len(group), float(group.area.sum()), _label_facts(what, label, group))
        for rows, what in told
        for label, group in frame[rows].groupby("label", sort=True)
    ]


def _label_facts(what: str, label: object, group: gpd.GeoDataFrame) -> dict[str, object]:
    if what != "open_line":
        return {"label": str(label)}
    return {"label": str(label), "gap_m": _widest_gap(group), "most_m": CLOSE_M, "most_share": CLOSE_SHARE}


def _by_code(frame: gpd.GeoDataFrame) -> np.ndarray:
    """Return which features are known by nothing but a short code such as GR07."""
    return np.array(
        [
            isinstance(kind, str)
            and by != USER
            and not set(split_name(label).words) & set(WORDS)
            and split_name(label).code == kind
            for by, label, kind in zip(frame["by"], frame["label"].astype(str), frame["kind"], strict=True)
        ],
        dtype=bool,
    )


def _only(frame: gpd.GeoDataFrame, rows: np.ndarray) -> gpd.GeoDataFrame:
    return frame[rows].reset_index(drop=True)


def close_lines(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the frame with lines that end where they began, of kinds that have an area, made polygons."""
    shapes = frame.geometry.to_numpy().copy()
    lines = (shapely.get_type_id(shapes) == LINE) & frame["kind"].isin(_AREAL).to_numpy()
    rings = lines & shapely.is_closed(shapes) & (shapely.get_num_coordinates(shapes) >= _RINGS)
    rings &= (frame["kind"] != "path").to_numpy()  # a path that comes back to its start encloses what is no path
    shapes[rings] = [shapely.Polygon(shapely.get_coordinates(line)) for line in shapes[rings]]
    return frame.set_geometry(gpd.GeoSeries(shapes, frame.index, crs=frame.crs))


def _no_polygons(frame: gpd.GeoDataFrame, shape: np.ndarray) -> Problem:
    counts = {"points": int((shape == POINT).sum()), "lines": int((shape == LINE).sum())}
    found = " and ".join(f"{count} {name}" for name, count in counts.items() if count)
    if counts["lines"]:
        gap_m = _widest_gap(frame[shape == LINE])
        found += f" whose ends are up to {show_length(gap_m)} ({gap_m:,.0f} m) apart"
    files = ", ".join(sorted({source.split(", ")[0] for source in frame["source"]}))
    remedy = "draw the outlines of greens, fairways and tees, export the layer that has them, or walk all the way round"
    expected = f"polygons, or edges walked round to within {show_length(CLOSE_M)} ({CLOSE_M:.0f} m) of where they began"
    return Problem(files, f"only {found}", expected, remedy)


def _widest_gap(lines: gpd.GeoDataFrame) -> float:
    ends = shapely.get_point(lines.geometry.to_numpy(), [[0], [-1]])
    return float(np.max(shapely.distance(*ends)))


def _name_unknown(frame: gpd.GeoDataFrame, unknown: np.ndarray) -> list[Problem]:
    """Return a row for each label that is not known, and one that says the whole text for ``kinds``."""
    rows = frame[unknown].assign(word=frame["label"][unknown].map(plain_label))
    labels = []
    problems = []
    for _, group in rows.groupby("word", sort=True):
        label = str(group["label"].iloc[0])
        labels.append(label)
        problems.append(_unknown_row(group, label, frame))
    if not frame["kind"].notna().any():
        remedy = "say with `kind_from` which field tells the kind, or map the labels with `kinds`"
        problems.insert(0, Problem("the files together", "no kind that is known", "greens, fairways, ...", remedy))
    if len(labels) == 1:  # its own row says all there is to say
        return problems
    text = ",".join(f"{label}={guess_kind(label)}" for label in labels)
    where = f"{len(labels)} label{'s' * (len(labels) > 1)} not known"
    remedy = f'to go on like that, say: `kinds="{text}"`'
    return [*problems, Problem(where, ", ".join(labels), f"kinds: {', '.join(KINDS)}", remedy)]


def _unknown_row(group: gpd.GeoDataFrame, label: str, frame: gpd.GeoDataFrame) -> Problem:
    area = float(group.area.sum())
    length_m = float(group.length.sum())
    extent = f"{show_area(area)} ({area:,.0f} m²) in all"
    if not area:
        extent = f"{show_length(length_m)} ({length_m:,.0f} m) of line"
    found = f"{len(group)} not recognised, {extent}"
    guess = guess_kind(label)
    inside = _holder(group, frame)
    hint = f"; it lies inside a {inside}, so it may be an island: {label}=island" if inside else ""
    verb = "map it" if guess != IGNORE else "map it, or leave it out,"
    return Problem(
        f"'{label}' ({group['source'].iloc[0]})", found, "a known kind", f'{verb} with `kinds="{label}={guess}"`{hint}'
    )


def _holder(group: gpd.GeoDataFrame, frame: gpd.GeoDataFrame) -> str | None:
    known = frame[frame["kind"].isin(_AREAL)]
    first = group.geometry.iloc[0]
    holding = known[shapely.is_valid(known.geometry.to_numpy()) & known.geometry.contains(first.representative_point())]
    holding = holding[holding.area > first.area]
    return str(holding.loc[holding.area.idxmin(), "kind"]) if len(holding) else None


def gather_notes(notes: Sequence[Note]) -> list[Note]:
    """Return the notes, those that say the same in one: counted, the first places named."""
    groups: dict[tuple[str, str], list[Note]] = {}
    for note in notes:
        groups.setdefault((note.what, str(note.facts)), []).append(note)
    return [
        replace(found[0], where=_name_places([note.where for note in found]), count=len(found))
        for found in groups.values()
    ]


def _name_places(places: Sequence[str]) -> str:
    """Return the first places by name and the others counted.

    Examples
    --------
    >>> _name_places(["a.csv, row 2", "a.csv, row 9"]), _name_places([f"row {n}" for n in range(2, 9)])
    ('a.csv, row 2; a.csv, row 9', 'row 2; row 3; row 4 and 4 more')
    """
    more = len(places) - _NAMED
    return "; ".join(places[:_NAMED]) + (f" and {more} more" if more > 0 else "")


_SURFACE_COLUMNS = [
    *("surface_id", "hole", "kind", "name", "area_m2", "source", "edge_doubt_m", "area_doubt", "geometry")
]
_OBSTACLE_COLUMNS = ["kind", "hole", "name", "source", "geometry"]
Fields = str | Iterable[str] | None
Step = Callable[[gpd.GeoDataFrame], tuple[gpd.GeoDataFrame, list[Note]]]


def read_ground(  # noqa: PLR0913 - plain keywords are what a script is to write
    files: str | Path | Iterable[str | Path],
    *,
    kinds: Mapping[str, str] | str | None = None,
    kind_from: Fields = None,
    hole_from: Fields = None,
    collar_m: Widths | None = None,
    approach_m: float | None = None,
    accuracy_m: float | None = None,
    crs: str | pyproj.CRS | None = None,
    file_crs: str | pyproj.CRS | None = None,
    pairs: Pairs = (),
    swap_lonlat: bool = False,
    name: str = "",
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
    approach_m : float or None
        Fairway within this distance of its green becomes approach, m.
    accuracy_m : float or None
        The receiver's, for walked edges, m: 68 % of its fixes lie this near; None for what the file says, or 4.9 m.
    crs : str or CRS
        The working system, in metres; None for an equal-area one centred on the course.
    file_crs : str, CRS or None
        What the files' coordinates are in, over what they say.
    pairs : sequence of (x, y, longitude, latitude)
        Three or more places of a drawing (DXF) and where they lie on Earth, degrees.
    swap_lonlat : bool
        Whether the files have latitude before longitude.
    name : str
        What the course is called, for page and papers.

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
    Steps: read, place, tell kinds and holes, close lines and walked edges, mend, cut islands, derive approaches and
    collars, settle overlaps, clear scraps, number.
    """
    how = Understanding(
        kinds=parse_kinds([kinds]) if isinstance(kinds, str) else check_kinds(kinds or {}),
        kind_from=_listed(kind_from),
        hole_from=_listed(hole_from),
        crs=_known_crs(crs, "crs"),
        file_crs=_known_crs(file_crs, "file_crs"),
        swap=swap_lonlat,
        pairs=tuple(pairs),
    )
    paths = [Path(files)] if isinstance(files, (str, Path)) else [Path(file) for file in files]
    contents = _read_all(paths)
    with _naming_rows(contents):
        frame, notes = frame_contents(contents, how)
        frame, walked = trace_walks(frame, _WALKABLE, accuracy_m)
    ground = make_ground(sort_features(close_lines(frame)), collar_m, approach_m)
    return replace(ground, notes=(*gather_notes(notes), *walked, *ground.notes), name=" ".join(name.split()))


@contextmanager
def _naming_rows(contents: Sequence[Content]) -> Iterator[None]:
    """Add the features that were left out to an error: they are often its cause."""
    try:
        yield
    except GroundError as error:
        left = [note for content in contents for note in content.notes if note.facts.get("done") == "left out"]
        rows = [
            Problem(n.where, SHAPE_FAULTS[n.what], "a shape", "mend it, or take it out") for n in gather_notes(left)
        ]
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
        problems.append(Problem("files", "no file", "at least one file with polygons", "name it after the survey"))
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
    surfaces, scraps = clear_scraps(whole)
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
        expected = f"surfaces of at least {PIECE_M2:.0f} m² ({show_area(PIECE_M2)}) and {SLIVER_M * 100:.0f} cm across"
        remedy = "check the coordinates: they may be rounded, or in another unit (see `file_crs`)"
        return Problem("the files together", found, expected, remedy)
    kinds = ", ".join(SURFACE_KINDS)
    remedy = "check the labels, or map them with `kinds`"
    return Problem("the files together", "no surface", f"at least one {kinds}", remedy)


def _join(frames: list[gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    filled = [frame for frame in frames if len(frame)] or frames[:1]
    return gpd.GeoDataFrame(pd.concat(filled, ignore_index=True), geometry="geometry", crs=frames[0].crs)


def _tidy(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    order = shapely.bounds(frame.geometry.to_numpy())
    placed = frame.assign(_west=order[:, 0], _south=order[:, 1])
    return placed.sort_values(["kind", "_west", "_south"], kind="stable")[_OBSTACLE_COLUMNS].reset_index(drop=True)
