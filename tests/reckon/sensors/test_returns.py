"""Returns: (blocked - empty) / (full - empty), worked out by hand."""

from __future__ import annotations

import hypothesis.strategies as st
import pytest
from hypothesis import given

from edge.contract.inputs import BeamInput
from edge.reckon.sensors.returns import DUST_WAIT_S, Returns
from tests.kits.drive import Drive


def returns(**keys) -> Returns:
    return Returns(BeamInput(at=4, **{"empty_pct": 20.0, "full_pct": 80.0, **keys}))


def test_percent_is_unknown_under_5_s():
    one = returns()
    assert [one.step(500, 1000, True) for _ in range(5)] == [None] * 4 + [pytest.approx(50.0)]


def test_percent_is_the_mean_of_5_s():
    one = returns()
    found = [one.step(blocked, 1000, True) for blocked in [200] * 5 + [800] * 5]
    assert found[4:] == [pytest.approx(x) for x in (0, 20, 40, 60, 80, 100)]


def test_it_is_not_clipped_in_data():
    one = returns()
    assert [one.step(950, 1000, True) for _ in range(5)][-1] == pytest.approx(125)
    two = returns()
    assert [two.step(50, 1000, True) for _ in range(5)][-1] == pytest.approx(-25)


def test_the_thresher_off_begins_anew():
    one = returns()
    for _ in range(6):
        one.step(500, 1000, True)
    assert one.step(500, 1000, False) is None and one.t_h is None
    assert [one.step(500, 1000, True) for _ in range(5)][:4] == [None] * 4


@given(st.floats(0, 40), st.floats(50, 100), st.lists(st.integers(0, 1000), min_size=5, max_size=20))
def test_percent_by_the_formula(empty, full, blocked):
    one = returns(empty_pct=empty, full_pct=full)
    for ms in blocked:
        found = one.step(ms, 1000, True)
    share = sum(blocked[-5:]) / 50.0
    assert found == pytest.approx((share - empty) / (full - empty) * 100, abs=1e-6)


def test_flow_only_after_a_catch():
    one = returns()
    for _ in range(5):
        one.step(500, 1000, True)
    assert one.t_h is None
    assert one.learn_catch(mass_kg=25, seconds=10) == ""  # 2.5 kg/s = 9 t/h at half full
    assert one.t_h == pytest.approx(9.0)
    for _ in range(5):
        one.step(650, 1000, True)
    assert one.t_h == pytest.approx(13.5)


def test_a_catch_with_next_to_nothing_in_the_elevator_is_not_used():
    one = returns()
    for _ in range(5):
        one.step(210, 1000, True)
    assert "beam" in one.learn_catch(10, 10) and one.t_h is None


def test_dust_on_the_lenses_is_followed_on_a_long_headland_only():
    one = returns()
    for number in range(120):
        one.step(300, 1000, True)
        one.follow_dust(front_up=number >= 60, threshing=True, seconds=1.0, lag_s=10.0)
        if number == 60 + int(DUST_WAIT_S) + 5:
            assert one.empty_pct == 20.0  # not yet: the elevator still runs empty
    assert one.empty_pct == pytest.approx(30.0, abs=0.5)


def test_a_full_elevator_on_a_headland_is_not_taken_for_dust():
    one = returns()
    for _ in range(120):
        one.step(600, 1000, True)
        one.follow_dust(front_up=True, threshing=True, seconds=1.0, lag_s=10.0)
    assert one.empty_pct == 20.0


def test_in_the_kit_returns_go_with_threshing_and_data():
    drive = Drive()
    assert drive.go(10, beam=500).returns_pct == pytest.approx(50)
    assert drive.go(1, levels=1).returns_pct is None
    assert drive.reckoner.totals.returns_pct is None  # filling is not work yet
    drive.go(30, beam=650)
    assert drive.reckoner.totals.returns_pct == pytest.approx(75)
