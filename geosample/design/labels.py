"""What points are called: hole, kind and number, short enough for a bag."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np

from geosample.holes import hole_label
from geosample.words import KIND_LETTERS

# No 0, 1, 2, 5, 8 and no B, I, L, O, S, Z: read aloud or written wet, they are taken for each other.
_CODE_SIGNS = "34679ACDEFGHJKMNPQRTUVWXY"
_CODE_LENGTH = 5


def label_points(holes: Sequence[str | None], kinds: Sequence[str]) -> list[str]:
    """Return a label for each point, numbered within hole and kind in the order given.

    Examples
    --------
    >>> label_points(["7", "7", "Red 3", None], ["fairway", "fairway", "green", "tee"])
    ['07F-01', '07F-02', 'RED3G-01', 'XT-01']
    """
    seen: Counter[str] = Counter()
    labels = []
    for hole, kind in zip(holes, kinds, strict=True):
        stem = hole_label(hole) + KIND_LETTERS[kind]
        seen[stem] += 1
        labels.append(f"{stem}-{seen[stem]:02d}")
    return labels


def design_code(settings: dict[str, Any], places: np.ndarray) -> str:
    """Return a short code that another design would not have, but for one chance in ten million.

    Parameters
    ----------
    settings : dict
        Plain JSON types.
    places : ndarray, shape (n, 2)
        Easting and northing of the points; the millimetre counts.
    """
    text = json.dumps(settings, sort_keys=True) + np.round(places, 3).astype(str).tobytes().hex()
    number = int.from_bytes(hashlib.sha256(text.encode()).digest()[:8])
    signs = []
    for _ in range(_CODE_LENGTH):
        number, sign = divmod(number, len(_CODE_SIGNS))
        signs.append(_CODE_SIGNS[sign])
    return "".join(signs)
