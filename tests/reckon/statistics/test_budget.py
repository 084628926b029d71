"""Uncertainty on the logarithm: against scipy, and laws of any budget."""

from __future__ import annotations

from math import exp, inf

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given
from scipy import stats

from edge.reckon.statistics.budget import COVERAGE, Budget, Term, combined_u, effective_dof, log_interval, quantile, reach

TERMS = st.lists(st.tuples(st.floats(0.001, 1), st.one_of(st.just(inf), st.floats(1, 200))), min_size=1, max_size=8)


def budget(terms) -> Budget:
    return Budget(tuple(Term(f"term {i}", u, dof) for i, (u, dof) in enumerate(terms)))


@given(TERMS)
def test_u_and_degrees_of_freedom_combine_as_published(terms):
    """JCGM 100:2008: root of the sum of squares (5.1.2); Welch-Satterthwaite nu = u^4 / sum(u_i^4 / nu_i) (G.2b)."""
    whole = budget(terms)
    u = sum(u * u for u, _ in terms) ** 0.5
    assert whole.u == pytest.approx(u)
    below = sum(u**4 / dof for u, dof in terms)
    assert whole.dof == (pytest.approx(u**4 / below) if below else inf)
    assert whole.dof >= min(dof for _, dof in terms) * (1 - 1e-9)


@pytest.mark.parametrize("dof", [1, 1.01, 1.25, 1.5, 1.96, 2, 3.3, 4, 10, 37.2, 128, 200, 999, 1001, 1e7, inf])
@pytest.mark.parametrize("coverage", [0.5, 0.9, 0.95, 0.99])
def test_quantiles_are_student_s(dof, coverage):
    expected = stats.norm.ppf(0.5 + coverage / 2) if dof == inf else stats.t.ppf(0.5 + coverage / 2, dof)
    assert quantile(dof, coverage) == pytest.approx(expected, rel=1e-6)


@given(st.floats(1, 2000), st.sampled_from([0.5, 0.9, 0.95, 0.99]))
def test_a_quantile_for_any_degrees_of_freedom_is_student_s_and_falls_with_them(dof, coverage):
    assert quantile(dof, coverage) == pytest.approx(stats.t.ppf(0.5 + coverage / 2, dof), rel=1e-6)
    assert quantile(dof * 1.001, coverage) < quantile(dof, coverage)


def test_a_reach_does_not_leap_with_a_hundredth_of_a_degree_of_freedom():
    """t was taken at a tenth of a degree: this reach was 2.441 for 1.25 and 2.206 for 1.26. scipy: 0.509 t(0.95; 1.25)."""
    assert reach([(0.509, 1.25), (0, inf)]) == pytest.approx(0.509 * stats.t.ppf(0.95, 1.25), rel=1e-6)
    assert reach([(0.509, 1.26), (0, inf)]) == pytest.approx(0.509 * stats.t.ppf(0.95, 1.26), rel=1e-6)


@given(st.floats(1e-3, 1e4), st.floats(0.001, 1.5), st.floats(1, 500))
def test_the_interval_is_central_on_the_logarithm(value, u, dof):
    low, high = log_interval(value, u, dof)
    t = stats.t.ppf(0.95, dof)
    assert low == pytest.approx(value * exp(-t * u), rel=1e-6)
    assert low * high == pytest.approx(value**2, rel=1e-9)
    assert COVERAGE == 0.9


TESTS = st.lists(st.tuples(st.floats(0.001, 1), st.one_of(st.just(inf), st.integers(2, 200))), min_size=1, max_size=8)


@given(TESTS, st.floats(0.001, 1), st.one_of(st.just(inf), st.integers(2, 200)), st.floats(1, 1000))
def test_a_further_term_never_narrows_the_interval(terms, u, dof, value):
    fewer, more = budget(terms), budget([*terms, (u, dof)])
    assert more.u >= fewer.u
    assert reach([*terms, (u, dof)]) >= reach(terms) * (1 - 1e-6)  # quantiles are interpolated
    low, high = more.interval(value)
    assert low <= value <= high and low * high == pytest.approx(value**2)


