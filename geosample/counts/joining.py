"""Rows joined to the plan: by label with forgiveness, else by position one to one; never a guess between two."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import min_weight_full_bipartite_matching
from scipy.spatial import KDTree

from geosample.counts.meaning import plain_heading
from geosample.counts.rows import MOST_MOVED_M, Bag, Row
from geosample.files.reading import Log
from geosample.words import METHOD_LETTERS, RECOUNT_MARK, make_sample_id

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geosample.design import Design


_TOKENS = re.compile(r"\d+|[^\W\d_]+")
_PREFIX = re.compile(r"^\s*(?:point|pt|sample|bag|plug|no)\b[\s.:#]*", re.IGNORECASE)
_LOOKALIKES = str.maketrans("OIL", "011")
_METHOD_OF = {letter: method for method, letter in METHOD_LETTERS.items()}


@dataclass(frozen=True, slots=True)
class Label:
    """A label found in the design.

    Parameters
    ----------
    point_id : str
        The design's own spelling.
    method : str or None
        Where the label names its bag's method.
    recount : bool
        Whether it is the label of a blind second count.
    forgiven : str
        What was overlooked: ``marks`` (case, dashes, zeros), ``lookalikes`` (letters for digits), or nothing.
    written : str
        What stood there, where something was.
    """

    point_id: str
    method: str | None = None
    recount: bool = False
    forgiven: str = ""
    written: str = ""


class LabelBook:
    """The design's labels, indexed by how strictly they are read.

    Parameters
    ----------
    point_ids : iterable of str
        Unique in the visit.

    Examples
    --------
    >>> book = LabelBook(["07F-03", "07F-13"])
    >>> book.find("7f 3")
    Label(point_id='07F-03', method=None, recount=False, forgiven='marks', written='7f 3')
    >>> book.find("07F-O3-B").method
    'brine'
    >>> book.find("08F-03") is None
    True
    """

    def __init__(self, point_ids: Iterable[str]) -> None:
        self.exact = {str(point_id): str(point_id) for point_id in point_ids}
        self.soft = _index(self.exact, soft_key)
        self.alike = _index(self.exact, alike_key)

    def find(self, text: str) -> Label | None:
        """Return the point, and the bag's method where the label names it; None when no single point fits."""
        plain = unicodedata.normalize("NFKC", text).strip()
        return self._find_point(plain) or self._find_bag(plain)

    def suggest(self, text: str) -> list[str]:
        """Return up to three of the design's labels that look like a text."""
        return get_close_matches(text.strip().upper(), list(self.exact), n=3, cutoff=0.6)

    def _find_point(self, text: str) -> Label | None:
        if text in self.exact:
            return Label(text)
        looks = ((self.soft, soft_key, "marks"), (self.alike, alike_key, "lookalikes"))
        for index, key, why in looks:
            found = index.get(key(text))
            if found and len(found) == 1:
                return Label(found[0], forgiven=why, written=text)
        return None

    def _find_bag(self, text: str) -> Label | None:
        tail = re.search(r"[\W_]*([A-Za-z])(?:[\W_]*([A-Za-z]))?\s*$", text)
        if tail is None:
            return None
        letters = [letter.upper() for letter in tail.groups() if letter]
        recount = letters[-1] == RECOUNT_MARK
        method = _METHOD_OF.get(letters[0]) if len(letters) > 1 or not recount else None
        point = self._find_point(text[: tail.start()])
        if point is None or (method is None and not (recount and len(letters) == 1)):
            return None
        if len(letters) > 1 and not recount:
            return None
        return Label(point.point_id, method, recount, point.forgiven, point.written)


def soft_key(text: str) -> str:
    """Return a label without case, separators and leading zeros.

    Examples
    --------
    >>> soft_key("07F-03") == soft_key("pt 7f_3")
    True
    >>> soft_key("1-11") == soft_key("11-1")
    False
    """
    plain = _PREFIX.sub("", unicodedata.normalize("NFKC", text)).upper()
    return ".".join(token.lstrip("0") or "0" if token.isdecimal() else token for token in _TOKENS.findall(plain))


