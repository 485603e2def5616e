"""OpenStreetMap extracts as files: whether they are whole, and which lines of theirs were cut through.

The common driver draws a way of what it finds: places that are missing from a cut extract are left out of its outline,
and a way or area of which too much is missing is dropped, all without a word.

References
----------
OpenStreetMap wiki, OSM XML and PBF Format (fileformat.proto, osmformat.proto): a file of blocks, each behind four bytes
with the length of its header, which holds the block's kind (field 1) and length (field 3); a block's table of texts
(field 1) and groups (field 2), of nodes (1, or dense in 2), ways (3) and relations (4); ids in steps, zigzag-coded.
"""

from __future__ import annotations

import io
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import numpy as np

from geosample.errors import GroundError, Problem

if TYPE_CHECKING:
    from pathlib import Path

_WAY = 1  # a member's type in a relation
_MOST_BYTES = 32 * 1024 * 1024  # of a block unpacked (the format's own limit)
Tags = dict[str, str]


@dataclass(frozen=True, slots=True)
class Cut:
    """A way or area of the course of which a part is not in the extract.

    Parameters
    ----------
    name : str
        Such as ``way 101``.
    tags : dict of str to str
        Its own.
    missing, of : int
        How many of its places (a way's) or lines (an area's) are not there, and of how many.
    """

    name: str
    tags: Tags
    missing: int
    of: int


@dataclass(frozen=True, slots=True)
class _Parts:
    """What an extract is made of; ``ways`` as they stand in it, for ``read`` to tell their tags and places."""

    read: Callable[[Any], tuple[Tags, list[int]]]
    nodes: list[np.ndarray] = field(default_factory=list)
    ways: dict[int, Any] = field(default_factory=dict)
    golf: set[int] = field(default_factory=set)
    relations: dict[int, tuple[Tags, list[int]]] = field(default_factory=dict)


def check_blocks(path: Path, data: bytes) -> None:
    """Refuse an extract in PBF whose blocks are not all there: the driver reads what it can of it.

    Raises
    ------
    GroundError
        When a block is cut short, or the first one is no header.
    """
    at, kinds = 0, []
    for kind, start, size in _list_blocks(data):
        kinds.append(kind)
        at = start + size
    if at != len(data) or kinds[0] != b"OSMHeader":
        found = "a file that can't be read (its blocks are not all there)"
        raise GroundError(Problem(str(path), found, "a whole file", "export or copy it again"))


def find_cut(data: bytes, near: Iterable[str], *, packed: bool) -> list[Cut]:
    """Return what of the course the extract was cut through.

    Parameters
    ----------
    data : bytes
        The extract, of which the driver has read what it could.
    near : iterable of str
        What lies on the course besides what is tagged as golf, such as ``way 12``.
    packed : bool
        Whether it is PBF; else XML.
    """
    try:
        parts = _read_packed_parts(data) if packed else _read_xml_parts(data)
        return list(_list_cut(parts, set(near)))
    # bent: a number stands where bytes should, or the other way round, and the driver minded less
    except (ValueError, TypeError, AttributeError, IndexError, KeyError, OverflowError, zlib.error):
        return []


def _list_cut(parts: _Parts, near: set[str]) -> Iterator[Cut]:
    nodes = np.unique(np.concatenate([*parts.nodes, np.empty(0, np.int64)]))

    def miss(way: int) -> tuple[Tags, int, int]:
        tags, refs = parts.read(parts.ways[way])
        own = np.unique(np.array(refs, np.int64))
        return tags, int((~np.isin(own, nodes)).sum()), len(own)

    for way in sorted(parts.golf | {way for way in parts.ways if f"way {way}" in near}):
        tags, missing, of = miss(way)
        if missing:
            yield Cut(f"way {way}", tags, missing, of)
    for relation, (tags, members) in parts.relations.items():
        if "golf" in tags or f"relation {relation}" in near:
            missing = sum(way not in parts.ways or miss(way)[1] > 0 for way in members)
            if missing:
                yield Cut(f"relation {relation}", tags, missing, len(members))


def _read_xml_parts(data: bytes) -> _Parts:
    parts, ids = _Parts(lambda way: way), []
    steps = ET.iterparse(io.BytesIO(data), events=("start", "end"))
    _, root = next(steps)
    for event, element in steps:
        if event == "start" or element.tag not in {"node", "way", "relation"}:
            continue
        own = int(element.get("id", ""))
        tags = {tag.get("k", ""): tag.get("v", "") for tag in element.iter("tag")}
        if element.tag == "node":
            ids.append(own)
        elif element.tag == "way":
            parts.ways[own] = tags, [int(ref.get("ref", "")) for ref in element.iter("nd")]
            parts.golf.update({own} if "golf" in tags else ())
        else:
            members = [int(one.get("ref", "")) for one in element.iter("member") if one.get("type") == "way"]
            parts.relations[own] = tags, members
        root.clear()  # a large extract is not to stand in memory as elements
    parts.nodes.append(np.array(ids, np.int64))
    return parts


