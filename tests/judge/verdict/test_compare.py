"""Verdicts: the two sides of a change, the rules of the contract, and the words."""

from __future__ import annotations

from math import exp
from typing import Any

import numpy as np
import pytest

from edge.contract import entries
from edge.judge.verdict import samples
from edge.judge.verdict.changes import numbered, open_change, sides
from edge.judge.verdict.compare import Evidence, compare
from edge.judge.verdict.course import Course, CourseMark, CourseSecond
from edge.reckon.fit import calibration
from edge.reckon.fit.calibration import Window
from edge.reckon.fit.trays import TrayResult

T0 = 1_700_000_000
LAG = 10.0
KEYS = ["verdict", "basis", "ratio", "low", "high", "level", "smallest_detectable_pct", "minutes_more", "before", "after",
        "points", "words"]  # fmt: skip


class Field:
    """An operator's afternoon in plain figures: 10 Hz of pulses at each point, 7 km/h, 9 m, no noise but counting."""

    def __init__(self, seed: int = 1) -> None:
        self.course = Course(("separator", "cleaning"))
        self.now = T0
        self.random = np.random.default_rng(seed)
        self.values: dict[str, float | str] = {}
        self.crop = 1

    def work(
        self, minutes: float, rate: float = 10.0, state: str = "working", returns: float | None = 30.0, kmh: float = 7.0,
        cleaning: float | None = None, blind: bool = False, noise: float = 0.0,
    ) -> Field:  # fmt: skip
        for _ in range(round(minutes * 60)):
            self.now += 1
            metres = kmh / 3.6
            means = rate, (rate if cleaning is None else cleaning)
            scatter = exp(noise * self.random.standard_normal())
            pulses = tuple(float(self.random.poisson(one * scatter)) for one in means)
            shown = None if returns is None else returns + 2.0 * float(self.random.standard_normal())
            self.course.take(CourseSecond(self.now, state, 1000, metres * 9.0, metres, pulses, (0.0, 0.0), shown, blind, LAG))
        return self

    def set(self, what: str, to: float | str, was: float | str | None = None, at_s: float | None = None) -> Field:
        n = len(numbered(self.course)) + 1
        was = self.values.get(what) if was is None else was
        self.values[what] = to
        stamp = float(self.now) if at_s is None else at_s
        self.course.mark(CourseMark("setting", self.course.count, stamp, LAG + 20.0, self.crop, n, what, what, was, to))
        return self

    def sample(self, **values: float) -> Field:
        one = CourseMark("sample", self.course.count, float(self.now), LAG + 20.0, self.crop, values=tuple(values.items()))
        self.course.mark(one)
        return self

    def new_crop(self) -> Field:
        self.crop += 1
        self.course.mark(CourseMark("crop", self.course.count, float(self.now), LAG + 20.0, self.crop))
        return self

    def ask(self, n: int = 1, tests: tuple[calibration.Test, ...] = (), limit: float | None = None) -> dict[str, Any]:
        return compare(self.course, n, Evidence(tests, [0.0, 0.0], limit))

    def minutes(self, n: int = 1) -> tuple[float, float]:
        answer = self.ask(n)
        return answer["before"]["minutes"], answer["after"]["minutes"]


def tray(number: int, at_s: float, grain_mg_m: float, pulses_m: float = 5.0, crop: int = 1) -> calibration.Test:
    """A used tray test of both streams: so much grain behind so many pulses a metre of both points together."""
    seen = Window(10, 10, (7.0,) * 10, 20.0, 10.0, (pulses_m * 10, pulses_m * 10), (pulses_m * 10, pulses_m * 10), False)
    entry = entries.from_plain({"entry": "tray", "trays": [{"grains": 100, "length_m": 1, "width_m": 1}], "residue_width_m": 9})
    assert isinstance(entry, entries.TrayEntry)
    result = TrayResult(
        **{
            **dict.fromkeys(TrayResult.__dataclass_fields__, 0.0),
            "machine_g_m": grain_mg_m / 1000, "u_machine_g_m": grain_mg_m * 1e-5, "counted": False,
        }
    )  # fmt: skip
    return calibration.Test(number, at_s, "", entry, seen, result, crop)


# ---------------------------------------------------------------- the two sides


