"""Truth for the benches: a drifting, jumping rate and clumped counts of it. Seeded, vectorised, no code of what is tested.

Counts are a compound Poisson process: clumps at random, their sizes geometric, so variance over mean is (2 - p) / p for
clumps of mean size 1 / p. The filter under test assumes negative binomial forecasts instead.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

RATES_PER_S = (2, 5, 20, 80, 400, 1000)
NOISES = (0.1, 0.3)
RUN_S = 900
STEP_EVERY_S = 225
NOISE_MEMORY_S = 25.0
DISPERSION = 1.5


def noise(random: np.random.Generator, runs: int, seconds: int, sd: float, memory_s: float = NOISE_MEMORY_S) -> Floats:
    """Ornstein-Uhlenbeck noise at whole seconds, stationary from the first, shape (runs, seconds)."""
    stays = np.exp(-1.0 / memory_s)
    fresh = random.standard_normal((runs, seconds)) * sd
    values = np.empty((runs, seconds))
    values[:, 0] = fresh[:, 0]
    for t in range(1, seconds):
        values[:, t] = stays * values[:, t - 1] + np.sqrt(1.0 - stays**2) * fresh[:, t]
    return values


def rates(random: np.random.Generator, runs: int, per_s: float, noise_sd: float, seconds: int = RUN_S) -> Floats:
    """Pulses/s in each second: level with noise on the logarithm, times 2 or 0.5 at random every 225 s, shape (runs, s)."""
    logs = noise(random, runs, seconds, noise_sd)
    for t in range(STEP_EVERY_S, seconds, STEP_EVERY_S):
        logs[:, t:] += np.log(2.0) * random.choice((-1.0, 1.0), (runs, 1))
    return per_s * np.exp(logs)


def clumped(random: np.random.Generator, mean: Floats, dispersion: float = DISPERSION) -> Floats:
    """Counts of this mean with variance dispersion * mean, of the same shape."""
    p = 2.0 / (1.0 + dispersion)
    clumps = random.poisson(mean * p)
    more = random.negative_binomial(np.maximum(clumps, 1), p) if p < 1.0 else np.zeros_like(clumps)
    return np.where(clumps > 0, clumps + more, 0).astype(np.float64)


def trailing_mean(values: Floats, seconds: int = 10) -> Floats:
    """Mean of each second and up to nine before it, along the last axis."""
    sums = np.cumsum(np.concatenate((np.zeros((*values.shape[:-1], 1)), values), axis=-1), axis=-1)
    end = np.arange(1, values.shape[-1] + 1)
    start = np.maximum(end - seconds, 0)
    means: Floats = (sums[..., end] - sums[..., start]) / (end - start)
    return means
