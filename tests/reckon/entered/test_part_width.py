"""A touch of the part width: kg/ha and t/h both follow the ground that was cut, a lag later, live and in a replay alike."""

from __future__ import annotations

import pytest

from edge.reckon.lag.cutarea import KEPT_MS, CutArea
from tests.kits.drive import Drive

LAG_S = 10


def touched(part: float) -> Drive:
    """Steady work; at second 0 the part is touched, and from the lag on the machine has that part of the grain."""
    drive = Drive().tested(2.0, 2.0, 2.0)
    drive.figures.clear()
    drive.tell(entry="width_used", part=part)
    drive.go(LAG_S)
    drive.go(60, separator=(round(20 * part),) * 2, cleaning=(round(10 * part),) * 2)
    return drive


@pytest.mark.parametrize("part", [0.5, 0.1])
def test_t_h_and_kg_ha_wait_for_the_lag_together(part):
    drive = touched(part)
    losses = [figures.loss for figures in drive.figures]
    before = losses[0]
    assert before.kg_ha == pytest.approx(10.0, rel=1e-3) and before.t_h == pytest.approx(10.0 * 7.2 / 1000, rel=1e-3)
    for loss in losses[: LAG_S - 2]:
        assert loss.t_h == pytest.approx(before.t_h, rel=0.01) and loss.kg_ha == pytest.approx(before.kg_ha, rel=0.01)
    for loss in losses[-20:]:
        assert loss.t_h == pytest.approx(part * before.t_h, rel=0.1) and loss.kg_ha == pytest.approx(before.kg_ha, rel=0.1)
    assert drive.figures[0].area_rate_ha_h == pytest.approx(7.2 * part)  # what is being cut now


def test_t_h_is_kg_ha_times_the_area_rate_while_the_part_stays():
    figures = touched(0.5).figures[-1]
    assert figures.loss.t_h == pytest.approx(figures.loss.kg_ha * figures.area_rate_ha_h / 1000)


def test_the_part_of_some_time_ago():
    area = CutArea()
    assert area.part_ago(0) == 1.0
    for part in (1.0, 1.0, 0.5, 0.25, 1.0):
        area.add(1000, 20.0 * part, part)
    assert [area.part_ago(ms) for ms in (0, 999, 1000, 1500, 2000, 3000, 4000, 60_000)] == [1, 1, 0.25, 0.25, 0.5, 1, 1, 1]


def test_touches_are_forgotten_with_their_ground():
    area = CutArea()
    for second in range(3 * KEPT_MS // 1000):
        area.add(1000, 10.0, 0.5 if second % 2 else 1.0)
    assert len(area._parts) <= KEPT_MS // 1000 + 2
    assert area.part_ago(0) == 0.5 and area.part_ago(1000) == 1.0
