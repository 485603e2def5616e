"""What the density map says, in words: for the terminal, the GeoTIFF's tags, paper and the page."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from geosample.errors import MOST_ALIKE, list_names
from geosample.report import Aside, show_table
from geosample.report.counts import tell_partly
from geosample.survey.findings import What
from geosample.units import Units, percent, show_area, show_density, show_length, show_number
from geosample.words import GRADES, SIMULATED, name_place

if TYPE_CHECKING:
    import pandas as pd

    from geosample.density import DensityMap
    from geosample.pests import Threshold

CLUSTER_WARNING = "Clusters say 'higher (or lower) than this survey's mean around here', not 'above the threshold'."
ADDS = {
    "yes": "The map foretells a left-out count clearly better than one average does: go by the map.",
    "a little": "The map foretells a left-out count a little better than one average does, no more than luck might.",
    "no": "The map foretells a left-out count no better than one average does: go by averages, not by this map.",
}
"""What the map adds to plain averages, by the code of the answer."""
_PLACES = 1.25
"""Below this ratio between places on one surface the map tells surfaces apart alone (own choice)."""
_SURFACES_ALONE = "It tells surfaces apart, hardly any places on one."
_BORDER = {
    "higher": "the density is higher along the edge",
    "lower": "the density is lower along the edge",
    "unsettled": "the counts do not settle whether the edge differs",
}
_WAYS = {"map": "this map", "average": "one average", "distance": "inverse distance, tuned"}


def tell_start(threshold: Threshold, units: Units) -> str:
    """Return that a threshold was taken to start with, and where it comes from."""
    source = f"{threshold.when}; {threshold.source or GRADES[threshold.grade]}"
    return f"No threshold given: {show_density(threshold.low_per_m2, units)} taken to start with ({source})."


def tell_map(density_map: DensityMap, units: Units = "us") -> list[str]:
    """Return the answer: whether to go by the map, what is above the threshold, and what is not known."""
    facts = density_map.summary()
    simulated = [SIMULATED] if density_map.simulated else []
    trust = [
        *tell_trust(density_map, units),
        *_tell_earlier(density_map.fitted.get("earlier")),
        *tell_partly(density_map.fitted.get("partly")),
    ]
    if density_map.fitted.get("no_map"):
        return [*trust, *simulated, *_tell_coarse(facts, units)]
    return [*trust, *simulated, *_tell_coarse(facts, units), *_tell_above(facts, units)]


def tell_map_more(density_map: DensityMap, units: Units = "us") -> list[str]:
    """Return the rest: the ground, how the map was judged, and what was fitted."""
    facts = density_map.summary()
    lines = [
        f"{facts['pest']}, visit {facts['visit']}: {show_area(facts['area_m2'], units)} in {facts['cells']:,} cells."
    ]
    if density_map.fitted.get("no_map"):
        return lines
    return [
        *lines,
        *_tell_gain(density_map),
        *_tell_scores(facts["map_worth"], units),
        *_tell_fit(density_map, units),
        *_tell_one_sided(facts, units),
    ]


def tell_trust(density_map: DensityMap, units: Units = "us") -> list[str]:
    """Return how far to trust the map: what it adds to plain averages, or that there is none."""
    none = density_map.findings.first(What.NO_MAP)
    if none is not None:
        asked = none.detail
        return [
            f"No map: {none.value:,.0f} insects in {asked['samples']} bags is fewer than {asked['fewest_insects']}. "
            f"All that can be said is that the mean density is below {show_density(none.high, units)} with "
            f"{percent(asked['confidence'])} confidence; no place is shown as clean."
        ]
    worth = density_map.findings.first(What.MAP_WORTH)
    if worth is None or "answer" not in worth.detail:
        return []
    answer, odd = worth.detail["answer"], ", ".join(f"{count:,}" for count in worth.detail["left_out"])
    without = f" Judged without the count of {odd}, which would decide by itself: check it." if odd else ""
    flat = "" if answer == "no" or density_map.within_surfaces_ratio > _PLACES else f" {_SURFACES_ALONE}"
    return [f"{ADDS[answer]}{flat}{without}"]


def _tell_earlier(earlier: Mapping[str, Any] | None) -> list[str]:
    """Return with what weight the bags of the visit before were taken in, where they were.

    A weight and no chance: of unrelated visits it is a tenth on average (``tests/benchmarks/map_last.md``).
    """
    if earlier is None:
        return []
    bags, visit = earlier["bags"], earlier["visit"]
    return [
        f"The {bags} bags of {visit} are taken in as far as both visits show one pattern: with a weight of "
        f"{percent(earlier['weight'])}."
    ]


def _tell_gain(density_map: DensityMap) -> list[str]:
    """Return by how much the map foretold left-out counts better than one average."""
    worth = density_map.findings.first(What.MAP_WORTH)
    if worth is None or not math.isfinite(worth.value):
        return []
    return [
        "How it was judged: each count foretold from the others. Gain in log score (the log of the chance given to "
        f"what was found) over one average: {worth.value:+.3f} a bag, {percent(worth.detail['level'])} interval "
        f"{worth.low:+.3f} to {worth.high:+.3f}."
    ]


FEW_BAGS = "A few bags say little of their hole, so the map keeps it near the average of all"
"""Why the map and a hole's own bags differ."""
MOST_PLACES_OPEN = 9
"""A table of as many places stands open on a card; a longer one is told with the rest."""