def test_the_answer_has_the_keys_of_the_contract_and_its_verdict_follows_from_the_interval() -> None:
    for after, verdict in ((4.0, "better"), (25.0, "worse"), (10.2, "no detectable change")):
        answer = Field().work(15).set("fan_rpm", 860.0, 980.0).work(15, after).ask()
        assert [key for key in answer if key in KEYS] == KEYS
        assert answer["verdict"] == verdict
        low, high = answer["low"], answer["high"]
        assert ("better" if high < 1 else "worse" if low > 1 else "no detectable change") == verdict
        assert low < answer["ratio"] < high
        assert answer["ratio"] == pytest.approx(after / 10, rel=0.05)
        assert answer["level"] == 0.9
        assert answer["basis"] == "pulses"
        assert set(answer["points"]) == {"separator", "cleaning"}
        assert answer["before"]["kg_ha"] is None
        assert answer["before"]["returns_pct"] == pytest.approx(30, abs=0.3)


def test_turning_filling_and_guard_time_are_left_out() -> None:
    field = Field().work(10).work(1, rate=0, state="turning").work(1, rate=99, state="filling").work(4)
    field.set("fan_rpm", 860.0, 980.0).work(10)
    before, after = field.minutes()
    assert 13.5 <= before <= 14.0
    assert after == pytest.approx(10 - (LAG + 20) / 60, abs=0.1)
    assert field.ask()["ratio"] == pytest.approx(1.0, abs=0.06)


def test_before_is_half_an_hour_at_most_and_begins_at_the_last_change_or_crop() -> None:
    assert Field().work(50).set("fan_rpm", 860.0, 980.0).work(10).minutes()[0] == pytest.approx(30, abs=0.2)
    field = Field().work(20).set("rotor_rpm", 700.0, 780.0).work(12).set("fan_rpm", 860.0, 980.0).work(10)
    assert field.minutes(2)[0] == pytest.approx(11.5, abs=0.2)
    assert field.minutes(1)[1] == pytest.approx(11.5, abs=0.2)
    field = Field().work(20).new_crop().work(8).set("fan_rpm", 860.0, 980.0).work(10).new_crop().work(5)
    assert field.minutes() == (pytest.approx(7.5, abs=0.2), pytest.approx(9.5, abs=0.2))


def test_under_three_minutes_on_a_side_is_not_enough() -> None:
    answer = Field().work(20).set("fan_rpm", 860.0, 980.0).work(2.5).ask()
    assert answer["verdict"] == "not enough data"
    assert (answer["ratio"], answer["low"], answer["high"]) == (None, None, None)
    assert answer["minutes_more"] == 1
    assert "change nothing meanwhile" in answer["words"]
    assert Field().work(20).set("fan_rpm", 860.0, 980.0).work(3.6).ask()["verdict"] != "not enough data"
    answer = Field().work(2).set("fan_rpm", 860.0, 980.0).work(20).ask()
    assert answer["verdict"] == "not enough data"
    assert answer["minutes_more"] is None
    assert "What stands now is what the next change is compared with" in answer["words"]
    assert "back to 980" not in answer["words"]


def test_equal_values_pool_and_other_settings_do_not() -> None:
    field = Field().work(10).set("fan_rpm", 860.0, 980.0)
    for rate, to in ((6.0, 980.0), (10.0, 860.0), (6.0, 980.0)):
        field.work(10, rate).set("fan_rpm", to)
    field.work(10)
    first = field.ask(1)
    assert first["spans"] == {"before": 3, "after": 2}
    assert first["before"]["minutes"] == pytest.approx(29, abs=0.3)
    assert first["after"]["minutes"] == pytest.approx(19, abs=0.3)
    assert first["verdict"] == "better"
    assert "to and fro" in first["words"]
    second = field.ask(2)
    assert second["ratio"] == pytest.approx(1 / first["ratio"])
    assert second["verdict"] == "worse"
    # Another setting in between: the old value comes back on a machine that is no longer the same.
    field = Field().work(10).set("fan_rpm", 860.0, 980.0).work(10).set("rotor_rpm", 700.0, 780.0).work(10)
    field.set("fan_rpm", 980.0).work(10)
    assert field.ask(1)["spans"] == {"before": 1, "after": 1}


def test_two_settings_at_once_are_evidence_for_neither() -> None:
    field = Field().work(15).set("fan_rpm", 860.0, 980.0).work(0.7).set("top_sieve_mm", 14.0, 16.0).work(20, 4.0)
    for n in (1, 2):
        answer = field.ask(n)
        assert answer["verdict"] == "not enough data"
        assert answer["ratio"] is None
        assert "Two settings at once" in answer["words"]
        assert "evidence for neither" in answer["words"]
    assert "top sieve" in field.ask(1)["words"]
    assert "engine off" in field.ask(2)["words"]


