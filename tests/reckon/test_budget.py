"""Uncertainty on the logarithm: against scipy, and laws of any budget."""

from __future__ import annotations

from math import exp, inf

import hypothesis.strategies as st
import pytest
from hypothesis import given
from scipy import stats

from edge.reckon.budget import COVERAGE, Budget, Term, effective_dof, log_interval, quantile

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


@pytest.mark.parametrize("dof", [1, 1.5, 2, 3.3, 4, 10, 37.2, 200, 999, 1001, inf])
@pytest.mark.parametrize("coverage", [0.5, 0.9, 0.95, 0.99])
def test_quantiles_are_student_s(dof, coverage):
    expected = stats.norm.ppf(0.5 + coverage / 2) if dof == inf else stats.t.ppf(0.5 + coverage / 2, dof)
    assert quantile(dof, coverage) == pytest.approx(expected, rel=2e-3)  # over 1000 degrees of freedom it takes the normal's


@given(st.floats(1e-3, 1e4), st.floats(0.001, 1.5), st.floats(1, 500))
def test_the_interval_is_central_on_the_logarithm(value, u, dof):
    low, high = log_interval(value, u, dof)
    t = stats.t.ppf(0.95, round(dof, 1))
    assert low == pytest.approx(value * exp(-t * u), rel=1e-6)
    assert low * high == pytest.approx(value**2, rel=1e-9)
    assert COVERAGE == 0.9


@given(TERMS, st.floats(1, 1000))
def test_a_further_term_never_makes_u_smaller_and_the_interval_holds_its_value(terms, value):
    """The interval itself may narrow a little by Welch-Satterthwaite: a term without limit lends it degrees of freedom."""
    fewer, more = budget(terms[:-1]), budget([*terms[:-1], (terms[-1][0], inf)])
    low, high = more.interval(value)
    assert more.u >= fewer.u and more.dof >= fewer.dof
    assert low <= value <= high


def test_the_largest_line_stands_first_and_unlimited_is_null():
    plain = budget([(0.1, 3), (0.4, inf), (0.2, 5)]).to_plain()
    assert [line["u"] for line in plain] == [0.4, 0.2, 0.1]
    assert [line["dof"] for line in plain] == [None, 5, 3]
    largest = budget([(0.1, 3), (0.4, inf)]).largest
    assert largest is not None and largest.u == 0.4
    assert Budget(()).largest is None and Budget(()).u == 0 and effective_dof([]) == inf


def test_nothing_lost_has_no_interval_on_the_logarithm():
    assert log_interval(0.0, 0.3, 5) == (0.0, 0.0)
