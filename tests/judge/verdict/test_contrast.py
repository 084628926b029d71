"""One effect with an interval that stays valid while it is looked at: its boundary, its noise, its drift, its bench."""

from __future__ import annotations

import itertools
from math import exp, inf, log, sqrt
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from edge.judge.verdict import contrast, project
from edge.judge.verdict.contrast import BlockSample, batches, boundary, difference, log_ratio


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    from tests.bench import bench_verdict

    return bench_verdict


# ---------------------------------------------------------------- the boundary


def test_the_boundary_is_where_the_bayes_factor_is_one_over_alpha() -> None:
    for dof, information in itertools.product((3.0, 12.0, 40.0), (2.0, 5.0, 30.0)):
        t = boundary(dof, information)
        if t == inf:
            continue
        # The factor by integration: t has a non-central Student distribution given the standardised effect.
        deltas = np.linspace(-12, 12, 4001) * sqrt(information)
        weights = stats.norm.pdf(deltas, scale=sqrt(information))
        given_effect = stats.nct.pdf(t, dof, deltas)
        factor = np.trapezoid(given_effect * weights, deltas) / stats.t.pdf(t, dof)
        assert factor == pytest.approx(1 / (1 - contrast.LEVEL), rel=1e-3)


def test_with_known_variance_it_is_robbins_normal_mixture() -> None:
    for information in (1.0, 5.0, 40.0):
        # Robbins 1970: |S| < sqrt((v + rho) log((v + rho) / (rho alpha^2))) with rho = 1.
        robbins = sqrt((information + 1) / information * log((information + 1) / 0.1**2))
        assert boundary(1e9, information) == pytest.approx(robbins, rel=1e-6)


def test_with_too_little_it_bounds_nothing() -> None:
    assert boundary(1.0, 1.0) == inf
    assert boundary(2.0, 0.1) == inf


def test_looking_at_independent_noise_all_the_time_keeps_the_level() -> None:
    # 300 runs of a two-sample comparison, looked at after each new pair of observations.
    generator = np.random.default_rng(5)
    false = 0
    for _ in range(300):
        x, y = generator.standard_normal(10), generator.standard_normal(60)
        for n in range(2, 61):
            both = np.concatenate([x - x.mean(), y[:n] - y[:n].mean()])
            dof = len(both) - 2
            spread = 1 / len(x) + 1 / n
            t = (y[:n].mean() - x.mean()) / sqrt((both**2).sum() / dof * spread)
            if abs(t) > boundary(dof, 1 / spread):
                false += 1
                break
    assert false <= 39  # 10 % of 300, and under one chance in fifty beyond
    assert false >= 1


def test_it_widens_with_fewer_degrees_of_freedom_and_narrows_to_the_normal() -> None:
    widths = [boundary(dof, 5.0) for dof in (5.0, 10.0, 20.0, 40.0, 1e6)]
    assert widths == sorted(widths, reverse=True)


# ---------------------------------------------------------------- how often it cries wolf, in small


def test_an_unchanged_machine_is_seldom_called_better_or_worse(bench: ModuleType) -> None:
    still = sum(bench.ever_false(seed, 20, 60, 0.0, every=4) for seed in range(40))
    drifting = sum(bench.ever_false(1000 + seed, 20, 60, 0.05, every=4) for seed in range(40))
    assert still <= 5
    assert drifting <= 6


def test_true_cuts_are_seen(bench: ModuleType) -> None:
    assert sum(bench.sees_cut(5000 + seed, 0.40, 20) for seed in range(60)) >= 57
    assert sum(bench.sees_cut(6000 + seed, 0.30, 20) for seed in range(60)) >= 48
    assert sum(bench.sees_cut(7000 + seed, 0.15, 10, spans=12) for seed in range(60)) >= 30


def test_a_rise_is_called_worse(bench: ModuleType) -> None:
    pulses = bench.machine(3, 40, 0.05, np.where(np.arange(2400) >= 1200, log(1.8), 0.0))
    assert bench.says(pulses, [120], 240) == 1


def test_the_simulated_noise_is_what_it_says(bench: ModuleType) -> None:
    noise = bench.fading(np.random.default_rng(1), 400_000, 0.25, 25.0)
    assert noise.std() == pytest.approx(0.25, rel=0.03)
    assert np.corrcoef(noise[:-25], noise[25:])[0, 1] == pytest.approx(exp(-1), abs=0.03)


def plain_sample(pulses: np.ndarray[Any, Any], side: np.ndarray[Any, Any], **other: Any) -> BlockSample:
    n = len(pulses)
    given_ones = {
        "stretch": side.copy(), "mid_s": np.arange(n) * 10.0, "seconds": np.full(n, 10.0), "area_m2": np.full(n, 200.0),
        "kmh": np.full(n, 7.0), "poisson": pulses.copy(), "returns": np.full(n, np.nan),
    }  # fmt: skip
    return BlockSample(side=side, pulses=pulses, **{**given_ones, **other})


def test_blocks_are_cut_into_batches_of_about_a_minute() -> None:
    stretch = np.repeat([0, 1, 2, 3], [19, 3, 6, 10])
    batch = batches(stretch)
    assert np.bincount(batch).tolist() == [7, 6, 6, 3, 6, 5, 5]
    assert (np.diff(batch) >= 0).all()
    assert batches(np.zeros(0, dtype=np.int64)).shape == (0,)


