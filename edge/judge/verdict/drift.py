"""How much the field itself drifts over tens of minutes, as far as the work so far can tell.

A drift of 8 % is taken for granted: about what a paddock has between means of ten minutes where neighbouring passes share
patches of heavy and light crop (counted on the simulated one; no published figure). More is believed when the work shows
it: restricted maximum likelihood (Patterson and Thompson 1971, Biometrika 58) of independent noise, whose size the
minutes tell, plus drift that fades over 20 minutes, averaged over a prior that holds each doubling of the drift to be
`PRIOR_ODDS` times less likely. What the sides' own means take up is lost to it, so half an hour of work tells little and
the allowance stays near 8 %; a paddock that is plainly uneven widens it.
"""

from __future__ import annotations

from functools import lru_cache
from math import log

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

DRIFT_LOG_SD = 0.08
DRIFT_MEMORY_S = 1200.0
DOUBLINGS = np.linspace(0.0, 2.0, 9)
"""Drift from 8 to 32 %."""

PRIOR_ODDS = 10.0
NOISE = np.linspace(-0.9, 0.9, 9)
"""Log of the noise variance over what the minutes say it is, and how sure they are."""

NOISE_LOG_SD = 0.35
COARSE = 3
"""Batches of a minute joined before looking: drift is slower than that by far."""

LEAST, MOST = 6, 25
"""Groups so made: fewer tell nothing of drift, more tell no more and cost time (beyond 25 rows LAPACK's solver divides and
conquers, in threads: a hundred times dearer where other work keeps the processor busy)."""


def kernel(mid_s: Floats) -> Floats:
    """Correlation of the drift between times, (n,) -> (n, n)."""
    found: Floats = np.exp(-np.abs(mid_s[:, None] - mid_s) / DRIFT_MEMORY_S)
    return found


def drift_log_sd(residual: Floats, amount: Floats, mid_s: Floats, means: Floats, noise: float) -> float:
    """Standard deviation of the drift, at least 8 %.

    Relative residuals of the batches (n,) in order of time, their amounts of work in units, middles, and the columns
    (n, p) that were fitted; `noise`: the long-run variance of a unit.
    """
    group = np.arange(len(residual)) // max(COARSE, -(-len(residual) // MOST))
    p = means.shape[1]
    if int(group[-1]) + 1 < p + LEAST or noise <= 0:
        return DRIFT_LOG_SD
    work = np.bincount(group, amount)

    def joined(values: Floats) -> Floats:
        found: Floats = np.bincount(group, values * amount) / work
        return found

    root = np.sqrt(work)
    columns = np.column_stack([joined(column) for column in means.T]) * root[:, None]
    values, vectors = _directions(columns.tobytes(), (joined(mid_s)).tobytes(), root.tobytes(), p)
    squares = (vectors.T @ (joined(residual) * root)) ** 2
    variance = (
        noise * np.exp(NOISE)[None, :, None] + (DRIFT_LOG_SD * 2.0**DOUBLINGS[:, None, None]) ** 2 * values[None, None, :]
    )
    likelihood = -0.5 * (np.log(variance) + squares / variance).sum(axis=2)
    score = likelihood - log(PRIOR_ODDS) * DOUBLINGS[:, None] - 0.5 * (NOISE / NOISE_LOG_SD) ** 2
    chance = np.exp(score - score.max()).sum(axis=1)
    mean = float((chance * (DRIFT_LOG_SD * 2.0**DOUBLINGS) ** 2).sum() / chance.sum())
    return float(max(DRIFT_LOG_SD, mean**0.5))


@lru_cache(maxsize=4)
def _directions(columns: bytes, mid_s: bytes, root: bytes, p: int) -> tuple[Floats, Floats]:
    """Eigenvalues (n - p,) and vectors (n, n - p) of the drift beside the fitted columns.

    They hang on times and sides alone, which total, points and returns of one verdict share.
    """
    roots = np.frombuffer(root)
    basis = np.linalg.qr(np.frombuffer(columns).reshape(len(roots), p))[0]
    apart = np.eye(len(roots)) - basis @ basis.T
    drift = apart @ (kernel(np.frombuffer(mid_s)) * np.outer(roots, roots)) @ apart
    values, vectors = np.linalg.eigh(drift)
    return np.maximum(values[p:], 0.0), vectors[:, p:]
