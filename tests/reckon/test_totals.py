"""Sums of a job and their mean loss: worked out by hand from whole drives."""

from __future__ import annotations

import json

import pytest

from edge.contract import settings
from edge.engine import jobrecords
from edge.engine.engine import Engine, Nowhere
from edge.playback.replay import summary
from edge.reckon.fit.traytests import test_record as record_of
from edge.reckon.totals import MeanLoss
from tests.kits.drive import ROTOR, T0, Drive, driven
from tests.kits.wire import START_MS, count_line, nmea_line

K = 10_000 / 30  # mg per pulse: 2 g/m2 across 5 m at 30 pulses a metre


def mean(drive: Drive, *names: str) -> MeanLoss:
    return drive.reckoner.mean_loss(drive.reckoner.totals, names or None)


def test_area_is_distance_with_the_front_down_times_width_times_part_used():
    drive = Drive()
    drive.go(10, levels=2, metres=3.0)  # headland: distance, no area
    drive.go(30, metres=2.0)  # filling counts
    drive.tell(entry="width_used", part=0.25)
    drive.go(40, metres=2.0)
    totals = drive.reckoner.totals
    assert totals.distance_m == pytest.approx(30 + 60 + 80)
    assert totals.area_m2 == pytest.approx(60 * 10 + 80 * 2.5)
    assert totals.seconds == {"working": 50, "filling": 20, "turning": 0, "idle": 10, "no data": 0}


def test_mean_loss_is_all_grain_over_the_area_cut_up_to_the_lag_before_the_end():
    drive = Drive().tested(2.0)
    pulses = drive.number * 60
    area = (drive.number - 10) * 20.0
    assert mean(drive).kg_ha == pytest.approx(pulses / area * K / 100)


def test_grain_of_the_headland_drain_counts_and_pulses_before_the_first_cut_do_not():
    drive = Drive()
    drive.go(30, levels=0)  # pulses on the way in: no cut yet
    drive.tested(2.0)
    cut = drive.number - 30
    drive.go(15, levels=2)  # drains
    drive.go(15, (0, 0), (0, 0), levels=2)
    assert mean(drive).kg_ha == pytest.approx((cut + 15) * 60 / (cut * 20.0) * K / 100)


def test_the_latest_factor_applies_to_the_whole_job_and_live_never_looks_back():
    drive = Drive()
    before = drive.go(60)
    assert before.loss.kg_ha is None
    drive.tested(2.0)
    first = drive.figures[-1].loss.kg_ha
    assert mean(drive).kg_ha == pytest.approx(10.0, rel=0.15)
    drive.tested(4.0)
    assert drive.figures[60].loss.kg_ha is None and drive.figures[-3].loss.kg_ha == pytest.approx(first, rel=0.01)
    assert mean(drive).kg_ha == pytest.approx(15.0, rel=0.1)


def test_each_crop_keeps_its_own_factor():
    drive = Drive().tested(2.0, 2.0, 2.0)
    first = drive.number
    drive.tell(entry="crop", name="barley", tgw_g=40)
    drive.tested(6.0, 6.0, 6.0)
    second = drive.number - first
    grain = first * 60 * K + second * 60 * 3 * K
    assert mean(drive).kg_ha == pytest.approx(grain / ((drive.number - 10) * 20.0) / 100, rel=0.01)


def test_unknown_without_a_factor_and_without_area():
    drive = Drive()
    drive.go(60)
    assert mean(drive) == MeanLoss()
    assert mean(Drive()) == MeanLoss()


def test_points_add_up_to_the_whole():
    drive = Drive()
    for catches, mass in (("separator", 2.0), ("cleaning", 1.0)) * 3:
        drive.tested(mass, catches=catches)
    parts = [mean(drive, name).kg_ha for name in ("separator", "cleaning")]
    assert sum(parts) == pytest.approx(mean(drive).kg_ha)
    assert parts[0] == pytest.approx(2 * parts[1])


def test_a_longer_job_is_surer_of_counting_and_never_of_the_factor():
    drive = Drive().tested(2.0, 2.1, 1.9)
    widths, factor = [], drive.reckoner.calibration.factors.points["cleaning"].u
    for seconds in (60, 600, 1800):
        drive.go(seconds)
        found = mean(drive)
        assert found.low < found.kg_ha < found.high
        widths.append(found.high / found.low)
        assert found.budget.u > factor
    assert widths[0] >= widths[1] >= widths[2]


