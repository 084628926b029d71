"""Tray tests and the calibration's state: section 4 of the contract, sentence by sentence."""

from __future__ import annotations

import pytest

from edge.reckon.fit.calibration import WindowSecond, window
from tests.kits.drive import ROTOR, T0, Drive, driven


def judged(drive: Drive) -> list[tuple[bool, str]]:
    return [(test.used, test.why) for test in drive.reckoner.calibration.tests]


def state(drive: Drive, after_s: float = 0.0) -> tuple[str, str]:
    found = drive.reckoner.calibration_figure(T0 + drive.number + after_s)
    return found.state, found.why


def row(t: int, pulses: float = 1.0) -> WindowSecond:
    return WindowSecond(T0 + t, True, 7.0, 2.0, 1.0, (pulses,), (pulses,), False)


@pytest.mark.parametrize(("at", "ends"), [(100.0, (96, 105)), (100.4, (96, 105)), (99.999, (95, 104)), (100.001, (96, 105))])
def test_the_window_is_the_closed_seconds_left_open_right_closed(at, ends):
    """(at - 5 s, at + 5 s]: a second that ends exactly 5 s before is out, one that ends 5 s after is in."""
    seen = window([row(t, float(t)) for t in range(200)], T0 + at)
    assert seen.seconds == ends[1] - ends[0] + 1
    assert seen.pulses == (sum(range(ends[0], ends[1] + 1)),)


def test_grain_per_metre_over_pulses_per_metre_in_the_same_window():
    """2 g on 1 m2 across 5 m of residue: 10 g a metre travelled; 60 pulses a second at 2 m/s: 30 a metre."""
    drive = Drive().tested(2.0)
    assert judged(drive) == [(True, "")]
    assert drive.figures[-1].calibration.factor_mg_per_pulse == {
        "separator": pytest.approx(10_000 / 30), "cleaning": pytest.approx(10_000 / 30),
    }  # fmt: skip


def test_the_factor_looks_at_the_tray_s_seconds_and_not_a_lag_before():
    drive = Drive()
    drive.go(60)
    drive.go(30, separator=(50, 50))
    drive.tray(2.0, at=T0 + 80.0)
    drive.go(1)
    assert drive.figures[-1].calibration.factor_mg_per_pulse["separator"] == pytest.approx(10_000 / 60)


def test_a_test_takes_effect_at_the_later_of_its_line_and_5_s_after_its_time():
    for at, effect in ((60.0, 65), (58.0, 63), (40.0, 61)):
        drive = Drive()
        drive.go(60)
        drive.tray(2.0, at=T0 + at)
        drive.go(10)
        states = [figures.calibration.state for figures in drive.figures]
        assert states.index("rough") + 1 == effect, at


def test_a_mark_s_time_counts_however_late_the_catch_is_entered():
    drive = Drive()
    drive.go(60)
    drive.tell(entry="tray_mark")
    drive.go(30)
    drive.go(60, separator=(90, 90))
    drive.tray(2.0, mark=1)
    drive.go(1)
    test = drive.reckoner.calibration.tests[0]
    assert test.used and test.at_s == T0 + 60
    assert test.seen.pulses == (pytest.approx(400), pytest.approx(200))


@pytest.mark.parametrize(("working", "used"), [(8, True), (7, False)])
def test_at_least_8_s_of_work(working, used):
    """A window of ten seconds whose first ones still fill: 20 s after the front went down work begins."""
    drive = Drive()
    drive.go(5, levels=2)
    # Front seen down 100 ms into second 6, so filling until second 26 and work from second 27 on.
    drive.go(60)
    first = next(figures.t for figures in drive.figures if figures.state == "working")
    drive.tray(2.0, at=float(first + working - 1 - 5))
    drive.go(1)
    assert judged(drive)[0][0] is used
    if not used:
        assert "only 7 of the 10 seconds" in judged(drive)[0][1]


@pytest.mark.parametrize(("fast", "used"), [(2.2, True), (4.0, False)])
def test_speed_within_15_percent_of_its_mean(fast, used):
    drive = Drive()
    drive.go(60, metres=2.0)
    drive.go(10, metres=fast)
    drive.tray(2.0, at=T0 + 60.0)
    drive.go(1)
    assert judged(drive)[0][0] is used
    assert used or "speed" in judged(drive)[0][1]


