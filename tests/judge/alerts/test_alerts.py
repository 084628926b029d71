"""Laws that alerts keep whatever comes: rule by rule they are worked out elsewhere."""

from __future__ import annotations

import os
from dataclasses import replace

import hypothesis.strategies as st
import pytest
from hypothesis import given, settings

from edge.contract import entries
from edge.contract.errors import EntryError
from edge.contract.flags import Flag, RaisedFlag
from edge.contract.settings import parse
from edge.feed.assembler import Event, Part, Second
from edge.judge.alerts.judge import AlertChange, Judge
from edge.judge.alerts.rules import RULES
from edge.reckon.figures import CalibrationFigure, Figures, LossFigure, PointFigure
from tests.kits.drive import KIT, T0
from tests.kits.figures import told_by_inputs

EXAMPLES = int(os.environ.get("TAILGRAIN_EXAMPLES", "100"))
LEVELS = {"working": 3, "filling": 3, "turning": 2, "idle": 0, "no data": 0}
CALM = Figures(
    0, 0, "working", 7.0, 7.0, LossFigure(30.0, 25.0, 35.0, 1.0, 0.2, None, 0.02),
    {"separator": PointFigure(20.0, 15.0, 25.0, 0.5), "cleaning": PointFigure(10.0, 8.0, 12.0, 0.5)},
    {"separator": 40.0, "cleaning": 20.0}, told_by_inputs(40.0, fan=860.0),
    CalibrationFigure("good", {}, 3, 600.0, ""), None, None, [], 2.0, 20.0, 60.0,
)  # fmt: skip


class Bench:
    def __init__(self, more: str = "[limits]\nloss_kg_ha = 60\nreturns_pct = 80\n") -> None:
        self.judge = Judge(parse(KIT + more))
        self.number = 0
        self.said: list[tuple[int, str, AlertChange]] = []

    def step(self, state: str = "working", p: float = 0.02, returns: float = 40.0, event: str = "", silent: bool = False) -> None:
        self.number += 1
        at_work = state in ("working", "filling")
        loss = replace(CALM.loss, kg_ha=30 + 90 * p, over_limit_p=p, over_twice_limit_p=0.9 * p) if at_work else None
        figures = replace(
            CALM, number=self.number, t=T0 + self.number, state=state, loss=loss,
            inputs=told_by_inputs(returns if state == "working" else None, fan=860.0),
            speed_kmh=None if state == "no data" else 7.0,
            silent_inputs=(0,) if silent else (),
            flags=[RaisedFlag(Flag.HALF_BLIND, "separator")] if silent else [],
        )  # fmt: skip
        t_ms = (T0 + self.number) * 1000
        events = [Event(event, t_ms, {})] if event else []
        parts = [] if state == "no data" else [Part(LEVELS[state], 100, 1000, [20, 20, 10, 10, 300, 20, 28])]
        second = Second(self.number, T0 + self.number, parts, 10 if parts else 0, t_ms, {}, None, events)
        self.hear(state, self.judge.step(figures, second))

    def hear(self, state: str, changes: list[AlertChange]) -> None:
        self.said += [(self.number, state, change) for change in changes]

    def tell(self, **plain) -> None:
        entry = entries.from_plain(plain)
        self.judge.admit(entry)
        self.hear("told", self.judge.learn(entry, (T0 + self.number) * 1000))

    def states(self, name: str) -> list[str]:
        return [change.state for _, _, change in self.said if change.name == name]


STEPS = st.lists(
    st.tuples(
        st.integers(1, 40),
        st.sampled_from(["working", "working", "working", "filling", "turning", "idle", "no data"]),
        st.sampled_from([0.0, 0.05, 0.5, 0.95, 1.0]),
        st.sampled_from([40.0, 78.0, 95.0]),
        st.sampled_from(["", "", "", "restart", "clock step"]),
        st.booleans(),
        st.sampled_from(["", "", "ack", "shelve", "brief"]),
    ),
    max_size=14,
)


