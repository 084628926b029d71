"""Loads give the yield of the ground they came from; a typed yield is flagged; part widths make the ground smaller."""

from __future__ import annotations

import pytest

from edge.engine import messages
from edge.reckon.entered.loads import Loads
from tests.kits.drive import T0, Drive


def hectares(seconds: int, part: float = 1.0) -> float:
    """2 m/s of 10 m."""
    return seconds * 20 * part / 10_000


def test_a_load_gives_yield_and_percent_by_hand():
    """1000 s x 2 m/s x 10 m is 2 ha; 6 t on it are 3 t/ha. Machine loss of 10 kg/ha is then 10 / 3010 of all grain."""
    drive = Drive().tested(2.0, 2.0, 2.0)
    drive.tell(entry="crop", yield_t_ha=1.0)
    typed = drive.go(1)
    assert "pct from typed yield" in typed.flag_words and typed.loss.pct == pytest.approx(100 * 10 / 1010, rel=0.01)
    drive.go(1000 - drive.number)
    assert drive.tell(entry="load", t=6.0) == {}
    weighed = drive.go(1)
    assert "pct from typed yield" not in weighed.flag_words
    assert weighed.loss.pct == pytest.approx(100 * weighed.loss.kg_ha / (3000 + weighed.loss.kg_ha))
    assert messages.totals(drive.reckoner, drive.reckoner.totals)["loss"]["pct"] == pytest.approx(100 * 10 / 3010, rel=0.02)


def test_a_yield_typed_between_loads_leaves_the_ground_of_the_next_load_alone():
    drive = Drive()
    drive.go(1000)
    drive.tell(entry="load", t=6.0)
    drive.go(250)
    drive.tell(entry="crop", yield_t_ha=9.0)
    drive.go(250)
    drive.tell(entry="load", t=2.0)  # 2 t from the 1 ha since the last load, not from all 3 ha
    assert drive.reckoner.now.yield_t_ha == pytest.approx(2.0)


@pytest.mark.parametrize("beginning", [{"entry": "job_start"}, {"entry": "crop", "name": "barley"}])
def test_a_new_job_or_crop_begins_with_an_empty_tank(beginning):
    drive = Drive()
    drive.go(1000)
    drive.tell(entry="load", t=6.0)
    drive.go(100)
    drive.tell(**beginning)
    drive.go(500)
    drive.tell(entry="load", t=5.0)
    assert drive.reckoner.now.yield_t_ha == pytest.approx(5.0 / hectares(500))


def test_part_widths_are_ground_that_was_not_cut():
    """Half the width on half the way: three quarters of the ground, so a third more yield and loss from the same grain."""
    whole, part = Drive().tested(2.0, 2.0, 2.0), Drive().tested(2.0, 2.0, 2.0)
    start = whole.number
    for drive in (whole, part):
        drive.tell(entry="job_start")
        drive.go(500)
    part.tell(entry="width_used", part=0.5)
    for drive in (whole, part):
        drive.go(500)
        drive.tell(entry="load", t=6.0)
    assert whole.reckoner.now.yield_t_ha == pytest.approx(3.0)
    assert part.reckoner.now.yield_t_ha == pytest.approx(4.0)
    cut = part.reckoner.totals.area_m2 / 10_000
    assert cut == pytest.approx(hectares(start) + hectares(500) + hectares(500, 0.5))
    assert part.figures[-1].area_rate_ha_h == pytest.approx(3.6)
    assert part.figures[-1].loss.kg_ha == pytest.approx(2 * whole.figures[-1].loss.kg_ha, rel=0.02)


def test_a_load_that_can_be_no_yield_is_kept_and_says_why():
    drive = Drive()
    drive.go(4)
    said = drive.tell(entry="load", t=6.0)["note"]
    assert said == "kept, not used: 6 t came from 0.008 ha, too little ground for a yield"
    drive.go(56)
    assert "would be 83.3 t/ha; was every load entered?" in drive.tell(entry="load", t=4.0)["note"]
    assert drive.reckoner.now.yield_t_ha is None
    drive.go(1940)
    assert drive.tell(entry="load", t=2.0) == {}
    assert drive.reckoner.now.yield_t_ha == pytest.approx(12.0 / hectares(2000))


def test_loads_go_on_after_a_restart():
    """A cut mid-tank: the next load's ground is what was cut since the last load, in both runs."""
    first = Drive()
    first.go(1000)
    first.tell(entry="load", t=6.0)
    learned = first.reckoner.learned()
    first.go(250)  # 0.5 ha, then the power goes
    again = Drive()
    again.reckoner.restore("entry", {"entry": "load", "t": 6.0}, (T0 + 1000) * 1000)
    again.reckoner.restore("learned", learned, (T0 + 1000) * 1000)
    loads = again.reckoner.now.loads
    assert (loads.t, loads.ha, loads.since_s) == (6.0, pytest.approx(2.0), T0 + 1000)
    assert again.reckoner.now.yield_t_ha == pytest.approx(3.0)
    again.reckoner.kit.carry_area(hectares(250))  # what the daemon reads out of the database
    again.go(250)
    again.tell(entry="load", t=3.0)
    assert again.reckoner.now.yield_t_ha == pytest.approx(9.0 / 3.0)


def test_what_an_older_record_lacks_is_nothing():
    drive = Drive()
    body = {key: value for key, value in drive.reckoner.learned().items() if key != "loads"}
    drive.reckoner.restore("learned", body, T0 * 1000)
    assert drive.reckoner.now.loads == Loads()
