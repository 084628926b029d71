"""Tray tests -> factor: mg of grain lost per corrected pulse, per loss point, with its honest uncertainty.

The tray and the sensor meet the same stream at the same moment, so k = grain per metre travelled / corrected pulses per
metre travelled, same window, no lag. Scatter between tests is multiplicative and far larger than counting, hence a
random-effects weighted arithmetic mean with the Hartung-Knapp interval (Hartung & Knapp 2001, Statistics in Medicine 20)
and Student t on n - 1 degrees of freedom (measurement.md 1.4 to 1.6).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import exp, log, sqrt
from typing import Literal, NamedTuple

from edge.reckon.fit import clicks

PRIOR_SPREAD = 0.35
"""Assumed relative spread between tests while there are fewer than three."""

PRIOR_DOF = 4
ENOUGH = 3
SPLIT_U = 0.4
"""Extra relative u of a point whose factor is known for both points together only."""

OUTLYING_Z = 3.0

TREND_TESTS = 4
TREND_T = 3.0
"""Tests from which a trend of the factor in time is looked for, and the t value from which it is said."""

LEAST_TREND = 0.01
"""A trend of less than this from test to test is not worth a word."""

MOST_ALONE = 40
"""Tests up to which the others are fitted without each one in turn; with more, one step from the fit of all says the same."""

MOST_U = 10.0
NO_GRAIN = "no grain in any tray"
NO_PULSES = "the tray tests hold no more pulses than the vibration background: see what the sensors count with the machine empty"

LEAST_MG_PER_PULSE = 1e-9
"""Less is no grain: a millionth of the lightest kernel."""


@dataclass(frozen=True, slots=True)
class Measured:
    """One tray test reduced to numbers.

    `grain_mg_m`: grain per metre travelled; `u_grain_mg_m` its standard uncertainty; `pulses_m`: corrected pulses per
    metre of each loss point; `u_pulses`: relative standard uncertainty of their sum (counting with dispersion).
    `width_m`: width in use (0: not known); `hidden_m`: how far each point's pulses per metre move with the logarithm of the
    dead time.
    """

    number: int
    at_s: float
    catches: Literal["both", "separator", "cleaning"]
    grain_mg_m: float
    u_grain_mg_m: float
    pulses_m: dict[str, float]
    u_pulses: dict[str, float]
    counted: bool = False
    extra_u: float = 0.0
    width_m: float = 0.0
    hidden_m: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Fit:
    """A factor: `k` in mg per pulse, relative standard uncertainty `u` with `dof`; `n` tests; `spread` between them.

    `hidden`: mean over the tests of d ln pulses / d ln dead time. `trend`: relative change of k from test to test where it is
    beyond chance, else 0. With straw clicks, loss in mg/m2 = k (pulses/m2 - `clicks_m2`): `u` then is that of the loss at
    `centre_m2` pulses/m2, and `slope_u` the relative one of k, uncorrelated with it.
    """

    k: float
    u: float
    dof: float
    n: int
    spread: float
    left_out: tuple[tuple[int, float], ...] = ()
    outlying: tuple[int, ...] = ()
    hidden: float = 0.0
    trend: float = 0.0
    clicks_m2: float = 0.0
    clicks_u_m2: float = 0.0
    centre_m2: float = 0.0
    slope_u: float = 0.0

    def loss_mg_m2(self, pulses_m2: float) -> float:
        """Grain in mg/m2 behind corrected pulses per m2, straw clicks taken off; never below 0."""
        return self.k * max(pulses_m2 - self.clicks_m2, 0.0)

    def u_mg_m2(self, pulses_m2: float) -> float:
        """Standard uncertainty of that grain in mg/m2 from the factor and the straw clicks."""
        if not self.clicks_m2:
            return self.u * self.k * pulses_m2
        level = self.u * (self.centre_m2 - self.clicks_m2)
        return self.k * sqrt(level**2 + (self.slope_u * (pulses_m2 - self.centre_m2)) ** 2)

    def u_at(self, pulses_m2: float) -> float:
        """The same, relative to that grain; `u` itself without straw clicks, at most 10."""
        if not self.clicks_m2:
            return self.u
        loss = self.loss_mg_m2(pulses_m2)
        return min(self.u_mg_m2(pulses_m2) / loss, MOST_U) if loss > 0 else MOST_U


@dataclass(frozen=True, slots=True)
class Factors:
    """What is known for each point: its own fit, or a share of the common one.

    `counted`: a tray was counted, so its mass rests on the TGW; `bypassed`: a mill was bypassed for a tray.
    """

    points: dict[str, Fit] = field(default_factory=dict)
    common: bool = False
    reason: str = ""
    counted: bool = False
    bypassed: bool = False


def fit(ks: Sequence[float], us: Sequence[float], numbers: Sequence[int] = ()) -> Fit | None:
    """Random-effects mean of factors `ks` (mg per pulse, >= 0) with absolute standard uncertainties `us`.

    None when there is none, or no grain in any. With fewer than three tests an assumed spread (relative 0.35 on 4
    degrees of freedom) is pooled with the observed one.
    """
    n = len(ks)
    if n == 0 or sum(ks) <= 0:
        return None
    mean = sum(ks) / n
    # Weights must not favour small results: the within-test uncertainty is taken relative to the common mean.
    within = [(max(u, 1e-9 * mean)) ** 2 for u in us]
    if n < ENOUGH:
        observed = sum((k / mean - 1) ** 2 for k in ks)
        dof = PRIOR_DOF + n - 1
        spread = sqrt((PRIOR_DOF * PRIOR_SPREAD**2 + observed) / dof)
        counting = sqrt(sum(within)) / n / mean
        return Fit(mean, sqrt(spread**2 / n + counting**2), dof, n, spread)
    tau2 = _between(ks, within)
    weights = [1 / (v + tau2) for v in within]
    total = sum(weights)
    centre = sum(w * k for w, k in zip(weights, ks, strict=True)) / total
    scatter = sum(w * (k - centre) ** 2 for w, k in zip(weights, ks, strict=True)) / (n - 1)
    variance = max(scatter / total, 1 / sum(1 / v for v in within))
    names = list(numbers) if numbers else list(range(1, n + 1))
    others = [_without(ks, within, i) for i in range(n)] if n <= MOST_ALONE else _near(ks, within, tau2, centre)
    left_out = tuple((name, one.mean) for name, one in zip(names, others, strict=True))
    outlying = tuple(names[i] for i, one in enumerate(others) if n > ENOUGH and one.has_outlying(ks[i], within[i]))
    return Fit(centre, sqrt(variance) / centre, n - 1, n, sqrt(tau2) / centre, left_out, outlying)


def _between(ks: Sequence[float], within: Sequence[float]) -> float:
    """Variance between tests by Paule and Mandel's iteration (1982, J. Res. NBS 87): the weighted scatter equals n - 1."""
    def excess(tau2: float) -> float:
        weights = [1 / (v + tau2) for v in within]
        centre = sum(w * k for w, k in zip(weights, ks, strict=True)) / sum(weights)
        return sum(w * (k - centre) ** 2 for w, k in zip(weights, ks, strict=True)) - (len(ks) - 1)

    if excess(0.0) <= 0:
        return 0.0
    low, high = 0.0, max((k - min(ks)) ** 2 for k in ks) * len(ks) + max(within)
    while excess(high) > 0:
        high *= 2
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if excess(middle) > 0 else (low, middle)
    return (low + high) / 2


