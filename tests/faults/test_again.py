"""Stopped and started again, silent for long, at the end of a recording: what a kit does is what a replay does, and goes on
from what earlier runs kept."""

from __future__ import annotations

import json
import logging
import sqlite3
import time
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from edge.contract import entries
from edge.contract import settings as settings_module
from edge.keep.store import FILE_NAME, Store
from edge.live.clock import HandClock
from edge.live.daemon import Daemon
from edge.playback.replay import replay
from tests.kits.board import board_toml
from tests.kits.faults.stores import START_S, season_of_records
from tests.kits.tools import free_port
from tests.kits.wire import count_line

HA_PER_S = 10 / 9.87 * 9.1 / 10_000
"""Ten ground pulses a second at 9.87 pulses per metre and 9.1 m cut width."""

STARTED_WITHIN_S = 1.0
"""Processor time for taking up 6,000 entries; looking each struct through anew took 5 s."""


class Hand:
    """A real daemon and database, fed by hand; its threads of line and broker are not started."""

    def __init__(self, folder: Path, at_s: int = START_S, crop: str = "wheat", record: Path | None = None) -> None:
        text = board_toml("hand", folder / "none", free_port(), folder, crop={"name": crop})
        self.config = settings_module.parse(text)
        self.clock = HandClock(at_s * 1000)
        self.daemon = Daemon(self.config, record, clock=self.clock)
        self.engine = self.daemon._engine
        self.seq = 0

    def work(self, seconds: int) -> None:
        """Ten ground pulses a second, front down, thresher on; one sentence a second, in its middle."""
        for _ in range(seconds):
            self.seq += 1
            self.clock.advance(1)
            line = count_line(self.seq, 1000 * self.seq, *[self.seq * one for one in (20, 10, 0, 0, 300, 10, 0)])
            self.daemon._take_lines(self.daemon._stamps.now(), [line])

    def silence(self, seconds: int) -> None:
        """The loop turns while nothing comes."""
        for _ in range(seconds):
            self.clock.advance(1)
            self.daemon._close_silent()

    def tell(self, **plain: Any) -> None:
        self.engine.take_entry(self.daemon._stamps.now(), entries.from_plain(plain))

    def cut(self) -> None:
        """As a power cut, but for what the last commit still held."""
        self.daemon._store.settle()
        self.daemon._store.close()

    def end(self) -> None:
        self.daemon._end()


def bodies(path: Path, kind: str) -> list[dict[str, Any]]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        return [json.loads(row[0]) for row in connection.execute("SELECT body FROM record WHERE kind = ? ORDER BY seq", (kind,))]


def test_yield_by_loads_goes_on_over_a_restart(tmp_path):
    first = Hand(tmp_path)
    first.work(130)
    first.tell(entry="load", t=0.5)
    first.work(70)
    first.end()
    second = Hand(tmp_path, START_S + 1000)
    second.work(120)
    second.tell(entry="load", t=0.7)
    area_ha = (199 + 119) * HA_PER_S  # the first sentence of each run only begins the counting; its last second is still open
    assert second.engine.reckoner.now.yield_t_ha == pytest.approx(1.2 / area_ha, rel=0.01)
    second.cut()
    third = Hand(tmp_path, START_S + 2000)
    third.work(100)
    third.tell(entry="load", t=0.4)
    assert third.engine.reckoner.now.yield_t_ha == pytest.approx(1.6 / (area_ha + 99 * HA_PER_S), rel=0.01)
    third.tell(entry="crop", name="barley")
    third.work(130)
    third.tell(entry="load", t=0.4)
    assert third.engine.reckoner.now.yield_t_ha == pytest.approx(0.4 / (129 * HA_PER_S), rel=0.02)
    third.end()


def test_hours_of_work_come_from_the_minutes_since_the_last_start_and_its_own_sums(tmp_path):
    for number in range(3):
        kit = Hand(tmp_path, START_S + 1000 * number)
        kit.work(200)
        kit.end()
    kit = Hand(tmp_path, START_S + 5000)
    working_h = sum(body["seconds"]["working"] for body in bodies(tmp_path / FILE_NAME, "minute")) / 3600
    assert working_h > 0.1
    assert kit.engine.judge.hours == pytest.approx((working_h, working_h))
    kit.tell(entry="gauge", sieve="top", readout_mm=10.0, measured_mm=[11.0])
    kit.work(100)
    kit.end()
    last = Hand(tmp_path, START_S + 7000)
    tray_h, gauge_h = last.engine.judge.hours
    since = sum(body["seconds"]["working"] for body in bodies(tmp_path / FILE_NAME, "minute")) / 3600 - working_h
    assert since > 0
    assert (tray_h, gauge_h) == (pytest.approx(working_h + since), pytest.approx(since))
    last.end()


