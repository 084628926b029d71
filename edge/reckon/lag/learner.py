"""The lag, learned from entries into the crop and from deliberate steps of speed (steps.py). Only shown; what is used is
set by the settings or a `lag_s` entry.

After an entry the machine fills: pulses start late by the lag and then follow the ground. With P pulses since the front went
down and D pulses per m2 once all is steady, the grain now at the sensors was cut when P / D square metres were; how long ago
that was is the delay, mixing included. Per pass it is uncertain by seconds, for the crop at the edge is not that further in.

Passes scatter about their mean by a spread of which 3 s on 2 degrees of freedom are assumed beforehand. Passes and steps are
joined by inverse variance; where they disagree, the uncertainty is stretched (Birge 1932, Phys. Rev. 40, 207; from memory).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from math import inf, sqrt
from typing import Any, NamedTuple

from edge.reckon.lag.steps import StepDelay, StepLearner

ENTRY_S = 25.0
ROOM_S = 13.0
"""Seconds after the entry at which pulses are set against area: at least so many, and so far beyond the set lag."""

STEADY_S = 40.0
"""Seconds that then give the pulses per m2."""

EMPTY_S = 8.0
"""Front up this long beyond the set lag before an entry, else pulses of the pass before fall into this one (from memory)."""

LEAST_PULSES = 60.0
SPEED_SPREAD = 0.15
"""Ground cut per second may move this far from its mean over the steady seconds, taken in halves."""

GAP_MS = 2000
KEPT_PASSES = 50

PASS_SPREAD_S = 3.0
PASS_SPREAD_DOF = 2
"""Assumed spread of passes (from memory), pooled with theirs."""

BETTER = 0.9
"""What is known goes to the record again when its uncertainty has shrunk to this part of the one recorded last."""


class LearnedLag(NamedTuple):
    """Lag in force, learned delay with its standard uncertainty (None: a single pass), passes and steps behind it."""

    set_s: float
    learned_s: float | None
    u_s: float | None
    passes: int
    steps: int = 0


class LagLearner:
    """Takes closed seconds; one delay a pass, one a step of speed. `is_news`: known so much better that it is worth recording."""

    def __init__(self) -> None:
        self.delays: list[float] = []
        self.is_news = False
        self._recorded_u_s = inf
        self.steps = StepLearner()
        self._up_ms = 0.0
        self._is_down = False
        self._follows = False
        self._clock: list[int] = []
        self._area: list[float] = []
        self._pulses: list[float] = []
        self._known = LearnedLag(-1.0, None, None, 0)

    def step(
        self, ms: int, front_ms: int, area_m2: float, grain_pulses: float, lag_s: float, part: float = 1.0
    ) -> None:
        """One closed second: exposure, exposure with the front down, area cut, pulses without background, lag in force, part
        of the width in use."""
        if front_ms < ms or not ms:
            self.steps.interrupt()
        elif self.steps.step(ms, area_m2, grain_pulses, part, lag_s):
            self._reckon()
        if 2 * front_ms <= ms:
            if ms:
                self._up_ms = ms if self._is_down else self._up_ms + ms
                self._is_down = self._follows = False
            return
        if not self._is_down:
            self._is_down = True
            self._follows = self._up_ms >= (lag_s + EMPTY_S) * 1000
            self._clock, self._area, self._pulses = [0], [0.0], [0.0]
        if not self._follows:
            return
        if ms > GAP_MS:
            self._follows = False
            return
        self._clock.append(self._clock[-1] + ms)
        self._area.append(self._area[-1] + area_m2)
        self._pulses.append(self._pulses[-1] + grain_pulses)
        from_ms = max(ENTRY_S, lag_s + ROOM_S) * 1000
        if self._clock[-1] >= from_ms + STEADY_S * 1000:
            self._follows = False
            self._finish(from_ms)

    def _finish(self, from_ms: float) -> None:
        start, end = bisect_left(self._clock, from_ms), len(self._clock) - 1
        half = (start + end) // 2
        cut = self._area[end] - self._area[start]
        pulses = self._pulses[end] - self._pulses[start]
        if cut <= 0 or pulses < LEAST_PULSES:
            return
        rate = cut / (self._clock[end] - self._clock[start])
        first = (self._area[half] - self._area[start]) / max(self._clock[half] - self._clock[start], 1)
        if abs(first / rate - 1) > SPEED_SPREAD:
            return
        behind_m2 = self._pulses[start] * cut / pulses
        delay_s = (self._clock[start] - self._when(behind_m2)) / 1000
        if 0 < delay_s < from_ms / 1000:
            self.delays = [*self.delays, delay_s][-KEPT_PASSES:]
            self._reckon()

    def _reckon(self) -> None:
        learned_s, u_s = _joined(self.delays, self.steps.delay())
        self._known = LearnedLag(-1.0, learned_s, u_s, len(self.delays), self.steps.steps)
        if u_s is not None and u_s <= BETTER * self._recorded_u_s:
            self.is_news = True

    def to_plain(self) -> dict[str, Any]:
        """What was learned, for the record; `restore` reads it back."""
        return {"delays": list(self.delays), "steps": self.steps.steps, "curve": [round(one, 4) for one in self.steps.curve]}

    def restore(self, body: dict[str, Any]) -> None:
        """Take up what an earlier run learned."""
        self.delays = [float(one) for one in body["delays"]]
        self.steps.steps, self.steps.curve = int(body["steps"]), [float(one) for one in body["curve"]]
        self._reckon()
        self.note_recorded()

    def note_recorded(self) -> None:
        """What is known so far stands on record."""
        self._recorded_u_s = self._known.u_s if self._known.u_s is not None else inf
        self.is_news = False

    def _when(self, area_m2: float) -> float:
        """Board time since the entry at which so much had been cut."""
        i = bisect_left(self._area, area_m2)
        if i == 0:
            return 0.0
        if i == len(self._area):
            return float(self._clock[-1])
        before, after = self._area[i - 1], self._area[i]
        return self._clock[i - 1] + (area_m2 - before) / (after - before) * (self._clock[i] - self._clock[i - 1])

    def learned(self, set_s: float) -> LearnedLag:
        """What is known so far, beside the lag in force."""
        if self._known.set_s != set_s:
            self._known = self._known._replace(set_s=set_s)
        return self._known


def _joined(delays: Sequence[float], step: StepDelay | None) -> tuple[float | None, float | None]:
    """Mean delay of passes and steps with its standard uncertainty; that of a single pass alone is not told."""
    parts: list[tuple[float, float]] = [step] if step is not None else []
    if delays:
        n = len(delays)
        mean = sum(delays) / n
        around = sum((one - mean) ** 2 for one in delays) + PASS_SPREAD_DOF * PASS_SPREAD_S**2
        parts.append((mean, sqrt(around / (n - 1 + PASS_SPREAD_DOF) / n)))
    if not parts:
        return None, None
    mean, u = _weighted(parts)
    return mean, None if len(delays) == 1 and step is None else u


def _weighted(parts: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Mean by inverse variance of (value, u), its u stretched by Birge's ratio where they scatter more than their u."""
    weights = [1 / u**2 for _, u in parts]
    total = sum(weights)
    mean = sum(w * value for w, (value, _) in zip(weights, parts, strict=True)) / total
    square = sum(w * (value - mean) ** 2 for w, (value, _) in zip(weights, parts, strict=True))
    return mean, sqrt(max(square / max(len(parts) - 1, 1), 1.0) / total)