class _Others(NamedTuple):
    """All tests but one: their weighted mean, plain mean, and variance between them."""

    mean: float
    plain: float
    tau2: float

    def has_outlying(self, k: float, within: float) -> bool:
        """Whether the one left out, with its own variance, lies far from them."""
        spread = sqrt(max(self.tau2, (0.1 * self.plain) ** 2))
        return abs(k - self.mean) > OUTLYING_Z * sqrt(spread**2 + within)


def _without(ks: Sequence[float], within: Sequence[float], index: int) -> _Others:
    others = [k for i, k in enumerate(ks) if i != index]
    variances = [v for i, v in enumerate(within) if i != index]
    tau2 = _between(others, variances)
    weights = [1 / (v + tau2) for v in variances]
    mean = sum(w * k for w, k in zip(weights, others, strict=True)) / sum(weights)
    return _Others(mean, sum(others) / len(others), tau2)


def _near(ks: Sequence[float], within: Sequence[float], tau2: float, centre: float) -> list[_Others]:
    """The same for each test in turn, of many: from the sums of all, less its own.

    The variance between follows by one Newton step on 1 / (weighted scatter), which is exact for tests of like precision.
    """
    n = len(ks)
    off, weights = [k - centre for k in ks], [1 / (v + tau2) for v in within]
    of_weight, of_square = ([sum(w**p * x**j for w, x in zip(weights, off, strict=True)) for j in (0, 1, 2)] for p in (1, 2))
    total, found = sum(ks), []
    for k, x, w in zip(ks, off, weights, strict=True):
        weight, first, second = (whole - w * x**j for j, whole in enumerate(of_weight))
        square, cross, scatter2 = (whole - w * w * x**j for j, whole in enumerate(of_square))
        mean = first / weight
        scatter = max(second - mean * first, 0.0)
        slope = scatter2 - 2 * mean * cross + mean * mean * square
        step = scatter * (scatter / (n - 2) - 1) / slope if slope > 0 else 0.0
        found.append(_Others(centre + mean, (total - k) / (n - 1), max(tau2 + step, 0.0)))
    return found


