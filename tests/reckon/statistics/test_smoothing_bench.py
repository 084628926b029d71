"""The smoothing's figures in small (in full: `make bench`), its edges, and what it must not mistake.

The limits are those of the full bench; only the numbers of runs are smaller. Everything is seeded.
"""

from __future__ import annotations

from math import isclose

import numpy as np
import pytest
from scipy import stats

from edge.reckon.lag.cutarea import EDGE_S, CutArea, MixedExposure
from edge.reckon.statistics.smoothing import SmoothedLevel, Smoother, _gamma_bound
from tests.bench import bias, jobs, passes, smoothing, truth

SEED = 7


def run(counts, exposure: float = 1.0) -> tuple[Smoother, SmoothedLevel]:
    smoother = Smoother()
    for count in counts:
        smoother.step(float(count), exposure, 1.0)
    level = smoother.level()
    assert level is not None
    return smoother, level


# ---------------------------------------------------------------- figures


def test_smoothing_comes_up_to_the_best_fixed_half_life_and_its_interval_holds():
    cases = smoothing.cases(runs=12, seed=SEED)
    for case in cases:
        assert case.ratio <= case.limit, case
        assert 0.85 <= case.held <= 0.97, case
    assert sum(case.ratio for case in cases) / len(cases) <= 1.0


@pytest.mark.parametrize("noise", [0.0, 0.3])
def test_ten_seconds_after_a_doubling_the_median_run_is_within_15_percent(noise):
    error, seconds = smoothing.after_doubling(noise, runs=100, seed=SEED)
    assert error <= 0.15
    assert seconds <= 10


def test_the_job_s_interval_holds_the_truth_and_is_no_wider_than_it_must():
    found = [jobs.figures(scatter, jobs=20, seconds=260, seed=SEED) for scatter in (0.1, 0.2, 0.3)]
    assert sum(one.held for one in found) / len(found) >= 0.85
    assert all(one.half_width <= 2.5 for one in found)
    assert 0.85 <= sum(one.live_held for one in found) / len(found) <= 0.97


def test_turns_leave_no_mark_on_the_next_pass():
    found = passes.recovery(range(1, 6), minutes=8)
    assert 0.85 <= found.held <= 0.97
    assert abs(found.start_bias) <= 0.05
    assert found.start_error <= 1.25 * found.later_error


def test_a_gap_in_the_line_leaves_no_mark():
    bias_after, error_after = passes.after_gap(range(1, 7))
    assert abs(bias_after) <= 0.05
    assert error_after <= 0.06


@pytest.mark.parametrize("dead_time_us", bias.DEAD_TIMES_US)
def test_dead_time_is_corrected_to_within_1_percent_up_to_30_percent_hidden(dead_time_us):
    for occupancy in (0.1, 0.3):
        assert abs(bias.dead_time(dead_time_us, occupancy, 200_000, SEED).bias) <= 0.01


def test_background_of_half_the_pulses_is_taken_off_to_within_5_percent():
    for per_s in (4, 40):
        found = bias.background(per_s, 0.5, 8, SEED)
        assert abs(found.total_bias) <= 0.05, found
        assert abs(found.level_bias) <= 0.05, found


# ---------------------------------------------------------------- edges


def test_nothing_is_known_before_any_exposure():
    smoother = Smoother()
    assert smoother.level() is None and not smoother.started


def test_an_hour_of_no_pulses_gives_zero_with_a_positive_upper_end():
    _, level = run([0] * 3600)
    assert level.mean == 0 and level.low == 0
    # At 0.03 a second three pulses would have come in the last 100 s alone.
    assert 0 < level.high < 0.03


def test_after_an_hour_of_nothing_crop_is_found_within_seconds():
    random = np.random.default_rng(SEED)
    _, level = run([*[0] * 3600, *random.poisson(20, 5)])
    assert abs(level.mean / 20 - 1) < 0.3
    _, level = run([*[0] * 3600, *random.poisson(20, 60)])
    assert abs(level.mean / 20 - 1) < 0.15
    assert level.half_life_s > 1.5  # quiet again, not still chasing each second


def test_from_1000_a_second_to_nothing_and_back():
    random = np.random.default_rng(SEED)
    busy = random.poisson(1000, 300)
    _, level = run([*busy, 0, 0, 0])
    assert level.mean < 5
    _, level = run([*busy, *[0] * 30, *random.poisson(1000, 3)])
    assert abs(level.mean / 1000 - 1) < 0.1
    assert level.low <= 1000


def test_even_counts_are_followed_quietly():
    _, level = run(np.random.default_rng(SEED).poisson(20, 900))
    assert level.half_life_s > 10
    assert abs(level.mean / 20 - 1) < 0.1


