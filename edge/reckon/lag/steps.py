"""The lag, learned from deliberate steps of speed inside the crop: the cut area changes at once, the grain a lag later.

Around a step the logarithm of pulses per second is set against that of the area cut so long ago (the mixing of cutarea.py
in it), for each delay that may be. The loss drifts meanwhile, so the error is a random walk beside counting: generalised least
squares by a Kalman filter of the level (Harvey 1989, Forecasting, structural time series models, 3.4). The slope is known
beforehand to lie about 1.3 (loss rises faster than feed: Nyborg 1967), with a standard deviation of a half; it is integrated
out, which leaves a likelihood of the delay. One step of a fifth says little; steps are multiplied up, each with a tenth's chance
that it says nothing (a jump of the crop). Mean and spread of the delay follow.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from math import exp, log, sqrt
from typing import NamedTuple

from edge.reckon.lag.cutarea import MIXING_S

STEP = 0.12
"""Change of ln(area per second) that counts as a step: 0.8 km/h at 6 km/h."""

HELD = 12
"""Seconds on each side over which a step is looked for."""

AT_ONCE = 4
"""Within so many seconds the speed must have changed."""

HELD_SPREAD = 0.06
"""Halves of a side may differ by this (log), and the step must be twice that at least."""

BEFORE_S = 25.0
ROOM_S = 10.0
LONGEST_S = 20.0
"""Delays up to so much are looked at, or to the set lag and 10 s more."""

AFTER_S = 20.0
FIRST_S, GRID_S = 1.0, 0.5
LEAST_PER_S = 5.0
"""Fewer pulses a second have no logarithm worth using."""

DRIFT_PER_S = 0.002
"""Variance that the log loss gains each second: noise of 0.2 with a memory of 25 s (from memory)."""

SCATTER = 1.5
"""Variance of a second's pulses over their mean."""

SLOPE, SLOPE_SD = 1.3, 0.5
"""d ln pulses / d ln area per second (size from memory)."""

NOTHING_SAID = 0.1
MOST_U_S = 4.0
"""Nothing is told before the spread is under this; all delays alike would give 5.6."""

KEPT_STEPS = 40
SHAPE_U_S = 1.0
"""What the shape of the mixing leaves open whatever the pulses say, and separator and cleaning lie apart (from memory)."""

GAP_MS = 2000
KEPT_ROWS = 200


class StepDelay(NamedTuple):
    """Delay by one step and its standard uncertainty, s."""

    delay_s: float
    u_s: float


