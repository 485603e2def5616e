"""Leaflet and jQuery as data: addresses, from the packages that carry them as files."""

from __future__ import annotations

import base64
import re
from functools import cache
from importlib import resources

from geosample.errors import MapError, Problem

LEAFLET_VERSION = "1.9.4"
JQUERY_VERSION = "3.7.1"
_LEAFLET = ("js_lib_leaflet", "static/js_lib_leaflet/leaflet")
_JQUERY = ("xstatic.pkg.jquery", "data/jquery.slim.min.js")


@cache
def script_links() -> list[tuple[str, str]]:
    """Return the names and data: addresses of the scripts the page needs, in loading order.

    Raises
    ------
    MapError
        When a package is missing or carries another version than the page was tested with.
    """
    leaflet = _read(_LEAFLET[0], f"{_LEAFLET[1]}.js")
    check_version("django-js-lib-leaflet", leaflet, rf"Leaflet {re.escape(LEAFLET_VERSION)}\b", LEAFLET_VERSION)
    jquery = _read(*_JQUERY)
    check_version("XStatic-jQuery", jquery, rf"jQuery v{re.escape(JQUERY_VERSION)}\b", JQUERY_VERSION)
    return [("leaflet", _data_uri("text/javascript", leaflet)), ("jquery", _data_uri("text/javascript", jquery))]


@cache
def style_links() -> list[tuple[str, str]]:
    """Return the name and data: address of Leaflet's style sheet, without the pictures the page never shows."""
    sheet = re.sub(rb"url\([^)]*\)", b"none", _read(_LEAFLET[0], f"{_LEAFLET[1]}.css"))
    return [("leaflet_css", _data_uri("text/css", sheet))]


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


def _data_uri(kind: str, content: bytes) -> str:
    return f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}"