def test_a_clean_stop_keeps_the_minute_begun_and_a_replay_the_same(tmp_path):
    capture = tmp_path / "day.tgcap"
    kit = Hand(tmp_path / "kit", START_S - START_S % 60 + 10, record=capture)
    kit.work(137)
    kit.end()
    minutes = bodies(tmp_path / "kit" / FILE_NAME, "minute")
    ends = [datetime.fromisoformat(one["t"]).second for one in minutes]
    assert ends == [0, 0, 26]  # the last line, at 27 s, leaves its second open
    assert [sum(one["seconds"].values()) for one in minutes] == [50, 60, 26]
    with closing(sqlite3.connect(tmp_path / "kit" / FILE_NAME)) as connection:
        assert connection.execute("SELECT count(*) FROM second").fetchone() == (136,)
    summary = replay(capture, kit.config, tmp_path / "replayed.db")
    assert bodies(tmp_path / "replayed.db", "minute") == minutes
    assert sum(one["lines"]["good"] for one in minutes) == summary["lines"]["good"] == 137
    assert sum(one["distance_m"] for one in minutes) == pytest.approx(summary["distance_m"], abs=2)


def test_a_stop_at_a_full_minute_or_before_the_first_second_keeps_no_empty_one(tmp_path):
    kit = Hand(tmp_path, START_S - START_S % 60 + 30)
    kit.end()
    assert bodies(tmp_path / FILE_NAME, "minute") == []
    kit = Hand(tmp_path, START_S - START_S % 60 + 30)
    kit.work(31)
    kit.end()
    assert [sum(one["seconds"].values()) for one in bodies(tmp_path / FILE_NAME, "minute")] == [30]


@pytest.mark.parametrize("silent_s", [599, 601, 1500])
def test_a_silence_of_any_length_is_the_same_live_and_replayed(tmp_path, silent_s):
    capture = tmp_path / "day.tgcap"
    kit = Hand(tmp_path / "kit", record=capture)
    kit.work(30)
    kit.silence(silent_s)
    kit.work(30)
    kit.end()
    summary = replay(capture, kit.config, tmp_path / "replayed.db")
    sql = "SELECT number, t, state, speed_kmh FROM second ORDER BY number"
    with closing(sqlite3.connect(tmp_path / "kit" / FILE_NAME)) as live:
        seconds = live.execute(sql).fetchall()
    with closing(sqlite3.connect(tmp_path / "replayed.db")) as other:
        assert seconds == other.execute(sql).fetchall()
    assert len(seconds) == 59 + silent_s
    for kind in ("minute", "entry", "alert"):
        live_ones, others = bodies(tmp_path / "kit" / FILE_NAME, kind), bodies(tmp_path / "replayed.db", kind)
        if kind == "minute":  # a line that ends a silence closes minutes in a replay that were closed before it live
            counted = [[sum(one.pop("lines")["good"] for one in ones)] for ones in (live_ones, others)]
            assert counted == [[60], [60]]
        assert others == live_ones
    assert bodies(tmp_path / "replayed.db", "clock step") == []
    notes = bodies(tmp_path / "kit" / FILE_NAME, "entry")
    assert len(notes) == silent_s // 540 == summary["lines"]["entries"]
    assert all(note["by"] == "kit" for note in notes)


def test_a_kit_that_does_not_record_writes_no_notes_of_silence(tmp_path):
    kit = Hand(tmp_path)
    kit.work(5)
    kit.silence(700)
    kit.end()
    assert bodies(tmp_path / FILE_NAME, "entry") == []


@pytest.fixture
def season(tmp_path) -> Path:
    """A database with a season's minutes, entries and verdicts."""
    kit = Hand(tmp_path)
    kit.work(125)
    kit.end()
    store = Store(tmp_path / FILE_NAME)
    season_of_records(store)
    store.close()
    return tmp_path


def test_a_season_s_record_costs_a_start_little(season):
    began = time.process_time()
    kit = Hand(season, START_S + 60 * 25_000)
    assert time.process_time() - began < STARTED_WITHIN_S
    assert kit.engine.judge.hours[0] == pytest.approx(400, abs=0.1)
    kit.end()


def test_a_record_that_can_t_be_taken_up_is_named_and_the_kit_starts(tmp_path, caplog):
    kit = Hand(tmp_path)
    kit.tell(entry="setting", what="fan_rpm", to=820)
    kit.end()
    store = Store(tmp_path / FILE_NAME)
    store.run = 1
    strange = [{"entry": "unheard of"}, {"entry": "setting", "what": "fan_rpm"}, {}]
    for body in strange:
        store.entry(START_S * 1000, body, None)
    store.record("calibration", START_S * 1000, {"used": True})
    store.close()
    with caplog.at_level(logging.WARNING):
        kit = Hand(tmp_path, START_S + 100)
    assert sum("not taken up" in record.message for record in caplog.records) == 4
    assert [change.to for change in kit.engine.reckoner.now.changes] == [820.0]
    kit.end()


def test_a_reader_that_has_ended_ends_the_run_instead_of_a_kit_that_hears_nothing(tmp_path):
    kit = Hand(tmp_path)
    for reader in kit.daemon._readers:
        reader.stop()
        reader.start()
        reader.join(5)
    with pytest.raises(RuntimeError, match="a reader has ended"):
        kit.daemon._turn()
    kit.end()
