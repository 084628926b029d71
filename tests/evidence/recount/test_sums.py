"""The second way of working out sums (whole columns) against the first (second by second), on the same counts."""

from __future__ import annotations

import numpy as np
import pytest

from edge.contract import settings as settings_module
from edge.contract.inputs import LossInput
from edge.evidence.recount import sums
from edge.reckon.lag.cutarea import CutArea
from edge.reckon.sensors.losspoint import LossPoint
from edge.reckon.sensors.workstate import STATES
from tests.kits.settings import FRONT_DOWN, kit_toml, loss

SETTINGS = settings_module.parse(
    kit_toml(
        [loss("separator", "left", dead_time_us=2000), loss("separator", "right"), loss("cleaning")], levels=(FRONT_DOWN,),
        name="Older rotor machine",
    )
)  # fmt: skip
NAMES = ("separator", "cleaning")


def rows(seed: int, n: int = 1500) -> sums.Rows:
    """Seconds with gaps, short seconds, saturated ones, and stretches in which a side or a whole point is silent."""
    random = np.random.default_rng(seed)
    ms = random.choice([1000, 1000, 1000, 1000, 900, 1100, 400, 0, 2000], n)
    state = random.choice([0, 0, 0, 0, 1, 2, 3], n)
    counts = random.poisson([30.0, 25.0, 8.0], (n, 3))
    counts[200:260, 0] = 0  # the left side of the separator falls silent
    counts[400:415, 1] = 0  # too short to be called silent
    counts[600:700, 2] = 0  # the cleaning goes blind
    counts[900:940, :2] = 0  # both sides of the separator
    counts[1000:1010, 0] = 400  # saturated
    counts[1020:1025, 1] = 990  # beyond correction
    counts[ms == 0] = 0
    zeros, area = np.zeros(n), np.where(state < 3, 16.0 * ms / 1000, 0.0)
    area[:30] = 0.0
    return sums.Rows(
        1, np.arange(1, n + 1), np.arange(n), state, zeros + 7, area / 9, area, zeros * np.nan, zeros + 60, zeros, zeros,
        ms, ms, counts, np.where(np.arange(n) < n // 2, 10.0, 7.5), np.where(np.arange(n) < 1200, 1, 2),
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(4))
def test_columns_agree_with_seconds_one_by_one(seed: int) -> None:
    made = rows(seed)
    counted = sums.count(SETTINGS, NAMES, made)
    points = [LossPoint(name, [one for one in SETTINGS.inputs(LossInput) if one.point == name]) for name in NAMES]
    area, lagged_before = CutArea(), 0.0
    blind_seen = half_seen = saturated_seen = 0
    for at in range(len(made.t)):
        at_work = STATES[made.state[at]] in ("working", "filling")
        area.add(int(made.ms[at]), float(made.area_m2[at]))
        lagged = area.until(area.clock_ms - made.lag_s[at] * 1000)
        assert counted.lagged_m2[at] == pytest.approx(lagged - lagged_before, abs=1e-6)
        lagged_before = lagged
        for i, point in enumerate(points):
            point.step([int(one) for one in made.counts[at]], int(made.ms[at]), int(made.threshing_ms[at]), at_work)
            assert counted.pulses[at, i] == pytest.approx(point.effective, rel=1e-12), (at, i)
            assert counted.variance[at, i] == pytest.approx(point.effective * point.scatter, rel=1e-12)
            assert counted.half_blind[at, i] == point.half_blind
            assert not point.blind or counted.blind[at, i]
            blind_seen += point.blind
            half_seen += point.half_blind
        saturated = any(sensor.saturated for point in points for sensor in point.sensors)
        assert counted.saturated[at] == (saturated and made.state[at] == 0)
        saturated_seen += saturated
    assert blind_seen and half_seen and saturated_seen  # what the test is about did happen
    totals = sums.totals([counted], NAMES)
    assert set(totals.crops) == {1, 2} and totals.area_m2 == pytest.approx(made.area_m2.sum())
    assert sum(one.lagged_m2 for one in totals.crops.values()) == pytest.approx(lagged_before, rel=1e-9)


def test_a_blind_stretch_counts_from_the_last_pulse_on() -> None:
    counted = sums.count(SETTINGS, NAMES, rows(1))
    assert counted.blind[605:699, 1].all() and not counted.blind[595:599, 1].any() and not counted.blind[702:890, 1].any()


def test_dispersion_of_poisson_counts_is_one_and_of_clumped_counts_is_found() -> None:
    random = np.random.default_rng(3)
    made = rows(0, 6000)
    ones = np.full(6000, 1000)
    steady = {"ms": ones, "threshing_ms": ones, "state": np.zeros(6000, np.int64)}
    for clump, expected in ((1, 1.0), (3, 3.0)):
        counts = clump * random.poisson([12.0, 12.0, 8.0], (6000, 3)) // 1
        quiet = sums.Rows(**{**{name: getattr(made, name) for name in made.__slots__}, **steady, "counts": counts})
        found = sums.dispersion([sums.count(SETTINGS, NAMES, quiet)], 2)
        assert found[1] == pytest.approx(expected, rel=0.08)


def test_lines_made_a_column_at_a_time_are_those_made_row_by_row() -> None:
    from edge.evidence.pack.document import Seconds
    from edge.evidence.verify import seconds as verify_seconds
    from edge.keep import minutes

    random = np.random.default_rng(8)
    values = [None, 0.0, 1.0, -0.0, 16.25, 1e-7, 3e-5, 1e16, 1.5e17, 0.1, 60.0, 12345678.9]
    columns = {name: [values[at] for at in random.integers(0, len(values), 400)] for name in minutes.WORK_COLUMNS}
    columns["limit_kg_ha"] = [None] * 400
    columns["number"] = list(range(400))
    columns["state"] = [("working", "no data", "idle")[at] for at in random.integers(0, 3, 400)]
    columns["ms"] = [1000] * 400
    for parts in (["[[3,100,1000,[24,15]]]"] * 400, ['[[3,100,1000,[24,"ü\\"]]]'] * 400):
        seconds = Seconds(1, columns, parts)
        wanted = zip(*(columns[name] for name in minutes.WORK_COLUMNS), strict=True)
        work = [minutes.row_text(minutes.WORK_COLUMNS, row) + b"\n" for row in wanted]
        assert verify_seconds._work_lines(seconds) == work
        rows = zip(columns["ms"], columns["number"], parts, strict=True)
        assert verify_seconds._count_lines(seconds) == [minutes.row_text(minutes.COUNT_COLUMNS, row) + b"\n" for row in rows]
