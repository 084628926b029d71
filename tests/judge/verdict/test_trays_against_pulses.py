"""A verdict by trays stands beside the pulses: where both can't be true neither counts, and empty trays are counted."""

from __future__ import annotations

import re
from math import exp
from typing import Any

import numpy as np
import pytest
from scipy import stats

from edge.contract import entries
from edge.judge.verdict.compare import Evidence, compare
from edge.judge.verdict.course import Course, CourseMark, CourseSecond
from edge.judge.verdict.interval import RatioInterval
from edge.judge.verdict.kernels import Catch, catch, found_nothing, share_ratio
from edge.reckon.fit import calibration
from edge.reckon.fit.calibration import Window
from edge.reckon.fit.trays import measure
from edge.reckon.statistics.ratio import RateRatio

T0, LAG, TGW_G, RESIDUE_M = 1_700_000_000, 10.0, 40.0, 9.1
METRES = 10 * 7.0 / 3.6
CHANGE_S = 1200


def course(before: float, after: float) -> Course:
    """Twenty minutes at each rate of pulses a second and point, 7 km/h, 9 m, counting noise; the fan was slowed between."""
    random, made = np.random.default_rng(1), Course(("separator", "cleaning"))
    for second in range(1, 2 * CHANGE_S + 1):
        mean = before if second <= CHANGE_S else after
        pulses = tuple(float(one) for one in random.poisson(mean, 2))
        metres = 7.0 / 3.6
        made.take(CourseSecond(T0 + second, "working", 1000, metres * 9, metres, pulses, (0.0, 0.0), None, False, LAG))
    made.mark(CourseMark("setting", CHANGE_S, T0 + CHANGE_S, LAG + 20, 1, 1, "fan_rpm", "fan_rpm", 980.0, 860.0))
    return made


def test_of(at_s: float, rate: float, trays: list[dict[str, Any]], **more: Any) -> calibration.Test:
    """A tray test while so many pulses a second came from each point, its result worked out from its trays."""
    plain = {"entry": "tray", "trays": trays, "residue_width_m": RESIDUE_M, **more}
    entry = entries.from_plain(plain)
    assert isinstance(entry, entries.TrayEntry)
    seen = Window(10, 10, (7.0,) * 10, METRES, 10.0, (10 * rate,) * 2, (10 * rate,) * 2, False, METRES * 9)
    return calibration.Test(1, T0 + at_s, "", entry, seen, measure(entry, TGW_G, RESIDUE_M), 1)


test_of.__test__ = False  # type: ignore[attr-defined]


def four(grains: int, width_m: float = 0.5) -> list[dict[str, Any]]:
    return [{"grains": grains + k, "length_m": 1.0, "width_m": width_m} for k in (-3, 1, 2, 0)]


def asked(before: float, after: float, *tests: calibration.Test) -> dict[str, Any]:
    return compare(course(before, after), 1, Evidence(tests, [0.0, 0.0], None, {1: TGW_G}))


BEFORE = (test_of(300, 10.0, four(40)), test_of(600, 10.0, four(42)), test_of(900, 10.0, four(38)))


def test_a_width_typed_in_centimetres_does_not_make_a_verdict() -> None:
    """The slip that once said 97 % less: half a metre typed as 50, on 9.1 m of residue."""
    right = [test_of(1500, 6.2, four(25)), test_of(1800, 6.2, four(24))]
    without = asked(10.0, 6.2, *BEFORE, *right)
    assert (without["verdict"], without["basis"], without["grade"]) == ("better", "grain", "so far")
    assert without["ratio"] == pytest.approx(0.61, abs=0.05)

    slips = [test_of(1500, 6.2, four(25, width_m=50.0)), test_of(1800, 6.2, four(24, width_m=50.0))]
    answer = asked(10.0, 6.2, *BEFORE, *slips)
    assert answer["verdict"] == "not enough data"
    assert (answer["ratio"], answer["low"], answer["high"], answer["grade"]) == (None, None, None, None)
    assert answer["after"]["kg_ha"] is None, "nor the kilograms that the slip would give"
    assert answer["points"] == {}
    words = answer["words"]
    assert "tray tests and pulses contradict each other after the fan went from 980 rpm to 860 rpm" in words
    assert "By the tray tests grain lost per hectare fell 97 %" in words
    assert re.search(r"by the pulses alone loss pulses per hectare fell 3[789] % \(90 % interval 3\d to 4\d % less\)", words)
    assert "width, length, count" in words
    assert words.index("two people in radio contact") < words.index("Then lay another tray test")
    assert answer["next"] == {"step": "tray", "to": 860.0, "minutes": None}
    assert answer["before"]["minutes"] == without["before"]["minutes"]


