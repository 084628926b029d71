"""What measurement is computed with, against the sources it comes from and against reference libraries."""

from __future__ import annotations

import json
import random
from math import exp, inf, log, sqrt
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from scipy import stats
from scipy.optimize import brentq
from statsmodels.stats.meta_analysis import combine_effects

from edge.commands.calc.verbs import calc
from edge.reckon.fit.factor import fit
from edge.reckon.loss import percent_of_grain, tighter_limit
from edge.reckon.sensors.deadtime import corrected_rate, two_source
from edge.reckon.statistics.budget import Budget, Term, effective_dof, log_interval, quantile


def answer(*args: object) -> dict[str, Any]:
    """The JSON answer of a `calc` verb."""
    result = CliRunner().invoke(calc, [*map(str, args), "--json"], standalone_mode=False, catch_exceptions=False)
    found: dict[str, Any] = json.loads(result.stdout)
    return found


# ---------------------------------------------------------------- dead time


# Umm Al-Qura University, Nuclear Physics Lab, experiment 2 (two-source method): 823, 440, together 1164, background 13
# counts/s -> 1.345e-4 s; without background 1.497e-4 s.
@pytest.mark.parametrize(("background", "printed"), [(13.0, 1.345e-4), (0.0, 1.497e-4)])
def test_dead_time_of_two_sources(background, printed):
    assert two_source(823, 440, 1164, background) == pytest.approx(printed, abs=0.0005e-4)


def test_the_dead_time_found_makes_the_two_sources_add_up():
    # The defining equation of the method (Knoll, Radiation Detection and Measurement, ch. 4): true rates add.
    tau = two_source(823, 440, 1164)
    assert corrected_rate(823, tau) + corrected_rate(440, tau) == pytest.approx(corrected_rate(1164, tau), rel=1e-9)
    tau = two_source(823, 440, 1164, 13)
    one, other, both, none = (corrected_rate(rate, tau) for rate in (823, 440, 1164, 13))
    assert one + other == pytest.approx(both + none, rel=1e-3)


def test_the_correction_undoes_a_dead_time_that_a_simulated_one_shot_had():
    """One-shot of 1 ms under Poisson impacts of 250/s, drawn apart from the formula: it must give 250 back."""
    draw = random.Random(4)
    at = last = 0.0
    counted = 0
    while at < 4000:
        at += draw.expovariate(250)
        if at - last >= 0.001:
            counted, last = counted + 1, at
    assert counted / 4000 < 205  # a fifth is hidden
    assert corrected_rate(counted / 4000, 0.001) == pytest.approx(250, abs=4 * sqrt(250 / 4000) / 0.8)


# ---------------------------------------------------------------- uncertainty

# JCGM 100:2008, H.1 (end gauge), table H.1: components in nm with their degrees of freedom.
H1 = ((25.0, 18.0), (5.8, 24.0), (3.9, 5.0), (6.7, 8.0), (2.9, 50.0), (16.6, 2.0))


def test_gum_h1_combined_uncertainty_and_degrees_of_freedom():
    budget = Budget(tuple(Term(str(u), u, dof) for u, dof in H1))
    assert round(budget.u) == 32
    assert budget.dof == pytest.approx(16.7, abs=0.1)
    assert budget.largest is not None and budget.largest.u == 25
    # Its coverage factors at 16 degrees of freedom: 2.12 at 95 %, and 2.92 at 99 % as printed in H.1.6.
    assert quantile(16, 0.95) == pytest.approx(2.12, abs=0.005)
    assert quantile(16, 0.99) == pytest.approx(2.92, abs=0.005)
    assert quantile(16, 0.99) * 31.7 == pytest.approx(93, abs=0.7)


def test_terms_without_limit_give_infinite_degrees_of_freedom_and_the_normal_factor():
    assert effective_dof([(0.1, inf), (0.2, inf)]) == inf
    assert quantile(inf) == pytest.approx(stats.norm.ppf(0.95), abs=1e-9)


# JCGM 100:2008, table H.2: five simultaneous observations of V (V), I (mA) and phase (rad).
VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERES = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000
PHASE = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