@pytest.mark.parametrize("dispersion", [1.0, 1.5, 3.0])
@pytest.mark.parametrize(("per_s", "noise"), [(5.0, 0.1), (50.0, 0.1), (50.0, 0.3)])
def test_dispersion_is_found_beneath_drift_and_steps(per_s, noise, dispersion):
    random = np.random.default_rng((SEED, int(per_s)))
    counts = truth.clumped(random, truth.rates(random, 6, per_s, noise, 1800), dispersion)
    found = np.median([run(row)[0].dispersion.value for row in counts])
    assert found == pytest.approx(dispersion, rel=0.25)


def test_exposure_only_scales_the_rate():
    counts = np.random.default_rng(SEED).poisson(8, 200)
    _, one = run(counts)
    _, ten = run(counts, exposure=10.0)
    for x, y in zip(one[:3], ten[:3], strict=True):
        assert isclose(x, 10 * y, rel_tol=1e-9)
    assert isclose(one.half_life_s, ten.half_life_s, rel_tol=1e-9)


def test_one_long_second_counts_like_many_short_ones():
    """A gap's counts arrive at once over their true duration."""
    counts = np.random.default_rng(SEED).poisson(20, 300)
    smoother, _ = run(counts)
    smoother.step(20.0 * 30, 30.0, 30.0)
    level = smoother.level()
    assert level is not None
    assert abs(level.mean / 20 - 1) < 0.05


def test_clumping_and_dead_time_widen_the_interval():
    counts = np.random.default_rng(SEED).poisson(20, 60)
    plain, scattered = Smoother(), Smoother()
    for count in counts:
        plain.step(float(count), 1.0, 1.0)
        scattered.step(float(count), 1.0, 1.0, extra_scatter=1.4)
    one, other = plain.level(), scattered.level()
    assert one is not None and other is not None
    assert other.high - other.low > one.high - one.low


def test_background_is_followed_where_exposure_changes():
    """Vibration goes by time, grain by area: at half the speed the same vibration is twice as much per area."""
    random = np.random.default_rng(SEED)
    smoother = Smoother()
    for area in [20.0] * 200 + [10.0] * 200:
        smoother.step(float(random.poisson(area + 10)), area, 1.0, background=10.0)
    level = smoother.level()
    assert level is not None
    assert level.background == pytest.approx(1.0, rel=0.02)
    assert abs(level.mean - 1.0) < 0.3


def test_interval_encloses_the_mean_whatever_comes():
    random = np.random.default_rng(SEED)
    smoother = Smoother()
    for _ in range(3000):
        seconds = float(random.choice([0.1, 1.0, 1.0, 45.0]))
        smoother.step(
            float(random.choice([0, 0, 1, 7, 400, 20_000])) * seconds,
            float(random.choice([0.01, 5.0, 25.0])) * seconds,
            seconds,
            float(random.choice([1.0, 1.5])),
            float(random.choice([0.0, 3.0])),
        )
        if random.random() < 0.05:
            smoother.dispersion.interrupt()
        level = smoother.level()
        assert level is not None
        assert 0 <= level.low <= level.mean <= level.high < float("inf")
        assert level.half_life_s >= 0
        assert smoother.dispersion.value >= 1


def test_gamma_bound_against_scipy():
    """Wilson-Hilferty stays within a few percent of the exact quantile (scipy.stats.gamma) where an interval is of use."""
    for shape in (2.0, 10.0, 300.0):
        for z in (-1.5, 1.5):
            exact = stats.gamma.ppf(stats.norm.cdf(z), shape) / shape
            assert _gamma_bound(1.0, shape, z) == pytest.approx(exact, rel=0.03)
    assert _gamma_bound(1.0, 0.5, 1.5) == pytest.approx(stats.gamma.ppf(stats.norm.cdf(1.5), 0.5) / 0.5, rel=0.05)


# ---------------------------------------------------------------- edge of the crop


def test_no_second_near_the_edge_of_the_crop_is_set_against_ground():
    lag_s = 10.0
    area, exposure = CutArea(), MixedExposure()
    found = []
    for cut in [0.0] * 20 + [18.0] * 60 + [0.0] * 20 + [18.0] * 60:
        area.add(1000, cut)
        found.append(exposure.step(area, 1000, lag_s))
    inside = [value > 0 for value in found]
    # Pass of 60 s from second 20: ground at the sensors from 30 to 90; both ends kept EDGE_S away.
    first, last = 20 + int(lag_s + EDGE_S), 80 + int(lag_s - EDGE_S)
    assert not any(inside[:first]) and all(inside[first:last]) and not any(inside[last : 100 + int(lag_s + EDGE_S)])
    assert all(inside[100 + int(lag_s + EDGE_S) :])
    assert found[first + 5] == pytest.approx(18.0, rel=0.01)


def test_without_a_lag_only_the_past_counts():
    area, exposure = CutArea(), MixedExposure()
    found = []
    for cut in [0.0] * 5 + [18.0] * 20:
        area.add(1000, cut)
        found.append(exposure.step(area, 1000, 0.0))
    assert [value > 0 for value in found] == [False] * (5 + int(EDGE_S)) + [True] * (20 - int(EDGE_S))