def tell_own_bags(compared: pd.DataFrame, threshold_per_m2: float, units: Units) -> tuple[list[str], list[str]]:
    """Return what each hole's own bags average beside the map: lines of the answer, and lines for the rest.

    Parameters
    ----------
    compared : DataFrame
        As ``compare_bags`` of the density room gives it.
    threshold_per_m2 : float
        Where the two lie on opposite sides of it, that is said first.
    units : {'us', 'metric'}
        Of the densities.
    """
    counted = compared[compared["bags"] > 0]
    if counted.empty:
        return [], []
    limit, unit = show_density(threshold_per_m2, units), "ft²" if units == "us" else "m²"
    apart = counted[(counted["own_per_m2"] >= threshold_per_m2) != (counted["map_per_m2"] >= threshold_per_m2)]
    told = [
        (name_place(row["hole"], row["kind"]), *(show_density(row[f"{of}_per_m2"], units) for of in ("own", "map")))
        for row in apart.to_dict("records")
    ]
    places = [f"{place} (bags {own}, map {of_map})" for place, own, of_map in told if limit not in {own, of_map}]
    said = [Aside(f"Bags and map differ about {limit}: {list_names(places, most=MOST_ALIKE)}. {FEW_BAGS}.")]
    table = show_table(
        ["", f"own bags, per {unit}", f"map, per {unit}", "bags"],
        [
            [
                name_place(row["hole"], row["kind"]),
                show_density(row["own_per_m2"], units).split("/")[0] if row["bags"] else "none",
                show_density(row["map_per_m2"], units).split("/")[0],
                str(row["bags"]),
            ]
            for row in compared.to_dict("records")
        ],
    )
    open_now = len(compared) <= MOST_PLACES_OPEN
    asides: list[str] = [Aside(line) for line in table]
    return [*(said if places else []), *(asides if open_now else [])], [] if open_now else ["", *table]


def tell_clusters(found: Mapping[str, Any], units: Units = "us") -> str:
    """Return how many samples lie in a cluster of high counts, how that was looked for, and what it does not say."""
    many = len(found["high"])
    how = (
        f"Getis-Ord Gi*: each count with those within {show_length(found['band_m'], units)} against the counts dealt "
        f"out at random; of those named, {percent(found['false_share'])} may be luck"
    )
    samples = "sample has" if many == 1 else "samples have"
    return f"{many} {samples} more high counts around than chance gives ({how}). {CLUSTER_WARNING}"


def tell_places(table: pd.DataFrame, units: Units) -> list[str]:
    """Return the densities at points and of areas, a line each, from ``estimate_places``."""
    rows = [
        [
            str(row["name"]),
            show_area(row["area_m2"], units) if row["what"] == "area" else "point",
            *(show_density(row[f"{end}_per_m2"], units) for end in ("mean", "low", "high")),
            percent(row["probability"]),
        ]
        for row in table.to_dict("records")
    ]
    return show_table(["asked for", "area", "mean", "low", "high", "over threshold"], rows)


def tell_followup(facts: Mapping[str, Any]) -> list[str]:
    """Return a second round in lines, from its visit, what it follows, its points and the cost saved."""
    return [
        f"Visit {facts['visit']}: {len(facts['points'])} points after {facts['follows']}, in walking order: "
        f"{list_names(facts['points'], most=MOST_ALIKE)}.",
        f"By the map, they should save {percent(facts['cost_saved'])} of the cost to expect of deciding now.",
    ]


