"""Which hole a feature belongs to: a field, a folder, a name, and last of all the nearest hole."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence

from geosample.ground.features import Feature
from geosample.ground.kinds import WORDS, plain_label
from geosample.ground.naming import split_name
from geosample.holes import tidy_hole
from geosample.words import SURFACE_KINDS

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
    for text in filter(None, (feature.name, fields.get("name"))):
        parts, match = split_name(text), _NAME.search(plain_label(text))
        if match:
            return str(int(next(group for group in match.groups() if group)))
        if parts.hole and (parts.code or WORDS.get(parts.words[-1]) or _SHORT_NAME.fullmatch(plain_label(text))):
            return parts.hole
        if parts.hole and not parts.words[0] and _tells_kind(feature.folders):
            return parts.hole
    for folder in reversed(feature.folders):  # "export 3" is no hole, "Hole 3 par 4" is
        match = _NAME.search(plain_label(folder))
        if match:
            return str(int(next(group for group in match.groups() if group)))
    return None


def _tells_kind(folders: Sequence[str]) -> bool:
    """Return whether the innermost folder is that of a kind of turf, in which a bare number is a hole."""
    return bool(folders) and WORDS.get(plain_label(folders[-1])) in SURFACE_KINDS
