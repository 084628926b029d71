"""Grain tank samples on each side of a change: did trash or cracked grain detectably rise?

A hand sample is judged as if about 500 kernels had been looked at (from memory: what a person sorts in a minute), so one
sample carries the binomial spread of 500; several on a side carry the spread they show, if that is larger.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf, sqrt

from edge.judge.verdict.contrast import LEVEL
from edge.reckon.statistics.quantiles import normal_quantile, t_quantile

KERNELS = 500.0
LEAST_PCT = 0.2
"""A sample without a single bad kernel still has the spread of one in 500."""

KEYS = ("trash_pct", "cracked_pct", "unthreshed_pct")


def mean(values: Sequence[float]) -> float | None:
    """Mean of the samples; None without any."""
    return sum(values) / len(values) if values else None


def rose(before: Sequence[float], after: Sequence[float]) -> bool:
    """Whether the percent is detectably higher after: the 90 % interval of the difference lies above 0."""
    if not before or not after:
        return False
    difference = sum(after) / len(after) - sum(before) / len(before)
    variance = sum(_binomial(values) / len(values) for values in (before, after))
    dof = len(before) + len(after) - 2
    quantile = normal_quantile(0.5 + LEVEL / 2)
    if dof > 0:
        pooled = sum(sum((one - sum(values) / len(values)) ** 2 for one in values) for values in (before, after)) / dof
        seen = pooled * (1 / len(before) + 1 / len(after))
        if t_quantile(0.5 + LEVEL / 2, dof if dof >= 1 else inf) * sqrt(seen) > quantile * sqrt(variance):
            return difference > t_quantile(0.5 + LEVEL / 2, dof) * sqrt(seen)
    return difference > quantile * sqrt(variance)


def _binomial(values: Sequence[float]) -> float:
    """Variance of one sample, percent squared."""
    share = max(sum(values) / len(values), LEAST_PCT) / 100.0
    return share * (1 - share) / KERNELS * 100.0**2