def test_the_share_of_saturated_seconds_makes_the_upper_end_unknown():
    """Measurement 1.2: unknown when more than 10 % of the job's working seconds were saturated."""
    for hot, known in ((25, True), (45, False)):
        drive = Drive(kit=driven(dead_time_us=1000))
        drive.tested(2.0)
        drive.go(300 - drive.number + 20)
        drive.go(hot, separator=(310, 20))
        share = drive.reckoner.totals.saturated_s / drive.reckoner.totals.seconds["working"]
        assert (share <= 0.1) is known
        assert (mean(drive).high is not None) is known


def test_percent_needs_a_yield():
    drive = Drive().tested(2.0)
    assert mean(drive).pct is None
    drive.tell(entry="crop", yield_t_ha=2.0)
    found = mean(drive)
    assert found.pct == pytest.approx(100 * found.kg_ha / (2000 + found.kg_ha))


def test_loads_update_the_yield():
    drive = Drive().tested(2.0)
    drive.tell(entry="crop", yield_t_ha=2.0)
    assert "pct from typed yield" in drive.go(1).flag_words
    drive.go(1000 - drive.number)
    drive.tell(entry="load", t=6.0)  # 6 t over 1000 s x 20 m2 = 2 ha: 3 t/ha
    assert drive.reckoner.now.yield_t_ha == pytest.approx(3.0)
    assert "pct from typed yield" not in drive.go(1).flag_words
    drive.tell(entry="load", volume_m3=4.0, bulk_kg_m3=750.0)
    assert drive.reckoner.now.yield_t_ha == pytest.approx(9.0 / (drive.number * 20 / 10_000))


def test_minutes_add_up_to_the_job():
    drive = Drive()
    minutes = []
    for _ in range(4):
        drive.tested(2.0)
        minutes.append(drive.reckoner.take_minute())
    whole = drive.reckoner.totals
    assert sum(one.distance_m for one in minutes) == pytest.approx(whole.distance_m)
    assert sum(one.area_m2 for one in minutes) == pytest.approx(whole.area_m2)
    assert sum(sum(one.seconds.values()) for one in minutes) == drive.number == sum(whole.seconds.values())
    pulses = sum(point.pulses for one in minutes for crop in one.crops.values() for point in crop.points)
    assert pulses == pytest.approx(drive.number * 60)


def test_distance_by_the_receiver_counts_the_open_second_too():
    """Contract 7: `pulses`, `distance_m` and `lines` count every accepted sentence, the still open second included."""
    engine = Engine(settings.parse(driven(ROTOR)), Nowhere(), Nowhere())
    for tick in range(55):
        stamp_ms = START_MS + 100 + 100 * tick
        if tick % 10 == 0:
            engine.take_line(stamp_ms, nmea_line("GPVTG,108.53,T,,M,19.4,N,36.0,K,A"))
        engine.take_line(stamp_ms, count_line(tick, 1000 + 100 * tick, *[0] * 7))
    engine.finish()
    assert summary(engine)["distance_m"] == pytest.approx(54.0)  # 10 m/s for 5.4 s of board time


NOTHING = (0, 0)


def blind_job(silent_s: int, separator: tuple[int, int], cleaning: tuple[int, int]) -> tuple[Drive, MeanLoss]:
    drive = Drive().tested(2.0, 2.0, 2.0)
    before = mean(drive)
    drive.go(silent_s, separator=separator, cleaning=cleaning)
    return drive, before


@pytest.mark.parametrize("hours_s", [120, 1200])
def test_ground_seen_by_no_sensor_is_left_out_and_not_counted_as_no_loss(hours_s):
    """All four sensors fall silent at work: the live figure is unknown, and the mean is that of the ground seen before."""
    drive, before = blind_job(hours_s, NOTHING, NOTHING)
    assert drive.figures[-1].loss.kg_ha is None
    assert mean(drive).kg_ha == pytest.approx(before.kg_ha, rel=0.002)
    assert drive.reckoner.totals.area_m2 == pytest.approx(drive.number * 20.0)  # it was cut all the same
    assert before.seen_share == 1.0
    assert mean(drive).seen_share == pytest.approx((drive.number - hours_s) / drive.number, abs=0.05)
    drive.go(180)
    assert mean(drive).kg_ha == pytest.approx(before.kg_ha, rel=0.04)  # 10 s of lag at the edge of the silence


