"""Sentences in both units at once; everything that came from a file is escaped on the way in."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from functools import partial

from markupsafe import Markup

from geosample import units
from geosample.holes import hole_key
from geosample.units import Units

Show = Callable[[float, Units], str]


def both(show: Show, value: float) -> Markup:
    """Return a quantity twice, in US and in metric units; the page shows the one the reader chose.

    Examples
    --------
    >>> print(both(units.show_length, 4.572))
    <span class="us">15 ft</span><span class="metric">4.6 m</span>
    """
    if not math.isfinite(value):
        return Markup("not known")
    return Markup('<span class="us">{}</span><span class="metric">{}</span>').format(
        show(value, "us"), show(value, "metric")
    )


density = partial(both, units.show_density)
area = partial(both, units.show_area)
length = partial(both, units.show_length)


def twice(tell: Callable[[Units], str]) -> Markup:
    """Return a sentence in US and in metric units, or once where it is the same in both.

    Examples
    --------
    >>> print(twice(lambda shown: "no quantity in it"))
    no quantity in it
    """
    us, metric = tell("us"), tell("metric")
    if us == metric:
        return Markup("{}").format(us)
    return Markup('<span class="us">{}</span><span class="metric">{}</span>').format(us, metric)


def interval(low: float, high: float) -> Markup:
    """Return a range of densities, such as 15 to 39/ft², in both units.

    Examples
    --------
    >>> print(interval(118.4, 1076.39))
    <span class="us">11 to 100/ft²</span><span class="metric">118 to 1,076/m²</span>
    """
    return both(lambda end, shown: units.show_range(low, end, shown), high)


def join_words(words: Iterable[str | Markup]) -> Markup:
    """Return words joined as a person would.

    Examples
    --------
    >>> print(join_words(["greens", "collars", "fairways"]))
    greens, collars and fairways
    """
    parts = [Markup("{}").format(word) for word in words]
    if len(parts) < 2:  # noqa: PLR2004
        return Markup("").join(parts)
    return Markup("{} and {}").format(Markup(", ").join(parts[:-1]), parts[-1])


def plural(number: int, word: str) -> str:
    """Return a number with its word.

    Examples
    --------
    >>> plural(1, "zone"), plural(3, "zone")
    ('1 zone', '3 zones')
    """
    return f"{number:,} {word}{'' if number == 1 else 's'}"


def name_holes(holes: Iterable[str | None]) -> Markup:
    """Return the holes in playing order, in words.

    Examples
    --------
    >>> print(name_holes(["10", "2", "2"]))
    holes 2 and 10
    """
    names = sorted({hole for hole in holes if isinstance(hole, str)}, key=hole_key)
    if not names:
        return Markup("ground without a hole")
    return Markup("{} {}").format("hole" if len(names) == 1 else "holes", join_words(names))


def rounded(value: float) -> str:
    """Return a large number to two figures, as its interval allows no more.

    Examples
    --------
    >>> rounded(1_234_567), rounded(48_300), rounded(7)
    ('1.2 million', '48,000', '7')
    """
    if not math.isfinite(value):
        return "not known"
    if value >= 1e6:  # noqa: PLR2004
        return f"{float(f'{value / 1e6:.2g}'):,g} million"
    return f"{float(f'{value:.2g}'):,.0f}"
