"""The lag learned from entries into the crop: shown, not used until it is set."""

from __future__ import annotations

import pytest

from edge.contract import entries, settings
from edge.engine import messages
from edge.engine.engine import Engine, Nowhere
from edge.reckon.lag.learner import LagLearner, LearnedLag
from sim_feed.run.scenario import Simulation, load
from tests.kits.drive import Drive

EPOCH_MS = 1_790_000_000_000


def learn(lag_s: float, set_s: float, passes: int = 1, metres=lambda t: 2.0) -> LearnedLag:
    """Passes of 90 s at 2 m/s and 9 m; what is cut comes to the sensors `lag_s` later, 3 pulses a m2."""
    learner = LagLearner()
    for _ in range(passes):
        for _ in range(60):
            learner.step(1000, 0, 0.0, 0.0, set_s)
        cut = [0.0] * round(lag_s) + [9.0 * metres(t) for t in range(90)]
        for t in range(90):
            learner.step(1000, 1000, cut[t + round(lag_s)], 3.0 * cut[t], set_s)
    return learner.learned(set_s)


@pytest.mark.parametrize("lag_s", [5, 10, 18])
@pytest.mark.parametrize("set_s", [6.0, 10.0, 14.0])
def test_a_clean_entry_gives_the_lag(lag_s, set_s):
    found = learn(lag_s, set_s)
    assert found.learned_s == pytest.approx(lag_s, abs=0.01)
    assert (found.set_s, found.passes, found.u_s) == (set_s, 1, None)


def test_setting_off_slowly_makes_no_difference():
    assert learn(10, 10.0, metres=lambda t: min(2.0, 0.5 + 0.1 * t)).learned_s == pytest.approx(10.0, abs=0.05)


def test_a_moving_speed_or_a_short_turn_teaches_nothing():
    assert learn(10, 10.0, metres=lambda t: 2.0 if t < 45 else 1.0).passes == 0
    learner = LagLearner()
    for _ in range(3):
        for _ in range(10):
            learner.step(1000, 0, 0.0, 0.0, 10.0)
        for _ in range(90):
            learner.step(1000, 1000, 18.0, 54.0, 10.0)
    assert learner.learned(10.0).passes == 0


def test_a_gap_in_the_data_gives_the_pass_up():
    learner = LagLearner()
    for _ in range(60):
        learner.step(1000, 0, 0.0, 0.0, 10.0)
    for t in range(90):
        ms = 5000 if t == 15 else 1000
        learner.step(ms, ms, 18.0, 54.0 if t >= 10 else 0.0, 10.0)
    assert learner.learned(10.0).passes == 0


@pytest.mark.parametrize("set_s", [6.0, 10.0])
def test_a_simulated_paddock_s_lag_lies_within_its_uncertainty(set_s):
    """Separator 6 s and cleaning 8 s of transport, each with 2 s of mixing more: between 8 and 10 s, by their pulses."""
    delays, us = [], []
    for seed in (1, 2, 3):
        scenario = load("paddock").with_(seed=seed, minutes=25)
        engine = Engine(settings.parse(scenario.settings_toml()), Nowhere(), Nowhere())
        engine.reckoner.now.lag_s = set_s
        for tick in Simulation(scenario):
            for text in tick.lines:
                engine.take_line(EPOCH_MS + tick.ms, text[:-1])
            for entry in tick.entries:
                engine.take_entry(EPOCH_MS + tick.ms, entries.from_plain(entry))
        found = engine.reckoner.lag.learned(set_s)
        assert found.passes >= 4 and found.learned_s is not None and found.u_s is not None and found.u_s < 2.0
        assert engine.reckoner.now.lag_s == set_s
        delays.append(found.learned_s)
        us.append(found.u_s)
        assert 9.0 - 3 * found.u_s - 1.0 <= found.learned_s <= 9.0 + 3 * found.u_s + 1.0
    assert sum(delays) / 3 == pytest.approx(9.0, abs=1.0 + 2 * (sum(u * u for u in us)) ** 0.5 / 3)


def test_told_beside_the_figures_and_never_used_until_it_is_set():
    drive = Drive()
    figures = drive.go(5)
    assert messages.live(figures)["lag"] == {"set_s": 10.0, "learned_s": None, "u_s": None, "passes": 0, "steps": 0}
    drive.tell(entry="setting", what="lag_s", to=12)
    assert messages.live(drive.go(1))["lag"]["set_s"] == 12.0
