"""How much the field itself drifts over tens of minutes, as far as the work so far can tell.

A drift of 5 % is taken for granted. More is believed when the batches show it: restricted maximum likelihood (Patterson
and Thompson 1971, Biometrika 58) of noise that fades within half a minute plus drift that fades over 20 minutes, with a
prior that holds a doubling of the drift to be `PRIOR_ODDS` times less likely. What the sides' own means take up is lost
to it, so half an hour of work tells little and the allowance stays near 5 %; a paddock that is plainly uneven widens it.
"""

from __future__ import annotations

from math import log

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

DRIFT_LOG_SD = 0.05
DRIFT_MEMORY_S = 1200.0
DOUBLINGS = np.linspace(0.0, 2.5, 11)
"""Drift from 5 to 28 %."""

PRIOR_ODDS = 10.0
NOISE_GRID = np.geomspace(0.25, 2.5, 25)
LEAST_BATCHES = 6


def kernel(mid_s: Floats) -> Floats:
    """Correlation of the drift between times, (n,) -> (n, n)."""
    found: Floats = np.exp(-np.abs(mid_s[:, None] - mid_s) / DRIFT_MEMORY_S)
    return found


def drift_log_sd(
    residual: Floats, amount: Floats, mid_s: Floats, means: Floats, unit: float, neighbours: float, memory_s: float
) -> float:
    """Standard deviation of the drift, at least 5 %.

    Relative residuals of the batches (n,), their amounts of work in units, middles, and the columns (n, p) that were
    fitted; `unit` their variance per unit; `neighbours` the correlation of adjoining ones, fading with `memory_s`.
    """
    n = len(residual)
    if n < LEAST_BATCHES or unit <= 0:
        return DRIFT_LOG_SD
    order = np.sqrt(amount)
    apart = np.abs(mid_s[:, None] - mid_s)
    step = float(np.median(np.diff(np.sort(mid_s)))) if n > 1 else 1.0
    noise = neighbours * np.exp(-np.maximum(apart - step, 0.0) / memory_s)
    np.fill_diagonal(noise, 1.0)
    lower = np.linalg.cholesky(noise + 1e-9 * np.eye(n))

    def white(columns: Floats) -> Floats:
        found: Floats = np.linalg.solve(lower, (columns.T * order).T)
        return found

    basis = np.linalg.qr(white(means), mode="complete")[0][:, means.shape[1] :]
    scaled = white(white(kernel(mid_s)).T)
    values, vectors = np.linalg.eigh(basis.T @ scaled @ basis)
    seen = (vectors.T @ (basis.T @ white(residual))) ** 2
    variance = (
        unit * NOISE_GRID[None, :, None]
        + (DRIFT_LOG_SD * 2.0**DOUBLINGS[:, None, None]) ** 2 * np.maximum(values, 0.0)[None, None, :]
    )
    likelihood = -0.5 * (np.log(variance) + seen / variance).sum(axis=2)
    score = likelihood - log(PRIOR_ODDS) * DOUBLINGS[:, None]
    chance = np.exp(score - score.max()).sum(axis=1)
    mean = float((chance * (DRIFT_LOG_SD * 2.0**DOUBLINGS) ** 2).sum() / chance.sum())
    return max(DRIFT_LOG_SD, mean**0.5)
