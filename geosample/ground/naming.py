"""What a feature is, and which hole it belongs to.

Its kind: the user's own words, then OpenStreetMap's open tags, then the words of the trade. Its hole: a field, a
folder, a name, the nearest hole; the surfaces' ids are made of it.

References
----------
OpenStreetMap wiki, Key:golf, Key:natural, Key:landuse (open tagging scheme, read as an open standard).
The other words are common practice in the trade, no source.
"""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geosample.errors import GroundError, Problem
from geosample.files.reading import Note
from geosample.ground.features import Feature
from geosample.words import OBSTACLE_KINDS, SURFACE_KINDS, hole_key, hole_number, hole_slug, tidy_hole

FIELDS = ("tags", "other_tags", "all_tags", "hstore")
"""Fields that hold tags, in any mixture of capitals."""

_ARROW = re.compile(r'"((?:[^"\\\\]|\\\\.)*)"\s*=>\s*"((?:[^"\\\\]|\\\\.)*)"')
_EQUALS = re.compile(r"([\w:]+)\s*=\s*([^;,|\n]+)")


def unpack_tags(fields: Mapping[str, str]) -> dict[str, str]:
    """Return the fields with the tags packed into one of them as fields of their own; others go before them.

    Examples
    --------
    >>> unpack_tags({"other_tags": '"golf"=>"green","hole"=>"7"'})
    {'golf': 'green', 'hole': '7'}
    >>> unpack_tags({"tags": '{"golf": "green"}', "ref": "7"}), unpack_tags({"tags": "golf=green;ref=7"})
    ({'golf': 'green', 'ref': '7'}, {'golf': 'green', 'ref': '7'})
    """
    packed = {name: found for name in fields if name.lower() in FIELDS and (found := split_tags(fields[name]))}
    tags = {key: value for found in packed.values() for key, value in found.items()}
    return {**tags, **{name: value for name, value in fields.items() if name not in packed}}


def split_tags(text: str) -> dict[str, str]:
    """Return the tags in a text; none where it holds no pairs."""
    if text.lstrip().startswith(("{", "[")):
        try:
            return flatten_tags(json.loads(text))
        except (json.JSONDecodeError, RecursionError):
            pass
    return dict(_ARROW.findall(text)) or {key: value.strip() for key, value in _EQUALS.findall(text)}


def flatten_tags(value: Any) -> dict[str, str]:
    """Return tags given as a mapping, or as a list of mappings, of pairs or of texts such as ``golf=green``.

    Examples
    --------
    >>> flatten_tags([{"k": "golf", "v": "green"}, ["ref", 7], "natural=sand"])
    {'golf': 'green', 'ref': '7', 'natural': 'sand'}
    """
    if isinstance(value, Mapping):
        if set(value) in ({"k", "v"}, {"key", "value"}):
            key, found = value.values()
            return {str(key): str(found)}
        return {str(key): str(item) for key, item in value.items() if isinstance(item, (str, int, float))}
    if isinstance(value, str):
        return split_tags(value) if not value.lstrip().startswith(("{", "[")) else {}
    if isinstance(value, list):
        if _is_pair(value):
            return {str(value[0]): str(value[1])}
        return {key: found for item in value for key, found in flatten_tags(item).items()}
    return {}


def _is_pair(value: list[Any]) -> bool:
    plain = len(value) == 2 and all(isinstance(part, (str, int, float)) for part in value)  # noqa: PLR2004
    return plain and "=" not in str(value[0])


MOST_HOLES = 36
"""A number above this in a name counts features, not holes (no source)."""

