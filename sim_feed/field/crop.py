"""The crop on the ground: smooth autocorrelated fields of yield and straw toughness.

A field is a sum of random waves whose wave numbers follow the spectral density of the Matern covariance with smoothness
3/2 (random Fourier features: Rahimi and Recht 2007, Advances in Neural Information Processing Systems 20). It needs no
state, so any point can be asked for, and neighbouring passes see neighbouring crop.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sim_feed.parameters.structs import CropParameters

Floats = NDArray[np.float64]

WAVES = 96
MATERN_1_OVER_E = 1.2391
"""Distance, in units of the Matern 3/2 length, where (1 + sqrt(3) d) exp(-sqrt(3) d) = 1/e (solved numerically)."""


class SmoothField:
    """A Gaussian field of mean 0 over `dimensions` coordinates.

    sd: standard deviation. scale: distance at which the correlation has fallen to 1/e, in the coordinates' unit.
    """

    def __init__(self, generator: np.random.Generator, dimensions: int, scale: float, sd: float) -> None:
        length = scale / MATERN_1_OVER_E
        spread = np.sqrt(3.0 / generator.chisquare(3.0, WAVES))
        self._waves = generator.standard_normal((WAVES, dimensions)) * spread[:, None] / length
        self._phases = generator.uniform(0.0, 2.0 * np.pi, WAVES)
        self._height = sd * np.sqrt(2.0 / WAVES)

    def at(self, *coordinates: Floats) -> Floats:
        """Values at points given as one array per coordinate, all of the same shape (n,)."""
        points = np.stack(coordinates, axis=1)
        values: Floats = self._height * np.cos(points @ self._waves.T + self._phases).sum(axis=1)
        return values


class Crop:
    """Yield and toughness at a place and time of day."""

    def __init__(self, parameters: CropParameters, generator: np.random.Generator) -> None:
        self.parameters = parameters
        p = parameters
        self._yield = SmoothField(generator, 2, p.yield_scale_m, p.yield_log_sd)
        self._toughness = SmoothField(generator, 2, p.toughness_scale_m, p.toughness_log_sd)
        self._drift = SmoothField(generator, 1, p.drift_minutes * 60.0, p.drift_log_sd)
        # Mean-one lognormal, so that the paddock's mean yield is the one in the scenario.
        self._centre = np.log(p.yield_t_ha) - 0.5 * p.yield_log_sd**2

    def log_yield_deviation(self, along_m: Floats, across_m: Floats) -> Floats:
        """log(yield / median yield) at places, shape (n,)."""
        return self._yield.at(along_m, across_m)

    def yield_kg_m2(self, along_m: Floats, across_m: Floats) -> Floats:
        """Standing grain in kg/m2 (t/ha / 10), shape (n,)."""
        standing: Floats = np.exp(self._centre + self._yield.at(along_m, across_m)) / 10.0
        return standing

    def toughness(self, along_m: Floats, across_m: Floats, seconds: Floats) -> Floats:
        """How much harder than the mean the straw is to work, as a factor on the MOG feed rate, shape (n,)."""
        factor: Floats = np.exp(self._toughness.at(along_m, across_m) + self._drift.at(seconds))
        return factor
