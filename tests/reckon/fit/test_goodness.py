"""`good` asks that the factor's 90 % interval reach no farther than 35 % either way (contract, section 9)."""

from __future__ import annotations

from math import exp, inf, log

import pytest

from edge.reckon.fit import goodness
from edge.reckon.fit.factor import Fit
from tests.kits.drive import T0, Drive

# Student's t, 95 % one-sided, by degrees of freedom (any statistical handbook's table).
T95 = {2: 2.919986, 3: 2.353363, 4: 2.131847, 5: 2.015048, 10: 1.812461, 30: 1.697261, inf: 1.644854}


@pytest.mark.parametrize("dof", T95)
def test_the_border_is_the_upper_end_at_1_35(dof):
    """exp(t u) = 1.35 is met first; the lower end then is 1 / 1.35 = 0.741, well inside 0.65."""
    border_u = log(1.35) / T95[dof]
    for part, good in ((1 - 1e-5, True), (1 + 1e-5, False)):
        low, high = goodness.interval(part * border_u, dof)
        assert (high <= 1.35) is good and low > 0.65
        assert goodness.is_good(part * border_u, dof) is good
        assert (goodness.either_way_pct(part * border_u, dof) <= 35) is good


def test_exactly_35_percent_is_still_good():
    """Digit for digit on the border: the interval of this u ends at 1.35 save for binary fractions."""
    low, high = 0.0, 1.0
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if goodness.interval(middle, 2)[1] < 1.35 else (low, middle)
    assert goodness.interval(high, 2)[1] == pytest.approx(1.35, rel=1e-15)
    assert goodness.is_good(high, 2) and goodness.either_way_pct(high, 2) == 35


@pytest.mark.parametrize("dof", T95)
def test_a_relative_u_over_a_quarter_is_never_good(dof):
    """The contract's older bound, section 4, lies beyond the new one."""
    assert not goodness.is_good(0.2500001, dof)


def test_a_factor_known_to_51_percent_is_rough_and_says_what_helps():
    """u of 0.1411 with three tests: exp(2.92 x 0.1411) = 1.51; one more: exp(2.353 x 0.1411 x sqrt(3/4)) = 1.333 = 1 / 0.7502."""
    assert goodness.either_way_pct(0.1411, 2) == 51
    fit = Fit(1000.0, 0.1411, 2, 3, spread=0.24)
    assert not goodness.is_good(fit.u, fit.dof)
    words = goodness.most_helpful({"separator": fit, "cleaning": fit}, True, False)
    what, _, would_be = words.partition(": ")
    assert what == "a further tray test of both points would help most"
    assert would_be == "with one more like these the factor may be up to 25 % lower or 34 % higher"


def test_the_widest_point_is_named():
    narrow, wide = Fit(1.0, 0.05, 2, 3, 0.08), Fit(1.0, 0.2, 2, 3, 0.35)
    words = goodness.most_helpful({"separator": narrow, "cleaning": wide}, False, False)
    assert words.startswith("a further tray test that catches cleaning alone would help most")
    assert goodness.widest({"separator": narrow, "cleaning": wide}) == "cleaning"


def test_where_counting_rules_the_doubt_high_loss_helps_and_a_counted_catch_is_better_weighed():
    """No spread beyond counting: kernels and pulses are few, so more of both narrow it."""
    fit = Fit(1.0, 0.2, 2, 3, spread=0.0)
    words = goodness.most_helpful({"separator": fit}, False, True)
    assert words.startswith("a further tray test where loss is high, weighed instead of counted, would help most")


def test_straw_clicks_ask_for_another_level_of_loss():
    fit = Fit(1.0, 0.2, 2, 5, spread=0.3, clicks_m2=2.0)
    assert "at clearly higher or lower loss" in goodness.most_helpful({"separator": fit}, False, False)


def state(drive: Drive, after_s: float = 0.0) -> tuple[str, str]:
    found = drive.reckoner.calibration_figure(T0 + drive.number + after_s)
    return found.state, found.why


def test_three_equal_light_catches_are_rough_by_counting_and_the_words_carry_the_figures():
    """0.4 g of 40 mg kernels: ten kernels a tray, so each is known to 1 / sqrt(10) = 32 % and three together to 18 %."""
    drive = Drive().tested(0.4, 0.4, 0.4)
    found, why = state(drive)
    assert found == "rough"
    fit = drive.reckoner.calibration.factors.points["separator"]
    low, high = 100 * (1 - exp(-T95[2] * fit.u)), 100 * (exp(T95[2] * fit.u) - 1)
    assert f"after 3 tray tests the factor may be up to {int(low) + 1} % lower or {int(high) + 1} % higher; " in why
    assert "a good calibration asks for at most 35 % either way" in why and "where loss is high" in why


def test_two_tests_say_what_helps_too():
    assert "would help most" in state(Drive().tested(2.0, 2.1))[1]


def test_time_alone_ends_a_good_factor_where_it_is_known_to_move():
    """A factor that moves by 0.05 a root hour: stale from the hour on at which its interval reaches past 1.35."""
    drive = Drive().tested(2.0, 2.1, 1.9, 2.0, 2.0, 2.0)
    assert state(drive)[0] == "good"
    assert state(drive, 6 * 86_400)[0] == "good"  # no movement is known: seven days alone make it stale
    calibration, points = drive.reckoner.calibration, drive.reckoner.calibration.factors.points
    calibration.moves_u = 0.05
    drive.reckoner.kit.status.forget()
    fit = points["separator"]

    def reaches_too_far(hours: float) -> bool:
        return goodness.interval(fit.u, fit.dof, 0.05 * hours**0.5)[1] > 1.35

    last_s = calibration.last_used.at_s - T0 - drive.number
    hours = next(tenth / 10 for tenth in range(1, 1600) if reaches_too_far(tenth / 10))
    assert 1 < hours < 100
    assert state(drive, last_s + 3600 * (hours - 0.1))[0] == "good"
    found, why = state(drive, last_s + 3600 * hours)
    assert found == "stale" and "36 % higher" in why and "at most 35 % either way" in why


def test_rough_never_turns_stale_by_time_alone():
    drive = Drive().tested(0.4, 0.4, 0.4)
    drive.reckoner.calibration.moves_u = 0.1
    assert state(drive, 86_400)[0] == "rough"
