"""Jobs: what the worker's process does for the page, by the commands' own functions. Facts and words go back."""

from __future__ import annotations

import gc
import hashlib
import importlib
import io
import json
import re
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geosample.cli import load_command, tell_error
from geosample.cli.options import hear
from geosample.desk.cards import CARDS, Card, write_words
from geosample.errors import MapError, Problem, list_problems
from geosample.report import fold
from geosample.report.ground import MORE

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from geosample.ground import Aerial, UnknownKindsError
    from geosample.survey import Survey
    from geosample.treat.suggest import Evidence
    from geosample.units import Units
    from geosample.webmap.story import Story

PICTURE = "not_recognised.png"
_MOST_PIXELS = 50_000_000
_WIDE_PX = 2000
"""A photo of more pixels is none of a phone's; shrunk to so many it still shows every module of a label's code (own
choice; tests read labels down to a sixth of the picture)."""
_STAGES = ("ground", "design", "sheets", "counts", "estimate", "density", "treat", "webmap")
SAYS = {
    "place_aerial": ("map",),
    "draw_page": ("map",),
    "correct": ("ground",),
    "try_plan": ("design",),
    "try_zones": ("treat",),
    "list_bench": ("sheets",),
}
"""Job -> the command whose options its errors are told in."""
WROTE: dict[str, str] = {}
"""Layers that the running job writes, each with its mark before: what another program writes meanwhile is not ours."""
_EVIDENCE: dict[tuple[Any, ...], Evidence] = {}
"""What the last draft of zones rested on, by the survey's state: a slider asks for many drafts of the same."""
_SEEN: dict[str, Any] = {"file": (), "marks": {}, "codes": {}}
"""The file when it was last described, the marks of its layers, and the codes worked out, by step, visit and marks."""


def load_libraries() -> None:
    """Load every stage once, and spare the collector what then lives as long as the process."""
    for room in _STAGES:
        importlib.import_module(f"geosample.{room}")
    gc.collect()
    gc.freeze()
    gc.set_threshold(200_000, 50, 50)


def describe(survey: str, visit: str) -> dict[str, Any]:
    """Return what the survey holds for a visit (the newest when empty): names, and a code for each step's result."""
    from geosample.survey import open_survey
    from geosample.survey.reading import list_changes

    file = open_survey(survey)
    changes = list_changes(file.path)
    visits = file.order_visits() if "visits" in changes else []
    chosen = visit if visit in visits else (visits[-1] if visits else "")
    state = file.path.stat()
    now = (survey, state.st_mtime_ns, state.st_size)
    if _SEEN["marks"] == changes and _SEEN["file"] != now:  # written by a program that marks nothing
        _SEEN["codes"].clear()
    _SEEN.update(file=now, marks=changes)
    rests_on = {step: card.makes for step, card in CARDS.items()} | {"sheets": ("points",)}
    codes = {step: _known_code(file, step, layers, chosen, changes) for step, layers in rests_on.items()}
    latest = {step: max((changes.get(layer, "") for layer in layers), default="") for step, layers in rests_on.items()}
    return {
        "course": file.course,
        "visits": visits,
        "visit": chosen,
        "codes": codes,
        "changed": latest,
        "holes": _holes(file),
        "counted": _list_counted(file, changes),
        "newer_ground": bool(chosen) and _has_newer(file, chosen),
    }


def _list_counted(file: Survey, marks: Mapping[str, str]) -> list[str]:
    """Return the visits that counts have come back for, read anew where they may have changed."""
    key = (str(file.path), "counted", marks.get("samples"))
    if key not in _SEEN["codes"]:
        _SEEN["codes"][key] = sorted(set(file.read("samples")["visit"].astype(str)))
    return list(_SEEN["codes"][key])


def _has_newer(file: Survey, visit: str) -> bool:
    """Return whether a ground is newer than the one that a visit rests on."""
    from geosample.ground import ground_version

    surfaces = file.read("surfaces")
    return ground_version(file, surfaces, visit) < ground_version(file, surfaces)


