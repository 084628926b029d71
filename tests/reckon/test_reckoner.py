"""Second by second: what is published, when it is unknown, and laws that hold however the machine is driven."""

from __future__ import annotations

import os

import hypothesis.strategies as st
import pytest
from hypothesis import given, settings

from edge.contract.settings import parse
from edge.feed.assembler import Part
from edge.reckon.reckoner import Reckoner
from tests.kits.drive import KIT, T0, Drive, clock_step, driven, second

EXAMPLES = int(os.environ.get("TAILGRAIN_EXAMPLES", "100"))


def calibrated(more: str = "", kit: str = KIT, mass: float = 2.0) -> Drive:
    return Drive(more, kit).tested(mass, mass, mass)


def test_the_figures_of_steady_work_by_hand():
    """60 pulses/s over 20 m2/s of 333 mg each: 10 kg/ha; 7.2 km/h x 10 m: 7.2 ha/h, so 72 kg/h."""
    drive = calibrated()
    drive.tell(entry="crop", yield_t_ha=1.99, price_per_t=300.0)
    figures = drive.go(60)
    loss = figures.loss
    assert figures.state == "working"
    assert figures.speed_kmh == pytest.approx(7.2) and figures.area_rate_ha_h == pytest.approx(7.2)
    assert loss.kg_ha == pytest.approx(10.0, rel=0.005)
    assert loss.low < 10 < loss.high
    assert loss.pct == pytest.approx(100 * loss.kg_ha / (1990 + loss.kg_ha))
    assert loss.t_h == pytest.approx(loss.kg_ha * 7.2 / 1000)
    assert loss.value_h == pytest.approx(loss.t_h * 300)
    assert figures.points["separator"].kg_ha == pytest.approx(2 * figures.points["cleaning"].kg_ha, rel=0.01)


def test_without_calibration_only_pulse_rates_are_shown():
    figures = Drive("[limits]\nloss_kg_ha = 5.0\n").go(60)
    loss = figures.loss
    assert [loss.kg_ha, loss.low, loss.high, loss.pct, loss.t_h, loss.value_h, loss.over_limit_p] == [None] * 7
    assert all(point.kg_ha is None for point in figures.points.values())
    assert figures.pulses_per_s == {"separator": 40.0, "cleaning": 20.0}
    assert figures.calibration.state == "none" and figures.calibration.factor_mg_per_pulse == {}


def test_loss_is_given_while_working_and_filling_and_null_otherwise():
    drive = calibrated()
    assert drive.go(1, levels=2).state == "turning" and drive.figures[-1].loss is None
    drive.go(9, levels=2)
    assert drive.go(1).state == "filling" and drive.figures[-1].loss is not None
    assert drive.go(1, metres=0.0).loss is not None or drive.figures[-1].state == "idle"
    drive.go(5, metres=0.0)
    assert drive.figures[-1].state == "idle" and drive.figures[-1].loss is None


def test_over_limit_p_is_null_without_a_limit_and_takes_the_tighter():
    assert calibrated().go(30).loss.over_limit_p is None
    drive = calibrated("[limits]\nloss_kg_ha = 10.0\n")
    even = drive.go(60).loss.over_limit_p
    assert even == pytest.approx(0.5, abs=0.1)
    drive.tell(entry="limit", loss_pct=0.1)
    assert drive.go(1).loss.over_limit_p == pytest.approx(even, abs=0.05)  # no yield: the percent can't be used
    drive.tell(entry="crop", yield_t_ha=2.0)
    assert drive.go(1).loss.over_limit_p > 0.95  # 0.1 % of 2 t/ha are 2 kg/ha
    drive.tell(entry="limit", loss_pct=None)
    assert drive.go(1).loss.over_limit_p == pytest.approx(even, abs=0.05)


