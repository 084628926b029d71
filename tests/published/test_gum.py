"""Combined uncertainty against the worked examples of the Guide (JCGM 100:2008).

H.2 (simultaneous resistance and reactance) rests on correlated inputs; the budget here has none (points that share one factor
are summed before they enter it), so H.2 is no check of this module. Full correlation itself is checked by 5.2.2.
"""

from __future__ import annotations

from math import sqrt

import pytest

from edge.reckon.budget import Budget, Term, effective_dof, quantile
from edge.reckon.factor import Factors, Fit
from edge.reckon.loss import PointLevel, machine_loss
from edge.reckon.smoothing import Level

# H.1, end-gauge calibration: components of the combined standard uncertainty in nm, with degrees of freedom (table H.1).
COMPONENTS = ((25.0, 18), (5.8, 24), (3.9, 5), (6.7, 8), (2.9, 50), (16.6, 2))
LENGTH_NM = 50_000_838.0


def test_h1_combined_standard_uncertainty_is_32_nm():
    assert sqrt(sum(u * u for u, _ in COMPONENTS)) == pytest.approx(32, abs=0.5)
    relative = Budget(tuple(Term("", u / LENGTH_NM, dof) for u, dof in COMPONENTS))
    assert round(relative.u * LENGTH_NM) == 32


def test_h1_effective_degrees_of_freedom_are_16():
    found = effective_dof(COMPONENTS)
    assert found == pytest.approx(16.7, abs=0.1)  # the Guide: 16.7, truncated to 16
    relative = Budget(tuple(Term("", u / LENGTH_NM, dof) for u, dof in COMPONENTS))
    assert relative.dof == pytest.approx(found, rel=1e-9)


def test_h1_coverage_factors():
    assert quantile(16, 0.95) == pytest.approx(2.12, abs=0.005)
    # From memory: k = 2.92 and U = 93 nm at 99 %; recomputed with scipy it agrees.
    assert quantile(16, 0.99) == pytest.approx(2.92, abs=0.005)
    assert quantile(16, 0.99) * 31.7 == pytest.approx(93, abs=0.5)


def test_5_2_2_fully_correlated_parts_add_up_plainly():
    """Ten resistors calibrated against one standard: u of their sum is 10 u, not sqrt(10) u (5.2.2, example; from memory).

    Ten points of equal loss that share one factor of 10 % with no other doubt: the sum's factor is no surer than one's.
    """
    quiet = Level(1.0, 1.0 - 1e-9, 1.0 + 1e-9, 0.0, 60.0)
    names = [f"point {i}" for i in range(10)]
    fits = {name: Fit(k=100.0, u=0.10, dof=1e6, n=9, spread=0.0) for name in names}
    shared = machine_loss([PointLevel(name, quiet) for name in names], Factors(fits, common=True)).total
    apart = machine_loss([PointLevel(name, quiet) for name in names], Factors(fits, common=False)).total
    assert shared is not None and apart is not None and shared.kg_ha == apart.kg_ha == pytest.approx(10.0)
    rest = sqrt(0.02**2 + 0.01**2)  # width and speed stay in both
    assert shared.u_high == pytest.approx(sqrt(0.10**2 + rest**2), rel=1e-3)
    assert apart.u_high == pytest.approx(sqrt(0.10**2 / 10 + rest**2), rel=1e-3)