@pytest.mark.parametrize(
    ("name", "printed", "printed_u"), [("R", 127.732, 0.071), ("X", 219.847, 0.295), ("Z", 254.260, 0.236)]
)
def test_gum_h2_correlated_terms_joined_before_the_budget(name, printed, printed_u):
    """A budget takes uncorrelated terms: correlated ones are turned into such (principal axes), and then add to the print."""
    volts, amperes, phase = VOLTS.mean(), AMPERES.mean(), PHASE.mean()
    value = {"R": volts / amperes * np.cos(phase), "X": volts / amperes * np.sin(phase), "Z": volts / amperes}[name]
    slope = {"R": -np.tan(phase), "X": 1 / np.tan(phase), "Z": 0.0}[name]
    gradient = np.array([1 / volts, -1 / amperes, slope])  # of the logarithm
    covariance = np.cov(np.stack([VOLTS, AMPERES, PHASE])) / 5
    sizes = np.sqrt(np.diag(covariance))
    values, axes = np.linalg.eigh(covariance / np.outer(sizes, sizes))
    parts = np.sqrt(np.maximum(values, 0)) * ((gradient * sizes) @ axes)
    budget = Budget(tuple(Term(str(i), abs(float(part))) for i, part in enumerate(parts)))
    assert value == pytest.approx(printed, abs=0.0006)
    assert budget.u * value == pytest.approx(printed_u, abs=0.0006)
    alone = Budget(tuple(Term(str(i), abs(float(part))) for i, part in enumerate(gradient * sizes)))
    assert abs(alone.u * value - printed_u) > 0.03  # leaving the correlation out is far off the print


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 7.5, 16, 40, 200])
@pytest.mark.parametrize("u", [0.02, 0.2, 0.4])
def test_interval_on_the_logarithm_is_student_s_of_scipy(dof, u):
    low, high = log_interval(40.0, u, dof)
    factor = exp(stats.t.ppf(0.95, dof) * u)
    assert (low, high) == (pytest.approx(40 / factor, rel=1e-9), pytest.approx(40 * factor, rel=1e-9))


def test_welch_satterthwaite_against_numpy_on_random_terms():
    draw = np.random.default_rng(8)
    for _ in range(50):
        u, dof = draw.uniform(0.01, 0.5, 6), draw.uniform(1, 60, 6)
        wanted = (u**2).sum() ** 2 / (u**4 / dof).sum()
        assert effective_dof(zip(u.tolist(), dof.tolist(), strict=True)) == pytest.approx(wanted, rel=1e-12)


# ---------------------------------------------------------------- several tray tests


def hartung_knapp(ks: np.ndarray, us: np.ndarray) -> tuple[float, float, float]:
    """Mean, its standard error and the variance between (Paule and Mandel 1982; Hartung and Knapp 2001)."""
    n = len(ks)

    def scatter(tau2: float) -> float:
        weights = 1 / (us**2 + tau2)
        return float((weights * (ks - np.average(ks, weights=weights)) ** 2).sum() - (n - 1))

    tau2 = brentq(scatter, 0, 1e3 * np.var(ks) + 1, xtol=1e-14) if scatter(0) > 0 else 0.0
    weights = 1 / (us**2 + tau2)
    mean = np.average(ks, weights=weights)
    q = (weights * (ks - mean) ** 2).sum() / (n - 1)
    return float(mean), float(np.sqrt(max(q / weights.sum(), 1 / (1 / us**2).sum()))), float(tau2)


@pytest.mark.parametrize("seed", range(12))
def test_mean_of_tray_tests_is_hartung_knapp_s_by_numpy(seed):
    draw = np.random.default_rng(seed)
    n = int(draw.integers(3, 12))
    ks = 1.4 * np.exp(draw.normal(0, 0.05 + 0.05 * (seed % 6), n))
    us = draw.uniform(0.05, 0.35, n)
    found = fit(ks.tolist(), us.tolist())
    mean, error, tau2 = hartung_knapp(ks, us)
    assert found is not None and found.n == n and found.dof == n - 1
    assert found.k == pytest.approx(mean, rel=1e-6)
    assert found.u * found.k == pytest.approx(error, rel=1e-6)
    assert found.spread * found.k == pytest.approx(sqrt(tau2), abs=1e-5)