class StepLearner:
    """Takes the seconds of work of one kit. `curve`: log likelihood of the delays 1.0, 1.5, ... s; `steps` behind it."""

    def __init__(self) -> None:
        self.curve: list[float] = []
        self.steps = 0
        self._part = 1.0
        self._begin()

    def delay(self) -> StepDelay | None:
        """What the steps so far say; None while that is little."""
        if not self.curve:
            return None
        best = max(self.curve)
        weights = [exp(one - best) for one in self.curve]
        total = sum(weights)
        mean = sum(w * d for w, d in zip(weights, _delays(len(weights)), strict=True)) / total
        square = sum(w * (d - mean) ** 2 for w, d in zip(weights, _delays(len(weights)), strict=True)) / total
        u = sqrt(square + SHAPE_U_S**2)
        return StepDelay(mean, u) if u <= MOST_U_S else None

    def _begin(self) -> None:
        self._clock, self._area, self._pulses = [0.0], [0.0], [0.0]
        self._pending_s: float | None = None
        self._last = 0.0

    def interrupt(self) -> None:
        """The crop is left, or nobody knows what happened: a new stretch begins."""
        if len(self._clock) > 1:
            self._begin()

    def step(self, ms: int, area_m2: float, pulses: float, part: float, lag_s: float) -> bool:
        """One second with the front down: exposure, area cut, pulses without background, part of the width, lag in force.

        True when a step has just been judged.
        """
        if not ms:
            return False
        if ms > GAP_MS or area_m2 <= 0 or part != self._part:
            self.interrupt()
            self._part = part
            return False
        self._clock.append(self._clock[-1] + ms / 1000)
        self._area.append(self._area[-1] + area_m2)
        self._pulses.append(self._pulses[-1] + pulses)
        if len(self._clock) > 2 * KEPT_ROWS:
            del self._clock[:-KEPT_ROWS], self._area[:-KEPT_ROWS], self._pulses[:-KEPT_ROWS]
        longest_s = max(LONGEST_S, lag_s + ROOM_S)
        if self._pending_s is None:
            self._look()
        elif self._clock[-1] >= self._pending_s + longest_s + AFTER_S:
            at_s, self._pending_s = self._pending_s, None
            return self._judge(at_s, longest_s)
        return False

    def _look(self) -> None:
        """Find a step whose two sides are just complete."""
        if len(self._clock) < 2 * HELD + AT_ONCE + 2:
            return
        found = log(self._held(-1) / self._held(-1 - HELD - AT_ONCE))
        before, self._last = self._last, found
        if abs(before) >= STEP and abs(found) <= abs(before):  # the second before was the peak
            self._last = 0.0
            least = min(HELD_SPREAD, abs(before) / 2)
            if self._unevenness(-2) <= least and self._unevenness(-2 - HELD - AT_ONCE) <= least:
                self._pending_s = (self._clock[-2 - HELD] + self._clock[-2 - HELD - AT_ONCE]) / 2

    def _held(self, end: int, seconds: int = HELD) -> float:
        """Area per second over the seconds up to a row."""
        return (self._area[end] - self._area[end - seconds]) / (self._clock[end] - self._clock[end - seconds])

    def _unevenness(self, end: int) -> float:
        return abs(log(self._held(end, HELD // 2) / self._held(end - HELD // 2, HELD // 2)))

    def _rate(self, from_s: float, to_s: float) -> float:
        return (_at(self._clock, self._area, to_s) - _at(self._clock, self._area, from_s)) / (to_s - from_s)

    def _judge(self, at_s: float, longest_s: float) -> bool:
        """Weigh the delays by the pulses around the step."""
        from_s = max(at_s - BEFORE_S, self._clock[0] + longest_s + 3 * MIXING_S + 1)
        if from_s > at_s:
            return False  # too soon after the crop was entered
        rows = range(bisect_left(self._clock, from_s), len(self._clock))
        seconds = [self._clock[i] - self._clock[i - 1] for i in rows]
        counts = [self._pulses[i] - self._pulses[i - 1] for i in rows]
        per_s = sum(counts) / sum(seconds)
        if per_s < LEAST_PER_S:
            return False
        filtered = _WalkLevel(seconds, SCATTER / per_s)
        y = filtered.innovations([log(max(n, 0.5) / s) for n, s in zip(counts, seconds, strict=True)])
        delays = _delays(round((longest_s - FIRST_S) / GRID_S) + 1)
        fits = [filtered.fit(filtered.innovations(self._log_area(rows, one)), y) for one in delays]
        best = max(fits)
        likely = [exp(one - best) for one in fits]
        nothing = NOTHING_SAID * sum(likely) / len(likely)
        told = [log((1 - NOTHING_SAID) * one + nothing) for one in likely]
        if len(told) != len(self.curve):  # the first, or another lag was set
            self.curve, self.steps = [0.0] * len(told), 0
        keep = min(1.0, KEPT_STEPS / (self.steps + 1))
        self.curve = [keep * old + new for old, new in zip(self.curve, told, strict=True)]
        self.steps += 1
        return True

    def _log_area(self, rows: range, delay_s: float) -> list[float]:
        """ln of the area per second behind each second's pulses for a mean delay, mixing in it."""
        mixing_s = min(MIXING_S, delay_s / 2)
        shift_s = delay_s - mixing_s
        lead = max(rows[0] - round(3 * MIXING_S), 1)
        rate = self._rate(self._clock[lead - 1] - shift_s, self._clock[lead] - shift_s)
        found = []
        for i in range(lead, rows[-1] + 1):
            seconds = self._clock[i] - self._clock[i - 1]
            now = self._rate(self._clock[i - 1] - shift_s, self._clock[i] - shift_s)
            rate += (1 - exp(-seconds / mixing_s)) * (now - rate)
            if i >= rows[0]:
                found.append(log(max(rate, 1e-9)))
        return found


class _WalkLevel:
    """Kalman filter of a random-walk level, started by the first value; the same gains for every series."""

    def __init__(self, seconds: Sequence[float], counting: float) -> None:
        self._gains, self._variances = [], []
        variance = counting / seconds[0]
        for one in seconds[1:]:
            noise = counting / one
            variance += DRIFT_PER_S * one
            whole = variance + noise
            self._gains.append(variance / whole)
            self._variances.append(whole)
            variance *= noise / whole

    def innovations(self, values: Sequence[float]) -> list[float]:
        """What each value but the first adds to what was expected."""
        level = values[0]
        found = []
        for value, gain in zip(values[1:], self._gains, strict=True):
            found.append(value - level)
            level += gain * (value - level)
        return found

    def fit(self, x: Sequence[float], y: Sequence[float]) -> float:
        """Log likelihood of y given x, up to a constant, the slope integrated out; residuals that scatter more than stated
        make it flatter."""
        cross = sum([a * b / s for a, b, s in zip(x, y, self._variances, strict=True)])
        square = sum([a * a / s for a, s in zip(x, self._variances, strict=True)])
        whole = sum([b * b / s for b, s in zip(y, self._variances, strict=True)])
        scatter = max(whole / len(y), 1.0)
        known = SLOPE_SD**-2
        joined = square / scatter + known
        return ((cross / scatter + SLOPE * known) ** 2 / joined - log(joined)) / 2


def _delays(n: int) -> list[float]:
    return [FIRST_S + GRID_S * i for i in range(n)]


def _at(clock: Sequence[float], sums: Sequence[float], when_s: float) -> float:
    """A running sum at a time between the seconds."""
    i = min(max(bisect_left(clock, when_s), 1), len(clock) - 1)
    return sums[i - 1] + (when_s - clock[i - 1]) / (clock[i] - clock[i - 1]) * (sums[i] - sums[i - 1])