@pytest.mark.parametrize(("before_s", "used"), [(31, True), (30, False), (0, False), (-4, False), (-6, True)])
def test_no_setting_changed_since_a_lag_and_20_s_before(before_s, used):
    """Lag 10 s: a change in the 30 s before the tray or within its window spoils it."""
    drive = Drive()
    drive.go(100)
    drive.tell(entry="setting", what="fan_rpm", to=820, at=T0 + 80.0 - before_s, **{"from": 860})
    drive.tray(2.0, at=T0 + 80.0)
    drive.go(1)
    assert judged(drive)[0][0] is used
    assert used or "fan_rpm" in judged(drive)[0][1]


def test_a_new_lag_voids_no_test():
    drive = Drive()
    drive.go(100)
    drive.tell(entry="setting", what="lag_s", to=12, at=T0 + 79.0)
    drive.tray(2.0, at=T0 + 80.0)
    drive.go(1)
    assert judged(drive) == [(True, "")]


def test_pulse_steadiness_is_not_asked():
    drive = Drive()
    for _ in range(30):
        drive.go(1, separator=(0, 0))
        drive.go(1, separator=(200, 200))
    drive.tray(2.0, at=T0 + 50.0)
    drive.go(1)
    assert judged(drive) == [(True, "")]


def test_an_engaged_mill_refuses_the_tray_as_calibration():
    drive = Drive().tested(2.0, mill="engaged")
    assert "mill" in judged(drive)[0][1] and state(drive)[0] == "none"


def test_a_tray_outside_the_record_and_a_standing_machine_say_so():
    drive = Drive()
    drive.go(60)
    drive.tray(2.0, at=T0 - 1000.0)
    drive.go(1)
    assert "no seconds" in judged(drive)[0][1]
    standing = Drive()
    standing.go(60, metres=0.0)
    standing.tray(2.0, at=T0 + 40.0)
    standing.go(1)
    assert not standing.reckoner.calibration.tests[0].used


def test_none_rough_good():
    drive = Drive()
    drive.go(30)
    assert state(drive) == ("none", "no tray test yet")
    assert drive.tested(2.0) and state(drive)[0] == "rough"
    assert drive.tested(2.1) and state(drive)[0] == "rough"
    assert drive.tested(1.9) and state(drive)[0] == "good"
    assert drive.figures[-1].calibration.tests == 3


def test_three_tests_that_differ_much_stay_rough():
    drive = Drive().tested(0.5, 3.0, 6.0)
    assert state(drive)[0] == "rough" and "a good calibration asks for at most 35 % either way" in state(drive)[1]


def test_no_grain_in_any_tray_is_none_with_the_reason():
    drive = Drive().tested(0.0, 0.0, 0.0)
    assert state(drive) == ("none", "no grain in any tray")
    assert drive.go(30).loss.kg_ha is None


def test_unused_tests_make_no_calibration():
    drive = Drive().tested(2.0, 2.0, 2.0, mill="engaged")
    assert state(drive)[0] == "none" and drive.figures[-1].calibration.tests == 0


def good(more: str = "") -> Drive:
    return Drive(more).tested(2.0, 2.1, 1.9)


def test_stale_after_a_crop_change_and_not_after_the_same_name():
    drive = good()
    drive.tell(entry="crop", name="wheat", moisture_pct=12)
    assert state(drive)[0] == "good"
    drive.tell(entry="crop", name="barley")
    drive.go(1)
    assert state(drive)[0] == "stale" and "crop" in state(drive)[1]
    assert "calibration stale" in drive.figures[-1].flag_words


def test_stale_after_7_days():
    drive = good()
    last = drive.reckoner.calibration.last_used
    assert last is not None
    left = last.at_s + 7 * 86_400 - (T0 + drive.number)
    assert state(drive, left)[0] == "good"
    assert state(drive, left + 1)[0] == "stale"


@pytest.mark.parametrize(
    ("what", "was", "to", "found"),
    [
        ("top_sieve_mm", 14, 17, "stale"), ("bottom_sieve_mm", 9, 6, "stale"), ("pre_sieve_mm", 10, 12.9, "good"),
        ("top_sieve_mm", 14, 16.9, "good"), ("fan_rpm", 800, 921, "stale"), ("fan_rpm", 800, 919, "good"),
        ("rotor_rpm", 1000, 850, "stale"), ("rotor_rpm", 1000, 851, "good"), ("concave_mm", 10, 30, "good"),
        ("speed_kmh", 5, 9, "good"), ("lag_s", 10, 20, "good"),
    ],
)  # fmt: skip
def test_stale_after_3_mm_on_a_sieve_or_15_percent_on_fan_or_rotor(what, was, to, found):
    drive = good()
    drive.go(5)
    drive.tell(**{"entry": "setting", "what": what, "from": was, "to": to})
    assert state(drive)[0] == found