def test_better_by_trays_and_worse_by_pulses_is_neither() -> None:
    after = [test_of(1500 + 200 * k, 14.0, four(16)) for k in range(3)]
    answer = asked(10.0, 14.0, *BEFORE, *after)
    assert answer["verdict"] == "not enough data"
    assert "grain lost per hectare fell" in answer["words"]
    assert "loss pulses per hectare rose" in answer["words"]


def test_trays_that_only_differ_from_the_pulses_are_believed() -> None:
    """Pulses halve because the stream moves off the plate; the trays find as much grain as before."""
    after = [test_of(1500 + 200 * k, 5.0, four(40 + k)) for k in range(3)]
    answer = asked(10.0, 5.0, *BEFORE, *after)
    assert (answer["verdict"], answer["basis"]) == ("no detectable change", "grain")
    assert answer["pulses"]["high"] < 1


def test_two_intervals_contradict_across_a_gap_of_more_than_three() -> None:
    def interval(low: float, high: float | None) -> RatioInterval:
        return RatioInterval((low + (high or low)) / 2, low, high)

    assert not interval(0.10, 0.20).contradicts(interval(0.6, 0.8))
    assert interval(0.10, 0.19).contradicts(interval(0.6, 0.8))
    assert interval(0.6, 0.8).contradicts(interval(0.10, 0.19))
    assert interval(1.1, 1.3).contradicts(interval(0.7, 0.9)), "worse against better, however near"
    assert not interval(0.9, 1.3).contradicts(interval(0.7, 0.9))
    assert not interval(0.1, None).contradicts(interval(0.7, 0.9))
    assert interval(3.0, None).contradicts(interval(0.7, 0.9))


# ---------------------------------------------------------------- few kernels, and none


def test_kernels_per_exposure_give_the_published_exact_interval() -> None:
    """Counts 60 and 30 over 51477.5 and 54308.7 (Gu et al. 2008): 2.10999757, exact central 95 % 1.3397357 to 3.3883656."""
    one = frozenset({"both"})
    found = share_ratio(_Plain(30, 54308.7, 1, one), _Plain(60, 51477.5, 1, one), 0.95)
    assert found is not None and found.high is not None
    assert found.ratio == pytest.approx(2.10999757, rel=1e-8)
    assert (found.low, found.high) == (pytest.approx(1.339735721772650, rel=1e-9), pytest.approx(3.388365573616252, rel=1e-9))


class _Plain(Catch):
    """Counts that scatter as counts do, without what tests differ by."""

    scatter = 1.0  # type: ignore[assignment]


@pytest.mark.parametrize(("before", "after"), [(12, 0), (0, 9), (3, 1), (7, 2)])
def test_the_interval_is_that_of_the_conditional_binomial(before: int, after: int) -> None:
    """Clopper and Pearson by scipy's exact binomial test, as the share of the kernels that fell after."""
    both = frozenset({"both"})
    found = share_ratio(_Plain(before, 800.0, 1, both), _Plain(after, 500.0, 1, both))
    share = stats.binomtest(after, before + after).proportion_ci(0.9, "exact")
    assert found is not None
    scale = 800.0 / 500.0
    assert found.low == pytest.approx(scale * share.low / (1 - share.low), abs=1e-9)
    if before:
        assert found.high == pytest.approx(scale * share.high / (1 - share.high), rel=1e-9)
    else:
        assert found.high is None and found.ratio is None


def test_an_empty_catch_keeps_the_exposure_of_its_trays() -> None:
    """Four trays of half a square metre on 9.1 m hold the loss of 4 x 0.5 / 9.1 metres of travel, with kernels or without."""
    full, empty = test_of(300, 10.0, four(40)), test_of(300, 10.0, [{"grains": 0, "length_m": 1.0, "width_m": 0.5}] * 4)
    weighed = test_of(300, 10.0, [{"mass_g": 1.6, "length_m": 1.0, "width_m": 0.5}] * 4)
    wanted = 4 * 0.5 / RESIDUE_M / METRES * 200
    for test, kernels in ((full, 160), (empty, 0), (weighed, 160)):
        found = catch([test], ("separator", "cleaning"), [0.0, 0.0], [1.0, 1.0], TGW_G)
        assert (found.kernels, found.pulses) == (pytest.approx(kernels), pytest.approx(wanted, rel=1e-9))
    assert found_nothing([empty, empty]) and not found_nothing([empty, full]) and not found_nothing([])


