"""Quantiles and distribution functions that intervals rest on: normal, Student t, beta and gamma.

Plain floats in and out, good to 1e-9 relative. The tails are the regularised incomplete beta and gamma functions by
series and continued fraction (Abramowitz and Stegun 6.5.29, 6.5.31, 26.5.8), with Loader's saddle-point form of the
density in front (C. Loader 2000, "Fast and accurate computation of binomial probabilities"), which keeps its digits at
large shapes. All quantiles are found in the logarithm or logit of the variable: there every one of these densities
is log-concave, so Newton's method on the logarithm of a tail converges from any start.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from statistics import NormalDist

LARGEST_SHAPE = 1e9
SMALLEST_SHAPE = 0.01
_TINY = 1e-300
_NORMAL = NormalDist()
_Tails = tuple[float, float, float]
"""Lower tail, upper tail, and the density in the logarithm (gamma) or logit (beta) of the variable."""


def normal_cdf(x: float) -> float:
    """Standard normal distribution function. Raises ValueError for no number."""
    return 0.5 * math.erfc(-_number("x", x) / math.sqrt(2.0))


def normal_quantile(p: float) -> float:
    """Standard normal quantile for 0 < p < 1 (Wichura 1988, AS 241). Raises ValueError outside."""
    return _NORMAL.inv_cdf(_probability(p))


def t_cdf(t: float, dof: float) -> float:
    """Student t distribution function for real dof >= 1 (infinite allowed). Raises ValueError outside."""
    _number("t", t)
    _dof(dof)
    if math.isinf(dof) or t == 0.0:
        return normal_cdf(t)
    square = t * t
    _, beyond, _ = _beta_tails(square / (dof + square), dof / (dof + square), 0.5, 0.5 * dof)
    return 1.0 - 0.5 * beyond if t > 0 else 0.5 * beyond


@lru_cache(maxsize=4096)
def t_quantile(p: float, dof: float) -> float:
    """Student t quantile for 0 < p < 1 and real dof >= 1 (infinite allowed). Raises ValueError outside."""
    _probability(p)
    _dof(dof)
    if p == 0.5:
        return 0.0
    if dof > 1e7:
        z = normal_quantile(p)  # Abramowitz and Stegun 26.7.5; the next term is under 1e-10 here
        return z + (z**3 + z) / (4.0 * dof)
    central, beyond = 2.0 * abs(p - 0.5), 2.0 * min(p, 1.0 - p)
    return math.copysign(math.sqrt(dof) * math.exp(0.5 * _beta_logit(central, beyond, 0.5, 0.5 * dof)), p - 0.5)


def beta_cdf(x: float, a: float, b: float) -> float:
    """Regularised incomplete beta function for 0 <= x <= 1, a, b > 0. Raises ValueError outside."""
    if not 0.0 <= x <= 1.0:
        raise ValueError(f"x: found {x}; allowed: 0 to 1")
    _shape("a", a)
    _shape("b", b)
    if x in (0.0, 1.0):
        return x
    return _beta_tails(x, 1.0 - x, a, b)[0]


def beta_quantile(p: float, a: float, b: float) -> float:
    """Beta quantile for 0 < p < 1, a, b > 0. Raises ValueError outside."""
    logit = _beta_logit(_probability(p), 1.0 - p, _shape("a", a), _shape("b", b))
    return _from_logit(logit)[0]


def gamma_cdf(x: float, shape: float) -> float:
    """Gamma distribution function (scale 1) for x >= 0, shape > 0. Raises ValueError outside."""
    if math.isnan(x) or x < 0.0:
        raise ValueError(f"x: found {x}; allowed: 0 or more")
    _shape("shape", shape)
    if x == 0.0 or math.isinf(x):
        return float(x > 0.0)
    return _gamma_tails(x, shape)[0]


def gamma_quantile(p: float, shape: float) -> float:
    """Gamma quantile (scale 1) for 0 < p < 1, shape from 0.01. Raises ValueError outside."""
    _probability(p)
    _shape("shape", shape)
    z = _NORMAL.inv_cdf(p)
    cube = 1.0 - 1.0 / (9.0 * shape) + z / (3.0 * math.sqrt(shape))  # Wilson and Hilferty 1931
    small = (math.log(p) + math.lgamma(shape + 1.0)) / shape
    start = math.log(shape * cube**3) if shape > 1.0 and cube > 0.3 else small

    def tails(log_x: float) -> _Tails:
        return _gamma_tails(math.exp(log_x), shape)

    if start < -600.0:  # so near zero that the first term of the series is exact; below -745 the answer is 0
        return math.exp(start)
    return math.exp(_solve(tails, p, 1.0 - p, start))


def _beta_logit(lower: float, upper: float, a: float, b: float) -> float:
    """The logit of the beta quantile with `lower` below it and `upper` above it."""
    z = _NORMAL.inv_cdf(min(max(lower, 1e-300), 1.0 - 1e-16))

    def tails(logit: float) -> _Tails:
        return _beta_tails(*_from_logit(logit), a, b)

    return _solve(tails, lower, upper, math.log(a / b) + z * math.sqrt(1.0 / a + 1.0 / b))


def _from_logit(logit: float) -> tuple[float, float]:
    if logit > 0.0:
        small = math.exp(-logit)
        return 1.0 / (1.0 + small), small / (1.0 + small)
    small = math.exp(logit)
    return small / (1.0 + small), 1.0 / (1.0 + small)


def _solve(tails: Callable[[float], _Tails], lower: float, upper: float, start: float) -> float:
    """Newton on the logarithm of the smaller tail, kept inside a bracket that tightens as it goes."""
    side, target, sign = (0, lower, 1.0) if lower <= upper else (1, upper, -1.0)
    aim, place = math.log(target), min(max(start, -690.0), 690.0)
    low, high = -720.0, 700.0
    for _ in range(200):
        found = tails(place)
        tail, density = found[side], found[2]
        if tail > 0.0:
            miss = math.log(tail) - aim
            step = -miss * tail / (sign * density) if density > 0.0 else math.inf
        else:
            miss, step = -math.inf, math.inf
        if miss * sign > 0.0:
            high = place
        else:
            low = place
        following = place + step
        if not low <= following <= high:
            following = 0.5 * (low + high)
        if abs(following - place) <= 1e-13 * max(1.0, abs(place)):
            return following
        if abs(step) < 1e-7:  # quadratic convergence: this step leaves an error of about its square
            return following
        place = following
    raise ArithmeticError(f"no quantile found for tails {lower} and {upper}")


def _gamma_tails(x: float, shape: float) -> _Tails:
    density = shape * _poisson_density(shape, x)
    if x < shape + 1.0:
        term = total = 1.0 / shape
        count = shape
        while term > total * 1e-17:
            count += 1.0
            term *= x / count
            total += term
        lower = min(density * total, 1.0)
        return lower, 1.0 - lower, density
    upper = min(density * _gamma_fraction(x, shape), 1.0)
    return 1.0 - upper, upper, density


def _gamma_fraction(x: float, shape: float) -> float:
    """Continued fraction of the upper tail, by the modified Lentz method."""
    base = x + 1.0 - shape
    c, d = 1.0 / _TINY, 1.0 / base
    product = d
    for count in range(1, 1_000_000):
        numerator = -count * (count - shape)
        base += 2.0
        d = 1.0 / _not_zero(numerator * d + base)
        c = _not_zero(base + numerator / c)
        product *= c * d
        if abs(c * d - 1.0) < 1e-15:
            return product
    raise ArithmeticError(f"incomplete gamma: no convergence at x {x}, shape {shape}")


def _beta_tails(x: float, y: float, a: float, b: float) -> _Tails:
    """`y` is 1 - x, given apart so that neither end loses its digits."""
    density = _beta_density(x, y, a, b)
    if x * (a + b + 2.0) < a + 1.0:
        lower = min(density * _beta_fraction(x, y, a, b), 1.0)
        return lower, 1.0 - lower, density
    upper = min(density * _beta_fraction(y, x, b, a), 1.0)
    return 1.0 - upper, upper, density


def _beta_fraction(x: float, y: float, a: float, b: float) -> float:
    """Continued fraction of the lower tail, in the form of DiDonato and Morris 1992 (TOMS 708) that does not cancel."""
    excess = (a + b) * y - b if a > b else a - (a + b) * x
    head, ratio, first = 1.0 + excess, b / a, 1.0 + 1.0 / a
    p, s = 1.0, a + 1.0
    before, after, below_before, below_after = 0.0, 1.0, 1.0, head / first
    value = first / head
    for count in range(1, 1_000_000):
        step, w = count / a, count * (b - count) * x
        e = a / s
        alpha = p * (p + ratio) * e * e * (w * x)
        e = (1.0 + step) / (first + 2.0 * step)
        beta = count + w / s + e * (head + count * (1.0 + y))
        p, s = 1.0 + step, s + 2.0
        before, after = after, alpha * before + beta * after
        below_before, below_after = below_after, alpha * below_before + beta * below_after
        last, value = value, after / below_after
        if abs(value - last) <= 1e-15 * value:
            return value
        before, below_before, after, below_after = before / below_after, below_before / below_after, value, 1.0
    raise ArithmeticError(f"incomplete beta: no convergence at x {x}, a {a}, b {b}")


def _not_zero(value: float) -> float:
    return value if abs(value) > _TINY else _TINY


def _poisson_density(count: float, mean: float) -> float:
    """mean^count e^-mean / Gamma(count + 1) for real count > 0."""
    return math.exp(-_stirling_error(count) - _deviance(count, mean)) / math.sqrt(2.0 * math.pi * count)


def _beta_density(x: float, y: float, a: float, b: float) -> float:
    """x^a y^b / B(a, b)."""
    both = a + b
    error = _stirling_error(both) - _stirling_error(a) - _stirling_error(b)
    power = error - _deviance(a, both * x) - _deviance(b, both * y)
    return math.sqrt(a * b / (2.0 * math.pi * both)) * math.exp(power)


def _stirling_error(z: float) -> float:
    """ln Gamma(z + 1) less Stirling's formula."""
    if z < 12.0:
        return math.lgamma(z) - (z - 0.5) * math.log(z) + z - 0.5 * math.log(2.0 * math.pi)
    square = z * z
    return (1 / 12 - (1 / 360 - (1 / 1260 - (1 / 1680 - 1 / 1188 / square) / square) / square) / square) / z


