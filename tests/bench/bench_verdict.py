"""How often the verdict cries wolf on an unchanged machine, and how often it sees a true cut.

The machine is a pulse rate whose logarithm carries fading noise (sd 0.25, memory 25 s) and, where asked for, a slow
drift (sd 0.05, memory 20 minutes); pulses are Poisson at 20 a second; the first 30 s after a change are left out (lag
10 s + 20 s). It is looked at once a minute. Fixed seeds; `rows()` gives figure, target, reached, command.
"""

from __future__ import annotations

from dataclasses import replace
from math import exp, log, sqrt

import numpy as np
import pytest
from numpy.typing import NDArray

from edge.contract import entries, settings
from edge.engine.engine import Engine, Nowhere
from edge.judge.verdict.contrast import BLOCK_S, BlockSample, log_ratio
from sim_feed.parameters.structs import Planned
from sim_feed.run.scenario import Simulation, load

Floats = NDArray[np.float64]

NOISE_SD = 0.25
NOISE_MEMORY_S = 25.0
DRIFT_SD = 0.05
DRIFT_MEMORY_S = 1200.0
RATE = 20.0
GUARD_BLOCKS = 3
BLOCKS_A_MINUTE = 60 // BLOCK_S
RUNS = 200
HOW = (
    "Pulse rate with fading log noise (sd 0.25, memory 25 s) and, where said, drift (sd 0.05, memory 20 minutes); Poisson "
    "counts, 20 a second; 30 s of guard time after each change; fixed seeds. For comparison: the same model with a fixed-time "
    "90 % Student interval, looked at as often, was false in 32 of 100 runs without drift and in 37 of 100 with it."
)
COMMAND = "make bench ARGS=tests/bench/bench_verdict.py"


def fading(generator: np.random.Generator, seconds: int, sd: float, memory_s: float) -> Floats:
    """Gaussian noise with correlation exp(-t / memory), one value a second."""
    keep = exp(-1.0 / memory_s)
    shocks = generator.standard_normal(seconds) * sd * sqrt(1.0 - keep * keep)
    shocks[0] = generator.standard_normal() * sd
    # x_t = keep x_(t-1) + shock_t, in stretches short enough that keep^-n stays a number.
    values = np.empty(seconds)
    last, length = 0.0, max(1, int(200 * memory_s))
    for first in range(0, seconds, length):
        piece = shocks[first : first + length]
        powers = keep ** np.arange(1, len(piece) + 1)
        values[first : first + length] = powers * (last + np.cumsum(piece / powers))
        last = float(values[first + len(piece) - 1])
    return values


def machine(seed: int, minutes: int, drift: float, effect: Floats | float = 0.0, rate: float = RATE) -> Floats:
    """Pulses in blocks of 10 s, shape (6 minutes,)."""
    generator = np.random.default_rng(seed)
    logs = fading(generator, minutes * 60, NOISE_SD, NOISE_MEMORY_S) + effect
    if drift:
        logs = logs + fading(generator, minutes * 60, drift, DRIFT_MEMORY_S)
    seconds = generator.poisson(rate * np.exp(logs))
    blocks: Floats = seconds.reshape(-1, BLOCK_S).sum(axis=1).astype(np.float64)
    return blocks


def sample(pulses: Floats, changes: list[int], until: int) -> BlockSample:
    """Blocks up to a block, with changes at blocks: sides alternate, each change is followed by its guard time."""
    place = np.arange(until)
    span = np.searchsorted(changes, place, side="right")
    began = np.concatenate(([-GUARD_BLOCKS], changes))[span]
    kept = place - began >= GUARD_BLOCKS
    place, span = place[kept], span[kept]
    ones = np.ones(len(place))
    return BlockSample(
        side=(span % 2).astype(np.int64),
        stretch=span.astype(np.int64),
        mid_s=(place + 0.5) * BLOCK_S,
        seconds=ones * BLOCK_S,
        area_m2=ones * 20.0 * BLOCK_S,
        kmh=ones * 7.0,
        pulses=pulses[place],
        poisson=pulses[place],
        returns=ones * np.nan,
    )


def says(pulses: Floats, changes: list[int], until: int) -> int:
    """-1 better, 1 worse, 0 neither."""
    found = log_ratio(sample(pulses, changes, until))
    if found is None or abs(found.estimate) <= found.half_width:
        return 0
    return 1 if found.estimate > 0 else -1


def ever_false(seed: int, before: int, minutes: int, drift: float, rate: float = RATE, every: int = 1) -> bool:
    """Whether an unchanged machine is ever called better or worse, looked at every minute after 3 minutes of work."""
    pulses = machine(seed, before + minutes, drift, rate=rate)
    change = before * BLOCKS_A_MINUTE
    looks = range(change + 4 * BLOCKS_A_MINUTE, len(pulses) + 1, every * BLOCKS_A_MINUTE)
    return any(says(pulses, [change], until) for until in looks)


def ever_false_back_and_forth(seed: int, spans: int, each: int, drift: float) -> bool:
    """The same for a setting put to and fro every `each` minutes that does nothing."""
    pulses = machine(seed, spans * each, drift)
    changes = [k * each * BLOCKS_A_MINUTE for k in range(1, spans)]
    looks = range(changes[0] + 4 * BLOCKS_A_MINUTE, len(pulses) + 1, BLOCKS_A_MINUTE)
    return any(says(pulses, [one for one in changes if one < until], until) for until in looks)


