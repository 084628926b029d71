"""Every rule's raise, hold and clear; the life of an alarm by the open standards; floods; noted conditions.

States and their order follow ISA-18.2 / IEC 62682 (normal, unacknowledged, acknowledged, returned unacknowledged, shelved
for a stated time); the flood threshold of ten in ten minutes is theirs too, both as secondary sources give them.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from edge.contract import entries, settings
from edge.contract.errors import EntryError
from edge.contract.flags import Flag, RaisedFlag
from edge.feed.assembler import Event, Part, Second
from edge.judge.alerts.condition import Condition
from edge.judge.alerts.judge import Judge
from edge.judge.alerts.rules import LOOKS, RANK, RULES, WAS
from edge.reckon.figures import CalibrationFigure, Figures, LossFigure, PointFigure
from tests.bench import bench_alerts
from tests.kits.figures import told_by_inputs
from tests.kits.settings import Table, beam, both_sides, ground, kit_toml, shaft

T0 = 1_790_000_000
DOWN_AND_ON, STANDING_OFF = 0b11, 0b00
BEAM = beam(empty_pct=20, full_pct=85)


def settings_text(blocks: Table = BEAM) -> str:
    """Both sides of both points, a beam, ground, a fan, and limits."""
    inputs = [*both_sides("separator", "cleaning"), blocks, ground(), shaft("fan")]
    return kit_toml(inputs, name="test", limits={"loss_kg_ha": 60, "returns_pct": 80})


SETTINGS = settings_text()
COUNTS = [10, 10, 10, 10, 300, 20, 14]


class Bench:
    """Feeds seconds to a judge and gathers what it says."""

    def __init__(self, more: str = "", **alerts: float) -> None:
        table = "".join(f"{key} = {value}\n" for key, value in alerts.items())
        self.judge = Judge(settings.parse(SETTINGS + more + (f"[alerts]\n{table}" if table else "")))
        self.n = 0
        self.said: list[tuple[int, str, str]] = []
        self.calm = Figures(
            0, 0, "working", 7.0, 6.3, LossFigure(30.0, 25.0, 35.0, 1.0, 0.2, 60.0, 0.02),
            {"separator": PointFigure(15.0, 12.0, 18.0, 0.5), "cleaning": PointFigure(15.0, 12.0, 18.0, 0.5)},
            {"separator": 20.0, "cleaning": 20.0}, told_by_inputs(40.0, fan=860.0),
            CalibrationFigure("good", {"separator": 1400.0, "cleaning": 1400.0}, 3, 600.0, ""), None, None, [], 2.0, 18.0, 60.0,
        )  # fmt: skip

    def work(self, seconds: int = 1, counts=None, levels=DOWN_AND_ON, events=(), parts=None, **figures):
        """Seconds of work, changed as said; returns the changes of the last."""
        changes = []
        returns_pct, shafts = figures.pop("returns_pct", 40.0), figures.pop("shafts", {"fan": 860.0})
        figures["inputs"] = told_by_inputs(returns_pct, **shafts) | figures.pop("inputs", {})
        for _ in range(seconds):
            self.n += 1
            made = replace(self.calm, number=self.n, t=T0 + self.n, **figures)
            given = [Part(levels, 0, 1000, counts or COUNTS)] if parts is None else parts
            second = Second(self.n, T0 + self.n, given, 10, (T0 + self.n) * 1000, {}, None, list(events))
            changes = self.judge.step(made, second)
            self.said += [(self.n, change.name, change.state) for change in changes]
        return changes

    def idle(self, seconds: int = 1, levels=STANDING_OFF, speed_kmh=0.0, **more):
        figures = {"loss": None, "returns_pct": None, "counts": [0] * 7, **more}
        figures.setdefault("pulses_per_s", {"separator": 0.0, "cleaning": 0.0})
        return self.work(seconds, levels=levels, state="idle", speed_kmh=speed_kmh, **figures)

    def states(self, name: str) -> list[str]:
        return [state for _, one, state in self.said if one == name]

    def one(self, name: str):
        return next((change for change in self.judge.open if change.name == name), None)

    def learn(self, plain: dict):
        entry = entries.from_plain(plain)
        self.judge.admit(entry)
        changes = self.judge.learn(entry, (T0 + self.n) * 1000)
        self.said += [(self.n, change.name, change.state) for change in changes]
        return changes


def loss(p: float, kg_ha: float = 80.0, twice_p: float = 0.0) -> dict:
    return {"loss": LossFigure(kg_ha, kg_ha, kg_ha, 1.0, 0.2, 60.0, p, twice_p)}


def held(name: str, raise_s: int, clear_s: int, on: dict, bench: Bench | None = None, first: int = 70) -> Bench:
    """A rule raises in second `raise_s` of its condition and not before, and returns in second `clear_s` without it."""
    bench = bench or Bench()
    bench.work(first)
    assert bench.one(name) is None
    bench.work(max(raise_s, 1) - 1, **on)
    assert bench.one(name) is None, "too early"
    bench.work(1, **on)
    assert bench.one(name).state == "raised"
    bench.work(max(clear_s, 1) - 1)
    assert bench.one(name).state == "raised", "cleared too early"
    bench.work(1)
    assert bench.one(name).state == "returned"
    assert bench.states(name) == ["raised", "returned"]
    return bench


# ---------------------------------------------------------------------------------------- each rule


def test_loss_over_limit_is_held_3_s_and_cleared_after_60():
    held("loss-over-limit", 3, 60, loss(0.93))


def test_loss_between_the_probabilities_neither_raises_nor_clears():
    bench = Bench()
    bench.work(200, **loss(0.5))
    assert bench.said == []
    bench.work(3, **loss(0.95))
    bench.work(500, **loss(0.5))
    assert bench.states("loss-over-limit") == ["raised"]


def test_the_holds_and_probabilities_are_settings():
    held("loss-over-limit", 7, 20, loss(0.75), Bench(raise_p=0.7, raise_s=7, clear_s=20))


def test_loss_is_danger_where_it_is_surely_over_twice_the_limit_told_again_after_a_minute():
    bench = Bench()
    bench.work(3, **loss(0.95, 90.0))
    assert bench.one("loss-over-limit").severity == "caution"
    bench.work(59, **loss(0.99, 130.0, 0.95))
    assert bench.one("loss-over-limit").severity == "caution"
    bench.work(1, **loss(0.99, 130.0, 0.95))
    alert = bench.one("loss-over-limit")
    assert (alert.severity, alert.value, alert.limit) == ("danger", 130.0, 60.0)
    assert bench.states("loss-over-limit") == ["raised", "raised"]


def test_a_mean_over_twice_the_limit_is_no_danger_while_its_interval_reaches_below():
    """130 of 60 kg/ha, and one time in three less than 120: a caution, however long it stays so."""
    bench = Bench()
    bench.work(600, **loss(0.97, 130.0, 0.67))
    assert bench.one("loss-over-limit").severity == "caution"
    assert bench.states("loss-over-limit") == ["raised"]


def test_a_danger_must_hold_before_it_is_told_and_does_not_flap():
    bench = Bench()
    bench.work(70, **loss(0.97, 125.0))
    for _ in range(100):  # two seconds of each, where three must hold
        bench.work(2, **loss(0.99, 135.0, 0.91))
        bench.work(2, **loss(0.99, 125.0, 0.6))
    assert bench.one("loss-over-limit").severity == "caution"
    bench.work(3, **loss(0.99, 140.0, 0.91))
    assert bench.one("loss-over-limit").severity == "danger"
    for _ in range(20):  # once a danger, it stays one while it is likelier than not, and for a minute after
        bench.work(30, **loss(0.99, 125.0, 0.6))
        bench.work(30, **loss(0.97, 110.0, 0.3))
    assert bench.one("loss-over-limit").severity == "danger"
    bench.work(31, **loss(0.97, 110.0, 0.49))
    assert bench.one("loss-over-limit").severity == "caution"
    assert bench.states("loss-over-limit") == ["raised"] * 3, "raised, danger, eased"


def test_the_probability_that_makes_a_danger_is_the_settings_raise_p():
    bench = Bench(raise_p=0.7)
    bench.work(3, **loss(0.99, 130.0, 0.72))
    assert bench.one("loss-over-limit").severity == "danger"


def test_a_danger_that_eased_is_shown_as_caution_and_needs_no_second_acknowledgement():
    bench = Bench()
    bench.work(3, **loss(0.99, 150.0, 0.95))
    assert bench.one("loss-over-limit").severity == "danger"
    bench.learn({"entry": "ack", "alert": "loss-over-limit"})
    bench.work(59, **loss(0.95, 90.0))
    assert bench.one("loss-over-limit").severity == "danger"
    bench.work(2, **loss(0.95, 90.0))
    assert (bench.one("loss-over-limit").severity, bench.one("loss-over-limit").state) == ("caution", "acknowledged")


def test_a_limit_that_moves_goes_into_the_raised_alert():
    bench = Bench()
    bench.work(3, **loss(0.99, 90.0))
    bench.learn({"entry": "ack", "alert": "loss-over-limit"})
    bench.work(59, limit_kg_ha=50.0, **loss(0.99, 90.0))
    assert bench.one("loss-over-limit").limit == 60.0, "not twice in a minute"
    bench.work(2, limit_kg_ha=50.0, **loss(0.99, 90.0))
    assert (bench.one("loss-over-limit").limit, bench.one("loss-over-limit").state) == (50.0, "acknowledged")
    told = len(bench.said)
    bench.work(120, limit_kg_ha=50.2, **loss(0.99, 90.0))
    assert len(bench.said) == told, "a yield that settles moves a percent limit a little"


def test_an_open_verdict_asks_for_no_further_change():
    bench = Bench()
    bench.judge.await_verdict(True)
    bench.work(3, **loss(0.99, 90.0))
    action = bench.one("loss-over-limit").action
    assert action == "Ease off a little now. Leave the settings until the newest change has its verdict."
    bench.judge.await_verdict(False)
    bench.work(62, **loss(0.99, 90.0))
    assert "change one setting" in bench.one("loss-over-limit").action, "once it is in"
    assert bench.states("loss-over-limit") == ["raised", "raised"]
    bench.judge.await_verdict(True)
    bench.work(62, **loss(0.99, 90.0))
    assert "Leave the settings" in bench.one("loss-over-limit").action


@pytest.mark.parametrize("state", ["turning", "filling"])
def test_nothing_of_work_is_raised_or_counted_while_turning_or_filling(state):
    bench = Bench()
    bench.work(2, **loss(0.95))
    bench.work(120, state=state, silent_inputs=(0,), saturated_inputs=(1,), returns_pct=95.0, **loss(0.99))
    assert bench.said == []
    bench.work(2, **loss(0.95))
    assert bench.said == [], "what held before the headland does not count"
    bench.work(1, **loss(0.95))
    assert bench.states("loss-over-limit") == ["raised"]


def test_a_headland_neither_clears_an_alert_nor_counts_towards_clearing():
    bench = Bench()
    bench.work(3, **loss(0.95))
    bench.work(30)
    bench.work(100, state="turning", loss=None)
    assert bench.one("loss-over-limit").state == "raised"
    bench.work(30)
    assert bench.one("loss-over-limit").state == "returned"


def test_no_data():
    bench = Bench()
    bench.work(10)
    gone = {"state": "no data", "loss": None, "speed_kmh": None, "parts": []}
    bench.work(2, **gone)
    assert bench.one("no-data") is None
    bench.work(1, **gone)
    assert (bench.one("no-data").state, bench.one("no-data").severity) == ("raised", "danger")
    bench.work(5)
    assert bench.one("no-data").state == "returned"


def test_returns_over_limit_with_its_deadband():
    bench = held("returns-over-limit", 3, 60, {"returns_pct": 85.0})
    assert bench.judge.open[0].value == 85.0
    again = Bench()
    again.work(3, returns_pct=85.0)
    again.work(300, returns_pct=77.0)
    assert again.one("returns-over-limit").state == "raised", "77 of 80 is in the deadband"


def test_a_limit_entry_moves_the_returns_limit():
    bench = Bench()
    bench.learn({"entry": "limit", "returns_pct": 30})
    bench.work(3)
    assert bench.one("returns-over-limit").limit == 30.0
    other = Bench()
    other.judge.restore({"entry": "limit", "returns_pct": None})
    other.work(10, returns_pct=99.0)
    assert other.said == []


@pytest.mark.parametrize("what", ["clean_grain", "unthreshed_heads", "chaff"])
def test_a_look_at_the_returns_acknowledges_their_alert_and_names_the_cause(what):
    bench = Bench()
    bench.work(3, returns_pct=85.0)
    bench.learn({"entry": "returns_look", what: "much"})
    alert = bench.one("returns-over-limit")
    assert (alert.state, alert.cause, alert.action) == ("acknowledged", *LOOKS[what])
    bench.work(60)
    assert bench.one("returns-over-limit") is None
    bench.work(3, returns_pct=85.0)
    assert bench.one("returns-over-limit").cause == LOOKS[what][0], "still of the last half hour"


def test_side_imbalance_at_more_than_twice_the_fair_share():
    points = {"separator": PointFigure(15.0, 12.0, 18.0, 0.70), "cleaning": PointFigure(15.0, 12.0, 18.0, 0.5)}
    bench = held("side-imbalance/separator", 60, 60, {"points": points})
    assert "70 % on the left" in RULES["side-imbalance"].text + bench.judge.open[0].text
    bench = Bench()
    bench.work(300, points={**points, "separator": PointFigure(left_share=0.64)})
    assert bench.said == []


def test_with_a_centre_sensor_the_fair_share_of_the_left_is_a_third():
    centre = '[[input]]\nat = 7\nreads = "loss"\npoint = "separator"\nside = "centre"\n'
    bench = Bench(centre)
    third = {"separator": PointFigure(left_share=0.34), "cleaning": PointFigure(left_share=0.5)}
    bench.work(200, points=third)
    assert bench.said == []
    bench.work(60, points={**third, "separator": PointFigure(left_share=0.52)})
    assert bench.states("side-imbalance/separator") == ["raised"]


def test_input_silent_and_half_blind():
    held("input-silent/2", 1, 10, {"silent_inputs": (2,)})
    held("half-blind", 1, 10, {"flags": [RaisedFlag(Flag.TYPED_YIELD), RaisedFlag(Flag.HALF_BLIND, "cleaning")]})


def test_a_point_without_any_pulse_names_all_its_inputs():
    bench = Bench()
    bench.work(1, flags=[RaisedFlag(Flag.BLIND, "cleaning")])
    assert {name for _, name, _ in bench.said} == {"input-silent/2", "input-silent/3"}


def test_input_saturated():
    held("input-saturated/1", 3, 60, {"saturated_inputs": (1,)})


@pytest.mark.parametrize("blocked", [0, 990])
def test_a_beam_that_never_or_always_goes_dark_is_stuck(blocked):
    held("input-stuck/4", 30, 10, {"counts": [10, 10, 10, 10, blocked, 20, 14]})


def test_a_beam_whose_empty_paddles_do_not_darken_it_may_stay_bright():
    bench = Bench()
    bench.judge = Judge(settings.parse(settings_text(beam(empty_pct=0, full_pct=85))))
    bench.work(200, counts=[10, 10, 10, 10, 0, 20, 14])
    assert bench.said == []


def test_a_ground_input_that_says_90_km_h_is_stuck():
    held("input-stuck/5", 30, 10, {"speed_kmh": 90.0})


def test_a_sensor_that_counts_with_the_thresher_off_is_stuck():
    bench = Bench()
    bench.idle(29, counts=[40, 0, 0, 0, 0, 0, 0])
    assert bench.said == []
    bench.idle(1, counts=[40, 0, 0, 0, 0, 0, 0])
    assert bench.states("input-stuck/0") == ["raised"]


def test_shaft_low_against_its_own_working_speed():
    bench = Bench()
    bench.work(70)
    bench.work(100, shafts={"fan": 800.0})
    assert bench.said == [], "7 % under"
    held("shaft-low/fan", 3, 60, {"shafts": {"fan": 780.0}})


def test_the_deadband_of_a_shaft_is_half_its_sag():
    bench = Bench()
    bench.work(70)
    bench.work(3, shafts={"fan": 780.0})
    bench.work(300, shafts={"fan": 810.0})
    assert bench.one("shaft-low/fan").state == "raised"
    assert bench.one("shaft-low/fan").limit == pytest.approx(0.92 * 860.0, abs=0.1)


def test_the_sag_is_a_setting():
    held("shaft-low/fan", 3, 60, {"shafts": {"fan": 680.0}}, Bench(shaft_low_pct=20))


def test_a_speed_that_was_set_is_learned_anew_and_one_that_just_fell_is_not():
    bench = Bench()
    bench.work(70)
    bench.learn({"entry": "setting", "what": "fan_rpm", "to": 700})
    bench.work(200, shafts={"fan": 700.0})
    assert bench.said == []
    bench.work(1200, shafts={"fan": 600.0})
    assert bench.states("shaft-low/fan") == ["raised"], "a fallen shaft stays low however long"


def test_a_shaft_outside_work_teaches_nothing():
    bench = Bench()
    bench.work(70)
    bench.idle(100, shafts={"fan": 0.0})
    bench.work(5)
    assert bench.said == []


def test_no_ground_speed_while_the_thresher_runs_in_crop():
    bench = Bench()
    bench.idle(9, levels=DOWN_AND_ON, speed_kmh=None)
    assert bench.said == []
    bench.idle(1, levels=DOWN_AND_ON, speed_kmh=None)
    assert bench.states("no-ground-speed") == ["raised"]
    bench.work(5)
    assert bench.one("no-ground-speed").state == "returned"


@pytest.mark.parametrize("levels", [0b00, 0b01, 0b10])
def test_no_ground_speed_is_nothing_in_the_yard(levels):
    bench = Bench()
    bench.idle(100, levels=levels, speed_kmh=None)
    assert bench.said == []


def test_a_wheel_sensor_that_died_in_crop_shows_by_the_pulses_that_go_on():
    bench = Bench()
    bench.work(100)
    bench.idle(100, levels=DOWN_AND_ON, speed_kmh=0.0, pulses_per_s={"separator": 3.0, "cleaning": 3.0})
    assert bench.said == [], "a machine that stands and empties itself"
    bench.idle(10, levels=DOWN_AND_ON, speed_kmh=0.0, pulses_per_s={"separator": 15.0, "cleaning": 15.0})
    assert bench.states("no-ground-speed") == ["raised"]


@pytest.mark.parametrize(("kind", "rule"), [("restart", "board-restarted"), ("clock step", "clock-stepped")])
def test_events_raise_at_once_and_end_after_a_minute(kind, rule):
    bench = Bench()
    bench.work(5, events=())
    bench.work(1, events=[Event(kind, (T0 + 6) * 1000, {})])
    assert bench.one(rule).state == "raised"
    bench.work(59)
    assert bench.one(rule).state == "raised"
    bench.work(1)
    assert bench.one(rule).state == "returned"


def test_mill_bypassed():
    bench = Bench()
    bench.learn({"entry": "setting", "what": "mill", "to": "bypassed"})
    bench.work(3)
    assert bench.states("mill-bypassed") == ["raised"]
    bench.learn({"entry": "setting", "what": "mill", "to": "engaged"})
    bench.work(60)
    assert bench.one("mill-bypassed").state == "returned"
    other = Bench()
    other.judge.restore({"entry": "setting", "what": "mill", "to": "bypassed"})
    other.work(3)
    assert other.states("mill-bypassed") == ["raised"]


def test_tray_overdue_counts_hours_of_work_since_a_used_test():
    bench = Bench(tray_overdue_h=0.1)
    bench.work(300)
    bench.idle(1000)
    bench.work(59)
    assert bench.said == []
    bench.work(1)
    alert = bench.one("tray-overdue")
    assert (alert.state, alert.severity, alert.value, alert.limit) == ("raised", "notice", 0.1, 0.1)
    four = replace(bench.calm.calibration, tests=4)
    bench.work(1, calibration=four)
    assert bench.one("tray-overdue").state == "returned"
    bench.work(359, calibration=four)
    assert bench.states("tray-overdue") == ["raised", "returned"]
    bench.work(1, calibration=four)
    assert bench.one("tray-overdue").state == "raised"


def test_hours_of_earlier_runs_count():
    bench = Bench()
    bench.judge.restore_hours(3.9995, 0.0)
    bench.work(3)
    assert bench.states("tray-overdue") == ["raised"]
    assert bench.judge.hours == (pytest.approx(4.0, abs=0.01), pytest.approx(3 / 3600))


def test_gauge_overdue_and_a_gauge_check():
    bench = Bench(gauge_overdue_h=0.1)
    bench.work(360)
    assert bench.states("gauge-overdue") == ["raised"]
    bench.learn({"entry": "gauge", "sieve": "top", "readout_mm": 16, "measured_mm": 17})
    bench.work(1)
    assert bench.one("gauge-overdue").state == "returned"


@pytest.mark.parametrize(("rule", "raise_s"), [("disk-low", 1), ("store-moved", 1), ("broker-away", 30)])
def test_noted_conditions_are_judged_with_seconds(rule, raise_s):
    bench = Bench()
    bench.work(5)
    bench.judge.note(rule, "", True, detail="120 MB left.", value=120.0, limit=500.0)
    bench.work(raise_s)
    alert = bench.one(rule)
    assert (alert.state, alert.value, alert.limit) == ("raised", 120.0, 500.0)
    assert alert.text.endswith("120 MB left.")
    bench.judge.note(rule, "", False)
    bench.work(5)
    assert bench.one(rule).state == "returned"


def test_noted_conditions_are_judged_without_seconds_and_pass_over_to_them():
    bench = Bench()
    bench.judge.note("broker-away", "", True)
    said = [change for s in range(40) for change in bench.judge.facts((T0 + s) * 1000)]
    assert [(change.name, change.state) for change in said] == [("broker-away", "raised")]
    assert bench.judge.facts((T0 + 39) * 1000 + 200) == [], "the same second again"
    bench.work(50)
    assert bench.states("broker-away") == []
    bench.judge.note("broker-away", "", False)
    bench.work(5)
    assert bench.states("broker-away") == ["returned"]


def test_a_silence_is_no_long_hold():
    """After an hour without a call (a suspended board) one call counts for a minute at most."""
    bench = Bench()
    bench.judge.facts(T0 * 1000)
    bench.judge.note("disk-low", "", True)
    bench.judge.facts((T0 + 1) * 1000)
    bench.learn({"entry": "shelve", "alert": "disk-low", "minutes": 2})
    assert bench.judge.facts((T0 + 3600) * 1000) == []
    assert [c.state for c in bench.judge.facts((T0 + 3660) * 1000)] == ["raised"]


def test_an_unknown_rule_is_refused():
    with pytest.raises(KeyError):
        Bench().judge.note("no-such-rule", "", True)


# ---------------------------------------------------------------------------------------- life


def test_acknowledged_then_cleared_and_raised_again():
    bench = Bench()
    bench.work(3, **loss(0.95))
    bench.learn({"entry": "ack", "alert": "loss-over-limit"})
    bench.work(60)
    bench.work(3, **loss(0.95))
    assert bench.states("loss-over-limit") == ["raised", "acknowledged", "cleared", "raised"]


def test_returned_waits_for_its_acknowledgement():
    bench = Bench()
    bench.work(3, **loss(0.95))
    bench.work(1000)
    assert bench.one("loss-over-limit").state == "returned"
    assert bench.one("loss-over-limit").ended_ms == (T0 + 4) * 1000
    bench.learn({"entry": "ack", "alert": "loss-over-limit"})
    assert bench.judge.open == []
    assert bench.states("loss-over-limit") == ["raised", "returned", "cleared"]


def test_shelved_for_its_stated_time_then_told_again():
    bench = Bench()
    bench.work(3, **loss(0.95))
    changes = bench.learn({"entry": "shelve", "alert": "loss-over-limit", "minutes": 2})
    assert changes[0].until_ms == (T0 + 3 + 120) * 1000
    bench.work(119, **loss(0.95))
    assert bench.states("loss-over-limit") == ["raised", "shelved"]
    bench.work(1, **loss(0.95))
    assert bench.states("loss-over-limit") == ["raised", "shelved", "raised"]


def test_a_shelf_lasts_while_the_condition_comes_and_goes():
    bench = Bench(clear_s=5)
    bench.work(3, **loss(0.95))
    bench.learn({"entry": "shelve", "alert": "loss-over-limit", "minutes": 10})
    for _ in range(4):
        bench.work(70)
        bench.work(30, **loss(0.95))
    assert set(bench.states("loss-over-limit")[1:]) == {"shelved", "cleared"}
    bench.work(10)
    bench.work(400)
    assert bench.judge.open == []
    bench.work(3, **loss(0.95))
    assert bench.one("loss-over-limit").state == "raised"


def test_an_acknowledgement_ends_a_shelf():
    bench = Bench()
    bench.work(3, **loss(0.95))
    bench.learn({"entry": "shelve", "alert": "loss-over-limit", "minutes": 2})
    bench.learn({"entry": "ack", "alert": "loss-over-limit"})
    bench.work(300, **loss(0.95))
    assert bench.one("loss-over-limit").state == "acknowledged"


def test_only_open_alerts_can_be_acknowledged_or_shelved():
    bench = Bench()
    bench.work(1, silent_inputs=(2,))
    with pytest.raises(EntryError, match="allowed: input-silent/2"):
        bench.learn({"entry": "ack", "alert": "loss-over-limit"})
    with pytest.raises(EntryError, match="shelve: alert"):
        bench.learn({"entry": "shelve", "alert": "input-silent/3", "minutes": 5})


def test_at_most_one_raise_a_minute_whatever_flaps():
    bench = Bench(raise_s=0, clear_s=0)
    for _ in range(300):
        bench.work(1, returns_pct=99.0, **loss(0.99))
        bench.work(1)
    for name in ("loss-over-limit", "returns-over-limit"):
        times = [n for n, one, state in bench.said if one == name and state == "raised"]
        assert len(times) == 10
        assert all(b - a >= 60 for a, b in zip(times, times[1:], strict=False))


def test_open_and_record_name_everything():
    bench = Bench()
    bench.work(1, silent_inputs=(2,))
    plain = bench.judge.open[0].to_plain()
    assert plain["rule"] == "input-silent" and plain["object"] == "2" and plain["state"] == "raised"
    assert plain["since_ms"] == plain["at_ms"] == (T0 + 1) * 1000 and plain["ended_ms"] is None


# ---------------------------------------------------------------------------------------- floods


def flooded() -> Bench:
    bench = Bench()
    bench.work(10)
    bench.work(3, silent_inputs=(0, 1, 2, 3), flags=[RaisedFlag(Flag.HALF_BLIND, "separator")], **loss(0.99, 150.0, 0.95))
    return bench


def test_a_flood_shows_the_worst_three_and_counts_the_rest():
    bench = flooded()
    shown = {change.name for change in bench.judge.open if not change.suppressed and change.rule != "flood"}
    assert len(shown) <= 4 and "loss-over-limit" in shown, "a danger always stands in front"
    flood = bench.one("flood")
    assert flood.severity == "notice"
    kept_back = [change.name for change in bench.judge.open if change.suppressed]
    assert flood.value == len(kept_back) >= 2
    assert f"{len(kept_back)} more are kept back" in flood.text


def test_what_a_flood_kept_back_is_in_the_record_and_told_when_it_is_over():
    bench = flooded()
    back = next(change for change in bench.judge.open if change.suppressed)
    assert back.to_plain()["suppressed"] is True
    for name in [change.name for change in bench.judge.open if not change.suppressed and change.rule != "flood"]:
        bench.learn({"entry": "ack", "alert": name})
    bench.work(65, silent_inputs=(0, 1, 2, 3), flags=[RaisedFlag(Flag.HALF_BLIND, "separator")], **loss(0.99, 130.0))
    assert not any(change.suppressed for change in bench.judge.open)
    assert bench.states(back.name) == ["raised", "raised"]
    times = [n for n, one, state in bench.said if one == back.name and state == "raised"]
    assert times[1] - times[0] >= 60
    assert bench.one("flood") is None or bench.one("flood").state == "returned"


def test_three_alerts_are_no_flood_and_eleven_in_ten_minutes_are():
    bench = Bench(clear_s=0)
    bench.work(1, silent_inputs=(0, 1, 2))
    assert bench.one("flood") is None and not any(change.suppressed for change in bench.judge.open)
    for _ in range(5):
        bench.work(80)
        bench.work(1, silent_inputs=(0, 1))
    assert bench.judge._flood.on, "13 raises within ten minutes"


# ---------------------------------------------------------------------------------------- words and cost


def test_the_rules_are_the_contract_s_and_flood_alone_is_added():
    danger = {"loss-over-limit", "no-data"}
    caution = {"returns-over-limit", "side-imbalance", "input-silent", "input-stuck", "input-saturated", "shaft-low",
               "no-ground-speed", "board-restarted", "clock-stepped", "mill-bypassed", "disk-low", "store-moved"}  # fmt: skip
    notice = {"tray-overdue", "gauge-overdue", "broker-away", "half-blind", "flood"}
    assert {name for name, rule in RULES.items() if rule.severity == "danger"} == danger
    assert {name for name, rule in RULES.items() if rule.severity == "caution"} == caution
    assert {name for name, rule in RULES.items() if rule.severity == "notice"} == notice


@pytest.mark.parametrize("rule", RULES.values(), ids=lambda rule: rule.name)
def test_every_rule_says_cause_consequence_and_action(rule):
    for words in (rule.what, rule.consequence, rule.cause, rule.action):
        assert words.endswith(".") and len(words) > 10
    assert rule.text == f"{rule.what} {rule.consequence}"
    assert rule.severity in RANK
    hands = ("look at the", "clean", "gauge the", "tap")
    if any(word in rule.action.lower() for word in hands) and rule.name not in ("broker-away",):
        assert "engine off" in rule.action, "the caution comes with the step"


def test_a_second_with_nothing_on_costs_little():
    """The figure itself (under 6 microseconds) is the bench's; here only that nobody made it many times dearer."""
    assert bench_alerts.microseconds(5000) < 60


