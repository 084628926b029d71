"""The lines of a budget: what they are called, what would reduce them, and the dead time's."""

from __future__ import annotations

import pytest

from edge.reckon.fit.factor import Factors, Fit
from edge.reckon.loss import PointLevel, machine_loss
from edge.reckon.statistics.smoothing import SmoothedLevel
from edge.reckon.totals import Totals

PLAIN = Fit(100.0, 0.1, 4, 5, 0.1)


def mean(share: float, seen: float, common: bool = False):
    """A job whose inputs were hidden for `share` of the time, with tests that saw `seen`."""
    totals = Totals(("separator", "cleaning"))
    sums = totals.crop(1)
    sums.lagged_m2 = 1000.0
    for point in sums.points:
        point.pulses, point.variance = 10_000.0, 10_000.0 / (1 - share)
    fit = Fit(100.0, 0.1, 4, 5, 0.1, hidden=seen / (1 - seen))
    return totals.mean_loss({1: Factors({"separator": fit, "cleaning": fit}, common)}, [0, 0], [0, 0], [1.5, 1.5], 0.05)


def line(found, name: str) -> float:
    return sum(term.u for term in found.budget.terms if name in term.name)


@pytest.mark.parametrize("common", [True, False])
def test_dead_time_counts_by_the_difference_to_the_tests(common):
    assert line(mean(0.2, 0.2, common), "dead time") == pytest.approx(0.0, abs=1e-12)
    # n = m / (1 - m tau): a dead time 10 % longer makes 10 % of m tau / (1 - m tau) more; the tests saw 0.05 / 0.95
    assert line(mean(0.2, 0.05, common), "dead time") == pytest.approx(0.1 * (0.25 - 0.05 / 0.95))
    assert line(mean(0.05, 0.2, common), "dead time") == pytest.approx(0.1 * (0.25 - 0.05 / 0.95))


def test_the_derivative_is_that_of_the_correction():
    rate, tau = 200.0, 1e-3
    true = rate / (1 - rate * tau)
    more = rate / (1 - rate * tau * 1.001)
    assert (more / true - 1) / 0.001 == pytest.approx(rate * tau / (1 - rate * tau), rel=1e-3)


def test_live_interval_widens_with_it_too():
    level = SmoothedLevel(10.0, 9.0, 11.0, 0.0, 5.0)

    def width(hidden: float, seen: float) -> float:
        fit = Fit(100.0, 0.1, 4, 5, 0.1, hidden=seen)
        found = machine_loss([PointLevel("separator", level, hidden=hidden)], Factors({"separator": fit})).total
        return found.high / found.low

    assert width(0.3, 0.3) == pytest.approx(width(0.0, 0.0))
    assert width(1.0, 0.0) > width(0.3, 0.0) > width(0.0, 0.0)


def test_every_line_has_a_remedy_in_words_and_the_largest_comes_first():
    plain = mean(0.2, 0.05).budget.to_plain()
    assert [one["u"] for one in plain] == sorted((one["u"] for one in plain), reverse=True)
    assert all(one["remedy"] for one in plain)
    assert plain[0]["term"] == "factor (tray tests)"


def test_points_of_one_factor_are_fully_correlated_and_of_their_own_are_not():
    assert line(mean(0, 0, common=True), "factor") == pytest.approx(0.1)
    assert line(mean(0, 0), "factor") == pytest.approx(0.1 / 2**0.5)