@given(STEPS)
@settings(max_examples=EXAMPLES // 4)
def test_laws_of_every_alert(steps):
    bench = Bench()
    for seconds, state, p, returns, event, silent, told in steps:
        for second in range(seconds):
            bench.step(state, p, returns, event if second == 0 else "", silent)
        opened = [change for change in bench.judge.open if change.state != "shelved"]
        if told == "ack" and opened:
            bench.tell(entry="ack", alert=opened[0].name)
        elif told and opened:
            bench.tell(entry="shelve", alert=opened[0].name, minutes=0.1 if told == "brief" else 2)
    last: dict[str, str] = {}
    raised: dict[str, int] = {}
    for number, state, change in bench.said:
        assert change.rule in RULES and change.severity in ("danger", "caution", "notice")
        assert change.text and change.cause
        assert bool(change.action) is (change.ended_ms is None), "what has ended gives no order"
        assert change.state != "returned" or change.ended_ms is not None
        before = last.get(change.name, "cleared")
        follows = {
            "raised": ("cleared", "returned", "shelved", "raised", "acknowledged"),
            "acknowledged": ("raised", "acknowledged", "returned", "shelved"),
            "returned": ("raised", "shelved"),  # a shelf may end in the second in which the condition does
            "shelved": ("raised", "acknowledged", "returned", "shelved", "cleared"),
            "cleared": ("raised", "acknowledged", "returned", "shelved"),
        }
        assert before in follows[change.state], (number, before, change)
        if change.state == "raised" and change.rule != "flood":
            assert number - raised.get(change.name, -100) >= 60, f"{change.name} raised twice in a minute"
            raised[change.name] = number
            if RULES[change.rule].in_work:
                assert state not in ("turning", "filling"), change
        last[change.name] = change.state


@pytest.mark.parametrize("state", ["turning", "filling"])
@pytest.mark.parametrize("event", ["restart", "clock step"])
def test_none_is_raised_while_turning_or_filling(state, event):
    """Measurement 8: few and never flapping; none while turning or filling. The event is told when work goes on."""
    bench = Bench()
    for _ in range(70):
        bench.step()
    bench.step(state, event=event)
    for _ in range(10):
        bench.step(state)
    assert not bench.said
    for _ in range(5):
        bench.step()
    assert [change.state for _, _, change in bench.said] == ["raised"]


def test_a_shelf_that_ends_while_turning_is_told_when_work_goes_on():
    bench = Bench()
    for _ in range(40):
        bench.step(p=0.95)
    bench.tell(entry="shelve", alert="loss-over-limit", minutes=1)
    for _ in range(70):
        bench.step("turning")
    assert bench.states("loss-over-limit") == ["raised", "shelved"]


def test_raised_acknowledged_cleared():
    bench = Bench()
    for p in (0.02, 0.95, 0.95):
        bench.step(p=p)
    assert not bench.said
    bench.step(p=0.95)
    bench.tell(entry="ack", alert="loss-over-limit")
    for _ in range(60):
        bench.step(p=0.05)
    assert bench.states("loss-over-limit") == ["raised", "acknowledged", "cleared"]
    assert bench.judge.open == []


def test_raised_returned_acknowledged():
    bench = Bench()
    for _ in range(3):
        bench.step(p=0.95)
    for _ in range(60):
        bench.step(p=0.05)
    assert bench.states("loss-over-limit") == ["raised", "returned"]
    bench.tell(entry="ack", alert="loss-over-limit")
    assert bench.states("loss-over-limit")[-1] == "cleared"


def test_between_the_probabilities_nothing_moves():
    bench = Bench()
    for _ in range(200):
        bench.step(p=0.5)
    assert not bench.said
    for _ in range(3):
        bench.step(p=0.95)
    for _ in range(200):
        bench.step(p=0.5)
    assert bench.states("loss-over-limit") == ["raised"]


def test_an_unknown_alert_can_not_be_acknowledged():
    bench = Bench()
    with pytest.raises(EntryError, match="none is open"):
        bench.tell(entry="ack", alert="loss-over-limit")
