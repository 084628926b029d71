"""Positions that say where a paddock lies without saying where in it the machine went."""

from __future__ import annotations

import math
import re
from typing import Literal
from urllib.parse import unquote

Position = Literal["exact", "coarse", "none"]
POSITIONS: tuple[Position, ...] = ("exact", "coarse", "none")

COARSE_DEG = 0.01
"""Grid of coarse latitudes: about 1.1 km."""


def coarse(lat: float | None, lon: float | None) -> tuple[float | None, float | None]:
    """A position on the coarse grid, degrees; cells are about as wide as they are high, at any latitude."""
    if lat is None or lon is None:
        return None, None
    lat = round(lat / COARSE_DEG) * COARSE_DEG
    step = COARSE_DEG * math.ceil(1 / max(math.cos(math.radians(lat)), 0.05))
    return round(lat, 2), round(round(lon / step) * step, 2)


_NUMBER = r"[-+\u2212]?\d{1,3}[.,]"
_NOTATIONS = (
    # decimal degrees, three places or more: -30.00123, 20.00456; also with a sign, a letter or words between
    rf"{_NUMBER}\d{{3,}}\s*°?\s*[NSEWnsew]?\s*[,;/|\s]\s*[NSEWnsew]?\s*{_NUMBER}\d{{3,}}",
    # two places, where a letter or a word says what they are: S30.00 E20.00, 30.00 S 20.00 E, lat 51.50, lon -0.12
    r"\b[NSns]\s*\d{1,2}[.,]\d{2,}\s*°?\s*[,;/|\s]\s*[EWew]\s*\d{1,3}[.,]\d{2,}",
    r"\b\d{1,2}[.,]\d{2,}\s*°?\s*[NSns]\b\s*[,;/|\s]?\s*\d{1,3}[.,]\d{2,}\s*°?\s*[EWew]\b",
    r"\b(?i:lat|latitude|lon|lng|longitude)\b\W{0,3}[-+\u2212]?\d{1,3}[.,]\d+",
    r"[-+]\d{2}\.\d{2,}[-+]\d{3}\.\d{2,}",  # ISO 6709
    # degrees and minutes: 30° 00', 30 deg 0 min, S 30 00.074
    r"\d{1,3}\s*(?:°|º|deg\b|degrees\b)\s*\d{1,2}",
    r"\b[NSns]\s*\d{1,2}\s+\d{1,2}[.,]\d+",
    # a grid: 33T 500000 4649776, 33TWN 12345 67890, and a link or code that opens as a map
    r"\b\d{1,2}\s*[C-HJ-NP-Xc-hj-np-x]\s+\d{6}(?:[.,]\d+)?\s*m?\s*E?[,\s]\s*\d{7}",
    r"\b\d{1,2}[C-HJ-NP-X][A-HJ-NP-Z]{2}\s*\d{3,5}\s*\d{3,5}\b",
    r"\bgeo:\s*[-+]?\d",
    r"@[-+]?\d{1,3}\.\d+,[-+]?\d{1,3}\.\d+",
    r"\b[23456789CFGHJMPQRVWX]{4,8}\+[23456789CFGHJMPQRVWX]{2,3}\b",
    r"/{3}\w+\.\w+\.\w+",
)
_PLACE = re.compile("|".join(_NOTATIONS))


def told_in(text: str) -> bool:
    """Whether a text looks as if it told a place, in any of the usual notations; written as in links (`%2C`) too.

    Rather too often than too seldom: what tells a place is only left out of a pack that is to tell none, and that is said.
    A place described in words (`beside the old mill`) can't be known for one.
    """
    return any(_PLACE.search(one) is not None for one in {text, unquote(text)})
