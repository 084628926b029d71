"""Dead time: the model turned round, its limits, and a simulated one-shot."""

from __future__ import annotations

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from edge.reckon.sensors.deadtime import DeadTime, corrected_rate, gain


@given(st.floats(0, 20_000), st.floats(0, 0.02))
def test_the_correction_turns_the_non_paralysable_model_round(true_rate, tau):
    counted = true_rate / (1 + true_rate * tau)  # m = n / (1 + n tau)
    if counted * tau < 0.949:
        assert corrected_rate(counted, tau) == pytest.approx(true_rate, rel=1e-9, abs=1e-9)


@given(st.floats(0, 0.9499), st.floats(0, 0.9499))
def test_more_hidden_time_never_corrects_less(one, other):
    low, high = sorted((one, other))
    assert 1 <= gain(low) <= gain(high)


def test_from_0_95_nothing_is_divided():
    assert gain(0.9499) == pytest.approx(1 / (1 - 0.9499))
    assert gain(0.95) == gain(1.0) == gain(3.0) == 1.0


def one_shot(rng: np.random.Generator, rate: float, tau: float, seconds: int) -> np.ndarray:
    """Counts a second of a non-paralysable counter under Poisson impacts (rate 1/s, dead time s)."""
    gaps = rng.exponential(1 / rate, size=int(rate * seconds * 1.05) + 100)
    times = np.cumsum(gaps)
    # A counted impact opens the counter again tau later; the next counted one is the first after that.
    counted, last = [], -1.0
    for time in times[times < seconds]:
        if time - last >= tau:
            counted.append(time)
            last = time
    return np.bincount(np.asarray(counted, dtype=int), minlength=seconds)


def test_a_simulated_one_shot_is_corrected_to_the_true_rate_with_the_stated_scatter():
    """Variance of the corrected count: Q (Q / q) for a recorded q (nuclear counting practice, non-extending dead time)."""
    rng = np.random.default_rng(7)
    rate, tau, seconds = 250.0, 0.001, 3000
    meter = DeadTime(1000)
    counts = one_shot(rng, rate, tau, seconds)
    corrected = np.array([meter.correct(int(count), 1000) for count in counts])
    assert corrected.mean() == pytest.approx(rate, rel=0.01)
    stated = np.mean(corrected * corrected / counts)
    assert corrected.var() == pytest.approx(stated, rel=0.08)


def test_the_share_is_taken_over_a_second_at_least():
    """In 100 ms ticks the same formula would be off by several percent; the tick borrows from what came before."""
    whole, ticks = DeadTime(1000), DeadTime(1000)
    expected = whole.correct(200, 1000)
    for _ in range(10):
        ticks.correct(20, 100)
    assert sum(ticks.correct(20, 100) for _ in range(10)) == pytest.approx(expected, rel=0.01)


def test_nothing_counted_in_no_time_is_nothing():
    meter = DeadTime(1000)
    assert meter.correct(0, 0) == 0.0 and meter.share == 0.0


@given(st.integers(5_000, 20_000), st.integers(1000, 60_000), st.integers(0, 40))
def test_from_5_ms_on_the_bias_of_a_finite_sum_is_taken_off(dead_time_us, ms, count):
    """To second order the formula's mean is high by tau / T (see the module): one count is one impact then, none is none."""
    found = DeadTime(dead_time_us).correct(count, ms)
    tau_ms = dead_time_us / 1000
    if count * tau_ms / ms < 0.95:
        assert found == pytest.approx(corrected_rate(count / ms * 1000, tau_ms / 1000) * ms / 1000 * (1 - tau_ms / ms))
        assert found >= count * (1 - 1e-12)
    if count <= 1:
        assert found == pytest.approx(count)


@pytest.mark.parametrize("dead_time_us", [1, 1000, 4999])
def test_under_5_ms_the_formula_stands_as_a_hand_calculation_has_it(dead_time_us):
    assert DeadTime(dead_time_us).correct(40, 1000) == pytest.approx(40 / (1 - 40 * dead_time_us * 1e-6), rel=1e-12)


@pytest.mark.parametrize("rate", [2.0, 10.0, 20.0])
def test_the_longest_dead_time_is_corrected_without_bias_and_would_be_2_percent_off(rate):
    rng = np.random.default_rng(5)
    counts = one_shot(rng, rate, 0.02, 30_000)
    true = rate * 30_000
    meter = DeadTime(20_000)
    assert sum(meter.correct(int(count), 1000) for count in counts) == pytest.approx(true, rel=0.008)
    plain = sum(corrected_rate(float(count), 0.02) for count in counts)
    assert plain / true == pytest.approx(1.02, abs=0.008)
