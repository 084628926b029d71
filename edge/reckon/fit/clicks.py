"""Straw clicks: pulses per m2 that are no grain and come only with crop, seen by trays at clearly different loss.

Grain = slope x (pulses - clicks): weighted least squares of grain on pulses, both per m2. Scatter between tests is
multiplicative, so a test's variance is (spread x fitted grain)^2 beside its own; the spread is the one at which the weighted
squares equal their degrees of freedom (Paule and Mandel 1982, J. Res. NBS 87), as for the factor without clicks.
With `centre` the weighted mean of the pulses, the grain there and the slope are uncorrelated.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from typing import NamedTuple

from edge.reckon.statistics.quantiles import t_quantile

LEAST_TESTS = 5
LEAST_RANGE = 2.0
"""Highest over lowest pulses per metre from which trays tell clicks from grain."""

LEAST_Z = 2.5
CHANCE = 0.015
"""Clicks must be so many standard uncertainties above 0, and more where Student's t would reach that by chance more often."""

FLOOR = 0.1
"""Fitted grain counts as at least this part of its mean in the weights: a test next to the clicks is not precise for that."""

ROUNDS = 30


class ClicksLine(NamedTuple):
    """Grain in mg/m2 = slope (mg per pulse) x (pulses/m2 - clicks). Relative standard uncertainties: `u_level` of the grain at
    `centre` pulses/m2, `u_slope` of the slope; `u_clicks` in pulses/m2; `spread` between tests, relative."""

    slope: float
    clicks: float
    u_clicks: float
    centre: float
    u_level: float
    u_slope: float
    spread: float
    dof: int


def line(
    pulses: Sequence[float], grain: Sequence[float], us: Sequence[float], pulses_m: Sequence[float] = ()
) -> ClicksLine | None:
    """The line through tests of one catch, or None when they do not support clicks.

    pulses, grain (mg) per m2 of each test; us: its relative standard uncertainty without the spread between tests; pulses_m:
    pulses per metre, whose range is looked at (default: pulses).
    """
    n = len(pulses)
    reach = pulses_m or pulses
    if n < LEAST_TESTS or min(reach) <= 0 or max(reach) < LEAST_RANGE * min(reach):
        return None
    least = FLOOR * sum(grain) / n
    if least <= 0:
        return None
    fitted = [max(one, least) * 1.0 for one in _proportional(pulses, grain)]
    found, spread = _solve(pulses, grain, fitted, us)
    for _ in range(ROUNDS):
        slope, middle_x, middle_y = found[:3]
        again = [max(middle_y + slope * (x - middle_x), least) for x in pulses]
        still = max(abs(a / b - 1) for a, b in zip(again, fitted, strict=True)) < 1e-9
        fitted = again
        found, spread = _solve(pulses, grain, fitted, us)
        if still:
            break
    slope, middle_x, middle_y, v_level, v_slope = found
    if slope <= 0 or middle_y <= 0:
        return None
    clicks = middle_x - middle_y / slope
    u_clicks = sqrt(v_level + (middle_y / slope) ** 2 * v_slope) / slope
    # Judged on the grain at no pulses at all (Fieller 1954): under no clicks that follows Student's t, their ratio does not.
    u_there = sqrt(v_level + middle_x**2 * v_slope) / slope
    if clicks <= 0 or clicks < max(LEAST_Z, t_quantile(1 - CHANCE, n - 2)) * max(u_there, u_clicks):
        return None
    return ClicksLine(slope, clicks, u_clicks, middle_x, sqrt(v_level) / middle_y, sqrt(v_slope) / slope, sqrt(spread), n - 2)


def _proportional(pulses: Sequence[float], grain: Sequence[float]) -> list[float]:
    ratio = sum(grain) / sum(pulses)
    return [ratio * x for x in pulses]


def _solve(
    pulses: Sequence[float], grain: Sequence[float], fitted: Sequence[float], us: Sequence[float]
) -> tuple[tuple[float, float, float, float, float], float]:
    """Slope, centre, grain there, their variances; and the square of the relative spread between tests."""
    own = [(u * mu) ** 2 + 1e-18 * mu * mu for u, mu in zip(us, fitted, strict=True)]

    def at(spread: float) -> tuple[tuple[float, float, float, float, float], float]:
        weights = [1 / (v + spread * mu * mu) for v, mu in zip(own, fitted, strict=True)]
        total = sum(weights)
        middle_x = sum(w * x for w, x in zip(weights, pulses, strict=True)) / total
        middle_y = sum(w * y for w, y in zip(weights, grain, strict=True)) / total
        square = sum(w * (x - middle_x) ** 2 for w, x in zip(weights, pulses, strict=True))
        cross = sum(w * (x - middle_x) * (y - middle_y) for w, x, y in zip(weights, pulses, grain, strict=True))
        slope = cross / square
        rest = sum(
            w * (y - middle_y - slope * (x - middle_x)) ** 2 for w, x, y in zip(weights, pulses, grain, strict=True)
        )
        return (slope, middle_x, middle_y, 1 / total, 1 / square), rest

    dof = len(pulses) - 2
    found, rest = at(0.0)
    if rest <= dof:
        return found, 0.0
    low, high = 0.0, 1.0
    while at(high)[1] > dof and high < 1e6:
        high *= 4
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if at(middle)[1] > dof else (low, middle)
    return at(high)[0], high
