"""One effect on the logarithm of loss per area, with an interval that stays valid while it is being looked at.

Estimate: quasi-Poisson log-linear model of 10 s blocks of steady work, offset log(area).

Noise: blocks in a field are correlated over tens of seconds, so they are joined into batches of about a minute of
steady work; the scatter of the batches about the fit gives the variance of a minute (relative, the same on all sides,
because field noise multiplies). Neighbouring batches still correlate a little: their lag-one correlation, drawn towards
that of a memory of 25 s, is turned into the long-run variance by the relation that holds for exponentially fading
memory. Counting alone, with the dispersion that clumped kernels give it, is the floor.

Drift: over tens of minutes the field itself drifts, which half an hour of work can hardly tell from an effect. A drift
of 8 % (log) with a memory of 20 minutes is allowed for, more where the work shows it (drift.py); how much of it enters
depends on when each side was worked, so going back and forth (A-B-A-B) is rewarded by itself.

Boundary: the t-mixture confidence sequence of Lindon, Ham, Tingley and Bojinov 2022, "Anytime-valid linear models and
regression adjusted causal inference in randomized experiments" (arXiv 2210.08589), as in Wang and Ramdas 2023,
"Anytime-valid t-tests and confidence sequences for Gaussian means with unknown variance" (arXiv 2310.03722); for known
variance it is Robbins' normal mixture (1970, Annals of Mathematical Statistics 41), see also Howard, Ramdas, McAuliffe
and Sekhon 2021 (Annals of Statistics 49). The mixture of Bayes factors bounds the chance that the interval EVER leaves
out the true effect, however often and however long one looks. Its one free number is the weight of the prior on the
effect, two minutes of work, which makes it narrowest at about twenty minutes a side. That theory holds for the noise as
modelled. The sequence alone, at 90 % and beside an allowance for drift, cried wolf in 2 to 6 of 100 hours of looking
where 10 are allowed, and on uneven ground in far more. So the two are calibrated together: the noise's sequence holds at
80 %, the drift allowed for is that of uneven ground, and tests/bench/bench_verdict.py counts how often the whole, which is
called 90 %, cries wolf in fact.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import exp, hypot, inf, log, sqrt

import numpy as np
from numpy.typing import NDArray

from edge.judge.verdict.drift import drift_log_sd, kernel
from edge.judge.verdict.poisson import fit
from edge.reckon.statistics.smoothing import DISPERSION_START

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

LEVEL = 0.9
NOISE_LEVEL = 0.8
"""Level of the noise's confidence sequence: with the drift beside it the whole keeps `LEVEL` (calibrated, see above)."""

BLOCK_S = 10
BATCH_BLOCKS = 6
UNIT_S = 120.0
"""Information is counted in units of two minutes of steady work; the mixture's prior weighs one."""

MEMORY_S = 25.0
MEMORY_WEIGHT = 40.0
"""How many pairs of neighbouring batches the assumed memory counts for."""

LARGEST_INFLATION = 4.0
DRIFT_Z = 1.645
"""Standard deviations of drift allowed for. Drift hardly moves between looks, so the factor is that of a single look (90 %):
most of what looking adds is in the noise."""

LEAST_COUNT = 0.5
"""A side without any pulse is given half a one, so that its rate is small and not nothing."""


@dataclass(frozen=True, slots=True)
class BlockSample:
    """Blocks of steady work, one value a block, shape (n,); `pulses` and `poisson` weighted alike.

    `side` 0 before, 1 after; `mid_s` elapsed time of the middle; `stretch` numbers uninterrupted work; `poisson` is the
    variance that pure counting gives each block's pulses; `returns` percent (NaN unknown).
    """

    side: Whole
    stretch: Whole
    mid_s: Floats
    seconds: Floats
    area_m2: Floats
    kmh: Floats
    pulses: Floats
    poisson: Floats
    returns: Floats

    def chosen(self, which: NDArray[np.bool_]) -> BlockSample:
        """The blocks where `which` is true."""
        return BlockSample(*(getattr(self, name)[which] for name in self.__dataclass_fields__))


