"""The words on the crew's sheets, and of the command that makes them: steps, what to write where, what to beware of.

How to find a point is told by ``geosample.sheets.finding``: those words are read back, and kept with the point.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from geosample.errors import MOST_ALIKE, list_names
from geosample.units import FOOT2_M2, INCH_M, MILE_M, Units, show_area, show_density
from geosample.words import BENCH, FIELD, STATUSES, Caution, hole_number

if TYPE_CHECKING:
    from geosample.design import Visit
    from geosample.sheets import Sheets, StopTable


STEPS: dict[str, tuple[Caution, ...]] = {
    "brine": (
        Caution("Stir 1 lb of salt into 1 gal of water (120 g a litre).", "P"),
        Caution(
            "Crumble the plugs into a container that closes, about a minute a plug: the finer, the more you find.", "P"
        ),
        Caution("Cover with brine, leave some air in, close it and shake for five minutes.", "P"),
        Caution("Let it stand and skim what floats. A batch takes 20-25 minutes, all told.", "P"),
        Caution(
            "Or soak longer: the first larvae are up within 30 minutes, leave it at least 90.",
            "S",
            "New York golf BMP 2019",
        ),
        Caution("Look again with a lens: small larvae are easily missed without practice.", "P"),
        Caution(
            "Count each stage apart. Write 0 where you looked and found none; leave blank what you did not look for.",
            "P",
        ),
    ),
    "heat": (
        Caution("Crumble the plugs on mesh in the funnel, over a jar of water.", "P"),
        Caution("Set the lamp (250 W is usual) above the turf, clear of anything that burns.", "P"),
        Caution("Leave it 48 hours a batch.", "P"),
        Caution("Research runs it 3-4 days at about 32 °C (90 °F).", "A", "Koppenhöfer et al. 2025"),
        Caution("Count what fell into the water, each stage apart. Write 0 where you looked and found none.", "P"),
    ),
    "flush": (
        Caution("Mark the area the design gives, and flush only that.", "P"),
        Caution("Pour 0.8 % soap in two portions of 500 mL.", "A", "2023, Insects 14:509"),
        Caution("Count what comes up, each stage apart, for as many minutes as the visit has agreed.", "P"),
    ),
    "hand": (
        Caution("Tear the plug apart over a pale tray, thatch and crowns first, and open the stems.", "P"),
        Caution("Count each stage apart. Write 0 where you looked and found none.", "P"),
    ),
    "other": (
        Caution("Write down what you did, step by step, and keep to it for the whole visit.", "P"),
        Caution("Count each stage apart. Write 0 where you looked and found none.", "P"),
    ),
}
"""What the bench does with each extraction method, in our own words."""
DANGERS: dict[str, tuple[Caution, ...]] = {
    "brine": (BENCH[1],),
    "heat": (BENCH[0],),
    "flush": FIELD[:3],
    "hand": (),
    "other": BENCH,
}
LABEL_WORDS = "bag labels, plain paper, cut along the lines"
PRINT_WORDS = "Print at 100 %, then measure the {bar} bar on the map: a printer that fits pages shrinks them."
RECOUNT_WORDS = (
    "For a second person. Count these bags again without seeing the first sheet; keep what was found in each bag until "
    "then. The two counts are compared stage by stage.",
)
HOW_TO_FILL = (
    ("status", f"What became of the bag: {', '.join(STATUSES)}. Leave it blank and give counts: that is 'counted'."),
    (
        "could_not, hole_filled",
        "As on the crew's sheets: why a point could not be sampled, and whether its hole was filled.",
    ),
    ("none_found", "yes when you looked and found none: it stands for 0 in every stage."),
    ("others_found, not_done", "As on the bench sheet; not_done is yes for a bag that was not extracted."),
    ("moved", "yes when the plugs were not pulled at the planned place; then give lat and lon where they were."),
    ("lat, lon", "Degrees (WGS 84), only when moved. The planned places are in the waypoints and on the map."),
    ("accuracy_m", "What the receiver said of its own fix, metres."),
    ("plugs", "The plan's number; write over it where more or fewer were pulled."),
    ("counts", "0 when you looked and found none. Blank when you did not look: blank is not zero."),
    (
        "unstaged",
        "Insects whose stage was not told apart: their total alone is enough; not also under a stage.",
    ),
    (
        "minutes, wait_hours",
        "In a trial: minutes at hand and hours of waiting for the bag; of a batch, its minutes by its bags.",
    ),
    ("collected_at", "Date and time, such as 2026-05-04 09:30."),
    ("rows marked reserve", "Used in their order when a main point can't be sampled; leave the others blank."),
)
"""The workbook's columns, and what to write in them."""
COUNT_ERROR = "A whole number, 0 or more; blank when you did not look."
QUESTIONS = {
    "collector": "Who pulled the plugs",
    "hole": "Hole",
    "point_id": "Point",
    "could_not": "Could not, because (leave blank where plugs were pulled)",
    "plugs": "Plugs pulled",
    "moved": "Moved from the planned place?",
    "position": "Where the plugs were pulled",
    "hole_filled": "Hole filled?",
    "collected_at": "When the plugs were pulled",
    "counted_by": "Who counted",
    "batch": "Batch",
    "sample_id": "Bag",
    "not_done": "Not done?",
    "none_found": "None found? (looked in every stage)",
    "others_found": "Others found",
    "note": "Note",
}
"""What the phone's forms ask, by the field it fills: the same as the crew's and the bench's sheets."""
FORM_TITLES = {"pull": "Pulling plugs", "bench": "Counting at the bench"}
FIX_HINT = "Wait for a fix of 5 m or better"