def alike_key(text: str) -> str:
    """Return the soft key with O read as 0, and I and L as 1.

    Examples
    --------
    >>> alike_key("O7F-l3") == alike_key("07F-13")
    True
    """
    plain = _PREFIX.sub("", unicodedata.normalize("NFKC", text)).upper()
    return soft_key(plain.translate(_LOOKALIKES))


def _index(ids: Iterable[str], key: Callable[[str], str]) -> dict[str, list[str]]:
    index: dict[str, list[str]] = {}
    for point_id in ids:
        index.setdefault(key(point_id), []).append(point_id)
    return index


@dataclass(frozen=True, slots=True)
class Claim:
    """What a row's labels say: the point, the method where they name it, whether it is a second count."""

    point_id: str = ""
    method: str = ""
    recount: bool = False
    unknown: str = ""


def read_labels(row: Row, book: LabelBook, log: Log) -> Claim | None:
    """Return what the row's point and sample labels say; None after asking about two that contradict each other.

    A label that is not in the design is kept as ``unknown``: the position may still tell the point.
    """
    texts = [text for text in (row.get("point_id"), row.get("sample_id")) if text]
    found = [(text, book.find(text)) for text in texts]
    labels = [label for _, label in found if label is not None]
    if len({label.point_id for label in labels}) > 1:
        shown = " and ".join(repr(text) for text in texts)
        log.ask(row.where, f"labels {shown}", "labels of the same point", "correct the one that is wrong")
        return None
    if not labels:
        return Claim(unknown=" / ".join(texts))
    for one in {label.written: label for label in labels if label.forgiven}.values():
        if one.written.upper() == one.point_id.upper():
            log.note("label_case", row.where)
            continue
        facts = {"label": one.written, "read_as": one.point_id, "forgiven": one.forgiven}
        log.note("label_read", row.where, facts)
    methods = [label.method for label in labels if label.method]
    unknown = " / ".join(text for text, label in found if label is None)
    return Claim(labels[0].point_id, next(iter(methods), ""), any(label.recount for label in labels), unknown)


def name_bag(bag: Bag, claim: Claim, usual_method: str | None, planned: str, log: Log) -> Bag | None:
    """Return the bag with its point, method and own label; None after asking what its method was.

    ``planned`` is the design's own method, none where several were planned.
    """
    method = bag.method or claim.method or usual_method or ""
    if bag.method and claim.method and bag.method != claim.method:
        found = f"method {bag.method} on a bag labelled for {claim.method}"
        log.ask(bag.where, found, "the bag's own method", "correct the method or the bag's label")
        return None
    if not method and planned and bag.status == "counted":
        log.note("method_planned", bag.where, {"method": planned})
        method = planned
    if not method and bag.status == "counted":
        remedy = "add a column 'method', or give `method` for the rows that don't say"
        log.ask(bag.where, "no extraction method", "brine, heat, flush, hand or other", remedy)
        return None
    method = method or "other"
    own = f"own label: {claim.unknown}" if claim.unknown and bag.joined_by == "label" else ""
    if own:
        log.note("own_label", bag.where)
    note = "; ".join(text for text in (bag.words["note"], own) if text)
    return replace(
        bag,
        point_id=claim.point_id,
        method=method,
        recount=bag.recount or claim.recount,
        sample_id=make_sample_id(claim.point_id, method),
        words={**bag.words, "note": note},
    )


def ask_unknown(bag: Bag, claim: Claim, book: LabelBook, log: Log) -> None:
    """Ask about a row whose label is not in the design and whose position does not tell its point either."""
    near = book.suggest(claim.unknown)
    remedy = f"did you mean {' or '.join(near)}?" if near else "look the label up on the map and correct it"
    found = f"label '{claim.unknown}'" if claim.unknown else "no label"
    if bag.has_position:
        found += " and a position that no free point is near"
    log.ask(bag.where, found, "a label of this visit's design", remedy)


# A second point nearer than this times the joined one's distance is worth telling of (our own choice).
_NEARLY = 1.5
_FORBIDDEN = 1e7  # metres: dearer than any distance on one course
_ABOVE_ZERO = 1e-3  # metres: the matching takes an entry of 0 for no entry


