"""Work: one folder's survey, what ran on it and what came of it, and the sheet that is typed at the desk."""

from __future__ import annotations

import csv
import datetime
import json
import re
import secrets
import threading
import time
from pathlib import Path
from typing import Any

from flask import abort

from geosample.desk.cards import CARDS, REHEARSAL, UNDER, Card, list_questions, write_words
from geosample.desk.jobs import PICTURE
from geosample.desk.worker import Failed, Gone, Worker
from geosample.errors import GeosampleError
from geosample.files.saving import save_file, write_csv
from geosample.report.desk import PHRASES, join_steps
from geosample.words import NOT_DONE, NOT_STAGED, STATUSES, UNSTAGED

Facts = dict[str, Any]
UNDER_OWN = ("place", "on-sheets")
"""What the desk asks besides of what lies under the course: where to begin without, and whether the sheets have it."""
BUSY_S = 20.0
_FATES = {"": ""} | {code: words.choice for code, words in STATUSES.items() if code != "counted"}
_FATES["not_extracted"] = NOT_DONE
_LONGEST = 200
_NAME = re.compile(r"[^\w .()+-]")


_NOTHING: Facts = {
    "course": "",
    "visits": [],
    "visit": "",
    "counted": [],
    "holes": [],
    "newer_ground": False,
    "codes": dict.fromkeys(CARDS, ""),
    "changed": dict.fromkeys(CARDS, ""),
}


def plain_name(text: str) -> str:
    r"""Return a file's own name, of letters and marks that no system reads as anything else; empty where none is left.

    Examples
    --------
    >>> plain_name("../../etc/pass<wd>.kml"), plain_name("C:\\a\\course.kml"), plain_name("..")
    ('pass_wd_.kml', 'course.kml', '')
    """
    return _NAME.sub("_", re.split(r"[\\/]", text)[-1]).strip(" .")