def tell_counting(pest: str) -> str:
    """Return what stands above the form's counts."""
    return f"Counts of {pest}. 0: looked and found none. Blank: did not look."


def tell_unit(visit: Visit, units: Units) -> str:
    """Return what is taken at each point, in words and the user's units."""
    depth = f"{visit.unit_depth_mm / (1000 * INCH_M):.2g} in" if units == "us" else f"{visit.unit_depth_mm:.0f} mm"
    deep = f" and {depth} deep" if visit.unit_depth_mm else ""  # a flush has no depth
    if visit.unit_shape == "plug":
        across_m = 2 * math.sqrt(visit.unit_m2 / math.pi)
        across = f"{across_m / INCH_M:.3g} in" if units == "us" else f"{across_m * 1000:.0f} mm"
        if visit.compare:
            share = f"{visit.units_per_point} plugs for each of {', '.join(visit.compare)}, a bag for each"
            return f"A trial, each point a block, side by side: {share}; plugs {across} across{deep}."
        return f"At each point: {visit.units_per_point} plugs, {across} across{deep}, in one bag."
    area = show_area(visit.unit_m2, units) if visit.unit_m2 > FOOT2_M2 else f"{visit.unit_m2 * 1e4:,.0f} cm²"
    return f"At each point: {visit.units_per_point} of a {visit.unit_shape} of {area}{deep}, in one bag."


def tell_pull(visit: Visit) -> str:
    """Return what is pulled at each point, in short."""
    what = {"plug": "plugs"}.get(visit.unit_shape, f"of a {visit.unit_shape}")
    bags = f"for each of {', '.join(visit.compare)}, a bag each" if visit.compare else "in one bag"
    return f"At each point {visit.units_per_point} {what} {bags}."


def tell_overview(visit: Visit, units: Units, *, pace_m: float, spare: bool) -> list[str]:
    """Return what the crew must know before it sets out; ``spare`` says whether there are reserve points."""
    instead = ", and take the next reserve point of its part of the ground instead (open rings)" if spare else ""
    pace = f"{pace_m / INCH_M:.3g} in" if units == "us" else f"{pace_m:.2g} m"
    return [
        tell_unit(visit, units),
        "Pull the plugs within a step of the point and pool them in the point's bag. Write where to when they had to "
        f"be pulled elsewhere. Write why when a point can't be sampled at all{instead}.",
        "The clock on a green: stand on the side the words name, facing the middle; you stand at 6 o'clock. On a "
        "fairway, left and right are those of somebody facing the green; from its ends pace along the middle; yards "
        "and metres are for a range finder, standing at the point. A phone's "
        f"fix is wider than a collar: go by the words first. A pace is {pace}.",
        " ".join(caution.text for caution in FIELD),
    ]


def show_holes(holes: Sequence[str]) -> str:
    """Return names of holes with a dash for three and more numbers in a row.

    Examples
    --------
    >>> show_holes(["1", "2", "3", "4", "6", "Red 1", "9", "10"])
    '1-4, 6, Red 1, 9, 10'
    """
    runs: list[list[str]] = []
    for hole in holes:
        before = hole_number(runs[-1][-1]) if runs else None
        if before is not None and hole_number(hole) == before + 1:
            runs[-1].append(hole)
        else:
            runs.append([hole])
    return ", ".join(f"{run[0]}-{run[-1]}" if run[2:] else ", ".join(run) for run in runs)


def tell_round(facts: Mapping[str, Any], units: Units) -> str:
    """Return what a round is: its points and holes, how far it is to walk, and how long it takes."""
    name = f"Round {facts['round']} of {facts['of']}" if facts["of"] > 1 else "The round"
    holes = f" on hole{'s' if facts['holes'][1:] else ''} {show_holes(facts['holes'])}" if facts["holes"] else ""
    far = f"{facts['walk_m'] / MILE_M:.1f} miles" if units == "us" else f"{facts['walk_m'] / 1000:.1f} km"
    hours, minutes = divmod(round(facts["minutes"]), 60)
    return (
        f"{name}: {facts['points']} points, {facts['first']} to {facts['last']} of the walk{holes}; {far} round water "
        f"and bunkers, about {hours} h {minutes:02d} min to walk and pull."
    )


