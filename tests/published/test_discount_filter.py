"""The gamma-Poisson discount filter against its published recursion.

Recursion: Harvey and Fernandes 1989, Journal of Business and Economic Statistics 7(4), as given in the documentation of the R
package pgam: prior w a, w b; posterior w a + y, w b + exposure; the forecast is negative binomial with mean a / b and
variance a (1 + b) / b^2. The numbers of the first test were worked out by hand from it; they are not published.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from edge.reckon.statistics import smoothing
from edge.reckon.statistics.smoothing import Smoother


def recursion(counts, discount, exposure=1.0):
    """Shape, exposure and mean after each count."""
    a = b = 0.0
    for count in counts:
        a, b = discount * a + count, discount * b + exposure
        yield a, b, a / b


def test_the_recursion_by_hand():
    found = list(recursion([3, 0, 5, 2], 0.8))
    assert [a for a, _, _ in found] == pytest.approx([3, 2.4, 6.92, 7.536])
    assert [b for _, b, _ in found] == pytest.approx([1, 1.8, 2.44, 2.952])
    assert [mean for _, _, mean in found] == pytest.approx([3, 1.33333, 2.83607, 2.55285], abs=1e-5)


def smoothed(counts, exposure=1.0) -> np.ndarray:
    smoother, means = Smoother(), []
    for count in counts:
        smoother.step(float(count), exposure, 1.0)
        level = smoother.level()
        assert level is not None
        means.append(level.mean)
    return np.array(means)


@pytest.mark.parametrize("drift", [2e-6, 1e-3, 2.5e-2])
def test_one_speed_of_change_is_the_recursion_with_the_discount_of_its_drift(monkeypatch, drift):
    """With all members alike the mixture is one filter: discount 1 / (1 + drift x (a + 1)), counts over their dispersion."""
    monkeypatch.setattr(smoothing, "DRIFTS_PER_S", (drift,) * 6)
    counts = np.random.default_rng(11).poisson(30, size=200)
    smoother = Smoother()
    a = b = 0.0
    for number, count in enumerate(counts):
        if number:
            discount = 1 / (1 + drift * (a + 1.0))
            a, b = discount * a, discount * b
            scatter = smoother._members[0].dispersion  # as it was before this count
        else:
            scatter = smoothing.DISPERSION_START
        a, b = a + count / scatter, b + 1.0 / scatter
        smoother.step(float(count), 1.0, 1.0)
        level = smoother.level()
        assert level is not None and level.mean == pytest.approx(a / b, rel=1e-6)


def test_in_steady_crop_the_mixture_comes_to_the_mean_of_all_that_was_seen():
    """Discount 1: the mean of the recursion is the ratio of sums."""
    counts = np.random.default_rng(2).poisson(20, size=1500)
    *_, (_, _, mean) = recursion(counts, 1.0, exposure=14.4)
    assert smoothed(counts, 14.4)[-1] == pytest.approx(mean, rel=0.03)
    assert abs(mean - 20 / 14.4) < 4 * (20 / 1500) ** 0.5 / 14.4


def test_after_a_jump_it_lies_between_the_quickest_and_the_slowest_recursion():
    rng = np.random.default_rng(4)
    counts = np.concatenate([rng.poisson(20, 300), rng.poisson(60, 20)])
    quick = [mean for _, _, mean in recursion(counts, 0.5)]
    slow = [mean for _, _, mean in recursion(counts, 1.0)]
    found = smoothed(counts)
    assert slow[-1] < 30 and found[-1] == pytest.approx(quick[-1], rel=0.2)
    assert found[299] == pytest.approx(slow[299], rel=0.05)


def test_the_forecast_has_the_published_mean_and_variance():
    a, b = 7.536, 2.952
    forecast = stats.nbinom(a, b / (1 + b))
    assert forecast.mean() == pytest.approx(a / b)
    assert forecast.var() == pytest.approx(a * (1 + b) / b**2)
