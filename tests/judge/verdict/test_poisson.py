"""The log-linear model against statsmodels on random data."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from edge.judge.verdict.poisson import fit


@pytest.mark.parametrize("seed", range(12))
def test_agrees_with_statsmodels(seed: int) -> None:
    generator = np.random.default_rng(seed)
    n, columns = int(generator.integers(12, 400)), int(generator.integers(1, 5))
    design = np.column_stack([np.ones(n), generator.standard_normal((n, columns))])
    area = generator.uniform(5.0, 500.0, n)
    beta = generator.normal(0.0, 0.4, columns + 1) - 1.0
    mean = area * np.exp(design @ beta)
    # Overdispersed: gamma-mixed Poisson counts.
    counts = generator.poisson(mean * generator.gamma(4.0, 0.25, n)).astype(float)
    found = fit(counts, design, np.log(area))
    model = sm.GLM(counts, design, family=sm.families.Poisson(), offset=np.log(area))
    poisson, quasi = model.fit(tol=1e-12), model.fit(scale="X2", tol=1e-12)
    np.testing.assert_allclose(found.coefficients, poisson.params, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(found.standard_errors, poisson.bse, rtol=1e-6)
    np.testing.assert_allclose(found.quasi_standard_errors, quasi.bse, rtol=1e-6)
    np.testing.assert_allclose(found.fitted, poisson.fittedvalues, rtol=1e-6)
    assert found.deviance == pytest.approx(poisson.deviance, rel=1e-6)
    assert found.pearson == pytest.approx(poisson.pearson_chi2, rel=1e-6)
    assert found.dispersion == pytest.approx(quasi.scale, rel=1e-6)
    assert found.dof == poisson.df_resid


def test_two_groups_give_the_ratio_of_rates() -> None:
    counts, area = np.array([60.0, 30.0]), np.array([51477.5, 54308.7])
    design = np.array([[1.0, 1.0], [1.0, 0.0]])
    found = fit(counts, design, np.log(area))
    # Gu, Ng, Tang and Schucany 2008, Biometrical Journal 50:283: the ratio of the two rates.
    assert np.exp(found.coefficients[1]) == pytest.approx(2.10999757, abs=5e-9)
    assert found.standard_errors[1] == pytest.approx((1 / 60 + 1 / 30) ** 0.5)
    assert found.dof == 0
    assert np.isnan(found.dispersion)


def test_extreme_scales_converge() -> None:
    generator = np.random.default_rng(3)
    design = np.column_stack([np.ones(200), generator.standard_normal(200)])
    for rate in (1e-3, 1e6):
        counts = generator.poisson(rate * np.exp(3.0 * design[:, 1])).astype(float)
        found = fit(counts, design)
        # At the maximum the score is zero.
        np.testing.assert_allclose(design.T @ (counts - found.fitted) / counts.sum(), 0.0, atol=1e-9)


def test_counts_below_zero_after_a_background_still_fit() -> None:
    found = fit(np.array([-1.0, 3.0, 4.0]), np.ones((3, 1)))
    assert np.exp(found.coefficients[0]) == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("counts", "design", "offset", "names"),
    [
        ([1.0, 2.0], [[1.0]], None, "design"),
        ([1.0, 2.0], [[1.0, 2.0], [1.0, 2.0]], None, "depend on each other"),
        ([1.0, 2.0, 1.0], [[1.0, 0.0], [1.0, 0.0], [1.0, 0.0]], None, "zeros"),
        ([1.0, np.nan], [[1.0], [1.0]], None, "not finite"),
        ([1.0, 2.0], [[1.0], [1.0]], [0.0, np.inf], "not finite"),
        ([0.0, 0.0], [[1.0], [1.0]], None, "none at all"),
        ([5.0, 0.0], [[1.0, 0.0], [1.0, 1.0]], None, "without any count"),
    ],
)
def test_what_cannot_be_fitted_is_named(
    counts: list[float], design: list[list[float]], offset: list[float] | None, names: str
) -> None:
    with pytest.raises(ValueError, match=names):
        fit(np.array(counts), np.array(design), None if offset is None else np.array(offset))
