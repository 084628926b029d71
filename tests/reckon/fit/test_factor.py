"""Tray tests to factors: against an independent computation with scipy, and laws that any factor must keep."""

from __future__ import annotations

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import assume, given
from scipy import optimize, stats

from edge.reckon.fit.factor import PRIOR_DOF, PRIOR_SPREAD, SPLIT_U, Measured, factors, fit
from edge.reckon.statistics.budget import log_interval


def hartung_knapp(ks: np.ndarray, us: np.ndarray) -> tuple[float, float, float]:
    """Random-effects mean, its standard error and the variance between tests.

    Between tests: Paule and Mandel (1982), by scipy's root finder. Standard error: Hartung and Knapp (2001), Statistics in
    Medicine 20, q = 1/(n-1) sum w (k - mean)^2 / sum w; the modification of IntHout, Ioannidis and Borm (2014): never
    narrower than the fixed-effect error 1/sqrt(sum 1/u^2).
    """

    def weights(tau2: float) -> np.ndarray:
        return 1 / (us**2 + tau2)

    def mean(tau2: float) -> float:
        return float(np.average(ks, weights=weights(tau2)))

    def excess(tau2: float) -> float:
        return float((weights(tau2) * (ks - mean(tau2)) ** 2).sum()) - (len(ks) - 1)

    tau2 = 0.0 if excess(0.0) <= 0 else float(optimize.brentq(excess, 0.0, 1e3 * np.ptp(ks) ** 2 + 1.0, xtol=1e-14, rtol=1e-14))
    w = weights(tau2)
    q = float((w * (ks - mean(tau2)) ** 2).sum() / (len(ks) - 1) / w.sum())
    return mean(tau2), max(q, float(1 / (1 / us**2).sum())) ** 0.5, tau2


TESTS = st.lists(st.tuples(st.floats(0.5, 5.0), st.floats(0.02, 0.8)), min_size=3, max_size=12)


@given(TESTS)
def test_three_and_more_tests_agree_with_the_independent_computation(tests):
    ks, us = (np.array(column) for column in zip(*tests, strict=True))
    found = fit(list(ks), list(us))
    centre, error, tau2 = hartung_knapp(ks, us)
    assert found is not None
    assert found.k == pytest.approx(centre, rel=1e-6)
    assert found.u * found.k == pytest.approx(error, rel=1e-5)
    assert found.spread * found.k == pytest.approx(tau2**0.5, abs=1e-4)
    assert (found.dof, found.n) == (len(ks) - 1, len(ks))


def test_the_interval_is_student_s_on_n_minus_1():
    ks = [1.4, 1.9, 1.1, 1.6]
    found = fit(ks, [0.1] * 4)
    assert found is not None
    low, high = log_interval(found.k, found.u, found.dof)
    t = stats.t.ppf(0.95, 3)
    assert (low, high) == (pytest.approx(found.k * np.exp(-t * found.u)), pytest.approx(found.k * np.exp(t * found.u)))


def test_equal_tests_are_never_surer_than_counting_allows():
    found = fit([2.0, 2.0, 2.0], [0.3, 0.3, 0.3])
    assert found is not None and found.u == pytest.approx(0.3 / 3**0.5 / 2.0)


def test_fewer_than_three_pool_the_assumed_spread_with_the_observed_one():
    """Measurement 1.5: relative 0.35 on 4 degrees of freedom, n - 1 more from the tests themselves."""
    one = fit([2.0], [0.2])
    assert one is not None and one.dof == PRIOR_DOF == 4
    assert one.u == pytest.approx((PRIOR_SPREAD**2 + 0.1**2) ** 0.5) and PRIOR_SPREAD == 0.35
    two = fit([1.5, 2.5], [0.2, 0.2])
    assert two is not None and (two.k, two.dof) == (2.0, 5)
    observed = (0.25**2 + 0.25**2) / 1  # relative variance on n - 1
    pooled = (4 * 0.35**2 + 1 * observed) / 5
    counting = (2 * 0.2**2) ** 0.5 / 2 / 2.0
    assert two.u == pytest.approx((pooled / 2 + counting**2) ** 0.5)


def test_no_test_and_no_grain_give_no_factor():
    assert fit([], []) is None
    assert fit([0.0, 0.0, 0.0], [0.1, 0.1, 0.1]) is None


def test_t_holds_90_percent_with_three_tests_where_z_does_not():
    """Measurement 1.5: with three tests a z interval holds about 0.76, t about 0.90 (multiplicative scatter between tests)."""
    rng = np.random.default_rng(3)
    held_t = held_z = 0
    runs = 2000
    for _ in range(runs):
        ks = rng.lognormal(-0.5 * 0.2**2, 0.2, size=3)
        found = fit(list(ks), [0.02] * 3)
        assert found is not None
        low, high = log_interval(found.k, found.u, found.dof)
        held_t += low <= 1.0 <= high
        held_z += abs(np.log(found.k)) <= 1.6449 * found.u
    assert held_t / runs == pytest.approx(0.90, abs=0.03)
    assert held_z / runs == pytest.approx(0.76, abs=0.04)


@given(TESTS, st.floats(0.1, 50))
def test_twice_the_grain_is_twice_the_factor_and_as_sure(tests, times):
    ks, us = [k for k, _ in tests], [u for _, u in tests]
    one, other = fit(ks, us), fit([times * k for k in ks], [times * u for u in us])
    assert one is not None and other is not None
    assert other.k == pytest.approx(times * one.k, rel=1e-6)
    assert other.u == pytest.approx(one.u, rel=1e-6)


