"""The field's statistics, and how it is driven."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from sim_feed.field.crop import Crop, SmoothField
from sim_feed.parameters.structs import CropParameters
from sim_feed.run.scenario import Simulation, load


def test_field_has_its_standard_deviation_and_forgets_over_its_scale() -> None:
    generator = np.random.default_rng(1)
    along = np.array([0.0, 5.0, 50.0, 300.0])
    across = np.zeros(4)
    values = np.array([SmoothField(generator, 2, 50.0, 0.3).at(along, across) for _ in range(4000)])
    assert values.std(axis=0) == pytest.approx(np.full(4, 0.3), rel=0.04)
    correlation = np.corrcoef(values.T)[0]
    # Matern covariance with smoothness 3/2, scaled so that it is 1/e at 50 m.
    length = 50.0 / 1.2391
    wanted = [(1 + np.sqrt(3) * d / length) * np.exp(-np.sqrt(3) * d / length) for d in along]
    assert correlation == pytest.approx(wanted, abs=0.06)
    assert wanted[2] == pytest.approx(np.exp(-1.0), abs=1e-4)


def test_mean_yield_is_the_scenarios() -> None:
    parameters = CropParameters(yield_t_ha=3.1, yield_log_sd=0.2)
    place = np.array([100.0])
    seen = [
        float(Crop(parameters, np.random.default_rng(seed)).yield_kg_m2(place, place)[0]) * 10 for seed in range(1500)
    ]
    assert np.mean(seen) == pytest.approx(3.1, rel=0.02)


def stretches(ticks):
    return [(down, list(group)) for down, group in itertools.groupby(ticks, key=lambda tick: tick.truth.front_down)]


def test_passes_turns_and_speeds(walkers, paddock) -> None:
    for run in (walkers, paddock):
        parts = stretches(run.ticks)
        assert not parts[0][0]
        assert len(parts[0][1]) == 300
        for down, group in parts[1:-1]:
            if down:
                assert 1500 <= len(group) <= 3000
                assert all(tick.truth.threshing for tick in group)
            else:
                assert 150 <= len(group) <= 250
                assert all(tick.truth.threshing and tick.truth.speed_kmh > 1.8 for tick in group)
    steady = [t.truth.speed_kmh for down, g in stretches(paddock.ticks)[1:-1] if down for t in g[100:]]
    assert 5.8 < min(steady) < max(steady) < 8.4


def test_it_stands_to_unload_once_the_next_pass_would_overfill_the_tank() -> None:
    scenario = load("harvest")
    truths = [tick.truth for tick in Simulation(scenario.with_(minutes=60))]
    tank_t, unload_s = scenario.drive.tank_t, scenario.drive.unload_s
    stands = []
    first = next(index for index, truth in enumerate(truths) if truth.front_down)
    in_tank_t = fullest_t = 0.0
    standing = 0
    for truth in truths[first:]:
        if truth.speed_kmh > 0:
            if standing:
                assert in_tank_t > 0.6 * tank_t  # never for a nearly empty tank
                stands.append(standing / 10)
                standing, in_tank_t = 0, 0.0
            # ha of the tick = km/h / 3.6 * 0.1 s * width / 10 000
            in_tank_t += truth.yield_t_ha * truth.speed_kmh / 3.6 * 0.1 * scenario.machine.cut_width_m / 10_000
            fullest_t = max(fullest_t, in_tank_t)
        else:
            assert truth.threshing and not truth.front_down
            standing += 1
    assert len(stands) in (3, 4)
    assert all(unload_s[0] - 0.1 <= each <= unload_s[1] + 0.1 for each in stands)
    assert fullest_t < 1.25 * tank_t  # a pass longer than the one before may go a little over


def test_a_machine_without_a_tank_figure_never_stands(paddock) -> None:
    assert all(tick.truth.speed_kmh > 0 for tick in paddock.ticks[300:])


def test_driver_eases_off_in_heavy_crop(paddock) -> None:
    steady = [t.truth for down, g in stretches(paddock.ticks)[1:-1] if down for t in g[150:]]
    assert np.corrcoef([t.speed_kmh for t in steady], [t.yield_t_ha for t in steady])[0, 1] < -0.2


def test_speed_steps_are_followed_and_told(walkers) -> None:
    steps = [(ms, e["from"], e["to"]) for ms, e in walkers.entries if e.get("what") == "speed_kmh"]
    assert [(old, new) for _, old, new in steps] == [(6.2, 5.2), (5.2, 6.2), (6.2, 5.2)]
    for ms, old, new in steps:
        at = ms // 100
        before = np.mean([t.truth.speed_kmh for t in walkers.ticks[at - 250 : at]])
        after = np.mean([t.truth.speed_kmh for t in walkers.ticks[at + 20 : at + 270]])
        assert walkers.ticks[at].truth.front_down
        assert after - before == pytest.approx(new - old, abs=0.45)
