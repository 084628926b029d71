"""Vibration background learned by itself from turns and idling."""

from __future__ import annotations

from random import Random

import pytest

from tests.kits.drive import KIT, T0, Drive

UP, DOWN = 2, 3
"""Level masks: thresher on with the front up, and with it down."""


def hz(drive: Drive) -> list[float]:
    return [sensor.vibration_hz for point in drive.reckoner.points for sensor in point.sensors]


def test_learned_before_the_first_cut_and_used_when_the_crop_is_entered():
    drive = Drive()
    drive.go(10, separator=(9, 9), cleaning=(9, 9), metres=0.0, levels=UP)  # the lag: there may be crop in the machine
    drive.go(40, separator=(2, 1), cleaning=(0, 3), metres=0.0, levels=UP)
    assert hz(drive) == [0.0] * 4
    drive.go(1, levels=DOWN)
    assert hz(drive) == [2.0, 1.0, 0.0, 3.0]
    assert drive.reckoner.kit.background_changed
    sensors = [sensor for point in drive.reckoner.points for sensor in point.sensors]
    assert [sensor.vibration_u_hz for sensor in sensors] == pytest.approx([80**0.5 / 40, 40**0.5 / 40, 1 / 40, 120**0.5 / 40])


@pytest.mark.parametrize("lag_s", [5, 25, 60])
def test_before_the_first_cut_what_drains_for_a_lag_is_no_vibration(lag_s):
    """A kit started with crop in the machine: the automatic estimate waits for the lag in force, whatever it is."""
    drive = Drive()
    drive.tell(entry="setting", what="lag_s", to=lag_s)
    drive.go(lag_s, separator=(9, 9), cleaning=(9, 9), metres=0.0, levels=UP)
    drive.go(40, separator=(2, 1), cleaning=(0, 3), metres=0.0, levels=UP)
    drive.go(1, levels=DOWN)
    assert hz(drive) == [2.0, 1.0, 0.0, 3.0]


def test_under_half_a_minute_in_all_is_not_used():
    drive = Drive()
    drive.go(29, separator=(2, 2), metres=0.0, levels=UP)
    drive.go(60)
    assert hz(drive) == [0.0] * 4


def test_turns_are_pooled_from_lag_and_15_s_on():
    drive = Drive()
    drive.go(60, levels=DOWN)
    for _ in range(4):  # draining until 25 s after the front went up, then 10 s of vibration alone
        drive.go(24, separator=(9, 9), cleaning=(9, 9), levels=UP)
        drive.go(10, separator=(1, 1), cleaning=(2, 2), levels=UP)
        drive.go(60, levels=DOWN)
    assert hz(drive) == [1.0, 1.0, 2.0, 2.0]


def test_thresher_off_teaches_nothing():
    drive = Drive()
    drive.go(100, separator=(0, 0), cleaning=(0, 0), metres=0.0, levels=0)
    drive.go(5)
    assert not drive.reckoner.kit.background_changed and hz(drive) == [0.0] * 4


def test_an_entry_in_the_settings_and_an_idle_run_win():
    drive = Drive(kit=KIT.replace('side = "left"\n', 'side = "left"\nvibration_hz = 5.0\n', 1))
    drive.go(50, separator=(2, 2), cleaning=(2, 2), metres=0.0, levels=UP)
    drive.go(5)
    assert hz(drive) == [5.0, 2.0, 2.0, 2.0]
    drive.go(30)
    drive.go(40, separator=(3, 3), cleaning=(3, 3), metres=0.0, levels=UP)
    said = drive.tell(entry="idle_run", seconds=4.5)
    assert said["note"] == "kept, not used: 4.5 s is too short to learn from; 5 s or more are needed"
    assert hz(drive) == [5.0, 2.0, 2.0, 2.0]
    assert drive.tell(entry="idle_run", seconds=10) == {}
    assert hz(drive) == [3.0] * 4
    drive.go(60, separator=(7, 7), cleaning=(7, 7), metres=0.0, levels=UP)
    drive.go(5)
    assert hz(drive) == [3.0] * 4


def test_the_factors_and_the_mean_follow_the_new_background():
    drive = Drive().tested(10.0, 10.0, 10.0)
    before = drive.reckoner.calibration.factors.points["separator"].k
    drive.go(25, separator=(2, 2), cleaning=(2, 2), levels=UP)
    drive.go(40, separator=(2, 2), cleaning=(2, 2), levels=UP)
    drive.go(5)
    after = drive.reckoner.calibration.factors.points["separator"].k
    assert after == pytest.approx(before * 60 / 52)  # 60 pulses a second, 8 of them vibration
    assert drive.reckoner.tests.fits[1].points["separator"].k == after
    assert any(term.name == "vibration background" for term in drive.reckoner.mean_loss(drive.reckoner.totals).budget.terms)