def test_one_blind_point_keeps_the_mean_of_the_other_whole():
    drive, before = blind_job(600, (20, 20), NOTHING)
    separator, cleaning = (mean(drive, name).kg_ha for name in ("separator", "cleaning"))
    assert cleaning == pytest.approx(before.kg_ha / 3, rel=0.01)
    assert separator == pytest.approx(drive.number * 40 / ((drive.number - 10) * 20.0) * K / 100)
    assert mean(drive).kg_ha == pytest.approx(separator + cleaning)


def test_before_it_is_known_to_be_blind_a_silence_counts_as_no_loss_and_is_taken_back_then():
    drive, before = blind_job(15, NOTHING, NOTHING)
    assert mean(drive).kg_ha < 0.95 * before.kg_ha
    drive.go(30, separator=NOTHING, cleaning=NOTHING)
    assert mean(drive).kg_ha == pytest.approx(before.kg_ha, rel=0.002)


def test_a_quiet_stretch_that_few_pulses_explain_counts_as_ground_without_loss():
    drive = Drive()
    drive.go(400, separator=(1, 0), cleaning=(1, 0))
    drive.go(50, separator=NOTHING, cleaning=NOTHING)
    assert not any(point.blind for point in drive.reckoner.points)
    drive.go(1, separator=(1, 0), cleaning=(1, 0))
    sums = drive.reckoner.totals.crop(1)
    assert [sums.seen_m2(i) for i in (0, 1)] == [sums.lagged_m2] * 2


def test_a_minute_of_which_nothing_was_seen_is_unknown():
    drive, _ = blind_job(60, NOTHING, NOTHING)
    drive.reckoner.take_minute()
    drive.go(60, separator=NOTHING, cleaning=NOTHING)
    minute = drive.reckoner.take_minute()
    assert drive.reckoner.mean_loss(minute) == MeanLoss()
    assert minute.area_m2 == pytest.approx(1200)


def test_dead_from_the_start_of_a_run_is_blind_by_what_earlier_tests_saw():
    first = Drive().tested(2.0, 2.0, 2.0)
    again = Drive()
    for test in first.reckoner.calibration.tests:
        again.reckoner.restore("calibration", record_of(test), T0 * 1000)
    again.go(60, separator=NOTHING, cleaning=NOTHING)
    assert again.figures[-1].flag_words.count("blind separator") == 1
    assert again.figures[-1].loss.kg_ha is None and mean(again) == MeanLoss()


def test_crops_that_go_by_one_factor_share_its_error_in_full():
    """A second crop without a test of its own goes by the first one's factor: two halves, no surer than one."""
    drive = Drive().tested(2.0, 2.2, 1.8)
    alone = {term.name: term.u for term in mean(drive).budget.terms}
    drive.tell(entry="crop", name="barley", tgw_g=40)
    drive.go(drive.number)
    both = {term.name: term.u for term in mean(drive).budget.terms}
    assert both["factor (tray tests)"] == pytest.approx(alone["factor (tray tests)"])
    drive.tested(2.0, 2.2, 1.8)
    apart = {term.name: term.u for term in mean(drive).budget.terms}
    assert apart["factor (tray tests)"] < 0.8 * alone["factor (tray tests)"]


def test_sums_on_record_give_the_same_mean_as_the_run_itself():
    """Minutes kept on disk, ground that a point did not see and factors shared by two crops with them."""
    drive, _ = blind_job(200, (20, 20), NOTHING)
    drive.tell(entry="crop", name="barley", tgw_g=40)
    drive.go(100)
    reckoner = drive.reckoner
    whole, found = reckoner.totals, mean(drive)
    body = {
        "seconds": whole.seconds, "distance_m": whole.distance_m, "area_ha": whole.area_m2 / 10_000,
        "sums": jobrecords.sums(whole, reckoner.dispersion),
    }  # fmt: skip
    kept = jobrecords.total(reckoner.names, [json.loads(json.dumps(body))])
    plain = json.loads(json.dumps(jobrecords.opening(reckoner, T0)["calibration"], default=str).replace("Infinity", "null"))
    vibration = [point.vibration_hz for point in reckoner.points], [point.vibration_u_hz for point in reckoner.points]
    dispersion = [reckoner.dispersion[name] for name in reckoner.names]
    fits = jobrecords.factors(plain)
    again = kept.mean_loss({1: fits[1], 2: fits[2]}, *vibration, dispersion, reckoner.calibration.extra_u("none"))
    assert again.kg_ha == pytest.approx(found.kg_ha, rel=1e-9) and again.high == pytest.approx(found.high, rel=1e-9)