def factors(tests: Sequence[Measured], points: Sequence[str]) -> Factors:
    """The factors that these tests support for these loss points.

    A point's own trays give its factor; trays of both give one common factor for the points without their own (the
    total of what is left after the points that have one). Two factors from `both` alone need tests with different mixes
    and come by non-negative least squares.
    """
    if not tests:
        return Factors(reason="no tray test yet")
    if sum(test.grain_mg_m for test in tests) <= 0:
        return Factors(reason=NO_GRAIN)
    nothing = NO_GRAIN if any(sum(test.pulses_m.values()) > 0 for test in tests) else NO_PULSES
    own = {point: _own(tests, point) for point in points}
    both = [test for test in tests if test.catches == "both"]
    known = {point: found for point, found in own.items() if found is not None}
    if len(known) == len(points) or not both:
        return Factors(known, common=False, reason="" if known else nothing)
    rest = [point for point in points if point not in known]
    two = _two(both, points) if not known and len(points) == 2 else None
    common = _common(both, rest, known)
    if two is not None and (common is None or not common.clicks_m2 or two[points[0]].spread <= common.spread):
        return Factors(two)
    if common is None:
        return Factors(known, reason="" if known else nothing)
    return Factors({**known, **{point: common for point in rest}}, common=len(rest) > 1)


class _PulseSample(NamedTuple):
    """A test as one sum of pulses sees it: grain and pulses per metre, relative u of the pulses, and their `hidden`."""

    test: Measured
    grain_mg_m: float
    pulses_m: float
    u_pulses: float
    hidden_m: float


def _own(tests: Sequence[Measured], point: str) -> Fit | None:
    return _fit_samples(
        [
            _PulseSample(test, test.grain_mg_m, test.pulses_m[point], test.u_pulses[point], test.hidden_m.get(point, 0.0))
            for test in tests
            if test.catches == point and test.pulses_m.get(point, 0) > 0
        ]
    )


def _common(both: Sequence[Measured], rest: Sequence[str], known: dict[str, Fit]) -> Fit | None:
    samples = []
    for test in both:
        pulses = sum(test.pulses_m.get(point, 0.0) for point in rest)
        if pulses <= 0:
            continue
        width = test.width_m
        elsewhere = sum(
            found.loss_mg_m2(test.pulses_m.get(point, 0.0) / width) * width if width else found.k * test.pulses_m.get(point, 0.0)
            for point, found in known.items()
        )
        square = sum((test.u_pulses.get(point, 0.0) * test.pulses_m.get(point, 0.0)) ** 2 for point in rest)
        hidden = sum(test.hidden_m.get(point, 0.0) for point in rest)
        samples.append(_PulseSample(test, test.grain_mg_m - elsewhere, pulses, sqrt(square) / pulses, hidden))
    return _fit_samples(samples)


def _fit_samples(samples: Sequence[_PulseSample]) -> Fit | None:
    """Through the origin, unless the tests support an intercept of straw clicks."""
    straight = _through_origin(samples, 0.0)
    if straight is None or any(one.test.width_m <= 0 for one in samples):
        return straight
    line = clicks.line(
        [one.pulses_m / one.test.width_m for one in samples],
        [one.grain_mg_m / one.test.width_m for one in samples],
        [_u_k(one, straight.k) / straight.k for one in samples],
        [one.pulses_m for one in samples],
    )
    if line is None:
        return straight
    net = _through_origin(samples, line.clicks)  # names outlying tests and a trend by what is left
    return replace(
        net or straight,
        k=line.slope,
        u=line.u_level,
        dof=line.dof,
        spread=line.spread,
        clicks_m2=line.clicks,
        clicks_u_m2=line.u_clicks,
        centre_m2=line.centre,
        slope_u=line.u_slope,
    )


