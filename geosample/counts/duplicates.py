"""The same bag more than once: a copy, the plugs of one point, the parts of one bag, a second count, or a question."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from geosample.counts.rows import Bag
from geosample.counts.rules import Log, show_rows


@dataclass(frozen=True, slots=True)
class Settled:
    """Bags told apart: one first count a label, and the blind second counts."""

    first: tuple[Bag, ...]
    second: tuple[Bag, ...]


def settle_bags(bags: Sequence[Bag], log: Log) -> Settled:
    """Return one bag a label, asking wherever two rows of a label can't be told apart."""
    second = [bag for bag in bags if bag.recount and bag.status == "counted"]
    for bag in bags:
        if bag.recount and bag.status != "counted":
            log.note(bag.where, f"a second count with status {bag.status}", "set aside: there is nothing to compare")
    first = _settle([bag for bag in bags if not bag.recount], _settle_first, log)
    return Settled(first, _settle(second, _settle_copies, log))


def _settle(bags: Sequence[Bag], rule: Callable[[list[Bag], Log], Bag | None], log: Log) -> tuple[Bag, ...]:
    groups: dict[str, list[Bag]] = {}
    for bag in bags:
        groups.setdefault(bag.sample_id, []).append(bag)
    settled = [group[0] if len(group) == 1 else rule(group, log) for group in groups.values()]
    return tuple(bag for bag in settled if bag is not None)


def _settle_first(group: list[Bag], log: Log) -> Bag | None:
    if len({bag.plug for bag in group} - {""}) == len(group):
        return _pool(group, "plugs", log)
    if len({bag.part for bag in group} - {""}) == len(group):
        return _pool(group, "parts", log)
    return _settle_copies(group, log)


def _settle_copies(group: list[Bag], log: Log) -> Bag | None:
    """Return the bag when all its rows say the same; None after asking which of them holds."""
    first, wheres = group[0], [bag.where for bag in group]
    if all(_says(bag) == _says(first) for bag in group):
        log.note(show_rows(wheres), f"bag {first.sample_id} {len(group)} times, all the same", "taken once")
        return first
    shown = "; ".join(f"{bag.where}: {_show(bag)}" for bag in group)
    remedy = (
        "delete the wrong row; or tell them apart: put a second count in blank_recounts.csv (or tick a column "
        "'recount'), number the plugs of one point in a column 'plug', or the parts of one bag in a column 'part'"
    )
    log.ask(show_rows(wheres), f"bag {first.sample_id} {len(group)} times ({shown})", "one row a bag", remedy)
    return None


def _pool(group: list[Bag], what: str, log: Log) -> Bag | None:
    """Return the rows of one point's plugs, or of one bag's parts, as one bag.

    A stage counts as looked for only where every row looked for it. Of separate plugs the uncounted ones are left
    out with their turf; a bag with an uncounted part can't be counted at all.
    """
    counted = [bag for bag in group if bag.status == "counted"]
    wheres = show_rows(bag.where for bag in group)
    if not counted:
        return group[0]
    if what == "parts" and len(counted) < len(group):
        found = f"bag {group[0].sample_id} with {len(group) - len(counted)} of {len(group)} parts not counted"
        log.ask(wheres, found, "every part counted", "count the rest, or give the bag's status as not_extracted")
        return None
    stages = [stage for stage in counted[0].found if all(stage in bag.found for bag in counted)]
    plugs = sum(bag.plugs for bag in counted) if what == "plugs" else counted[0].plugs
    log.note(wheres, f"{len(counted)} {what} of {group[0].sample_id}", f"added up to one bag of {plugs} plugs")
    found_sum = {stage: sum(bag.found[stage] for bag in counted) for stage in stages}
    notes = "; ".join(dict.fromkeys(bag.words["note"] for bag in counted if bag.words["note"]))
    return replace(counted[0], found=found_sum, plugs=plugs, words={**counted[0].words, "note": notes})


def _says(bag: Bag) -> tuple[object, ...]:
    return (bag.status, bag.plugs, bag.moved, tuple(sorted(bag.found.items())))


def _show(bag: Bag) -> str:
    if bag.status != "counted":
        return bag.status
    return ", ".join(f"{stage} {count}" for stage, count in bag.found.items() if count) or "none found"
