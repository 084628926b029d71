"""From pulses per m2 and factors to kg/ha with an interval: by hand, against scipy, and laws."""

from __future__ import annotations

from math import exp, inf, log, sqrt

import hypothesis.strategies as st
import pytest
from hypothesis import given
from scipy import stats

from edge.reckon.fit.factor import Factors, Fit
from edge.reckon.loss import Interval, PointLevel, limit_basis, machine_loss, over_limit_p, percent_of_grain, tighter_limit
from edge.reckon.statistics.smoothing import SmoothedLevel

SHARED = sqrt(0.02**2 + 0.01**2)  # width used, ground speed


def level(mean: float, low: float | None = None, high: float | None = None) -> SmoothedLevel:
    return SmoothedLevel(mean, mean if low is None else low, mean if high is None else high, 0.0, 30.0)


def known(k: float, u: float = 0.1, dof: float = 5.0) -> Fit:
    return Fit(k=k, u=u, dof=dof, n=6, spread=u)


def both(separator: Fit, cleaning: Fit, common: bool = False) -> Factors:
    return Factors({"separator": separator, "cleaning": cleaning}, common=common)


def two(separator: SmoothedLevel, cleaning: SmoothedLevel, **more) -> list[PointLevel]:
    return [PointLevel("separator", separator, **more), PointLevel("cleaning", cleaning)]


def test_kg_ha_by_hand():
    """3 pulses/m2 of 400 mg are 1.2 g/m2 = 12 kg/ha; 2 of 150 mg are 3 kg/ha."""
    found = machine_loss(two(level(3), level(2)), both(known(400), known(150)))
    assert found.total is not None and found.total.kg_ha == pytest.approx(15)
    assert found.points["separator"].kg_ha == pytest.approx(12) and found.points["cleaning"].kg_ha == pytest.approx(3)


def test_with_counting_out_of_the_way_the_interval_is_student_s():
    found = machine_loss(two(level(3), level(1)), both(known(100, 0.2, 4), known(300, 0.1, 9))).total
    # 3 kg/ha each: half the loss by a factor of 20 %, half by one of 10 %, each on its own.
    parts = [(0.5 * 0.2, 4), (0.5 * 0.1, 9)]
    u = sqrt(sum(u * u for u, _ in parts) + SHARED**2)
    dof = u**4 / sum(one**4 / nu for one, nu in parts)
    welch = stats.t.ppf(0.95, dof) * u
    assert found is not None
    assert found.low == pytest.approx(6 * exp(-welch), rel=5e-3) and found.high == pytest.approx(6 * exp(welch), rel=5e-3)


def test_with_one_factor_that_rules_the_interval_is_welch_and_satterthwaite_s():
    found = machine_loss(two(level(3), level(1)), both(known(100, 0.2, 40), known(300, 0.2, 40), common=True)).total
    u = sqrt(0.2**2 + SHARED**2)
    reach = stats.t.ppf(0.95, u**4 / (0.2**4 / 40)) * u
    assert found is not None
    assert found.low == pytest.approx(6 * exp(-reach), rel=2e-3) and found.high == pytest.approx(6 * exp(reach), rel=2e-3)


def test_points_that_share_a_factor_are_not_combined_as_independent():
    fit = known(200, 0.3, 5)
    shared = machine_loss(two(level(2), level(2)), both(fit, fit, common=True)).total
    apart = machine_loss(two(level(2), level(2)), both(fit, fit)).total
    alone = machine_loss([PointLevel("separator", level(4))], Factors({"separator": fit})).total
    assert shared is not None and apart is not None and alone is not None
    assert (shared.low, shared.high) == (pytest.approx(alone.low), pytest.approx(alone.high))
    assert shared.high > apart.high and shared.low < apart.low


def test_each_point_of_a_common_factor_carries_four_tenths_more_and_the_total_does_not():
    fit = known(200, 0.2, 1e6)
    found = machine_loss(two(level(2), level(2)), both(fit, fit, common=True))
    assert found.points["separator"].u_high == pytest.approx(sqrt(0.2**2 + 0.4**2 + SHARED**2), rel=1e-6)
    assert found.total is not None and found.total.u_high == pytest.approx(sqrt(0.2**2 + SHARED**2), rel=1e-6)


def test_half_blind_adds_three_tenths_to_its_share():
    factors = both(known(200, 0.1, 1e6), known(200, 0.1, 1e6))
    found = machine_loss(two(level(2), level(2), half_blind=True), factors)
    assert found.points["separator"].u_high == pytest.approx(sqrt(0.1**2 + 0.3**2 + SHARED**2), rel=1e-6)
    assert found.points["cleaning"].u_high == pytest.approx(sqrt(0.1**2 + SHARED**2), rel=1e-6)
    assert found.total is not None
    assert found.total.u_high == pytest.approx(sqrt(0.5 * 0.1**2 + (0.5 * 0.3) ** 2 + SHARED**2), rel=1e-6)