@given(TESTS, st.integers(0, 11), st.floats(1.01, 3))
def test_order_does_not_matter_and_more_grain_on_equal_trays_is_never_less(tests, which, times):
    ks, us = [k for k, _ in tests], [0.3] * len(tests)
    one, turned = fit(ks, us), fit(ks[::-1], us)
    assert one is not None and turned is not None and turned.k == pytest.approx(one.k, rel=1e-9)
    more = [k * times if i == which % len(ks) else k for i, k in enumerate(ks)]
    other = fit(more, us)
    assert other is not None and other.k >= one.k * (1 - 1e-9)  # equal uncertainties: the plain mean


def test_leave_one_out_and_an_outlying_test_are_named():
    ks, us = [1.0, 1.1, 0.9, 1.05, 5.0], [0.05] * 5
    found = fit(ks, us, numbers=[3, 4, 5, 8, 9])
    assert found is not None
    assert dict(found.left_out)[9] == pytest.approx(np.mean(ks[:4]), rel=0.01)
    assert dict(found.left_out)[3] > found.k
    assert found.outlying == (9,) and found.n == 5  # named, not dropped


def measured(number: int, grain: float, separator: float, cleaning: float, catches: str = "both", u: float = 0.03) -> Measured:
    return Measured(
        number, 1000.0 * number, catches, grain, 0.05 * grain, {"separator": separator, "cleaning": cleaning},
        {"separator": u, "cleaning": u},
    )  # fmt: skip


POINTS = ("separator", "cleaning")


def test_trays_of_one_point_give_its_factor_alone():
    found = factors([measured(1, 300, 10, 5, "separator"), measured(2, 100, 10, 5, "cleaning")], POINTS)
    assert {name: one.k for name, one in found.points.items()} == {"separator": pytest.approx(30), "cleaning": pytest.approx(20)}
    assert not found.common


def test_trays_of_both_give_one_common_factor():
    found = factors([measured(1, 300, 10, 5)], POINTS)
    assert found.common and found.points["separator"] == found.points["cleaning"]
    assert found.points["separator"].k == pytest.approx(20)


def test_a_known_point_leaves_the_rest_of_both_to_the_other():
    found = factors([measured(1, 300, 10, 5, "separator"), measured(2, 400, 10, 5)], POINTS)
    assert found.points["separator"].k == pytest.approx(30)
    assert found.points["cleaning"].k == pytest.approx((400 - 30 * 10) / 5)
    assert not found.common


def test_two_factors_from_different_mixes_by_non_negative_least_squares():
    rng = np.random.default_rng(5)
    mixes = [(10, 2), (3, 9), (8, 8), (12, 1), (2, 12), (6, 4)]
    tests = [
        measured(i, (30 * one + 12 * other) * rng.lognormal(0, 0.03), one, other) for i, (one, other) in enumerate(mixes, 1)
    ]
    found = factors(tests, POINTS)
    rows = np.array([[test.pulses_m[name] / test.grain_mg_m for name in POINTS] for test in tests])
    reference, _ = optimize.nnls(rows, np.ones(len(tests)))  # relative residuals: scatter is multiplicative
    assert not found.common
    assert [found.points[name].k for name in POINTS] == pytest.approx(list(reference), rel=1e-6)
    # Ordinary least squares on the same rows gives the standard errors.
    residual = ((rows @ reference - 1) ** 2).sum() / (len(tests) - 2)
    covariance = residual * np.linalg.inv(rows.T @ rows)
    for i, name in enumerate(POINTS):
        assert found.points[name].u == pytest.approx(covariance[i, i] ** 0.5 / reference[i], rel=1e-6)


def test_mixes_too_alike_give_one_common_factor():
    assert factors([measured(i, 300 + 5 * i, 10 + 0.01 * i, 5) for i in range(1, 7)], POINTS).common


def test_no_tests_and_no_grain_say_so():
    assert factors([], POINTS).reason == "no tray test yet"
    assert "no grain" in factors([measured(1, 0, 10, 5)], POINTS).reason


@given(st.lists(st.tuples(st.floats(50, 900), st.floats(1, 30), st.floats(1, 30)), min_size=1, max_size=4), st.floats(0.1, 10))
def test_scaling_of_the_common_factor(tests, times):
    one = factors([measured(i, g, s, c) for i, (g, s, c) in enumerate(tests, 1)], POINTS)
    more = factors([measured(i, times * g, s, c) for i, (g, s, c) in enumerate(tests, 1)], POINTS)
    fewer = factors([measured(i, g, times * s, times * c) for i, (g, s, c) in enumerate(tests, 1)], POINTS)
    assume(one.common and more.common and fewer.common)
    for name in POINTS:
        assert more.points[name].k == pytest.approx(times * one.points[name].k, rel=1e-6)
        assert fewer.points[name].k == pytest.approx(one.points[name].k / times, rel=1e-6)
    assert SPLIT_U == 0.4


PULSES = st.one_of(st.just(0.0), st.floats(0.01, 30))
GRAIN = st.one_of(st.just(0.0), st.floats(0.01, 900), st.floats(-100, -0.01))


@given(st.lists(st.tuples(GRAIN, PULSES, PULSES), min_size=1, max_size=8), st.data())
def test_any_tests_give_positive_factors_or_none(tests, data):
    catches = data.draw(st.lists(st.sampled_from(["both", *POINTS]), min_size=len(tests), max_size=len(tests)))
    found = factors([measured(i, *test, kind) for i, (test, kind) in enumerate(zip(tests, catches, strict=True), 1)], POINTS)
    for one in found.points.values():
        assert one.k > 0 and one.u > 0 and one.dof >= 1