class Desk:
    """One folder's work: which survey is open, what ran, and what came of it.

    Parameters
    ----------
    folder : Path
        Where surveys and their files are; nothing outside it is read or written.
    survey : str
        The name of the survey file in it; it need not be there yet.
    """

    def __init__(self, folder: Path, survey: str) -> None:
        self.folder = folder.resolve()
        self.survey = survey
        self.visit = ""
        self.units = "us"
        self.worker = Worker(self.folder)
        self.running: str = ""
        self.said: Facts = {}
        """A step, and the visit where it is of one -> what its last run came to, when this desk ran it."""
        self._cancelled = self._may_cancel = False
        self._seen: tuple[Any, ...] = ()
        self._facts: Facts = {}
        self._pages: dict[str, str] = {}
        self._load()

    @property
    def path(self) -> Path:
        """The survey file."""
        return self.folder / self.survey

    @property
    def out(self) -> str:
        """The folder for what the stages make of a visit, as it is named on the command line."""
        place, visit = f"{Path(self.survey).stem}_files", plain_name(self.visit)
        return f"{place}/{visit}" if visit else place

    @property
    def kept(self) -> Path:
        """The desk's own folder: what it remembers, and the states that can be had back."""
        return self.folder / f".{Path(self.survey).stem}_desk"

    @property
    def corrections(self) -> tuple[str, str]:
        """Names of the files by which surfaces are corrected, in turn: the one before stands until it is replaced."""
        return f"{Path(self.survey).stem}_corrected.geojson", f"{Path(self.survey).stem}_corrected_2.geojson"

    def name_correction(self) -> str:
        """Return the name for the next one: not that of the file the ground was read from last."""
        last = self.said.get("ground", {}).get("names", [])
        return next(name for name in self.corrections if name not in last)

    def _load(self) -> None:
        journal = self.kept / "journal.json"
        try:
            self.said = json.loads(journal.read_text(encoding="utf-8")) if journal.exists() else {}
        except (OSError, ValueError):
            self.said = {}

    def _key(self, step: str) -> str:
        return step if step in {"ground", REHEARSAL.step} else f"{step} {self.visit}"

    def _save(self) -> None:
        self.kept.mkdir(exist_ok=True)
        save_file(self.kept / "journal.json", json.dumps(self.said).encode())

    def switch(self, survey: str, visit: str, units: str) -> None:
        """Open another survey of the folder, or show another visit, or other units."""
        if survey != self.survey:
            self.survey, visit, self._facts = survey, "", {}
            self._load()
        self.visit, self.units, self._seen = visit, units, ()

    @property
    def asked_of_sheets(self) -> Facts:
        """What was answered on the card of the sheets."""
        return dict(self.said.get(self._key("sheets"), {}).get("answers", {}))

    @property
    def under(self) -> dict[str, str]:
        """What is laid under the course, as the command ``map`` is told it; and ``place``, where to begin without."""
        asked = dict(self.said.get("under", {}))
        if asked.get("aerial"):
            asked["aerial"] = f"dropped/{asked['aerial']}"
        return asked

    def lay_under(self, asked: Facts) -> str:
        """Remember what to lay under the course: a dropped picture, or an online map's address.

        Returns
        -------
        str
            How far the pairs miss that the picture is placed by, if it is.
        """
        under = {name: str(asked[name]).strip() for name in (*UNDER, *UNDER_OWN) if asked.get(name)}
        told = ""
        if "aerial" in under:
            laid = under | {"aerial": self._known_file(under["aerial"])}
            told = self.worker.do("place_aerial", wait_s=BUSY_S, under=laid, units=self.units) or ""
        self.said["under"] = under
        self._save()
        return told

    def draw_page(self, visit: str, *, newest: bool = False) -> str | None:
        """Return the map's page for a visit, or the newest ground alone; None while the work takes too long."""
        state = [file.stat().st_mtime_ns for file in (self.path,) if file.exists()]
        key = json.dumps([self.survey, state, visit, self.units, self.under, newest])
        if key not in self._pages:
            given: Facts = {"survey": self.survey, "visit": visit, "units": self.units, "under": self.under}
            page = self.worker.do("draw_page", wait_s=BUSY_S, newest=newest, **given)
            if page is None:
                return None
            while len(self._pages) > 3:  # noqa: PLR2004 - two visits side by side, and the two before
                del self._pages[next(iter(self._pages))]
            self._pages[key] = page
        return self._pages[key]

    def list_surveys(self) -> list[str]:
        """Return the survey files there are in the folder, and the one that is about to be made."""
        found = {path.name for path in self.folder.glob("*.gpkg") if not path.name.startswith(".")}
        return sorted(found | {self.survey})

    def words_of(self, card: Card, answers: Facts, *, force: bool = False) -> list[list[str]]:
        """Return the command lines for a card's answers; files go by the names the desk knows, and no other."""
        asked = {name: value for name, value in answers.items() if value}
        for question in list_questions(card):
            if question["kind"] == "file" and question["name"] in asked:
                asked[question["name"]] = self._known_file(asked[question["name"]])
        asked["files"] = [self._known_file(name) for name in asked.get("files", [])]
        if card.step == "plan" and "visit" in asked:  # what is shown as a draft is what is kept
            asked.setdefault("seed", str(self.said.setdefault(f"seed {asked['visit']}", secrets.randbelow(2**31))))
        newest = self._facts.get("visits", [""])[-1:]
        visit = self.visit if card.step != "plan" and [self.visit] != newest else ""
        own = {**self.under, "visit": visit, "units": self.units if self.units != "us" else "", "out": self.out}
        if card.step == "sheets" and own.get("on-sheets") == "no":
            own = {name: value for name, value in own.items() if name not in UNDER}
        for name in UNDER_OWN:
            own.pop(name, None)
        return write_words(card, asked, self.survey, own, force=force)

    def _known_file(self, name: Any) -> str:
        if name not in self.list_dropped():
            abort(400)
        return f"dropped/{name}"

    def list_dropped(self) -> list[str]:
        """Return the files that were dropped on the page."""
        place = self.folder / "dropped"
        return sorted(path.name for path in place.iterdir() if path.is_file()) if place.is_dir() else []

    def start_run(self, card: Card, answers: Facts, *, force: bool) -> bool:
        """Run a card's commands apart from the page; False while others run."""
        if self.running:
            return False
        if lacking := self._find_lacking(card, answers, force=force):
            key = self._key(card.step)
            self.said[key] = {**self.said.get(key, {}), "labels": [], **lacking}
            return True
        lines = self.words_of(card, answers, force=force)
        self.running, self._cancelled, self._may_cancel = card.step, False, True
        threading.Thread(target=self._run, args=(card, lines, answers), daemon=True).start()
        return True

    def _find_lacking(self, card: Card, answers: Facts, *, force: bool) -> Facts:
        """Return what a step needs said before it runs, as problems; none where it may."""
        asked = {question["name"]: question["label"] for question in list_questions(card) if question["required"]}
        empty = [label for name, label in asked.items() if not answers.get(name)]
        if card.takes_files and not answers.get("files"):
            return {"problems": [PHRASES["no_file"]]}
        if empty:
            return {"problems": [PHRASES["fill_in"].format(names=", ".join(empty))]}
        visit = answers.get("visit", "")
        facts = self._look() if card.step == "plan" and not force else {}
        # where counts have come back the stage itself refuses, whatever is asked
        if visit in set(facts.get("visits", [])) - set(facts.get("counted", [])):
            return {
                "problems": [PHRASES["replaces"].format(visit=visit)],
                "force": PHRASES["replace"].format(visit=visit),
            }
        return {}

    def _run(self, card: Card, lines: list[list[str]], answers: Facts) -> None:
        began = datetime.datetime.now().astimezone()
        entry: Facts = {**self.said.get(self._key(card.step), {}), "problems": [], "labels": [], "undo": False}
        entry.pop("force", None)
        try:
            (self.folder / self.out).mkdir(parents=True, exist_ok=True)
            told = self._do_lines(card, lines)
            entry |= told if "problems" in told else {**self._note(card, answers, began), **told}
        except Gone:
            entry["problems"] = [PHRASES["crashed"]]
        except (Failed, OSError, GeosampleError) as error:
            entry["problems"] = str(error).splitlines()
        finally:
            made = {name: self._mark(name) for name in self._name_made(entry)}
            self.said["made"] = {**self.said.get("made", {}), **made}
            for key, other in self.said.items():  # the state before is kept once a step, of whichever visit
                if key.startswith(f"{card.step} "):
                    other["undo"] = False
            if entry.get("undo"):  # what stands again when this is undone
                earlier = {**self.said.get(self._key(card.step), {}), "undo": False, "problems": [], "labels": []}
                entry["earlier"] = {name: value for name, value in earlier.items() if name != "earlier"}
            self.said[self._key(card.step)] = entry
            self.running, self._may_cancel = "", False
            self._save()

    def _do_lines(self, card: Card, lines: list[list[str]]) -> Facts:
        """Run commands in the worker; when it is ended in the middle, the survey is put back."""
        before = str(self.kept / f"before_{card.step}.gpkg") if self.path.exists() else ""
        kept = not before
        try:
            if before:
                self.worker.do("keep_before", survey=self.survey, before=before)
                kept = True
            if self._cancelled:
                return {"problems": [PHRASES["cancelled"]]}
            told: Facts = self.worker.do("run", survey=self.survey, lines=lines, before=before, out=self.out)
        except Gone as gone:
            self._may_cancel = False
            told = {"problems": [PHRASES["cancelled" if self._cancelled else "crashed"]]}
            if kept:
                told["kept"] = self._roll_back(before, gone.wrote, told["problems"])
        finally:
            self._may_cancel = False
        if told.pop("kept", None):
            told["problems"].append(PHRASES["mixed"].format(before=before))
        return {**told, "before": before, "undo": told.pop("alone", False)}

    def _note(self, card: Card, answers: Facts, began: datetime.datetime) -> Facts:
        """Return when a step was done and from what, by which it is later seen whether it still holds."""
        if card.step == "plan":
            self.visit = str(answers.get("visit", ""))
        facts = self._look()
        return {
            "when": began.isoformat(timespec="seconds"),
            "visit": facts["visit"],
            "code": facts["codes"].get(card.step, ""),
            "from": {step: facts["codes"][step] for step in card.needs},
            "out": self.out,
            "names": self._name_sources(card, answers),
            "answers": answers,
            "files": self._list_made(began.timestamp()),
        }

    def _name_sources(self, card: Card, answers: Facts) -> list[str]:
        """Return the files a step was done from; of a ground corrected by hand, also what was corrected."""
        files = list(answers.get("files", []))
        known = self.said.get(self._key(card.step), {}).get("names", []) if set(files) & set(self.corrections) else []
        return [*(name for name in known if name not in self.corrections and name not in files), *files]

    def _roll_back(self, before: str, wrote: Facts, problems: list[str]) -> list[str]:
        try:
            return list(self.worker.do("roll_back", survey=self.survey, before=before, wrote=wrote))
        except (Gone, Failed):
            if before:
                problems.append(PHRASES["not_rolled_back"].format(before=before))
            elif self.path.exists():
                problems.append(PHRASES["left_begun"].format(survey=self.survey))
            return []

    def _list_made(self, since: float) -> list[str]:
        place = self.folder / self.out
        there = place.iterdir() if place.is_dir() else []
        made = [path for path in there if path.is_file() and path.stat().st_mtime >= since - 1]
        return sorted(path.name for path in made if path.name != PICTURE and not path.name.startswith("."))

    @staticmethod
    def _name_made(entry: Facts) -> list[str]:
        return [f"{entry['out']}/{name}" for name in entry.get("files", [])]

    def _mark(self, name: str) -> list[int]:
        state = (self.folder / name).stat()
        return [state.st_size, state.st_mtime_ns]

    def list_unused(self) -> list[str]:
        """Return the files, by their path here, that came in or were made at the desk and that nothing rests on now.

        Sheets that were typed and phones' entries stay, and so does whatever any survey of this folder was made from,
        and any file that was changed since the desk made it.
        """
        used: set[str] = set()
        for journal in self.folder.glob(".*_desk/journal.json"):
            try:
                used |= _list_names(json.loads(journal.read_text(encoding="utf-8")))
            except (OSError, ValueError):  # who knows what it names
                used |= set(self.list_dropped())
        ours = ("typed_", "phones_")
        stems = {Path(name).stem for name in used if name}  # a world file, a shapefile's others
        came = [
            f"dropped/{name}"
            for name in self.list_dropped()
            if Path(name).stem not in stems and not name.startswith(ours)
        ]
        steps = [entry for entry in self.said.values() if isinstance(entry, dict) and "out" in entry]
        steps += [entry["earlier"] for entry in steps if "out" in entry.get("earlier", {})]
        current = {name for entry in steps for name in self._name_made(entry)}
        made = self.said.get("made", {})
        there = [name for name in made if name not in current and (self.folder / name).is_file()]
        return [*came, *(name for name in there if self._mark(name) == made[name])]

    def put_away(self, asked: list[str]) -> str:
        """Move files that nothing rests on into the desk's own folder, and return what to say."""
        chosen = [name for name in self.list_unused() if name in asked]
        if self.running or not chosen:
            return PHRASES["busy"] if self.running else PHRASES["none_put_away"]
        away = self.kept / "put_away" / datetime.datetime.now().astimezone().strftime("%Y-%m-%d_%H%M%S_%f")
        for name in chosen:
            (away / name).parent.mkdir(parents=True, exist_ok=True)
            (self.folder / name).replace(away / name)
        return PHRASES["put_away"].format(many=len(chosen), place=away.relative_to(self.folder))

    def cancel(self) -> None:
        """Stop what runs, also where it has not begun; the survey goes back to its state before."""
        self._cancelled = True
        while self._may_cancel:
            self.worker.end()
            time.sleep(0.05)

    def undo(self, step: str) -> str:
        """Put back what a step replaced, once; return what to say."""
        entry = self.said.get(self._key(step), {})
        if not entry.get("undo") or self.running:
            return PHRASES["busy"] if self.running else PHRASES["not_undone"]
        asked = {"before": entry["before"], "layers": entry["layers"]}
        if not self.worker.do("restore", survey=self.survey, **asked):
            return PHRASES["not_undone"]
        earlier = self.said.pop(self._key(step)).get("earlier", {})
        if earlier.get("when"):
            self.said[self._key(step)] = earlier
        self._save()
        return PHRASES["undone"]

    def _look(self, wait_s: float = -1) -> Facts:
        """Return what the survey holds now; while the worker is busy, what it held when last looked at."""
        if not self.path.exists():
            self._facts = dict(_NOTHING)
            return self._facts
        beside = self.path.with_name(f"{self.survey}-wal")  # where a desktop GIS writes first
        states = [file.stat() for file in (self.path, beside) if file.exists()]
        seen = (self.survey, self.visit, *((state.st_mtime_ns, state.st_size) for state in states))
        if seen != self._seen:
            found = self.worker.do("describe", wait_s=wait_s, survey=self.survey, visit=self.visit)
            if found is not None:
                self.visit = found["visit"]  # a visit made elsewhere does not turn the page
                self._seen, self._facts = (self.survey, self.visit, *seen[2:]), found
                return dict(found)
        return self._facts

    def tell(self) -> Facts:
        """Return all that the page shows beside the map."""
        try:
            facts = self._look(0.2 if self.running else BUSY_S)
            wrong = ""
        except Gone:
            facts, wrong = self._facts, PHRASES["crashed"]
        except Failed as error:  # another program holds the file: what was seen last stands meanwhile
            facts, wrong = self._facts, str(error)
        facts = facts or _NOTHING
        if self.worker.stillborn:
            wrong = PHRASES["stillborn"]
        talk = "\n".join(self.worker.talk).replace("\n  ", " ").splitlines()  # a folded sentence is one again
        return {
            "survey": self.survey,
            "surveys": self.list_surveys(),
            "dropped": self.list_dropped(),
            "unused": self.list_unused(),
            "units": self.units,
            "running": self.running,
            "talk": talk[-1:] if self.running else [],
            "wrong": wrong,
            **{name: facts[name] for name in ("course", "visits", "visit", "holes", "newer_ground")},
            "under": self.said.get("under", {}),
            "rehearsal": self._tell_rehearsal(),
            "drawn": facts["codes"],
            "steps": {step: self._tell_step(card, facts) for step, card in CARDS.items()},
        }

    def _tell_rehearsal(self) -> Facts:
        entry = self.said.get(REHEARSAL.step, {})
        return {name: entry.get(name, []) for name in ("said", "rest", "problems")}

    def check_seen(self, card: Card, seen: Any) -> str:
        """Return what to say when a page asks for work on what it no longer shows; empty when it shows what there is.

        Parameters
        ----------
        seen : dict
            The survey, the visit and the codes of the steps (``drawn``) that the page shows; None where it says none.
        """
        if not isinstance(seen, dict):
            return ""
        now = self.tell()
        if (seen.get("survey"), seen.get("visit")) != (now["survey"], now["visit"]):
            return PHRASES["other_shown"].format(visit=now["visit"] or "-", survey=now["survey"])
        was = seen.get("drawn", {})
        changed = [step for step in (*card.needs, card.step) if step in CARDS and was.get(step) != now["drawn"][step]]
        return PHRASES["look_again"].format(steps=join_steps(changed)) if changed else ""

    def _tell_step(self, card: Card, facts: Facts) -> Facts:
        codes, entry = facts["codes"], self.said.get(self._key(card.step), {})
        lacking = [step for step in card.needs if not codes[step]]
        done = bool(codes[card.step])
        ours = done and entry.get("visit") == facts["visit"] and entry.get("code") == codes[card.step]
        if card.step == "ground":
            ours = done and entry.get("code") == codes[card.step]
        old = [step for step, code in entry.get("from", {}).items() if ours and codes[step] != code]
        state = "needs" if lacking else "stale" if old else "done" if done else "ready"
        words = {"needs": PHRASES["needs"].format(steps=join_steps(lacking)), "ready": PHRASES["not_yet"]}
        words |= {"stale": PHRASES["stale"].format(steps=join_steps(old)), "done": PHRASES["done"]}
        when = entry.get("when", "") if ours else "" if len(facts["visits"]) > 1 else facts["changed"][card.step]
        return {
            "state": state,
            "words": words[state] if ours or state != "done" else PHRASES["elsewhere"],
            "when": when if done else "",
            "names": entry.get("names", []) if ours else [],
            "said": entry.get("said", []) if ours else [],
            "rest": entry.get("rest", []) if ours else [],
            "files": entry.get("files", []) if ours else [],
            "answers": entry.get("answers", {}) if ours else {},
            "undo": bool(ours and entry.get("undo")),
            "problems": entry.get("problems", []),
            "force": entry.get("force", "") or PHRASES["force"] * ("--force" in " ".join(entry.get("problems", []))),
            "labels": entry.get("labels", []),
        }


