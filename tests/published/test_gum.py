"""Combined uncertainty against the worked examples of the Guide (JCGM 100:2008): H.1, H.2 and 5.2.2."""

from __future__ import annotations

from math import cos, sin, sqrt, tan

import pytest

from edge.reckon.fit.factor import Factors, Fit
from edge.reckon.loss import PointLevel, machine_loss
from edge.reckon.statistics.budget import Budget, Term, combined_u, effective_dof, quantile
from edge.reckon.statistics.smoothing import SmoothedLevel

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
    quiet = SmoothedLevel(1.0, 1.0 - 1e-9, 1.0 + 1e-9, 0.0, 60.0)
    names = [f"point {i}" for i in range(10)]
    fits = {name: Fit(k=100.0, u=0.10, dof=1e6, n=9, spread=0.0) for name in names}
    shared = machine_loss([PointLevel(name, quiet) for name in names], Factors(fits, common=True)).total
    apart = machine_loss([PointLevel(name, quiet) for name in names], Factors(fits, common=False)).total
    assert shared is not None and apart is not None and shared.kg_ha == apart.kg_ha == pytest.approx(10.0)
    rest = sqrt(0.02**2 + 0.01**2)  # width and speed stay in both
    assert shared.u_high == pytest.approx(sqrt(0.10**2 + rest**2), rel=1e-3)
    assert apart.u_high == pytest.approx(sqrt(0.10**2 / 10 + rest**2), rel=1e-3)


# H.2, simultaneous resistance and reactance: five sets of observations (table H.2) of V in volts, I in amperes, phase in rad.
VOLTS = (5.007, 4.994, 5.005, 4.990, 4.999)
AMPERES = (19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3)
PHASES = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)


def means() -> tuple[list[float], list[float], list[list[float]]]:
    """Means of the three quantities, their standard uncertainties, and the correlation of the means (4.2, 5.2.3)."""
    sets = (VOLTS, AMPERES, PHASES)
    n = len(VOLTS)
    middle = [sum(one) / n for one in sets]
    away = [[x - m for x in one] for one, m in zip(sets, middle, strict=True)]
    covariance = [[sum(a * b for a, b in zip(p, q, strict=True)) / (n - 1) / n for q in away] for p in away]
    u = [sqrt(covariance[i][i]) for i in range(3)]
    return middle, u, [[covariance[i][j] / (u[i] * u[j]) for j in range(3)] for i in range(3)]


def test_h2_inputs_are_those_of_the_guide():
    middle, u, r = means()
    assert middle == [pytest.approx(4.9990), pytest.approx(19.6610e-3), pytest.approx(1.04446)]
    assert [round(u[0], 4), round(u[1] * 1e3, 4), round(u[2], 5)] == [0.0032, 0.0095, 0.00075]
    assert [round(r[0][1], 2), round(r[0][2], 2), round(r[1][2], 2)] == [-0.36, 0.86, -0.65]


@pytest.mark.parametrize(
    ("what", "value", "u"), [("R", 127.732, 0.071), ("X", 219.847, 0.295), ("Z", 254.260, 0.236)]
)
def test_h2_resistance_reactance_and_impedance_from_correlated_means(what, value, u):
    """Table H.3, on the logarithm as everything here: d ln R = dV/V - dI/I - tan(phase) dphase, and so on."""
    (volts, amperes, phase), (u_volts, u_amperes, u_phase), r = means()
    impedance = volts / amperes
    part, slope = {"R": (cos(phase), -tan(phase)), "X": (sin(phase), 1 / tan(phase)), "Z": (1.0, 0.0)}[what]
    found = combined_u([u_volts / volts, -u_amperes / amperes, slope * u_phase], r)
    assert round(impedance * part, 3) == value
    assert found * impedance * part == pytest.approx(u, abs=0.0007)  # X: 0.2956 unrounded; the Guide prints 0.295


def test_h2_without_its_correlation_would_be_wrong():
    """The Guide's point: R is far surer than independent inputs would make it (u 0.071, not about 0.19)."""
    (volts, amperes, phase), (u_volts, u_amperes, u_phase), _ = means()
    parts = [u_volts / volts, -u_amperes / amperes, -tan(phase) * u_phase]
    alone = combined_u(parts, [[float(i == j) for j in range(3)] for i in range(3)])
    assert alone == pytest.approx(sqrt(sum(one * one for one in parts)))
    assert alone * volts / amperes * cos(phase) > 2.5 * 0.071
