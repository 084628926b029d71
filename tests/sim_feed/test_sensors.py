"""Plates, wheels and beam against formulas and plain loops."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim_feed.kit.sensors import Beam, PlateInput, Wheel, one_shot


def plain_one_shot(arrivals, dead_time_s, ready_at):
    passed, ready = [], ready_at
    for time in arrivals:
        if time >= ready:
            passed.append(time)
            ready = time + dead_time_s
    return passed


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    st.lists(st.integers(0, 2_000), max_size=120),
    st.integers(1, 200),
    st.integers(-50, 300),
)
def test_one_shot_equals_a_plain_loop(times, dead_time, ready_at) -> None:
    # Times in whole units, so that "just at the end of the dead time" is exact in both.
    arrivals = np.sort(np.array(times, dtype=float))
    assert one_shot(arrivals, float(dead_time), float(ready_at)).tolist() == plain_one_shot(
        arrivals.tolist(), float(dead_time), float(ready_at)
    )


@pytest.mark.parametrize(("rate", "dead_time_us"), [(20, 1000), (200, 1000), (200, 2500), (600, 2500)])
def test_share_let_through_agrees_with_the_non_paralysable_formula(rate: float, dead_time_us: float) -> None:
    # Knoll, Radiation Detection and Measurement: m = n / (1 + n tau) for a non-paralysable counter.
    tau = dead_time_us * 1e-6
    plate = PlateInput(np.random.default_rng(5), 1.0, 0.08, tau, np.inf)
    seconds, counted, leg = 4000, 0, 2000
    for first in range(1, seconds * 10 + 1, leg):
        still = np.zeros(leg)
        counted += int(plate.run(first, np.full(leg, float(rate)), still, still).edges.sum())
    expected = rate / (1.0 + rate * tau) * seconds
    # Counts behind a fixed dead time scatter less than Poisson: var = mean / (1 + n tau)^2 (renewal theory).
    sd = np.sqrt(expected) / (1.0 + rate * tau)
    assert abs(counted - expected) < 4.0 * sd


def test_paralysable_counting_would_fail_that_check() -> None:
    # The check above tells the two kinds of dead time apart: m = n exp(-n tau) is 9 standard errors away.
    rate, tau, seconds = 200.0, 2.5e-3, 4000
    expected = rate / (1.0 + rate * tau) * seconds
    assert abs(rate * np.exp(-rate * tau) * seconds - expected) > 9.0 * np.sqrt(expected) / (1.0 + rate * tau)


def test_clumps_scatter_counts_by_the_dispersion_asked_for() -> None:
    for dispersion in (1.0, 1.5, 2.5):
        plate = PlateInput(np.random.default_rng(6), dispersion, 0.08, 0.0, np.inf)
        n = 200_000
        still = np.zeros(n)
        run = plate.run(1, np.full(n, 15.0), still, still)
        seconds = run.edges.reshape(-1, 10).sum(axis=1)
        assert seconds.mean() == pytest.approx(15.0, rel=0.02)
        assert seconds.var() / seconds.mean() == pytest.approx(dispersion, rel=0.06)
        assert run.grain.sum() == pytest.approx(run.edges.sum(), abs=20)


def test_every_arrival_is_counted_once_over_many_legs() -> None:
    plate = PlateInput(np.random.default_rng(7), 1.5, 0.3, 0.0, np.inf)
    arrived = counted = 0
    for first in range(1, 5001, 50):
        run = plate.run(first, np.full(50, 30.0), np.full(50, 1.0), np.full(50, 2.0))
        arrived += int(run.grain.sum() + run.straw.sum() + run.vibration.sum())
        counted += int(run.edges.sum())
    assert 0 <= arrived - counted < 40, "only the last clumps' tails may be missing"


def test_deaf_plate_counts_nothing_from_its_time_on() -> None:
    plate = PlateInput(np.random.default_rng(8), 1.5, 0.08, 1e-3, 50.0)
    run = plate.run(1, np.full(1000, 20.0), np.zeros(1000), np.zeros(1000))
    assert run.edges[:500].sum() > 500
    assert run.edges[500:].sum() == 0
    assert run.grain[500:].sum() > 500


def test_wheel_counts_whole_edges_whatever_the_legs() -> None:
    turned = np.random.default_rng(9).uniform(0.0, 3.0, 4000)
    whole = Wheel().run(turned)
    wheel = Wheel()
    pieces = np.concatenate([wheel.run(part) for part in np.split(turned, [17, 900, 901, 2500])])
    assert whole.sum() == int(np.floor(turned.sum()))
    assert np.array_equal(whole, pieces)


def test_wheel_periods_tell_a_steady_speed_exactly() -> None:
    turned = np.full(500, 1.37)
    found = Wheel().periods(1, turned, 10)
    assert len(found) == 49
    for _, edges, span_us in found:
        assert edges / span_us * 1e6 == pytest.approx(13.7, rel=1e-4)


def test_wheel_periods_are_the_same_over_many_legs() -> None:
    turned = np.random.default_rng(11).uniform(0.0, 3.0, 2000)
    whole = Wheel().periods(1, turned, 10)
    wheel, pieces, first = Wheel(), [], 1
    for part in np.split(turned, [13, 700, 704, 1500]):
        pieces += wheel.periods(first, part, 10)
        wheel.run(part)
        first += len(part)
    assert [each[:2] for each in pieces] == [each[:2] for each in whole]
    assert [each[2] for each in pieces] == pytest.approx([each[2] for each in whole], abs=2)
    assert sum(edges for _, edges, _ in whole) > 2900


def test_beam_dark_share_follows_the_fill_and_stops_with_the_chain() -> None:
    beam = Beam(np.random.default_rng(10), 0.22, 0.85, 11.0)
    turning = np.ones(6000)
    for fill, share in ((0.0, 0.22), (0.5, 0.535), (1.0, 0.85)):
        dark = beam.run(np.full(6000, fill), turning)
        assert dark.mean() / 100.0 == pytest.approx(share, abs=0.01)
        assert 0 <= dark.min() <= dark.max() <= 100
    assert beam.run(np.zeros(50), np.zeros(50)).sum() == 0