def test_exactly_15_percent_is_15_percent():
    drive = good()
    drive.tell(**{"entry": "setting", "what": "fan_rpm", "from": 800, "to": 920})
    assert state(drive)[0] == "stale"


def test_small_steps_add_up_and_a_step_back_takes_them_off():
    drive = good()
    for was, to, found in ((14, 16, "good"), (16, 18, "stale"), (18, 15, "good")):
        drive.go(5)
        drive.tell(**{"entry": "setting", "what": "top_sieve_mm", "from": was, "to": to})
        assert state(drive)[0] == found


def test_a_new_test_after_the_change_makes_it_good_again():
    drive = good()
    drive.tell(**{"entry": "setting", "what": "fan_rpm", "from": 800, "to": 1000})
    assert state(drive)[0] == "stale"
    drive.tested(2.0)
    assert state(drive)[0] == "good"


def test_a_side_that_was_silent_in_the_window_widens_the_factor():
    sure, unsure = Drive().tested(2.0), Drive()
    unsure.go(25)
    unsure.go(40, separator=(0, 40))
    unsure.tray(2.0, at=T0 + 55.0)
    unsure.go(1)
    one, other = (drive.reckoner.calibration.factors.points["cleaning"] for drive in (sure, unsure))
    assert other.u > (one.u**2 + 0.25**2) ** 0.5


def test_trays_of_each_point_give_each_its_factor():
    drive = Drive()
    for catches, mass in (("separator", 2.0), ("cleaning", 1.0)) * 4:
        drive.tested(mass, catches=catches)
    factors = drive.figures[-1].calibration.factor_mg_per_pulse
    assert factors == {"separator": pytest.approx(500.0), "cleaning": pytest.approx(500.0)}
    assert "split assumed" not in drive.figures[-1].flag_words
    assert state(drive)[0] == "good"


def test_a_point_without_a_factor_leaves_the_total_unknown():
    drive = Drive().tested(2.0, 2.0, 2.0, catches="separator")
    figures = drive.go(30)
    assert figures.loss.kg_ha is None and figures.points["separator"].kg_ha == pytest.approx(10.0, rel=0.02)
    assert figures.points["cleaning"].kg_ha is None and "no factor cleaning" in figures.flag_words


def test_counted_trays_go_through_the_tgw_and_carry_an_extra_term():
    counted, weighed = Drive(), Drive().tested(2.0, 2.0, 2.0)
    for _ in range(3):
        counted.go(60)
        counted.tray(grains=50, at=T0 + counted.number - 10.0)  # 50 grains of 40 mg: 2 g
    counted.go(1)
    k = [drive.figures[-1].calibration.factor_mg_per_pulse["cleaning"] for drive in (counted, weighed)]
    assert k[0] == pytest.approx(k[1])
    terms = []
    for drive in (counted, weighed):
        drive.go(60)
        budget = drive.reckoner.mean_loss(drive.reckoner.totals).budget
        terms.append({term.name for term in budget.terms})
    assert terms[0] - terms[1] == {"weight of lost grain, mill"} and not terms[1] - terms[0]


def test_a_catch_of_next_to_nothing_ends_in_words_and_not_in_an_exception():
    drive = Drive()
    for mass in (1e-300, 0.0, 1e-200):
        drive.tested(mass)


def test_vibration_is_taken_off_the_window():
    """An idle run of 2 pulses/s a side leaves 60 - 8 of 60 pulses a second for the grain."""
    drive = Drive()
    drive.go(60, separator=(2, 2), cleaning=(2, 2), metres=0.0)
    assert drive.tell(entry="idle_run", seconds=40) == {}
    drive.tested(2.0)
    assert drive.figures[-1].calibration.factor_mg_per_pulse["separator"] == pytest.approx(10_000 / 26)


def test_a_machine_without_a_speed_can_not_calibrate():
    drive = Drive(kit=driven(ROTOR))
    drive.go(60)
    drive.tray(2.0, at=T0 + 40.0)
    drive.go(1)
    assert judged(drive)[0][0] is False
