"""The speed that holds the limit now, in words: ease off, hold, or room to go."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from edge.judge.speed_cost import Curve
from edge.reckon.figures import Figures

EXPONENT = 2.0
"""Loss per hectare over speed while no deliberate steps have told it (from memory: percent loss rises about in
proportion to feed rate or faster; Nyborg 1967 gives a power without a single figure for all machines)."""

LEAST_EXPONENT, MOST_EXPONENT = 0.8, 4.0
FARTHEST = 0.25
"""No advice further from the present speed than this share: the curve isn't known there."""

EASE_P = 0.5
ROOM_P = 0.1
LEAST_KMH = 0.2


EXPONENT_U = 0.7
"""How far machines lie from that usual one, standard deviation (from memory)."""


def learned(found: Mapping[str, float] | None) -> float | None:
    """The exponent that deliberate steps told (`value`, `u`), joined with the usual one by their weights; None without."""
    if found is None or not found["u"] > 0:
        return None
    told, usual = found["u"] ** -2, EXPONENT_U**-2
    return (found["value"] * told + EXPONENT * usual) / (told + usual)


def guidance(figures: Figures, exponent: float | None = None) -> dict[str, Any]:
    """`{"kmh", "words"}` from the figures of one second; `kmh` None when there is nothing to go by.

    `exponent` of loss per hectare over speed as `speed` found it; None: a usual one.
    """
    loss, limit, kmh = figures.loss, figures.limit_kg_ha, figures.speed_kmh
    if figures.state != "working" or kmh is None or kmh < 1.0:
        return {"kmh": None, "words": "Not at work."}
    if limit is None:
        return {"kmh": None, "words": "No loss limit is set: enter one to be told the speed that holds it."}
    if loss is None or loss.kg_ha is None or loss.over_limit_p is None:
        return {"kmh": None, "words": "Loss in kg/ha is unknown: a tray test comes first."}
    power = min(max(exponent if exponent is not None else EXPONENT, LEAST_EXPONENT), MOST_EXPONENT)
    low, high = kmh * (1 - FARTHEST), kmh * (1 + FARTHEST)
    holds = Curve(kmh, loss.kg_ha, power).reaches(limit) if loss.kg_ha > 0 else None
    holds = (low if limit <= 0 < loss.kg_ha else high) if holds is None else min(max(holds, low), high)
    now = f"now {kmh:.1f} km/h, {loss.kg_ha:.0f} kg/ha of {limit:.0f}"
    if loss.over_limit_p >= EASE_P and holds <= kmh - LEAST_KMH:
        return {"kmh": round(holds, 1), "words": f"Ease off to about {holds:.1f} km/h to hold the limit ({now})."}
    if loss.over_limit_p <= ROOM_P and holds >= kmh + LEAST_KMH:
        upper = loss.high if loss.high is not None and loss.high > 0 else loss.kg_ha
        careful = Curve(kmh, upper, power).reaches(limit) if upper > 0 else high
        careful = min(max(careful if careful is not None else high, kmh), high)
        if careful >= kmh + LEAST_KMH:
            words = f"Room to go: about {careful:.1f} km/h still holds the limit, if ground and returns allow it ({now})."
            return {"kmh": round(careful, 1), "words": words}
    return {"kmh": round(kmh, 1), "words": f"Hold this speed ({now})."}
