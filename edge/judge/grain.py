"""Pulses are not grain: what tray tests on each side of a change say about the share of grain that a sensor meets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, log, sqrt

from edge.judge.contrast import LEVEL
from edge.reckon.budget import effective_dof
from edge.reckon.calibration import Calibration, Test
from edge.reckon.factor import Factors
from edge.reckon.quantiles import normal_quantile, t_quantile
from edge.reckon.smoothing import DISPERSION_START

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


@dataclass(frozen=True, slots=True)
class Shift:
    """How far the grain ratio lies from the pulse ratio (log), with its 90 % half width."""

    log: float
    half_width: float


def shift(
    before: Factors, after: Factors, names: Sequence[str], rates: tuple[Sequence[float], Sequence[float]],
    weights: Sequence[float],
) -> Shift | None:
    """Factor after over factor before, for pulses per area `rates` of the points on each side.

    `weights` are those under which the pulse ratio was taken. What the tests show is joined with what is known of such
    steps beforehand (`SHARE_LOG_SD`), unless they contradict it. None when a side has no pulses.
    """  # fmt: skip
    terms: list[tuple[float, float]] = []
    logs = []
    for found, rate in zip((before, after), rates, strict=True):
        parts = [found.points[name].k * max(one, 0.0) for name, one in zip(names, rate, strict=True)]
        pulses = sum(w * max(one, 0.0) for w, one in zip(weights, rate, strict=True))
        if sum(parts) <= 0 or pulses <= 0:
            return None
        logs.append(log(sum(parts) / pulses))
        fits = [found.points[name] for name in names]
        if found.common:
            terms.append((fits[0].u, fits[0].dof))
        else:
            terms += [(fit.u * part / sum(parts), fit.dof) for fit, part in zip(fits, parts, strict=True)]
    terms = [(u, dof) for u, dof in terms if u > 0]
    seen = logs[1] - logs[0]
    t = t_quantile(0.5 + LEVEL / 2, max(1.0, effective_dof(terms))) if terms else 0.0
    tests = t * sqrt(sum(u * u for u, _ in terms))
    known = normal_quantile(0.5 + LEVEL / 2) * SHARE_LOG_SD
    if abs(seen) > CONTRADICTS * hypot(tests, known):
        return Shift(seen, tests)
    part = known**2 / (known**2 + tests**2)
    return Shift(part * seen, sqrt(part) * tests)


def joined(half_width: float, found: Shift | None) -> float:
    """Half width of the grain ratio: two independent errors."""
    return half_width if found is None else hypot(half_width, found.half_width)
