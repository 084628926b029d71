"""The ground that the grain now at the sensors was cut from: area as a function of board time, looked up `lag` ago."""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from math import exp

KEPT_MS = 130_000
"""Board time kept: the longest lag (60 s), a gap, and room."""

MIXING_S = 2.0
"""Mean stay in the stream's first-order mixing, part of the lag. From memory (no published figure was found); half of
the lag at most."""


EDGE_S = 5.0
"""Seconds around the lag in which the crop's edge must not lie: lag and mixing are known no better than this, and pulses
of one second over the ground of another give a wrong rate wherever cutting begins or ends (from memory)."""


class CutArea:
    """Cumulative area against cumulative board time, piecewise linear between seconds."""

    def __init__(self) -> None:
        self.clock_ms = 0
        self.total_m2 = 0.0
        self._clock: list[int] = [0]
        self._area: list[float] = [0.0]
        self._uncut: deque[list[int]] = deque()  # stretches without cutting: first and last board ms
        self._parts: deque[tuple[int, float]] = deque()  # board ms from which a part of the width was in use

    def add(self, ms: int, area_m2: float, part: float = 1.0) -> None:
        """One second's exposure, the area cut in it, and the part of the width in use."""
        if not self._parts or self._parts[-1][1] != part:
            self._parts.append((self.clock_ms, part))
        while len(self._parts) > 1 and self._parts[1][0] <= self.clock_ms - KEPT_MS:
            self._parts.popleft()
        if not ms and not area_m2:
            return
        self._note_uncut(ms, area_m2)
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

    def part_ago(self, lag_ms: float) -> float:
        """Part of the width with which the ground was cut `lag_ms` before now; 1 before the first second."""
        cut_ms = self.clock_ms - lag_ms
        found = [part for from_ms, part in self._parts if from_ms < cut_ms]
        return found[-1] if found else self._parts[0][1] if self._parts else 1.0

    def _note_uncut(self, ms: int, area_m2: float) -> None:
        if area_m2 <= 0:
            if self._uncut and self._uncut[-1][1] == self.clock_ms:
                self._uncut[-1][1] += ms
            else:
                self._uncut.append([self.clock_ms, self.clock_ms + ms])
        while self._uncut and self._uncut[0][1] < self.clock_ms - KEPT_MS:
            self._uncut.popleft()

    def is_inside(self, ms: int, lag_s: float) -> bool:
        """Whether the ground cut during the `ms` that ended `lag_s` ago lies inside the crop, with room to both sides."""
        newest = self.clock_ms - (lag_s - EDGE_S) * 1000
        oldest = self.clock_ms - ms - (lag_s + EDGE_S) * 1000
        return all(end <= oldest or start >= newest for start, end in self._uncut)

    def cut_ago(self, ms: int, lag_ms: float) -> float:
        """Area in m2 that was cut during the `ms` that ended `lag_ms` before now."""
        end = self.clock_ms - lag_ms
        return self.until(end) - self.until(end - ms)


class MixedExposure:
    """Area behind each second's pulses: cut `lag` ago on the mean, part of it smeared by mixing in the machine.

    Near the edge of the crop there is none: what comes out of the machine while it fills and drains belongs to no second.
    """

    def __init__(self) -> None:
        self._rate = 0.0

    def step(self, area: CutArea, ms: int, lag_s: float) -> float:
        """Exposure in m2 for the pulses of the `ms` just closed; 0 where they can't be set against ground."""
        if not ms:
            return 0.0
        mixing_s = min(MIXING_S, lag_s / 2)
        cut = area.cut_ago(ms, (lag_s - mixing_s) * 1000)
        seconds = ms / 1000
        if mixing_s <= 0:
            self._rate = cut / seconds
        else:
            self._rate += (1 - exp(-seconds / mixing_s)) * (cut / seconds - self._rate)
        return self._rate * seconds if area.is_inside(ms, lag_s) else 0.0