def test_counting_alone_is_the_floor() -> None:
    # Counts far smoother than Poisson: the interval must not be narrower than counting allows.
    side = np.repeat([0, 1], 60)
    found = log_ratio(plain_sample(np.full(120, 4.0), side))
    assert found is not None
    assert found.noise == pytest.approx(contrast.DISPERSION_START * (1 / 240 + 1 / 240))


def test_speed_is_taken_out_where_it_varied() -> None:
    generator = np.random.default_rng(2)
    side = np.repeat([0, 1], 90)
    kmh = np.where(side == 1, 8.5, 6.5) + generator.uniform(-1.2, 1.2, 180)
    pulses = generator.poisson(200 * (kmh / 7) ** 2).astype(float)
    raw, adjusted = (log_ratio(plain_sample(pulses, side, kmh=kmh), speed_too=one) for one in (False, True))
    assert raw is not None
    assert adjusted is not None
    assert raw.estimate > 0.4
    assert abs(adjusted.estimate) < 0.06
    assert adjusted.information < raw.information  # what speed explains is not known twice


def test_a_side_without_any_pulse_is_still_a_side() -> None:
    side = np.repeat([0, 1], 60)
    found = log_ratio(plain_sample(np.where(side == 0, 5.0, 0.0), side))
    assert found is not None
    assert found.estimate < -4
    assert found.estimate + found.half_width < 0
    none = log_ratio(plain_sample(np.zeros(120), side))
    assert none is not None
    assert abs(none.estimate) < none.half_width


def test_returns_are_compared_as_a_difference() -> None:
    generator = np.random.default_rng(4)
    side = np.repeat([0, 1], 90)
    returns = 30.0 + 8.0 * side + generator.standard_normal(180)
    returns[::7] = np.nan
    found = difference(plain_sample(np.full(180, 9.0), side, returns=returns))
    assert found is not None
    assert found.estimate == pytest.approx(8.0, abs=0.5)
    assert found.half_width < 8.0
    assert difference(plain_sample(np.full(180, 9.0), side)) is None


@settings(deadline=None, max_examples=40, derandomize=True)
@given(st.integers(0, 10_000), st.floats(0.01, 100.0))
def test_turning_sides_and_scaling_area_change_nothing_else(seed: int, scale: float) -> None:
    generator = np.random.default_rng(seed)
    side = np.repeat([0, 1], [70, 110])
    pulses = generator.poisson(30 * np.exp(0.3 * generator.standard_normal(180))).astype(float)
    one = log_ratio(plain_sample(pulses, side))
    other = log_ratio(plain_sample(pulses, 1 - side, stretch=side, area_m2=np.full(180, 200.0 * scale)))
    assert one is not None
    assert other is not None
    assert one.estimate == pytest.approx(-other.estimate, abs=1e-9)
    assert one.half_width == pytest.approx(other.half_width, rel=1e-9)
    assert one.half_width > 0


def test_back_and_forth_narrows_what_drift_leaves_open() -> None:
    sides_of = {}
    for name, changes in (("once", [360]), ("to and fro", [60, 120, 180, 240, 300, 360, 420, 480, 540, 600, 660])):
        place = np.arange(720)
        span = np.searchsorted(changes, place, side="right")
        pulses = np.random.default_rng(1).poisson(200.0, 720).astype(float)
        found = log_ratio(plain_sample(pulses, (span % 2).astype(np.int64), stretch=span.astype(np.int64)))
        assert found is not None
        sides_of[name] = found
    assert sides_of["to and fro"].drift < 0.2 * sides_of["once"].drift
    assert project.drift_limits(sides_of["once"])


def test_minutes_more_are_what_it_takes(bench: ModuleType) -> None:
    """A cut that is not yet seen: the projected minutes lie near those after which it is, on the average of many runs."""
    effect = np.where(np.arange(5400) >= 1800, log(0.8), 0.0)
    promised, needed = [], []
    for seed in range(24):
        pulses = bench.machine(8000 + seed, 90, 0.0, effect)
        early = bench.sample(pulses, [180], 180 + 6 * 6)
        found = log_ratio(early)
        assert found is not None
        if abs(found.estimate) >= found.half_width:
            continue
        more = project.minutes_more(early, found, -log(0.8))
        seen = next((minute for minute in range(2, 55, 2) if bench.says(pulses, [180], 216 + 6 * minute) == -1), None)
        if more is not None and seen is not None:
            promised.append(more)
            needed.append(seen)
    assert len(promised) >= 10
    assert 0.4 < np.median(promised) / np.median(needed) < 2.5


def test_waiting_is_no_advice_for_nothing() -> None:
    side = np.repeat([0, 1], 90)
    one = plain_sample(np.random.default_rng(1).poisson(50, 180).astype(float), side)
    found = log_ratio(one)
    assert found is not None
    assert project.minutes_more(one, found, 0.02) is None
    assert project.minutes_more(one, found, 0.06) is None  # the drift alone is wider, for ever
    assert project.minutes_more(one, found, 0.3, further=0.4) is None