def test_half_of_the_pulses_vibration_is_corrected_within_5_percent():
    random = Random(1)
    drive = Drive()
    hum = [lambda: (_poisson(random, 2.0), _poisson(random, 2.0))]
    for _ in range(120):
        drive.go(1, separator=hum[0](), cleaning=hum[0](), metres=0.0, levels=UP)
    for _ in range(600):
        drive.go(1, separator=(2 + _poisson(random, 2.0), 2 + _poisson(random, 2.0)), cleaning=(0, 0))
    sums = drive.reckoner.totals.crop(1).points[0]
    grain = sums.pulses - drive.reckoner.points[0].vibration_hz * sums.threshing_s
    assert grain == pytest.approx(4 * 600, rel=0.05)


def _poisson(random: Random, mean: float) -> int:
    count, left = 0, random.expovariate(1.0)
    while left < mean:
        count, left = count + 1, left + random.expovariate(1.0)
    return count


def test_kept_over_a_restart_and_pooled_on():
    first = Drive()
    first.go(50, separator=(2, 2), cleaning=(2, 2), metres=0.0, levels=UP)
    first.go(60)
    again = Drive()
    again.reckoner.restore("learned", first.reckoner.learned(), (T0 + 100) * 1000)
    assert hz(again) == [2.0] * 4
    # Started anew with crop in the machine: what drains until lag + 15 s is not taken for vibration.
    again.go(24, separator=(9, 9), cleaning=(9, 9), levels=UP)
    again.go(40, separator=(4, 4), cleaning=(4, 4), levels=UP)
    again.go(1)
    assert hz(again) == pytest.approx([3.0] * 4, rel=0.02)  # 80 pulses in 40 s and 164 in 41 s


def test_a_record_from_before_the_automatic_estimate_counts_as_an_idle_run():
    first = Drive()
    body = {key: value for key, value in first.reckoner.learned().items() if key not in ("background_from", "quiet")}
    body["vibration"] = {"0": [1.5, 0.1], "1": [0.0, 0.0], "2": [0.0, 0.0], "3": [0.0, 0.0]}
    again = Drive()
    again.reckoner.restore("learned", body, T0 * 1000)
    again.go(60, separator=(2, 2), cleaning=(2, 2), metres=0.0, levels=UP)
    again.go(1)
    assert hz(again)[0] == 1.5


def noisy_stand(mass: float = 2.0) -> Drive:
    """A good calibration, a stand in which the plates count more than in the crop, and the crop again."""
    drive = Drive().tested(mass, mass, mass)
    for seconds, separator, cleaning in ((16, 0, 0), (17, 0, 0), (22, 28, 14)):
        drive.go(seconds, separator=(separator,) * 2, cleaning=(cleaning,) * 2, metres=0.0, levels=UP)
    drive.go(1, separator=(0, 0), cleaning=(0, 0), metres=0.0, levels=DOWN)
    return drive


def test_a_background_as_high_as_the_pulses_of_the_trays_is_told_and_not_used():
    """Drawn by chance: it took a good calibration away, "no grain in any tray", though every tray held grain."""
    drive = noisy_stand()
    assert hz(drive) == [0.0] * 4
    status = drive.figures[-1].calibration
    assert status.state == "good" and status.tests == 3
    assert "62 pulses per second were counted with the machine empty" in status.why and "not taken off" in status.why
    assert drive.reckoner.learned()["doubted_hz"] == pytest.approx(61.6), "the doubt is for the record too"
    # A quieter machine is believed again at once, and what was not believed is in no pool.
    drive.go(40, separator=(9, 9), cleaning=(9, 9), metres=0.0, levels=UP)
    drive.go(45, separator=(1, 1), cleaning=(0, 0), metres=0.0, levels=UP)
    drive.go(1, levels=DOWN)
    drive.go(25, levels=UP)
    drive.go(60, separator=(1, 1), cleaning=(0, 0), metres=0.0, levels=UP)
    drive.go(1, levels=DOWN)
    assert max(hz(drive)) < 9.0 and "not taken off" not in drive.figures[-1].calibration.why


