"""Speed and distance: windows of the contract, periods, a receiver that falls silent."""

from __future__ import annotations

import pytest

from edge.feed.nmea import Fix
from edge.reckon.sensors.motion import GROUND_WINDOW_MS, SHAFT_WINDOW_MS, PulseRate, ReceiverSpeed
from tests.kits.drive import ROTOR, T0, Drive, driven, second


def test_ground_speed_is_the_mean_of_3_s():
    rate = PulseRate(0, GROUND_WINDOW_MS)
    found = [rate.step(second(number, []), pulses, 1000) for number, pulses in enumerate([30, 30, 30, 60, 60, 60], 1)]
    assert found == [30, 30, 30, 40, 50, 60]


def test_shaft_speed_is_the_mean_of_5_s():
    rate = PulseRate(0, SHAFT_WINDOW_MS)
    found = [rate.step(second(number, []), pulses, 1000) for number, pulses in enumerate([10] * 5 + [20] * 5, 1)]
    assert found == [10, 10, 10, 10, 10, 12, 14, 16, 18, 20]


def test_a_rate_is_per_board_time_and_unknown_before_any():
    rate = PulseRate(0, GROUND_WINDOW_MS)
    assert rate.step(second(1, [], ms=0), 0, 0) is None
    assert rate.step(second(2, []), 45, 900) == pytest.approx(50)
    assert rate.step(second(3, [], ms=0), 0, 0) == pytest.approx(50)


def test_speeds_come_from_periods_while_they_are_sent():
    rate = PulseRate(0, GROUND_WINDOW_MS)
    # 7 whole periods in 640,000 us are 10.9375 Hz; counts of one second could only say 10 or 11.
    assert rate.step(second(1, [], periods={0: (7, 640_000)}), 11, 1000) == pytest.approx(10.9375)
    assert rate.step(second(2, [], periods={3: (7, 1)}), 11, 1000) == pytest.approx(10.9375)  # another input's
    assert rate.step(second(9, []), 11, 1000) == pytest.approx(11)  # long since


def test_periods_of_a_wheel_that_stopped_are_forgotten():
    rate = PulseRate(0, GROUND_WINDOW_MS)
    rate.step(second(1, [], periods={0: (7, 640_000)}), 11, 1000)
    for number in (2, 3, 4):
        hz = rate.step(second(number, []), 0, 1000)
    assert hz == 0


def test_a_receiver_s_speed_is_unknown_once_it_is_old():
    receiver = ReceiverSpeed()
    assert receiver.kmh(T0) is None and receiver.place(T0) == (None, None)
    receiver.step(second(1, [], fix=Fix(speed_kmh=7.0)))
    receiver.step(second(2, [], fix=Fix(lat=-31.5, lon=118.0)))
    assert receiver.kmh(T0 + 4) == 7.0 and receiver.kmh(T0 + 5) is None
    assert receiver.place(T0 + 5) == (-31.5, 118.0) and receiver.place(T0 + 6) == (None, None)


def test_the_ground_input_beats_the_receiver():
    figures = Drive().go(5, metres=2.0, fix=Fix(speed_kmh=99.0))
    assert figures.speed_kmh == pytest.approx(7.2) and figures.distance_m == pytest.approx(2.0)


def test_without_a_ground_input_speed_and_distance_come_from_the_receiver():
    drive = Drive(kit=driven(ROTOR))
    figures = drive.go(5, fix=Fix(speed_kmh=9.0))
    assert figures.speed_kmh == 9.0 and figures.distance_m == pytest.approx(2.5)
    silent = drive.go(10)
    assert silent.speed_kmh is None and silent.distance_m == 0 and "no ground speed" in silent.flag_words


def test_shafts_turn_at_pulses_over_pulses_a_turn():
    assert Drive().go(6, fan=29).shafts == {"fan": pytest.approx(29 / 2 * 60)}


def test_a_ground_run_sets_the_pulses_of_a_metre():
    drive = Drive()
    drive.go(3, metres=2.0)
    drive.tell(entry="ground_run", metres=100, pulses=800)
    assert drive.go(3, metres=2.0).speed_kmh == pytest.approx(20 / 8 * 3.6)