def test_the_lag_is_no_machine_change() -> None:
    field = Field().work(15).set("fan_rpm", 860.0, 980.0).work(5, 4.0).set("lag_s", 12.0, 10.0).work(10, 4.0)
    assert field.ask(1)["after"]["minutes"] == pytest.approx(14.5, abs=0.3)
    assert field.ask(1)["verdict"] == "better"
    answer = field.ask(2)
    assert answer["verdict"] == "not enough data"
    assert "kit's own setting" in answer["words"]
    assert answer["before"] == {"minutes": 0.0, "kg_ha": None, "returns_pct": None}


def test_a_number_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match=r"setting: found 3; allowed: 1 to 1"):
        Field().work(5).set("fan_rpm", 860.0).ask(3)
    with pytest.raises(ValueError, match="no setting change"):
        Field().work(5).ask(1)


def test_an_entry_told_late_counts_from_its_own_time() -> None:
    field = Field().work(15).work(15, 5.0)
    field.set("fan_rpm", 860.0, 980.0, at_s=T0 + 900.0)
    answer = field.ask()
    assert answer["verdict"] == "better"
    assert answer["before"]["minutes"] == pytest.approx(15, abs=0.2)


def test_a_clock_that_was_set_back_moves_no_change() -> None:
    field = Field().work(15)
    field.now -= 5000
    field.work(5).set("fan_rpm", 860.0, 980.0).work(15, 5.0)
    answer = field.ask()
    assert answer["before"]["minutes"] == pytest.approx(20, abs=0.2)
    assert answer["ratio"] == pytest.approx(0.5, abs=0.05)


def test_seconds_in_which_a_point_is_deaf_are_no_evidence() -> None:
    field = Field().work(15).set("fan_rpm", 860.0, 980.0).work(8).work(8, 0.0, blind=True)
    assert field.ask()["after"]["minutes"] == pytest.approx(7.5, abs=0.2)
    assert field.ask()["verdict"] == "no detectable change"


def test_a_longer_lag_pairs_pulses_with_the_ground_they_came_from() -> None:
    # Speed doubles; the pulses follow 30 s later. Per area nothing changes.
    course = Course(("separator",))
    for second in range(1, 1201):
        metres = 2.0 if second <= 600 else 4.0
        pulses = 20.0 if second <= 630 else 40.0
        course.take(CourseSecond(T0 + second, "working", 1000, metres * 9, metres, (pulses,), (0.0,), None, False, 30.0))
    course.mark(CourseMark("setting", 600, T0 + 600.0, 50.0, 1, 1, "speed_kmh", "speed_kmh", 7.2, 14.4))
    answer = compare(course, 1, Evidence((), [0.0]))
    assert answer["ratio"] == pytest.approx(1.0, abs=1e-6)
    assert answer["after"]["kmh"] == pytest.approx(14.4)


def test_the_background_is_taken_off() -> None:
    course = Course(("separator",))
    for second in range(1, 1801):
        pulses = 12.0 if second <= 900 else 7.0
        course.take(CourseSecond(T0 + second, "working", 1000, 18.0, 2.0, (pulses,), (2.0,), None, False, 0.0))
    course.mark(CourseMark("setting", 900, T0 + 900.0, 20.0, 1, 1, "fan_rpm", "fan_rpm", 980.0, 860.0))
    assert compare(course, 1, Evidence((), [2.0]))["ratio"] == pytest.approx(0.5)


# ---------------------------------------------------------------- mixed, and grain


def test_loss_that_went_into_the_returns_is_mixed() -> None:
    answer = Field().work(15).set("top_sieve_mm", 12.0, 16.0).work(15, 5.0, returns=42.0).ask()
    assert answer["verdict"] == "mixed"
    assert answer["high"] < 1
    assert "returns rose from 30" in answer["words"]
    assert "half way back" in answer["words"]
    assert "engine off" in answer["words"]
    with_room = Field().work(15).set("fan_rpm", 860.0, 980.0).work(15, 5.0, returns=42.0).ask(limit=80.0)
    assert with_room["verdict"] == "mixed"
    assert "under their limit of 80 %" in with_room["words"]


