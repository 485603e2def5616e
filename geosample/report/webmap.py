"""The page in words: the answer, what a place says when it is tapped, the legends; every quantity in both units.

What came from a file is escaped on its way in: functions return ``Markup``, which is finished HTML.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache, partial
from importlib import resources
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from geosample import __version__, units
from geosample.errors import MOST_ALIKE, list_names
from geosample.report.density import CLUSTER_WARNING, tell_clusters, tell_trust
from geosample.report.estimate import tell_border, tell_decisions
from geosample.report.treat import tell_reason, tell_zone
from geosample.survey.findings import What
from geosample.units import Units, percent, percent_range, set_percent, show_area, show_length
from geosample.words import (
    ACTIONS,
    IN_SHORT,
    SIMULATED,
    STATUSES,
    TREATMENT,
    hole_key,
    name_many,
    name_place,
    number_sources,
)

if TYPE_CHECKING:
    from pathlib import Path

    from jinja2 import Template

    from geosample.webmap.pictures import MapPictures, Swatch
    from geosample.webmap.story import Story

ALL_KNOWN = 0.995
_NOT_DONE = {
    "design": "no visit has been designed (geosample design)",
    "counts": "no counts have come back (geosample counts)",
    "estimate": "no means have been worked out (geosample estimate)",
    "density": "the density has not been mapped (geosample density)",
    "treat": "no zones have been marked out (geosample treat)",
}


SCRIPT_WORDS = {
    "map": "Map of the course, north up",
    "north": "North is up",
    "me": "Me",
    "find_me": "Show where I am",
    "asks": "To place you, the browser may ask its maker's location service. Press Me again if you want that.",
    "within": 'You are within <span class="us">{ft} ft</span><span class="metric">{m} m</span> of here, as your '
    "receiver puts it.",
    "no_fix": "No position: {why}.",
    "none": "the browser gave none",
}
"""What the page's script says, by the name it knows; braces are filled in by the script."""


def twice(tell: Callable[[Units], str]) -> Markup:
    """Return a text in US and in metric units, of which the page shows what the reader chose; once where they agree.

    Examples
    --------
    >>> print(twice(lambda shown: units.show_length(4.572, shown)))
    <span class="us">15 ft</span><span class="metric">4.6 m</span>
    >>> print(twice(lambda shown: "no quantity in it"))
    no quantity in it
    """
    us, metric = tell("us"), tell("metric")
    if us == metric:
        return Markup("{}").format(us)
    return Markup('<span class="us">{}</span><span class="metric">{}</span>').format(us, metric)


def _both(show: Callable[[float, Units], str], value: float) -> Markup:
    return twice(lambda shown: show(value, shown)) if math.isfinite(value) else Markup("not known")


density = partial(_both, units.show_density)
area = partial(_both, units.show_area)


def interval(low_per_m2: float, high_per_m2: float) -> Markup:
    """Return a range of densities, such as 15 to 39/ft².

    Examples
    --------
    >>> print(interval(118.4, 1076.39))
    <span class="us">11 to 100/ft²</span><span class="metric">118 to 1,076/m²</span>
    """
    return twice(lambda shown: units.show_range(low_per_m2, high_per_m2, shown))


def _join(words: Iterable[str | Markup]) -> Markup:
    """Return words joined as a person would.

    Examples
    --------
    >>> print(_join(["greens", "collars", "fairways"]))
    greens, collars and fairways
    """
    parts = [Markup("{}").format(word) for word in words]
    if len(parts) < 2:  # noqa: PLR2004
        return Markup("").join(parts)
    return Markup("{} and {}").format(Markup(", ").join(parts[:-1]), parts[-1])


def _plural(number: int, word: str) -> str:
    return f"{number:,} {word}{'' if number == 1 else 's'}"


def _sentences(*parts: str | Markup) -> Markup:
    return Markup(" ").join(Markup("{}").format(part) for part in parts if part)


def _name_holes(holes: Iterable[str | None]) -> Markup:
    """Return the holes in playing order, in words.

    Examples
    --------
    >>> print(_name_holes(["10", "2", "2"]))
    holes 2 and 10
    """
    names = sorted({hole for hole in holes if isinstance(hole, str)}, key=hole_key)
    if not names:
        return Markup("ground without a hole")
    return Markup("{} {}").format("hole" if len(names) == 1 else "holes", _join(names))


