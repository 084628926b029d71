"""Distance, ground speed and shaft speeds out of counts, periods or a position receiver."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Any

from edge.contract.inputs import GroundInput, ShaftInput
from edge.feed.assembler import Second
from edge.reckon.sensors.seen import SecondSeen

GROUND_WINDOW_MS = 3000
SHAFT_WINDOW_MS = 5000
FIX_LASTS_S = 3
"""A receiver's speed older than this is unknown."""

PERIOD_LASTS_S = 2


class PulseRate:
    """Pulses per second over a trailing window of board time; periods are used instead while they come."""

    def __init__(self, at: int, window_ms: int) -> None:
        self.at = at
        self._window_ms = window_ms
        self._rows: deque[tuple[int, int]] = deque()
        self._pulses = self._ms = 0
        self._period_hz = 0.0
        self._period_t: int | None = None
        self.hz: float | None = None

    def step(self, second: Second, pulses: int, ms: int) -> float | None:
        """Take one second's pulses and exposure; returns the rate in 1/s, None before any exposure."""
        if ms:
            self._rows.append((pulses, ms))
            self._pulses += pulses
            self._ms += ms
            while self._ms - self._rows[0][1] >= self._window_ms:
                old_pulses, old_ms = self._rows.popleft()
                self._pulses -= old_pulses
                self._ms -= old_ms
        if self.at in second.periods:
            edges, span_us = second.periods[self.at]
            self._period_hz = edges * 1e6 / span_us if span_us else 0.0
            self._period_t = second.t
        fresh = self._period_t is not None and 0 <= second.t - self._period_t <= PERIOD_LASTS_S
        if fresh and self._pulses:
            self.hz = self._period_hz
        else:
            self.hz = self._pulses * 1000.0 / self._ms if self._ms else None
        return self.hz


class ReceiverSpeed:
    """Speed and position of a receiver, unknown once they are old."""

    def __init__(self) -> None:
        self._kmh: tuple[int, float] | None = None
        self._place: tuple[int, float, float] | None = None

    def step(self, second: Second) -> None:
        """Take what this second told."""
        fix = second.fix
        if fix is None:
            return
        if fix.speed_kmh is not None:
            self._kmh = (second.t, fix.speed_kmh)
        if fix.lat is not None and fix.lon is not None:
            self._place = (second.t, fix.lat, fix.lon)

    def kmh(self, t: int) -> float | None:
        """Speed in km/h at second t, None when none is fresh."""
        if self._kmh is None or not 0 <= t - self._kmh[0] <= FIX_LASTS_S:
            return None
        return self._kmh[1]

    @property
    def last_kmh(self) -> float | None:
        """The newest speed told in a closed second, for the one still open."""
        return None if self._kmh is None else self._kmh[1]

    def place(self, t: int) -> tuple[float | None, float | None]:
        """Latitude and longitude in degrees at second t, None when none is fresh."""
        if self._place is None or not 0 <= t - self._place[0] <= FIX_LASTS_S:
            return None, None
        return self._place[1], self._place[2]


class GroundSensors:
    """The ground input. Its speed decides the second's state, so the reckoner asks it before all others."""

    def __init__(self, wired: Sequence[GroundInput]) -> None:
        self.rate = PulseRate(wired[0].at, GROUND_WINDOW_MS) if wired else None

    def step(self, seen: SecondSeen) -> None:
        """Nothing is left to do: `rate` has had its second."""

    def live(self, silent: bool) -> dict[str, Any]:
        """Nothing of its own: speed stands in the figures, whichever sensor it comes from."""
        return {}


class ShaftSensors:
    """Named shafts, each in turns a minute."""

    def __init__(self, wired: Sequence[ShaftInput]) -> None:
        self._shafts = [(shaft, PulseRate(shaft.at, SHAFT_WINDOW_MS)) for shaft in wired]

    def step(self, seen: SecondSeen) -> None:
        """Take one closed second."""
        for shaft, rate in self._shafts:
            rate.step(seen.second, seen.count(shaft.at), seen.ms)

    def live(self, silent: bool) -> dict[str, Any]:
        """Speeds by name, None while unknown."""
        return {"shafts": {shaft.shaft: None if silent else _rpm(rate.hz, shaft) for shaft, rate in self._shafts}}


def _rpm(hz: float | None, shaft: ShaftInput) -> float | None:
    return None if hz is None else hz * 60 / shaft.pulses_per_rev
