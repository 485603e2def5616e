"""The tags of OpenStreetMap exports, in the many forms in which they are packed into one field."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

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
