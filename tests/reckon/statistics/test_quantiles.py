"""Quantiles against scipy.stats (reference in tests only) and closed forms."""

import math
import time

import pytest
from scipy import special, stats

from edge.reckon.statistics import quantiles

TAILS = (1e-12, 1e-6, 0.001, 0.025, 0.05, 0.3, 0.49, 0.5, 0.51, 0.7, 0.95, 0.975, 0.999, 1 - 1e-6)


@pytest.mark.parametrize("p", TAILS)
def test_normal_quantile_is_scipys(p: float) -> None:
    assert quantiles.normal_quantile(p) == pytest.approx(stats.norm.ppf(p), rel=1e-9, abs=1e-15)
    x = quantiles.normal_quantile(p)
    assert quantiles.normal_cdf(x) == pytest.approx(stats.norm.cdf(x), rel=1e-9)


@pytest.mark.parametrize("dof", [1, 1.5, 2, 3, 4.7, 10, 16, 30, 100.3, 1e3, 1e5, 9e6, 1.1e7, 1e9, math.inf])
def test_t_quantile_is_scipys(dof: float) -> None:
    for p in TAILS:
        expected = stats.t.ppf(p, dof) if math.isfinite(dof) else stats.norm.ppf(p)
        assert quantiles.t_quantile(p, dof) == pytest.approx(expected, rel=1e-9, abs=1e-15)
        assert quantiles.t_cdf(float(expected), dof) == pytest.approx(p, rel=1e-9)


def test_t_quantile_of_one_degree_is_the_tangent() -> None:
    for p in (0.5000001, 0.6, 0.999, 0.01):
        assert quantiles.t_quantile(p, 1) == pytest.approx(math.tan(math.pi * (p - 0.5)), rel=1e-12)


@pytest.mark.parametrize("shape", [0.05, 0.1, 0.5, 0.9, 1, 1.1, 2, 5, 11.9, 12.1, 50, 300, 1e4, 1e5])
def test_gamma_quantile_is_scipys(shape: float) -> None:
    for p in TAILS:
        expected = float(stats.gamma.ppf(p, shape))
        if expected > 1e-290:
            assert quantiles.gamma_quantile(p, shape) == pytest.approx(expected, rel=1e-9)
            assert quantiles.gamma_cdf(expected, shape) == pytest.approx(special.gammainc(shape, expected), rel=1e-9)


@pytest.mark.parametrize("a", [0.05, 0.5, 1, 2, 7, 30, 61, 1e3, 1e4])
def test_beta_quantile_is_scipys(a: float) -> None:
    for b in (0.05, 0.5, 1, 3, 31, 1e3, 2e4):
        for p in TAILS:
            found = quantiles.beta_quantile(p, a, b)
            if 1e-290 < found < 1 - 1e-9:
                # Through the distribution function: scipy's own beta.ppf gives up in some far tails.
                slack = 1e-9 * max(1.0, abs(stats.beta.pdf(found, a, b)) * found / p)
                assert special.betainc(a, b, found) == pytest.approx(p, rel=slack)
                assert quantiles.beta_cdf(found, a, b) == pytest.approx(special.betainc(a, b, found), rel=1e-9)
    assert quantiles.beta_quantile(0.05, a, 31) == pytest.approx(stats.beta.ppf(0.05, a, 31), rel=1e-9)


def test_closed_forms() -> None:
    assert quantiles.gamma_quantile(0.95, 1.0) == pytest.approx(-math.log(0.05), rel=1e-13)
    assert quantiles.beta_quantile(0.3, 1.0, 4.0) == pytest.approx(1 - 0.7**0.25, rel=1e-13)
    assert quantiles.beta_quantile(0.3, 5.0, 1.0) == pytest.approx(0.3**0.2, rel=1e-13)
    # Small arguments: I_x(a, b) = x^a / (a B(a, b)) there.
    assert quantiles.beta_quantile(1e-12, 0.5, 3.0) == pytest.approx((1e-12 * 0.5 * 16 / 15) ** 2, rel=1e-9)


def test_edges_of_the_distribution_functions() -> None:
    assert (quantiles.beta_cdf(0.0, 2, 3), quantiles.beta_cdf(1.0, 2, 3)) == (0.0, 1.0)
    assert (quantiles.gamma_cdf(0.0, 2), quantiles.gamma_cdf(math.inf, 2)) == (0.0, 1.0)
    assert quantiles.t_cdf(0.0, 3) == 0.5
    assert quantiles.gamma_quantile(1e-20, 0.05) == 0.0  # under the smallest float


@pytest.mark.parametrize(
    ("call", "names"),
    [
        (lambda: quantiles.normal_quantile(0.0), "p"),
        (lambda: quantiles.t_quantile(1.0, 3), "p"),
        (lambda: quantiles.t_quantile(0.9, 0.5), "dof"),
        (lambda: quantiles.t_quantile(0.9, math.nan), "dof"),
        (lambda: quantiles.t_cdf(math.nan, 3), "t"),
        (lambda: quantiles.beta_quantile(0.5, 0.0, 1), "a"),
        (lambda: quantiles.beta_quantile(0.5, 1, -2), "b"),
        (lambda: quantiles.beta_cdf(1.5, 1, 2), "x"),
        (lambda: quantiles.gamma_quantile(math.nan, 1), "p"),
        (lambda: quantiles.gamma_quantile(0.5, 0.0), "shape"),
        (lambda: quantiles.gamma_cdf(-1.0, 1), "x"),
    ],
)
def test_outside_the_range_is_said_clearly(call: object, names: str) -> None:
    with pytest.raises(ValueError, match=rf"^{names}: found .*; allowed: "):
        call()  # type: ignore[operator]


def test_quick_enough_for_once_a_second() -> None:
    started = time.process_time()
    for number in range(200):
        quantiles.gamma_quantile(0.95, 300.0 + number)
        quantiles.t_quantile(0.95, 4.0 + number)
    assert time.process_time() - started < 1.0  # measured 0.03
