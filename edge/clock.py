"""Monotonic and wall time behind one small class that tests replace. Steps of the wall clock show in the stamps."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """What the daemon needs of time."""

    def wall_ms(self) -> int:
        """Epoch milliseconds; may step."""

    def monotonic(self) -> float:
        """Seconds that only go forward; for silence, reconnects and the watchdog."""


class SystemClock:
    """The machine's own clocks."""

    def wall_ms(self) -> int:
        """Epoch milliseconds of the machine's wall clock."""
        return time.time_ns() // 1_000_000

    def monotonic(self) -> float:
        """Seconds of the machine's monotonic clock."""
        return time.monotonic()


class HandClock:
    """A clock that moves only when told to; for tests and demonstrations."""

    def __init__(self, wall_ms: int = 1_780_000_000_000) -> None:
        self._wall_ms = wall_ms
        self._monotonic = 0.0

    def wall_ms(self) -> int:
        """Epoch milliseconds as set."""
        return self._wall_ms

    def monotonic(self) -> float:
        """Seconds advanced so far."""
        return self._monotonic

    def advance(self, seconds: float) -> None:
        """Let time pass on both clocks."""
        self._monotonic += seconds
        self._wall_ms += round(seconds * 1000)

    def step_wall(self, seconds: float) -> None:
        """Step the wall clock alone."""
        self._wall_ms += round(seconds * 1000)