def test_a_saturated_input_leaves_the_upper_end_unknown():
    found = machine_loss(two(level(3), level(2), upper_known=False), both(known(400), known(150)))
    assert found.total is not None
    assert found.total.high is None and found.total.low is not None
    assert found.points["separator"].high is None and found.points["cleaning"].high is not None


def test_the_total_needs_every_point_s_factor():
    found = machine_loss(two(level(3), level(2)), Factors({"separator": known(400)}))
    assert found.total is None and set(found.points) == {"separator"}
    assert machine_loss([], Factors()).total is None


def test_no_loss_at_all_has_a_positive_upper_end():
    found = machine_loss(two(level(0, 0, 0.2), level(0, 0, 0.1)), both(known(400), known(150))).total
    assert found is not None and (found.kg_ha, found.low) == (0, 0)
    assert found.high is not None and found.high > sqrt(0.8**2 + 0.15**2)


LEVELS = st.tuples(st.floats(0, 50), st.floats(0, 1), st.floats(0, 5)).map(lambda x: level(x[0], x[0] * x[1], x[0] + x[2]))
FITS = st.builds(known, st.floats(1, 2000), st.floats(0.01, 0.9), st.floats(1, 50))


@given(LEVELS, LEVELS, FITS, FITS, st.booleans(), st.floats(0.1, 20))
def test_laws_of_any_loss(one, other, fit, second, common, times):
    factors = both(fit, fit if common else second, common)
    more = both(*(known(times * each.k, each.u, each.dof) for each in (fit, fit if common else second)), common)
    found, scaled = (machine_loss(two(one, other), which) for which in (factors, more))
    for a, b in [(found.total, scaled.total), *((found.points[name], scaled.points[name]) for name in found.points)]:
        assert a is not None and b is not None and a.high is not None and b.high is not None
        assert 0 <= a.low <= a.kg_ha <= a.high
        assert b.kg_ha == pytest.approx(times * a.kg_ha)
        assert b.low == pytest.approx(times * a.low, abs=1e-9) and b.high == pytest.approx(times * a.high)
    assert found.total.kg_ha == pytest.approx(sum(point.kg_ha for point in found.points.values()))


UNSURE = st.floats(0.02, 0.8)


@given(st.floats(0.1, 300), UNSURE, UNSURE, st.floats(1, 100), st.floats(0.1, 500), st.floats(1.01, 3))
def test_probability_over_the_limit(kg_ha, u_low, u_high, dof, limit, times):
    loss = Interval(kg_ha, kg_ha / 2, 2 * kg_ha, u_low, u_high, dof)
    distance = log(limit / kg_ha)
    expected = stats.t.sf(distance / (u_high if distance > 0 else u_low), dof)
    assert over_limit_p(loss, limit) == pytest.approx(expected, abs=1e-6)
    assert over_limit_p(loss, limit * times) <= over_limit_p(loss, limit)
    assert over_limit_p(loss, kg_ha) == pytest.approx(0.5)


def test_probability_at_the_edges():
    nothing = Interval(0.0, 0.0, 3.0, 50, 50, inf)
    assert over_limit_p(nothing, 60) == 0.0 and over_limit_p(nothing, 0) == 0.0
    assert over_limit_p(Interval(1.0, 0.5, None, 0.3, 0.3, inf), 0) == 1.0


def test_percent_is_of_tank_and_machine_loss_together():
    """Measurement 2: loss over tank is another number, 3.09 for 3.00."""
    assert percent_of_grain(3000 / 97 * 3, 3.0) == pytest.approx(3.0)
    assert percent_of_grain(90, 3.0) == pytest.approx(100 * 90 / 3090)
    assert percent_of_grain(0, 0) is None and percent_of_grain(5, 0) == 100


def test_the_tighter_of_two_limits():
    assert tighter_limit(None, None, 3.0) is None
    assert tighter_limit(60, None, None) == 60
    # 2 % of tank and loss together at 3 t/ha: x / (3000 + x) = 0.02
    assert tighter_limit(None, 2, 3.0) == pytest.approx(3000 * 0.02 / 0.98)
    assert tighter_limit(60, 2, 3.0) == 60 and tighter_limit(62, 2, 3.0) == pytest.approx(61.22, abs=0.01)
    assert tighter_limit(60, 2, None) == 60
    assert tighter_limit(None, 2, None) is None
    assert tighter_limit(None, 100, 3.0) == inf


@pytest.mark.parametrize(
    ("limits", "basis", "pct"),
    [
        ((None, None, 3.0), None, None),
        ((60, None, None), "kg_ha", None),  # percent is not known without a yield
        ((60, None, 3.0), "kg_ha", 100 * 60 / 3060),
        ((60, 2, 3.0), "kg_ha", 100 * 60 / 3060),
        ((65, 1.1, 2.7), "pct", 1.1),
        ((60, 2, None), "kg_ha", None),
        ((None, 2, None), None, None),  # a percent limit without a yield limits nothing
        ((None, 100, 3.0), "pct", 100),
    ],
)
def test_it_is_told_which_limit_counts(limits, basis, pct):
    found = limit_basis(tighter_limit(*limits), *limits)
    assert found.basis == basis and found.pct == (None if pct is None else pytest.approx(pct))
