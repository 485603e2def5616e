"""Leaflet's script and style sheet as text, from the package that carries them as files."""

from __future__ import annotations

import re
from functools import cache
from importlib import resources

from geosample.errors import MapError, Problem

LEAFLET_VERSION = "1.9.4"
_LEAFLET = ("js_lib_leaflet", "static/js_lib_leaflet/leaflet")


@cache
def leaflet_script() -> str:
    """Return Leaflet's script, without the address of a map of its source that no page should ask for.

    Raises
    ------
    MapError
        When the package is missing or carries another version than the page was tested with.
    """
    leaflet = _read(_LEAFLET[0], f"{_LEAFLET[1]}.js")
    check_version("django-js-lib-leaflet", leaflet, rf"Leaflet {re.escape(LEAFLET_VERSION)}\b", LEAFLET_VERSION)
    return leaflet.decode().partition("//# sourceMappingURL")[0].strip()


@cache
def leaflet_style() -> str:
    """Return Leaflet's style sheet, without the pictures the page never shows."""
    return re.sub(r"url\([^)]*\)", "none", _read(_LEAFLET[0], f"{_LEAFLET[1]}.css").decode()).strip()


def check_version(package: str, text: bytes, pattern: str, version: str) -> None:
    """Raise MapError unless a script's opening comment names the version expected.

    Examples
    --------
    >>> check_version("some-package", b"/* Thing 1.2.0 */", "Thing 1.2.3", "1.2.3")
    Traceback (most recent call last):
    geosample.errors.MapError: some-package: found another version; expected one that carries 1.2.3; ...
    """
    if not re.search(pattern.encode(), text[:400]):
        remedy = f"install a {package} that carries {version}"
        raise MapError(Problem(package, "another version", f"one that carries {version}", remedy))


def _read(package: str, name: str) -> bytes:
    try:
        return resources.files(package).joinpath(name).read_bytes()
    except (ModuleNotFoundError, FileNotFoundError) as error:
        remedy = "install geosample again with its dependencies"
        raise MapError(Problem(package, "not installed, or without its files", name, remedy)) from error