def _holes(file: Survey) -> list[str]:
    from geosample.words import hole_key

    return sorted({str(hole) for hole in file.read("surfaces")["hole"].dropna()}, key=hole_key)


def _known_code(file: Survey, step: str, layers: Sequence[str], visit: str, marks: Mapping[str, str]) -> str:
    """Return the code of a step's result, worked out anew where a layer has another mark than then."""
    key = (str(file.path), step, visit, *(marks.get(layer) for layer in layers))
    if key not in _SEEN["codes"]:
        _SEEN["codes"][key] = _code_found(file, visit) if step == "sheets" else _code(file, layers, visit)
    return str(_SEEN["codes"][key])


def _code_found(file: Survey, visit: str) -> str:
    """Return a code of the words that lead to a visit's points, which the sheets make; empty where there are none."""
    points = file.read("points")
    found = points.loc[points["visit"] == visit, "finding"].dropna()
    return _hash([sorted(found)]) if len(found) else ""


def _code(file: Survey, layers: Sequence[str], visit: str) -> str:
    """Return a short code of the rows of a visit, which differs where they do; empty where there are none."""
    frames = [file.read(layer) for layer in layers]
    own = [frame if "visit" not in frame else frame[frame["visit"] == visit] for frame in frames]
    return _hash([_plain(frame) for frame in own]) if any(len(frame) for frame in own[:1]) else ""


def _plain(frame: pd.DataFrame) -> str:
    """Return a code of a frame's rows; how to find a point is words about it, made by another step."""
    import pandas as pd

    kept = pd.DataFrame(frame.drop(columns=["finding"], errors="ignore"))
    if "geometry" in frame:
        kept = kept.assign(geometry=frame["geometry"].to_wkb(hex=True))
    return hashlib.sha256(pd.util.hash_pandas_object(kept.astype(str), index=False).to_numpy().tobytes()).hexdigest()


def _hash(parts: Sequence[Any]) -> str:
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:16]


def note_writes(marks: Mapping[str, str]) -> dict[str, str]:
    """Note what is about to be written, and return all that the running job has."""
    WROTE.update({layer: mark for layer, mark in marks.items() if layer not in WROTE})
    return dict(WROTE)


def run(survey: str, lines: Sequence[Sequence[str]], before: str, out: str) -> dict[str, Any]:
    """Run commands on a survey, one after the other; when one fails the survey is as it was before the first.

    Parameters
    ----------
    survey, before, out : str
        The survey file, its state before (``keep_before``; empty where there was no survey), and the folder for files.
    lines : sequence
        The commands, each a list of words.

    Returns
    -------
    dict
        ``said`` and ``rest``, lines of the answer; or ``problems``, lines of what is wrong, with ``labels`` that were
        not recognised and ``kept``, layers of ours that another program changed since; ``layers``, those that were
        written, each with its mark; and ``alone``, whether nobody else wrote to them meanwhile.
    """
    from geosample.survey.reading import list_changes

    place = Path(survey)
    ours: dict[str, str] = {}
    said: list[str] = []
    rest: list[str] = []
    for words in lines:
        try:
            told, _, more = hear(load_command(words[0]), list(words[1:]))
        except Exception as error:  # whatever it was, the survey goes back and the page tells it
            return {"kept": roll_back(survey, before, dict(WROTE), ours), **_tell_failure(error, words, Path(out))}
        told = [line for line in told if not line or line not in [*said, MORE]]  # a caution once a card
        said += [*([""] if said else []), *told]
        rest += more
        now = list_changes(place)
        ours = {layer: now.get(layer, "") for layer in WROTE}
    base = list_changes(Path(before)) if before else {}
    alone = all(mark == base.get(layer, "") for layer, mark in WROTE.items())
    changed = {layer: mark for layer, mark in ours.items() if mark != base.get(layer, "")}
    return {"said": fold(said), "rest": fold(rest), "layers": changed, "alone": alone}