def test_a_doubled_loss_is_told_within_20_s_small():
    assert bench_alerts.step_told(40, 0.5, bench_alerts.Case(), 1) >= 37


def test_a_loss_under_the_limit_seldom_cries_wolf_small():
    """Few hours scatter: the mean of at most 1 is the bench's, over 60."""
    assert bench_alerts.raises_an_hour(6, 0.75, 0.2, bench_alerts.Case(), 2) <= 1.5
    assert bench_alerts.raises_an_hour(4, 0.9, 0.25, bench_alerts.Case(), 2) <= 6


# ---------------------------------------------------------------------------------------- what has ended; names


@pytest.mark.parametrize("rule", RULES.values(), ids=list(RULES))
def test_what_has_ended_tells_what_was_of_the_same_subject(rule):
    told = rule.told(Condition(True, subject="separator, left", detail="12 of 40."))
    assert told.startswith("Separator, left: ") and told.endswith("12 of 40.")
    was = rule.ended(told)
    assert was == f"Separator, left: {WAS[rule.name][:1].lower()}{WAS[rule.name][1:]} 12 of 40."
    assert rule.ended(rule.told(Condition(True))) == WAS[rule.name]
    assert rule.consequence not in was
    assert rule.ended("The words of an earlier version.") == WAS[rule.name]


