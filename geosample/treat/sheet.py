"""What the plan's pages share: how their text is set, and their foot."""

from __future__ import annotations

from typing import TYPE_CHECKING

from geosample.paper import Book, Frame, Text, write_footer

if TYPE_CHECKING:
    from geosample.treat.model import Zones

HEAD = Text(16, bold=True)
BODY = Text(8.5)
SMALL = Text(7)
TABLE_ROW_MM = 5.0
RIGHT = Text(7, align="right")


def below(page: Frame, down_mm: float) -> Frame:
    """Return the page without its top."""
    return Frame(page.west_mm, page.south_mm, page.width_mm, page.height_mm - down_mm)


def finish_page(book: Book, zones: Zones) -> None:
    """Write the page's foot: whose plan it is, and who decides."""
    made_up = "Simulated counts. " if zones.settings.get("simulated") else ""
    decides = "Suggests where and how sure; the label and a licensed applicator decide."
    pest = f"{zones.pest[0].upper()}{zones.pest[1:]}"
    write_footer(book, f"{made_up}{pest}, {zones.visit}. {decides}")
