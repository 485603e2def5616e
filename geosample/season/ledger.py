"""What was used: every recorded treatment by date, ground, group and the generation it met, and counts a year."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from geosample.errors import SeasonError
from geosample.files.saving import save_file, write_csv
from geosample.treat.records import RULES, read_groups

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path


@dataclass(frozen=True, slots=True)
class Entry:
    """One recorded treatment.

    Parameters
    ----------
    date, visit : str
        Its day, and the visit whose plan was followed.
    zones, site : str
        Where.
    groups : tuple of str
        IRAC groups, as recorded.
    generation : str
        As the user recorded it; empty where nobody did: no calendar of ours can say.
    record : dict of str to str
        All its fields.
    """

    date: str
    visit: str
    zones: str
    site: str
    groups: tuple[str, ...]
    generation: str
    record: dict[str, str]


@dataclass(frozen=True, slots=True)
class Again:
    """A group used in a year on more than one day, or about to meet another generation.

    Parameters
    ----------
    group : str
        IRAC group.
    days : tuple of str
        On which days it was recorded, oldest first.
    generations : tuple of str
        Those recorded with it.
    """

    group: str
    days: tuple[str, ...]
    generations: tuple[str, ...]


def read_ledger(treatments: pd.DataFrame) -> list[Entry]:
    """Return the recorded treatments, oldest first, from the layer ``treatments``."""
    entries = []
    for row in treatments.sort_values(["date", "visit"], kind="stable").to_dict("records"):
        record = {key: str(value) for key, value in json.loads(row["record"] or "{}").items()}
        groups = tuple(dict.fromkeys(read_groups(dict(record))))
        said = record.get("generation", "").strip()
        where = (str(row["zone_ids"]), record.get("site", ""))
        entries.append(Entry(str(row["date"]), str(row["visit"]), *where, groups, said, record))
    return entries


def count_groups(entries: Sequence[Entry], year: int) -> dict[str, int]:
    """Return on how many days of a year each group was used, in the order of the groups.

    Examples
    --------
    >>> one = Entry("2026-05-08", "May", "Z1", "", ("28",), "1", {})
    >>> count_groups([one, one], 2026), count_groups([one], 2025)
    ({'28': 1}, {})
    """
    days = {(entry.date, group) for entry in entries if entry.date.startswith(f"{year}-") for group in entry.groups}
    return dict(sorted(Counter(group for _, group in days).items()))


def used_again(entries: Sequence[Entry], year: int) -> list[Again]:
    """Return the groups of a year that were recorded on several days or against several generations."""
    found = []
    for group in count_groups(entries, year):
        mine = [entry for entry in entries if entry.date.startswith(f"{year}-") and group in entry.groups]
        days = tuple(sorted({entry.date for entry in mine}))
        met = tuple(dict.fromkeys(entry.generation for entry in mine if entry.generation))
        if len(days) > 1 or len(met) > 1:
            found.append(Again(group, days, met))
    return found


def write_ledger(path: Path, entries: Sequence[Entry], rules: str = "us") -> Path:
    """Write the ledger as CSV (UTF-8): date, visit, zones, group, generation, the rules' fields, the user's own.

    Parameters
    ----------
    path : Path
        Where to.
    entries : sequence of Entry
        From ``read_ledger``.
    rules : str
        One of ``RULES``, whose fields all have a column, filled or not.

    Raises
    ------
    SeasonError
        When the file can't be written.
    """
    first = ["date", "visit", "zones", "irac_group", "generation"]
    asked = [name for name in RULES[rules].fields if name not in first]
    own = [name for entry in entries for name in entry.record if name not in {*first, *asked}]
    columns = [*first, *asked, *dict.fromkeys(own)]
    rows = [{**entry.record, **as_row(entry), "irac_group": ", ".join(entry.groups)} for entry in entries]
    return save_file(path, write_csv(pd.DataFrame(rows, columns=columns, dtype=object).fillna("")), SeasonError)


def as_row(entry: Entry) -> dict[str, Any]:
    """Return an entry without the record's own fields, in JSON's own types."""
    told = asdict(entry)
    told.pop("record")
    return {**told, "groups": list(entry.groups)}