@dataclass(frozen=True, slots=True)
class Effect:
    """An estimate (log, or a difference) with its noise and drift variance, degrees of freedom, and information."""

    estimate: float
    noise: float
    drift: float
    dof: float
    information: float

    @property
    def half_width(self) -> float:
        """Half the interval that stays valid under looking; infinite while there is too little to bound it."""
        return hypot(boundary(self.dof, self.information, NOISE_LEVEL) * sqrt(self.noise), DRIFT_Z * sqrt(self.drift))

    @property
    def u(self) -> float:
        """Standard uncertainty."""
        return sqrt(self.noise + self.drift)


def boundary(dof: float, information: float, level: float = LEVEL) -> float:
    """How many standard errors the interval reaches to each side.

    With n information in units of the prior's, r = 1 / (1 + n) and q = (alpha^2 r)^(1 / (dof + 1)), the Bayes factor of the
    t-mixture stays under 1 / alpha while t^2 < dof (1 - q) / (q - r). Infinite where no t reaches it.
    """
    r = 1.0 / (1.0 + information)
    exponent = log((1.0 - level) ** 2 * r) / (dof + 1.0)
    q = exp(exponent)
    return sqrt(dof * -np.expm1(exponent) / (q - r)) if q > r else inf


def log_ratio(sample: BlockSample, speed_too: bool = False) -> Effect | None:
    """Log ratio of loss per area, side 1 over side 0; `speed_too` takes out log(speed). None when it can't be told."""
    pulses = _never_nothing(sample)
    columns = [np.ones(len(pulses)), sample.side.astype(np.float64)]
    if speed_too:
        logs = np.log(sample.kmh)
        columns.append(logs - logs.mean())
    return effect(sample, pulses, np.column_stack(columns), 1)


def effect(sample: BlockSample, pulses: Floats, design: Floats, at: int) -> Effect | None:
    """Coefficient `at` of a design (n, p) in the log-linear model; None without degrees of freedom or a fit."""
    batch = batches(sample.stretch)
    groups = int(batch[-1]) + 1 if len(batch) else 0
    dof = groups - design.shape[1]
    if dof < 1:
        return None
    try:
        found = fit(pulses, design, np.log(sample.area_m2))
    except ValueError:
        return None
    seen, meant = np.bincount(batch, pulses), np.bincount(batch, found.fitted)
    noise, drift, information = _variance(sample, design, at, batch, (seen - meant) / meant, dof)
    mine, other = found.fitted * design[:, at], found.fitted * (1 - design[:, at])
    if set(np.unique(design[:, at])) == {0.0, 1.0}:
        counting = DISPERSION_START * float(sample.poisson.sum()) / max(float(pulses.sum()), LEAST_COUNT)
        noise = max(noise, counting * (1 / float(mine.sum()) + 1 / float(other.sum())))
    return Effect(float(found.coefficients[at]), noise, drift, float(dof), information)


def difference(sample: BlockSample) -> Effect | None:
    """Mean of the returns on side 1 less that on side 0, percent points; None when a side has none."""
    sample = sample.chosen(~np.isnan(sample.returns))
    batch = batches(sample.stretch)
    dof = (int(batch[-1]) + 1 if len(batch) else 0) - 2
    if dof < 1 or len(np.unique(sample.side)) < 2:
        return None
    weight = np.bincount(batch, sample.seconds)
    value = np.bincount(batch, sample.returns * sample.seconds) / weight
    side = np.bincount(batch, sample.side * sample.seconds) / weight > 0.5
    means = [float((value * weight)[side == k].sum() / weight[side == k].sum()) for k in (False, True)]
    design = np.column_stack([np.ones(len(sample.side)), sample.side.astype(np.float64)])
    # The field drifts in proportion: what is a share of loss is here a share of the mean returns.
    scale = max(sum(abs(mean) for mean in means) / 2, 1.0)
    left = value - np.where(side, means[1], means[0])
    noise, drift, information = _variance(sample, design, 1, batch, left, dof, scale)
    return Effect(means[1] - means[0], noise, drift, float(dof), information)