@pytest.mark.parametrize("masses", [(2.0,), (2.0, 2.0), (2.0, 2.0, 2.0)])
def test_a_noisy_stand_before_the_trays_is_taken_back_by_them(masses):
    """The usual morning: the machine runs empty with something loose in it, then the crop, then the trays."""
    drive = Drive()
    drive.go(60, separator=(28, 28), cleaning=(14, 14), metres=0.0, levels=UP)
    drive.go(1, levels=DOWN)
    assert min(hz(drive)) > 10, "nothing speaks against it yet"
    drive.tested(*masses)
    assert hz(drive) == [0.0] * 4
    status = drive.figures[-1].calibration
    assert status.state == ("good" if len(masses) == 3 else "rough") and "not taken off" in status.why
    assert drive.reckoner.calibration.factors.points["separator"].k == pytest.approx(10_000 / 30)


def test_turns_after_a_noisy_stand_teach_what_they_would_without_it():
    found = []
    for noisy in (False, True):
        drive = Drive().tested(10.0, 10.0, 10.0)
        if noisy:
            drive.go(60, separator=(28, 28), cleaning=(14, 14), metres=0.0, levels=UP)
            drive.go(60, levels=DOWN)
        for _ in range(4):
            drive.go(24, separator=(9, 9), cleaning=(9, 9), levels=UP)
            drive.go(10, separator=(4, 4), cleaning=(2, 2), levels=UP)
            drive.go(60, levels=DOWN)
        found.append((hz(drive), drive.reckoner.calibration.factors.points["separator"].k))
    assert found[0] == found[1]


def test_each_point_must_keep_pulses_in_its_trays():
    drive = Drive()
    for _ in range(3):
        drive.go(60, separator=(5, 5), cleaning=(5, 5))
        drive.tray(2.0, at=T0 + drive.number - 10.0)
    drive.go(1, separator=(5, 5), cleaning=(5, 5))
    before = drive.reckoner.calibration.factors.points["separator"].k
    drive.go(70, separator=(6, 6), cleaning=(0, 0), metres=0.0, levels=UP)
    drive.go(1, separator=(5, 5), cleaning=(5, 5), levels=DOWN)
    assert hz(drive) == [0.0] * 4 and drive.reckoner.calibration.factors.points["separator"].k == before


def test_one_nearly_clean_tray_among_others_does_not_forbid_a_true_background():
    drive = Drive().tested(10.0, 10.0, 10.0, 10.0)
    drive.go(60, separator=(4, 4), cleaning=(4, 4))
    drive.tray(0.1, at=T0 + drive.number - 10.0)
    drive.go(1)
    drive.go(70, separator=(4, 4), cleaning=(4, 4), metres=0.0, levels=UP)
    drive.go(1, levels=DOWN)
    assert hz(drive) == [4.0] * 4 and "not taken off" not in drive.figures[-1].calibration.why


def test_settings_and_idle_runs_are_not_doubted():
    kit = KIT.replace("dead_time_us = 0\n", "dead_time_us = 0\nvibration_hz = 9.0\n")
    drive = Drive(kit=kit).tested(2.0, 2.0, 2.0)
    drive.go(70, separator=(28, 28), cleaning=(14, 14), metres=0.0, levels=UP)
    drive.go(1, levels=DOWN)
    assert hz(drive) == [9.0] * 4 and "not taken off" not in drive.figures[-1].calibration.why
    other = noisy_stand()
    other.go(60, separator=(2, 2), cleaning=(2, 2), metres=0.0, levels=UP)
    assert other.tell(entry="idle_run", seconds=10) == {}
    assert hz(other) == [2.0] * 4 and "not taken off" not in other.go(1).calibration.why


def test_the_doubt_goes_on_after_a_restart_and_ends_with_the_crop():
    first = noisy_stand()
    again = Drive().tested(2.0, 2.0, 2.0)
    again.reckoner.restore("learned", first.reckoner.learned(), (T0 + 100) * 1000)
    assert "62 pulses per second" in again.reckoner.calibration.state(T0 + 200.0, again.reckoner.now)[1]
    again.tell(entry="crop", name="barley", tgw_g=45.0)
    assert "pulses per second" not in again.reckoner.calibration.state(T0 + 200.0, again.reckoner.now)[1]


def test_an_idle_run_as_high_as_the_pulses_of_the_trays_is_named_as_what_it_is():
    drive = noisy_stand()
    drive.go(30, separator=(28, 28), cleaning=(14, 14), metres=0.0, levels=UP)
    assert drive.tell(entry="idle_run", seconds=10) == {}
    status = drive.go(1).calibration
    assert status.state == "none" and "no more pulses than the vibration background" in status.why
