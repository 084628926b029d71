"""One loss point: sides summed, a silent side, a blind point, saturation; measurement 1.2 and 1.8 case by case."""

from __future__ import annotations

import pytest

from edge.contract.inputs import LossInput
from edge.reckon.sensors.losspoint import LossPoint
from tests.kits.drive import Drive, driven


def point(dead_time_us: float = 0.0, sides: tuple[str, ...] = ("left", "right"), vibration_hz: float = 0.0) -> LossPoint:
    return LossPoint(
        "separator",
        [
            LossInput(at=at, point="separator", side=side, dead_time_us=dead_time_us, vibration_hz=vibration_hz)
            for at, side in enumerate(sides)
        ],
    )


def go(one: LossPoint, seconds: int, *counts: int, working: bool = True) -> None:
    for _ in range(seconds):
        one.step(list(counts), 1000, 1000, working)


def test_sides_are_summed_after_their_own_dead_time():
    one = point(dead_time_us=1000)
    one.step([100, 200], 1000, 1000, True)
    # n = m / (1 - m tau): 100 / 0.9 + 200 / 0.8
    assert one.pulses == pytest.approx(100 / 0.9 + 200 / 0.8)
    assert one.scatter == pytest.approx(one.pulses / 300)


def test_a_silent_side_is_stood_in_for_by_its_twin():
    one = point()
    go(one, 5, 20, 20)
    go(one, 12, 0, 20)
    assert one.half_blind and one.pulses == 20 and one.effective == 40
    assert one.left_share is None
    go(one, 1, 3, 20)
    assert not one.half_blind and one.effective == 23


def test_silence_needs_time_work_and_a_twin_that_counts():
    cases = ((9, 20, True, False), (30, 1, True, False), (30, 20, False, False), (10, 20, True, True))
    for seconds, twin, working, silent in cases:
        one = point()
        go(one, 5, 20, 20)
        go(one, seconds, 0, twin, working=working)
        assert one.half_blind is silent, (seconds, twin, working)


def test_both_sides_silent_is_unknown_and_not_zero():
    one = point()
    go(one, 60, 20, 20)
    go(one, 25, 0, 0)
    assert one.blind and not one.half_blind
    go(one, 1, 1, 0)
    assert not one.blind


def test_a_point_that_never_had_much_to_count_is_not_blind():
    one = point()
    for _ in range(20):
        go(one, 9, 0, 0)
        go(one, 1, 1, 0)
    assert not one.blind


def test_left_share_over_half_a_minute():
    one = point()
    go(one, 40, 10, 30)
    assert one.left_share == pytest.approx(0.25)
    go(one, 15, 30, 10)
    assert one.left_share == pytest.approx(0.5)
    go(one, 15, 30, 10)
    assert one.left_share == pytest.approx(0.75)


@pytest.mark.parametrize("sides", [("left",), ("centre",), ("left", "centre"), ("right", "centre")])
def test_left_share_is_unknown_without_both_sides(sides):
    one = point(sides=sides)
    go(one, 40, *[20] * len(sides))
    assert one.left_share is None


def test_left_share_is_unknown_while_a_side_has_no_pulse_at_all():
    one = point()
    go(one, 40, 0, 1)
    assert one.left_share is None


def test_saturated_from_three_tenths_hidden_and_for_5_s():
    one = point(dead_time_us=1000)
    go(one, 1, 299, 0)
    assert not one.saturated
    go(one, 1, 300, 0)
    assert one.saturated
    seen = []
    for _ in range(6):
        go(one, 1, 10, 10)
        seen.append(one.saturated)
    assert seen == [True] * 4 + [False] * 2  # 5 s with the one that saturated


def test_vibration_counts_while_the_thresher_runs_and_for_the_silent_side_as_its_twin_s():
    one = point(vibration_hz=2.0)
    one.step([10, 10], 1000, 500, True)
    assert one.background == pytest.approx(2.0)
    go(one, 20, 0, 20)
    assert one.half_blind and one.background == pytest.approx(4.0)


def test_a_place_that_the_board_does_not_send_counts_nothing():
    one = point()
    one.step([5], 1000, 1000, True)
    assert one.pulses == 5


def test_the_kit_flags_half_blind_blind_and_saturated():
    drive = Drive()
    drive.go(60)
    assert "half-blind separator" in drive.go(15, separator=(0, 20)).flag_words
    figures = drive.go(60, cleaning=(0, 0))
    assert "blind cleaning" in figures.flag_words
    assert figures.loss is not None and figures.loss.kg_ha is None
    hot = Drive(kit=driven(dead_time_us=1000))
    figures = hot.go(30, separator=(320, 20))
    assert "saturated separator" in figures.flag_words and figures.saturated_inputs == (0,)
    assert figures.pulses_per_s["separator"] == pytest.approx(320 / 0.68 + 20 / 0.98)


def test_pulses_per_s_are_the_last_second_s_unsmoothed():
    drive = Drive()
    drive.go(30, separator=(20, 20))
    assert drive.go(1, separator=(70, 30)).pulses_per_s == {"separator": 100.0, "cleaning": 20.0}
    assert drive.go(1, separator=(70, 30), ms=500).pulses_per_s["separator"] == 200.0