@dataclass(frozen=True, slots=True)
class Placed:
    """A read row, what its labels say, and the surface or kind it names."""

    bag: Bag
    claim: Claim
    surface: str = ""
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """The planned places: labels, surfaces, kinds (n,), metres (n, 2) and their tree, and how near is near, m."""

    ids: NDArray[np.object_]
    surfaces: NDArray[np.object_]
    kinds: NDArray[np.object_]
    metres: NDArray[np.float64]
    within_m: float
    tree: KDTree


def join_positions(rows: Sequence[Placed], design: Design, within_m: float, log: Log) -> list[Placed]:
    """Return the rows with the points that position could tell, and their distance from the plan.

    A labelled row keeps its label: a position too far from that label's place without a tick in ``moved`` is asked
    about, and so is a surface that is not the label's. Rows without a known label are joined to the points no label
    claimed, within ``within_m`` plus the receiver's accuracy, on the surface or kind they name.
    """
    plan = _lay_out(design, within_m)
    places = _project(rows, design)
    order = {point_id: i for i, point_id in enumerate(plan.ids)}
    claimed = {order[row.claim.point_id] for row in rows if row.claim.point_id}
    # only the position can tell the point of these; a moved plug's can't
    loose = [i for i, one in enumerate(rows) if not one.claim.point_id and one.bag.has_position and not one.bag.moved]
    pairs = assign_places([rows[i] for i in loose], places[loose], plan, claimed)
    joined = {i: pairs[k] for k, i in enumerate(loose) if k in pairs}
    kept: list[Placed | None] = []
    for i, row in enumerate(rows):
        if row.claim.point_id:
            kept.append(_check_labelled(row, places[i], order[row.claim.point_id], plan, log))
        else:
            kept.append(_take(row, places[i], joined[i], plan, log) if i in joined else row)
    return [row for row in kept if row is not None]


def assign_places(rows: Sequence[Placed], places: NDArray[np.float64], plan: Plan, claimed: set[int]) -> dict[int, int]:
    """Return row -> planned place, one to one: as many rows as can be joined, at the least total distance.

    Parameters
    ----------
    rows : sequence of Placed, length n
        Rows without a known label.
    places : ndarray, shape (n, 2)
        Where they were, m.
    claimed : set of int
        Planned places that labels have taken.
    """
    pairs, metres = _candidates(rows, places, plan, claimed)
    if not len(pairs):
        return {}
    # Every row may also stay alone, at a cost no sum of distances reaches: so a full matching always exists, and as
    # many rows as possible are joined.
    alone = np.arange(len(rows), dtype=np.int32)  # what SciPy's graph routines take in every version
    cost = np.concatenate([metres + _ABOVE_ZERO, np.full(len(rows), _FORBIDDEN)])
    row = np.concatenate([pairs[:, 0], alone]).astype(np.int32)
    column = np.concatenate([pairs[:, 1], len(plan.ids) + alone]).astype(np.int32)
    graph = csr_array((cost, (row, column)), (len(rows), len(plan.ids) + len(rows)))
    chosen = zip(*min_weight_full_bipartite_matching(graph), strict=True)
    return {int(r): int(p) for r, p in chosen if p < len(plan.ids)}


