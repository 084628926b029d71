"""Monotonic and wall time behind one small class that tests replace, and the stamps of what arrives.

A board without a battery clock starts with the time it was switched off at and is set later, by the network or a
position receiver. Stamps follow the wall clock; each step of it is told with its size, so that what was dated before
can be dated again, never silently.
"""

from __future__ import annotations

import threading
import time
from typing import NamedTuple, Protocol

STEP_MS = 500
"""A wall clock that moves this far against the monotonic one was stepped; less is slewing, or a reading torn apart."""

READ_MS = 10
"""Both clocks are read within this time, or read again: a thread may be put aside in between."""

OLDEST_RIGHT_MS = 1_793_491_200_000
"""2026-11-01: this program did not exist before, so an earlier date is certainly wrong."""

FARTHEST_BELIEVED_MS = 400 * 86_400_000
"""A receiver's date further away than a kit stands unused is not believed (rolled-over weeks, a false signal)."""

DIFFERS_MS = 5_000
FIXES_TO_DIFFER = 5
"""A receiver's time must differ this often in a row, by this much, before anything is said."""


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


class ClockStep(NamedTuple):
    """A found difference. `source`: "wall clock" (it was stepped by `offset_ms`; earlier stamps are off by that) or
    "receiver" (its time is ahead of ours by `offset_ms`); `believed`: whether dates are to be corrected by it."""

    source: str
    offset_ms: int
    believed: bool


class Stamps:
    """Arrival stamps for several threads. `life` counts the steps of the wall clock so far; `taken()` hands them over."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._ahead_ms, self._wall_ms = self._read()
        self._steps: list[ClockStep] = []
        self.life = 0

    def now(self) -> int:
        """Epoch ms of this moment by the wall clock."""
        with self._lock:
            ahead_ms, wall_ms = self._read()
            step_ms = ahead_ms - self._ahead_ms
            if abs(step_ms) >= STEP_MS:
                self.life += 1
                self._steps.append(ClockStep("wall clock", step_ms, True))
            self._ahead_ms = ahead_ms
            return wall_ms

    def taken(self) -> list[ClockStep]:
        """Steps since the last call."""
        if not self._steps:
            return []
        with self._lock:
            steps, self._steps = self._steps, []
            return steps

    def _read(self) -> tuple[int, int]:
        """How far the wall clock is ahead of the monotonic one, and the wall clock, in ms."""
        for _ in range(10):
            before = self._clock.monotonic()
            wall_ms = self._clock.wall_ms()
            after = self._clock.monotonic()
            if (after - before) * 1000 <= READ_MS:
                break
        return wall_ms - round(after * 1000), wall_ms


class ReceiverClock:
    """Compares a position receiver's time with ours; tells a difference once, and again only when it changes."""

    def __init__(self) -> None:
        self._last_ms = 0
        self._times = 0
        self._told_ms = 0

    def step(self, stamp_ms: int, utc_ms: int) -> ClockStep | None:
        """One fix: its time and the stamp of the second that brought it. A difference that holds is returned."""
        offset_ms = utc_ms - stamp_ms
        steady = abs(offset_ms - self._last_ms) < DIFFERS_MS
        self._times = self._times + 1 if steady else 1
        self._last_ms = offset_ms
        if self._times < FIXES_TO_DIFFER or abs(offset_ms - self._told_ms) < DIFFERS_MS:
            return None
        self._told_ms = offset_ms
        return ClockStep("receiver", offset_ms, _is_believed(stamp_ms, utc_ms))

    def forget(self) -> None:
        """Our clock was stepped: compare anew, with nothing told."""
        self._times = self._told_ms = 0


def _is_believed(stamp_ms: int, utc_ms: int) -> bool:
    if utc_ms < OLDEST_RIGHT_MS:
        return False
    return stamp_ms < OLDEST_RIGHT_MS or abs(utc_ms - stamp_ms) <= FARTHEST_BELIEVED_MS
