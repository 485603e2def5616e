"""Upkeep of visits: what a survey holds, another name for one, and one taken away into a file that puts it back."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from geosample.errors import Problem, SurveyError, list_names
from geosample.survey.layers import LAYERS
from geosample.words import is_date

if TYPE_CHECKING:
    from geosample.survey import Survey

OF_VISITS = tuple(name for name, layer in LAYERS.items() if "visit" in layer.columns)
"""The layers whose rows belong to a visit."""
_LONGEST_NOTE = 500
_NAMES_OTHERS = ("follows", "kept_from_visit", "k_from_visit", "strips_from_visit")


def list_visits(survey: Survey) -> list[dict[str, Any]]:
    """Return each visit, oldest first, with its date, pest, what it follows, and how many rows each layer has of it."""
    visits = survey.read("visits").set_index("visit")
    there = set(survey.layers())
    held = {name: survey.read(name)["visit"].value_counts() for name in OF_VISITS if name in there and name != "visits"}
    settings = {visit: json.loads(str(visits.loc[visit, "settings"]) or "{}") for visit in survey.order_visits()}
    return [
        {
            "visit": visit,
            "date": str(visits.loc[visit, "date"]),
            "pest": str(visits.loc[visit, "pest"]),
            "follows": settings[visit].get("follows"),
            "note": settings[visit].get("note", ""),
            "rows": {name: int(rows[visit]) for name, rows in held.items() if visit in rows},
        }
        for visit in survey.order_visits()
    ]


def rename_visit(survey: Survey, old: str, new: str) -> None:
    """Give a visit another name wherever it stands; a name that was its date takes the date with it.

    Parameters
    ----------
    survey : Survey
        Where it stands.
    old, new : str
        Names of a visit.

    Raises
    ------
    SurveyError
        When there is no such visit, or already one of the new name.
    """
    survey.find_visit(old)
    if not new.strip() or not new.isprintable() or new in set(survey.read("visits")["visit"]):
        raise SurveyError(Problem(f"`rename={old}={new}`", repr(new), "a name no visit has yet", "give another name"))
    with survey.change() as change:
        for layer in OF_VISITS:
            rows = change.read(layer)
            mine = rows[rows["visit"] == old]
            if layer == "visits":
                told = [(row, _rename(row, old, new)) for row in rows.to_dict("records")]
                other = [(row["visit"], named) for row, named in told if named != row]
                change.put(layer, pd.DataFrame([row for _, row in other]), where={"visit": [name for name, _ in other]})
            elif len(mine):
                change.put(layer, mine.assign(visit=new), where={"visit": old})


def note_visit(survey: Survey, visit: str, note: str) -> None:
    """Write a note beside a visit, in place of the one it has; an empty one takes it away.

    Parameters
    ----------
    survey : Survey
        Where the visit stands.
    visit, note : str
        Its name, and the user's own words, one line of up to 500 characters.

    Raises
    ------
    SurveyError
        When there is no such visit, or the note is too long or can't be printed.
    """
    survey.find_visit(visit)
    note = note.strip()
    if len(note) > _LONGEST_NOTE or not note.isprintable():
        found = f"{len(note)} characters" if note.isprintable() else repr(note[:20])
        expected = f"one line of up to {_LONGEST_NOTE} characters"
        raise SurveyError(Problem(f"`note={visit}`", found, expected, "shorten it, without ends of line"))
    with survey.change() as change:
        rows = change.read("visits")
        row = rows[rows["visit"] == visit].to_dict("records")[0]
        settings = json.loads(row["settings"] or "{}")
        settings.pop("note", None)
        settings |= {"note": note} if note else {}
        told = {**row, "settings": json.dumps(settings, ensure_ascii=False, sort_keys=True)}
        change.put("visits", pd.DataFrame([told]), where={"visit": visit})


def _rename(row: dict[Any, Any], old: str, new: str) -> dict[Any, Any]:
    settings = json.loads(row["settings"] or "{}")
    if row["visit"] != old and old not in {settings.get(name) for name in _NAMES_OTHERS}:
        return row
    settings |= {name: new for name in _NAMES_OTHERS if settings.get(name) == old}
    if row["visit"] == old:
        # Sheets that were printed before come back with the old name on them.
        settings["named_before"] = [*settings.get("named_before", ()), old]
        row = {**row, "visit": new, "date": new if row["date"] == old and is_date(new) else row["date"]}
    return {**row, "settings": json.dumps(settings, ensure_ascii=False, sort_keys=True)}


def remove_visit(survey: Survey, visit: str, *, sure: bool) -> Path:
    """Take a visit out of the survey, after writing all of it but its treatments, which stay, to a file beside it.

    Parameters
    ----------
    survey : Survey
        Where it stands.
    visit : str
        Its name.
    sure : bool
        Whether the user has said yes.

    Returns
    -------
    Path
        The file, a survey of that visit alone, which ``put_back`` takes.

    Raises
    ------
    SurveyError
        When there is no such visit, or ``sure`` is not given: then it says what would go.
    """
    survey.find_visit(visit)
    [mine] = [one for one in list_visits(survey) if one["visit"] == visit]
    goes = {name: rows for name, rows in mine["rows"].items() if name != "treatments"}
    if not sure:
        resting = [one["visit"] for one in list_visits(survey) if one["follows"] == visit]
        beside = f"; {list_names(resting)} follows it" if resting else ""
        found = f"{', '.join(f'{rows:,} {name}' for name, rows in goes.items()) or 'no rows but its own'}{beside}"
        remedy = "add `yes` to take it away; it is kept in a file of its own first, and recorded treatments stay"
        raise SurveyError(Problem(f"`remove={visit}`", found, "your word that all this may go", remedy))
    place = _free_name(survey.path, visit)
    layers = {name: survey.read(name) for name in ("visits", *goes)}
    mine_alone = {name: rows[rows["visit"] == visit].reset_index(drop=True) for name, rows in layers.items()}
    with type(survey)(place).change() as change:
        for name, rows in mine_alone.items():
            change.put(name, rows)
    with survey.change() as change:
        for name, rows in mine_alone.items():
            change.put(name, rows.iloc[:0], where={"visit": visit})
    return place


def _free_name(path: Path, visit: str) -> Path:
    """Return a file beside the survey, named after the visit, that is not there yet."""
    plain = re.sub(r"[^\w-]+", "_", visit)
    stem = f"{path.stem} visit {plain}"
    tries = (path.with_name(f"{stem}{f' {number}' if number else ''}.gpkg") for number in range(10_000))
    return next(place for place in tries if not place.exists())


def put_back(survey: Survey, kept: Survey) -> list[str]:
    """Put visits that ``remove_visit`` kept in a file back into the survey, and return their names.

    Raises
    ------
    SurveyError
        When the survey has visits of these names.
    """
    names = kept.order_visits()
    there = sorted(set(names) & set(survey.read("visits")["visit"]))
    if there or not names:
        found = f"visits the survey has: {list_names(there)}" if there else "no visit"
        remedy = "rename the one in the survey first" if there else "give the file that --remove wrote"
        raise SurveyError(Problem(str(kept.path), found, "visits the survey does not have", remedy))
    held = set(kept.layers())
    with survey.change() as change:
        for layer in OF_VISITS:
            if layer in held and len(rows := kept.read(layer)):
                change.put(layer, rows, where={"visit": names})
    return names
