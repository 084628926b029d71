"""Laws that hold whatever the figures are: how loss and its interval move with width, trays, pulses and what is blind."""

from __future__ import annotations

from math import isclose
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from edge.contract import entries
from edge.contract import settings as settings_module
from edge.engine.engine import Engine, Nowhere
from edge.reckon.figures import Figures
from edge.reckon.fit.factor import Factors, Fit, fit
from edge.reckon.loss import MachineLoss, PointLevel, machine_loss
from edge.reckon.statistics.smoothing import SmoothedLevel
from tests.kits.settings import WHEAT, both_sides, ground, kit_toml
from tests.kits.wire import START_MS, count_line

FEW = settings(max_examples=6)
NAMES = ("separator", "cleaning")
SIDES = ("left", "right")


def kit(cut_width_m: float = 9.0, dead_time_us: float = 0.0) -> str:
    """Settings: both sides of both points at places 0 to 3, ground at 4, levels wired."""
    inputs = [*both_sides(*NAMES, dead_time_us=dead_time_us), ground()]
    crop = {**WHEAT, "yield_t_ha": 5, "price_per_t": 200}
    return kit_toml(inputs, cut_width_m=cut_width_m, lag_s=10, crop=crop, limits={"loss_kg_ha": 50})


class Drive:
    """An engine on steady work: a sentence a second, 2 m/s, so many pulses per second on each of the four sensors."""

    def __init__(self, cut_width_m: float = 9.0, dead_time_us: float = 0.0) -> None:
        self.engine = Engine(settings_module.parse(kit(cut_width_m, dead_time_us)), Nowhere(), Nowhere())
        self.figures: list[Figures] = []
        self.engine.on_figures.append(self.figures.append)
        self.second = 0
        self.counts = [0, 0, 0, 0, 0]

    @property
    def stamp_ms(self) -> int:
        return START_MS + self.second * 1000

    def run(self, seconds: int, *rates: int) -> Figures:
        for _ in range(seconds):
            self.second += 1
            self.counts = [count + step for count, step in zip(self.counts, (*rates, 20), strict=True)]
            self.engine.take_line(self.stamp_ms, count_line(self.second, self.second * 1000, *self.counts))
        self.engine.close_silent(self.stamp_ms + 250)
        return self.figures[-1]

    def tray(self, mass_g: float, catches: str = "both") -> None:
        trays = [{"mass_g": mass_g, "length_m": 1.0, "width_m": 3.0}]
        entry = {"entry": "tray", "residue_width_m": 6.0, "trays": trays, "at": self.stamp_ms / 1000 - 6, "catches": catches}
        self.engine.take_entry(self.stamp_ms, entries.from_plain(entry))

    def calibrated(self, rates: tuple[int, ...], *masses_g: float) -> Figures:
        """Work with tray tests of these catches and some work after the last; the newest second."""
        self.run(60, *rates)
        for mass_g in masses_g:
            self.tray(mass_g)
            self.run(20, *rates)
        return self.run(30, *rates)

    @property
    def factors(self) -> dict[str, float]:
        return self.figures[-1].calibration.factor_mg_per_pulse


def loss(figures: Figures) -> Any:
    assert figures.loss is not None and figures.loss.kg_ha is not None
    return figures.loss


def relative_width(figure: Any) -> float:
    return float((figure.high - figure.low) / figure.kg_ha)


rates = st.tuples(*[st.integers(4, 60)] * 4)
masses = st.floats(0.5, 60)

# ---------------------------------------------------------------- width


@FEW
@given(rates, masses, st.sampled_from([6.0, 7.5, 9.0, 12.0]))
def test_twice_the_cut_width_is_half_the_loss_per_hectare_and_the_same_loss_per_hour(rates, mass_g, width_m):
    narrow, wide = (Drive(cut).calibrated(rates, mass_g) for cut in (width_m, 2 * width_m))
    assert wide.calibration.factor_mg_per_pulse == pytest.approx(narrow.calibration.factor_mg_per_pulse, rel=1e-9)
    one, two = loss(narrow), loss(wide)
    for key in ("kg_ha", "low", "high"):
        assert getattr(one, key) == pytest.approx(2 * getattr(two, key), rel=1e-6)
    assert one.t_h == pytest.approx(two.t_h, rel=1e-6) and one.value_h == pytest.approx(two.value_h, rel=1e-6)
    assert wide.area_rate_ha_h == pytest.approx(2 * narrow.area_rate_ha_h)