def _tell_failure(error: Exception, words: Sequence[str], out: Path) -> dict[str, Any]:
    from geosample.ground import UnknownKindsError

    if isinstance(error, click.ClickException):
        return {"problems": [error.format_message()]}
    told: dict[str, Any] = {"problems": list_problems(tell_error(error, words))}
    if isinstance(error, UnknownKindsError):
        told["labels"] = _name_labels(error, out)
    return told


def _name_labels(error: UnknownKindsError, out: Path) -> list[dict[str, Any]]:
    """Return each label that was not recognised, with how many have it and what it may be; the stage draws them."""
    from geosample.ground import draw_ground
    from geosample.ground.naming import guess_kind, plain_label

    draw_ground(error.seen, out / PICTURE)
    left: gpd.GeoDataFrame = error.seen.left_out
    groups = left.groupby(left["label"].map(plain_label), sort=True)
    return [
        {"label": str(rows["label"].iloc[0]), "many": len(rows), "guess": guess_kind(str(rows["label"].iloc[0]))}
        for _, rows in groups
    ]


def keep_before(survey: str, before: str) -> None:
    """Keep the state of a survey, so that what a step replaces can be had back once."""
    from geosample.survey.writing import keep_copy

    keep_copy(Path(survey), Path(before))


def undo(survey: str, before: str, layers: Sequence[str]) -> None:
    """Put back the layers that a step changed, in one transaction; a survey that the step made (no before) goes."""
    from geosample.survey import open_survey
    from geosample.survey.reading import read_description, read_layer

    if not before:
        Path(survey).unlink(missing_ok=True)
    elif layers:
        old = Path(before)
        with open_survey(survey, must_exist=True).change() as change:
            for layer in layers:
                if layer != "layout":
                    change.put(layer, read_layer(old, layer), description=read_description(old, layer))


def restore(survey: str, before: str, layers: Mapping[str, str]) -> bool:
    """Undo a step where nothing has changed its layers since, and say whether it was done."""
    from geosample.survey.reading import list_changes

    now = list_changes(Path(survey))
    if any(now.get(layer, "") != mark for layer, mark in layers.items()) or (not before and set(now) - set(layers)):
        return False
    undo(survey, before, list(layers))
    return True


def roll_back(survey: str, before: str, wrote: Mapping[str, str], ours: Mapping[str, str] | None = None) -> list[str]:
    """Put back the layers that a step wrote before it was stopped, and return those that hold others' work too.

    Parameters
    ----------
    survey, before : str
        The survey file, and its state before the step; empty where there was no survey.
    wrote : mapping of str to str
        The layers the step was about to write, each with its mark just before.
    ours : mapping of str to str, optional
        Their marks when the step's last command ended; what differs from it was written by another program since.
    """
    from geosample.survey.reading import list_changes

    now, base = list_changes(Path(survey)), list_changes(Path(before)) if before else {}
    changed = [layer for layer in wrote if now.get(layer, "") != base.get(layer, "")]
    mixed = {layer for layer in changed if wrote[layer] != base.get(layer, "")}
    mixed |= {layer for layer, mark in (ours or {}).items() if now.get(layer, "") != mark}
    if before or (changed and not mixed and not set(now) - set(wrote)):
        undo(survey, before, [layer for layer in changed if layer not in mixed])
    return sorted(mixed)


def draw_page(survey: str, visit: str, units: str, under: Mapping[str, str], *, newest: bool = False) -> str:
    """Return the page of the command ``map``, for what there is so far; before there is a ground, what lies under it.

    Parameters
    ----------
    under : mapping of str to str
        The options of the command ``map`` for a picture and a base map, as they are typed; ``place``, longitude and
        latitude to begin at where there is no ground and no picture.
    newest : bool
        The newest ground alone, which no visit may rest on yet.
    """
    from geosample.ground import load_ground
    from geosample.survey import open_survey
    from geosample.webmap import gather_results, gather_story
    from geosample.webmap.page import check_tiles, compose_page

    laid, place = _read_under(under)
    check_tiles(laid["base_map"], laid["base_credit"])
    known = Path(survey).exists()
    if known and newest:
        story = gather_results(load_ground(open_survey(survey)), course=open_survey(survey).course)
    else:
        story = gather_story(open_survey(survey), visit or None) if known else _empty_story()
    wide = _widen(story, laid["aerial"], place) if any(laid.values()) or not known else None
    return compose_page([story], units="us" if units == "us" else "metric", **laid, bounds=wide)


