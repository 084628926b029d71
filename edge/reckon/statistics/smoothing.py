"""Smoothing: gamma-Poisson discount filters side by side, each for another speed of change, weighted by how well they predict.

**Member.** A gamma-Poisson (power steady) discount filter (Smith 1979; Harvey & Fernandes 1989): shape a and exposure b; with
discount w the prior is w a, w b; the posterior after a count y over exposure e is a + y, b + e; mean a / b. Here the discount
follows from a drift: a member believes that the logarithm of the rate gains a variance q each second, and since 1 / a is
the relative variance, 1 / (w a) = 1 / a + q t gives w = 1 / (1 + q a t). A member's half-life so falls by itself as counts
grow: one set of members serves 2 pulses/s (half-lives up to minutes) and 1,000 (half a second).

**Clumping.** Counts that scatter more than Poisson are divided by their dispersion D, exposure likewise, which leaves the
mean and widens the rest (quasi-likelihood). Each member learns its own D from its forecast errors: for a member with the
right drift, error^2 times (1 - gain) has the expectation D times the mean (Desroziers et al. 2005, QJRMS 131).
So drift isn't taken for clumping; members that mistake one for the other lose weight.

**Weights.** Bayes with the forecast's negative binomial (mean and variance of the member's forecast). Each second a small
probability passes from every member to all (fixed share: Herbster & Warmuth 1998), and with it goes the state: the
receiving member's mean and variance become those of the mixture that flows in (interacting multiple models: Blom &
Bar-Shalom 1988). After a jump the quick members find the new level and the slow ones take it over from them.

**Interval.** 90 % bounds of the mixture for the present rate, widened to hold the mean rate of the last 10 s too: that is
estimated from the plain sum of those seconds and from the present rate, each by its variance.
"""

from __future__ import annotations

from collections import deque
from math import exp, lgamma, log, log1p, sqrt
from typing import NamedTuple

DRIFTS_PER_S = (2e-6, 1e-4, 1e-3, 5e-3, 2.5e-2, 0.3)
"""Variance that the log rate gains each second, one a member: from steady crop to a jump within seconds."""

SHARES = (0.215, 0.215, 0.215, 0.215, 0.108, 0.032)
"""Parts of what passes between members: jumps are rare."""

SWITCH_PER_S = 0.008
"""Probability per second that the speed of change changes. By trial: 0.003 to 0.02 do about as well."""

MOST_SWITCH = 0.5
APART_S = 10.0
"""Seconds of drift that a gap or a turn counts for: the next ground is near, not the same."""

PSEUDO_COUNT = 0.5
"""Jeffreys prior of a Poisson rate: what no count at all still leaves possible."""

FADING_COUNT = 1.0
"""Added to a in the discount, so that a rate of nothing is forgotten too."""

DISPERSION_START = 1.5
DISPERSION_START_SECONDS = 60.0
DISPERSION_MEMORY_SECONDS = 600.0
"""Seconds with plenty of counts; emptier ones weigh less and make less be forgotten."""

DISPERSION_SHOWN_S = 60.0
OUTLYING = 10.0
"""Squared errors count up to this many times their expectation: a jump is no clumping."""

LOCAL_S = 10.0
PRESENT_Z, LOCAL_Z = 1.5, 1.15
"""Bounds of the present rate and of the mean over the last seconds, in standard deviations; by trial the two joined hold that
mean in 92 to 96 % of seconds (tests/bench). A normal 90 % would be 1.64, for each alone."""

Z90 = 1.6448536269514722
"""What an interval's reader takes its bounds for: standard deviations to the 90 % bounds."""

MOST_SHAPE = 1e8


class SmoothedLevel(NamedTuple):
    """Smoothed rate per exposure with its central 90 % bounds (counting and drift), and the background taken off it.

    `half_life_s`: how far back the mean reaches at present.
    """

    mean: float
    low: float
    high: float
    background: float
    half_life_s: float


