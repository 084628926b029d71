"""Broker, disk, database and line as alerts and records, on a clock in the test's hand."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import pytest

from edge.contract.settings import parse
from edge.engine.engine import Engine
from edge.judge.alerts.judge import AlertChange
from edge.keep.store import FILE_NAME
from edge.live.clock import HandClock, Stamps
from edge.live.surroundings import FixListener, Surroundings
from edge.reckon.figures import Figures
from tests.kits.faults.stores import SETTINGS, START_S, opened, settle
from tests.kits.kit import rows


@dataclass
class Broker:
    """What the voice says of the broker, and what it is told."""

    away_s: float = 0.0
    why_away: str = "connection refused"
    twin: bool = False
    alive: bool = True

    def __post_init__(self) -> None:
        self.told: list[AlertChange] = []

    def live(self, figures: Figures) -> None:
        """Not looked at here."""

    def alert(self, change: AlertChange) -> None:
        self.told.append(change)


@dataclass
class Line:
    """What the reader says of the line."""

    fault: str = ""


class Kit:
    def __init__(self, folder: Path, floor_mb: float = 0.0) -> None:
        self.store = opened(folder, floor_mb)
        self.broker, self.line = Broker(), Line()
        self.clock = HandClock(START_S * 1000)
        ear = FixListener(self.store)
        self.engine = Engine(parse(SETTINGS), ear, self.broker)
        self.facts = Surroundings(self.engine, self.store, self.broker, ear, self.clock, Stamps(self.clock), self.line)  # type: ignore[arg-type]

    def pass_time(self, seconds: int, idle_s: float = 0.0) -> None:
        for _ in range(seconds):
            self.clock.advance(1.0)
            self.facts.look(self.clock.wall_ms(), idle_s)

    def states(self, rule: str) -> list[tuple[str, int]]:
        """States of an alert on record, with the second since the start at which each came."""
        settle(self.store)
        found = rows(self.store.path, "SELECT body FROM record WHERE kind = 'alert' ORDER BY seq")
        bodies = [json.loads(row[0]) for row in found]
        return [(body["state"], round(body["at_ms"] / 1000 - START_S)) for body in bodies if body["rule"] == rule]

    def told(self, rule: str) -> AlertChange:
        """The first that the broker heard of an alert."""
        return next(change for change in self.broker.told if change.rule == rule)


@pytest.fixture
def kit(tmp_path):
    made = Kit(tmp_path)
    yield made
    made.store.close()


def test_a_broker_is_away_when_it_stays_away_and_the_alert_ends_with_it(kit):
    for second in range(100):
        kit.broker.away_s = float(second)
        kit.pass_time(1)
    assert kit.states("broker-away") == [("raised", 60)]  # away for 30 s, and that for 30 s
    assert "Connection refused." in kit.told("broker-away").text
    kit.broker.away_s = 0.0
    kit.pass_time(10)
    assert [state for state, _ in kit.states("broker-away")][1:] in (["returned"], ["cleared"])


def test_a_broker_that_restarts_is_not_away(kit):
    for second in range(200):
        kit.broker.away_s = float(second % 29)
        kit.pass_time(1)
    assert kit.states("broker-away") == []


def test_a_low_disk_is_said_with_both_figures(tmp_path):
    kit = Kit(tmp_path, floor_mb=1e6)
    try:
        kit.pass_time(5)
        assert [state for state, _ in kit.states("disk-low")] == ["raised"]
        change = kit.told("disk-low")
        assert change.limit == 1e6 and change.value is not None and 0 < change.value < 1e6
        assert "1000000 wanted" in change.text
    finally:
        kit.store.close()


def test_a_moved_database_is_said_at_the_start_and_waits_for_an_acknowledgement(tmp_path):
    opened(tmp_path).close()
    (tmp_path / FILE_NAME).write_bytes(b"broken" * 1000)
    kit = Kit(tmp_path)
    try:
        kit.pass_time(90)
        states = kit.states("store-moved")
        assert states[0][0] == "raised" and states[0][1] <= 2
        assert [state for state, _ in states[1:]] == ["returned"]
        assert ".damaged-" in kit.told("store-moved").text
    finally:
        kit.store.close()


def test_no_counts_since_the_start_are_said_with_the_line_s_own_fault_once(kit):
    kit.line.fault = "/dev/ttyUSB0: held by another program"
    kit.pass_time(40, idle_s=10.0)
    assert [state for state, _ in kit.states("no-data")] == ["raised"]
    assert kit.told("no-data").text.endswith("/dev/ttyUSB0: held by another program.")


def test_an_open_line_without_sentences_is_said_too(kit):
    kit.pass_time(4)
    assert kit.states("no-data") == []
    kit.pass_time(10)
    assert [state for state, _ in kit.states("no-data")] == ["raised"]


def test_a_twin_is_on_record_once(kit):
    kit.broker.twin = True
    kit.pass_time(5)
    kit.broker.twin = False
    kit.pass_time(5)
    settle(kit.store)
    assert rows(kit.store.path, "SELECT body FROM record WHERE kind = 'twin kit'") == [('{"kit":"kit1"}',)]


def test_a_writer_that_has_ended_ends_the_run_instead_of_measuring_for_nothing(kit):
    kit.store.close()
    with pytest.raises(RuntimeError, match="only a new start helps"):
        kit.pass_time(2)




def test_a_voice_that_has_ended_ends_the_run_instead_of_a_kit_that_nobody_hears(kit):
    kit.broker.alive = False
    with pytest.raises(RuntimeError, match="only a new start helps"):
        kit.pass_time(2)
