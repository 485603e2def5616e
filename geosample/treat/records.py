"""What was done, with the fields that record rules ask for; the user may add any of their own."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from geosample.cautions import Grade
from geosample.errors import Problem, TreatError
from geosample.holes import name_place
from geosample.units import show_area
from geosample.words import is_date

if TYPE_CHECKING:
    from geosample.survey import Survey
    from geosample.treat.model import Zones
    from geosample.units import Units

_GROUP = re.compile(r"\d{1,2}[A-Z]?|UN[A-Z]*")


@dataclass(frozen=True, slots=True)
class RecordRules:
    """Fields a record must have, where that is written, and how long it is kept."""

    fields: Mapping[str, str]
    source: str
    grade: Grade
    keep: str


_US = {
    "product": "brand or product name",
    "epa_registration": "EPA registration number",
    "total_amount": "total amount applied",
    "location": "location",
    "size_of_area": "size of the area treated",
    "site": "crop, commodity or site",
    "date": "month, day and year",
    "applicator": "applicator's name",
    "certification": "applicator's certification number",
}
RULES = {
    "us": RecordRules(
        _US, "7 CFR 110.3, for restricted-use products", "S", "entered within 14 days and kept two years"
    ),
    "ny": RecordRules(
        {
            **_US,
            "address_zip": "address with ZIP code",
            "dosage_rate": "dosage rate",
            "method": "method of application",
            "target_organism": "target organism",
        },
        "7 CFR 110.3 and 6 NYCRR 325.25, New York golf courses",
        "S",
        "kept three years",
    ),
    "none": RecordRules(
        {"date": "month, day and year"}, "no rule chosen: other places differ", "G", "kept as yours say"
    ),
}


WORKED_OUT = ("date", "size_of_area", "site", "target_organism", "zones")
"""Fields the plan fills in; an older record's are of an older plan."""


def fill_record(
    zones: Zones, zone_ids: Sequence[str], said: Mapping[str, str], *, day: str, units: Units = "us"
) -> dict[str, str]:
    """Return the record: what the plan knows, and over it what the user said.

    Parameters
    ----------
    zones : Zones
        The plan that was followed.
    zone_ids : sequence of str
        Zones treated; all of the plan's when empty.
    said : mapping of str to str
        The user's fields; any name goes, and ``irac_group`` is read by the next plan.
    day : str
        Date of the treatment, YYYY-MM-DD.

    Raises
    ------
    TreatError
        For a date that is none or before the plan's counts, a zone the plan has not, a plan of no zones, or an IRAC
        group that is none; all at once.
    """
    treat = zones.of("treat").set_index("zone_id")
    problems = [
        *_check_day(day, zones.visit),
        *_check_zones(treat, zone_ids),
        *_check_groups(said),
        *_check_names(said),
    ]
    if problems:
        raise TreatError(problems)
    done = treat.loc[list(zone_ids) or list(treat.index)]
    places = dict.fromkeys(name_place(hole, kind) for hole, kind in zip(done["hole"], done["kind"], strict=True))
    known = {
        "date": day,
        "size_of_area": show_area(float(done["area_m2"].sum()), units),
        "site": "; ".join(places),
        "target_organism": zones.pest,
    }
    return {**known, **{key.strip(): value.strip() for key, value in said.items()}, "zones": ", ".join(done.index)}


def _check_day(day: str, visit: str) -> Iterator[Problem]:
    if not is_date(day):
        yield Problem("day", repr(day), "a date, YYYY-MM-DD", "write 2026-05-08")
    elif is_date(visit) and day < visit:
        yield Problem("day", f"{day}, before the plan's counts of {visit}", "a day after them", "mend the date")


def _check_zones(treat: pd.DataFrame, zone_ids: Sequence[str]) -> Iterator[Problem]:
    if treat.empty:
        yield Problem("zones", "a plan of no zones to treat", "at least one", "run 'geosample treat' first")
        return
    twice = sorted({name for name in zone_ids if list(zone_ids).count(name) > 1})
    if twice:
        yield Problem("zone_ids", f"{', '.join(twice)} more than once", "each zone once", "leave out the other")
    unknown = [name for name in zone_ids if name not in treat.index]
    if unknown:
        some = ", ".join(treat.index)
        yield Problem("zone_ids", ", ".join(unknown), f"zones to treat: {some}", "name those of the plan")


def _check_names(said: Mapping[str, str]) -> Iterator[Problem]:
    for name in ("date", "zones"):
        if name in said:
            yield Problem(
                f"--set {name}", repr(said[name]), f"it as --{name}", "the next plan and 'check' read it there"
            )


def _check_groups(said: Mapping[str, str]) -> Iterator[Problem]:
    """Yield what is no IRAC group, such as 28 or 3A: the next plan reads it."""
    wrong = [group for group in read_groups(dict(said)) if not _GROUP.fullmatch(group)]
    if wrong:
        yield Problem("--set irac_group", ", ".join(wrong), "groups such as 28 or 3A", "read them off the label")


def missing_fields(record: Mapping[str, str], rules: RecordRules) -> list[str]:
    """Return the names of the fields the rules ask for that are not there, or are blank.

    Examples
    --------
    >>> missing_fields({"date": "2026-05-08"}, RULES["none"])
    []
    """
    return [key for key in rules.fields if not record.get(key)]


def keep_fields(survey: Survey, visit: str, record: Mapping[str, str], said: Mapping[str, str]) -> dict[str, str]:
    """Return the record with what was said before of the same visit, date and zones kept, unless said anew.

    Parameters
    ----------
    survey : Survey
        With the layer ``treatments``.
    visit : str
        Whose plan was followed.
    record : mapping of str to str
        As filled now.
    said : mapping of str to str
        The user's own fields of now, which replace older ones.
    """
    old = survey.read("treatments")
    same = (old["visit"] == visit) & (old["date"] == record["date"]) & (old["zone_ids"] == record["zones"])
    before = json.loads(old.loc[same, "record"].iloc[-1]) if same.any() else {}
    added = {key: value for key, value in before.items() if key not in WORKED_OUT}
    return {**record, **added, **{key: record[key] for key in said}}


def save_record(survey: Survey, visit: str, record: Mapping[str, str]) -> None:
    """Put a record into the layer ``treatments``, in place of one of the same visit, date and zones."""
    row: dict[str, Any] = {"visit": visit, "date": record["date"], "zone_ids": record["zones"]}
    text = json.dumps(dict(record), ensure_ascii=False, sort_keys=True)
    with survey.change() as change:
        change.put("treatments", pd.DataFrame([{**row, "record": text}]), where=row)


def last_groups(treatments: pd.DataFrame | None) -> dict[str, str]:
    """Return the IRAC groups of the last recorded treatment with any, each with its date.

    Examples
    --------
    >>> import pandas as pd
    >>> last_groups(pd.DataFrame({"date": ["2026-05-01"], "record": ['{"irac_group": "28, 3A"}']}))
    {'28': '2026-05-01', '3A': '2026-05-01'}
    """
    if treatments is None or treatments.empty:
        return {}
    newest = treatments.sort_values("date", ascending=False)
    for date, record in zip(newest["date"], newest["record"].fillna("{}"), strict=True):
        groups = read_groups(json.loads(record))
        if groups:
            return dict.fromkeys(groups, str(date))
    return {}


def read_groups(record: dict[str, Any]) -> list[str]:
    """Return the IRAC groups named in a record."""
    said = str(record.get("irac_group") or "").upper()
    return [group for group in said.replace(";", ",").replace("+", ",").replace(" ", ",").split(",") if group]