_TOKENS = re.compile(r"[^\W\d_]+|\d+")
_HOLE_WORDS = frozenset({"hole", "h", "no", "nr", "number", "st", "nd", "rd", "th", "the", "of", "on", "for", "par"})
_SIDES = frozenset(
    {"left", "right", "front", "back", "upper", "lower", "middle", "forward", "rear", "main", "new", "old"}
)
_TEE_MARKERS = frozenset(
    {"black", "blue", "white", "red", "gold", "silver", "yellow", "ladies", "mens", "men", "senior", "championship"}
)
_PRACTICE = frozenset({"practice", "practise", "chipping", "nursery", "range"})
_CODES = {
    "green": "g gr grn gn",
    "fairway": "f fw fwy fy",
    "tee": "t tb",
    "collar": "col coll",
    "approach": "app appr",
    "rough": "rgh",
    "bunker": "bk bkr bnk bunk",
    "water": "wtr",
}
CODES = {code: kind for kind, codes in _CODES.items() for code in codes.split()}
"""Short codes that stand for a kind where a number stands beside them (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class NameParts:
    """What a name is made of.

    Parameters
    ----------
    words : tuple of str
        What may tell the kind, the likeliest first: the words without numbers, sides and markers.
    hole : str or None
        The only number in it, where that may be a hole.
    code : str or None
        The kind a short code beside a number stands for.
    """

    words: tuple[str, ...]
    hole: str | None
    code: str | None


def split_name(name: str) -> NameParts:
    """Return a name's parts.

    Examples
    --------
    >>> split_name("Hole7_Green")
    NameParts(words=('green', 'green', 'green'), hole='7', code=None)
    >>> split_name("GR07")
    NameParts(words=('gr', 'gr', 'gr'), hole='7', code='green')
    >>> split_name("Practice Green 2").hole is None
    True
    """
    tokens = [token.lower() for token in _TOKENS.findall(name.replace("_", " "))]
    numbers = [token.lstrip("0") or "0" for token in tokens if token.isascii() and token.isdecimal()]
    words = [token for token in tokens if not token.isdecimal() and token not in _HOLE_WORDS]
    bare = [word for word in words if word not in _SIDES]
    tee = [word for word in bare if word not in _TEE_MARKERS]
    shown = (" ".join(words), " ".join(bare), " ".join(tee) if {"tee", "tees", "teebox"} & set(tee) else " ".join(bare))
    hole = numbers[0] if len(numbers) == 1 and 0 < (hole_number(numbers[0]) or 0) <= MOST_HOLES else None
    code = CODES.get(bare[0]) if hole and len(bare) == 1 else None
    return NameParts(shown, None if _PRACTICE & set(words) else hole, code)


IGNORE = "ignore"
ISLAND = "island"
LANDMARK = "landmark"
KINDS = (*SURFACE_KINDS, *OBSTACLE_KINDS, ISLAND, LANDMARK, IGNORE)
"""What a label may be mapped to."""

USER = "kinds"
UNLABELLED = "unlabelled"
"""The label of a feature that says nothing about itself."""

_WORDS = {
    "green": "green, greens, putting green, practice green, practise green, putting surface, puttinggreen, "
    "chipping green, nursery green, grn",
    "collar": "collar, collars, fringe, green collar, apron",
    "tee": "tee, tees, teebox, teeboxes, tee box, tee boxes, teeing ground, tee complex",
    "approach": "approach, approaches",
    "fairway": "fairway, fairways, fwy, fway, fw",
    "rough": "rough, roughs, semi rough, first cut, intermediate rough, primary rough, semirough",
    "water": "water, pond, lake, stream, creek, river, ditch, water hazard, lateral water hazard, "
    "frontal water hazard, water body, waterbody, penalty area, reservoir, basin, canal, wetland, drain",
    "bunker": "bunker, bunkers, sand, sand trap, sandtrap, trap, greenside bunker, fairway bunker, waste bunker",
    "trees": "trees, tree, wood, woods, woodland, forest, tree line, treeline, tree row, shrub, shrubs, hedge, scrub",
    "path": "path, paths, cart path, cartpath, asphalt, pavement, paved, road, track, footway, service, bridge, "
    "parking, car park, parking lot, cycleway, residential, pedestrian, unclassified, steps",
    "building": "building, buildings, clubhouse, club house, shed, maintenance building, pump house, house",
    LANDMARK: "cup, pin, flag, flagstick, hole, hole line, centerline, centreline, sprinkler, sprinkler head, "
    "course, course boundary, golf course, marker, landmark",
}
WORDS = {word.strip(): kind for kind, words in _WORDS.items() for word in words.split(",")}
"""Words of the trade, in the plain form ``plain_label`` gives, and the kind each means."""

_TAGS: dict[str, frozenset[str]] = {
    "golf": frozenset(WORDS),
    "natural": frozenset({"water", "sand", "wood", "tree", "tree row", "scrub", "wetland"}),
    "landuse": frozenset({"forest", "reservoir", "basin"}),
    "waterway": frozenset({"stream", "river", "ditch", "canal", "drain"}),
    "highway": frozenset(
        {"path", "track", "service", "footway", "cycleway", "residential", "pedestrian", "unclassified", "steps"}
    ),
    "amenity": frozenset({"parking"}),
    "leisure": frozenset({"golf course"}),
}
_KIND_FIELDS = (
    "kind",
    "type",
    "class",
    "category",
    "feature",
    "feature type",
    "featuretype",
    "surface",
    "surface type",
    "surfacetype",
    "surface ty",  # column names in DBF tables end after ten letters
    "surfacetyp",
    "feature ty",
    "featuretyp",
    "surftype",
    "turf type",
    "turf",
    "element",
    "code",
)
_YES = frozenset({"yes", "true", "1", "1.0", "y", "x"})
_LAST_FIELDS = ("layer", "description", "desc", "label", "title")
_ISLAND_ENDINGS = re.compile(r"(.+?) (hole|island|cutout|cut out|void)")
# A label may hold commas and equals signs itself; the kind after the last one may not.
_PAIR = re.compile(r"[\s,;]*(.+?)\s*=\s*([^=,;]*?)\s*(?=[,;]|$)")
_HOLE_PARTS = re.compile(r"\b(hole|no|nr|number|#)\b\.?|\d+|#")


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a feature was taken for.

    Parameters
    ----------
    kind : str or None
        One of ``KINDS``; None when no word was known.
    label : str
        The word it was found by, or the one the user can map.
    island_of : str or None
        The kind it is an island in, where its label says so.
    by : str
        The field it was found by, ``name`` and ``folder`` included, or ``kinds`` for the user's own word.
    """

    kind: str | None
    label: str
    island_of: str | None = None
    by: str = ""