@FEW
@given(rates, masses)
def test_the_loss_is_that_of_the_tray_while_the_pulses_are_those_of_the_tray(rates, mass_g):
    """By hand: mass on 3 m2 is mass / 3 g/m2, over 6 m residue on 9 m cut two thirds of it, times ten in kg/ha."""
    assert loss(Drive().calibrated(rates, mass_g)).kg_ha == pytest.approx(mass_g / 3 * 6 / 9 * 10, rel=0.02)


# ---------------------------------------------------------------- trays


@FEW
@given(rates, masses)
def test_twice_the_tray_is_twice_the_factor_and_twice_the_loss(rates, mass_g):
    once, twice = Drive().calibrated(rates, mass_g), Drive().calibrated(rates, 2 * mass_g)
    for name in NAMES:
        assert twice.calibration.factor_mg_per_pulse[name] == pytest.approx(
            2 * once.calibration.factor_mg_per_pulse[name], rel=1e-9
        )
        assert twice.points[name].kg_ha == pytest.approx(2 * once.points[name].kg_ha, rel=1e-9)
    assert loss(twice).kg_ha == pytest.approx(2 * loss(once).kg_ha, rel=1e-9)


@given(st.lists(st.tuples(st.floats(0.1, 10), st.floats(0.01, 1)), min_size=1, max_size=9), st.floats(0.01, 100))
def test_the_mean_of_tests_scales_with_them_and_keeps_its_relative_uncertainty(tests, scale):
    ks, us = zip(*tests, strict=True)
    one, other = fit(ks, us), fit([scale * k for k in ks], [scale * u for u in us])
    assert one is not None and other is not None
    assert other.k == pytest.approx(scale * one.k, rel=1e-6)
    assert (other.u, other.dof, other.n) == (pytest.approx(one.u, rel=1e-4, abs=1e-9), one.dof, one.n)
    assert min(ks) * (1 - 1e-9) <= one.k <= max(ks) * (1 + 1e-9)
    shuffled = fit(ks[::-1], us[::-1])
    assert shuffled is not None and shuffled.k == pytest.approx(one.k, rel=1e-9)


# ---------------------------------------------------------------- pulses