def test_cracked_or_dirty_grain_makes_it_mixed() -> None:
    for key, name in (("cracked_pct", "cracked grain"), ("trash_pct", "trash")):
        field = Field().work(10).sample(**{key: 1.0}).work(5).set("rotor_rpm", 850.0, 780.0).work(8, 5.0)
        answer = field.sample(**{key: 4.0}).work(7, 5.0).ask()
        assert answer["verdict"] == "mixed"
        assert name in answer["words"]
        assert answer["before"][key] == 1.0
        assert answer["after"][key] == 4.0
    field = Field().work(10).sample(cracked_pct=1.0).work(5).set("rotor_rpm", 850.0, 780.0).work(8, 5.0)
    assert field.sample(cracked_pct=1.4).work(7, 5.0).ask()["verdict"] == "better"  # no hand sample shows 0.4 %


def test_when_loss_rose_too_it_is_worse_and_not_mixed() -> None:
    assert Field().work(15).set("fan_rpm", 860.0, 980.0).work(15, 20.0, returns=42.0).ask()["verdict"] == "worse"


def test_samples_rise_only_beyond_their_scatter() -> None:
    assert samples.rose([1.0], [3.5])
    assert not samples.rose([1.0], [2.0])
    assert samples.rose([1.0, 1.1, 0.9], [2.2, 2.4, 2.3])
    assert not samples.rose([1.0, 4.0], [3.0, 6.0])
    assert not samples.rose([3.5], [1.0])
    assert not samples.rose([], [5.0])
    assert samples.mean([]) is None


def test_pulses_are_grain_only_with_tray_tests_on_each_side() -> None:
    def asked(*tests: calibration.Test, what: str = "fan_rpm", after: float = 5.0) -> dict[str, Any]:
        return Field().work(20).set(what, 860.0, 980.0).work(20, after).ask(tests=tests)

    before = [tray(k, T0 + 300.0 + 200 * k, 5000.0 * (1 + 0.05 * (k - 1))) for k in range(3)]
    after = [tray(3 + k, T0 + 1500.0 + 200 * k, 5000.0 * (1 + 0.05 * (k - 1))) for k in range(3)]
    none, one_side, both = asked(), asked(*before), asked(*before, *after)
    assert [one["basis"] for one in (none, one_side, both)] == ["pulses", "pulses", "grain"]
    assert "a tray test on each side would confirm it" in none["words"]
    assert "two people in radio contact" in none["words"]
    assert "a tray test now, at 860 rpm, would confirm it" in one_side["words"]
    words = one_side["words"]
    assert words.index("two people in radio contact") < words.index("a tray test now")  # the caution before the step
    assert "tray test" not in both["words"]
    assert one_side["before"]["kg_ha"] == pytest.approx(2 * one_side["after"]["kg_ha"], rel=0.05)
    assert both["verdict"] == "better"
    # The trays' own scatter stands in the interval.
    assert both["high"] / both["low"] > both["pulses"]["high"] / both["pulses"]["low"]
    # A speed step doesn't move the stream: pulses say it all.
    plain = asked(*before, *after, what="speed_kmh")
    assert plain["basis"] == "pulses"
    assert "would confirm" not in plain["words"]


def test_grain_may_not_follow_the_pulses() -> None:
    # Pulses halve because the stream moved off the plate: the trays find as much grain as before.
    before = [tray(k, T0 + 300.0 + 200 * k, 5000.0 * (1 + 0.05 * (k - 1))) for k in range(3)]
    after = [tray(3 + k, T0 + 1500.0 + 200 * k, 10000.0 * (1 + 0.05 * (k - 1))) for k in range(3)]
    answer = Field().work(20).set("fan_rpm", 860.0, 980.0).work(20, 5.0).ask(tests=(*before, *after))
    assert answer["basis"] == "grain"
    assert answer["verdict"] == "no detectable change"
    assert answer["ratio"] == pytest.approx(1.0, abs=0.06)
    assert answer["pulses"]["high"] < 1
    assert answer["after"]["kg_ha"] == pytest.approx(answer["before"]["kg_ha"], rel=0.06)


def test_a_single_tray_each_side_says_that_it_is_the_limit() -> None:
    tests = (tray(1, T0 + 600.0, 5000.0), tray(2, T0 + 1800.0, 5000.0))
    answer = Field().work(20).set("fan_rpm", 860.0, 980.0).work(20, 7.5).ask(tests=tests)
    assert answer["basis"] == "grain"
    assert answer["verdict"] == "no detectable change"
    assert "lay another tray test" in answer["words"]


