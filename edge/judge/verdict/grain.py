"""Pulses are not grain: what tray tests on each side of a change say about the share of grain that a sensor meets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, inf, log, sqrt

from edge.judge.verdict.contrast import LEVEL
from edge.reckon.fit.calibration import Calibration, Test
from edge.reckon.fit.factor import Factors
from edge.reckon.statistics.budget import effective_dof
from edge.reckon.statistics.quantiles import normal_quantile, t_quantile
from edge.reckon.statistics.smoothing import DISPERSION_START

ALTERS_SHARE = (
    "fan_rpm", "rotor_rpm", "concave_mm", "top_sieve_mm", "bottom_sieve_mm", "pre_sieve_mm", "mill",
)  # fmt: skip
"""Settings that move or sort the stream the sensors meet, so that a pulse may mean more or less grain afterwards."""

SHARE_LOG_SD = 0.25
"""How far one modest step moves the share that a sensor meets, standard deviation of its logarithm. From memory: no
published figure. Without it a single tray on each side, whose own scatter is 35 %, could confirm nothing."""

CONTRADICTS = 1.2
"""Times the joint 90 % half width (two standard deviations) at which the tests are believed against it."""


def alters_share(key: str) -> bool:
    """Whether a change of this setting may alter what a pulse means; an unknown one (`other`) may."""
    return key in ALTERS_SHARE or key.startswith("other")


def factors_of(tests: Sequence[Test], points: Sequence[str], vibration_hz: Sequence[float]) -> Factors | None:
    """The factors that these used tests of one crop give; None when there is none, or one for a point is lacking."""
    chosen = [test for test in tests if test.used]
    if not chosen:
        return None
    crop = chosen[-1].crop
    one = Calibration(tuple(points), [test for test in chosen if test.crop == crop])
    one.refit(crop, vibration_hz, [DISPERSION_START] * len(points))
    return one.factors if all(name in one.factors.points for name in points) else None


def shares(factors: Factors, rates: Sequence[float]) -> list[float]:
    """What part of a fit's straw clicks belongs to each point: all of its own; of a common fit, the share of its pulses."""
    total = sum(rates)
    return [rate / total if total > 0 else 1 / len(rates) for rate in rates] if factors.common else [1.0] * len(rates)


def clicks_m2(factors: Factors | None, names: Sequence[str], rates: Sequence[float]) -> list[float]:
    """Pulses per m2 of each point that come with straw, by the fit; `rates` are all pulses per m2."""
    if factors is None:
        return [0.0] * len(names)
    return [factors.points[name].clicks_m2 * share for name, share in zip(names, shares(factors, rates), strict=True)]


def clicks_half_width(
    factors: Factors | None, points: Sequence[str], rates: tuple[Sequence[float], Sequence[float]], names: Sequence[str]
) -> float:
    """90 % half width (log) that straw clicks add to the ratio of the pulses left of `names` when they are taken off."""
    if factors is None or not any(factors.points[name].clicks_m2 for name in names):
        return 0.0
    at = [points.index(name) for name in names]
    left = []
    for rate in rates:
        clicks = clicks_m2(factors, points, rate)
        left.append(sum(rate[i] - clicks[i] for i in at))
    if min(left) <= 0:
        return inf
    fits = [factors.points[name] for name in names]
    u = sqrt(sum(fit.clicks_u_m2**2 for fit in fits))
    if factors.common:
        u = fits[0].clicks_u_m2 * sum(shares(factors, rates[0])[i] for i in at)
    return t_quantile(0.5 + LEVEL / 2, max(1.0, fits[0].dof)) * u * abs(1 / left[1] - 1 / left[0])


def loss_mg_m2(factors: Factors, names: Sequence[str], rates: Sequence[float]) -> list[float]:
    """Grain in mg/m2 behind each point's pulses per m2, straw clicks taken off."""
    left = [max(rate - clicks, 0.0) for rate, clicks in zip(rates, clicks_m2(factors, names, rates), strict=True)]
    return [factors.points[name].k * rate for name, rate in zip(names, left, strict=True)]


def factor_terms(
    factors: Factors, points: Sequence[str], rates: Sequence[float], names: Sequence[str] = ()
) -> list[tuple[float, float]]:
    """Relative standard uncertainties of that grain's sum over `names` (default: all) from the factors, with their degrees
    of freedom."""
    at = [points.index(name) for name in names or points]
    fits, parts = [factors.points[points[i]] for i in at], loss_mg_m2(factors, points, rates)
    total = sum(parts[i] for i in at)
    if factors.common:
        return [(fits[0].u_at(sum(rates)), fits[0].dof)]
    return [(fit.u_mg_m2(rates[i]) / total, fit.dof) for fit, i in zip(fits, at, strict=True)] if total > 0 else []


@dataclass(frozen=True, slots=True)
class Shift:
    """How far the grain ratio lies from the pulse ratio (log), with its 90 % half width."""

    log: float
    half_width: float


def shift(
    sides: tuple[Factors, Factors], points: Sequence[str], rates: tuple[Sequence[float], Sequence[float]], names: Sequence[str],
    weights: Sequence[float],
) -> Shift | None:
    """Factor after over factor before of `names`, for pulses per area `rates` of all `points` on each side.

    `weights` are those of `names` under which the pulse ratio was taken. What the tests show is joined with what is known of
    such steps beforehand (`SHARE_LOG_SD`), unless they contradict it. None when a side has no pulses.
    """  # fmt: skip
    at = [points.index(name) for name in names]
    terms: list[tuple[float, float]] = []
    logs = []
    for found, each in zip(sides, rates, strict=True):
        rate = [max(one, 0.0) for one in each]
        parts = loss_mg_m2(found, points, rate)
        lost, pulses = sum(parts[i] for i in at), sum(w * rate[i] for w, i in zip(weights, at, strict=True))
        if lost <= 0 or pulses <= 0:
            return None
        logs.append(log(lost / pulses))
        terms += factor_terms(found, points, rate, names)
    terms = [(u, dof) for u, dof in terms if u > 0]
    seen = logs[1] - logs[0]
    t = t_quantile(0.5 + LEVEL / 2, max(1.0, effective_dof(terms))) if terms else 0.0
    tests = t * sqrt(sum(u * u for u, _ in terms))
    known = normal_quantile(0.5 + LEVEL / 2) * SHARE_LOG_SD
    if abs(seen) > CONTRADICTS * hypot(tests, known):
        return Shift(seen, tests)
    part = known**2 / (known**2 + tests**2)
    return Shift(part * seen, sqrt(part) * tests)


def joined(half_width: float, found: Shift) -> float:
    """Half width of the grain ratio: two independent errors."""
    return hypot(half_width, found.half_width)