def test_welch_and_satterthwaite_alone_would_narrow_it():
    """A factor of three tests (2 degrees of freedom) and a fifth more of known spread: t falls faster than u rises."""
    alone, joined = budget([(0.1, 2)]), budget([(0.1, 2), (0.02, inf)])
    assert quantile(joined.dof) * joined.u < quantile(alone.dof) * alone.u
    assert joined.interval(1.0) == alone.interval(1.0)
    assert budget([(0.1, 2), (0.2, inf)]).interval(1.0)[1] > alone.interval(1.0)[1]


@given(TERMS)
def test_the_reach_is_never_below_welch_and_satterthwaite_s_and_theirs_where_one_term_rules(terms):
    whole = budget(terms)
    assert reach(terms) >= quantile(whole.dof) * whole.u * (1 - 1e-9)
    (u, dof), *_ = terms
    assert reach([(u, dof)]) == pytest.approx(quantile(dof) * u)
    assert reach([(u, inf) for u, _ in terms]) == pytest.approx(quantile(inf) * whole.u)
    quadrature = sum((quantile(dof) * u) ** 2 for u, dof in terms) ** 0.5
    assert reach(terms) <= quadrature * (1 + 1e-6)  # quantiles are interpolated


@given(st.floats(0.001, 1), st.floats(1, 30), st.floats(0, 3))
def test_one_factor_beside_what_is_known_for_sure(u, dof, ratio):
    """By hand: the farther of the factor alone and Welch-Satterthwaite over both."""
    both = u * (1 + ratio**2) ** 0.5
    expected = max(quantile(dof) * u, quantile(dof * (1 + ratio**2) ** 2) * both)
    assert reach([(u, dof), (ratio * u, inf)]) == pytest.approx(expected, rel=1e-9)


def test_the_reach_holds_its_share_where_few_degrees_of_freedom_meet():
    """Two means of three normal values each, of unequal spread (the Behrens-Fisher setting), and one beside a known spread."""
    rng = np.random.default_rng(3)
    for scale in (0.1, 0.5, 1.0):
        values = rng.standard_normal((2, 4000, 3)) * np.array([1.0, scale])[:, None, None]
        u = values.std(axis=2, ddof=1) / 3**0.5
        error = np.abs(values.mean(axis=2).sum(axis=0))
        held = [error[i] <= reach([(float(u[0, i]), 2), (float(u[1, i]), 2)]) for i in range(4000)]
        assert np.mean(held) >= 0.88
        known = np.abs(values[0].mean(axis=1) + scale * rng.standard_normal(4000))
        held = [known[i] <= reach([(float(u[0, i]), 2), (scale, inf)]) for i in range(4000)]
        assert np.mean(held) >= 0.88


PARTS = st.lists(st.floats(-2, 2), min_size=1, max_size=5)


@given(PARTS)
def test_correlated_parts(parts):
    """JCGM 100:2008, 5.2.2: independent parts add in quadrature, parts of correlation +1 plainly with their signs."""
    n = len(parts)
    apart = [[float(i == j) for j in range(n)] for i in range(n)]
    assert combined_u(parts, apart) == pytest.approx(sum(p * p for p in parts) ** 0.5)
    assert combined_u(parts, [[1.0] * n for _ in range(n)]) == pytest.approx(abs(sum(parts)), abs=1e-6)


def test_the_largest_line_stands_first_and_unlimited_is_null():
    plain = budget([(0.1, 3), (0.4, inf), (0.2, 5)]).to_plain()
    assert [line["u"] for line in plain] == [0.4, 0.2, 0.1]
    assert [line["dof"] for line in plain] == [None, 5, 3]
    largest = budget([(0.1, 3), (0.4, inf)]).largest
    assert largest is not None and largest.u == 0.4
    assert Budget(()).largest is None and Budget(()).u == 0 and effective_dof([]) == inf


def test_nothing_lost_has_no_interval_on_the_logarithm():
    assert log_interval(0.0, 0.3, 5) == (0.0, 0.0)
