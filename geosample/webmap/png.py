"""Pictures with a palette, written as PNG without an imaging library."""

from __future__ import annotations

import base64
import struct
import zlib

import numpy as np

from geosample.palettes import rgb

_SIGNATURE = b"\x89PNG\r\n\x1a\n"


def palette_png(classes: np.ndarray, colours: list[str]) -> bytes:
    r"""Return a PNG of class numbers; class 0 is see-through.

    Parameters
    ----------
    classes : array of uint8, shape (rows, columns)
        0 where nothing is drawn, else 1 + the place in ``colours``; the first row is the northernmost.
    colours : list of str
        ``#rrggbb``, at most 255.

    References
    ----------
    W3C 2003, Portable Network Graphics (second edition), sections 11.2 and 11.3.2.1 (palette and transparency).

    Examples
    --------
    >>> palette_png(np.array([[0, 1]], np.uint8), ["#ff0000"])[:4]
    b'\x89PNG'
    """
    rows, columns = classes.shape
    header = struct.pack(">IIBBBBB", columns, rows, 8, 3, 0, 0, 0)
    palette = bytes([0, 0, 0]) + b"".join(bytes(rgb(colour)) for colour in colours)
    unfiltered = np.hstack([np.zeros((rows, 1), np.uint8), classes.astype(np.uint8)])
    chunks = [
        (b"IHDR", header),
        (b"PLTE", palette),
        (b"tRNS", b"\x00"),
        (b"IDAT", zlib.compress(unfiltered.tobytes(), 6)),
        (b"IEND", b""),
    ]
    return _SIGNATURE + b"".join(_chunk(kind, content) for kind, content in chunks)


def png_uri(content: bytes) -> str:
    """Return a PNG as a data: address."""
    return f"data:image/png;base64,{base64.b64encode(content).decode('ascii')}"


def _chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
