"""Value lost: grain at its price, and a buyer's discounts on what is in the tank, by hand and second by second."""

from __future__ import annotations

import hypothesis.strategies as st
import pytest
from hypothesis import given

from edge.engine import jobrecords, messages
from edge.reckon.entered.money import TankSamples, discount_per_t, value
from tests.kits.drive import T0, Drive, driven
from tests.kits.settings import WHEAT

MONEY = {"yield_t_ha": 2.5, "price_per_t": 240, "trash_discount": 3.0, "cracked_discount": 1.5}
PRICED = driven(crop={**WHEAT, **MONEY})


def priced() -> Drive:
    return Drive(kit=PRICED).tested(2.0, 2.0, 2.0)


def test_the_worked_example_of_an_hour_and_a_hectare():
    """7.2 km/h x 10 m is 7.2 ha/h; 2.5 t/ha is 18 t/h in the tank. Trash 2 % at 3 and cracked 1 % at 1.5 a tonne and percent
    take 7.5 off a tonne: 135 an hour, 18.75 a hectare. Loss of 10 kg/ha at 240 a tonne: 17.28 an hour, 2.4 a hectare. So the
    dirty tank costs eight times what is left behind (figures by hand; discount per tonne and percent: common practice).
    """
    drive = priced()
    drive.tell(entry="sample", trash_pct=2.0, cracked_pct=1.0)
    figures = drive.go(90)
    live = messages.live(figures)["value"]
    assert figures.loss.kg_ha == pytest.approx(10.0, rel=0.005)
    assert live["quality_h"] == pytest.approx(135.0)
    assert live["loss_h"] == figures.loss.value_h == pytest.approx(17.28, rel=0.005)
    assert live["total_h"] == pytest.approx(135.0 + figures.loss.value_h)
    assert live["sample_age_s"] == 90
    whole = messages.totals(drive.reckoner, drive.reckoner.totals, drive.reckoner.now.samples.mean())
    assert whole["value"]["quality_ha"] == pytest.approx(18.75)
    assert whole["value"]["loss_ha"] == pytest.approx(whole["loss"]["kg_ha"] * 0.24)
    assert whole["value"]["total_ha"] == pytest.approx(18.75 + whole["value"]["loss_ha"])


def test_the_newest_sample_counts_live_and_the_mean_of_all_for_the_whole():
    drive = priced()
    drive.tell(entry="sample", trash_pct=2.0, cracked_pct=1.0)
    drive.go(30)
    drive.tell(entry="sample", trash_pct=0.5)  # cracked grain not looked at again: it stays 1 %
    live = messages.live(drive.go(1))["value"]
    assert live["quality_h"] == pytest.approx((0.5 * 3 + 1 * 1.5) * 18)
    job = messages.totals(drive.reckoner, drive.reckoner.totals, drive.reckoner.now.samples.mean())["value"]
    assert job["quality_ha"] == pytest.approx((1.25 * 3 + 1 * 1.5) * 2.5)
    minute = messages.totals(drive.reckoner, drive.reckoner.totals)["value"]
    assert minute["quality_ha"] == pytest.approx((0.5 * 3 + 1 * 1.5) * 2.5)


def test_what_was_not_sampled_or_entered_is_unknown_and_never_nothing():
    drive = priced()
    before = messages.live(drive.go(30))["value"]
    assert before["loss_h"] > 0 and before["quality_h"] is before["total_h"] is before["sample_age_s"] is None
    drive.tell(entry="sample", trash_pct=2.0)
    assert messages.live(drive.go(1))["value"]["quality_h"] is None  # cracked grain costs something, nobody knows what
    drive.tell(entry="sample", cracked_pct=0.0)
    assert messages.live(drive.go(1))["value"]["quality_h"] == pytest.approx(2 * 3 * 18)
    idle = messages.live(drive.go(10, metres=0.0))
    assert idle["loss"] is None and idle["value"]["loss_h"] is idle["value"]["quality_h"] is None
    plain = Drive().tested(2.0, 2.0, 2.0)
    plain.tell(entry="sample", trash_pct=2.0, cracked_pct=1.0)
    assert plain.go(30).value.quality is None  # no discount was entered


def test_another_crop_forgets_the_samples_and_mixed_totals_have_no_money():
    drive = priced()
    drive.tell(entry="sample", trash_pct=2.0, cracked_pct=1.0)
    drive.go(30)
    drive.tell(entry="crop", name="barley", tgw_g=45, yield_t_ha=4, price_per_t=180, trash_discount=2, cracked_discount=1)
    fresh = messages.live(drive.go(10))["value"]
    assert fresh["loss_h"] > 0 and fresh["quality_h"] is fresh["total_h"] is fresh["sample_age_s"] is None
    drive.tell(entry="sample", trash_pct=1.0, cracked_pct=1.0)
    drive.go(10)
    both = messages.totals(drive.reckoner, drive.reckoner.totals, drive.reckoner.now.samples.mean())["value"]
    assert set(both.values()) == {None}


def test_samples_of_an_earlier_run_are_taken_up_again():
    drive = priced()
    drive.reckoner.restore("entry", {"entry": "sample", "trash_pct": 2.0, "cracked_pct": 1.0}, (T0 + 100) * 1000)
    assert drive.go(60).value.quality == pytest.approx(135.0)


def test_a_job_s_money_goes_by_its_own_samples():
    drive = priced()
    drive.tell(entry="sample", trash_pct=9.0, cracked_pct=9.0)
    drive.tell(entry="job_start")
    drive.go(20)
    assert drive.reckoner.now.samples.mean(1) == {}  # nobody looked into this tank yet
    drive.tell(entry="sample", trash_pct=2.0, cracked_pct=1.0)
    drive.tell(entry="sample", trash_pct=4.0)
    drive.tell(entry="job_finish")
    drive.tell(entry="sample", trash_pct=0.0, cracked_pct=0.0)
    reckoner = drive.reckoner
    figures = jobrecords.figures(reckoner, 1, reckoner.totals, T0 + drive.number)
    assert figures["value"]["quality_ha"] == pytest.approx((3.0 * 3 + 1.0 * 1.5) * 2.5)
    assert reckoner.now.samples.mean() == {"trash_pct": 3.75, "cracked_pct": pytest.approx(10 / 3)}


percent = st.floats(0, 100)
money = st.floats(0, 1e6)


@given(percent, percent, money, money, st.floats(0, 1000))
def test_the_discount_is_linear_in_each_part(trash, cracked, per_trash, per_cracked, tonnes):
    found = discount_per_t({"trash_pct": trash, "cracked_pct": cracked}, per_trash, per_cracked)
    assert found == pytest.approx(trash * per_trash + cracked * per_cracked)
    assert discount_per_t({"trash_pct": trash}, per_trash, None) == pytest.approx(trash * per_trash)
    assert value(tonnes, tonnes, 10.0, found).total == pytest.approx(tonnes * (10 + found))


def test_a_sample_of_other_kinds_alone_tells_no_percent_that_is_discounted():
    samples = TankSamples()
    samples.add({"unthreshed_pct": 3.0}, 5.0)
    assert (samples.latest, samples.mean(), samples.at_s) == ({}, {}, None)
