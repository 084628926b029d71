"""Loss belongs to the ground where the crop was cut: area looked up `lag` ago in board time."""

from __future__ import annotations

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from edge.reckon.lag.cutarea import KEPT_MS, CutArea, MixedExposure

SECONDS = st.lists(st.tuples(st.integers(0, 3000), st.floats(0, 60)), min_size=1, max_size=80)


@given(SECONDS, st.floats(0, 60_000))
def test_area_is_linear_between_seconds_and_never_falls(seconds, ago_ms):
    area = CutArea()
    for ms, square_m in seconds:
        area.add(ms, square_m if ms else 0.0)
    clock = np.concatenate([[0], np.cumsum([ms for ms, _ in seconds])])
    total = np.concatenate([[0], np.cumsum([square_m if ms else 0.0 for ms, square_m in seconds])])
    keep = np.concatenate([[True], np.diff(clock) > 0])  # numpy.interp wants distinct places
    at = max(0.0, clock[-1] - ago_ms)
    assert area.until(at) == pytest.approx(np.interp(at, clock[keep], total[keep]), abs=1e-6)
    assert 0 <= area.until(at) <= area.until(clock[-1]) == pytest.approx(total[-1])


@given(st.floats(1, 60), st.floats(0, 60), st.integers(200, 2000))
def test_steady_cutting_exposes_what_is_cut(rate, lag_s, ms):
    area, mixed = CutArea(), MixedExposure()
    for _ in range(200):
        area.add(ms, rate * ms / 1000)
        exposure = mixed.step(area, ms, lag_s)
    if 200 * ms > 1000 * (lag_s + 40):
        assert exposure == pytest.approx(rate * ms / 1000, rel=1e-6)


@pytest.mark.parametrize("lag_s", [0.0, 4.0, 10.0, 30.0])
def test_a_change_of_speed_shows_a_lag_later_on_the_mean(lag_s):
    """Mean delay of a step = lag: the first-order mixing is part of it."""
    area, mixed = CutArea(), MixedExposure()
    for _ in range(120):
        area.add(1000, 10.0)
        mixed.step(area, 1000, lag_s)
    found = []
    for _ in range(120):
        area.add(1000, 30.0)
        found.append(mixed.step(area, 1000, lag_s))
    assert found[-1] == pytest.approx(30.0)
    delay = sum((30.0 - one) / 20.0 for one in found)
    assert delay == pytest.approx(lag_s, abs=0.6)  # seconds are taken whole: half of one is the resolution


def test_what_lies_at_the_crop_s_edge_is_set_against_no_ground():
    area, mixed = CutArea(), MixedExposure()
    exposures = []
    for number in range(120):
        area.add(1000, 20.0 if 30 <= number < 90 else 0.0)
        exposures.append(mixed.step(area, 1000, 10.0))
    used = [number for number, exposure in enumerate(exposures) if exposure > 0]
    assert min(used) >= 40 and max(used) < 100 and len(used) >= 45
    assert all(exposures[number] == pytest.approx(20.0, rel=0.15) for number in used)


def test_area_longer_ago_than_the_longest_lag_is_still_the_whole():
    area = CutArea()
    for _ in range(2000):
        area.add(1000, 3.0)
    assert area.total_m2 == pytest.approx(6000)
    assert area.cut_ago(1000, 60_000) == pytest.approx(3.0)
    assert len(area._clock) < 1000 and KEPT_MS > 60_000


def test_nothing_was_cut_before_the_first_second():
    area = CutArea()
    area.add(1000, 5.0)
    assert area.cut_ago(1000, 10_000) == 0.0
    assert area.until(-5) == 0.0
