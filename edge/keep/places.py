"""Positions that say where a paddock lies without saying where in it the machine went."""

from __future__ import annotations

import math
from typing import Literal

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