def test_empty_trays_after_a_change_bound_the_loss_from_above() -> None:
    empty = [test_of(1500 + 100 * k, 5.0, [{"grains": 0, "length_m": 1.0, "width_m": 0.5}] * 4) for k in range(3)]
    few = tuple(test_of(300 * (1 + k), 10.0, [{"grains": 1, "length_m": 1.0, "width_m": 0.5}] * 4) for k in range(3))
    answer = asked(10.0, 5.0, *few, *empty)
    assert (answer["verdict"], answer["basis"], answer["ratio"], answer["low"]) == ("better", "grain", 0.0, 0.0)
    assert answer["after"]["kg_ha"] == 0.0
    # 12 kernels in three tests, then none in three; half the pulses were behind those. Tests scatter by 35 % (from memory).
    scatter = 1 + 0.35**2 * 4
    bound = stats.beta.ppf(0.95, 1, 12 / scatter)
    share = bound / (1 - bound) / scatter / 0.5
    assert answer["high"] == pytest.approx(share * answer["pulses"]["high"], rel=1e-6)
    assert "fell 100 %" in answer["words"]


def test_empty_trays_that_the_pulses_deny_count_for_nothing() -> None:
    """As many pulses as before, 160 kernels a test before, and not one after: a tray was not where the grain fell."""
    empty = [test_of(1500 + 100 * k, 10.0, [{"grains": 0, "length_m": 1.0, "width_m": 0.5}] * 4) for k in range(3)]
    answer = asked(10.0, 10.0, *BEFORE, *empty)
    assert answer["verdict"] == "not enough data"
    assert "contradict" in answer["words"] and "fell 100 %" in answer["words"]


def test_kernels_where_there_were_none_are_worse_without_a_ratio() -> None:
    empty = tuple(test_of(300 * (1 + k), 5.0, [{"grains": 0, "length_m": 1.0, "width_m": 0.5}] * 4) for k in range(3))
    after = [test_of(1500 + 200 * k, 10.0, [{"grains": 1, "length_m": 1.0, "width_m": 0.5}] * 4) for k in range(3)]
    answer = asked(5.0, 10.0, *empty, *after)
    assert (answer["verdict"], answer["ratio"], answer["high"]) == ("worse", None, None)
    assert answer["low"] > 1
    assert "rose from none that was found" in answer["words"]


def test_no_kernel_on_either_side_says_nothing_about_grain() -> None:
    none = [{"grains": 0, "length_m": 1.0, "width_m": 0.5}] * 4
    answer = asked(10.0, 6.0, test_of(600, 10.0, none), test_of(1800, 6.0, none))
    assert (answer["verdict"], answer["basis"]) == ("better", "pulses")


def test_few_kernels_hold_their_level() -> None:
    """Tests that differ by 35 %, few kernels each, nothing changed: at most 10 of 100 intervals leave 1 out."""
    random, missed, runs, both = np.random.default_rng(5), 0, 2000, frozenset({"both"})
    sd = np.log(1 + 0.35**2) ** 0.5
    for _ in range(runs):
        mean = random.uniform(0.5, 4.0)
        before, after = (
            int(random.poisson(mean * np.exp(sd * random.standard_normal(tests) - sd**2 / 2)).sum()) for tests in (3, 2)
        )
        found = share_ratio(Catch(before, 300.0, 3, both), Catch(after, 200.0, 2, both))
        missed += found is not None and (found.low > 1 or (found.high is not None and found.high < 1))
    assert missed / runs < 0.1


def test_a_ratio_of_counts_times_one_of_pulses() -> None:
    pulses = RatioInterval.of_log(-0.5, 0.2)
    joined = pulses.times(RateRatio(1.2, 0.6, 2.4))
    assert joined.ratio == pytest.approx(1.2 * exp(-0.5))
    assert joined.low == pytest.approx(joined.ratio * exp(-((0.2**2 + np.log(2) ** 2) ** 0.5)))
    assert pulses.times(RateRatio(0.0, 0.0, 0.4)).plain() == {"ratio": 0.0, "low": 0.0, "high": pytest.approx(0.4 * exp(-0.3))}
    assert pulses.times(RateRatio(None, 3.0, None)).plain() == {"ratio": None, "low": pytest.approx(3 * exp(-0.7)), "high": None}