@FEW
@given(rates, masses, st.integers(0, 3), st.integers(3, 40))
def test_more_pulses_on_any_sensor_are_more_loss(rates, mass_g, sensor, more):
    drive = Drive()
    before = loss(drive.calibrated(rates, mass_g))
    higher = tuple(rate + more * (at == sensor) for at, rate in enumerate(rates))
    after_figures = drive.run(120, *higher)
    after, point = loss(after_figures), NAMES[sensor // 2]
    assert after.kg_ha > before.kg_ha and after.high > before.high
    assert after_figures.points[point].kg_ha == pytest.approx(
        before_point(drive, point) * sum(higher[sensor // 2 * 2 :][:2]) / sum(rates[sensor // 2 * 2 :][:2]), rel=0.05
    )


def before_point(drive: Drive, point: str) -> float:
    """The point's loss in the last second before the pulses rose."""
    figure = drive.figures[-121].points[point].kg_ha
    assert figure is not None
    return figure


levels = st.floats(0.5, 50).flatmap(
    lambda mean: st.tuples(st.just(mean), st.floats(0.5, 0.95), st.floats(1.05, 1.6))
)


def level(mean: float, low: float, high: float) -> SmoothedLevel:
    return SmoothedLevel(mean=mean, low=mean * low, high=mean * high, background=0.0, half_life_s=10.0)


def both(one: SmoothedLevel, other: SmoothedLevel, factors: Factors, **more: Any) -> MachineLoss:
    return machine_loss([PointLevel(NAMES[0], one, **more), PointLevel(NAMES[1], other)], factors)


def one_fit(k: float, u: float, dof: float) -> Fit:
    return Fit(k, u, dof, 3, 0.3)


def common(k: float, u: float, dof: float) -> Factors:
    found = one_fit(k, u, dof)
    return Factors({NAMES[0]: found, NAMES[1]: found}, common=True)


def separate(k: float, u: float, dof: float) -> Factors:
    return Factors({name: one_fit(k, u, dof) for name in NAMES})


fits = st.tuples(st.floats(0.1, 30), st.floats(0.05, 0.5), st.sampled_from([2.0, 4.0, 9.0]))


@given(levels, levels, fits, st.floats(1.01, 3))
def test_loss_is_proportional_to_the_rate_and_the_interval_goes_with_it(one, other, found, times):
    factors = common(*found)
    first = both(level(*one), level(*other), factors).total
    second = both(level(one[0] * times, *one[1:]), level(other[0] * times, *other[1:]), factors).total
    assert first is not None and second is not None and first.high is not None and second.high is not None
    assert second.kg_ha == pytest.approx(times * first.kg_ha)
    assert (second.low, second.high) == (pytest.approx(times * first.low), pytest.approx(times * first.high))
    assert first.low < first.kg_ha < first.high


# ---------------------------------------------------------------- one factor, two points


@given(levels, levels, fits)
def test_one_common_factor_leaves_the_total_no_surer_than_the_factor(one, other, found):
    total = both(level(*one), level(*other), common(*found)).total
    assert total is not None and min(total.u_low, total.u_high) >= found[1]


@given(levels, levels, fits)
def test_two_factors_found_apart_leave_the_total_surer_than_a_common_one(one, other, found):
    first, second = level(*one), level(*other)
    shared, apart = both(first, second, common(*found)).total, both(first, second, separate(*found)).total
    assert shared is not None and apart is not None
    assert isclose(shared.kg_ha, apart.kg_ha)
    assert apart.u_low < shared.u_low and apart.u_high < shared.u_high


@given(st.floats(1, 30), fits)
def test_two_equal_points_with_factors_found_apart_share_the_doubt_by_the_root_of_two(mean, found):
    """Beside 2 % for width and 1 % for speed, which both share, and counting made nearly exact."""
    exact = level(mean, 1 - 1e-6, 1 + 1e-6)
    total = both(exact, exact, separate(*found)).total
    assert total is not None
    assert total.u_high == pytest.approx((found[1] ** 2 / 2 + 0.02**2 + 0.01**2) ** 0.5, rel=1e-3)


@given(levels, levels, fits)
def test_with_a_common_factor_each_point_carries_the_split_and_the_total_does_not(one, other, found):
    result = both(level(*one), level(*other), common(*found))
    alone = both(level(*one), level(*other), separate(*found))
    for name in NAMES:
        assert result.points[name].u_high ** 2 == pytest.approx(alone.points[name].u_high ** 2 + 0.4**2, rel=1e-6)


def test_the_mean_of_a_job_is_no_surer_than_its_common_factor_however_long_it_is():
    drive = Drive()
    drive.calibrated((30, 28, 20, 22), 8.0, 10.0, 13.0)
    reckoner = drive.engine.reckoner
    u = reckoner.calibration.factors.points["separator"].u
    assert reckoner.calibration.factors.common
    for _ in range(3):
        drive.run(200, 30, 28, 20, 22)
        budget = reckoner.mean_loss(reckoner.totals).budget
        assert budget is not None and budget.u >= u
        assert budget.largest is not None and budget.largest.name.startswith("factor")


# ---------------------------------------------------------------- half blind, saturated


@FEW
@given(st.integers(8, 60), st.integers(8, 60), masses, st.integers(0, 3))
def test_a_silent_side_is_stood_in_for_by_its_twin_and_widens_the_interval(separator, cleaning, mass_g, silent):
    drive, sound = Drive(), Drive()
    whole = (separator, separator, cleaning, cleaning)
    for one in (drive, sound):
        one.calibrated(whole, mass_g, mass_g * 1.1, mass_g * 0.95)
    before = sound.run(90, *whole)  # the same moment with nothing wrong
    point = NAMES[silent // 2]
    after = drive.run(90, *(rate * (at != silent) for at, rate in enumerate(whole)))
    assert f"half-blind {point}" in after.flag_words and f"half-blind {point}" not in before.flag_words
    assert silent in after.silent_inputs
    assert after.points[point].kg_ha == pytest.approx(before.points[point].kg_ha, rel=0.03)  # twice the live side
    assert relative_width(after.points[point]) > relative_width(before.points[point])
    assert after.points[point].left_share is None
    assert after.pulses_per_s[point] == pytest.approx(before.pulses_per_s[point] / 2)  # what was counted is not embellished
    back = drive.run(90, *whole)
    assert f"half-blind {point}" not in back.flag_words


@given(levels, levels, fits)
def test_half_blind_adds_its_uncertainty_to_its_point_and_its_share_of_it_to_the_total(one, other, found):
    first, second = level(*one), level(*other)
    sound, blind = both(first, second, separate(*found)), both(first, second, separate(*found), half_blind=True)
    assert blind.points[NAMES[0]].kg_ha == sound.points[NAMES[0]].kg_ha
    assert blind.points[NAMES[0]].u_high ** 2 == pytest.approx(sound.points[NAMES[0]].u_high ** 2 + 0.3**2, rel=1e-6)
    assert blind.points[NAMES[1]] == sound.points[NAMES[1]]
    assert blind.total is not None and sound.total is not None
    assert sound.total.u_high < blind.total.u_high < blind.points[NAMES[0]].u_high + sound.total.u_high


def test_a_half_blind_point_never_narrows_the_interval_of_the_total():
    """Three tray tests of both points (t of 2 degrees of freedom is 2.92): a further term must not make the answer surer."""
    one, other = level(4.0, 0.9, 1.1), level(4.0, 0.9, 1.1)
    sound = both(one, other, common(10.0, 0.17, 2.0)).total
    blind = both(one, other, common(10.0, 0.17, 2.0), half_blind=True).total
    assert sound is not None and blind is not None and sound.high is not None and blind.high is not None
    assert blind.high >= sound.high and blind.low <= sound.low


def test_both_sides_silent_is_unknown_and_not_nothing():
    drive = Drive()
    drive.calibrated((30, 30, 20, 20), 10.0)
    after = drive.run(60, 0, 0, 20, 20)
    assert "blind separator" in after.flag_words
    assert after.points["separator"].kg_ha is None and after.loss is not None and after.loss.kg_ha is None


@FEW
@given(st.integers(300, 900), masses)
def test_from_three_tenths_hidden_the_upper_end_is_unknown_for_5_s(rate, mass_g):
    drive = Drive(dead_time_us=1000)
    quiet = (30, 30, 20, 20)
    assert loss(drive.calibrated(quiet, mass_g)).high is not None
    hit = drive.run(1, rate, 30, 20, 20)
    assert loss(hit).high is None and hit.points["separator"].high is None and hit.points["cleaning"].high is not None
    assert loss(hit).low is not None and "saturated separator" in hit.flag_words and hit.saturated_inputs == (0,)
    drive.run(8, *quiet)
    unknown = [one.loss is not None and one.loss.high is None for one in drive.figures[-9:]]
    assert unknown == sorted(unknown, reverse=True) and sum(unknown) in (5, 6)


def test_just_under_three_tenths_is_not_saturated():
    drive = Drive(dead_time_us=1000)
    drive.calibrated((30, 30, 20, 20), 10.0)
    under = drive.run(1, 299, 30, 20, 20)
    assert loss(under).high is not None and under.saturated_inputs == ()
    assert under.pulses_per_s["separator"] == pytest.approx(299 / (1 - 0.299) + 30 / (1 - 0.030))


@pytest.mark.parametrize(("saturated_s", "known"), [(10, True), (60, False)])
def test_a_job_s_upper_end_is_unknown_when_over_a_tenth_of_its_work_was_saturated(saturated_s, known):
    drive = Drive(dead_time_us=1000)
    drive.calibrated((30, 30, 20, 20), 10.0)
    drive.run(saturated_s, 400, 30, 20, 20)
    drive.run(100, 30, 30, 20, 20)
    reckoner = drive.engine.reckoner
    assert (saturated_s / reckoner.totals.seconds["working"] <= 0.1) is known
    mean = reckoner.mean_loss(reckoner.totals)
    assert mean.kg_ha is not None and mean.low is not None and (mean.high is not None) is known


@FEW
@given(rates)
def test_without_a_tray_test_only_pulse_rates_are_known(rates):
    assume(min(rates) > 3)
    figures = Drive().run(60, *rates)
    assert figures.loss is not None
    assert [getattr(figures.loss, key) for key in ("kg_ha", "low", "high", "pct", "t_h", "value_h", "over_limit_p")] == [None] * 7
    assert figures.pulses_per_s == {"separator": rates[0] + rates[1], "cleaning": rates[2] + rates[3]}