def batches(stretch: Whole) -> Whole:
    """Number of the batch of each block: each stretch is cut into equal parts of about a minute."""
    if not len(stretch):
        return np.zeros(0, dtype=np.int64)
    edges = np.flatnonzero(np.diff(stretch)) + 1
    sizes = np.diff(np.concatenate(([0], edges, [len(stretch)])))
    parts = np.maximum(1, np.round(sizes / BATCH_BLOCKS)).astype(np.int64)
    first = np.cumsum(parts) - parts
    place = np.arange(len(stretch)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    batch: Whole = np.repeat(first, sizes) + place * np.repeat(parts, sizes) // np.repeat(sizes, sizes)
    return batch


def _variance(
    sample: BlockSample, design: Floats, at: int, batch: Whole, residual: Floats, dof: int, scale: float = 1.0
) -> tuple[float, float, float]:
    """Noise variance, drift variance and information of one coefficient; drift is a share of `scale`."""
    weight = sample.seconds / UNIT_S
    try:
        inverse = np.linalg.inv((design * weight[:, None]).T @ design)
    except np.linalg.LinAlgError:
        return inf, 0.0, 0.0
    amount: Floats = np.bincount(batch, weight).astype(np.float64)
    unit = float((residual**2 * amount).sum()) / dof
    stretch = np.zeros(len(amount), dtype=np.int64)
    stretch[batch] = sample.stretch
    inflation = _inflation(residual, stretch, float(amount.mean()) * UNIT_S)
    pull = np.bincount(batch, (design * weight[:, None]) @ inverse[:, at])
    mid = np.bincount(batch, sample.mid_s * weight) / amount
    columns = np.column_stack([np.bincount(batch, column * weight) / amount for column in design.T])
    sd = drift_log_sd(residual / scale, amount, mid, columns, unit * inflation / scale**2)
    drift = (scale * sd) ** 2 * float(pull @ kernel(mid) @ pull)
    spread = float(inverse[at, at])
    return unit * inflation * spread, drift, 1.0 / spread


def _inflation(residual: Floats, stretch: Whole, batch_s: float) -> float:
    """Long-run variance over the variance of batches, from the correlation of neighbours."""
    neighbours = stretch[1:] == stretch[:-1]
    pairs = int(neighbours.sum())
    square = float((residual**2).mean())
    seen = float((residual[1:] * residual[:-1])[neighbours].mean()) / square if pairs and square > 0 else 0.0
    seen += 1.0 / len(residual)  # residuals about a fitted mean lean towards opposite neighbours by about this much
    assumed = _neighbours(batch_s / MEMORY_S)
    r = (pairs * seen + MEMORY_WEIGHT * assumed) / (pairs + MEMORY_WEIGHT)
    correlations, inflations = _relation()
    return min(float(np.interp(r, correlations, inflations)), LARGEST_INFLATION)


def _neighbours(x: float) -> float:
    """Correlation of neighbouring means over x memories each, for exponentially fading memory."""
    return float((1 - exp(-x)) ** 2 / (2 * (x - 1 + exp(-x))))


@lru_cache(maxsize=1)
def _relation() -> tuple[Floats, Floats]:
    """Correlation of neighbours (ascending) and the inflation that goes with it: x / (x - 1 + exp(-x))."""
    x = np.geomspace(0.2, 60.0, 400)[::-1]
    correlations = np.array([_neighbours(float(one)) for one in x])
    return correlations, np.asarray(x / (x - 1 + np.exp(-x)), dtype=np.float64)


def _never_nothing(sample: BlockSample) -> Floats:
    pulses = sample.pulses.copy()
    for side in (0, 1):
        mine = sample.side == side
        short = LEAST_COUNT - float(pulses[mine].sum())
        if short > 0 and mine.any():
            pulses[mine] += short * sample.area_m2[mine] / sample.area_m2[mine].sum()
    return pulses
