"""Season: the type this room makes, gathered from what the survey file holds of a year; and the ledger.

The ledger is what was used: every recorded treatment by date, ground, group and generation, and counts a year.
"""

from __future__ import annotations

import base64
import contextlib
import json
from collections import Counter
from dataclasses import asdict, dataclass, field, replace
from datetime import date
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geosample.counts import load_counts, tally
from geosample.density import cells_alone, load_density
from geosample.design import Visit, load_design, load_visit
from geosample.errors import CountsError, EstimateError, Problem, SeasonError, TreatError
from geosample.estimate import Estimates, estimate_means, load_estimates
from geosample.files.saving import save_file, write_csv
from geosample.ground import load_ground
from geosample.pests import load_pest
from geosample.results import Result
from geosample.season.change import LEVEL, Change, compare_means, compare_zones, map_change, pair_bags
from geosample.season.degree_days import LookDay, Temperatures, foresee, sum_year
from geosample.survey.findings import What, visits_with
from geosample.treat import load_zones
from geosample.treat.records import check_treatment, read_groups, treated_zones
from geosample.words import RULES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from geosample.counts import Counts
    from geosample.density import DensityMap
    from geosample.design import Design
    from geosample.ground import Ground
    from geosample.season.degree_days import Method
    from geosample.survey import Survey
    from geosample.treat.records import Efficacy
    from geosample.units import Units


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


_SEED = 7  # of the draws behind what a treatment did, so that the same survey says the same


@dataclass(frozen=True, slots=True)
class Step:
    """From one visit to the next.

    Parameters
    ----------
    before, after : str
        The visits.
    changes : tuple of Change
        The whole ground, kinds, holes, and the zones treated between them.
    methods : tuple of str
        Extraction methods of both; more than one and the counts are not comparable as they stand.
    efficacy : Efficacy or None
        What the treatment did, where bags enough lie in treated and in untreated ground at both visits.
    cells : DataFrame or None
        The map of change, as ``map_change`` returns it; the year's last step has it, where both visits have maps.
    """

    before: str
    after: str
    changes: tuple[Change, ...]
    methods: tuple[str, ...]
    efficacy: Efficacy | None = None
    cells: pd.DataFrame | None = None

    @property
    def level(self) -> float:
        """The confidence of its changes' intervals."""
        return LEVEL

    @property
    def map_m2(self) -> dict[str, float]:
        """Ground that grew, fell, is unclear, known at one visit only, or unknown, m²; empty without the map."""
        areas = {} if self.cells is None else self.cells.groupby("verdict")["area_m2"].sum().to_dict()
        return {str(name): float(area) for name, area in areas.items()}

    @property
    def whole(self) -> Change | None:
        """The change of the whole ground; None where there is none."""
        return next((one for one in self.changes if one.domain == "all"), None)


@dataclass(frozen=True, slots=True, repr=False)
class Season(Result):
    """What a year's visits say together.

    Parameters
    ----------
    year : int
        Which.
    pest : str
        A profile's name.
    visits : tuple of Visit
        Those with estimates, oldest first.
    estimates : tuple of Estimates
        One a visit.
    steps : tuple of Step
        One between two visits.
    ledger : tuple of Entry
        Treatments of all years.
    looks : tuple of LookDay
        The profile's events by degree-days; none without temperatures.
    degree_days : dict of str to float or None
        Sum on each visit's day, degree-days F; None where the file does not reach.
    left_out : tuple of str
        Visits of the year without estimates.
    temperatures : Temperatures or None
        As read.
    method : str
        How degree-days were reckoned, ``average`` or ``sine``.
    """

    year: int
    pest: str
    visits: tuple[Visit, ...]
    estimates: tuple[Estimates, ...]
    steps: tuple[Step, ...]
    ledger: tuple[Entry, ...]
    looks: tuple[LookDay, ...] = ()
    degree_days: dict[str, float | None] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()
    temperatures: Temperatures | None = None
    method: str = "average"

    @property
    def simulated(self) -> bool:
        """Whether any visit's counts are invented."""
        return any(visit.simulated for visit in self.visits)

    @property
    def groups_used(self) -> dict[str, int]:
        """On how many days of the year each IRAC group was used."""
        return count_groups(self.ledger, self.year)

    @property
    def used_again(self) -> list[Again]:
        """Groups of the year used on several days or against several generations."""
        return used_again(self.ledger, self.year)

    def summary(self) -> dict[str, Any]:
        """Return the facts in JSON's own types; densities per m²."""
        return {
            "year": self.year,
            "pest": self.pest,
            "simulated": self.simulated,
            "visits": [
                {"visit": v.visit, "date": v.date, "degree_days_f": self.degree_days.get(v.visit)} for v in self.visits
            ],
            "steps": [
                {
                    "before": step.before,
                    "after": step.after,
                    "methods": list(step.methods),
                    "map_m2": step.map_m2,
                    "efficacy": None if step.efficacy is None else step.efficacy.summary(),
                    "changes": [one.summary() for one in step.changes],
                }
                for step in self.steps
            ],
            "treatments": [as_row(entry) for entry in self.ledger],
            "groups_this_year": self.groups_used,
            "used_again": [asdict(one) for one in self.used_again],
            "looks": [asdict(look) for look in self.looks],
            "left_out": list(self.left_out),
        }