def test_over_twice_the_limit_is_over_a_limit_twice_as_high():
    """Its own probability: with the mean exactly on twice the limit it is one half, however far over the limit the mean is."""
    ps = {}
    for limit in (20.0, 40.0):
        drive = Drive(f"[limits]\nloss_kg_ha = {limit}\n").tested(2.0, 2.1, 1.9)
        ps[limit] = drive.go(30).loss
    assert ps[20.0].over_twice_limit_p == ps[40.0].over_limit_p
    assert ps[20.0].over_twice_limit_p < ps[20.0].over_limit_p
    half = Drive(f"[limits]\nloss_kg_ha = {ps[20.0].kg_ha / 2}\n").tested(2.0, 2.1, 1.9).go(30).loss
    assert half.over_twice_limit_p == pytest.approx(0.5, abs=1e-9) and half.over_limit_p > 0.99
    assert Drive().tested(2.0).go(30).loss.over_twice_limit_p is None


def test_no_data_leaves_speed_shafts_and_loss_unknown_and_work_goes_on_after_it():
    drive = calibrated()
    last_ms = (T0 + drive.number) * 1000
    for number in range(drive.number + 1, drive.number + 6):
        figures = drive.reckoner.step(second(number, [], parts=[], data=0, last_data_ms=last_ms))
    assert figures.state == "no data" and figures.loss is None
    assert figures.speed_kmh is None and figures.area_rate_ha_h is None and figures.shafts == {"fan": None}
    assert figures.returns_pct is None and figures.distance_m == 0 and figures.pulses_per_s["separator"] is None
    drive.number += 5
    assert drive.go(2).state == "working"
    assert drive.go(60).loss.kg_ha == pytest.approx(10.0, rel=0.01)


def test_a_gap_s_lump_counts_over_its_own_time():
    """Five seconds' counts in one second with five seconds' exposure: the same loss, the same speed, all the distance."""
    drive = calibrated()
    before = drive.reckoner.totals.distance_m
    for _ in range(4):
        drive.number += 1
        drive.reckoner.step(second(drive.number, [], parts=[], data=0, last_data_ms=(T0 + drive.number - 1) * 1000))
    figures = drive.go(1, (100, 100), (50, 50), metres=10.0, beam=2500, fan=140, ms=5000)
    assert figures.speed_kmh == pytest.approx(7.2) and figures.shafts["fan"] == pytest.approx(840)
    assert figures.pulses_per_s["separator"] == pytest.approx(40)
    assert drive.reckoner.totals.distance_m - before == pytest.approx(10)
    assert drive.go(20).loss.kg_ha == pytest.approx(10.0, rel=0.02)


def test_a_clock_step_changes_no_figure_and_forgets_tray_times():
    drive, plain = calibrated(), calibrated()
    counts = [20, 20, 10, 10, 500, 20, 28]
    for number in range(drive.number + 1, drive.number + 30):
        events = [clock_step(number)] if number == drive.number + 1 else []
        stepped = drive.reckoner.step(second(number + 50_000, counts, events=events))
        figures = plain.reckoner.step(second(number, counts))
    assert stepped.loss.kg_ha == figures.loss.kg_ha and stepped.state == figures.state
    drive.number += 50_100
    drive.tray(2.0, at=T0 + 150.0)
    drive.go(1)
    assert not drive.reckoner.calibration.tests[-1].used


def test_what_is_published_is_never_changed_by_what_comes_later():
    one, other = calibrated(), calibrated()
    one.go(30)
    other.go(30)
    published = [*one.figures]
    one.tested(8.0)
    one.go(20, separator=(90, 90))
    other.go(50, levels=2)
    assert one.figures[: len(published)] == published == other.figures[: len(published)]


def test_both_levels_unwired_judges_work_from_speed_and_pulses():
    drive = Drive(kit=driven(levels=()))
    assert drive.go(10, (0, 0), (0, 0)).state == "idle"  # driving, nothing to count
    assert drive.go(40).state == "working" and "work judged from pulses" in drive.figures[-1].flag_words
    assert drive.go(10, (0, 0), (0, 0)).state == "turning"
    assert drive.go(10, metres=0.0).state == "idle"
    assert drive.reckoner.totals.area_m2 == pytest.approx(40 * 20, rel=0.2)


def test_a_second_whose_parts_count_different_numbers_of_inputs_raises_nothing():
    """A hello may announce another number of inputs within a second."""
    parts = [Part(3, 100, 500, [1, 1]), Part(1, 100, 500, [2, 2, 2])]
    Reckoner(parse(KIT)).step(second(1, [], parts=parts))