def test_unused_tests_and_other_crops_count_for_nothing() -> None:
    bad = tray(1, T0 + 600.0, 5000.0)
    bad.why = "speed moved"
    tests = (bad, tray(2, T0 + 700.0, 5000.0, crop=2), tray(3, T0 + 1800.0, 5000.0))
    assert Field().work(20).set("fan_rpm", 860.0, 980.0).work(20, 6.0).ask(tests=tests)["basis"] == "pulses"


# ---------------------------------------------------------------- what to do next


def test_no_change_says_what_could_be_seen_and_what_to_do() -> None:
    answer = Field().work(15, noise=0.3).set("fan_rpm", 960.0, 980.0).work(15, 10.0, noise=0.3).ask()
    assert answer["verdict"] == "no detectable change"
    assert 5 < answer["smallest_detectable_pct"] < 60
    assert "larger step" in answer["words"]
    assert "10 minutes at 980 rpm" in answer["words"]


def test_a_closed_change_promises_nothing() -> None:
    field = Field().work(15, noise=0.3).set("fan_rpm", 960.0, 980.0).work(6, 8.0, noise=0.3)
    field.set("rotor_rpm", 700.0, 780.0).work(9)
    assert field.ask(1)["minutes_more"] is None
    mark = open_change(field.course)
    assert mark is not None
    assert mark.n == 2
    assert sides(field.course, 1).open is False
    assert open_change(field.new_crop().course) is None


def test_only_the_newest_hours_are_kept_and_marks_stay_in_place() -> None:
    long, short = Course(("separator",)), Course(("separator",), kept_s=3600)
    for second in range(1, 9001):
        pulses = 10.0 if second <= 7200 else 5.0
        for course in (long, short):
            course.take(CourseSecond(T0 + second, "working", 1000, 18.0, 2.0, (pulses,), (0.0,), None, False, 0.0))
            if second == 7200:
                course.mark(CourseMark("setting", second, T0 + 7200.0, 20.0, 1, 1, "fan_rpm", "fan_rpm", 980.0, 860.0))
    assert 3600 <= len(short.table().t) <= 4500
    assert short.count == long.count == 9000
    assert compare(short, 1, Evidence((), [0.0])) == compare(long, 1, Evidence((), [0.0]))


# ---------------------------------------------------------------- straw clicks


def with_straw(number: int, pulses_m2: float, clicks_m2: float) -> calibration.Test:
    """A tray test before the change: 1000 mg a pulse beyond the straw's clicks, over 20 m of 9 m."""
    test = tray(number, T0 + 100.0 + number, 9.0 * 1000.0 * (pulses_m2 - clicks_m2) * (1 + 0.02 * (-1) ** number))
    each = (pulses_m2 * 180.0 / 2, pulses_m2 * 180.0 / 2)
    test.seen = Window(10, 10, (7.0,) * 10, 20.0, 10.0, each, each, False, 180.0)
    return test


def test_straw_clicks_that_the_trays_show_are_taken_off_the_loss_and_the_ratio() -> None:
    # 20 pulses a second over 17.5 m2/s are 1.143 per m2, 12 are 0.686; 0.4 of them come with straw.
    levels = (0.55, 0.7, 1.0, 1.4, 1.9, 2.4, 2.9, 3.3)
    tests = tuple(with_straw(k + 1, level, 0.4) for k, level in enumerate(levels))
    field = Field().work(20).set("speed_kmh", 7.0, 7.1).work(20, 6.0)
    answer = field.ask(tests=tests)
    left = (1.143 - 0.4, 0.686 - 0.4)
    assert answer["before"]["kg_ha"] == pytest.approx(10 * left[0], rel=0.06)
    assert answer["after"]["kg_ha"] == pytest.approx(10 * left[1], rel=0.12)
    assert answer["ratio"] == pytest.approx(left[1] / left[0], rel=0.1)
    parts = answer["points"]
    assert sum(parts[name]["before_kg_ha"] for name in parts) == pytest.approx(answer["before"]["kg_ha"], rel=1e-9)
    assert parts["cleaning"]["ratio"] == pytest.approx(answer["ratio"], rel=0.1)
    # How much comes with straw is known from the trays only, so the interval is wider than the pulses' own.
    assert answer["high"] / answer["low"] > answer["pulses"]["high"] / answer["pulses"]["low"]
    plain = field.ask()
    assert plain["ratio"] == pytest.approx(0.6, rel=0.03)