def _list_names(journal: Facts) -> set[str]:
    """Return every file's name that a survey's steps were done with."""
    found: set[str] = set()
    for entry in journal.values():
        asked = entry.get("answers", {}) if isinstance(entry, dict) else {}
        found |= {str(value) for value in asked.values() if isinstance(value, str)}
        if isinstance(entry, dict):
            found |= {*asked.get("files", []), *entry.get("names", []), entry.get("aerial", "")}
            found |= set(entry.get("earlier", {}).get("names", []))
    return found


class TypedSheet:
    """The sheet that is typed at the desk: a row a bag in bench order, on disk after every value.

    Parameters
    ----------
    desk : Desk
        Whose survey and visit it is for.
    """

    def __init__(self, desk: Desk) -> None:
        self.lock, self._worker = threading.Lock(), desk.worker
        asked = {name: desk.asked_of_sheets.get(name, "") for name in ("extraction", "containers")}
        sheet: Facts = desk.worker.do("list_bench", survey=desk.survey, visit=desk.visit, **asked)
        self.columns: list[str] = sheet["columns"]
        self.stages: list[str] = sheet["stages"]
        self.rows: list[list[str]] = sheet["rows"]
        self.name = f"typed_{plain_name(sheet['name'])}.csv"
        self.path = desk.folder / "dropped" / self.name
        self._read_at = 0
        self._go_on()

    def _go_on(self) -> None:
        """Take up what was typed before or elsewhere, where it is of the same plan."""
        written = self.path.stat().st_mtime_ns if self.path.exists() else 0
        if written == self._read_at:
            return
        self._read_at = written
        with self.path.open(encoding="utf-8-sig", newline="") as file:
            typed = list(csv.reader(file))
        place = self.columns.index("sample_id")
        if typed and typed[0] == self.columns:
            known = {(row[0], row[place]): row for row in typed[1:]}
            self.rows = [known.get((row[0], row[place]), row) for row in self.rows]

    def put(self, sample_id: str, column: str, value: str, was: str | None = None) -> Facts:
        """Write one value, which is on disk when this returns; say whether it was kept, and what stands there.

        Parameters
        ----------
        was : str, optional
            What the page showed there: where another window wrote something else, that stays.
        """
        plain = len(value) < _LONGEST and value.isprintable() and not value.startswith(tuple("=+-@"))
        fits = {"status": value in _FATES, "none_found": value in {"", "yes"}, "others_found": plain}
        allowed = fits.get(column, column in self.stages and re.fullmatch(r"\d{0,5}", value) is not None)
        if not allowed:
            return {"kept": False, "words": PHRASES["bad_value"].format(value=value)}
        import pandas as pd

        with self.lock:
            self._go_on()
            place, at = self.columns.index("sample_id"), self.columns.index(column)
            for row in self.rows:
                if row[place] == sample_id:
                    if was is not None and row[at] not in {was, value}:
                        value = self._show(column, row[at])
                        told = PHRASES["typed_elsewhere"].format(value=value, bag=sample_id, column=self._head(column))
                        return {"kept": False, "words": told, "value": row[at]}
                    now = dict(zip(self.columns, row, strict=True)) | {column: value}
                    if now["none_found"] and any(now[stage].strip("0") for stage in self.stages):
                        return {"kept": False, "words": PHRASES["none_and_count"], "value": row[at]}
                    row[at] = value
                    save_file(self.path, write_csv(pd.DataFrame(self.rows, columns=self.columns), encoding="utf-8-sig"))
                    self._read_at = self.path.stat().st_mtime_ns
                    head, shown = self._head(column), self._show(column, value)
                    return {"kept": True, "words": PHRASES["typed"].format(bag=sample_id, column=head, value=shown)}
        return {"kept": False, "words": PHRASES["other_sheet"]}

    @staticmethod
    def _head(column: str) -> str:
        own = {"status": PHRASES["no_count"], "none_found": PHRASES["none_found"], UNSTAGED: NOT_STAGED}
        return own.get(column, PHRASES.get(column, column))

    @staticmethod
    def _show(column: str, value: str) -> str:
        return (_FATES[value] if column == "status" else value) or "-"

    def list_partly(self) -> list[str] | None:
        """Return the bags without a total so far, by the rule of the stage; None while other work keeps it busy."""
        with self.lock:
            at = {name: self.columns.index(name) for name in ("sample_id", "none_found", "status", *self.stages)}
            typed = [
                (row[at["sample_id"]], stage)
                for row in self.rows
                for stage in self.stages
                if not row[at["status"]] and (row[at[stage]] or (row[at["none_found"]] and stage != UNSTAGED))
            ]
        return self._worker.do("list_partly", wait_s=0.5, counts=typed) if typed else []

    def tell(self) -> Facts:
        """Return what the page shows: a row a bag with what was typed."""
        with self.lock:
            self._go_on()
        shown = ["sample_id", "batch", "role", "status", "none_found", *self.stages, "others_found"]
        at = [self.columns.index(name) for name in shown]
        return {
            "file": self.name,
            "stages": self.stages,
            "heads": [NOT_STAGED if stage == UNSTAGED else stage for stage in self.stages],
            "fates": _FATES,
            "unstaged": UNSTAGED,
            "partly": self.list_partly(),
            "rows": [dict(zip(shown, [r[i] for i in at], strict=True)) for r in self.rows],
        }
