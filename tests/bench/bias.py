"""Bias: dead time by a real one-shot on single arrivals, and vibration background up to half of the pulses.

Dead time: Poisson arrivals of constant rate, each let through if the last one let through is a dead time or more ago; counts a
second go through `LossPoint`. Corrected pulses over the arrivals themselves, less one. (Grains of one clump closer together
than the dead time are hidden for good; the factor absorbs them, measurement 1.2.) The formula is convex in a second's count,
so its mean comes out high by the dead time over that second, whatever the rate: from 5 ms on that is
taken off. Impacts over three tenths of hidden time are flagged saturated and given no upper end.

Background: grain that drifts and jumps as in the smoothing bench, clumped, plus Poisson vibration; the background is learned
from counts of a minute without crop, as the `idle_run` entry does. Two figures: the job's sum of pulses less background over
the true grain pulses, and the mean of the smoothed level over the mean true rate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edge.contract.inputs import LossInput
from edge.reckon.sensors.losspoint import LossPoint
from edge.reckon.statistics.smoothing import Smoother
from tests.bench import truth
from tests.bench.truth import Floats

IDLE_S = 60
OCCUPANCIES = (0.05, 0.1, 0.2, 0.3)
DEAD_TIMES_US = (100, 400, 1000, 3000, 4999, 5000, 10_000, 20_000)
"""Up to the longest that settings allow."""

BACKGROUND_PARTS = (0.1, 0.25, 0.5)
TOTALS_PER_S = (4, 20, 200)


@dataclass(frozen=True)
class DeadTimeBias:
    """`occupancy`: share of time hidden."""

    dead_time_us: int
    occupancy: float
    counted_per_s: float
    bias: float


@dataclass(frozen=True)
class BackgroundBias:
    """Means over jobs, relative to the true grain; `part` of the pulses is vibration."""

    per_s: float
    part: float
    total_bias: float
    level_bias: float


def let_through(arrivals: Floats, dead_time_s: float) -> Floats:
    """A non-extending one-shot, arrival by arrival."""
    heard, ready = [], 0.0
    for arrival in arrivals.tolist():
        if arrival >= ready:
            heard.append(arrival)
            ready = arrival + dead_time_s
    return np.array(heard)


def dead_time(dead_time_us: int, occupancy: float, arrivals: int, seed: int) -> DeadTimeBias:
    """About `arrivals` arrivals at the rate that hides `occupancy` of the time: n = m / (1 - m tau)."""
    random = np.random.default_rng((seed, dead_time_us, round(100 * occupancy)))
    tau = dead_time_us * 1e-6
    per_s = occupancy / tau / (1.0 - occupancy)
    seconds = round(arrivals / per_s)
    times = np.cumsum(random.exponential(1.0 / per_s, round(1.1 * seconds * per_s) + 100))
    times = times[times < seconds]
    counts = np.bincount(let_through(times, tau).astype(np.int64), minlength=seconds)
    point = LossPoint("separator", [LossInput(at=0, point="separator", side="centre", dead_time_us=dead_time_us)])
    corrected = 0.0
    for count in counts.tolist():
        point.step([count], 1000, 1000, True)
        corrected += point.pulses
    return DeadTimeBias(dead_time_us, occupancy, float(counts.mean()), corrected / len(times) - 1.0)


def background(per_s: float, part: float, jobs: int, seed: int) -> BackgroundBias:
    """`per_s` pulses/s of which `part` is vibration."""
    random = np.random.default_rng((seed, int(per_s), round(100 * part)))
    grain = truth.rates(random, jobs, per_s * (1 - part), 0.1)
    pulses = truth.clumped(random, grain)
    vibration = random.poisson(per_s * part, grain.shape)
    learned = random.poisson(per_s * part * IDLE_S, jobs) / IDLE_S
    totals, levels = [], []
    for job in range(jobs):
        totals.append((pulses[job] + vibration[job] - learned[job]).sum() / pulses[job].sum())
        levels.append(_mean_level(pulses[job] + vibration[job], float(learned[job])) / grain[job].mean())
    return BackgroundBias(per_s, part, float(np.mean(totals)) - 1.0, float(np.mean(levels)) - 1.0)


def _mean_level(counts: Floats, learned_hz: float) -> float:
    point = LossPoint("separator", [LossInput(at=0, point="separator", side="centre", dead_time_us=0, vibration_hz=learned_hz)])
    smoother = Smoother()
    total = 0.0
    for count in counts.tolist():
        point.step([round(count)], 1000, 1000, True)
        smoother.step(point.effective, 1.0, 1.0, point.scatter, point.background)
        level = smoother.level()
        assert level is not None
        total += level.mean
    return total / len(counts)