def plain_label(text: str) -> str:
    """Return a label in plain form: small letters, single spaces for hyphens and underscores.

    Examples
    --------
    >>> plain_label(" Tee_Box ")
    'tee box'
    """
    return " ".join(re.sub(r"[\s_\-/.]+", " ", text).lower().split())


def parse_kinds(texts: Iterable[str]) -> dict[str, str]:
    """Return the user's words as label -> kind, labels as the user writes them.

    Parameters
    ----------
    texts : iterable of str
        Such as ``"teebox=tee, OB=ignore"``; a label may be ``field:value``.

    Raises
    ------
    GroundError
        For a pair without ``=`` or a kind that is not one; all of them at once.

    Examples
    --------
    >>> parse_kinds(["Tee Box=tee,OB=ignore"])
    {'Tee Box': 'tee', 'OB': 'ignore'}
    """
    texts = list(texts)
    left = [rest for text in texts if (rest := _PAIR.sub("", text).strip(" ,;"))]
    if left:
        raise GroundError(
            [Problem(f"kinds={rest}", "no '='", "LABEL=KIND, LABEL=KIND", "say what it is") for rest in left]
        )
    return check_kinds({label: kind for text in texts for label, kind in _PAIR.findall(text)})


def check_kinds(kinds: Mapping[str, str]) -> dict[str, str]:
    """Return a mapping of labels to kinds, after checking the kinds.

    Raises
    ------
    GroundError
        When a kind is not one of ``KINDS``.
    """
    wrong = [
        Problem(f"kinds={label}={kind}", f"the kind '{kind}'", f"one of: {', '.join(KINDS)}", "write LABEL=KIND")
        for label, kind in kinds.items()
        if kind.lower() not in KINDS
    ]
    if wrong:
        raise GroundError(wrong)
    return {label: kind.lower() for label, kind in kinds.items()}


