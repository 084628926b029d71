"""The speed that holds the limit now, in words: ease off, hold, or room to go.

Nobody is invited to a speed that nothing is known about: without deliberate speed steps in this crop there is no room to go.
What is shown is smoothed and stands in halves of a km/h, so that it can be driven and not chased.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import exp, floor, log
from typing import Any

from edge.judge.speed.cost import Curve
from edge.reckon.figures import Figures

EXPONENT = 2.0
"""Loss per hectare over speed while no deliberate steps have told it (from memory: percent loss rises about in
proportion to feed rate or faster; Nyborg 1967 gives a power without a single figure for all machines)."""

LEAST_EXPONENT, MOST_EXPONENT = 0.8, 4.0
FARTHEST = 0.25
"""No advice further from the present speed than this share: the curve isn't known there."""

EASE_P, EASE_LASTS_P = 0.5, 0.3
ROOM_P, ROOM_LASTS_P = 0.1, 0.2
"""Chance of being over the limit at which easing off, or room to go, begins, and up to which it lasts."""

LEAST_KMH = 0.2
EASE_SMOOTH_S, ROOM_SMOOTH_S = 10.0, 30.0
FORGET_S = 120
"""A speed to ease off to is smoothed over so many seconds of work, one with room over more; anew after so long a break."""

SHOWN_KMH, OVERLAP_KMH = 0.5, 0.15
"""Shown in such steps, rounded down; the one shown stays while the speed that holds is within its step and the overlap."""

EXPONENT_U = 0.7
"""How far machines lie from that usual one, standard deviation (from memory)."""


def learned(found: Mapping[str, float] | None) -> float | None:
    """The exponent that deliberate steps told (`value`, `u`), joined with the usual one by their weights; None without."""
    if found is None or not found["u"] > 0:
        return None
    told, usual = found["u"] ** -2, EXPONENT_U**-2
    return (found["value"] * told + EXPONENT * usual) / (told + usual)


def guidance(figures: Figures, exponent: float | None = None) -> dict[str, Any]:
    """`Guide.step` on one second alone."""
    return Guide().step(figures, exponent)


class _Shown:
    """A speed smoothed on the logarithm and shown in steps that don't waver."""

    def __init__(self, smooth_s: float) -> None:
        self._smooth_s, self._log, self._seconds = smooth_s, 0.0, 0.0
        self._shown: float | None = None

    def step(self, kmh: float) -> float:
        self._seconds = min(self._seconds + 1.0, self._smooth_s)
        self._log += (log(kmh) - self._log) / self._seconds
        smooth = exp(self._log)
        shown = self._shown
        if shown is None or not shown - OVERLAP_KMH <= smooth < shown + SHOWN_KMH + OVERLAP_KMH:
            self._shown = shown = floor(smooth / SHOWN_KMH + 1e-9) * SHOWN_KMH
        return shown


class Guide:
    """Second by second, with the memory that keeps its words steady."""

    def __init__(self) -> None:
        self._basis: tuple[float, float] | None = None
        self._t = 0
        self._begin("")

    def _begin(self, kind: str) -> None:
        self._kind, self._holds, self._careful = kind, _Shown(EASE_SMOOTH_S), _Shown(ROOM_SMOOTH_S)

    def step(self, figures: Figures, exponent: float | None = None) -> dict[str, Any]:
        """`{"kmh", "words"}` of one second; `kmh` None when there is nothing to go by.

        `exponent` of loss per hectare over speed as `speed` found it; None: no other speed was tried, so a usual one tells how
        far to ease off, and nothing tells how much faster would do.
        """
        loss, limit, kmh = figures.loss, figures.limit_kg_ha, figures.speed_kmh
        if figures.state != "working" or kmh is None or kmh < 1.0:
            return {"kmh": None, "words": "Not at work."}
        if limit is None:
            return {"kmh": None, "words": "No loss limit is set: enter one to be told the speed that holds it."}
        if loss is None or loss.kg_ha is None or loss.over_limit_p is None:
            return {"kmh": None, "words": "Loss in kg/ha is unknown: a tray test comes first."}
        power = min(max(exponent if exponent is not None else EXPONENT, LEAST_EXPONENT), MOST_EXPONENT)
        if self._basis != (limit, power) or figures.t - self._t > FORGET_S:
            self._begin("")
        self._basis, self._t = (limit, power), figures.t
        low, high = kmh * (1 - FARTHEST), kmh * (1 + FARTHEST)
        holds = Curve(kmh, loss.kg_ha, power).reaches(limit) if loss.kg_ha > 0 else None
        holds = (low if limit <= 0 < loss.kg_ha else high) if holds is None else min(max(holds, low), high)
        upper = loss.high if loss.high is not None and loss.high > 0 else loss.kg_ha
        careful = Curve(kmh, upper, power).reaches(limit) if upper > 0 else high
        careful = min(max(careful if careful is not None else high, low), high)
        ease, room = self._holds.step(holds), self._careful.step(careful)
        self._kind = self._next(loss.over_limit_p)
        now = f"now {kmh:.1f} km/h, {loss.kg_ha:.0f} kg/ha of {limit:.0f}"
        if self._kind == "ease" and ease <= kmh - LEAST_KMH:
            return {"kmh": ease, "words": f"Ease off to about {ease:.1f} km/h to hold the limit ({now})."}
        if self._kind == "room" and exponent is None:
            words = f"Under the limit at about {round(2 * kmh) / 2:.1f} km/h. How much faster would hold it is not known: "
            words += f"no other speed was tried yet ({now})."
            return {"kmh": None, "words": words}
        if self._kind == "room" and room >= kmh + LEAST_KMH:
            words = f"Room to go, if ground and returns allow it: about {room:.1f} km/h still holds the limit ({now})."
            return {"kmh": room, "words": words}
        return {"kmh": round(kmh, 1), "words": f"Hold this speed ({now})."}

    def _next(self, p: float) -> str:
        """What a chance of being over the limit makes of what was said before."""
        if p >= EASE_P or (self._kind == "ease" and p >= EASE_LASTS_P):
            return "ease"
        return "room" if p <= ROOM_P or (self._kind == "room" and p <= ROOM_LASTS_P) else ""