def _read_under(under: Mapping[str, str]) -> tuple[dict[str, Any], str]:
    """Return what lies under the course as the page takes it, and where to begin without."""
    from geosample.ground import Aerial

    asked = _parse(write_words(Card("map", ("map",), ()), {}, "", {**under, "out": "."})[0])
    if "problems" in asked:
        raise MapError([_read_invalid(text) for text in asked["problems"]])
    aerial = asked["aerial"] and Aerial(asked["aerial"], asked["aerial_pairs"], asked["aerial_crs"])
    laid = {"aerial": aerial, "base_map": asked["base_map"], "base_credit": asked["base_credit"]}
    return laid, under.get("place", "")


def _read_invalid(text: str) -> Problem:
    """Return what the command line's reader says of a value as a problem, with the option where it is."""
    parts = re.fullmatch(r"Invalid value for '(--[\w-]+)': found (.*); expected (.*); (.*)", text, re.DOTALL)
    if parts is None:
        return Problem("picture underneath", text, "what the command takes", "write it again")
    return Problem(*parts.groups())


def place_aerial(under: Mapping[str, str], units: Units) -> str:
    """Return how far the pairs miss that the picture underneath is placed by; refuse one that lies nowhere."""
    from geosample.ground import find_bounds, note_aerial
    from geosample.report.ground import tell_note

    aerial = _read_under(under)[0]["aerial"]
    find_bounds(aerial)
    note = note_aerial(aerial)
    return tell_note(note, units) if note else ""


def _empty_story() -> Story:
    import geopandas as gpd

    from geosample.ground import Ground
    from geosample.survey.reading import empty_layer
    from geosample.webmap.story import gather_results

    surfaces, obstacles = (gpd.GeoDataFrame(empty_layer(layer)).set_crs(4326) for layer in ("surfaces", "obstacles"))
    return gather_results(Ground(surfaces, obstacles))


_ROOM = 0.0015
"""Degrees shown round the course where surfaces are drawn: about 150 m."""


def _widen(story: Story, aerial: Aerial | None, place: str) -> tuple[float, float, float, float]:
    """Return the ground to draw on, degrees: the course with room round it, or else the picture, or round a place."""
    from geosample.ground import find_bounds

    if len(story.surfaces):
        west, south, east, north = story.surfaces.to_crs(4326).total_bounds
        return west - _ROOM, south - _ROOM, east + _ROOM, north + _ROOM
    if aerial is not None:
        return find_bounds(aerial)
    try:
        lon, lat = (float(part) for part in place.split(","))
    except ValueError:
        found = Problem("place", repr(place), "longitude,latitude in degrees", "write where to begin: -73.91,41.52")
        raise MapError(found) from None
    return lon - 3 * _ROOM, lat - 3 * _ROOM, lon + 3 * _ROOM, lat + 3 * _ROOM


def try_plan(words: Sequence[str]) -> dict[str, Any]:
    """Return the points a plan would have and what it says of itself; nothing is stored."""
    from geosample.cli.sampling import draw_asked
    from geosample.report.design import tell_design
    from geosample.survey import open_survey

    asked = _parse(words)
    if "problems" in asked:
        return asked
    units = asked.pop("units")
    try:
        design, _ = draw_asked(open_survey(asked.pop("survey"), must_exist=True), asked)
    except click.ClickException as error:
        return {"problems": [error.format_message()]}
    points = design.points[["lon", "lat", "role", "point_id"]].to_dict("records")
    return {"points": points, "said": fold(tell_design(design, units))}