def tell_method_sources(method: str) -> list[str]:
    """Return where the numbers on the sheets come from, the only place on them that says so."""
    named = [one for one in (*FIELD, *STEPS.get(method, ())) if one.source]
    told = "; ".join(f"“{one.text.rstrip('.')}”: {one.source}" for one in named)
    return [f"Sources: {told}. All else on these sheets is common practice, no source."]


def tell_point(point: Mapping[Hashable, Any]) -> str:
    """Return where a point lies: its kind of ground and the words that lead to it, and how its plugs are split."""
    words, split = point["finding"], point.get("split")
    told = words if isinstance(words, str) else str(point["kind"])
    if isinstance(split, str):
        told += "; plugs in a row: " + ", ".join(f"{n} {method}" for n, method in enumerate(split.split(), start=1))
    return told


def tell_reserve(point: Mapping[Hashable, Any]) -> str:
    """Return a reserve point's line: its label, what it stands in for, and the words that lead to it."""
    return f"Reserve {point['point_id']}, for {point['stratum']}: {tell_point(point)}"


def tell_bench(method: str) -> list[str]:
    """Return what stands above a method's bench sheet: the order, its steps and its dangers."""
    return [
        "Extract the bags in this order: wherever you have to stop, what is done lies spread over the ground.",
        "0: looked and found none. Blank: did not look. A tick under 'none found' is 0 in every stage. Where stages "
        "are not told apart the total alone is enough, under 'not staged'. Tick 'not done' for a bag not extracted.",
        *(f"{number}. {step.text}" for number, step in enumerate(STEPS[method], start=1)),
        *(caution.text for caution in DANGERS[method]),
    ]


def tell_stop_table(table: StopTable, units: Units) -> list[str]:
    """Return what a table of stop lines rests on, and how to read it."""
    return [
        f"Low means {show_density(table.low_per_m2, units)} or less, high {show_density(table.high_per_m2, units)} or "
        "more. A mean from bags stopped early is marked so.",
        "Pull every plug on the round. Extract the bags in the bench sheet's order, add up what you find, and look at "
        "the row: between the two totals go on with the next bag. Mark the bags you leave as not extracted: they are "
        "no zeros.",
    ]


FILES_FOR = {
    "to print": ("field_map.pdf", "bag_labels.pdf"),
    "for the phone": ("field_page.html", "points.gpx", "points.kml", "form_pull.xlsx", "form_bench.xlsx"),
    "a round each": tuple(f"points_round_{number}.gpx" for number in range(1, 10)),
    "to fill in": ("blank_counts.csv", "blank_counts.xlsx"),
    "for a second person": ("blank_recounts.csv",),
}
"""What each file of the sheets is for."""


def tell_sheets(sheets: Sheets, units: Units = "us") -> list[str]:
    """Return the answer: the files by what they are for, how to print, and what the crew will miss."""
    facts = sheets.summary()
    names = [path.name for path in sheets.paths]
    told = [
        f"{use}: {', '.join(found)}" for use, files in FILES_FOR.items() if (found := [f for f in files if f in names])
    ]
    known = [name for files in FILES_FOR.values() for name in files]
    told += [f"also: {', '.join(others)}"] if (others := [name for name in names if name not in known]) else []
    gaps = {
        "without room for their labels on the map": facts["unlabelled"],
        "with no words to find them by, only the waypoint": facts["wordless"],
    }
    rounds = facts["rounds"] if len(facts["rounds"]) > 1 else []
    return [
        f"Sheets for {facts['points']['main']} points and {facts['points']['reserve']} in reserve, "
        f"{len(names)} {'file' if len(names) == 1 else 'files'} in {sheets.paths[0].parent}:",
        "; ".join(told) + ".",
        *(tell_round(one, units) for one in rounds),
        PRINT_WORDS.format(bar="2 in" if units == "us" else "50 mm"),
        *(f"Points {words}: {list_names(points, most=MOST_ALIKE)}." for words, points in gaps.items() if points),
    ]


def tell_sheets_more(sheets: Sheets) -> list[str]:
    """Return the rest: each file's path, and every point the crew will miss words or a label for."""
    gaps = {"no room on the map for the labels of": sheets.unlabelled}
    gaps["no words to find, only the waypoint"] = sheets.wordless
    return [
        *(f"wrote {path}" for path in sheets.paths),
        *(f"{words}: {', '.join(points)}" for words, points in gaps.items() if points),
    ]