def find_kind(feature: Feature, kinds: Mapping[str, str], kind_from: tuple[str, ...] = ()) -> Meaning:
    """Return what a feature is.

    Parameters
    ----------
    feature : Feature
        As read.
    kinds : mapping of str to str
        The user's labels in plain form.
    kind_from : tuple of str
        Fields to look in, and nowhere else, in this order; ``name``, ``folder`` and ``layer`` are allowed.

    Examples
    --------
    >>> import shapely
    >>> feature = Feature(shapely.Point(0, 0), {"golf": "lateral_water_hazard"}, (), None, "a.geojson, feature 1")
    >>> find_kind(feature, {}).kind
    'water'
    """
    said = _said(feature, kind_from)
    mapped = _mapped(feature, kinds, said)
    if mapped is not None:
        return mapped
    for field, value in said:
        meaning = _look_up(field, value)
        if meaning is not None:
            return replace(meaning, by=field)
    return Meaning(None, _best_label(feature, said))


def _mapped(feature: Feature, kinds: Mapping[str, str], said: list[tuple[str, str]]) -> Meaning | None:
    if not kinds:
        return None
    labels = [value for _, value in said]
    labels += [f"{field}:{value}" for field, value in feature.fields.items()]
    labels += [*reversed(feature.folders)]
    if not labels:
        labels = [UNLABELLED]
    for label in labels:
        kind = kinds.get(plain_label(label))
        if kind is not None:
            return Meaning(kind, label, by=USER)
    return None


def _said(feature: Feature, kind_from: tuple[str, ...]) -> list[tuple[str, str]]:
    """Return (field, value) for whatever may tell the kind, the surest first."""
    fields = {plain_label(field): value for field, value in feature.fields.items()}
    if kind_from:
        return list(_asked(feature, fields, kind_from))
    return [
        *_given(fields, (*_TAGS, "building", *_KIND_FIELDS)),
        *([("name", feature.name)] if feature.name else []),
        *_given(fields, (*_LAST_FIELDS, "name")),
        *(("a field of that name", field) for field, value in fields.items() if _says_yes(field, value)),
        *(("folder", folder) for folder in reversed(feature.folders)),
    ]


def _given(fields: Mapping[str, str], names: Iterable[str]) -> list[tuple[str, str]]:
    return [(name, fields[name]) for name in names if name in fields]


def _says_yes(field: str, value: str) -> bool:
    return value.lower() in _YES and WORDS.get(field, LANDMARK) != LANDMARK