def _candidates(
    rows: Sequence[Placed], places: NDArray[np.float64], plan: Plan, claimed: set[int]
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Return the pairs of row and free place near enough and on the named surface, shape (n, 2), and their metres."""
    if not rows:
        return np.empty((0, 2), dtype=np.intp), np.empty(0)
    near = plan.tree.query_ball_point(places, [_reach(row.bag, plan) for row in rows])
    found = [
        (r, p) for r, ps in enumerate(near) for p in ps if p not in claimed and not _wrong_surface(rows[r], p, plan)
    ]
    pairs = np.array(found, dtype=np.intp).reshape(-1, 2)
    return pairs, np.hypot(*(places[pairs[:, 0]] - plan.metres[pairs[:, 1]]).T)


def _check_labelled(row: Placed, place: NDArray[np.float64], point: int, plan: Plan, log: Log) -> Placed | None:
    """Return a labelled row with its distance from the plan; None after asking about a place or surface not its own."""
    bag, label = row.bag, str(plan.ids[point])
    if _wrong_surface(row, point, plan):
        found = f"label {label} on surface {row.surface or row.kind}"
        log.ask(bag.where, found, f"{plan.surfaces[point]}, where {label} lies", "correct the label or the surface")
        return None
    if not bag.has_position:
        if bag.moved:
            log.note("moved_nowhere", bag.where, {"point": label})
        return row
    offset_m = float(np.hypot(*(place - plan.metres[point])))
    if bag.moved and offset_m > MOST_MOVED_M:
        found = f"{label} moved {offset_m:.0f} m from its place"
        remedy = "correct the position, or clear it where nobody knows it any more; a plug elsewhere has no label"
        log.ask(bag.where, found, f"at most {MOST_MOVED_M:.0f} m", remedy)
        return None
    if bag.moved:
        log.note("moved", bag.where, {"point": label, "offset_m": offset_m})
    elif offset_m > _reach(bag, plan):
        nearest = str(plan.ids[plan.tree.query(place)[1]])
        found = f"label {label} with a position {offset_m:.0f} m from its place (nearest point: {nearest})"
        remedy = "tick 'moved' if the plug was taken there, else correct the label or clear the position"
        log.ask(bag.where, found, f"a position within {_reach(bag, plan):.0f} m, or a tick in 'moved'", remedy)
        return None
    return replace(row, bag=replace(bag, offset_m=offset_m))


def _take(row: Placed, place: NDArray[np.float64], point: int, plan: Plan, log: Log) -> Placed:
    """Return a row joined by position, telling how far off it was and which other point was nearly as near."""
    offset_m, label = float(np.hypot(*(place - plan.metres[point]))), str(plan.ids[point])
    near = zip(*plan.tree.query(place, k=2), strict=True) if len(plan.ids) > 1 else ()
    rivals = [(i, d) for d, i in near if i != point and d <= max(_NEARLY * offset_m, 1.0)]
    facts = {"label": row.claim.unknown, "point": label, "offset_m": offset_m}
    if rivals:
        facts |= {"rival": str(plan.ids[rivals[0][0]]), "rival_m": float(rivals[0][1])}
    log.note("joined_by_position", row.bag.where, facts)
    bag = replace(row.bag, offset_m=offset_m, joined_by="position")
    return replace(row, bag=bag, claim=replace(row.claim, point_id=label))


def _lay_out(design: Design, within_m: float) -> Plan:
    points = design.points
    ids, surfaces, kinds = (points[name].to_numpy(object) for name in ("point_id", "surface_id", "kind"))
    metres = np.column_stack([points.geometry.x, points.geometry.y])
    return Plan(ids, surfaces, kinds, metres, within_m, KDTree(metres))


def _project(rows: Sequence[Placed], design: Design) -> NDArray[np.float64]:
    """Return the reported positions in the survey's metres, shape (n, 2); not a number where a row gave none."""
    metres = np.full((len(rows), 2), np.nan)
    with_fix = [i for i, row in enumerate(rows) if row.bag.has_position]
    if with_fix:
        lon, lat = ([getattr(rows[i].bag, name) for i in with_fix] for name in ("lon", "lat"))
        fixes = gpd.GeoSeries(gpd.points_from_xy(lon, lat), crs=4326).to_crs(design.points.crs)
        metres[with_fix] = np.column_stack([fixes.x, fixes.y])
    return metres


def _reach(bag: Bag, plan: Plan) -> float:
    return plan.within_m + (0.0 if math.isnan(bag.accuracy_m) else bag.accuracy_m)


def _wrong_surface(row: Placed, point: int, plan: Plan) -> bool:
    surface, kind = plain_heading(row.surface), plain_heading(row.kind)
    wrong_surface = bool(surface) and surface != plain_heading(str(plan.surfaces[point]))
    return wrong_surface or (bool(kind) and kind != plain_heading(str(plan.kinds[point])))