def _through_origin(samples: Sequence[_PulseSample], clicks_m2: float) -> Fit | None:
    left = [(one, one.pulses_m - clicks_m2 * one.test.width_m) for one in samples]
    left = [(one, pulses) for one, pulses in left if pulses > 0]
    ks = [max(one.grain_mg_m / pulses, 0.0) for one, pulses in left]
    if not ks or max(ks) < LEAST_MG_PER_PULSE:
        return None
    mean = sum(ks) / len(ks)
    us = [_u_k(one, mean, pulses) for one, pulses in left]
    found = fit(ks, us, [one.test.number for one, _ in left])
    if found is None:
        return None
    hidden = sum(k * one.hidden_m / pulses for k, (one, pulses) in zip(ks, left, strict=True)) / sum(ks)
    return replace(found, hidden=hidden, trend=trend([one.test.at_s for one, _ in left], ks))


def trend(times_s: Sequence[float], ks: Sequence[float]) -> float:
    """Relative change of factors from test to test (least squares of ln k on time) where |t| > 3 with 4 tests or more; else 0."""
    known = [(at, log(k)) for at, k in zip(times_s, ks, strict=True) if k > 0]
    n = len(known)
    if n < TREND_TESTS:
        return 0.0
    middle_s, middle = sum(at for at, _ in known) / n, sum(y for _, y in known) / n
    square = sum((at - middle_s) ** 2 for at, _ in known)
    if square <= 0:
        return 0.0
    slope = sum((at - middle_s) * (y - middle) for at, y in known) / square
    rest = sum((y - middle - slope * (at - middle_s)) ** 2 for at, y in known) / (n - 2)
    first, last = min(at for at, _ in known), max(at for at, _ in known)
    step = exp(slope * (last - first) / (n - 1)) - 1
    beyond_chance = abs(slope) > TREND_T * sqrt(rest / square)
    return step if beyond_chance and abs(step) >= LEAST_TREND else 0.0


def _u_k(one: _PulseSample, mean: float, pulses_m: float | None = None) -> float:
    """Standard uncertainty of one test's factor: grain at the level that the common mean expects, and counting."""
    pulses_m = one.pulses_m if pulses_m is None else pulses_m
    test = one.test
    grain = test.u_grain_mg_m / pulses_m
    if test.grain_mg_m > 0:
        # Scaled to the mean, so that a tray that happened to catch little is not taken for a precise one.
        expected = max(mean, LEAST_MG_PER_PULSE) * pulses_m
        grain *= sqrt(expected / max(test.grain_mg_m, 1e-6 * expected))
    counting = one.u_pulses * one.pulses_m / pulses_m
    return sqrt(grain**2 + (mean * counting) ** 2 + (mean * test.extra_u) ** 2)


def _two(both: Sequence[Measured], points: Sequence[str]) -> dict[str, Fit] | None:
    """Two factors from trays of both, when at least five tests mix the points differently enough to tell them apart."""
    if len(both) < 5:
        return None
    scale = [max(test.grain_mg_m, 1e-9) for test in both]
    rows = [[test.pulses_m.get(point, 0.0) / s for point in points] for test, s in zip(both, scale, strict=True)]
    n = len(rows)
    xx, yy = sum(r[0] ** 2 for r in rows), sum(r[1] ** 2 for r in rows)
    xy, x1, y1 = sum(r[0] * r[1] for r in rows), sum(r[0] for r in rows), sum(r[1] for r in rows)
    determinant = xx * yy - xy * xy
    if determinant <= 1e-12 * xx * yy:
        return None
    k = [(yy * x1 - xy * y1) / determinant, (xx * y1 - xy * x1) / determinant]
    if min(k) <= 0:
        return None  # the non-negative solution lies on an axis: the tests don't tell the points apart
    residual = sum((1 - k[0] * r[0] - k[1] * r[1]) ** 2 for r in rows) / (n - 2)
    us = [sqrt(residual * yy / determinant) / k[0], sqrt(residual * xx / determinant) / k[1]]
    if max(us) > SPLIT_U / 2:
        return None
    found = {}
    for i, point in enumerate(points):
        seen = [test for test in both if test.pulses_m.get(point, 0.0) > 0]
        hidden = sum(test.hidden_m.get(point, 0.0) / test.pulses_m[point] for test in seen) / max(len(seen), 1)
        found[point] = Fit(k[i], us[i], n - 2, n, sqrt(residual), hidden=hidden)
    return found

