"""Poisson and quasi-Poisson log-linear regression: counts over exposure against a few columns.

log E(count) = offset + design @ coefficients, fitted by Newton's method (iteratively reweighted least squares; McCullagh
and Nelder 1989, Generalized Linear Models, ch. 6 and 9). The log-likelihood is concave, so halving the step is all the
care it needs. Quasi-Poisson scales the variance by Pearson's chi-square over its degrees of freedom. Checked against
statsmodels and Dobson 1990, p. 93.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MOST_STEPS = 100
CONVERGED = 1e-12
DEPENDENT = 1e-10
"""Columns whose normalised information matrix has a smaller eigenvalue carry the same thing twice."""

FARTHEST = 40.0
"""A coefficient beyond this is on its way to infinity: a group without a single count."""


@dataclass(frozen=True, slots=True)
class PoissonFit:
    """A fitted model. `covariance` is the inverse information (dispersion 1); `fitted` the expected counts."""

    coefficients: Floats
    covariance: Floats
    fitted: Floats
    deviance: float
    pearson: float
    dof: int

    @property
    def dispersion(self) -> float:
        """Pearson's chi-square over its degrees of freedom; 1 is Poisson. NaN when none is left."""
        return self.pearson / self.dof if self.dof > 0 else float("nan")

    @property
    def standard_errors(self) -> Floats:
        """Standard errors of a Poisson model."""
        return np.asarray(np.sqrt(np.diag(self.covariance)), dtype=np.float64)

    @property
    def quasi_standard_errors(self) -> Floats:
        """Standard errors of a quasi-Poisson model."""
        return self.standard_errors * sqrt(self.dispersion) if self.dof > 0 else self.standard_errors * np.nan


def fit(counts: Floats, design: Floats, offset: Floats | None = None) -> PoissonFit:
    """Fit counts (n,) to a design (n, p) with an offset (n,), the log of the exposure.

    Counts may be fractions, and a little below 0 where a background was taken off; the deviance is then of the rest.
    Raises ValueError for shapes that don't fit, columns that depend on each other, or a group without any count.
    """
    y = np.asarray(counts, dtype=np.float64)
    x = np.asarray(design, dtype=np.float64)
    shift = np.zeros(len(y)) if offset is None else np.asarray(offset, dtype=np.float64)
    if x.ndim != 2 or x.shape[0] != len(y) or shift.shape != y.shape or x.shape[1] == 0:
        raise ValueError(f"design: found shape {x.shape} for {len(y)} counts; allowed: one row a count, one column or more")
    if not (np.isfinite(y).all() and np.isfinite(x).all() and np.isfinite(shift).all()):
        raise ValueError("counts, design, offset: found a value that is not finite; allowed: numbers")
    beta = _start(y, x, shift)
    best = _likelihood(y, x, shift, beta)
    for _ in range(MOST_STEPS):
        mean = np.exp(shift + x @ beta)
        step = _solve(_information(x, mean), x.T @ (y - mean))
        for _ in range(60):
            tried = beta + step
            found = _likelihood(y, x, shift, tried)
            if found >= best - 1e-12 * abs(best):
                break
            step = step / 2
        beta, best = tried, found
        if np.abs(beta).max() > FARTHEST + np.abs(shift).max():
            raise ValueError("counts: found a group without any count; allowed: some in each")
        if np.abs(step).max() <= CONVERGED * max(1.0, float(np.abs(beta).max())):
            break
    mean = np.exp(shift + x @ beta)
    positive = np.maximum(y, 0.0)
    logs = positive * np.log(np.where(positive > 0, positive, 1.0) / mean)
    deviance = 2.0 * float((logs - (positive - mean)).sum())
    pearson = float(((y - mean) ** 2 / mean).sum())
    covariance = np.asarray(np.linalg.inv(_information(x, mean)), dtype=np.float64)
    return PoissonFit(beta, covariance, mean, deviance, pearson, len(y) - x.shape[1])


def _start(y: Floats, x: Floats, shift: Floats) -> Floats:
    """One weighted least-squares step from means drawn halfway to the common rate."""
    rate = float(y.sum()) / float(np.exp(shift).sum())
    if rate <= 0:
        raise ValueError("counts: found none at all; allowed: some")
    mean = (np.maximum(y, 0.0) + rate * np.exp(shift)) / 2
    target = np.log(mean) - shift + (y - mean) / mean
    information = _information(x, mean)
    scale = np.sqrt(np.diag(information))
    if not (scale > 0).all():
        raise ValueError("design: found a column of zeros; allowed: columns that vary")
    if np.linalg.eigvalsh(information / np.outer(scale, scale))[0] < DEPENDENT:
        raise ValueError("design: found columns that depend on each other; allowed: independent ones")
    return _solve(information, x.T @ (mean * target))


def _likelihood(y: Floats, x: Floats, shift: Floats, beta: Floats) -> float:
    linear = np.minimum(shift + x @ beta, 700.0)
    return float((y * linear - np.exp(linear)).sum())


def _information(x: Floats, mean: Floats) -> Floats:
    return np.asarray((x * mean[:, None]).T @ x, dtype=np.float64)


def _solve(information: Floats, score: Floats) -> Floats:
    scale = np.sqrt(np.diag(information))
    if not (scale > 0).all() or not np.isfinite(scale).all():
        raise ValueError("counts: found a group without any count; allowed: some in each")
    try:
        return np.asarray(np.linalg.solve(information / np.outer(scale, scale), score / scale) / scale, dtype=np.float64)
    except np.linalg.LinAlgError as fault:
        raise ValueError("counts: found a group without any count; allowed: some in each") from fault