def try_zones(words: Sequence[str]) -> dict[str, Any]:
    """Return the zones a plan would have and what it says of itself; nothing is stored."""
    from geosample.cli.treating import suggest_asked
    from geosample.report.treat import tell_plan
    from geosample.survey import open_survey
    from geosample.survey.reading import list_changes

    asked = _parse(words)
    if "problems" in asked:
        return asked
    survey, visit, units = (asked.pop(name) for name in ("survey", "visit", "units"))
    for name in ("out", "paper", "price_m2"):
        asked.pop(name)
    file = open_survey(survey, must_exist=True)
    rests_on = (survey, visit, asked["by"], tuple(list_changes(file.path).items()))
    found, zones = suggest_asked(file, visit, asked, units, found=_EVIDENCE.get(rests_on))
    if not found.estimated_now:  # which changed the survey
        _EVIDENCE.clear()
        _EVIDENCE[rests_on] = found
    shapes = zones.zones[["zone_id", "action", "geometry"]].to_crs("EPSG:4326")
    shapes = shapes.set_geometry(shapes.geometry.simplify(2e-6))
    return {"zones": json.loads(shapes.to_json(drop_id=True)), "said": fold(tell_plan(zones, units))}


def _parse(words: Sequence[str]) -> dict[str, Any]:
    """Return a command's arguments by its own reading of the words, or what is wrong with them."""
    try:
        with load_command(words[0]).make_context(words[0], list(words[1:])) as context:
            return {name: value for name, value in context.params.items() if name not in {"as_json", "more"}}
    except click.ClickException as error:
        return {"problems": [error.format_message()]}


_NEAR_M = 0.02
"""A corner this near to where it was, or to a neighbour's, is there: the page rounds to a centimetre."""


def correct(  # noqa: PLR0913 - what the page asks
    survey: str, file: str, *, surface_id: str, kind: str, hole: str, rings: Sequence[Any] = (), piece: int = 0
) -> str:
    """Write the ground as a file in which one thing is other, new or out, for the command to read; return its course.

    Parameters
    ----------
    survey, file : str
        The survey, which need not be there yet; the GeoJSON to write.
    surface_id : str
        The surface; ``obstacle 12`` for the obstacle in this row; empty for a new one.
    kind, hole : str
        What it is from now on; ``ignore`` for nothing.
    rings : sequence
        Its outline and then its openings, each a list of longitude and latitude; none when its shape stays.
    piece : int
        Which of its pieces they are.
    """
    import geopandas as gpd
    import pandas as pd
    import shapely

    from geosample.ground import Ground, load_ground, write_ground
    from geosample.survey import open_survey
    from geosample.survey.reading import empty_layer

    there = Path(survey).exists()
    empty = [gpd.GeoDataFrame(empty_layer(layer)).set_crs(4326) for layer in ("surfaces", "obstacles")]
    ground = load_ground(open_survey(survey)) if there else Ground(*empty)
    shape = None
    if rings:
        drawn = shapely.Polygon(rings[0], rings[1:])
        shape = gpd.GeoSeries([drawn], crs=4326).to_crs(ground.crs).iloc[0]
        others = [one for frame in (ground.surfaces, ground.obstacles) for one in frame.geometry]
        beside = [one for one in others if shapely.dwithin(one, shape, _NEAR_M)]
        shape = shapely.snap(shape, shapely.geometrycollections(beside), _NEAR_M)
    layer = "obstacles" if surface_id.startswith("obstacle ") else "surfaces"
    frame = getattr(ground, layer).copy()
    if surface_id:
        own = frame.index == int(surface_id.split()[1]) if layer == "obstacles" else frame["surface_id"] == surface_id
        [chosen] = frame.index[own]
        frame.loc[chosen, ["kind", "hole"]] = [kind, hole or None]
        if shape is not None:
            pieces = list(shapely.get_parts(frame.geometry[chosen]))
            pieces[piece] = shapely.snap(shape, pieces[piece], _NEAR_M)
            frame.loc[[chosen], "geometry"] = gpd.GeoSeries([shapely.multipolygons(pieces)], [chosen], frame.crs)
        if kind == "ignore":
            frame = frame.drop(index=chosen)
    else:
        row = {"surface_id": None, "kind": kind, "hole": hole or None, "name": None, "geometry": shape}
        new = gpd.GeoDataFrame([row], crs=ground.crs)
        frame = new if frame.empty else gpd.GeoDataFrame(pd.concat([frame, new], ignore_index=True))
    write_ground(replace(ground, **{layer: frame}), Path(file))
    return open_survey(survey).course if there else ""