def _deviance(x: float, mean: float) -> float:
    """x ln(x / mean) + mean - x, without cancellation where the two are near. Zero or more."""
    if mean <= 0.0:
        return math.inf
    difference = x - mean
    if abs(difference) >= 0.1 * (x + mean):
        return x * math.log(x / mean) - difference
    ratio = difference / (x + mean)
    total, term, count = difference * ratio, 2.0 * x * ratio, 1
    while True:
        term *= ratio * ratio
        count += 2
        following = total + term / count
        if following == total:
            return total
        total = following


def _number(name: str, value: float) -> float:
    if math.isnan(value):
        raise ValueError(f"{name}: found {value}; allowed: a number")
    return value


def _probability(p: float) -> float:
    if not 0.0 < p < 1.0:
        raise ValueError(f"p: found {p}; allowed: over 0 and under 1")
    return p


def _dof(dof: float) -> float:
    if not dof >= 1.0:
        raise ValueError(f"dof: found {dof}; allowed: 1 or more")
    return dof


def _shape(name: str, value: float) -> float:
    if not SMALLEST_SHAPE <= value <= LARGEST_SHAPE:
        raise ValueError(f"{name}: found {value}; allowed: {SMALLEST_SHAPE:g} to {LARGEST_SHAPE:g}")
    return value