def tell_season(
    survey: Survey,
    *,
    year: int | None = None,
    pest: str | None = None,
    temperatures: Temperatures | None = None,
    method: Method = "average",
    start: str = "01-01",
) -> Season:
    """Return what a year's visits say together.

    Parameters
    ----------
    survey : Survey
        With two visits or more that have estimates, or counts to make them from.
    year : int, optional
        The newest visit's when None.
    pest : str, optional
        The newest visit's when None.
    temperatures : Temperatures, optional
        The user's daily lows and highs, from ``read_temperatures``.
    method : str
        Degree-days by ``average`` or ``sine``.
    start : str
        Month and day the sum starts on, MM-DD.

    Returns
    -------
    Season
        Visits, steps between them with ratios and map of change, the ledger, and sums of degree-days.

    Raises
    ------
    SeasonError
        When fewer than two visits of the year and pest have estimates.
    """
    every = [load_visit(survey, name) for name in survey.order_visits()]
    year = year or int(survey.need("visits")["date"].max()[:4])
    mine = [one for one in every if one.date.startswith(f"{year}-")]
    pest = pest or (mine[-1].pest if mine else "")
    mine = [one for one in mine if one.pest == pest]
    ready = [(one, found) for one in mine if (found := _estimate(survey, one, pest)) is not None]
    if len(ready) < 2:  # noqa: PLR2004 - a season is told from two
        told = f"{len(ready)} of {year} that can be estimated" + (f", of {len(mine)} visits" if mine else "")
        remedy = "take counts in with 'geosample counts', or draw the next visit with 'geosample design'"
        raise SeasonError(Problem(str(survey.path), told, "two visits or more", remedy))
    visits, estimates = zip(*ready, strict=True)
    steps = tuple(_steps(survey, ready, pest))
    left_out = tuple(one.visit for one in mine if one.visit not in {visit.visit for visit in visits})
    season = Season(year, pest, visits, estimates, steps, tuple(read_ledger(survey.read("treatments"))))
    if temperatures is None:
        return replace(season, left_out=left_out)
    events = load_pest(pest).events
    return replace(
        season,
        left_out=left_out,
        looks=tuple(foresee(temperatures, year, events, method=method, start=start)),
        degree_days=_sums(season, temperatures, method, start),
        temperatures=temperatures,
        method=method,
    )


def _estimate(survey: Survey, visit: Visit, pest: str) -> Estimates | None:
    """Return a visit's stored estimates, or those its counts give now; None where it can have none."""
    found = load_estimates(survey, visit.visit, pest)
    if not found.estimates.empty:
        return found
    if visit.follows or visit.visit not in set(survey.read("samples")["visit"]):
        return None
    with contextlib.suppress(EstimateError, CountsError):  # such as two methods without a factor: 'estimate' asks
        design = load_design(survey, visit.visit)
        return estimate_means(load_counts(survey, visit.visit), design, by=("kind", "hole"), pest=pest)
    return None