@pytest.mark.parametrize("seed", range(6))
def test_mean_of_tray_tests_is_that_of_statsmodels(seed):
    """Reference library: its Paule-Mandel variance between and the Hartung-Knapp-Sidik-Jonkman row."""
    draw = np.random.default_rng(100 + seed)
    ks, us = 1.4 * np.exp(draw.normal(0, 0.35, 8)), draw.uniform(0.05, 0.2, 8)
    found = fit(ks.tolist(), us.tolist())
    # A tolerance below the rounding of its estimating equation makes it give up with 0.
    theirs = combine_effects(ks, us**2, method_re="iterated", use_t=True, atol=1e-9)
    assert found is not None and theirs.tau2 > 0
    assert found.k == pytest.approx(theirs.mean_effect_re, rel=1e-6)
    assert found.u * found.k == pytest.approx(theirs.sd_eff_w_re_hksj, rel=1e-6)
    half = quantile(found.dof, 0.95) * found.u * found.k
    wanted = stats.t.ppf(0.975, 7) * theirs.sd_eff_w_re_hksj
    assert half == pytest.approx(wanted, rel=1e-6)


def test_three_equal_tests_are_never_narrower_than_their_counting():
    found = fit([1.4, 1.4, 1.4], [0.14, 0.14, 0.14])
    assert found is not None and found.u == pytest.approx(0.1 / sqrt(3))


def test_with_three_tests_student_s_interval_holds_about_nine_times_of_ten_and_a_normal_one_does_not():
    draw = np.random.default_rng(3)
    runs, with_t, with_z = 600, 0, 0
    sigma = 0.3
    for _ in range(runs):
        ks = np.exp(draw.normal(-(sigma**2) / 2, sigma, 3))  # true mean 1
        found = fit(ks.tolist(), [0.03] * 3)
        assert found is not None
        with_t += abs(log(found.k)) <= quantile(found.dof) * found.u
        with_z += abs(log(found.k)) <= stats.norm.ppf(0.95) * found.u
    assert with_t / runs == pytest.approx(0.90, abs=0.03)
    assert with_z / runs < 0.82


# ---------------------------------------------------------------- from grain to what people use


# Srivastava, Goering, Rohrbach, Buckmaster, Engineering Principles of Agricultural Machines, 2006, ch. 15: field capacity
# in ha/h = km/h x m x efficiency / 10. Iowa State University PM 696: ac/h = mph x ft x efficiency / 8.25.
def test_field_capacity():
    assert answer("area-rate", "--kmh", 8, "--width-m", 12)["ha_h"] == pytest.approx(8 * 12 / 10)
    assert answer("area-rate", "--kmh", 8, "--width-m", 12, "--efficiency", 0.7)["ha_h"] == pytest.approx(6.72)
    us = answer("area-rate", "--units", "us", "--mph", 4, "--width-ft", 40, "--efficiency", 0.75)
    assert us["ac_h"] == pytest.approx(4 * 40 * 0.75 / 8.25, rel=1e-6)
    assert us["ha_h"] == pytest.approx(us["ac_h"] * 0.40468564, rel=1e-6)  # hectares in an acre, international


def test_a_tray_as_wide_as_the_cut_is_ten_times_its_grams_per_square_metre():
    found = answer(
        "tray", "--mass-g", 4.2, "--length-m", 0.5, "--width-m", 12, "--residue-width-m", 12, "--cut-width-m", 12
    )
    assert found["machine_kg_ha"] == pytest.approx(10 * 4.2 / (0.5 * 12))


def test_the_concentration_of_a_narrow_discharge_divides_the_tray():
    # Canola Council / PAMI: cut 30 ft, discharge 5 ft -> factor 6.
    factor = answer("concentration", "--cut", 30, "--discharge", 5)["factor"]
    assert factor == 6
    shared = ("tray", "--mass-g", 3, "--length-m", 1, "--width-m", 0.3, "--cut-width-m", 9.144)
    spread = answer(*shared, "--residue-width-m", 9.144)["machine_kg_ha"]
    windrow = answer(*shared, "--residue-width-m", 1.524)["machine_kg_ha"]
    assert spread / windrow == pytest.approx(factor)
    assert spread == pytest.approx(10 * 3 / 0.3)


def test_loss_in_percent_of_all_grain_is_not_loss_over_tank():
    # smallgrains.org, September 1978 (NDSU): total yield = harvested yield + losses. 3.00 % of it is 3.09 % of the tank.
    assert percent_of_grain(30, 0.97) == pytest.approx(3.00)
    assert percent_of_grain(30, 0.97) != pytest.approx(3.09, abs=0.05)  # 30 over 970
    assert tighter_limit(None, 3.0, 0.97) == pytest.approx(30)
    found = answer(
        "tray", "--mass-g", 36, "--length-m", 1, "--width-m", 12, "--residue-width-m", 12, "--cut-width-m", 12,
        "--yield-t-ha", 0.97,
    )  # fmt: skip
    assert found["machine_pct"] == pytest.approx(3.00)
