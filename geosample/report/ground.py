"""Ground in words: a table of hole by kind, the obstacles, and everything that was understood, mended or left out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from geosample.errors import list_names
from geosample.report import show_table
from geosample.units import ACRE_M2, FOOT2_M2, FOOT_M, HECTARE_M2, INCH_M, Units, percent_range, show_area, show_length
from geosample.words import ENCODINGS, NO_HOLE, SHAPE_FAULTS, SURFACE_KINDS

if TYPE_CHECKING:
    from geosample.ground import Ground, Moved, Note, Replaced

OPTIONS = {
    "accuracy_m": "--accuracy",
    "kinds": "--kinds",
    "crs": "--crs",
    "collar_m": "--collar",
    "approach_m": "--approach",
}
"""Arguments that notes may follow from, as the command has them."""
NOTES = {
    "crosses_itself": ("an outline that crosses itself", "mended: all it encloses is kept"),
    "no_area": ("a polygon without area", "left out"),
    "drawn_twice": ("a {kind} drawn twice{on_hole}", "only the one{on_kept_hole} is kept{doubt}"),
    "island": ("an island in a {holders}{on_hole}", "cut out"),
    "island_in_nothing": ("an island in nothing", "left out: it lies in no polygon of that kind"),
    "scraps": (
        "{count} piece{s} too small for a surface",
        "{scraps_done}| under {under_area}, or under {under_share:.0%} of theirs and {under_wide} wide [no source]",
    ),
    "overlap": ("{kind} under {winner}", "given to the {larger}{winner}"),
    "nothing_left": ("a {kind} wholly under others", "nothing of it is left"),
    "much_under_obstacle": (
        "more than a third of a {kind} under one {obstacle}",
        "cut out as stated; see whether the obstacle is an outline that should not be filled",
    ),
    "turf_in_obstacle": (
        "a {kind} inside a {obstacle}",
        "taken as an island: cut out of the {obstacle}; ignore the {obstacle} or the {kind} if that is wrong",
    ),
    "trees_on_turf": (
        "trees drawn as a line across short turf for {length}",
        "distances to trees are measured to it as drawn; split it where no trees stand",
    ),
    "no_hole_known": ("no hole known", "left without; give them a field hole, or name one with --hole-from"),
    "hole_lent": (
        "a {kind} without a hole",
        "given the nearest hole's; where that is wrong, give it a field hole, or see --hole-from",
    ),
    "hole_by_line": ("a {kind} without a hole", "given that of the hole's line through it, or nearest to it"),
    "not_of_course": (
        "{things} of an extract that are not of the course",
        "left out| {other} with no tag that is known here, {far} further than 200 m from all golf [no source]",
    ),
    "cut_through": (
        "{label}: {missing} of its {of} places or lines are not in the extract",
        "{cut_done}: it was cut through when the extract was made; take a larger one",
    ),
    "hole_missing": ("a hole without any ground", "look whether it is in the file, and under which name"),
    "hole_without_green": ("a hole without a green", "look whether it is in the file, and under which name"),
    "collar_derived": ("greens without a collar of their own", "collar derived round each"),
    "collar_drawn": ("greens with a drawn collar, or no width given", "no collar derived"),
    "collar_unused": ("no green on hole {hole}", "its width is not used"),
    "collar_new_ground": (
        "ground beside greens that no surface held",
        "added as collar, before obstacles are cut out",
    ),
    "no_approach": ("no fairway near a green", "no approach derived"),
    "approach_made": ("fairway near its green", "made an approach"),
    "ignored": ("ignored: {label}", "left out as asked"),
    "unknown_point": ("not recognised: {label}", "a point has no ground: left out"),
    "open_line": (
        "an open line: {label}",
        "left out: its ends are {gap} apart; up to {most} and a tenth of the line they are joined| [own choice]",
    ),
    "walked": (
        "{edges} walked edge{edges_s}, {walks} walk{walks_s}",
        "the whole edge lies within {edge}, its area within {shares_found} (95 %){not_told}| "
        "spikes taken out: {spikes}, stops made one place: {stops}, laps of several in one track: {laps}, walked over "
        "again and left out: {over} [Beard and McLain 2012; own choices]",
    ),
    "collar_in_doubt": (
        "collars of {width} round walked greens",
        "drawn from the green's edge, so as wide as you said; where they lie is known within {edge} alone",
    ),
    "no_width": (
        "a line without a width: {label}",
        "kept as an obstacle that takes no area from the turf; draw it as a polygon to cut it out",
    ),
    "by_folder": ("known by its folder, layer or file alone: {label}", "map it with --kinds if not"),
    "by_code": ("read from a short code: {label}", "map it with --kinds if it means another kind"),
    "landmark": ("a landmark: {label}", "kept to look at; it is no ground"),
    "label_unused": ("the label '{label}'", "no feature has it: check its spelling"),
    "no_crs_stated": ("no coordinate system stated", "taken as degrees on WGS84"),
    "datum_shift": (
        "no exact shift from '{crs_name}' to WGS84 here",
        "the whole course may lie beside its true place {within}; shapes and areas are right",
    ),
    "areas_off": ("areas in '{crs_name}' are {area_error:+.3%} off the true ones here", "as asked"),
    "by_layer": ("read from a word in a layer's or block's name: {label}", "map it with --kinds if not"),
    "drawing_other": ("{things} things of the drawing without a shape, or on layers switched off", "left out"),
    "no_unit": ("a drawing that does not say its unit", "taken as that of '{crs_name}'"),
    "by_pairs": (
        "placed by {pairs} pairs of places",
        "they miss by {rms} on the average (root mean square), {worst} at most{scale_found}",
    ),
    "encoding": ("{encoding_found}", "{encoding_done}"),
    "driver_says": ("the driver says: {text}", "see whether anything is missing"),
    "other_map": (
        "another map in the archive",
        "not read: take it out of the archive and name it as a file of its own",
    ),
    **{code: (words, "{done}") for code, words in SHAPE_FAULTS.items()},
}
"""What each note means, and what was done or what the user can do; the names in braces are the note's facts.

