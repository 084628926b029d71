"""Smoothing: a mixture of discount filters, each with its own half-life, weighted by how well it predicted.

Each member is a gamma-Poisson (power steady) discount filter (Smith 1979; Harvey & Fernandes 1989): with discount w,
prior a' = w a, b' = w b; posterior a = a' + y, b = b' + e for a count y over exposure e; the one-step forecast is negative
binomial. Counts that scatter more than Poisson are divided by their dispersion, exposure likewise, which leaves the mean
and widens everything else (quasi-likelihood).
"""

from __future__ import annotations

from math import exp, lgamma, log, sqrt
from typing import NamedTuple

HALF_LIVES_S = (0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0)
MEMORY_KEPT = 0.96
"""Share of the members' record kept each second, so that an old success does not outvote what happens now."""

LEAST_WEIGHT = 1e-5
PSEUDO_COUNT = 0.5
"""Jeffreys prior of a Poisson rate: what no count at all still leaves possible."""

DISPERSION_START = 1.5
DISPERSION_MEMORY_S = 300.0
Z90 = 1.6448536269514722


class Level(NamedTuple):
    """Smoothed rate per exposure with its central 90 % bounds (counting only), and the background taken off it."""

    mean: float
    low: float
    high: float
    background: float
    half_life_s: float


class Dispersion:
    """How much more than Poisson the counts scatter, from differences of neighbouring seconds (slow change cancels)."""

    def __init__(self) -> None:
        self._weight = 60.0
        self._sum = DISPERSION_START * self._weight
        self._last: tuple[float, float] | None = None

    @property
    def value(self) -> float:
        """Variance over mean, at least 1."""
        return max(1.0, self._sum / self._weight)

    def step(self, count: float, exposure: float) -> None:
        """Take one second's count over its exposure."""
        last, self._last = self._last, (count, exposure)
        if last is None or exposure <= 0 or last[1] <= 0:
            return
        ratio = exposure / last[1]
        # Variance of y1 - r y0 for Poisson means r mu, mu is r mu (1 + r); the pooled mean is (y0 + y1) / (1 + r).
        expected = ratio * (count + last[0])
        if expected <= 0:
            return
        keep = exp(-1.0 / DISPERSION_MEMORY_S)
        square = (count - ratio * last[0]) ** 2
        self._sum = keep * self._sum + min(square / expected, 50.0)
        self._weight = keep * self._weight + 1.0

    def interrupt(self) -> None:
        """The next second is no neighbour of the last (a gap, a turn)."""
        self._last = None


class Smoother:
    """Rate of counts per exposure, smoothed by the mixture. Causal; O(members) per step."""

    def __init__(self) -> None:
        self.dispersion = Dispersion()
        self._a: list[float] = []
        self._b: list[float] = []
        self._noise: list[float] = []
        self._log_weight = [0.0] * len(HALF_LIVES_S)

    @property
    def started(self) -> bool:
        """Whether any exposure has been seen."""
        return bool(self._a)

    def step(
        self, count: float, exposure: float, seconds: float, extra_scatter: float = 1.0, background: float = 0.0
    ) -> None:
        """Take a count (pulses) over an exposure (m2 or s) that lasted `seconds`.

        `extra_scatter`: variance over mean beyond the dispersion, such as dead-time correction brings. `background`:
        pulses of the count that are no grain; they are followed beside the count, because subtracting them from each
        second and cutting at zero would favour the high seconds.
        """
        self.dispersion.step(count, exposure)
        scatter = self.dispersion.value * extra_scatter
        y, e, noise = count / scatter, exposure / scatter, background / scatter
        if not self._a:
            self._a = [y] * len(HALF_LIVES_S)
            self._b = [e] * len(HALF_LIVES_S)
            self._noise = [noise] * len(HALF_LIVES_S)
            return
        best = -1e300
        for j, half_life in enumerate(HALF_LIVES_S):
            keep = 2.0 ** (-seconds / half_life)
            a, b = keep * self._a[j], keep * self._b[j]
            p, q = a + PSEUDO_COUNT, b + e
            fit = lgamma(p + y) - lgamma(p) + p * log(b / q) + y * log(e / q)
            weight = MEMORY_KEPT * self._log_weight[j] + fit
            self._log_weight[j] = weight
            best = max(best, weight)
            self._a[j], self._b[j] = a + y, q
            self._noise[j] = keep * self._noise[j] + noise
        floor = best + log(LEAST_WEIGHT)
        self._log_weight = [max(weight, floor) - best for weight in self._log_weight]

    def level(self) -> Level | None:
        """Present rate with its interval, None before any exposure."""
        if not self._a:
            return None
        weights = [exp(weight) for weight in self._log_weight]
        total = sum(weights)
        mean = centre = square = spread = noise = half_life = 0.0
        for weight, a, b, other, life in zip(weights, self._a, self._b, self._noise, HALF_LIVES_S, strict=True):
            share = weight / total
            rate = (a + PSEUDO_COUNT) / b
            mean += share * a / b
            noise += share * other / b
            centre += share * rate
            square += share * rate * rate
            spread += share * rate / b
            half_life += share * log(life)
        variance = spread + max(0.0, square - centre * centre)
        shape = centre * centre / variance
        low, high = _gamma_bound(centre, shape, -Z90) - noise, _gamma_bound(centre, shape, Z90) - noise
        mean = max(0.0, mean - noise)
        return Level(mean, max(0.0, min(mean, low)), max(mean, high), noise, exp(half_life))


def _gamma_bound(mean: float, shape: float, z: float) -> float:
    """Quantile of a gamma distribution by Wilson and Hilferty's cube (1931): good to a few percent from shape 0.5 up."""
    root = 1 - 1 / (9 * shape) + z / (3 * sqrt(shape))
    return mean * max(root, 0.0) ** 3
