"""The map's colours told apart in greyscale and by colour-blind eyes, by published formulas."""

from __future__ import annotations

import itertools
import re
from importlib import resources

import numpy as np
import pytest

from geosample.palettes import CIVIDIS, OKABE_ITO, VIRIDIS, ramp, rgb
from geosample.webmap.pictures import CHANCE_EDGES, UNKNOWN

# Simulation of dichromacy in linear sRGB, severity 1: Machado, Oliveira & Fernandes 2009, IEEE TVCG 15:1291-1298
# (matrices from memory, unverified).
SEEN_AS = {
    "usual": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
# Linear sRGB to CIE XYZ, D65: IEC 61966-2-1.
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
# A step in lightness that print and eye keep apart side by side (common practice, no source).
LEAST_STEP = 8.0


def linear(colour: str) -> np.ndarray:
    """Return linear light of an sRGB colour such as #ff0000: IEC 61966-2-1."""
    coded = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def lab(light: np.ndarray) -> np.ndarray:
    """Return CIE L*a*b* of linear light, D65: CIE 15."""
    ratio = TO_XYZ @ np.clip(light, 0, 1) / (TO_XYZ @ np.ones(3))
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def classes(palette: tuple[str, ...], number: int) -> list[str]:
    """Return a legend's colours, light to dark, as the map's pictures take them."""
    return [ramp(palette, 1 - place / (number - 1)) for place in range(number)]


def test_lightness_is_the_standards() -> None:
    assert lab(linear("#ffffff")) == pytest.approx([100, 0, 0], abs=0.02)
    assert lab(linear("#777777"))[0] == pytest.approx(50, abs=0.1)


@pytest.mark.parametrize("palette", [VIRIDIS, CIVIDIS], ids=["viridis", "cividis"])
@pytest.mark.parametrize("number", range(2, 8))
def test_in_greyscale_each_class_is_darker_than_the_one_before(palette: tuple[str, ...], number: int) -> None:
    lightness = np.array([lab(linear(colour))[0] for colour in classes(palette, number)])
    assert (np.diff(lightness) < -LEAST_STEP).all()


@pytest.mark.parametrize("eye", SEEN_AS)
@pytest.mark.parametrize("palette", [VIRIDIS, CIVIDIS], ids=["viridis", "cividis"])
def test_neighbouring_classes_differ_to_every_eye(palette: tuple[str, ...], eye: str) -> None:
    seen = [lab(SEEN_AS[eye] @ linear(colour)) for colour in classes(palette, len(CHANCE_EDGES) - 1)]
    assert min(np.linalg.norm(one - two) for one, two in itertools.pairwise(seen)) > LEAST_STEP


def test_the_stripes_of_unknown_ground_differ_in_greyscale_more_than_classes_do() -> None:
    light, dark = (lab(linear(colour))[0] for colour in UNKNOWN)
    assert light - dark > 4 * LEAST_STEP


def test_the_pages_own_colours_are_the_palettes_or_greys() -> None:
    rooms = [resources.files(f"geosample.{room}") for room in ("webmap", "report", "desk", "sheets")]
    parts = [part for room in rooms for part in room.iterdir() if part.name.endswith((".css", ".js", ".html"))]
    assert len(parts) == 13
    shown = {sign for part in parts for sign in re.findall(r"#[0-9a-fA-F]{6}\b", part.read_text(encoding="utf-8"))}
    coloured = {sign.upper() for sign in shown if np.ptp(rgb(sign)) > LEAST_STEP}
    # links are a darker blue, to be read on grey too
    assert coloured - {colour.upper() for colour in OKABE_ITO.values()} <= {"#00447C"}


def test_the_page_script_takes_its_foot_and_colours_from_the_program() -> None:
    script = resources.files("geosample.webmap").joinpath("page.js").read_text(encoding="utf-8")
    assert re.findall(r"#[0-9a-fA-F]{6}\b|0\.3048|3\.28", script) == []
    assert {"page.foot_m", "page.here_colour"} <= set(re.findall(r"page\.\w+", script))
