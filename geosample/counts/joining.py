"""Rows joined to the plan by their label: forgiving, telling, and never guessing between two."""

from __future__ import annotations

from dataclasses import dataclass, replace

from geosample.counts.labels import Label, LabelBook
from geosample.counts.rows import Bag, Row
from geosample.counts.rules import Log
from geosample.words import make_sample_id


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
    for forgiven in {label.forgiven for label in labels if label.forgiven}:
        log.note(row.where, forgiven, "joined by label")
    return _merge(labels, " / ".join(text for text, label in found if label is None))


def name_bag(bag: Bag, claim: Claim, usual_method: str | None, log: Log) -> Bag | None:
    """Return the bag with its point, method and own label; None after asking what its method was."""
    method = bag.method or claim.method or usual_method or ""
    if bag.method and claim.method and bag.method != claim.method:
        found = f"method {bag.method} on a bag labelled for {claim.method}"
        log.ask(bag.where, found, "the bag's own method", "correct the method or the bag's label")
        return None
    if not method and bag.status == "counted":
        remedy = "add a column 'method', or give --extraction for the rows that don't say"
        log.ask(bag.where, "no extraction method", "brine, heat, flush, hand or other", remedy)
        return None
    recount = bag.recount or claim.recount
    method = method or "other"
    own = f"own label: {claim.unknown}" if claim.unknown and bag.joined_by == "label" else ""
    note = "; ".join(text for text in (bag.words["note"], own) if text)
    return replace(
        bag,
        point_id=claim.point_id,
        method=method,
        recount=recount,
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


def _merge(labels: list[Label], unknown: str) -> Claim:
    methods = [label.method for label in labels if label.method]
    recount = any(label.recount for label in labels)
    return Claim(labels[0].point_id, methods[0] if methods else "", recount, unknown)
