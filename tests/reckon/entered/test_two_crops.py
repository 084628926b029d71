"""Tray tests and factors where one crop follows another: each by the tray's own time."""

from __future__ import annotations

import pytest

from edge.contract.errors import EntryError
from tests.kits.drive import T0, Drive, clock_step, driven, second


def two_crops(drive: Drive, *first: float) -> int:
    """Work in wheat with a mark at its end, then barley without a test; returns the mark's number."""
    drive.tested(*first)
    drive.go(60)
    mark = drive.tell(entry="tray_mark")["mark"]
    drive.go(20)
    drive.tell(entry="residue", residue_width_m=8.0)
    drive.tell(entry="crop", name="barley", tgw_g=50.0)
    return mark


def test_a_tray_marked_in_one_crop_and_entered_in_the_next_belongs_to_its_own():
    drive = Drive()
    drive.tell(entry="residue", residue_width_m=5.0)
    mark = two_crops(drive, 2.0, 2.0)
    drive.go(60)
    drive.tell(entry="tray", trays=[{"grains": 50, "length_m": 1.0, "width_m": 1.0}], mark=mark)
    drive.go(1)
    test = drive.reckoner.calibration.tests[-1]
    assert (test.used, test.crop) == (True, 1)
    assert test.result.machine_g_m == pytest.approx(50 * 0.040 * 5.0)  # wheat's TGW, and the residue as wide as it was then
    assert drive.reckoner.calibration.used() == 3 and drive.figures[-1].calibration.state == "stale"


def test_so_does_a_bare_time_before_the_crop_changed():
    drive = Drive()
    two_crops(drive, 2.0, 2.0)
    drive.go(30)
    drive.tray(2.0, at=T0 + drive.number - 50)
    drive.tray(2.0, at=T0 + drive.number - 15)
    drive.go(1)
    assert [test.crop for test in drive.reckoner.calibration.tests] == [1, 1, 1, 2]


def test_a_late_test_of_an_older_crop_stays_that_crop_s_and_never_comes_into_force():
    drive = Drive()
    mark = two_crops(drive, 2.0, 2.0)
    drive.tested(6.0, 6.0, 6.0)
    inforce = drive.reckoner.calibration.factors
    drive.tray(5.0, mark=mark)
    drive.go(1)
    assert drive.reckoner.calibration.factors is inforce and drive.reckoner.calibration.used() == 3
    assert drive.figures[-1].calibration.state == "good"
    old, new = (drive.reckoner.tests.fits[crop].points["separator"].k for crop in (1, 2))
    assert new == inforce.points["separator"].k and old == pytest.approx(new / 6.0 * 3.0, rel=1e-3)  # the mean of 2, 2 and 5


def test_a_tgw_or_residue_width_told_after_the_tray_lay_still_serves_it():
    """A refused tray must not stay refused for ever: the TGW is the crop's, and a width not yet known is the first one told."""
    drive = Drive(kit=driven(crop={"name": "teff"}))
    drive.go(60)
    mark = drive.tell(entry="tray_mark")["mark"]
    drive.go(20)
    tray = {"entry": "tray", "trays": [{"grains": 50, "length_m": 1.0, "width_m": 1.0}], "mark": mark}
    with pytest.raises(EntryError, match="residue_width_m"):
        drive.tell(**tray)
    drive.tell(entry="residue", residue_width_m=6.0)
    with pytest.raises(EntryError, match="TGW"):
        drive.tell(**tray)
    drive.tell(entry="crop", tgw_g=2.0)
    drive.tell(**tray)
    drive.go(1)
    assert drive.reckoner.calibration.tests[-1].result.machine_g_m == pytest.approx(50 * 0.002 * 6.0)


def test_a_crop_change_told_by_a_clock_that_ran_ahead_was_before():
    drive = Drive()
    drive.tested(2.0)
    drive.tell(entry="crop", name="barley", tgw_g=50.0, at=float(T0 + 90_000))
    drive.tested(2.0)
    assert [test.crop for test in drive.reckoner.calibration.tests] == [1, 2]


def test_a_mark_keeps_its_crop_over_a_step_of_the_clock():
    drive = Drive()
    mark = two_crops(drive, 2.0, 2.0)
    drive.number -= 5000
    drive.number += 1
    drive.reckoner.step(second(drive.number, [20, 20, 10, 10, 500, 20, 28], events=[clock_step(drive.number)]))
    late = drive.tell(entry="tray_mark")["mark"]  # by the new clock long before the crop changed, and in barley all the same
    drive.go(60)
    drive.tray(2.0, mark=late)
    drive.tray(2.0, mark=mark)
    drive.go(1)
    # The first mark's window is kept already, so its tray waits for no time of the old clock.
    assert [test.crop for test in drive.reckoner.calibration.tests[-2:]] == [2, 1]


def test_another_background_refits_every_crop_it_is_taken_off():
    drive = Drive().tested(2.0, 2.0)
    old = drive.reckoner.tests.fits[1].points["separator"].k
    drive.tell(entry="crop", name="barley", tgw_g=50.0)
    drive.go(40, separator=(3, 3), cleaning=(0, 0), levels=2)
    drive.tell(entry="idle_run", seconds=10)
    assert drive.reckoner.tests.fits[1].points["separator"].k == pytest.approx(old * 60 / 54)
    assert drive.reckoner.calibration.factors is drive.reckoner.tests.fits[1]


def test_crops_counted_and_weighed_carry_the_term_of_the_counted_one():
    drive = Drive()
    drive.go(60)
    drive.tray(grains=50, at=T0 + drive.number - 10.0)
    drive.go(1)
    drive.tell(entry="crop", name="barley", tgw_g=50.0)
    drive.tested(2.0)
    terms = [term.name for term in drive.reckoner.mean_loss(drive.reckoner.totals).budget.terms]
    assert "weight of lost grain, mill" in terms
    assert drive.reckoner.calibration.extra_u("none") == 0.0  # live goes by the weighed test in force