def _rounded(value: float) -> str:
    """Return a large number to two figures, as its interval allows no more.

    Examples
    --------
    >>> _rounded(1_234_567), _rounded(48_300), _rounded(7)
    ('1.2 million', '48,000', '7')
    """
    if not math.isfinite(value):
        return "not known"
    if value >= 1e6:  # noqa: PLR2004
        return f"{float(f'{value / 1e6:.2g}'):,g} million"
    return f"{float(f'{value:.2g}'):,.0f}"


# The answer


def tell_in_a_line(story: Story) -> Markup:
    """Return what to do in a line; what a phone has no room for stands in ``wide``."""
    treat, (unknown_m2, mapped_m2) = story.zones_to("treat"), story.not_known
    if len(treat):
        area_m2 = float(treat["area_m2"].sum())
        share = f" ({percent(area_m2 / mapped_m2)})" if mapped_m2 else ""
        text = Markup('treat {}{}<span class="wide"> in {}</span>').format(
            area(area_m2), share, _plural(len(treat), "zone")
        )
        if done := story.treated():
            did_m2 = float(treat.loc[treat["zone_id"].isin(set(done)), "area_m2"].sum())
            days = list_names(sorted(set(done.values())), most=MOST_ALIKE)
            part = Markup("{} of {}").format(area(did_m2), area(area_m2)) if did_m2 < area_m2 else area(area_m2)
            text = Markup('treated {}{}<span class="wide"> on {}</span>').format(part, share, days)
    elif story.planned:
        text = Markup("nothing to treat")
    elif row := story.broadest():
        text = Markup("{} on average").format(density(row["mean_per_m2"]))
    else:
        text = Markup(
            "counted, no answer yet" if len(story.counted) else "not counted yet" if story.visit else "not sampled yet"
        )
    if unknown_m2 <= 0:
        return text
    share = percent(unknown_m2 / mapped_m2)
    return text + Markup('<span class="wide">; {} of the mapped ground not known</span>').format(share)


def tell_lines(story: Story) -> dict[str, Markup]:
    """Return the answer by what it is about, for every stage that has run and every one that has not."""
    lines = {
        "Where": _sentences(_tell_zones(story), _tell_kinds(story)),
        "How much": _tell_how_much(story),
        "Stages": _tell_stages(story),
        "How sure": _tell_how_sure(story),
        "Not known": _tell_not_known(story),
        "Not done yet": _tell_not_done(story),
    }
    return {head: text for head, text in lines.items() if text}


def _tell_how_much(story: Story) -> Markup:
    row = story.broadest()
    if row is None:
        return Markup("")
    ends = [_rounded(row[end] * row["area_m2"]) for end in ("low_per_m2", "high_per_m2")]
    return Markup("{} on average over {} ({} interval {}), from {}: {} insects in all.").format(
        density(row["mean_per_m2"]),
        area(row["area_m2"]),
        set_percent(row["level"]),
        interval(row["low_per_m2"], row["high_per_m2"]),
        _plural(int(row["n"]), "bag"),
        " to ".join(ends),
    )


def _tell_kinds(story: Story) -> Markup:
    """Return how the kinds of ground compare, saying when the counts can't tell them apart."""
    rows = story.kinds()
    if len(rows) < 2:  # noqa: PLR2004
        return Markup("")
    means = [
        Markup("{} {} ({})").format(
            name_many(row["label"]),
            density(row["mean_per_m2"]),
            interval(row["low_per_m2"], row["high_per_m2"]),
        )
        for row in rows
    ]
    apart = rows[0]["low_per_m2"] > rows[1]["high_per_m2"]
    verdict = "" if apart else " The intervals overlap, so the order is not certain."
    return Markup("By kind, highest first: {}.{}").format(_join(means), verdict)


def _tell_zones(story: Story) -> Markup:
    if story.zones.empty:
        return Markup("Nothing is marked for treatment." if story.planned else "")
    told = [(words, story.zones_to(action)) for action, words in ACTIONS.items()]
    return _sentences(
        *(
            Markup("{} {} ({}) on {}.").format(
                _plural(len(some), "zone"), words.zones, area(some["area_m2"].sum()), _name_holes(some["hole"])
            )
            for words, some in told
            if len(some)
        )
    )


