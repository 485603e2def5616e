"""Words of the desk: titles, hints and what it says of the work, for the page in the browser."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

ENTRY = """<!DOCTYPE html>
<html lang="en"><meta charset="utf-8"><meta name="referrer" content="no-referrer"><title>geosample desk</title>
<body><form method="post" action="http://{address}/enter"><input type="hidden" name="key" value="{key}">
<button>Open the desk</button></form><script>document.forms[0].submit()</script></body></html>
"""
ENTERED = """<!DOCTYPE html>
<html lang="en"><meta charset="utf-8"><title>geosample desk</title><link rel="icon" href="data:,">
<meta http-equiv="refresh" content="0; url=/">
<a href="/">Go on to the desk</a></html>
"""
SHUT = """<!DOCTYPE html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>geosample desk</title><p>This desk does not know this browser. To come in, type in a terminal, with the folder
you work in: <b>geosample desk FOLDER</b></p><p>It opens the desk here, also where it is still running. What was stored
or typed is kept.</p></html>
"""
WAIT = """<!DOCTYPE html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>geosample desk</title><meta http-equiv="refresh" content="3"><p>{words}</p></html>
"""
TITLES = {
    "ground": ("Ground", "Read the file"),
    "plan": ("Plan", "Keep this plan"),
    "sheets": ("Sheets", "Make the sheets"),
    "counts": ("Counts", "Take the counts in"),
    "answer": ("Answer", "Work it out"),
    "treat": ("Treat", "Make the plan and its files"),
    "record": ("Record", "Store the record"),
}
"""Step -> its title, and what its button says."""
HINTS = {
    "ground": "Drop the course's file here: the outlines of greens, fairways, bunkers and water, in any map format.",
    "plan": "Click holes on the map or write them, move the slider, and look at the points. Nothing is stored before "
    "you keep the plan.",
    "sheets": "Maps and blank sheets for the crew, waypoints for phones. Print them at 100 %.",
    "counts": "Drop the filled sheet here, or type the counts bag by bag. Zero is a count: write 0. Blank is not.",
    "answer": "How many insects, where, and how sure that is. The threshold is the density above which you would act.",
    "treat": "Move the threshold and the cost of a miss, and watch the zones. The label and a licensed applicator "
    "decide.",
    "record": "After the treatment: what was done, for the rules and for the next plan.",
}
LABELS = {
    "accuracy": "Receiver's accuracy",
    "aerial": "Picture",
    "aerial-crs": "Picture's coordinates",
    "aerial-pairs": "Places in the picture",
    "at": "Places of your own",
    "base-map": "Online map",
    "base-credit": "Its owner",
    "blank": "A blank is",
    "by": "Groups",
    "carrier": "Water, carrier",
    "cell": "Size of a cell",
    "checks": "Check strips",
    "allocation": "How parts share",
    "columns": "Unknown headings",
    "covariates": "What may shift it",
    "crs": "Working coordinates",
    "file-crs": "File's coordinates",
    "gps-within": "GPS within",
    "kinds": "What names mean",
    "keep": "Share kept",
    "keep-off": "Keep off",
    "level": "Confidence",
    "miss-cost": "Cost of a miss",
    "most": "Most",
    "others": "Other visits",
    "plug-price": "Price of a plug",
    "set": "Other fields",
    "smallest": "Smallest zone",
    "sure": "The date is right",
    "swap-lonlat": "Latitude first",
    "swath": "Sprayer's width",
    "without-holes": "Leave out holes",
}
"""Option -> what its field is called at the desk; what is not here has the option's own name."""
PHRASES = {
    "not_yet": "not done yet",
    "needs": "needs first: {steps}",
    "stale": "out of date: {steps} changed since. Do it again.",
    "done": "done",
    "elsewhere": "done outside this desk",
    "when": "{when}",
    "from": "from {names}",
    "running": "working ...",
    "cancelled": "Cancelled. The survey is as it was.",
    "crashed": "The work stopped by a fault of the program or the machine. The survey is as it was; nothing is lost.",
    "not_rolled_back": "The state before stands in {before}: copy it over the survey file.",
    "left_begun": "The step had begun the survey {survey}: delete that file, then do the step again.",
    "stillborn": "Nothing can run: the part of the program that does the work ended at its start. The terminal where "
    "the desk was started tells why.",
    "busy": "Another piece of work is still running; this one waits for it.",
    "undone": "Undone: the survey is as it was before this step.",
    "not_undone": "Not undone: this step's results were changed since by other work, which would be lost.",
    "changed": "Changed by another window or program: {steps}. The page shows it now; what you typed is still here.",
    "turned": "Another window turned the desk to visit {visit} of {survey}.",
    "other_shown": "Another window turned the desk to visit {visit} of {survey}: look at it, then press again.",
    "look_again": "Another window or program just changed: {steps}. Look at it, then press again.",
    "mixed": "Another program wrote to the survey meanwhile, so part of this step stays. Before it: {before}",
    "typed_elsewhere": "{bag} {column}: another window wrote {value} there, which stays. Type again to change it.",
    "other_sheet": "The plan was changed, and with it the sheet. Go back to the map and open the sheet again; what was "
    "typed is kept.",
    "closed": "The desk is closed. You can close this window.",
    "lost": "The desk does not answer. In a terminal, with the folder you work in, type: geosample desk FOLDER",
    "shut": "The desk no longer knows this browser. In a terminal, with the folder you work in, type: geosample desk "
    "FOLDER",
    "typed": "{bag} {column} {value}: saved",
    "too_large": "The file is too large for the desk: 128 MB at most.",
    "bad_value": "Whole numbers only: '{value}' was not taken.",
    "none_and_count": "None found and a count exclude each other: clear one first.",
    "empty": "Drop the course's file on the card 'Ground' to begin.",
    "none_found": "None found",
    "bag": "Bag",
    "no_count": "No count because",
    "others_found": "Others found",
    "reserve_bag": "{bag} (reserve)",
    "total": "Total",
    "no_total": "no total",
    "partly": "{bag} has no total: {stages} left blank, and blank is not zero. R in its row: the rest are 0.",
    "next_bag": "The next bag already: {bag}.",
    "bench_keys": "Digits and Enter: the next bag. Arrows: any cell. N: none found. R: the rest are 0. S: why there is "
    "no count.",
    "draw_keys": "Click for corners, drag them, click the first to close. Here is the cross: arrows and + - move the "
    "map under it; Enter: a corner here; M: the nearest comes here; Delete: it goes; Backspace: undo.",
    "corners": "Corners: {n}",
    "few_corners": "Three corners at least.",
    "new_surface": "New surface",
    "newest_ground": "The map shows the newest ground. Visit {visit} rests on an older one, shown by later cards.",
    "map_comes": "The map is being drawn anew; then you can begin.",
    "no_picture": "Lay a picture underneath first, or name an online map and a place.",
    "spot_first": "Drop a PNG or JPEG above and choose it as Aerial first; a GeoTIFF says itself where it lies.",
    "spot": "Places: {n}. Click one in your picture that you can also find on the map or know: a corner of a building, "
    "the tip of a bunker; three at least, far apart. By keys: arrows move the picture under the cross, Enter takes it.",
    "spot_where": "Where is place {n}? Click it on the map, or write its longitude,latitude, such as -73.91,41.52.",
    "on_sheets": "On the sheets too",
    "place": "Where to begin",
    "on_sheets_help": "Whether it lies under the sheets' maps too, grey and light.",
    "place_help": "Where to begin without a picture: longitude,latitude, such as -73.91,41.52.",
    "pick_now": "Click the place on the map.",
    "unused": "Files no longer used: {many}",
    "put_away": "Put away: {many}, in the folder {place}. Nothing was deleted.",
    "none_put_away": "Nothing to put away: these files are used, or were changed since.",
    "back": "Back to the map",
    "pick": "Pick it on the map",
    "show_work": "Show the work",
    "show_map": "Show the map",
    "irac_group": "mode-of-action group of the product (IRAC), such as 28",
    "draft": "Draft, not stored:",
    "drafting": "Working on a new draft ...",
    "no_file": "No file is chosen. Drop one here, or tick it in the list.",
    "fill_in": "Fill in: {names}.",
    "force": "Replace it all the same",
    "all": "All of it",
    "replaces": "Visit {visit} has a plan. A new one makes its sheets void, with what was written on them.",
    "replace": "Replace the plan of {visit}",
    "kept_picture": "{name} is here; lay it under, or place it first if it does not say itself where it lies.",
    "kept_file": "{name} is here; press the button.",
}
PHONES = {
    "shut": "Scan the code on the desk's screen. What was entered is kept on this phone.",
    "other_words": "the same entry came before with other words",
    "too_many": "the desk has too many entries",
    "no_text": "it is no text",
    "unknown": "it has columns that nobody knows: {names}",
    "not_own": "it is not this phone's",
    "bad_cell": "{name} is none that fits",
    "label": "{bag}.",
    "no_label": "No label was read. Closer, in the light, or type its number.",
    "other_label": "This label is of another design.",
    "moved": "The address for phones is another one than last time. A phone that still holds entries of then saves "
    "them as a file, from the page it has open.",
    "settled": "Settled: the other is taken back.",
    "not_settled": "Not settled: what differs there has changed. Look again.",
    "ended": "Ended, and the code is a new one. What a phone had not sent it keeps.",
    "title": "Phones",
    "scan": "Scan this with a phone on the same network, or open the address there:",
    "open_network": "The local network carries what phones send unencrypted: whoever is on it can read along, and who "
    "sees this code can come in. Phones add field notes and counts and can do nothing else.",
    "nobody": "No phone is here yet.",
    "one": "{person}: entries {entries}{at}",
    "away": "{person}: entries {entries}; not heard of for half a minute",
    "at": ", at {at}",
    "end_one": "End",
    "end_all": "End all phones",
    "came": "Entries: {entries}, in {file}. Tick it on the card 'Counts' to take them in.",
    "differ": "Two entries say different things of {what}. Which holds?",
    "this_holds": "{who}, {when}: {said}",
    "back": "Back to the map",
}
"""What is said of phones: to them, and on the desk's page."""


def name_field(option: str) -> str:
    """Return what an option's field is called at the desk.

    Examples
    --------
    >>> name_field("gps-within"), name_field("hole-groups")
    ('GPS within', 'Hole groups')
    """
    plain = option.replace("-", " ")
    return LABELS.get(option, plain[:1].upper() + plain[1:])


def join_steps(steps: list[str]) -> str:
    """Return steps as a person names them.

    Examples
    --------
    >>> join_steps(["plan", "counts"])
    'Plan, Counts'
    """
    return ", ".join(TITLES[step][0] for step in steps)


def tell_desk(folder: Path) -> str:
    """Return how to go on from a folder in the browser."""
    return f"The same in the browser: geosample desk {folder}"


def tell_open(address: str, door: str, *, already: bool) -> str:
    """Return that a desk is open, or was already, and the file that lets a browser in."""
    still = "already open in this folder " if already else "open "
    return f"The desk is {still}at {address} for the browser that opens this file once: {door}"