def test_fewer_inputs_than_the_settings_name_raises_nothing():
    reckoner = Reckoner(parse(KIT))
    for number in range(1, 40):
        figures = reckoner.step(second(number, [3]))
    assert figures.speed_kmh == 0 and figures.pulses_per_s["separator"] == 3


# ---------------------------------------------------------------- laws

SPEEDS, LEVELS = st.sampled_from([0.0, 1.0, 2.0, 3.0]), st.sampled_from([3, 3, 3, 2, 1])
COURSE = st.lists(st.tuples(st.integers(1, 25), st.integers(0, 60), st.integers(0, 60), SPEEDS, LEVELS), min_size=1, max_size=8)


def drive_through(drive: Drive, course, scale: float = 1.0) -> Drive:
    for seconds, separator, cleaning, metres, levels in course:
        drive.go(seconds, (separator, separator), (cleaning, cleaning), metres=metres * scale, levels=levels)
    return drive


def losses(drive: Drive) -> list[float | None]:
    return [None if one.loss is None else one.loss.kg_ha for one in drive.figures]


def compare(one: Drive, other: Drive, times: float) -> None:
    """Every second's loss, and the mean's, is `times` the other's."""
    for a, b in zip(losses(one), losses(other), strict=True):
        assert (a is None) == (b is None)
        assert a is None or b == pytest.approx(times * a, rel=1e-6, abs=1e-9)
    a, b = (drive.reckoner.mean_loss(drive.reckoner.totals).kg_ha for drive in (one, other))
    assert (a is None) == (b is None) and (a is None or b == pytest.approx(times * a, rel=1e-6))


@given(COURSE)
@settings(max_examples=EXAMPLES // 5)
def test_twice_the_grain_on_every_tray_is_twice_the_loss(course):
    one, other = (drive_through(calibrated(mass=mass), course) for mass in (2.0, 4.0))
    for name in ("separator", "cleaning"):
        a, b = (drive.figures[-1].calibration.factor_mg_per_pulse[name] for drive in (one, other))
        assert b == pytest.approx(2 * a)
    compare(one, other, 2.0)


@given(COURSE)
@settings(max_examples=EXAMPLES // 5)
def test_twice_the_cut_width_is_half_the_loss_per_hectare(course):
    wide = calibrated(kit=driven(cut_width_m=20.0))
    compare(drive_through(calibrated(), course), drive_through(wide, course), 0.5)


@given(COURSE)
@settings(max_examples=EXAMPLES // 5)
def test_intervals_hold_their_figure_and_totals_are_sums(course):
    drive = drive_through(calibrated("[limits]\nloss_kg_ha = 12.0\n"), course)
    for figures in drive.figures:
        if figures.loss is None or figures.loss.kg_ha is None:
            continue
        loss = figures.loss
        assert 0 <= loss.low <= loss.kg_ha <= loss.high
        assert 0 <= loss.over_limit_p <= 1
        assert loss.kg_ha == pytest.approx(sum(point.kg_ha for point in figures.points.values()))
    totals = drive.reckoner.totals
    assert sum(totals.seconds.values()) == len(drive.figures)
    assert totals.distance_m == pytest.approx(sum(figures.distance_m for figures in drive.figures))
    assert totals.area_m2 == pytest.approx(sum(figures.area_m2 for figures in drive.figures))
    assert totals.distance_m == pytest.approx(181 * 2 + sum(seconds * metres for seconds, _, _, metres, _ in course))


@given(COURSE, st.integers(2, 5))
@settings(max_examples=EXAMPLES // 10)
def test_more_pulses_in_the_same_drive_are_never_less_loss(course, times):
    one = drive_through(calibrated(), course)
    richer = [(seconds, times * s, times * c, metres, levels) for seconds, s, c, metres, levels in course]
    more = drive_through(calibrated(), richer)
    a, b = (drive.reckoner.mean_loss(drive.reckoner.totals).kg_ha for drive in (one, more))
    assert a is not None and b is not None and b >= a * (1 - 1e-9)