What follows a bar is told where all is told."""


ROUTINE = (
    "landmark",
    "overlap",
    "island",
    "by_folder",
    "by_code",
    "collar_derived",
    "collar_new_ground",
    "approach_made",
    "hole_by_line",
    "not_of_course",
    "by_layer",
    "drawing_other",
    "crosses_itself",
    "encoding",
)
"""Notes on what went as it should; they are told after the others."""
_MOST_NOTES = 4


MORE = "After any command, --more tells all of it."
"""Said in a terminal, once: a page shows the rest by itself."""


def tell_ground(ground: Ground, units: Units = "us") -> list[str]:
    """Return the answer: what there is, the table by hole, and what was left out or may be wrong."""
    facts = ground.summary()
    holes = len([hole for hole in facts["holes"] if hole != NO_HOLE])
    surfaces = f"{facts['surfaces']} surfaces on {show_area(facts['area_m2'], units)}"
    cut = [f"{row['count']} {kind}" for kind, row in facts["obstacles"].items()]
    return [
        f"{holes} {'hole' if holes == 1 else 'holes'}, {surfaces}; obstacles: {', '.join(cut) or 'none'}.",
        *_show_table(facts, units),
        *_tell_notes(ground.notes, units),
        MORE,
    ]


def tell_ground_more(ground: Ground, units: Units = "us") -> list[str]:
    """Return the rest: the obstacles' areas, the coordinate system, and every note with its places."""
    facts = ground.summary()
    parts = [
        f"{row['count']} {kind}" + (f" ({show_area(row['area_m2'], units)})" if row["area_m2"] else "")
        for kind, row in facts["obstacles"].items()
    ]
    lines = [f"obstacles: {', '.join(parts) or 'none'}", f"coordinates: {_name_crs(facts)}"]
    if ground.notes:
        lines += ["", "Understood, mended and left out:", *(f"- {tell_note(note, units)}" for note in ground.notes)]
    return lines


