"""What a place says of itself when it is tapped: one sentence or two, with unit and uncertainty."""

from __future__ import annotations

from typing import Any

import pandas as pd
from markupsafe import Markup

from geosample.units import percent, show_length
from geosample.webmap import wording
from geosample.words import ACTIONS, STATUSES

COUNT_LEVEL = 0.95
ALL_KNOWN = 0.995


def count_interval(count: int, sampled_m2: float, level: float = COUNT_LEVEL) -> tuple[float, float]:
    """Return the densities per m² that a count alone allows, were the insects spread at random around the point.

    Notes
    -----
    The exact Poisson interval; clumping and what extraction missed widen it further.

    References
    ----------
    Garwood 1936, Biometrika 28:437-442.

    Examples
    --------
    >>> [round(end, 2) for end in count_interval(10, 1.0)]
    [4.8, 18.39]
    """
    from scipy.special import gammaincinv

    tail = (1 - level) / 2
    low = gammaincinv(count, tail) if count else 0.0
    return float(low / sampled_m2), float(gammaincinv(count + 1, 1 - tail) / sampled_m2)


def name_place(row: dict[str, Any]) -> Markup:
    """Return where a point, surface or zone is.

    Examples
    --------
    >>> print(name_place({"hole": "7", "kind": "fairway"}))
    hole 7 fairway
    """
    hole = row.get("hole")
    return Markup("hole {} {}").format(hole, row["kind"]) if isinstance(hole, str) else Markup("{}").format(row["kind"])


def say_point(point: dict[str, Any], samples: list[dict[str, Any]], pest: str) -> Markup:
    """Return a point's pop-up: what was found, what that means per area, and how little one count can say."""
    head = Markup("<b>Point {}</b>, {}.").format(point["point_id"], name_place(point))
    edge = point.get("edge_m")
    if edge is not None and pd.notna(edge):
        head += Markup(" {} from the edge.").format(wording.both(show_length, edge))
    if not samples:
        return head + Markup(" No count yet.")
    return head + Markup("").join(Markup("<br>{}").format(say_sample(sample, pest)) for sample in samples)


def say_sample(sample: dict[str, Any], pest: str) -> Markup:
    """Return what one bag says."""
    if sample["status"] != "counted" or pd.isna(sample["count"]):
        why = STATUSES[sample["status"]].missing
        return Markup("{}; missing, not zero.").format(why[0].upper() + why[1:])
    count, plugs = int(sample["count"]), wording.plural(int(sample["plugs"]), "plug")
    low, high = count_interval(count, sample["sampled_m2"])
    allowed = wording.interval(low, high)
    if count == 0:
        return Markup("No {} in {} ({}). An empty sample is not a clean spot: up to {} can read zero.").format(
            pest, plugs, sample["method"], wording.density(high)
        )
    return Markup("{} {} in {} ({}): {} here; this count alone allows {} (95 %).").format(
        count, pest, plugs, sample["method"], wording.density(count / sample["sampled_m2"]), allowed
    )


def say_surface(surface: dict[str, Any], cells: pd.DataFrame | None) -> Markup:
    """Return a surface's pop-up: its size and what the map's cells on it say; None where there is no map."""
    name = surface.get("name")
    named = Markup(" “{}”").format(name) if isinstance(name, str) and name else Markup("")
    head = Markup("<b>{}</b>{}: {}, {}.").format(
        surface["surface_id"], named, name_place(surface), wording.area(surface["area_m2"])
    )
    return head if cells is None else head + Markup(" {}").format(_say_cells(cells))


def _say_cells(cells: pd.DataFrame) -> Markup:
    known = cells[cells["known"]]
    if known.empty:
        return Markup("Not known: the counts say too little of it.")
    weights = known["area_m2"]
    mean = float((known["expected_per_m2"] * weights).sum() / weights.sum())
    share = float(weights.sum() / cells["area_m2"].sum())
    text = Markup("Mapped mean {}; single places from {}.").format(
        wording.density(mean), wording.interval(known["low_per_m2"].min(), known["high_per_m2"].max())
    )
    return text if share == 1 else text + Markup(" {} of it is not known.").format(percent(1 - share))


def say_hotspot(patch: dict[str, Any], level: float, threshold_per_m2: float) -> Markup:
    """Return a hotspot's pop-up: what is probable there, how large it is, and how much of it is known."""
    text = Markup("<b>Hotspot</b>: everywhere in it the chance of more than {} is {} or more: {}.").format(
        wording.density(threshold_per_m2), percent(level), wording.area(patch["area_m2"])
    )
    text += Markup(" Expected {}.").format(wording.density(patch["mean_per_m2"]))
    share = patch["known_m2"] / patch["area_m2"]
    return text if share > ALL_KNOWN else text + Markup(" Only {} of it is known well enough.").format(percent(share))


def _zone_interval(zone: dict[str, Any]) -> Markup:
    """Return a zone's interval where the survey holds one."""
    low, high = (zone.get(f"{end}_per_m2", float("nan")) for end in ("low", "high"))
    if pd.isna(low) or pd.isna(high):
        return Markup("")
    return Markup(" (between {})").format(wording.interval(low, high))


def say_zone(zone: dict[str, Any]) -> Markup:
    """Return a zone's pop-up: what is suggested, how large it is, why, and who decides."""
    text = Markup("<b>Zone {}</b>, {}: {}, {}.").format(
        zone["zone_id"],
        ACTIONS[zone["action"]].reason,
        name_place(zone),
        wording.area(zone["area_m2"]),
    )
    if pd.notna(zone["mean_per_m2"]):
        text += Markup(" Expected {}{}.").format(wording.density(zone["mean_per_m2"]), _zone_interval(zone))
    if pd.notna(zone["probability"]) and pd.notna(zone["threshold_per_m2"]):
        text += Markup(" The chance of more than {} is {}.").format(
            wording.density(zone["threshold_per_m2"]), percent(zone["probability"])
        )
    if zone["border_only"]:
        text += Markup(" Border only.")
    if zone.get("overspray_m2", 0) > 0:
        text += Markup(" A boom driven whole would also wet {} around it.").format(wording.area(zone["overspray_m2"]))
    return text + Markup(' <a href="#cautions">The label is the law; a licensed applicator decides.</a>')