def _tell_stages(story: Story) -> Markup:
    """Return the stage groups with their shares and intervals, the commonest first."""
    groups = story.findings.of(What.STAGE_GROUP_SHARE)
    shares = zip(groups, units.share_out([row.value for row in groups]), strict=True)
    told = [
        Markup("{} {} ({})").format(row.domain, share, percent_range(row.low, row.high))
        for row, share in sorted(shares, key=lambda pair: -pair[0].value)
        if row.value > 0
    ]
    return Markup("{}.").format(_join(told)) if told else Markup("")


def _tell_how_sure(story: Story) -> Markup:
    found, made = story.findings, story.density
    decisions, ratio = found.of(What.DECISION), found.first(What.COMMON_BORDER_RATIO)
    return _sentences(
        _tell_chances(story),
        twice(lambda shown: " ".join(tell_trust(made, shown))) if made else "",
        twice(lambda shown: " ".join(tell_decisions(decisions, shown)[:1])),
        tell_border(found) if ratio else "",
    )


def _tell_chances(story: Story) -> Markup:
    zones = story.zones_to("treat")
    zones = zones[zones["probability"].notna()]
    if zones.empty:
        return Markup("")
    return Markup("In the zones to treat the chance of more than {} is {}.").format(
        density(zones["threshold_per_m2"].iloc[0]),
        percent_range(zones["probability"].min(), zones["probability"].max()),
    )


def _tell_not_known(story: Story) -> Markup:
    unknown_m2, mapped_m2 = story.not_known
    bare = story.unsampled
    parts = []
    if unknown_m2 > 0:
        parts.append(
            Markup(
                "{} of the {} mapped ({}) is not known: the counts say too little of it. Crossed out, not clean: the "
                "colour there goes by ground like it."
            ).format(area(unknown_m2), area(mapped_m2), percent(unknown_m2 / mapped_m2))
        )
    if story.uncounted:
        lost = _plural(story.uncounted, "point")
        parts.append(Markup("{} without a count: missing, not zero.").format(lost))
    if len(bare):
        parts.append(
            Markup("{} ({}) to be sampled without a counted bag: what is shown there goes by ground like it.").format(
                _plural(len(bare), "surface"), area(bare["area_m2"].sum())
            )
        )
    return _sentences(*parts)


def _tell_not_done(story: Story) -> Markup:
    """Return what each missing stage would add, and the command that runs it."""
    text = _join(_NOT_DONE[stage] for stage in story.missing)
    return Markup("{}{}.").format(text[0].upper(), text[1:]) if text else text


# What a place says when it is tapped


def tell_surface(surface: Mapping[str, Any], mapped: Mapping[str, float] | None) -> Markup:
    """Return a surface's size and what the map says of it.

    Parameters
    ----------
    surface : mapping
        A row of the layer ``surfaces``.
    mapped : mapping, optional
        Of its ground that is known: ``mean_per_m2``, the widest ends ``low_per_m2`` and ``high_per_m2``, and its
        ``share``; None where there is no map.
    """
    name = surface.get("name")
    named = Markup(" “{}”").format(name) if isinstance(name, str) and name else Markup("")
    head = Markup("<b>{}</b>{}: {}, {}.").format(
        surface["surface_id"], named, name_place(surface["hole"], surface["kind"]), area(surface["area_m2"])
    )
    if mapped is None:
        return head
    if mapped["share"] == 0:
        return head + Markup(" Not known: the counts say too little of it.")
    text = Markup("{} Mapped mean {}; single places from {}.").format(
        head, density(mapped["mean_per_m2"]), interval(mapped["low_per_m2"], mapped["high_per_m2"])
    )
    if mapped["share"] == 1:
        return text
    return text + Markup(" {} of it is not known.").format(percent(1 - mapped["share"]))


def tell_obstacle(obstacle: Mapping[str, Any]) -> str:
    """Return what an obstacle is, and of which hole."""
    kind = str(obstacle["kind"])
    return name_place(obstacle["hole"], kind) if isinstance(obstacle["hole"], str) else kind