def _tell_notes(notes: Iterable[Note], units: Units) -> list[str]:
    """Return the notes without their places, what may be wrong first; of those beyond four only what was seen."""
    told = [_tell_note_parts(note, units) for note in sorted(notes, key=lambda note: note.what in ROUTINE)]
    lines = [f"- {seen}: {done.partition('|')[0]}" for seen, done in told[:_MOST_NOTES]]
    rest = [seen for seen, _ in told[_MOST_NOTES:]]
    return [*lines, *([f"- and {list_names(rest, most=_MOST_NOTES)}"] if rest else [])]


def tell_note(note: Note, units: Units = "us") -> str:
    """Return what was seen, how often and on how much ground, what was done about it, and where.

    Raises
    ------
    KeyError
        For a code that is not in ``NOTES``.
    """
    seen, done = _tell_note_parts(note, units)
    return f"{seen}: {done.replace('|', ';')} ({OPTIONS.get(note.where, note.where)})"


def _tell_note_parts(note: Note, units: Units) -> tuple[str, str]:
    """Return what was seen, how often and on how much ground; and what was done about it."""
    facts = _word_facts(note.facts, units) | {"count": note.count, "s": "s" if note.count > 1 else ""}
    what, done = (text.format_map(facts) for text in NOTES[note.what])
    size = f", {_show_size(note.area_m2, units)}" if note.area_m2 else ""
    times = f" × {note.count}" if note.count > 1 and "{count}" not in NOTES[note.what][0] else ""
    return f"{what}{times}{size}", done


def tell_replaced(replaced: Replaced, units: Units = "us") -> list[str]:
    """Return what moved, and what is to be known of visits that rest on the older ground."""
    moved = [_tell_moved(one, units) for one in replaced.moved]
    lines = [f"Moved: {list_names(moved)}."] if moved else []
    return lines + [
        f"visit {one.visit} stays on the ground it was drawn on, with its results; on the new one {one.off_surface} of "
        f"its {one.points} points would lie off their surface. Draw a new visit for the new ground."
        for one in replaced.visits
    ]


def _tell_moved(moved: Moved, units: Units) -> str:
    before, after, apart = (_show_size(area, units) for area in (moved.before_m2, moved.after_m2, moved.apart_m2))
    if moved.before is None:
        return f"{moved.after} new ({after})"
    if moved.after is None:
        return f"{moved.before} gone ({before})"
    named = f", now {moved.after}" if moved.after != moved.before else ""
    return f"{moved.before} changed from {before} to {after}{named} ({apart} apart)"


