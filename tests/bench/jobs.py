"""Whole jobs through the reckoner: idle run, three tray tests, a mean with its interval, and the live interval.

A job: a minute of idling with the thresher on (and the entry that learns the background from it), then work at 2 m/s. Loss at
two points drifts (noise 0.15 with a memory of 25 s, and a slow wave); each point has its own grain per pulse. Three
tests with four weighed trays each: the true grain at that moment, times a lognormal factor of mean one (the tray
scatter), in whole kernels. Truth also differs from the settings in cut width (2 %) and ground calibration (1 %).

Mean: does the 90 % interval of `Reckoner.mean_loss` hold the true loss over the true area; half-width = half the log of
high / low, over the job's tray scatter. Live: does the published interval hold the true mean of the last 10 s over
the area cut, second by second after the third test.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

import numpy as np

from edge.contract import entries, settings
from edge.feed.assembler import Part, Second
from edge.reckon.reckoner import Reckoner
from tests.bench import truth
from tests.bench.truth import Floats
from tests.kits.settings import both_sides, ground, kit_toml

EPOCH_S = 1_790_000_000
IDLE_S = 60
LAG_S = 10
CUT_WIDTH_M = 9.0
SPEED_M_S = 2.0
PULSES_PER_M = 10.0
KERNEL_G = 0.038
TRAYS = 4
TRAY_LENGTH_M, TRAY_WIDTH_M = 1.0, 0.5
VIBRATION_HZ = 1.0
DEAD_TIME_US = 400
TESTS_AT_S = (0.3, 0.5, 0.7)
"""Parts of the job at which trays are laid."""

FRONT_DOWN, THRESHING = 1, 2

SETTINGS = kit_toml(
    [*both_sides("separator", "cleaning", dead_time_us=DEAD_TIME_US), ground(PULSES_PER_M)],
    name="bench", cut_width_m=CUT_WIDTH_M, lag_s=LAG_S, crop={"name": "wheat", "tgw_g": KERNEL_G * 1000},
)  # fmt: skip


@dataclass(frozen=True)
class Job:
    """One job: whether the mean's interval held the truth, its log half-width, estimate over truth, live seconds held."""

    held: bool
    half_width: float
    ratio: float
    live_seconds: int
    live_held: int


@dataclass(frozen=True)
class Figures:
    """Of many jobs with one tray scatter. `half_width` is the median, over the scatter."""

    scatter: float
    jobs: int
    held: float
    half_width: float
    bias: float
    live_held: float


def figures(scatter: float, jobs: int, seconds: int, seed: int) -> Figures:
    """Run `jobs` jobs of `seconds` of work."""
    random = np.random.default_rng((seed, round(scatter * 100)))
    found = [_job(random, scatter, seconds) for _ in range(jobs)]
    return Figures(
        scatter,
        jobs,
        float(np.mean([one.held for one in found])),
        float(np.median([one.half_width for one in found])) / scatter,
        float(np.mean([one.ratio for one in found])) - 1.0,
        sum(one.live_held for one in found) / sum(one.live_seconds for one in found),
    )


