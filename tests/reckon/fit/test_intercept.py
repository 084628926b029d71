"""Straw clicks: found only when trays at clearly different loss show them, then taken off everywhere."""

from __future__ import annotations

import numpy as np
import pytest

from edge.reckon.fit import clicks
from edge.reckon.fit.factor import Factors, Fit, Measured, factors
from edge.reckon.loss import PointLevel, machine_loss
from edge.reckon.statistics.smoothing import SmoothedLevel
from edge.reckon.totals import Totals
from tests.kits.drive import Drive

K, WIDTH_M, METRES, DISPERSION = 1000.0, 9.0, 18.0, 1.5


def simulated(random: np.random.Generator, n: int, straw_m2: float, scatter: float) -> list[Measured]:
    """Trays of both at grain pulses of 2 to 20 per m2, each off by a lognormal factor of mean one."""
    found = []
    for i, grain_m2 in enumerate(np.exp(random.uniform(np.log(2.0), np.log(20.0), n))):
        tray = np.exp(scatter * random.standard_normal() - 0.5 * scatter**2)
        expected = (grain_m2 + straw_m2) * WIDTH_M * METRES / DISPERSION
        pulses_m = max(random.poisson(expected), 1) * DISPERSION / METRES
        grain = K * grain_m2 * WIDTH_M * tray
        u = np.sqrt(DISPERSION / (pulses_m * METRES))
        found.append(
            Measured(i + 1, 60.0 * i, "both", grain, 0.03 * grain, {"separator": pulses_m}, {"separator": u}, width_m=WIDTH_M)
        )
    return found


def found_in(runs: int, n: int, straw_m2: float, scatter: float, seed: int) -> list[Fit]:
    random = np.random.default_rng(seed)
    return [factors(simulated(random, n, straw_m2, scatter), ("separator",)).points["separator"] for _ in range(runs)]


@pytest.mark.parametrize(("n", "scatter"), [(5, 0.1), (5, 0.3), (8, 0.2), (12, 0.1)])
def test_almost_never_found_when_there_are_none(n, scatter):
    fits = found_in(200, n, 0.0, scatter, 1)
    assert sum(fit.clicks_m2 > 0 for fit in fits) <= 8  # 2 to 4 %


def test_takes_the_bias_away_at_low_loss():
    straw, low = 4.0, 3.0
    fits = found_in(200, 10, straw, 0.1, 2)
    assert sum(fit.clicks_m2 > 0 for fit in fits) >= 180
    used = [fit for fit in fits if fit.clicks_m2]
    assert np.median([fit.clicks_m2 for fit in used]) == pytest.approx(straw, rel=0.05)
    assert np.mean([fit.loss_mg_m2(low + straw) for fit in used]) == pytest.approx(K * low, rel=0.05)
    straight = [sum(one.grain_mg_m for one in tests) / sum(one.pulses_m["separator"] for one in tests)
                for tests in (simulated(np.random.default_rng(s), 10, straw, 0.1) for s in range(50))]  # fmt: skip
    assert np.mean(straight) * (low + straw) > 1.4 * K * low  # what the factor alone would say


def test_its_interval_holds_the_grain_at_low_and_high_loss():
    from scipy import stats

    fits = [fit for fit in found_in(300, 8, 4.0, 0.2, 3) if fit.clicks_m2]
    for grain_m2 in (2.0, 6.0, 20.0):
        t = stats.t.ppf(0.95, 6)
        pulses = grain_m2 + 4.0
        held = [abs(fit.loss_mg_m2(pulses) - K * grain_m2) <= t * fit.u_mg_m2(pulses) for fit in fits]
        assert np.mean(held) >= 0.8  # of the fits that were sure enough to be used: a selection, so a little under 90 %


@pytest.mark.parametrize(
    ("pulses", "grain"),
    [
        ([4, 8, 12, 16], [1, 5, 9, 13]),  # four tests
        ([9, 10, 11, 12, 13], [6, 7, 8, 9, 10]),  # all at one level of loss
        ([3, 6, 9, 12, 15], [5, 8, 11, 14, 17]),  # grain without pulses
        ([3, 6, 9, 12, 15], [12, 9, 6, 4, 2]),  # more pulses, less grain
    ],
)
def test_tests_that_do_not_support_it(pulses, grain):
    assert clicks.line(pulses, grain, [0.02] * len(pulses)) is None


def test_a_clean_line_is_read_off():
    line = clicks.line([4, 8, 12, 16, 20], [2, 10, 18, 26, 34], [0.05] * 5)
    assert line is not None
    assert (line.slope, line.clicks) == (pytest.approx(2.0), pytest.approx(3.0))


STRAW = Fit(k=100.0, u=0.1, dof=4, n=6, spread=0.1, clicks_m2=4.0, clicks_u_m2=0.5, centre_m2=14.0, slope_u=0.1)


def level(rate: float) -> SmoothedLevel:
    return SmoothedLevel(rate, 0.9 * rate, 1.1 * rate, 0.0, 5.0)


def test_live_rate_is_less_the_clicks_and_less_sure_near_them():
    own = Factors({"separator": STRAW})
    at = {rate: machine_loss([PointLevel("separator", level(rate))], own).total for rate in (2.0, 5.0, 14.0)}
    assert [one.kg_ha for one in at.values()] == [0.0, pytest.approx(1.0), pytest.approx(10.0)]
    assert at[2.0].low == 0.0 and at[2.0].high is not None and at[2.0].high > 0.0
    assert at[5.0].high / at[5.0].kg_ha > 1.5 * at[14.0].high / at[14.0].kg_ha


def test_points_that_share_a_factor_share_its_clicks():
    both = Factors({"separator": STRAW, "cleaning": STRAW}, common=True)
    found = machine_loss([PointLevel("separator", level(10.0)), PointLevel("cleaning", level(5.0))], both)
    assert found.total.kg_ha == pytest.approx(11.0)  # 100 mg x (15 - 4) / 100
    assert sum(one.kg_ha for one in found.points.values()) == pytest.approx(11.0)


def mean_of(fit: Fit, pulses: float):
    totals = Totals(("separator",))
    sums = totals.crop(1)
    sums.area_m2 = sums.lagged_m2 = 1000.0
    sums.points[0].pulses = sums.points[0].variance = pulses
    return totals.mean_loss({1: Factors({"separator": fit})}, [0.0], [0.0], [1.5], 0.0)


def test_the_job_is_less_the_clicks_and_never_below_nothing():
    found = mean_of(STRAW, 14_000.0)
    assert found.kg_ha == pytest.approx(10.0)
    assert "straw clicks" in " ".join(term.name for term in found.budget.terms)
    low = mean_of(STRAW, 5_000.0)
    assert low.kg_ha == pytest.approx(1.0)
    assert low.budget.u > 3 * found.budget.u
    assert mean_of(STRAW, 3_000.0).kg_ha == 0.0


def test_six_trays_at_different_loss_say_so_in_words():
    drive = Drive()
    for pulses in (4, 8, 12, 20, 28, 36):
        drive.go(60, separator=(pulses, pulses), cleaning=(0, 0))
        drive.tray(2.0 * (pulses - 3), at=drive.figures[-1].t - 10.0)
    drive.go(1, separator=(4, 4), cleaning=(0, 0))
    why = drive.reckoner.calibration_figure(drive.now_ms / 1000).why
    assert "come with straw, not grain" in why
    fit = drive.reckoner.calibration.factors.points["separator"]
    assert fit.clicks_m2 == pytest.approx(2 * 3 / 20.0, rel=0.01)  # 6 pulses a second over 2 m/s of 10 m
