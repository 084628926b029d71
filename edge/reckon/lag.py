"""The ground that the grain now at the sensors was cut from: area as a function of board time, looked up `lag` ago."""

from __future__ import annotations

from bisect import bisect_right
from math import exp

KEPT_MS = 130_000
"""Board time kept: the longest lag (60 s), a gap, and room."""

MIXING_S = 2.0
"""Mean stay in the stream's first-order mixing, part of the lag. From memory (no published figure was found); half of
the lag at most."""


class CutArea:
    """Cumulative area against cumulative board time, piecewise linear between seconds."""

    def __init__(self) -> None:
        self.clock_ms = 0
        self.total_m2 = 0.0
        self._clock: list[int] = [0]
        self._area: list[float] = [0.0]

    def add(self, ms: int, area_m2: float) -> None:
        """One second's exposure and the area cut in it."""
        if not ms and not area_m2:
            return
        self.clock_ms += ms
        self.total_m2 += area_m2
        self._clock.append(self.clock_ms)
        self._area.append(self.total_m2)
        if len(self._clock) > 600:
            first = bisect_right(self._clock, self.clock_ms - KEPT_MS) - 1
            if first > 0:
                del self._clock[:first], self._area[:first]

    def until(self, clock_ms: float) -> float:
        """Area in m2 cut up to a board time; nothing before the first second."""
        index = bisect_right(self._clock, clock_ms)
        if index == 0:
            return self._area[0] if self._clock[0] > 0 else 0.0
        if index == len(self._clock):
            return self._area[-1]
        start, end = self._clock[index - 1], self._clock[index]
        share = (clock_ms - start) / (end - start)
        return self._area[index - 1] + share * (self._area[index] - self._area[index - 1])

    def cut_ago(self, ms: int, lag_ms: float) -> float:
        """Area in m2 that was cut during the `ms` that ended `lag_ms` before now."""
        end = self.clock_ms - lag_ms
        return self.until(end) - self.until(end - ms)


class MixedExposure:
    """Area behind each second's pulses: cut `lag` ago on the mean, part of it smeared by mixing in the machine."""

    def __init__(self) -> None:
        self._rate = 0.0

    def step(self, area: CutArea, ms: int, lag_s: float) -> float:
        """Exposure in m2 for the pulses of the `ms` just closed."""
        if not ms:
            return 0.0
        mixing_s = min(MIXING_S, lag_s / 2)
        cut = area.cut_ago(ms, (lag_s - mixing_s) * 1000)
        if mixing_s <= 0:
            return cut
        seconds = ms / 1000
        self._rate += (1 - exp(-seconds / mixing_s)) * (cut / seconds - self._rate)
        return self._rate * seconds