@pytest.mark.parametrize("told_first", [True, False], ids=["acknowledged before", "not acknowledged"])
def test_an_alert_that_has_ended_gives_no_order(told_first):
    bench = Bench()
    bench.work(5)
    bench.work(1, silent_inputs=(2,))
    raised = bench.one("input-silent/2")
    assert raised.text.startswith("Cleaning, left: a sensor gives no pulses while it should.") and raised.action
    if told_first:
        bench.learn({"entry": "ack", "alert": "input-silent/2"})
    (ended,) = bench.work(10)
    assert ended.state == ("cleared" if told_first else "returned") and ended.ended_ms == (T0 + 7) * 1000
    assert ended.text == "Cleaning, left: a sensor gave no pulses while it should have." and ended.action == ""
    assert ended.severity == "caution", "the record keeps what it was"
    again = Bench()
    again.judge.restore_alerts([ended.to_plain()], ended.at_ms + 1000)
    assert all(change.action == "" for change in again.judge.open)
    bench.work(60)
    bench.work(1, silent_inputs=(2,))
    anew = bench.one("input-silent/2")
    assert (anew.text, anew.action, anew.ended_ms) == (raised.text, raised.action, None), "it stands again"


def test_every_input_that_is_wrong_is_called_by_its_name():
    """As the screen Kit names it: the point and the side, never a number alone."""
    bench = Bench()
    bench.work(5)
    flags = [RaisedFlag(Flag.HALF_BLIND, "separator"), RaisedFlag(Flag.BLIND, "cleaning")]
    bench.work(1, silent_inputs=(0, 2, 3), flags=flags)
    bench.work(3, silent_inputs=(0, 2, 3), flags=flags, saturated_inputs=(1,))
    names = {"input-silent/0": "Separator, left: ", "input-silent/2": "Cleaning, left: ", "input-silent/3": "Cleaning, right: ",
             "input-saturated/1": "Separator, right: ", "half-blind": "Separator, left: "}  # fmt: skip
    for name, start in names.items():
        assert bench.one(name).text.startswith(start), name
    stuck = Bench()
    stuck.work(30, counts=[10, 10, 10, 10, 1000, 20, 14])
    assert stuck.one("input-stuck/4").text.startswith("Returns beam: an input does not follow the machine.")
    assert not any("nput 4" in change.text for change in stuck.judge.open)