def gather_round(survey: str, visit: str, code: str, units: str, extraction: str, containers: str) -> dict[str, Any]:
    """Return the phones' page of a visit, and what its entries may name.

    ``code`` is the design's, of whichever visit; empty for the visit named, or the newest.

    Raises
    ------
    GeosampleError
        Where the survey has no such design.
    """
    from geosample.design import load_design
    from geosample.errors import GeosampleError, Problem
    from geosample.ground import load_ground
    from geosample.sheets.phone import gather_page, write_phone_page
    from geosample.survey import open_survey

    file = open_survey(survey, must_exist=True)
    if code:
        visits = file.read("visits")
        named = visits.loc[visits["design_code"] == code, "visit"]
        if named.empty:
            raise GeosampleError(Problem(survey, f"no design {code}", "a design of this survey", "open its survey"))
        visit = str(named.iloc[0])
    design = load_design(file, visit or None)
    own = design.visit.bench
    given = gather_page(
        *(design, load_ground(file, design.visit.visit)),
        units="us" if units == "us" else "metric",
        method=extraction or design.visit.method or own.extraction,
        batch=int(containers or own.containers),
    )
    bags = {bag["sample_id"]: bag for bag in (*given["bags"], *given["recounts"])}
    names = ("visit", "design_code", "columns", "plugs")
    return {
        **{name: given[name] for name in names},
        "stages": [stage["key"] for stage in given["stages"]],
        "points": [point["point_id"] for point in given["points"]],
        "bags": bags,
        "page": write_phone_page({**given, "desk": True}),
    }


def read_label(data: bytes) -> list[str]:
    """Return what the codes (ISO/IEC 18004) in a photo say; nothing where there is none, or no photo.

    Parameters
    ----------
    data : bytes
        A JPEG or PNG.
    """
    import numpy as np
    import zxingcpp
    from PIL import Image, ImageOps

    try:
        with Image.open(io.BytesIO(data), formats=("JPEG", "PNG")) as photo:
            if photo.width * photo.height > _MOST_PIXELS:
                return []
            grey = ImageOps.exif_transpose(photo).convert("L")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return []
    grey.thumbnail((_WIDE_PX, _WIDE_PX))
    only = zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.QRCode)
    return [one.text for one in zxingcpp.read_barcodes(np.asarray(grey), formats=only)]


def list_bench(survey: str, visit: str, extraction: str, containers: str) -> dict[str, Any]:
    """Return the visit's blank sheet, which is in bench order, and the columns that insects are counted in.

    Extraction and containers are those of the sheets where they were said, else the design's.
    """
    from geosample.design import load_design
    from geosample.pests import load_pest
    from geosample.sheets.blanks import blank_rows, stage_columns
    from geosample.survey import open_survey

    design = load_design(open_survey(survey, must_exist=True), visit or None)
    profile = load_pest(design.visit.pest)
    own = design.visit.bench
    method = extraction or design.visit.method or own.extraction
    rows = blank_rows(design, profile, method=method, batch=int(containers or own.containers)).astype(object)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        rows = rows.where(rows.notna(), "")
    return {
        "name": f"{design.visit.visit} {design.visit.design_code}",
        "columns": list(rows.columns),
        "rows": [[str(cell) for cell in row] for row in rows.itertuples(index=False)],
        "stages": list(stage_columns(profile)),
    }


def list_partly(counts: Sequence[Sequence[str]]) -> list[str]:
    """Return the bags that have no total so far, from bag and stage of each count that was typed."""
    import pandas as pd

    from geosample.counts import find_partly

    return find_partly(pd.DataFrame([list(one) for one in counts], columns=["sample_id", "stage"]))