def _sums(season: Season, temperatures: Temperatures, method: Method, start: str) -> dict[str, float | None]:
    events = load_pest(season.pest).events
    if not events:
        return {}
    base = {"lower_f": events[0].base_f, "upper_f": events[0].upper_f}
    total = sum_year(temperatures, season.year, **base, method=method, start=start)  # type: ignore[arg-type]
    if total is None:
        return {}
    return {visit.visit: total.on(date.fromisoformat(visit.date)) for visit in season.visits}


def _steps(survey: Survey, ready: list[tuple[Visit, Estimates]], pest: str) -> Iterator[Step]:
    """Yield the step between each two visits; the last has the map of change, for that is the one that is drawn."""
    back = [(load_counts(survey, one.visit), load_design(survey, one.visit)) for one, _ in ready]
    models = survey.read("models")
    mapped = set(models.loc[models["pest"] == pest, "visit"])
    for number, pair in enumerate(pairwise(ready)):
        step = _step(survey, pair, (back[number], back[number + 1]), pest)
        if pair[1] is ready[-1] and {step.before, step.after} <= mapped:
            step = replace(step, cells=map_change(*(_map_apart(survey, one.visit) for one, _ in pair)))
        yield step


def _map_apart(survey: Survey, visit: str) -> DensityMap:
    """Return a visit's map by its own bags alone: an earlier visit's in it would count twice in a difference."""
    density_map = load_density(survey, visit)
    return replace(density_map, cells=cells_alone(density_map, load_ground(survey, visit)))


def _step(
    survey: Survey,
    pair: tuple[tuple[Visit, Estimates], tuple[Visit, Estimates]],
    back: tuple[tuple[Counts, Design], tuple[Counts, Design]],
    pest: str,
) -> Step:
    (first, before), (second, after) = pair
    changes = compare_means(before, after, pair_bags(*back, pest))
    earlier, later = (tally(counts, pest) for counts, _ in back)
    efficacy = None
    if first.visit in {of for of, named in visits_with(survey, What.PLAN_SETTINGS) if named == pest}:
        done, treated = treated_zones(load_zones(survey, first.visit), survey.read("treatments"))
        if treated.days and min(treated.days) <= second.date and len(done.of("treat")):
            changes += list(compare_zones(earlier, later, done))
            with contextlib.suppress(TreatError):  # too few bags on either side: then nothing is said
                efficacy = check_treatment(earlier, later, done, rng=np.random.default_rng(_SEED))
    methods = tuple(sorted({str(method) for one in (earlier, later) for method in one["method"].dropna()}))
    return Step(first.visit, second.visit, tuple(changes), methods, efficacy)


def write_season(
    season: Season, ground: Ground, folder: Path, *, paper: str = "letter", units: Units = "us", course: str = ""
) -> list[Path]:
    """Write the season's page and sheets and return them: season.html, season.pdf, treatments.pdf.

    Parameters
    ----------
    season : Season
        From ``tell_season``.
    ground : Ground
        The course.
    folder : Path
        Where to; it is there.
    paper : {'letter', 'a4'}
        Of the sheets.
    units : {'us', 'metric'}
        Shown.
    course : str
        The course's name.

    Raises
    ------
    SeasonError
        When a file can't be written.
    """
    from geosample.report.season import write_season_page
    from geosample.season.season_pdf import draw_ledger, draw_season, map_layers, picture_change

    cells = season.steps[-1].cells
    change = None if cells is None else map_layers(cells, ground)
    picture = None if change is None else base64.b64encode(picture_change(change, units)).decode("ascii")
    page = write_season_page(season, picture=picture and f"data:image/png;base64,{picture}", units=units, course=course)
    files = {
        "season.html": page.encode(),
        "season.pdf": draw_season(season, change, paper=paper, units=units, course=course),
        "treatments.pdf": draw_ledger(season, paper=paper, course=course),
    }
    return [save_file(folder / name, data, SeasonError) for name, data in files.items()]


def write_changes(path: Path, season: Season) -> Path:
    """Write every change as CSV (UTF-8), a row a domain and pair of visits; densities per m².

    Raises
    ------
    SeasonError
        When the file can't be written.
    """
    rows = [
        {"before": step.before, "after": step.after, **one.summary(), "bags": "; ".join(map(str, one.bags))}
        for step in season.steps
        for one in step.changes
    ]
    return save_file(path, write_csv(pd.DataFrame(rows)), SeasonError)
