"""A trend of the factor from test to test is said, never corrected."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from edge.reckon.fit.factor import trend
from tests.kits.drive import Drive


def why(*grams: float) -> str:
    drive = Drive().tested(*grams)
    return drive.reckoner.calibration_figure(drive.now_ms / 1000).why


def test_said_with_its_size_and_direction():
    assert "the factor rises about 10 % from test to test" in why(10.0, 11.0, 12.1, 13.3, 14.6).replace("10%", "10 %")
    assert "falls about" in why(14.6, 13.3, 12.1, 11.0, 10.0)


def test_not_said_by_chance_scatter_or_by_three_tests():
    assert "from test to test" not in why(10.0, 13.0, 9.5, 12.0, 11.0)
    assert "from test to test" not in why(10.0, 12.0, 14.4)
    assert "from test to test" not in why(10.0, 10.0, 10.0, 10.0)


def test_the_factor_is_not_corrected():
    ks = [Drive().tested(*grams).reckoner.calibration.factors.points["separator"].k for grams in
          ((10.0, 11.0, 12.1, 13.3), (13.3, 12.1, 11.0, 10.0))]  # fmt: skip
    assert ks[0] == pytest.approx(ks[1], rel=1e-6)


@pytest.mark.parametrize("seed", range(20))
def test_beyond_chance_is_judged_as_scipy_s_regression_does(seed):
    random = np.random.default_rng(seed)
    times = np.sort(random.uniform(0, 7200, 6))
    ks = np.exp(1.0 + random.normal(0, 0.1, 6) + random.uniform(-2e-4, 2e-4) * times)
    reference = stats.linregress(times, np.log(ks))
    step = np.exp(reference.slope * (times[-1] - times[0]) / 5) - 1
    said = abs(reference.slope / reference.stderr) > 3 and abs(step) >= 0.01
    assert trend(list(times), list(ks)) == pytest.approx(step if said else 0.0, rel=1e-6)