def _word_facts(facts: Mapping[str, Any], units: Units) -> dict[str, Any]:
    """Return the facts with those that need more than their value put into words."""
    hole, kept = facts.get("hole"), facts.get("kept_hole")
    found, done = ENCODINGS.get(facts.get("encoding", ""), ("", ""))
    accuracy_m, fix = facts.get("accuracy_m"), show_length(facts.get("fix_m", 0.0), units)
    return {
        **facts,
        "on_hole": f" on hole {hole}" if hole else "",
        "on_kept_hole": f" on hole {kept}" if kept else "",
        "doubt": "; take the wrong one out" if hole and hole != kept else "",
        "holders": " and a ".join(facts.get("kinds", ())),
        "larger": "larger " if facts.get("kind") == facts.get("winner") else "",
        "under_wide": _show_narrow(facts.get("under_wide_m", 0.0), units),
        "under_area": _show_size(facts.get("under_m2", 0.0), units),
        "scraps_done": _tell_scraps(facts, units),
        "length": show_length(facts.get("length_m", 0.0), units),
        "within": f"within about {show_length(accuracy_m, units)}" if accuracy_m else "by an unknown amount",
        "gap": show_length(facts.get("gap_m", 0.0), units),
        "most": show_length(facts.get("most_m", 0.0), units),
        "over": show_length(facts.get("over_m", 0.0), units),
        "edge": show_length(facts.get("edge_m", 0.0), units),
        "width": _show_narrow(facts.get("width_m", 0.0), units),
        "rms": _show_miss(facts.get("rms_m", 0.0), units),
        "worst": _show_miss(facts.get("worst_m", 0.0), units),
        "scale_found": f"; its unit comes out {scale - 1:+.2%} long" if (scale := facts.get("scale")) else "",
        "shares_found": percent_range(facts.get("least_share", 0.0), facts.get("most_share", 0.0)),
        "edges_s": "s" * (facts.get("edges", 0) > 1),
        "walks_s": "s" * (facts.get("walks", 0) > 1),
        "not_told": ""
        if facts.get("told", True)
        else f", if 68 % of its fixes lie within {fix} (from memory): --accuracy",
        "cut_done": "drawn without them, so its outline and area are wrong" if facts.get("drawn") else "left out",
        "encoding_found": found,
        "encoding_done": done,
    }


def _show_miss(length_m: float, units: Units) -> str:
    return f"{length_m / FOOT_M:.1f} ft" if units == "us" else f"{length_m:.2f} m"


def _tell_scraps(facts: Mapping[str, Any], units: Units) -> str:
    left = f"{facts.get('left')} left out ({_show_size(facts.get('left_m2', 0.0), units)})"
    ways = {"given": f"{facts.get('given')} given to the one beside", "left": left}
    return ", ".join(words for way, words in ways.items() if facts.get(way))


def _show_narrow(length_m: float, units: Units) -> str:
    return f"{length_m / INCH_M:.0f} in" if units == "us" else f"{length_m * 100:.0f} cm"


def _show_size(area_m2: float, units: Units) -> str:
    """Return an area as ``show_area`` does, but to two figures where it would round what is some to little or none."""
    small = area_m2 / (FOOT2_M2 if units == "us" else 1.0)
    return f"{small:.2g} {'ft²' if units == 'us' else 'm²'}" if small < 10 else show_area(area_m2, units)  # noqa: PLR2004


def _show_table(facts: Mapping[str, Any], units: Units) -> list[str]:
    small, unit, large, large_unit = (FOOT2_M2, "ft²", ACRE_M2, "acres")
    if units == "metric":
        small, unit, large, large_unit = (1.0, "m²", HECTARE_M2, "ha")
    kinds = [kind for kind in SURFACE_KINDS if kind in facts["kinds"]]
    rows = [_hole_row(hole, found, kinds, small) for hole, found in (*facts["holes"].items(), ("all", facts["kinds"]))]
    areas = [*(facts["kinds"][kind]["area_m2"] for kind in kinds), facts["area_m2"]]
    rows.append([large_unit, *(f"{area / large:,.2f}" for area in areas)])
    return show_table(["hole", *(f"{kind} n, {unit}" for kind in kinds), unit], rows)


def _hole_row(hole: str, found: Mapping[str, Any], kinds: list[str], unit_m2: float) -> list[str]:
    cells = [
        f"{found[kind]['count']}  {found[kind]['area_m2'] / unit_m2:>7,.0f}" if kind in found else "-" for kind in kinds
    ]
    return [hole, *cells, f"{sum(one['area_m2'] for one in found.values()) / unit_m2:,.0f}"]


def _name_crs(facts: Mapping[str, Any]) -> str:
    if facts["crs_centre_lonlat"] is None:
        return f"{facts['crs_name']} ({facts['crs']})"
    lon, lat = facts["crs_centre_lonlat"]
    return f"equal-area, in metres, centred on the course at {lat:.4f}, {lon:.4f} (latitude, longitude)"