def tag_map(density_map: DensityMap) -> dict[str, str]:
    """Return what stands in the GeoTIFF's tags in words."""
    interval = f"low to high holds the density with probability {density_map.level:g}"
    return {
        "interval": f"{interval}; wider than the exceedance's own spread",
        "data": SIMULATED if density_map.simulated else "counts as they came back",
        "map_worth": " ".join(tell_trust(density_map)),
    }


def _tell_coarse(facts: Mapping[str, Any], units: Units) -> list[str]:
    """Return a warning where the cells are too large to show anything inside a surface."""
    if not facts["coarse_surfaces"]:
        return []
    return [
        f"Cells of {show_length(facts['cell_m'], units)} are large for this ground: {facts['coarse_surfaces']} of "
        f"{facts['surfaces']} surfaces have fewer than {facts['fewest_cells']} cells, each of which stands for all "
        "inside it. Take smaller ones."
    ]


def _tell_scores(worth: Mapping[str, Any], units: Units) -> list[str]:
    rows = [[name, f"{worth['log_score'][key]:.3f}", f"{worth['crps'][key]:.3f}"] for key, name in _WAYS.items()]
    holds = ", ".join(f"{percent(float(level))} held {percent(share)}" for level, share in worth["holds"].items())
    blocks = worth.get("blocks")
    lines = [
        *show_table(["each count foretold from the others", "log score", "mean miss"], rows),
        f"(Both: how far off the chances foretold were, lower is better. Intervals foretold to hold {holds} of the "
        "counts.)",
    ]
    if blocks:
        own, flat = (blocks["log_score"][way] for way in ("map", "average"))
        lines.append(
            f"Blocks of {show_length(blocks['block_m'], units)} foretold from the others: log score {own:.3f}, one "
            f"average {flat:.3f}."
        )
    return lines


def _tell_fit(density_map: DensityMap, units: Units) -> list[str]:
    k, reach, spread = (density_map.findings.first(what) for what in (What.MAP_K, What.RANGE, What.SPREAD))
    lines = []
    if k and reach and spread:
        lines.append(
            f"Fitted: k {show_number(k.value)} (how clumped insects lie); densities spread from place to place "
            f"by a factor of {show_number(math.exp(spread.value))} (one standard deviation), alike within about "
            f"{show_length(reach.value, units)}."
        )
    border = density_map.findings.first(What.BORDER_EFFECT)
    if border:
        chance = border.detail.get("chance")  # maps of older versions have none
        lines.append(
            f"At the outer edge over far inside, other things equal: {show_number(border.value)} "
            f"({show_number(border.low)} to {show_number(border.high)}, {percent(border.detail['level'])} interval): "
            f"{_BORDER[border.detail['verdict']]} (shrunk towards 1; falls off over "
            f"{show_length(border.detail['scale_m'], units)}"
            + (f"; {percent(chance)} chance that there is an edge effect at all" if chance is not None else "")
            + ")."
        )
    clusters = density_map.findings.first(What.CLUSTERS)
    return [*lines, *([tell_clusters(clusters.detail, units)] if clusters and clusters.value else [])]


def _tell_known(share: float, threshold: str = "") -> str:
    rest = "; the rest is not known, which is not the same as clean" if share < 1 else ""
    return f"The counts speak for {percent(share)} of the area{threshold}{rest}."


def _tell_above(facts: Mapping[str, Any], units: Units) -> list[str]:
    """Return how much is likely above the threshold, and of how much the counts speak at all."""
    per_m2 = facts["threshold_per_m2"]
    if per_m2 is None:
        return [_tell_known(facts["known_share"])]
    threshold = show_density(per_m2, units)
    likely, sure = (show_area(facts[f"area_over_{chance}_m2"], units) for chance in ("0.5", "0.8"))
    lines = [
        f"Above {threshold}: more likely than not on {likely} of {show_area(facts['area_m2'], units)}; with a chance "
        f"of 80 % or more on {sure}.",
        _tell_known(facts["decided_share"], f" at {threshold}"),
    ]
    low, high = facts["lowest_per_m2"], facts["highest_per_m2"]
    if not low <= per_m2 <= high:
        reach = f"{show_density(low, units)} to {show_density(high, units)}"
        lines.append(f"The threshold of {threshold} lies outside everything on the map ({reach}): check its unit.")
    return lines


def _tell_one_sided(facts: Mapping[str, Any], units: Units) -> list[str]:
    if facts["threshold_per_m2"] is None:
        return []
    return [
        f"Wholly above or below {show_density(facts['threshold_per_m2'], units)}, by the interval: "
        f"{percent(facts['one_sided_share'])} of the area; elsewhere only chances say."
    ]