def _read_packed_parts(data: bytes) -> _Parts:
    parts = _Parts(_read_way)
    for kind, start, size in _list_blocks(data):
        if kind != b"OSMData":
            continue
        blob = dict(_list_fields(data[start : start + size]))
        block = blob[1] if 1 in blob else zlib.decompressobj().decompress(blob[3], _MOST_BYTES)
        fields = list(_list_fields(block))
        texts = [text for number, table in fields if number == 1 for _, text in _list_fields(table)]
        golf = {place for place, text in enumerate(texts) if text == b"golf"}
        for group in (value for number, value in fields if number == 2):  # noqa: PLR2004 - as the layout has them
            _read_group(parts, group, texts, golf)
    return parts


def _read_group(parts: _Parts, group: bytes, texts: list[bytes], golf: set[int]) -> None:
    for number, value in _list_fields(group):
        if number == 1:
            parts.nodes.append(_unzigzag(np.array([dict(_list_fields(value))[1]], np.uint64)))
        elif number == 2:  # noqa: PLR2004 - dense nodes
            parts.nodes.append(np.cumsum(_unzigzag(_unpack(dict(_list_fields(value))[1]))))
        elif number == 3:  # noqa: PLR2004 - a way
            way, _ = _read_number(value, 1)  # its number stands first
            parts.ways[way] = value, texts
            if golf and golf.intersection(_unpack(dict(_list_fields(value)).get(2, b"")).tolist()):
                parts.golf.add(way)
        elif number == 4:  # noqa: PLR2004 - a relation
            own = dict(_list_fields(value))
            kinds = _unpack(own.get(10, b""))
            members = np.cumsum(_unzigzag(_unpack(own.get(9, b""))))
            parts.relations[own[1]] = _read_tags(own, texts), members[kinds == _WAY].tolist()


def _read_way(way: tuple[bytes, list[bytes]]) -> tuple[Tags, list[int]]:
    own = dict(_list_fields(way[0]))
    return _read_tags(own, way[1]), np.cumsum(_unzigzag(_unpack(own.get(8, b"")))).tolist()


def _read_tags(own: dict[int, Any], texts: list[bytes]) -> Tags:
    keys, values = (_unpack(own.get(number, b"")).tolist() for number in (2, 3))
    return {texts[key].decode(): texts[value].decode() for key, value in zip(keys, values, strict=True)}


def _list_blocks(data: bytes) -> Iterator[tuple[bytes | int | None, int, int]]:
    """Yield each block's kind, where its data begins, and how long it says it is."""
    at = 0
    while at < len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        fields = dict(_list_fields(data[at + 4 : at + 4 + length]))
        size = fields.get(3)
        at += 4 + length
        yield fields.get(1), at, size if isinstance(size, int) else len(data)
        at += size if isinstance(size, int) else len(data)


def _list_fields(data: bytes) -> Iterator[tuple[int, Any]]:
    """Yield the fields of a protocol-buffers message, bytes or numbers; those before the break of a broken one."""
    at = 0
    while at < len(data):
        key, at = _read_number(data, at)
        value, at = _read_number(data, at)
        if key % 8 == 2:  # noqa: PLR2004 - bytes behind their length; a plain number is 0
            yield key // 8, data[at : at + value]
            at += value
        else:
            yield key // 8, value


def _read_number(data: bytes, at: int) -> tuple[int, int]:
    """Return a number of seven bits a byte, the lowest first, and where the next thing stands."""
    number = 0
    for place, byte in enumerate(data[at : at + 10]):
        number |= (byte & 0x7F) << 7 * place
        if byte < 0x80:  # noqa: PLR2004 - its last byte
            return number, at + place + 1
    return number, len(data) + 1


def _unpack(data: bytes) -> np.ndarray:
    """Return the numbers that stand one behind the other.

    Examples
    --------
    >>> _unpack(bytes([3, 0x8E, 2, 0x9E, 0xA7, 5])).tolist()
    [3, 270, 86942]
    """
    raw = np.frombuffer(data, np.uint8)
    ends = np.flatnonzero(raw < 0x80)  # noqa: PLR2004 - a number's last byte
    if not len(ends):
        return np.empty(0, np.uint64)
    starts = np.r_[0, ends[:-1] + 1]
    raw = raw[: ends[-1] + 1]
    place = np.arange(len(raw)) - np.repeat(starts, ends - starts + 1)
    return np.add.reduceat((raw & 0x7F).astype(np.uint64) << (7 * place).astype(np.uint64), starts)


def _unzigzag(coded: np.ndarray) -> np.ndarray:
    return np.asarray((coded >> np.uint64(1)).astype(np.int64) ^ -(coded & np.uint64(1)).astype(np.int64))