def _asked(feature: Feature, fields: Mapping[str, str], kind_from: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    for asked in map(plain_label, kind_from):
        if asked in fields:
            yield asked, fields[asked]
        elif asked == "name" and feature.name:
            yield asked, feature.name
        elif asked in {"folder", "layer"}:
            yield from ((asked, folder) for folder in reversed(feature.folders))


def _look_up(field: str, value: str) -> Meaning | None:
    word = plain_label(value)
    if field in _TAGS:
        return Meaning(WORDS[word], value) if word in _TAGS[field] else None
    if field == "kind" and word in {"other", ISLAND}:  # as it stands in our own files
        return Meaning(word, value)
    if field == "building":
        return Meaning("building", value) if word not in {"no", "false", "0"} else None
    island = _ISLAND_ENDINGS.fullmatch(word)
    if island and island.group(1) in WORDS and word not in WORDS:
        return Meaning(ISLAND, value, WORDS[island.group(1)])
    bare = " ".join(_HOLE_PARTS.sub(" ", word).split())
    parts = split_name(value)
    kind = next((WORDS[text] for text in (word, bare, *parts.words) if text in WORDS), parts.code)
    return Meaning(kind, value) if kind else None


def guess_kind(label: str) -> str:
    """Return the one kind a label speaks of, to be offered to the user; ``ignore`` for none or several.

    Examples
    --------
    >>> guess_kind("tyoe:green"), guess_kind("Bunker 3 left"), guess_kind("OB"), guess_kind("green bunker")
    ('green', 'bunker', 'ignore', 'ignore')
    """
    word = plain_label(label.partition(":")[2] or label)
    kinds = {WORDS[word]} if word in WORDS else {WORDS[token] for token in word.split() if token in WORDS}
    real = kinds - {LANDMARK}
    return real.pop() if len(real) == 1 else IGNORE


def _best_label(feature: Feature, said: list[tuple[str, str]]) -> str:
    """Return the word to show for what is not known: one the user can map, as short as will do."""
    for field, value in feature.fields.items():
        if plain_label(value) in WORDS and plain_label(field) not in {name for name, _ in said}:
            return f"{field}:{value}"
    for field, value in said:
        if field != "folder":
            return value
    for field, value in feature.fields.items():
        return f"{field}:{value}"
    return feature.folders[-1] if feature.folders else UNLABELLED


_FIELDS = (
    "hole",
    "hole no",
    "hole nr",
    "hole num",
    "hole number",
    "holeno",
    "holenum",
    "holenumber",
    "hole id",
    "golf hole",
    "hole numbe",  # column names in DBF tables end after ten letters
    "golfhole",
    "hole ref",
)
_FOLDER = re.compile(r"(?:hole|h|no|nr|number|#)?\s*\.?\s*#?\s*0*(\d{1,3})(?:st|nd|rd|th)?(?: hole)?")
_NAME = re.compile(r"\b(?:hole|no|nr|number)\s*#?\s*0*(\d{1,3})\b|#\s*0*(\d{1,3})\b")
_SHORT_NAME = re.compile(r"0*(\d{1,2}) [a-z ]+|[a-z ]+ 0*(\d{1,2})")


def find_holes(features: Sequence[Feature], hole_from: tuple[str, ...] = ()) -> list[str | None]:
    """Return the hole of each feature, None where the file does not say.

    Parameters
    ----------
    features : sequence of Feature
        Of one file.
    hole_from : tuple of str
        Fields to look in, and nowhere else; ``name``, ``folder`` and ``layer`` are allowed.

    Notes
    -----
    Where one number stands in folders under two courses of the file (Red 3 and Blue 3), the course's folder
    name goes before it.
    """
    found = [_find_hole(feature, hole_from) for feature in features]
    parents: dict[str, set[str]] = defaultdict(set)
    for feature, (hole, depth) in zip(features, found, strict=True):
        if hole is not None and depth:
            parents[hole].add(feature.folders[depth - 1])
    return [
        f"{feature.folders[depth - 1]} {hole}" if hole is not None and depth and len(parents[hole]) > 1 else hole
        for feature, (hole, depth) in zip(features, found, strict=True)
    ]


def _find_hole(feature: Feature, hole_from: tuple[str, ...]) -> tuple[str | None, int]:
    """Return the hole and how deep its folder lies (0 when it came from elsewhere, or from the outermost)."""
    fields = {plain_label(field): value for field, value in feature.fields.items()}
    asked = tuple(map(plain_label, hole_from))
    for field in asked or _FIELDS:
        if field in fields:
            return tidy_hole(fields[field]), 0
    if not asked and "golf" in fields and "ref" in fields:
        return tidy_hole(fields["ref"]), 0
    if not asked or {"folder", "layer"} & set(asked):
        for depth in range(len(feature.folders) - 1, -1, -1):
            match = _FOLDER.fullmatch(plain_label(feature.folders[depth]))
            if match:
                return str(int(match.group(1))), depth
    return (_in_name(feature, fields) if not asked or "name" in asked else None), 0


def _in_name(feature: Feature, fields: Mapping[str, str]) -> str | None:
    # in the folder of a kind of turf a bare number is a hole
    on_turf = WORDS.get(plain_label(feature.folders[-1] if feature.folders else "")) in SURFACE_KINDS
    for text in filter(None, (feature.name, fields.get("name"))):
        parts, match = split_name(text), _NAME.search(plain_label(text))
        if match:
            return str(int(next(group for group in match.groups() if group)))
        if parts.hole and (parts.code or WORDS.get(parts.words[-1]) or _SHORT_NAME.fullmatch(plain_label(text))):
            return parts.hole
        if parts.hole and not parts.words[0] and on_turf:
            return parts.hole
    for folder in reversed(feature.folders):  # "export 3" is no hole, "Hole 3 par 4" is
        match = _NAME.search(plain_label(folder))
        if match:
            return str(int(next(group for group in match.groups() if group)))
    return None


NEAR_LINE_M = 60.0
"""A surface further than this from every hole's line takes the hole of the nearest thing (no source)."""
_END_M = 10.0  # a hole's line ends on its green, or this near to it (no source)
_TOUCH_M = 1.0  # a line this near to a surface runs through it (no source)


def lend_holes(surfaces: gpd.GeoDataFrame, landmarks: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the surfaces with a hole lent to those that had none, and notes of it.

    Parameters
    ----------
    surfaces : GeoDataFrame
        With a ``hole``, None where unknown; as they are when no hole is known at all.
    landmarks : GeoDataFrame
        Hole lines, pins and cups whose hole is known count as well.

    Notes
    -----
    Where holes' lines are drawn, from tee to green as OpenStreetMap has it: of the lines that touch a surface the one
    with most of its length inside, for tee and green first those that begin or end there; where none touches, the
    nearest. Without a line within 60 m it is the hole of the nearest thing to a point inside the surface.
    """
    ground = surfaces[["hole", "geometry"]]
    known = pd.concat([ground, landmarks[["hole", "geometry"]]]) if len(landmarks) else ground
    known = known[known["hole"].notna()]
    nameless = surfaces["hole"].isna().to_numpy()
    if not nameless.any():
        return surfaces, []
    if known.empty:
        return surfaces, [Note("no_hole_known", "all surfaces", int(nameless.sum()))]
    holes = surfaces["hole"].to_numpy(dtype=object).copy()
    holes[nameless] = _nearest_holes(surfaces.geometry.to_numpy()[nameless], known)
    lines = known[shapely.get_dimensions(known.geometry.to_numpy()) == 1]
    by_line = np.zeros(len(surfaces), dtype=bool)
    for i in np.flatnonzero(nameless):
        hole = _hole_by_line(surfaces.geometry.iloc[i], surfaces["kind"].iloc[i], lines) if len(lines) else None
        by_line[i] = hole is not None
        holes[i] = holes[i] if hole is None else hole
    notes = [
        Note(what, str(group["source"].iloc[0]), len(group), float(group.area.sum()), {"kind": kind})
        for what, lent in (("hole_by_line", nameless & by_line), ("hole_lent", nameless & ~by_line))
        for kind, group in surfaces[lent].groupby("kind", sort=True)
    ]
    return surfaces.assign(hole=pd.Series(holes, surfaces.index, dtype=object)), notes


def _nearest_holes(shapes: np.ndarray, known: gpd.GeoDataFrame) -> np.ndarray:
    tree = shapely.STRtree(known.geometry.to_numpy())
    places = shapely.point_on_surface(shapes)
    nearest = tree.nearest(np.where(shapely.is_empty(places), shapes, places))
    return np.asarray(known["hole"].to_numpy()[nearest])


def _hole_by_line(shape: shapely.Geometry, kind: str, lines: gpd.GeoDataFrame) -> str | None:
    """Return the hole whose line tells most of a surface; None where none is near."""
    paths = lines.geometry.to_numpy()
    away_m = shapely.distance(paths, shape)
    if away_m.min() > NEAR_LINE_M:
        return None
    within_m = shapely.length(shapely.intersection(paths, shapely.buffer(shape, _TOUCH_M)))
    end = {"tee": 0, "green": -1}.get(kind)
    ends_here = np.zeros(len(paths), dtype=bool)
    if end is not None:
        parts = [shapely.get_parts(path) for path in paths]
        ends = [shapely.get_point(one[end], end) for one in parts]
        ends_here = shapely.distance(ends, shape) <= _END_M
    # the last key goes first: a line that ends on the green, then the longest inside, then the nearest
    order = np.lexsort((away_m, -within_m, ~ends_here))
    return str(lines["hole"].iloc[order[0]])


def miss_holes(surfaces: gpd.GeoDataFrame) -> list[Note]:
    """Return a note for holes that seem to be missing, or to lack a green where others have one.

    Examples
    --------
    >>> frame = gpd.GeoDataFrame({"hole": ["1", "3"], "kind": ["green", "tee"]}, geometry=[shapely.Point(0, 0)] * 2)
    >>> [(note.what, note.where) for note in miss_holes(frame)]
    [('hole_missing', 'hole 2'), ('hole_without_green', 'hole 3')]
    """
    numbers = _numbers(surfaces["hole"])
    with_green = _numbers(surfaces.loc[surfaces["kind"] == "green", "hole"])
    last = max(numbers, default=0)
    missing = sorted(set(range(1, last + 1)) - numbers) if last <= MOST_HOLES else []
    lacking = sorted(numbers - with_green) if with_green else []
    rows = (("hole_missing", missing), ("hole_without_green", lacking))
    return [
        Note(what, f"hole{'s' * (len(holes) > 1)} {', '.join(map(str, holes))}", len(holes))
        for what, holes in rows
        if holes
    ]


def _numbers(holes: pd.Series) -> set[int]:
    return {number for hole in holes if (number := hole_number(hole)) is not None}


def give_ids(surfaces: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the surfaces in the order of the work with ids such as ``07-fairway-1``, the largest being 1.

    Examples
    --------
    >>> from shapely import box
    >>> frame = gpd.GeoDataFrame({"hole": ["7", "7"], "kind": "tee"}, geometry=[box(0, 0, 1, 1), box(5, 5, 9, 9)])
    >>> give_ids(frame)["surface_id"].tolist()
    ['07-tee-1', '07-tee-2']
    """
    places = shapely.get_coordinates(shapely.centroid(surfaces.geometry.to_numpy()))
    holes = [hole_key(hole) for hole in surfaces["hole"]]
    sortable = surfaces.assign(
        _hole=pd.Series([number for number, _ in holes], surfaces.index),
        _text=pd.Series([text for _, text in holes], surfaces.index),
        _kind=[SURFACE_KINDS.index(kind) for kind in surfaces["kind"]],
        _small=-surfaces.area.round(3),
        _south=-places[:, 1],
        _east=places[:, 0],
    )
    keys = ["_hole", "_text", "_kind", "_small", "_south", "_east"]
    ordered = sortable.sort_values(keys, kind="stable").drop(columns=keys).reset_index(drop=True)
    stems = [
        f"{slug}-{kind}" if (slug := hole_slug(hole)) else kind
        for hole, kind in zip(ordered["hole"], ordered["kind"], strict=True)
    ]
    numbers = pd.Series(stems).groupby(stems).cumcount() + 1
    return ordered.assign(surface_id=[f"{stem}-{number}" for stem, number in zip(stems, numbers, strict=True)])
