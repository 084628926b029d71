"""Dead time: impacts hidden by the conditioner's one-shot.

Non-paralysable model n = m / (1 - m tau) (Knoll, Radiation Detection and Measurement, ch. 4; measurement.md 1.2), applied
to sums of a second or more. Published check: two-source method, 823/440/1164/13 counts/s give tau = 1.345e-4 s.

**Bias on a finite sum.** N = k / (1 - k tau / T) is convex in the count k, so its mean comes out high: to second order by
N'' Var(k) / 2 with N'' = 2 (tau / T) / (1 - x)^3, x = k tau / T, and Var(k) = k (1 - x)^2 of a counter with a non-extending
dead time (Mueller 1973, Nucl. Instr. Meth. 112, 47; from memory). That is N tau / T: the relative bias is the dead time over the
sum's length, whatever the rate. For one second it is 0.1 % at 1 ms, which stays as the formula has it so that a hand
calculation agrees; from 5 ms on (0.5 %; 2 % at the longest allowed, 20 ms) N (1 - tau / T) is taken, for which one count is
exactly one impact. Either way the bias is a constant of the input, so a factor learned from trays on the same sums has it in
itself: kg/ha is free of it.
"""

from __future__ import annotations

from math import sqrt

SATURATED = 0.3
"""Share of time hidden (m tau) from which an input is flagged saturated and its upper end is unknown."""

BLIND = 0.95
"""Share of time hidden from which nothing is divided: the correction would be all of the answer."""

SHORTEST_MS = 1000
"""The formula holds for means; over shorter sums it is biased, so the share is taken over at least this long."""


LONG_MS = 5.0
"""Dead time from which the bias of the formula on a sum of a second is taken off."""


def gain(share: float) -> float:
    """True impacts per counted one, for a share m tau of hidden time. Dimensionless, at least 1."""
    return 1.0 / (1.0 - share) if share < BLIND else 1.0


def corrected_rate(counted_per_s: float, dead_time_s: float) -> float:
    """True rate (1/s) from the counted rate (1/s) and the dead time (s)."""
    return counted_per_s * gain(counted_per_s * dead_time_s)


def two_source(one: float, other: float, both: float, background: float = 0.0) -> float:
    """Dead time (s) from the rates (1/s) of two sources alone and together, and of none.

    Source: the two-source method in Knoll ch. 4; worked figures in tests/published.
    """
    if background == 0:
        root = sqrt(one * other * (both - one) * (both - other))
        return (one * other - root) / (one * other * both)
    x = one * other - background * both
    y = one * other * (both + background) - background * both * (one + other)
    z = y * (one + other - both - background) / x**2
    return x * (1 - sqrt(1 - z)) / y


class DeadTime:
    """Corrects the counts of one input, second by second. `dead_time_us`: length of the one-shot in microseconds."""

    def __init__(self, dead_time_us: float) -> None:
        self._tau_ms = dead_time_us / 1000.0
        self._count = self._ms = 0
        self.share = 0.0

    def correct(self, count: int, ms: int) -> float:
        """True impacts behind `count` pulses in `ms`; sets `share`, the part of time that was hidden."""
        if ms >= SHORTEST_MS:
            self._count, self._ms = count, ms
        else:  # borrow from just before, so that the mean is over a second
            self._count, self._ms = self._count + count, self._ms + ms
            if self._ms > 2 * SHORTEST_MS:
                self._count, self._ms = round(self._count * SHORTEST_MS / self._ms), SHORTEST_MS
        self.share = self._count * self._tau_ms / self._ms if self._ms else 0.0
        if self._tau_ms >= LONG_MS and self.share < BLIND and self._ms > self._tau_ms:
            return count * gain(self.share) * (1.0 - self._tau_ms / self._ms)
        return count * gain(self.share)
