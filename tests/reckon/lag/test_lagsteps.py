"""The lag learned from deliberate steps of speed, alone and joined with entries into the crop; kept over a restart."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from edge.contract import entries, settings
from edge.engine.engine import Engine, Nowhere
from edge.reckon.lag.learner import LagLearner
from edge.reckon.lag.steps import StepDelay, StepLearner
from sim_feed.parameters.structs import Planned
from sim_feed.run.scenario import Simulation, load
from tests.bench import truth
from tests.kits.drive import T0, Drive

EPOCH_MS = 1_790_000_000_000
MIXING_S = 2.0


def drive(
    learner: StepLearner, seed: int, lag_s: float = 9.0, ratio: float = 1.3, noise: float = 0.2, per_s: float = 40.0,
    at: int = 80, set_s: float = 10.0, part_at: int | None = None, gap_at: int | None = None,
) -> None:  # fmt: skip
    """160 s of one pass at 1.7 m/s and 9 m with a step of speed at second `at`; loss drifts, its rate per area rises with the
    root of the speed; what is cut comes to the sensors `lag_s` later on the mean, 2 s of it mixing."""
    random = np.random.default_rng(seed)
    seconds = 160
    speed = 1.7 * np.exp(truth.noise(random, 1, seconds, 0.02)[0])
    speed[at:] *= ratio
    cut = np.concatenate([[0.0], np.cumsum(9.0 * speed)])
    drift = np.exp(truth.noise(random, 1, seconds, noise)[0])
    clock = np.arange(seconds + 1, dtype=float)
    shift, rate, mean = lag_s - MIXING_S, 0.0, []
    for t in range(1, seconds + 1):
        now = np.interp(t - shift, clock, cut) - np.interp(t - 1 - shift, clock, cut)
        rate += (1 - np.exp(-1 / MIXING_S)) * (now - rate)
        was = max(0, int(t - lag_s))
        mean.append(rate / 15.3 * per_s * drift[was] * (speed[was] / 1.7) ** 0.5)
    for t, count in enumerate(truth.clumped(random, np.array(mean))):
        part = 0.5 if part_at is not None and t >= part_at else 1.0
        ms = 5000 if t == gap_at else 1000
        learner.step(ms, float(9.0 * speed[t]), float(count), part, set_s)
    learner.interrupt()


@pytest.mark.parametrize("lag_s", [5.0, 9.0, 14.0])
@pytest.mark.parametrize("ratio", [0.75, 1.3])
def test_a_few_steps_give_the_lag_within_its_uncertainty(lag_s, ratio):
    learner = StepLearner()
    for seed in range(6):
        drive(learner, seed, lag_s, ratio)
    found = learner.delay()
    assert learner.steps == 6 and found is not None and found.u_s < 2.0
    assert found.delay_s == pytest.approx(lag_s, abs=2 * found.u_s)


def test_the_stated_uncertainty_is_honest_and_shrinks_with_steps():
    errors, us = [], []
    for rep in range(12):
        learner = StepLearner()
        for k in range(4):
            drive(learner, 100 * rep + k, noise=0.1)
            known = learner.delay()
            us.append((k, known.u_s if known else np.inf))
        assert known is not None
        errors.append((known.delay_s - 9.0) / known.u_s)
    assert np.sqrt(np.mean(np.square(errors))) <= 1.2
    assert np.median([u for k, u in us if k == 3]) < 0.7 * np.median([u for k, u in us if k == 0])


@pytest.mark.parametrize(
    "how",
    [
        {"ratio": 1.0},  # no step
        {"ratio": 1.05},  # speed wanders
        {"part_at": 90},  # the part width was touched as well: nobody knows to the second when
        {"gap_at": 95},
        {"per_s": 2.0},  # too few pulses for a logarithm
        {"at": 20},  # the crop was only just entered
        {"at": 145},  # the pass ends before the grain has followed
    ],
)
def test_what_teaches_nothing(how):
    learner = StepLearner()
    for seed in range(3):
        drive(learner, seed, **how)
    assert learner.steps == 0 and learner.delay() is None


def test_another_set_lag_looks_at_other_delays_and_begins_anew():
    learner = StepLearner()
    drive(learner, 1)
    assert learner.steps == 1
    drive(learner, 2, set_s=20.0)
    assert learner.steps == 1 and len(learner.curve) == 59  # 1 to 30 s


def test_steps_and_passes_are_joined_by_their_uncertainty():
    learner = LagLearner()
    learner.delays = [12.0, 8.0, 11.0, 9.0]
    learner._reckon()
    passes = learner.learned(10.0)
    assert passes.learned_s == 10.0 and passes.u_s == pytest.approx(((10 + 18) / 5 / 4) ** 0.5)  # 3 s on 2 dof pooled in
    for seed in range(6):
        drive(learner.steps, seed)
    steps = learner.steps.delay()
    assert steps is not None
    learner._reckon()
    both = learner.learned(10.0)
    assert both.u_s is not None and both.u_s < min(passes.u_s, steps.u_s)
    assert min(steps.delay_s, 10.0) < both.learned_s < max(steps.delay_s, 10.0)
    assert (both.passes, both.steps, both.set_s) == (4, 6, 10.0)


def test_where_they_disagree_it_is_known_less_well():
    learner = LagLearner()
    learner.delays = [20.0, 20.5, 19.5, 20.0]
    learner.steps.delay = lambda: StepDelay(8.0, 1.0)  # type: ignore[method-assign]
    learner._reckon()
    found = learner.learned(10.0)
    assert found.u_s is not None and found.u_s > 4.0 and 8.0 < found.learned_s < 20.0


class Keeper(Nowhere):
    """Remembers records."""

    def __init__(self) -> None:
        super().__init__()
        self.records: list[tuple[str, int, dict[str, Any]]] = []

    def record(self, kind: str, at_ms: int, body: dict[str, Any], tell: str = "", binds: bool = False) -> None:
        self.records.append((kind, at_ms, body))


def simulated(seed: int, minutes: float) -> tuple[Engine, Keeper]:
    """The paddock with a step of speed to and fro in each pass."""
    scenario = load("paddock").with_(seed=seed, minutes=minutes)
    steps = [Planned(at_s=200 + 130 * i, setting={"what": "speed_kmh", "to": 7.0 if i % 2 else 8.6}) for i in range(9)]
    scenario = scenario.with_(operator=(*scenario.operator, *steps))
    keeper = Keeper()
    engine = Engine(settings.parse(scenario.settings_toml()), keeper, Nowhere())
    for tick in Simulation(scenario):
        for text in tick.lines:
            engine.take_line(EPOCH_MS + tick.ms, text[:-1])
        for entry in tick.entries:
            engine.take_entry(EPOCH_MS + tick.ms, entries.from_plain(entry))
    return engine, keeper


@pytest.mark.parametrize("seed", [1, 2])
def test_a_simulated_paddock_with_steps_of_speed(seed):
    """Separator and cleaning come 8 and 10 s after the cut on the mean: between them, by their pulses."""
    engine, keeper = simulated(seed, 25)
    found = engine.reckoner.lag.learned(10.0)
    steps = engine.reckoner.lag.steps.delay()
    assert found.steps >= 6 and found.passes >= 4 and steps is not None and found.u_s is not None
    assert steps.u_s < 2.0 and found.u_s < 1.5
    assert 8.0 - 2 * steps.u_s <= steps.delay_s <= 10.0 + 2 * steps.u_s
    assert 8.0 - 2 * found.u_s <= found.learned_s <= 10.0 + 2 * found.u_s
    assert engine.reckoner.now.lag_s == 10.0  # only shown
    learned = [body for kind, _, body in keeper.records if kind == "learned"]
    assert 2 <= sum(body["lag"] != other["lag"] for body, other in zip(learned, learned[1:], strict=False)) <= 20
    assert len(learned) <= 25  # a power cut loses little, and nothing is written every minute


def test_kept_over_a_restart():
    engine, keeper = simulated(3, 12)
    again = Drive().reckoner
    kind, at_ms, body = [one for one in keeper.records if one[0] == "learned"][-1]
    again.restore(kind, body, at_ms)
    was, now = engine.reckoner.lag.learned(10.0), again.lag.learned(10.0)
    assert now.u_s is not None and now.u_s <= was.u_s / 0.9  # at most what a tenth's improvement may have added since
    assert not again.lag.is_news and not again.has_news
    assert again.learned()["lag"] == body["lag"]


def test_a_record_from_before_the_lag_was_kept_is_taken_up_as_it_is():
    body = {key: value for key, value in Drive().reckoner.learned().items() if key != "lag"}
    again = Drive().reckoner
    again.restore("learned", body, T0 * 1000)
    assert again.lag.learned(10.0).passes == 0


def test_news_only_when_it_is_known_a_tenth_better():
    learner = LagLearner()
    news = []
    for n in range(1, 41):
        learner.delays = [10.0, 12.0, 8.0, 11.0] * 10
        learner.delays = learner.delays[:n]
        learner._reckon()
        if learner.is_news:
            news.append(n)
            learner.note_recorded()
    assert news[0] == 2 and 8 <= len(news) <= 20
