"""An entry that only says where a setting stands changes nothing: no span, no tray test, no verdict, whenever it comes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.contract import entries
from edge.contract import settings as settings_module
from edge.engine.engine import Nowhere
from edge.judge.verdict.changes import open_change
from edge.judge.verdict.compare import Evidence, compare
from edge.judge.verdict.course import Course, CourseMark, CourseSecond
from edge.judge.watch import Watch
from edge.keep import readonly
from edge.playback.blocks import Database, read_database
from edge.reckon.entered.inforce import InForce, SettingChange, same_value
from tests.kits.drive import T0, Drive
from tests.kits.engines import NOON, EngineKit, job_toml

Story = list[tuple[int, str, float | str | None, float | str]]


def watched(story: Story, minutes: int = 40) -> Watch:
    """Entries (second, what, from, to) told to a kit that works all the time; `crop` names a crop in `to`."""
    drive = Drive()
    watch = Watch(drive.reckoner)
    waiting = sorted(story, key=lambda one: one[0])
    for second in range(1, minutes * 60 + 1):
        rate = 8.0 + 4.0 * ((second // 600) % 2)
        moment = CourseSecond(T0 + second, "working", 1000, 20.0, 2.0, (rate, rate + second % 5), (0.0, 0.0), 30.0, False, 10.0)
        watch.course.take(moment)
        drive.number = second
        while waiting and waiting[0][0] <= second:
            _, what, was, to = waiting.pop(0)
            plain: dict[str, Any] = {"entry": "setting", "what": what, "to": to}
            if what == "crop":
                plain = {"entry": "crop", "name": to, "tgw_g": 40.0}
            elif was is not None:
                plain["from"] = was
            drive.tell(**plain)
            watch.learn(entries.from_plain(plain), drive.now_ms)
    return watch


def verdicts(watch: Watch) -> list[dict[str, Any]]:
    """The verdicts on real changes, in order."""
    return [watch.compare(one.n) for one in watch.reckoner.now.changes if one.moves_machine]


CHANGES: Story = [
    (600, "fan_rpm", 980.0, 860.0), (1200, "fan_rpm", None, 980.0), (1500, "crop", None, "barley"),
    (1900, "concave_mm", 18.0, 14.0),
]  # fmt: skip
STANDS = st.sampled_from([("rotor_rpm", None, 800.0), ("top_sieve_mm", None, 16.0), ("mill", "none", "none")])


@given(st.lists(st.tuples(st.integers(1, 2399), STANDS), max_size=6))
def test_verdicts_are_what_they_would_be_without_it(told: list[tuple[int, tuple[str, Any, Any]]]) -> None:
    plain, more = watched(CHANGES), watched([*CHANGES, *((second, *stands) for second, stands in told)])
    assert verdicts(more) == verdicts(plain)
    assert len(more.reckoner.now.changes) == 3 + len(told), "they are counted all the same"
    assert (open_change(more.course) is None) == (open_change(plain.course) is None)


def test_first_values_in_a_row_are_not_two_settings_at_once() -> None:
    watch = watched([(700, "fan_rpm", None, 980.0), (701, "rotor_rpm", None, 800.0), (702, "concave_mm", None, 18.0)])
    assert open_change(watch.course) is None and watch.due() is None
    for n, words in ((1, "The fan is at 980 rpm"), (2, "The rotor is at 800 rpm"), (3, "The concave is at 18 mm")):
        answer = watch.compare(n)
        assert (answer["verdict"], answer["ratio"], answer["grade"], answer["next"]) == ("not enough data", None, None, None)
        assert f"{words}: taken as what it stood at; give `from` if you changed it." in answer["words"]
    with pytest.raises(ValueError, match="allowed: 1 to 3"):
        watch.compare(4)


def test_a_value_that_stands_already_cuts_no_span() -> None:
    again: Story = [(300, "fan_rpm", 980.0, 980.0), (900, "fan_rpm", 860.0, 860.0), (901, "fan_rpm", None, 860.0)]
    plain, more = watched(CHANGES[:1]), watched([*CHANGES[:1], *again])
    assert verdicts(more) == verdicts(plain)
    assert "taken as what it stood at" in more.compare(3)["words"]


def test_after_a_change_of_crop_settings_are_told_again_and_the_next_change_is_judged(tmp_path: Path) -> None:
    """Verdict and advice once stood still from the crop entry on, waiting for a verdict that could never come."""
    told: list[tuple[str, dict[str, Any] | None]] = []

    class Heard(Nowhere):
        def state(self, name: str, message: dict[str, Any] | None) -> None:
            told.append((name, message))

    kit = EngineKit(tmp_path / "x.db")
    kit.engine._teller = Heard()
    kit.calibrate()
    for what, to in (("fan_rpm", 980), ("concave_mm", 18)):
        kit.enter(entry="setting", what=what, to=to)
    kit.work(600)
    kit.enter(entry="crop", name="barley", tgw_g=45, yield_t_ha=5.0, price_per_t=200)
    for what, to in (("fan_rpm", 980), ("concave_mm", 18), ("rotor_rpm", 750)):
        kit.enter(entry="setting", what=what, to=to)
    told.clear()
    kit.work(540)
    assert not any(message for name, message in told if name == "verdict"), "nothing was changed, so nothing is judged"
    advice = [message for name, message in told if name == "advice" and message]
    assert advice and advice[-1]["kind"] != "wait", "and nobody waits for it"
    kit.enter(entry="setting", what="fan_rpm", to=860)
    for minute in range(1, 13):
        told.clear()
        kit.work(60)
        judged = [message for name, message in told if name == "verdict"]
        assert len(judged) == 1 and judged[0] is not None and judged[0]["setting"] == 6, minute
        assert "Two settings at once" not in judged[0]["words"]
        if minute == 1:
            assert "Leave the settings" in next(one for name, one in told if name == "advice" and one)["words"]
    assert judged[0]["verdict"] == "no detectable change" and judged[0]["before"]["minutes"] > 8
    kit.end()


def test_a_change_right_after_the_crop_entry_is_where_the_crop_starts(tmp_path: Path) -> None:
    """Known values that are set for the new crop: changes, but nothing of this crop was worked before them."""
    told: list[dict[str, Any]] = []

    class Heard(Nowhere):
        def state(self, name: str, message: dict[str, Any] | None) -> None:
            if name == "advice" and message is not None:
                told.append(message)

    kit = EngineKit(tmp_path / "x.db")
    kit.engine._teller = Heard()
    kit.calibrate()
    kit.enter(entry="setting", what="fan_rpm", to=980)
    kit.work(600)
    kit.enter(entry="crop", name="barley", tgw_g=45, yield_t_ha=5.0, price_per_t=200)
    kit.enter(entry="setting", what="fan_rpm", to=860)
    kit.work(600)
    answer = kit.engine.watch.compare(2)
    assert answer["verdict"] == "not enough data" and answer["next"] == {"step": "free", "to": None, "minutes": None}
    assert "What stands now is what the next change is compared with" in answer["words"]
    assert told[-1]["kind"] != "wait", "eight minutes of work are there to compare with"
    kit.end()


# ---------------------------------------------------------------- what is in force


def test_what_is_a_baseline() -> None:
    def change(was: float | str | None, to: float | str, what: str = "fan_rpm") -> SettingChange:
        return SettingChange(1, 0.0, what, was, to)

    assert change(None, 860.0).is_baseline and change(860.0, 860.0).is_baseline and change("none", "none", "mill").is_baseline
    assert not change(980.0, 860.0).is_baseline and not change("none", "engaged", "mill").is_baseline
    assert not change(10.0, 12.0, "lag_s").moves_machine
    assert not same_value(None, None) and not same_value(1.0, "1") and same_value(0.1 + 0.2, 0.3)


def test_it_moves_no_factor_and_spoils_no_tray_test() -> None:
    drive = Drive()
    drive.go(100)
    drive.tell(entry="setting", what="fan_rpm", to=820, at=T0 + 75.0)
    drive.tell(**{"entry": "setting", "what": "rotor_rpm", "from": 700, "to": 700, "at": T0 + 76.0})
    drive.tray(2.0, at=T0 + 80.0)
    drive.go(1)
    assert [test.used for test in drive.reckoner.calibration.tests] == [True]
    now: InForce = drive.reckoner.now
    assert now.last_change(T0 + 80.0) == (None, "")
    drive.tell(entry="setting", what="top_sieve_mm", to=16)
    drive.tell(entry="setting", what="top_sieve_mm", to=16)
    assert now.moved_since("top_sieve_mm", T0 + 50.0) is None
    drive.tell(entry="setting", what="top_sieve_mm", to=20)
    assert now.moved_since("top_sieve_mm", T0 + 50.0) == (16.0, 20.0)


# ---------------------------------------------------------------- out of a database


def test_the_next_run_and_a_comparison_look_past_it(tmp_path: Path) -> None:
    path = tmp_path / "x.db"
    kit = EngineKit(path)
    kit.work(600)
    kit.enter(entry="setting", what="fan_rpm", to=860, **{"from": 980})
    changed_s = float(kit.at_s)
    kit.work(300)
    for what, to in (("rotor_rpm", 750), ("fan_rpm", 860), ("concave_mm", 18)):
        kit.enter(entry="setting", what=what, to=to)
    kit.work(300)
    live = kit.engine.watch.compare(1)
    kit.end()
    config = settings_module.parse(job_toml())
    again = read_database(path, config, 1)
    assert again.compare(1)["after"]["minutes"] == pytest.approx(live["after"]["minutes"], abs=0.01)
    assert again.compare(1)["after"]["minutes"] > 9
    with readonly.opened(path) as connection:
        assert Database(connection, config).open_since() == (changed_s, changed_s)
    next_run = EngineKit(path, NOON + 1300)
    assert [one.is_baseline for one in next_run.engine.reckoner.now.changes] == [False, True, True, True]
    next_run.drop()


def test_a_mark_that_says_what_stands_bounds_nothing() -> None:
    course = Course(("separator",))
    for second in range(1, 1801):
        course.take(CourseSecond(T0 + second, "working", 1000, 18.0, 2.0, (10.0,), (0.0,), None, False, 0.0))
    for n, (second, was, to) in enumerate([(100, None, 980.0), (900, 980.0, 860.0), (1200, 860.0, 860.0)], 1):
        course.mark(CourseMark("setting", second, T0 + float(second), 20.0, 1, n, "fan_rpm", "fan_rpm", was, to))
    answer = compare(course, 2, Evidence((), [0.0]))
    assert (answer["before"]["minutes"], answer["after"]["minutes"]) == (pytest.approx(15, abs=0.2), pytest.approx(14.6, abs=0.2))