def tell_bags(point: Mapping[str, Any], samples: Sequence[Mapping[str, Any]], pest: str) -> Markup:
    """Return what was found at a point, what that means per area, and how little one count can say.

    Parameters
    ----------
    samples : sequence of mapping
        Its bags, rows of the layer ``samples`` with ``count``, and the ends ``low_per_m2`` and ``high_per_m2`` of what
        that count alone allows.
    """
    head = Markup("<b>Point {}</b>, {}.").format(point["point_id"], name_place(point.get("hole"), point["kind"]))
    edge = point.get("edge_m")
    if edge is not None and math.isfinite(edge):
        head += Markup(" {} from the edge.").format(twice(lambda shown: show_length(edge, shown)))
    if not samples:
        return head + Markup(" No count yet.")
    return head + Markup("").join(Markup("<br>{}").format(tell_sample(sample, pest)) for sample in samples)


def tell_sample(sample: Mapping[str, Any], pest: str) -> Markup:
    """Return what one bag says."""
    if sample["status"] != "counted" or math.isnan(sample["count"]):
        why = STATUSES[sample["status"]].missing
        return Markup("{}; missing, not zero.").format(why[0].upper() + why[1:])
    count, plugs = int(sample["count"]), _plural(int(sample["plugs"]), "plug")
    if count == 0:
        return Markup("No {} in {} ({}). An empty sample is not a clean spot: up to {} can read zero.").format(
            pest, plugs, sample["method"], density(sample["high_per_m2"])
        )
    return Markup("{} {} in {} ({}): {} here; this count alone allows {} (95 %).").format(
        count,
        pest,
        plugs,
        sample["method"],
        density(count / sample["sampled_m2"]),
        interval(sample["low_per_m2"], sample["high_per_m2"]),
    )


def tell_cluster(point_id: str) -> Markup:
    """Return that a point lies in a cluster, and what that does not say."""
    return Markup("{}: in a cluster of high counts. {}").format(point_id, CLUSTER_WARNING)


def tell_hotspot(patch: Mapping[str, Any], level: float, threshold_per_m2: float) -> Markup:
    """Return what is probable in a hotspot, how large it is, and how much of it is known."""
    text = Markup("<b>Hotspot</b>: everywhere in it the chance of more than {} is {} or more: {}. Expected {}.").format(
        density(threshold_per_m2), percent(level), area(patch["area_m2"]), density(patch["mean_per_m2"])
    )
    share = patch["known_m2"] / patch["area_m2"]
    return text if share > ALL_KNOWN else text + Markup(" Only {} of it is known well enough.").format(percent(share))


def tell_zone_place(zone: Any, treated: str = "") -> Markup:
    """Return what is suggested in a zone, how large it is, why, and who decides, from its row among the zones.

    ``treated`` is the day it was recorded as treated; empty where it was not.
    """
    done = Markup(" <b>Treated on {}, by the record.</b>").format(treated) if treated else ""
    return Markup(
        '<b>Zone {}</b>, {}.{} {}{} <a href="#cautions">The label is the law; a licensed applicator decides.</a>'
    ).format(
        zone.zone_id,
        ACTIONS[zone.action].reason,
        done,
        twice(lambda shown: tell_zone(zone, shown)),
        " Border only." if zone.border_only else "",
    )


# The page around the map


def tell_class(swatch: Swatch, of: str) -> Markup:
    """Return what a legend's colour stands for, without the unit, which stands over all of them."""
    if of == "share" and swatch.high is not None:
        return Markup(percent_range(swatch.low, swatch.high))
    low, high = (None if end is None else _both(_show_number, end) for end in (swatch.low, swatch.high))
    return Markup("over {}").format(low) if high is None else Markup("{} to {}").format(low, high)


def _show_number(per_m2: float, shown: Units) -> str:
    return units.show_density(per_m2, shown).split("/")[0]


def list_zones(story: Story) -> list[dict[str, Any]]:
    """Return the table of zones by hole, those to treat first within a hole."""
    rows = sorted(
        story.zones.drop(columns="geometry").to_dict("records"),
        key=lambda row: (hole_key(row["hole"]), list(ACTIONS).index(row["action"])),
    )
    return [
        {
            **row,
            "place": name_place(row["hole"], row["kind"]),
            "what": tell_reason(row["action"], row["reason"]),
            "expected": density(row["mean_per_m2"]),
            "interval": interval(row["low_per_m2"], row["high_per_m2"]),
            "chance": "not known" if math.isnan(row["probability"]) else percent(row["probability"]),
        }
        for row in rows
    ]


_SIGNS = {
    name: Markup('<span class="point {}">{}</span>').format(f"{name} sign", mark)
    for name, mark in {"found": "7", "zero": "0", "uncounted": "?", "planned": "", "cluster": ""}.items()
}