class Dispersion:
    """How much more than Poisson the counts scatter: `value`, variance over mean, at least 1."""

    def __init__(self) -> None:
        self.value = DISPERSION_START
        self.interrupted = False

    def interrupt(self) -> None:
        """The next second is no neighbour of the last (a gap, a turn)."""
        self.interrupted = True


class _Member:
    """One filter: shape `a`, exposure `b`, its `weight`, `gain` of the last step, and the sums behind its dispersion."""

    __slots__ = ("a", "b", "dispersion", "drift", "errors", "expected", "gain", "share", "weight")

    def __init__(self, drift: float, share: float) -> None:
        self.drift, self.share = drift, share
        self.a = self.b = 0.0
        self.gain = 1.0
        self.weight = share
        self.dispersion = DISPERSION_START
        self.expected = DISPERSION_START_SECONDS
        self.errors = DISPERSION_START * DISPERSION_START_SECONDS


class Smoother:
    """Rate of counts per exposure, smoothed by the mixture. Causal; cost proportional to the number of members."""

    def __init__(self) -> None:
        self.dispersion = Dispersion()
        self._members = [_Member(drift, share) for drift, share in zip(DRIFTS_PER_S, SHARES, strict=True)]
        self._noise = 0.0
        self._seconds = 1.0
        self._recent: deque[tuple[float, float, float, float]] = deque()
        self._local_s = self._local_count = self._local_exposure = self._local_scatter = 0.0
        self.started = False

    def step(
        self, count: float, exposure: float, seconds: float, extra_scatter: float = 1.0, background: float = 0.0
    ) -> None:
        """Take a count (pulses, >= 0) over an exposure (m2 or s, > 0) that lasted `seconds` (> 0).

        `extra_scatter`: variance over mean beyond the dispersion, such as dead-time correction brings. `background`:
        pulses of the count that are no grain; they are followed beside the count, because subtracting them from each
        second and cutting at zero would favour the high seconds.
        """
        apart = self.dispersion.interrupted
        self.dispersion.interrupted = False
        self._remember(count, exposure, seconds, extra_scatter, apart)
        self._seconds = seconds
        if not self.started:
            self._start(count, exposure, extra_scatter, background)
            return
        passed = seconds + APART_S if apart else seconds
        self._exchange(min(MOST_SWITCH, SWITCH_PER_S * passed))
        self._update(count, exposure, passed, extra_scatter)
        gain = dispersion = 0.0
        for member in self._members:
            gain += member.weight * member.gain
            dispersion += member.weight * member.dispersion
        self._noise += gain * (background / exposure - self._noise)
        self.dispersion.value += min(1.0, seconds / DISPERSION_SHOWN_S) * (dispersion - self.dispersion.value)

    def _start(self, count: float, exposure: float, extra_scatter: float, background: float) -> None:
        scatter = DISPERSION_START * extra_scatter
        for member in self._members:
            member.a, member.b = count / scatter, exposure / scatter
        self._noise = background / exposure
        self.started = True

    def _remember(self, count: float, exposure: float, seconds: float, extra_scatter: float, apart: bool) -> None:
        """Sums of the last 10 s of one stretch."""
        if apart:
            self._recent.clear()
            self._local_s = self._local_count = self._local_exposure = self._local_scatter = 0.0
        self._recent.append((seconds, count, exposure, exposure * extra_scatter))
        self._local_s += seconds
        self._local_count += count
        self._local_exposure += exposure
        self._local_scatter += exposure * extra_scatter
        while self._local_s - self._recent[0][0] >= LOCAL_S:
            old_s, old_count, old_exposure, old_scatter = self._recent.popleft()
            self._local_s -= old_s
            self._local_count -= old_count
            self._local_exposure -= old_exposure
            self._local_scatter -= old_scatter

    def _exchange(self, switch: float) -> None:
        """A part `switch` of every member's weight passes to all, with mean and variance."""
        mean = square = 0.0
        for member in self._members:
            rate = member.a / member.b
            mean += member.weight * rate
            square += member.weight * ((member.a + PSEUDO_COUNT) / (member.b * member.b) + rate * rate)
        stays = 1.0 - switch
        for member in self._members:
            a, b = member.a, member.b
            own, other = stays * member.weight, switch * member.share
            weight = own + other
            rate = a / b
            centre = (own * rate + other * mean) / weight
            variance = (own * ((a + PSEUDO_COUNT) / (b * b) + rate * rate) + other * square) / weight - centre * centre
            # The gamma distribution with this mean a / b and this variance (a + 1/2) / b^2.
            member.b = (centre + sqrt(centre * centre + 4.0 * PSEUDO_COUNT * variance)) / (2.0 * variance)
            member.a = centre * member.b
            member.weight = weight

    def _update(self, count: float, exposure: float, passed: float, extra_scatter: float) -> None:
        """Discount, forecast, compare with the count, take it in; weights by Bayes."""
        fits = []
        for member in self._members:
            keep = 1.0 / (1.0 + member.drift * passed * (member.a + FADING_COUNT))
            a, b = keep * member.a, keep * member.b
            scatter = member.dispersion * extra_scatter
            e = exposure / scatter
            both = b + e
            expected = (a + PSEUDO_COUNT) / b * exposure
            excess = scatter * both / b - 1.0
            shape = expected / excess if excess * MOST_SHAPE > expected else MOST_SHAPE
            scale = shape + expected
            fits.append(
                lgamma(shape + count) - lgamma(shape) + shape * log(shape / scale) + count * log(expected / scale)
            )
            member.a, member.b, member.gain = a + count / scatter, both, e / both
            # Seconds with few counts tell little about the dispersion, and their squares are very skew.
            told = expected / (expected + 1.0)
            error = (count - expected) ** 2 * b / (both * expected * extra_scatter)
            most = OUTLYING * member.dispersion * (1.0 + 1.0 / expected)
            keep = 1.0 - told / DISPERSION_MEMORY_SECONDS
            member.errors = keep * member.errors + told * (error if error < most else most)
            member.expected = keep * member.expected + told
            value = member.errors / member.expected
            member.dispersion = value if value > 1.0 else 1.0
        best = max(fits)
        total = 0.0
        for member, fit in zip(self._members, fits, strict=True):
            member.weight *= exp(fit - best)
            total += member.weight
        for member in self._members:
            member.weight /= total

    def level(self) -> SmoothedLevel | None:
        """Present rate with its interval, None before any exposure."""
        if not self.started:
            return None
        mean = centre = square = drift = gain = 0.0
        for member in self._members:
            weight, b = member.weight, member.b
            rate = (member.a + PSEUDO_COUNT) / b
            mean += weight * member.a / b
            centre += weight * rate
            square += weight * rate * (rate + 1.0 / b)
            drift += weight * member.drift
            gain += weight * member.gain
        variance = square - centre * centre
        shape = centre * centre / variance
        low, high = _gamma_bound(centre, shape, -PRESENT_Z), _gamma_bound(centre, shape, PRESENT_Z)
        # The mean over the last seconds: from their plain sum, and from the present rate less what it drifted since.
        local = self._local_count / self._local_exposure
        local_v = (
            self.dispersion.value * 0.5 * (local + centre) * self._local_scatter / (self._local_exposure * self._local_exposure)
        )
        drifted_v = variance + drift * centre * centre * self._local_s / 3.0
        middle = (local_v * mean + drifted_v * local) / (local_v + drifted_v)
        half = LOCAL_Z * sqrt(local_v * drifted_v / (local_v + drifted_v))
        noise = self._noise
        low, high = min(low, middle - half) - noise, max(high, middle + half) - noise
        mean = max(0.0, mean - noise)
        half_life = -self._seconds * log(2.0) / log1p(-gain) if gain < 1.0 else 0.0
        return SmoothedLevel(mean, max(0.0, min(mean, low)), max(mean, high), noise, half_life)


def _gamma_bound(mean: float, shape: float, z: float) -> float:
    """Quantile of a gamma distribution by Wilson and Hilferty's cube (1931): good to a few percent from shape 0.5 up."""
    root = 1 - 1 / (9 * shape) + z / (3 * sqrt(shape))
    return mean * root**3 if root > 0 else 0.0
