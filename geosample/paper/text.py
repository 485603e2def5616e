"""How words are set: the typeface, its letters, their width, and where lines break.

The typeface is Bitstream Vera, which comes with reportlab under a free licence and is embedded in the file: no
typeface of the machine's is needed, and accents and the degree sign print everywhere.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from functools import cache
from typing import Literal

from reportlab.lib.colors import Color, HexColor
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from geosample.units import INCH_M

Align = Literal["left", "centre", "right"]
POINT_MM = 1000 * INCH_M / 72
LINE_STEP = 1.3


@dataclass(frozen=True, slots=True)
class Text:
    """How text is set: size in points, weight, alignment, colour."""

    size_pt: float = 8.0
    bold: bool = False
    align: Align = "left"
    colour: str = "#000000"

    @property
    def font(self) -> str:
        """The typeface's name in the file."""
        return "Vera-Bold" if self.bold else "Vera"

    @property
    def size_mm(self) -> float:
        """The size of the letters, mm."""
        return self.size_pt * POINT_MM

    @property
    def step_mm(self) -> float:
        """From one line of text to the next, mm."""
        return self.size_mm * LINE_STEP


PLAIN = Text()


def wrap_text(text: str, width_mm: float, style: Text = PLAIN) -> list[str]:
    """Return the text in lines no wider than a width; a single longer word is broken.

    Parameters
    ----------
    text : str
        Words with any space between them.
    width_mm : float
        Widest a line may be, mm.
    style : Text
        Size and weight it will be written in.

    Examples
    --------
    >>> wrap_text("one two three", 14.0)
    ['one two', 'three']
    """
    lines = [""]
    for word in text.split():
        for piece in _break_word(word, width_mm, style):
            longer = f"{lines[-1]} {piece}".strip()
            if text_width(longer, style) <= width_mm:
                lines[-1] = longer
            else:
                lines.append(piece)
    return lines


def text_width(text: str, style: Text = PLAIN) -> float:
    """Return the width of a line of text, mm."""
    load_typeface()
    return float(pdfmetrics.stringWidth(printable(text), style.font, style.size_mm))


def printable(text: str) -> str:
    """Return the text in letters the typeface has: one it lacks loses its accent, or becomes a question mark.

    Examples
    --------
    >>> printable("Señor Ödön Dvořák, 41.5°")
    'Señor Ödön Dvorák, 41.5°'
    """
    known = _letters()
    if known.issuperset(map(ord, text)):
        return text
    return "".join(_nearest(letter, known) for letter in unicodedata.normalize("NFC", text))


def _nearest(letter: str, known: frozenset[int]) -> str:
    if ord(letter) in known:
        return letter
    plain = "".join(part for part in unicodedata.normalize("NFKD", letter) if not unicodedata.combining(part))
    return plain if plain and known.issuperset(map(ord, plain)) else "?"


def _break_word(word: str, width_mm: float, style: Text) -> list[str]:
    pieces = [word]
    while text_width(pieces[-1], style) > width_mm and len(pieces[-1]) > 1:
        last = pieces.pop()
        fits = next((n for n in range(len(last) - 1, 1, -1) if text_width(last[:n], style) <= width_mm), 1)
        pieces += [last[:fits], last[fits:]]
    return pieces


@cache
def ink(colour: str) -> Color:
    """Return a colour of the palettes, ``#rrggbb``, as reportlab's own, which reads its words anew at each use."""
    return HexColor(colour)


@cache
def load_typeface() -> None:
    """Make the typeface known to reportlab, once."""
    for name, file in (("Vera", "Vera.ttf"), ("Vera-Bold", "VeraBd.ttf")):
        pdfmetrics.registerFont(TTFont(name, file))


@cache
def _letters() -> frozenset[int]:
    load_typeface()
    both = [set(pdfmetrics.getFont(name).face.charToGlyph) for name in ("Vera", "Vera-Bold")]
    return frozenset(both[0] & both[1])
