"""Poisson regression against a published example."""

from __future__ import annotations

import numpy as np
import pytest

from edge.judge.verdict.poisson import fit

COUNTS = np.array([18.0, 17, 15, 20, 10, 20, 25, 13, 12])


# A. J. Dobson 1990, An Introduction to Generalized Linear Models, p. 93: counts by outcome and treatment. Coefficients and
# errors to the digits of the documentation of R's glm, which prints this example; quasi-Poisson errors from the same fit.
def test_randomised_trial_of_dobson() -> None:
    outcome, treatment = np.tile([1, 2, 3], 3), np.repeat([1, 2, 3], 3)
    columns = [np.ones(9)] + [(outcome == k).astype(float) for k in (2, 3)] + [(treatment == k).astype(float) for k in (2, 3)]
    found = fit(COUNTS, np.column_stack(columns))
    np.testing.assert_allclose(found.coefficients, [3.04452244, -0.454255272, -0.292987125, 0.0, 0.0], atol=1e-8)
    np.testing.assert_allclose(found.standard_errors, [0.17089865, 0.20217076, 0.19274234, 0.2, 0.2], atol=5e-8)
    assert found.deviance == pytest.approx(5.12914108, abs=5e-9)
    assert found.dof == 4
    assert found.pearson == pytest.approx(5.17320162, abs=5e-8)
    assert found.dispersion == pytest.approx(1.29330041, abs=5e-8)
    expected = [0.1943517, 0.22991539, 0.21919308, 0.22744673, 0.22744673]
    np.testing.assert_allclose(found.quasi_standard_errors, expected, atol=5e-8)


def test_null_deviance_of_dobson() -> None:
    found = fit(COUNTS, np.ones((9, 1)))
    assert found.deviance == pytest.approx(10.58144586, abs=5e-9)
    assert found.dof == 8
