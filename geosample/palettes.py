"""The one place for colours, all from published open palettes that colour-blind eyes can tell apart.

References
----------
Okabe & Ito 2008, Color Universal Design (the eight named colours).
van der Walt & Smith 2015, viridis (matplotlib, CC0); Nunez, Anderton & Renslow 2018, PLOS ONE 13:e0199239, cividis.
Brewer 2003, ColorBrewer (Apache-2.0): Greens, Greys.
"""

from __future__ import annotations

OKABE_ITO = {
    "black": "#000000",
    "orange": "#E69F00",
    "sky": "#56B4E9",
    "green": "#009E73",
    "yellow": "#F0E442",
    "blue": "#0072B2",
    "vermilion": "#D55E00",
    "purple": "#CC79A7",
}
GREENS = ("#f7fcf5", "#e5f5e0", "#c7e9c0", "#a1d99b", "#74c476", "#41ab5d", "#238b45", "#006d2c", "#00441b")
GREYS = ("#f7f7f7", "#d9d9d9", "#bdbdbd", "#969696", "#636363", "#252525")
VIRIDIS = ("#440154", "#482878", "#3e4989", "#31688e", "#26828e", "#1f9e89", "#35b779", "#6ece58", "#b5de2b", "#fde725")
CIVIDIS = ("#00224e", "#123570", "#3b496c", "#575d6d", "#707173", "#8a8678", "#a59c74", "#c3b369", "#e1cc55", "#fee838")


def ramp(palette: tuple[str, ...], share: float) -> str:
    """Return the palette's colour at a share from 0 to 1, mixed between its two nearest steps.

    Examples
    --------
    >>> ramp(VIRIDIS, 0.0), ramp(VIRIDIS, 1.0)
    ('#440154', '#fde725')
    """
    place = min(max(share, 0.0), 1.0) * (len(palette) - 1)
    low = min(int(place), len(palette) - 2)
    pairs = zip(rgb(palette[low]), rgb(palette[low + 1]), strict=True)
    return "#" + "".join(f"{round(a + (b - a) * (place - low)):02x}" for a, b in pairs)


def rgb(colour: str) -> tuple[int, ...]:
    """Return red, green and blue from 0 to 255.

    Examples
    --------
    >>> rgb("#E69F00")
    (230, 159, 0)
    """
    return tuple(int(colour[i : i + 2], 16) for i in (1, 3, 5))