def sees_cut(seed: int, cut: float, each: int, spans: int = 2, drift: float = DRIFT_SD) -> bool:
    """Whether a true cut is called better at the end, `each` minutes a span, sides alternating."""
    minute = np.arange(spans * each * 60) // 60
    effect = np.where(minute // each % 2 == 1, log(1.0 - cut), 0.0)
    pulses = machine(seed, spans * each, drift, effect)
    changes = [k * each * BLOCKS_A_MINUTE for k in range(1, spans)]
    return says(pulses, changes, len(pulses)) == -1


def ever_false_on_a_paddock(seed: int) -> bool:
    """The same on the whole simulated machine and paddock: 30 minutes, an entry of a change that nobody made, an hour."""
    told = {"entry": "setting", "what": "other", "name": "nothing", "from": 1, "to": 2}
    plan = (Planned(at_s=29, idle_run=20.0), Planned(at_s=1800, entry=told))
    scenario = load("paddock").with_(seed=seed, minutes=92.0, operator=plan)
    scenario = replace(scenario, machine=replace(scenario.machine, start={"fan_rpm": 880.0}))
    engine = Engine(settings.parse(scenario.settings_toml()), Nowhere(), Nowhere(), 1_790_000_000_000, advises=False)
    count = 0
    for tick in Simulation(scenario):
        for line in tick.lines:
            engine.take_line(None, line.rstrip(b"\n"))
            if engine.watch.course.count > count and engine.watch.course.count % 60 == 0:
                count = engine.watch.course.count
                due = engine.watch.due()
                if due is not None and due[1]["verdict"] in ("better", "worse", "mixed"):
                    return True
        for plain in tick.entries:
            engine.take_entry(None, entries.from_plain(plain))
    return False


def rows(runs: int = RUNS) -> list[tuple[str, str, str, str]]:
    """Figure, target, reached, command."""

    def count(what: str, target: str, hits: list[bool]) -> tuple[str, str, str, str]:
        return what, target, f"{sum(hits)} of {len(hits)}", COMMAND

    seeds, half = range(runs), range(runs // 2)
    most = "at most 27 of 200"
    return [
        count("no change, looked at every minute for an hour (20 min before): ever false", most,
              [ever_false(seed, 20, 60, 0.0) for seed in seeds]),
        count("the same with drift", most, [ever_false(1000 + seed, 20, 60, DRIFT_SD) for seed in seeds]),
        count("the same with drift, 30 min before", most, [ever_false(2000 + seed, 30, 60, DRIFT_SD) for seed in seeds]),
        count("the same with drift, 1 pulse a second", "at most 13 of 100",
              [ever_false(3000 + seed, 20, 60, DRIFT_SD, rate=1.0) for seed in half]),
        count("no effect put to and fro, 12 x 10 min with drift: ever false", "said, no target",
              [ever_false_back_and_forth(4000 + seed, 12, 10, DRIFT_SD) for seed in half]),
        count("no change, drift twice as large (0.10): ever false", "said, no target",
              [ever_false(8000 + seed, 20, 60, 2 * DRIFT_SD) for seed in half]),
        count("true cut of 40 %, 20 min each side: called better", "at least 95 %",
              [sees_cut(5000 + seed, 0.40, 20) for seed in seeds]),
        count("true cut of 30 %, 20 min each side: called better", "at least 85 %",
              [sees_cut(6000 + seed, 0.30, 20) for seed in seeds]),
        count("true cut of 15 %, A-B-A-B of 10 min for two hours: called better", "at least 50 %",
              [sees_cut(7000 + seed, 0.15, 10, spans=12) for seed in seeds]),
    ]  # fmt: skip


PADDOCK = (
    "Pulses of the whole simulated kit. Its ground is more uneven than the noise above: patches of 50 m are shared by "
    "neighbouring passes, so that means of ten minutes differ by 7 to 9 % (log sd) where the drift above makes them differ by 4."
)


@pytest.mark.timeout(600)  # a thousand hours of work, looked at sixty thousand times
def test_the_figures_are_reached() -> None:
    found = rows()
    _told(found)


@pytest.mark.timeout(600)
def test_the_simulated_paddock() -> None:
    from tests.bench import results

    seeds = range(2000, 2040)
    hits = sum(ever_false_on_a_paddock(seed) for seed in seeds)
    what = "an unchanged machine on the simulated paddock, looked at every minute for an hour: ever false"
    row = (what, "said, no target", f"{hits} of {len(seeds)}")
    print(" | ".join(row))
    results.write("Verdict on the simulated paddock", COMMAND, [PADDOCK, results.table(["figure", "target", "reached"], [row])])


def _told(found: list[tuple[str, str, str, str]]) -> None:
    from tests.bench import results

    for row in found:
        print(" | ".join(row))
    results.write("Verdict", COMMAND, [HOW, results.table(["figure", "target", "reached"], [row[:3] for row in found])])
    hits = [int(reached.split()[0]) for _, _, reached, _ in found]
    assert max(hits[:3]) <= 27
    assert hits[3] <= 13
    assert hits[6] >= 190
    assert hits[7] >= 170
    assert hits[8] >= 100
