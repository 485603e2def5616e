"""Trial and Comparison: the types this room takes and makes, and their place in the survey file.

A trial comes from a survey, or from a table: a row a bag, or a column a method.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from geosample.counts import (
    Bad,
    ReadRules,
    effort_in,
    find_columns,
    is_blank,
    know_heading,
    list_rows,
    plain_heading,
    read_amount,
    read_method,
    read_row,
    read_whole,
    settle_blanks,
)
from geosample.errors import EstimateError
from geosample.estimate import Interval
from geosample.files.reading import NO_HEADER, Log, Table, read_tables, show_rows
from geosample.pests import DEFAULT_PEST, load_pest
from geosample.results import Result
from geosample.survey.findings import Finding, What, put_findings
from geosample.units import plug_area_m2
from geosample.words import EFFORT, METHODS, UNSTAGED

if TYPE_CHECKING:
    from geosample.counts import Counts
    from geosample.design import Design
    from geosample.files.reading import Note
    from geosample.pests import Pest
    from geosample.survey import Survey


COLUMNS = ("site", "block", "method", "bag", "stage", "count", "effort", "minutes", "wait_hours", "cost")
ALL = "all"
"""The stage of a row that counts all insects, and the site of an answer over all sites."""


@dataclass(frozen=True, slots=True)
class Trial:
    """Bags of several methods in matched blocks.

    Parameters
    ----------
    bags : DataFrame
        One row a bag and stage: ``COLUMNS``. ``bag`` tells bags apart; ``count`` is a whole number, zero included;
        ``effort`` how much turf is in the bag (m² from a survey, plugs from a table); ``minutes`` at hand,
        ``wait_hours`` and ``cost`` a bag, not a number where not noted. Blocks of different sites are different,
        whatever they are called.
    source : str
        The file or visit it comes from.
    unit : {'plug', 'bag', 'split'}
        What a row counts: one plug, a bag of plugs, or a part of a bag whose parts went to different methods (each such
        bag is then a block of its own).
    exposure : str
        What ``effort`` is: ``m2``, the heading of a table's column, or empty where every row counts as one plug.
    invented : bool
        Whether the counts are made up.
    notes : tuple of Note
        What was left out or read with a little help.
    """

    bags: pd.DataFrame
    source: str
    unit: str = "bag"
    exposure: str = ""
    invented: bool = False
    notes: tuple[Note, ...] = ()

    @property
    def methods(self) -> list[str]:
        """The methods, in the program's own order of them, so that no file's order decides which is the reference."""
        there = set(self.bags["method"])
        return [name for name in METHODS if name in there]

    @property
    def whole_bags(self) -> pd.DataFrame:
        """One row a bag, its stages added up."""
        same = {
            name: (name, "first") for name in ("site", "block", "method", "effort", "minutes", "wait_hours", "cost")
        }
        return self.bags.groupby("bag", sort=False).agg(count=("count", "sum"), **same).reset_index()


@dataclass(frozen=True, slots=True)
class Ratio:
    """One ratio of means, method over reference.

    Parameters
    ----------
    site, stage : str
        What it is for; ``ALL`` for all.
    found : tuple of int
        Insects found with the reference and with the method.
    bags : tuple of int
        Bags of each.
    blocks : int
        Blocks that hold both.
    interval : Interval
        The ratio and its limits, 0 and infinity where the counts set none.
    level : float
        Confidence of the limits.
    """

    site: str
    stage: str
    found: tuple[int, int]
    bags: tuple[int, int]
    blocks: int
    interval: Interval
    level: float


@dataclass(frozen=True, slots=True)
class Contrast:
    """How many times one site's or stage's ratio another's is: an interaction with its interval.

    Parameters
    ----------
    of : {'site', 'stage'}
        What differs.
    first, second : str
        The ratio in the second over the ratio in the first.
    interval : Interval
        That, with its limits.
    level : float
        Confidence of the limits, for all pairs together.
    """

    of: str
    first: str
    second: str
    interval: Interval
    level: float


@dataclass(frozen=True, slots=True)
class Zeros:
    """Blocks by who found any: both, neither, only the reference, only the method; p of the two last being alike."""

    both: int
    neither: int
    only_reference: int
    only_method: int
    p: float


@dataclass(frozen=True, slots=True)
class Effort:
    """What one method takes; whatever was not noted is not a number.

    Parameters
    ----------
    method : str
        Which.
    bags, found : int
        Bags, and insects in them.
    minutes, wait_hours, cost : float
        Minutes at hand, hours of waiting, and money, a bag.
    minutes_per_insect : float
        Minutes at hand per insect found.
    stages : dict of str to float
        Share of its insects in each stage.
    """

    method: str
    bags: int
    found: int
    minutes: float
    wait_hours: float
    cost: float
    minutes_per_insect: float
    stages: dict[str, float]


@dataclass(frozen=True, slots=True)
class Equivalence:
    """Two one-sided tests against a margin.

    Parameters
    ----------
    margin : float
        The ratio up to which methods are taken as the same; 1.25 means from 0.8 to 1.25.
    p : float
        The larger of the two tests' p.
    interval : Interval
        The ratio with the limits that decide.
    level : float
        Their confidence: 90 % for tests at 5 %.
    holds : bool
        Whether both limits lie inside the margin.
    """

    margin: float
    p: float
    interval: Interval
    level: float
    holds: bool


@dataclass(frozen=True, slots=True, repr=False)
class Comparison(Result):
    """How one method's counts stand to a reference's.

    Parameters
    ----------
    reference, method : str
        The ratio is method over reference.
    overall : Ratio
        All sites and stages.
    k, block_sd : float
        Negative binomial k of a bag within its block (more than 500 means no clumping seen), and the standard
        deviation of the blocks' log density.
    permutation_p : float
        Of no difference at all, by shuffling labels inside blocks.
    permutations : int
        How many were looked at, all there are or a random draw.
    equivalence : Equivalence or None
        None when no margin was given.
    by_site, by_stage : tuple of Ratio
        Each at a level that lets all of them hold together.
    sites_p : float
        Of the same ratio at all sites; not a number with one site.
    contrasts : tuple of Contrast
        Between sites, and between stages: of each the pair that lies farthest apart.
    asked_level : float
        The level that was asked for; fewer than ``FEW_BLOCKS`` blocks may not carry it, and the ratio has what they do.
    bags_used : int
        Bags in blocks with both methods.
    correlation : Interval
        Rank correlation of the blocks' means (Spearman), not a number with too few blocks.
    zeros : Zeros
        Blocks by who found any.
    effort : tuple of Effort
        The reference's, then the method's.
    sized_for : float
        The ratio that the numbers of blocks are worked out for: the margin, or 1.25 without one.
    blocks_to_tell, blocks_to_show_same : int or None
        About how many blocks like these would tell a difference of that ratio, or show that the methods are the same
        within it, with a chance of 80 %; None where the counts set no limit.
    trial : Trial
        What was compared.
    """

    reference: str
    method: str
    overall: Ratio
    k: float
    block_sd: float
    permutation_p: float
    permutations: int
    equivalence: Equivalence | None
    by_site: tuple[Ratio, ...]
    by_stage: tuple[Ratio, ...]
    sites_p: float
    contrasts: tuple[Contrast, ...]
    asked_level: float
    bags_used: int
    correlation: Interval
    zeros: Zeros
    effort: tuple[Effort, Effort]
    sized_for: float
    blocks_to_tell: int | None
    blocks_to_show_same: int | None
    trial: Trial

    @property
    def ratios(self) -> tuple[Ratio, ...]:
        """All ratios, the overall one first."""
        return (self.overall, *self.by_site, *self.by_stage)

    def summary(self) -> dict[str, Any]:
        """Return the comparison as a plain dict; limits that the counts do not set are infinite."""
        equal = self.equivalence
        return {
            "source": self.trial.source,
            "invented": self.trial.invented,
            "reference": self.reference,
            "method": self.method,
            "ratios": [
                {"site": one.site, "stage": one.stage, **_plain(one.interval), "level": one.level, "blocks": one.blocks}
                for one in self.ratios
            ],
            "permutation_p": self.permutation_p,
            "permutations": self.permutations,
            "equivalence": None
            if equal is None
            else {"margin_ratio": equal.margin, "p": equal.p, "within_margin": equal.holds, "level": equal.level}
            | _plain(equal.interval),
            "sites_p": self.sites_p,
            "contrasts": [
                {"of": one.of, "first": one.first, "second": one.second, **_plain(one.interval), "level": one.level}
                for one in self.contrasts
            ],
            "asked_level": self.asked_level,
            "unit": self.trial.unit,
            "exposure": self.trial.exposure,
            "bags_used": self.bags_used,
            "correlation": _plain(self.correlation),
            "blocks_by_who_found_any": asdict(self.zeros),
            "k": self.k,
            "block_sd_of_log": self.block_sd,
            "sized_for_ratio": self.sized_for,
            "blocks_to_tell": self.blocks_to_tell,
            "blocks_to_show_same": self.blocks_to_show_same,
            "effort": [asdict(one) for one in self.effort],
        }


def _plain(interval: Interval) -> dict[str, float]:
    return {"ratio": interval.value, "low": interval.low, "high": interval.high}


def gather_trial(counts: Counts, design: Design, *, pest: str | None = None, site: str | None = None) -> Trial:
    """Return a visit's counted bags by block and method.

    Parameters
    ----------
    counts : Counts
        What came back.
    design : Design
        Its points, each a block of its own.
    pest : str, optional
        Another pest than the visit's own.
    site : str, optional
        What sites are: ``kind``, ``hole``, ``surface_id`` or ``all``; as it was designed when None.

    Returns
    -------
    Trial
        A row a bag and stage; effort is the turf of the plugs, m².
    """
    sites = design.sites_of(design.points.set_index("point_id"), site)
    bags = counts.samples[counts.samples["status"] == "counted"]
    rows = counts.counts[counts.counts["pest"] == (pest or design.visit.pest)][["sample_id", "stage", "count"]]
    merged = rows.merge(pd.DataFrame(bags.drop(columns="geometry")), on="sample_id")
    trial = merged.assign(
        site=merged["point_id"].map(sites),
        block=merged["point_id"],
        bag=merged["sample_id"],
        effort=merged["sampled_m2"],
        cost=float("nan"),
        **{name: [effort_in(note, name) for note in merged["note"]] for name in EFFORT},
    )
    return Trial(trial[list(COLUMNS)], f"visit {counts.visit}", exposure="m2", invented=bool(design.visit.simulated))


def save_comparison(survey: Survey, comparison: Comparison, *, visit: str, pest: str) -> None:
    """Put the ratios into the survey file's findings, in place of the visit's old ones.

    Parameters
    ----------
    survey : Survey
        Where to.
    comparison : Comparison
        What was found.
    visit, pest : str
        Whose rows they are.
    """
    pair = f"{comparison.method}:{comparison.reference}"
    rows = [
        Finding(
            What.COMPARISON,
            f"{pair}, {one.site}, {one.stage}",
            one.interval.value,
            one.interval.low,
            one.interval.high,
            detail={
                "method": comparison.method,
                "reference": comparison.reference,
                "site": one.site,
                "stage": one.stage,
                "level": one.level,
                "blocks": one.blocks,
            },
        )
        for one in comparison.ratios
    ]
    with survey.change() as change:
        put_findings(change, visit, pest, rows)


EXAMPLE = "invented_trial.csv"
WORDS = {
    "site": ("site", "course", "hole", "location", "place", "trial"),
    "block": ("block", "pair", "rep", "replicate", "spot", "point", "point id"),
    "method": ("method", "extraction", "extraction method", "treatment"),
    "bag": ("bag", "sample", "sample id", "plug", "plug number", "label"),
    "stage": ("stage", "life stage", "instar"),
    "count": ("count", "found", "insects", "larvae", "number", "total"),
    "effort": ("plugs", "plugs pooled", "area m2", "sampled m2", "units"),
    "minutes": ("minutes", "min", "time min", "time minutes", "minutes at hand"),
    "wait_hours": ("wait hours", "hours waiting", "waiting hours", "hours to wait", "hours waited"),
    "cost": ("cost", "price"),
}
NEEDED = ("block", "count", "method")


def meaning_of(heading: str) -> str | None:
    """Return the field a heading means, a method's own name for a column of its counts, or None.

    Examples
    --------
    >>> meaning_of("Extraction method"), meaning_of("Brine"), meaning_of("colour")
    ('method', '=brine', None)
    """
    plain = plain_heading(heading)
    for name, words in WORDS.items():
        if plain in words:
            return name
    method = read_method(heading) if len(plain) > 1 else None
    return f"={method}" if isinstance(method, str) else None


def read_trial(path: str | Path, *, pest: str | None = None) -> Trial:
    """Return a trial from a CSV or XLSX file.

    Parameters
    ----------
    path : path
        A table with a row a bag and stage, a column a method, or a column a stage; a filled sheet of a trial is one.
    pest : str, optional
        Whose stages are columns; the usual pest when None.

    Columns are known by their headings (``WORDS``): block, method and count are needed; site, stage, plugs, minutes
    and cost may be there. Instead of method and count, each method may have a column of counts under its own name.
    A table with a column a stage is read as filled sheets are: a bag lost or not extracted is left out, and said.
    A blank count is not counted: its row is left out and said.

    Returns
    -------
    Trial
        A row a bag and stage, with its notes of what was left out.

    Raises
    ------
    EstimateError
        With every cell that can't be read; also when there is no such file.
    """
    path, log, profile = Path(path), Log(), load_pest(pest or DEFAULT_PEST)
    stages = {stage.key for stage in profile.stages} | {UNSTAGED}
    tables = read_tables(path, log, lambda text: meaning_of(text) or know_heading(text, profile))
    expect_header(log, f"a header row with {', '.join(NEEDED)}, or block and a column for each method")
    sheets = [any(know_heading(text, profile) in stages for text in table.headings) for table in tables]
    read = zip(tables, sheets, strict=True)
    rows = [row for table, sheet in read for row in (_sheet_rows(table, profile, log) if sheet else _rows(table, log))]
    headings = [h for table in tables for h in table.headings if meaning_of(h) == "effort"]
    if headings and not all(sheets) and looks_like_numbering(rows):
        remedy = "name it 'plug' if it numbers them, 'plugs pooled' if it is how many are in a bag"
        if plain_heading(headings[0]) == "plugs":
            found = f"1, 2, 3 and so on in every block, in column '{headings[0]}'"
            log.ask(path.name, found, "how many plugs are in each bag", remedy)
    if log.problems:
        raise EstimateError(log.problems)
    return _make_trial(rows, path.name, headings[0] if headings else "", log)


def expect_header(log: Log, expected: str) -> None:
    """Say which header row this room expects where a reader of tables found none that it knows."""
    log.problems[:] = [
        replace(one, expected=expected, remedy="name the columns so") if one.found == NO_HEADER else one
        for one in log.problems
    ]


def looks_like_numbering(rows: Sequence[Mapping[str, object]]) -> bool:
    """Return whether the efforts run 1, 2, 3 and so on in every block, or with every method in it.

    Examples
    --------
    >>> rows = [{"site": "", "block": "a", "method": "heat", "effort": n, "stage": "all"} for n in (1.0, 2.0, 3.0)]
    >>> looks_like_numbering(rows), looks_like_numbering(rows[:1] * 3)
    (True, False)
    """
    for keys in (("site", "block"), ("site", "block", "method")):
        groups: dict[tuple[object, ...], list[object]] = {}
        for row in rows:
            groups.setdefault((*(row[key] for key in keys), row["stage"]), []).append(row["effort"])
        runs = [sorted(map(float, efforts)) == list(range(1, len(efforts) + 1)) for efforts in groups.values()]  # type: ignore[arg-type]
        if runs and all(runs) and max(map(len, groups.values())) > 1:
            return True
    return False


def read_example() -> Trial:
    """Return the invented trial that comes with the program: three sites, blocks of four plugs."""
    with resources.as_file(resources.files("geosample.compare") / EXAMPLE) as path:
        trial = read_trial(path)
    return replace(trial, source=f"{EXAMPLE}, invented", invented=True)


def _rows(table: Table, log: Log) -> list[dict[str, object]]:
    meanings = [meaning_of(heading) for heading in table.headings]
    own = [name for name in meanings if name is not None and name.startswith("=")]
    needed = ("block",) if own else NEEDED
    missing = [name for name in needed if name not in meanings]
    twice = sorted({name for name in meanings if name is not None and meanings.count(name) > 1})
    if missing or twice:
        unknown = [h for h, name in zip(table.headings, meanings, strict=True) if name is None]
        found = f"the columns {', '.join(table.headings)}" + (f"; not known: {', '.join(unknown)}" if unknown else "")
        expected = f"one column each of {', '.join(NEEDED)}, or of block and each method's name"
        remedy = [f"name the column of the {name} '{name}', or add it" for name in missing]
        remedy += [f"keep one column for {name.removeprefix('=')}" for name in twice]
        log.refuse(table.file, found, expected, "; ".join(remedy))
        return []
    unknown = [h for h, name in zip(table.headings, meanings, strict=True) if name is None]
    if unknown:
        log.note("columns_unused", table.file, {"columns": unknown})
    rows: list[dict[str, object]] = []
    for cells, where in zip(table.rows, table.wheres, strict=True):
        named = {name: cell for name, cell in zip(meanings, cells, strict=True) if name is not None}
        splits = [{**named, "method": name[1:], "count": named[name]} for name in own] or [named]
        rows += [row for split in splits if (row := _row(split, where, log)) is not None]
    return rows


def _sheet_rows(table: Table, pest: Pest, log: Log) -> list[dict[str, object]]:
    """Return the rows of a table with a column a stage, read as the counts of a survey are: one a bag and stage."""
    wanted = {h: "point_id" for h in table.headings if meaning_of(h) == "block" and know_heading(h, pest) is None}
    columns = find_columns(table, pest, wanted, log)
    if columns is None:
        return []
    if columns.others:
        log.note("columns_unused", table.file, {"columns": list(columns.others)})
    listed = list_rows(table, columns)
    rows = [row for row in listed if not is_blank(row)]
    if blank := [row.where for row in listed if is_blank(row)]:
        log.note("blank_rows", show_rows(blank))
    rules, read = ReadRules(None, 1, plug_area_m2(pest.unit_diameter_m)), []
    for row in settle_blanks(rows, None, log):
        bag = read_row(row, rules, log)
        if bag is None:
            continue
        if bag.status != "counted":
            log.note("uncounted_bag", row.where, {"status": bag.status})
            continue
        block = row.get("point_id").strip()
        if not block or not bag.method:
            log.ask(row.where, "no block" if not block else "no method", "both in every row", "write it in")
            continue
        site = row.get("site").strip() or ALL
        known = {"site": site, "block": block, "method": bag.method, "bag": row.get("sample_id").strip()}
        effort = {name: _number(row.get(name), f"{row.where}, {name}", log) for name in EFFORT}
        known_too = {"effort": float(bag.plugs), **effort, "cost": math.nan}
        read += [{**known, "stage": stage, "count": count, **known_too} for stage, count in bag.found.items()]
    return read


def _row(cells: Mapping[str, str], where: str, log: Log) -> dict[str, object] | None:
    count, method = read_whole(cells["count"]), read_method(cells["method"])
    if count is None:
        log.note("blank_count", where)
        return None
    block = cells["block"].strip()
    read = {"count": count, "method": method}
    bad = {name: value for name, value in read.items() if isinstance(value, Bad)}
    for name, value in bad.items():
        log.ask(f"{where}, {name}", f"'{cells[name]}'", value.expected, value.remedy)
    if not block or method is None:
        log.ask(where, "no block" if not block else "no method", "both in every row", "write it in")
    names = ("effort", "minutes", "wait_hours", "cost")
    numbers = {name: _number(cells.get(name, ""), f"{where}, {name}", log) for name in names}
    if bad or not block or method is None:
        return None
    effort = 1.0 if math.isnan(numbers["effort"]) else numbers["effort"]
    stage, site = cells.get("stage", "").strip() or ALL, cells.get("site", "").strip() or ALL
    text = {"site": site, "block": block, "bag": cells.get("bag", "").strip(), "stage": stage}
    return {**text, **read, **numbers, "effort": effort}


def _number(text: str, where: str, log: Log) -> float:
    value = read_amount(text)
    if isinstance(value, float):
        return value
    log.ask(where, f"'{text}'", value.expected, value.remedy)
    return math.nan


def _make_trial(rows: list[dict[str, object]], source: str, exposure: str, log: Log) -> Trial:
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    keys = ["site", "block", "method"]
    split = frame[frame["bag"] != ""].groupby(["site", "block", "bag"])["method"].nunique()
    own = split.index.get_level_values("bag").is_unique  # numbers that begin anew in every block name no bag
    unit = "split" if own and len(split) > frame.groupby(["site", "block"]).ngroups and (split > 1).all() else ""
    if unit:  # parts of one bag share its clump: the bag is what was divided among the methods
        frame = frame.assign(block=frame["block"] + ", bag " + frame["bag"])
    # Without a column that names bags, the n-th row of a stage in a block belongs to the block's n-th bag.
    turn = frame.groupby([*keys, "stage"], sort=False).cumcount().astype(str)
    named = frame.assign(turn=frame["bag"].where(frame["bag"] != "", "row " + turn))
    bag = named.groupby([*keys, "turn"], sort=False).ngroup()
    frame = frame.assign(bag=bag)
    pooled = bool((frame["effort"] != 1).any())
    several = bool((frame.groupby(keys)["bag"].nunique() > 1).any())
    unit = unit or ("bag" if pooled or not several else "plug")
    return Trial(frame, source, unit, exposure, notes=tuple(log.notes))