def write_page(
    stories: Sequence[Story],
    pictures: Sequence[MapPictures | None],
    layers: Iterable[str],
    holes: Sequence[str],
    levels: Sequence[float],
) -> tuple[str, str]:
    """Return the HTML above the map and below it.

    Parameters
    ----------
    stories, pictures : sequence
        Of each visit, the one that is shown first.
    layers : iterable of str
        The layers there are to switch.
    holes : sequence of str
        To go to, in playing order.
    levels : sequence of float
        The chances that hotspots are drawn at.
    """
    story = stories[0]
    zoned = any(len(one.zones) for one in stories)
    text = _template().render(
        course=story.course,
        pest=story.pest,
        simulated=SIMULATED if any(one.simulated for one in stories) else "",
        visits=[_tell_visit(one, drawn) for one, drawn in zip(stories, pictures, strict=True)],
        layers=set(layers),
        treated=any(one.treated() for one in stories),
        holes=holes,
        sampled=story.sampled_holes,
        level=next((set_percent(one.density.level) for one in stories if one.density), ""),
        levels=levels,
        cautions=TREATMENT if zoned else (),
        sources=number_sources(TREATMENT) if zoned else [],
    )
    above, _, below = text.partition("<!-- the map -->")
    return above, below


def _tell_visit(story: Story, pictures: MapPictures | None) -> dict[str, Any]:
    """Return what the page says of one visit alone."""
    clusters = story.density.fitted.get("clusters") if story.density else None
    return {
        "visit": story.visit,
        "answer": tell_in_a_line(story),
        "lines": tell_lines(story),
        "zones": list_zones(story),
        "pictures": pictures,
        "planned_per_m2": story.planned_per_m2,
        "clusters": twice(lambda shown: tell_clusters(clusters, shown)) if clusters and clusters["high"] else "",
        "rule": twice(lambda shown: " ".join(tell_decisions(story.findings.of(What.DECISION), shown)[1:])),
    }


@cache
def _template() -> Template:
    from jinja2 import Environment, StrictUndefined

    text = resources.files("geosample.report").joinpath("page.html").read_text(encoding="utf-8")
    made = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    made.globals.update(
        area=area,
        density=density,
        percent=percent,
        tell_class=tell_class,
        version=__version__,
        signs=_SIGNS,
        unit=twice(lambda shown: "ft²" if shown == "us" else "m²"),
    )
    return made.from_string(text)


def tell_drawn(stories: Sequence[Story], page: Path, size_bytes: int, units: Units = "us") -> list[str]:
    """Return the lines for the terminal on a page that was written.

    Parameters
    ----------
    stories : sequence of Story
        What was drawn, the visit shown first before the others.
    page : Path
        Where to.
    size_bytes : int
        How large it is.
    units : {"us", "metric"}
        Of the lines.
    """
    story, *others = stories
    facts = story.summary()
    of_visit = f"visit {facts['visit']}: " if facts["visit"] else ""
    shown = f"{of_visit}{facts['surfaces']} surfaces, {facts['points']} points, {facts['samples']} bags"
    beside = list_names([one.visit.visit for one in others if one.visit])
    more = f"; to see beside it: {beside}" if beside else ""
    lines = [f"Wrote {page} ({size_bytes / 1e6:.1f} MB), which opens with no network: {shown}{more}."]
    if story.simulated:
        lines.append(SIMULATED)
    if not facts["density"]:
        lines.append("no density map yet: run 'geosample density' first to see where the insects are")
    for action, words in ACTIONS.items():
        if many := facts["zones"][action]:
            ground = show_area(facts["zone_area_m2"][action], units)
            lines.append(f"{_plural(many, 'zone')}: {words.reason}; {ground}")
    return [*lines, *([IN_SHORT] if len(story.zones) else [])]


def tell_drawn_more(stories: Sequence[Story]) -> list[str]:
    """Return the rest: the cautions in full where zones are shown."""
    if all(story.zones.empty for story in stories):
        return []
    sources = [f"{list_names(numbers)}: {source}" for source, numbers in number_sources(TREATMENT)]
    return [
        *(f"{number}. {caution.text}" for number, caution in enumerate(TREATMENT, 1)),
        f"Sources and how sure: {'; '.join(sources)}.",
    ]