def _job(random: np.random.Generator, scatter: float, seconds: int) -> Job:
    width = CUT_WIDTH_M * np.exp(0.02 * random.standard_normal())
    per_m = PULSES_PER_M * np.exp(0.01 * random.standard_normal())
    loss = _loss(random, seconds)  # g/m2 of cut ground, as it meets the sensors
    mg_per_pulse = 1300.0 * np.exp(0.15 * random.standard_normal((2, 1)))
    counts = _counts(random, loss * width * SPEED_M_S * 1000.0 / mg_per_pulse)
    trays = {int(seconds * part): _tray(random, loss[:, int(seconds * part)].sum() * width, scatter) for part in TESTS_AT_S}

    reckoner = Reckoner(settings.parse(SETTINGS))
    for t in range(IDLE_S):
        reckoner.step(_second(t, THRESHING, [int(random.poisson(VIBRATION_HZ)) for _ in range(4)] + [0]))
    _tell(reckoner, IDLE_S - 1, {"entry": "idle_run", "seconds": IDLE_S})
    turned = 0.0
    local = truth.trailing_mean(loss.sum(axis=0)) * 10.0
    live_seconds = live_held = 0
    for i in range(seconds + LAG_S):
        before, turned = int(turned), turned + SPEED_M_S * per_m
        at_sensors = counts[:, i - LAG_S].tolist() if i >= LAG_S else [int(random.poisson(VIBRATION_HZ)) for _ in range(4)]
        figure = reckoner.step(_second(IDLE_S + i, FRONT_DOWN | THRESHING, [*at_sensors, int(turned) - before]))
        now = i - LAG_S
        if now in trays:
            _tell(reckoner, IDLE_S + i, trays[now])
        if now > seconds * TESTS_AT_S[-1] + 10 and figure.loss is not None and figure.loss.low is not None:
            live_seconds += 1
            assert figure.loss.high is not None
            live_held += figure.loss.low <= local[now] <= figure.loss.high
    assert reckoner.calibration.used() == len(TESTS_AT_S)
    mean = reckoner.mean_loss(reckoner.totals)
    assert mean.kg_ha is not None and mean.low is not None and mean.high is not None
    true = float(loss.sum(axis=0).mean()) * 10.0
    return Job(mean.low <= true <= mean.high, 0.5 * log(mean.high / mean.low), mean.kg_ha / true, live_seconds, live_held)


def _loss(random: np.random.Generator, seconds: int) -> Floats:
    """g/m2 of each point in each second, shape (2, seconds)."""
    level = np.array([[3.0], [2.0]]) * np.exp(0.4 * random.standard_normal((2, 1)))
    wave = 0.2 * np.sin(2 * np.pi * (np.arange(seconds) / 600.0 + random.random()))
    found: Floats = level * np.exp(truth.noise(random, 2, seconds, 0.15) + wave)
    return found


def _counts(random: np.random.Generator, per_s: Floats) -> Floats:
    """Counts of the four inputs, background in, what the one-shot hides out; shape (4, seconds)."""
    arriving = truth.clumped(random, np.repeat(per_s, 2, axis=0) / 2) + random.poisson(VIBRATION_HZ, (4, per_s.shape[1]))
    hidden = random.binomial(arriving.astype(np.int64), arriving * DEAD_TIME_US * 1e-6 / (1 + arriving * DEAD_TIME_US * 1e-6))
    return (arriving - hidden).astype(np.int64)


def _tray(random: np.random.Generator, g_m: float, scatter: float) -> dict[str, object]:
    """A tray entry for a true grain flow per metre travelled, laid across a residue as wide as the cut."""
    factor = np.exp(scatter * random.standard_normal() - 0.5 * scatter**2)
    expected = g_m * factor / CUT_WIDTH_M * TRAY_LENGTH_M * TRAY_WIDTH_M / KERNEL_G
    trays = [
        {"mass_g": round(float(kernels * KERNEL_G), 1), "length_m": TRAY_LENGTH_M, "width_m": TRAY_WIDTH_M}
        for kernels in random.poisson(expected, TRAYS)
    ]
    return {"entry": "tray", "trays": trays, "residue_width_m": CUT_WIDTH_M}


def _second(t: int, levels: int, counts: list[int]) -> Second:
    end_s = EPOCH_S + t + 1
    return Second(t + 1, end_s, [Part(levels, 100, 1000, counts)], 10, end_s * 1000, {}, None)


def _tell(reckoner: Reckoner, t: int, plain: dict[str, object]) -> None:
    stamp_ms = (EPOCH_S + t + 1) * 1000
    reckoner.learn(reckoner.admit(entries.from_plain(plain), stamp_ms), stamp_ms)
