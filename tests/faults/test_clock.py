"""A clock that is wrong, set, stepped, or at the edge of a calendar: stamps, figures, records, corrected dates."""

from __future__ import annotations

import json
import sqlite3
import threading
import time
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.contract import settings as settings_module
from edge.engine.messages import rfc3339_ms
from edge.feed.nmea import decode
from edge.keep.dates import Dates
from edge.keep.store import FILE_NAME
from edge.live.clock import FIXES_TO_DIFFER, OLDEST_RIGHT_MS, STEP_MS, HandClock, ReceiverClock, Stamps, SystemClock
from edge.live.daemon import Daemon
from tests.kits.board import BROUGHT, Board, Pty, board_toml
from tests.kits.kit import rows
from tests.kits.tools import free_port, wait_until
from tests.kits.wire import rmc

NOW_MS = 1_795_000_000_000
DAY_MS = 86_400_000
TICK_MS, PER_S = 200, 5


# ---------------------------------------------------------------- stamps


def test_a_step_of_the_wall_clock_is_told_once_with_its_size_and_slewing_is_not():
    clock = HandClock(NOW_MS)
    stamps = Stamps(clock)
    for _ in range(100):
        clock.advance(1.0)
        clock.step_wall((STEP_MS - 1) / 1000)  # as much as slewing could do, again and again
        stamps.now()
    assert stamps.life == 0 and stamps.taken() == []
    for number, step_s in enumerate((0.5, -0.5, 7200.0, -3600.0, 40 * 365.25 * 86_400), 1):
        clock.advance(0.1)
        clock.step_wall(step_s)
        assert stamps.now() == clock.wall_ms()
        assert stamps.life == number
        assert [(step.source, step.offset_ms) for step in stamps.taken()] == [("wall clock", round(step_s * 1000))]
        assert stamps.taken() == []


def test_many_threads_on_the_real_clock_see_no_step():
    stamps = Stamps(SystemClock())
    over = threading.Event()

    def work() -> None:
        while not over.is_set():
            stamps.now()

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    until = time.monotonic() + 1.0
    while time.monotonic() < until:
        stamps.now()
    over.set()
    for thread in threads:
        thread.join()
    assert stamps.life == 0


@pytest.mark.parametrize(
    ("ours_ms", "theirs_ms", "believed"),
    [
        (0, NOW_MS, True),  # no clock at all at the start
        (NOW_MS - 3 * DAY_MS, NOW_MS, True),  # started with the time it was switched off at
        (NOW_MS - 300 * DAY_MS, NOW_MS, True),  # a kit after its winter
        (NOW_MS, NOW_MS - 1024 * 7 * DAY_MS, False),  # rolled-over weeks
        (NOW_MS, NOW_MS + 900 * DAY_MS, False),  # a false signal
        (0, OLDEST_RIGHT_MS - DAY_MS, False),
        (4_000_000_000_000, NOW_MS, False),  # ours in another age: both can't be told apart, so nothing is corrected
    ],
)
def test_what_a_receiver_says_is_told_once_it_holds_and_believed_within_reason(ours_ms, theirs_ms, believed):
    receiver = ReceiverClock()
    told = [receiver.step(ours_ms + 1000 * n, theirs_ms + 1000 * n) for n in range(60)]
    assert told[: FIXES_TO_DIFFER - 1] == [None] * (FIXES_TO_DIFFER - 1)
    assert told[FIXES_TO_DIFFER - 1] == ("receiver", theirs_ms - ours_ms, believed)
    assert set(told[FIXES_TO_DIFFER:]) == {None}


def test_a_receiver_that_agrees_or_jumps_about_is_not_told():
    receiver = ReceiverClock()
    assert {receiver.step(NOW_MS + 1000 * n, NOW_MS + 1000 * n + 400) for n in range(60)} == {None}
    assert {receiver.step(NOW_MS, NOW_MS + n % 2 * DAY_MS * n) for n in range(60)} == {None}


# ---------------------------------------------------------------- calendar


@pytest.mark.parametrize(
    ("when", "zone"),
    [
        (datetime(2027, 12, 31, 23, 59, 59, tzinfo=UTC), "UTC"),
        (datetime(2028, 2, 28, 23, 59, 59, tzinfo=UTC), "Australia/Adelaide"),
        (datetime(2028, 2, 29, 23, 59, 59, tzinfo=UTC), "UTC"),
        (datetime(2027, 3, 28, 0, 59, 59, tzinfo=UTC), "Europe/Berlin"),  # summer time begins
        (datetime(2027, 4, 3, 16, 29, 59, tzinfo=UTC), "Australia/Adelaide"),  # and ends
        (datetime(2038, 1, 19, 3, 14, 7, tzinfo=UTC), "UTC"),  # 2^31 - 1 seconds
        (datetime(2106, 2, 7, 6, 28, 15, tzinfo=UTC), "Europe/Berlin"),  # 2^32 - 1
    ],
)
def test_seconds_follow_each_other_through_every_edge_of_the_calendar(tmp_path, monkeypatch, when, zone):
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        start_ms = round(when.timestamp() * 1000) - 2000
        with Live(tmp_path, start_ms) as live:
            live.run_for(5)
            rows = live.rows("SELECT number, t, state FROM second ORDER BY number")
            times = [row[1] for row in rows]
            assert times == list(range(times[0], times[0] + len(times))) and len(times) >= 4
            assert {row[2] for row in rows[1:]} == {"idle"}
            assert live.rows("SELECT count(*) FROM record WHERE kind IN ('clock step', 'clock offset')") == [(0,)]
            assert [rfc3339_ms(t * 1000) for t in times] == [
                datetime.fromtimestamp(t, UTC).strftime("%Y-%m-%dT%H:%M:%S.000Z") for t in times
            ]
    finally:
        monkeypatch.undo()
        time.tzset()


@pytest.mark.parametrize("when", ["2026-12-31T23:59:58", "2028-02-29T12:00:00", "2037-12-31T23:59:59", "2050-07-01T00:00:00"])
def test_the_receiver_s_date_is_read_right(when):
    moment = datetime.fromisoformat(when).replace(tzinfo=UTC)
    fix = decode(rmc(moment).rstrip())
    assert fix is not None and fix.utc_ms == round(moment.timestamp() * 1000)


# ---------------------------------------------------------------- a whole daemon on a clock in the test's hand


class Live:
    """A real daemon on a pty and a real database; its clock moves only when the test moves it."""

    def __init__(self, folder: Path, start_ms: int, receiver: bool = False) -> None:
        self.folder = folder
        self.clock = HandClock(start_ms)
        self.board = Board(folder / "board", tick_ms=TICK_MS)
        self.receiver = Pty(folder / "receiver") if receiver else None
        nmea_port = self.receiver.link if self.receiver else None
        text = board_toml("hand", folder / "board", free_port(), folder / "state", nmea_port)
        self.daemon = Daemon(settings_module.parse(text), clock=self.clock)
        self._thread = threading.Thread(target=self.daemon.run)
        self._wrote: list[int] = []

    def __enter__(self) -> Live:
        self._thread.start()
        wait_until(lambda: not self.faults(), 10, lambda: f"the line open ({self.faults()})")
        return self

    def __exit__(self, *_: object) -> None:
        self.daemon.stop()
        self._thread.join(20)
        assert not self._thread.is_alive()
        self.board.close()
        if self.receiver is not None:
            self.receiver.unplug()

    def faults(self) -> list[str]:
        return [one.fault for one in self.daemon._readers if one.fault] + ["ended"] * (not self._thread.is_alive())

    def tick(self, utc: datetime | None = None) -> None:
        """A fifth of a second passes and the board says so; waits until the kit has heard it."""
        self.clock.advance(TICK_MS / 1000)
        before = self.daemon._engine.assembler.lines.good
        self._wrote = [self.receiver.write(rmc(utc))] if utc is not None and self.receiver is not None else []
        self._wrote.append(self.board.tick())
        want = before + 1 + (utc is not None)
        wait_until(lambda: self.daemon._engine.assembler.lines.good >= want, 5, self._unheard)

    def _unheard(self) -> str:
        return f"the sentence heard ({self.daemon._engine.assembler.lines}, {self.faults()}, wrote {self._wrote})"

    def run_for(self, seconds: int, utc_ms: int | None = None) -> None:
        """Whole seconds; with the receiver's time at the beginning, if it is to speak once a second."""
        for number in range(PER_S * seconds):
            utc = None
            if utc_ms is not None and number % PER_S == 2:
                utc = datetime.fromtimestamp((utc_ms + TICK_MS * number) / 1000, UTC)
            self.tick(utc)

    def rows(self, sql: str) -> list[tuple[Any, ...]]:
        self.daemon._store.ask(lambda db: None)
        return rows(self.folder / "state" / FILE_NAME, sql)

    def bodies(self, kind: str) -> list[dict[str, Any]]:
        return [json.loads(row[0]) for row in self.rows(f"SELECT body FROM record WHERE kind = '{kind}' ORDER BY seq")]

    def pulses(self) -> int:
        return sum(counts[0] for (parts,) in self.rows("SELECT parts FROM counts") for _, _, _, counts in json.loads(parts))

    def dates(self) -> Dates:
        with closing(sqlite3.connect(f"file:{self.folder / 'state' / FILE_NAME}?mode=ro", uri=True)) as connection:
            return Dates.of_run(connection, 1)


def test_a_clock_set_right_in_the_middle_of_a_run_costs_no_count_and_dates_are_corrected(tmp_path):
    start_ms = OLDEST_RIGHT_MS + 5 * DAY_MS + 300
    late_ms = 3 * DAY_MS + 17 * 3_600_000
    with Live(tmp_path, start_ms) as live:
        live.run_for(6)
        live.clock.step_wall(late_ms / 1000)
        live.run_for(6)
        (body,) = live.bodies("clock offset")
        assert body["source"] == "wall clock" and body["offset_ms"] == late_ms and body["believed"] is True
        assert len(live.bodies("clock step")) == 1
        times = live.rows("SELECT number, t FROM second ORDER BY number")
        assert [row[0] for row in times] == list(range(1, len(times) + 1))  # keyed by number: no row is filled in or lost
        dates = live.dates()
        assert dates.corrected
        right = [t * 1000 + dates.of_second(number) for number, t in times]
        # The second in which it was set lies in two rows, under its old and its new name.
        assert len(right) == len(set(right)) + 1
        assert sorted(set(right)) == list(range(right[0], right[-1] + 1000, 1000))
        assert right[0] == -(-(start_ms + TICK_MS + late_ms) // 1000) * 1000
        seqs = live.rows("SELECT seq, kind, at_ms FROM record ORDER BY seq")
        assert dates.of_record(seqs[0][0]) == late_ms and dates.of_record(seqs[-1][0]) == 0
        wait_until(lambda: any(one["rule"] == "clock-stepped" for one in live.bodies("alert")), 5, "the step said")
        assert live.pulses() >= 12 * PER_S - 2 * PER_S  # one pulse a tick; a second is still open, one tick began


@pytest.mark.parametrize("step_s", [-7200.0, -0.7, 0.7, 90.0, 599.0, 601.0, 400 * 86_400.0])
def test_a_step_of_any_size_changes_no_speed_and_no_count(tmp_path, step_s):
    with Live(tmp_path, NOW_MS + 300) as live:
        live.run_for(6)
        live.clock.step_wall(step_s)
        live.run_for(6)
        speeds = {round(row[0], 3) for row in live.rows("SELECT speed_kmh FROM second WHERE speed_kmh > 0")}
        assert speeds == {round(PER_S * BROUGHT[5] / 9.87 * 3.6, 3)}  # by the board's own time: the same before and after
        assert live.pulses() >= 12 * PER_S - 2 * PER_S
        (body,) = live.bodies("clock offset")
        assert body["offset_ms"] == round(step_s * 1000)
        steps = live.bodies("clock step")
        assert len(steps) == (0 if 0 < step_s <= 600 else 1)


def test_a_jitter_between_threads_is_no_step(tmp_path):
    with Live(tmp_path, NOW_MS + 300) as live:
        live.run_for(2)
        for _ in range(10):
            live.clock.step_wall(-0.2)  # as if one thread had been overtaken by another
            live.tick()
            live.clock.step_wall(0.2)
            live.tick()
        live.run_for(2)
        assert live.bodies("clock step") == [] and live.bodies("clock offset") == []
        times = [row[0] for row in live.rows("SELECT t FROM second ORDER BY number")]
        assert times == list(range(times[0], times[0] + len(times)))


def test_no_battery_clock_at_the_start_and_the_receiver_s_time_later(tmp_path):
    """The board wakes in 1970; nobody sets its clock; the receiver knows better after a while."""
    true_ms = NOW_MS
    with Live(tmp_path, 5_300, receiver=True) as live:
        live.run_for(3)
        live.run_for(8, utc_ms=true_ms)
        (body,) = live.bodies("clock offset")
        assert body["source"] == "receiver" and body["believed"] is True
        # Ours said 8.3 s when the receiver's first second began; a sentence names its own second, so within one.
        assert abs(body["offset_ms"] - (true_ms - 8_300)) <= 1000
        rows = live.rows("SELECT number, t FROM second ORDER BY number")
        assert rows[0][1] < 100  # nothing is rewritten
        dates = live.dates()
        assert {dates.of_second(number) for number, _ in rows} == {body["offset_ms"]}
        assert live.bodies("clock step") == []


STEPS_MS = st.integers(-(10**9), 10**9)


@given(st.lists(st.tuples(st.integers(1, 50), STEPS_MS), max_size=6), STEPS_MS, st.booleans())
def test_corrected_dates_agree_with_a_clock_that_was_right_all_the_time(lives, last_ms, believed):
    """True times are known here; the record holds the steps; reading gives the true times back."""
    offsets: list[tuple[int, dict[str, Any]]] = []
    error_ms = (last_ms if believed else 0) + sum(step for _, step in lives)
    truth, number, seq = [], 0, 0
    for length, step in lives:
        for _ in range(length):
            number += 1
            truth.append((number, error_ms))
        seq += 10
        offsets.append((seq, {"source": "wall clock", "offset_ms": step, "believed": True, "number": number}))
        error_ms -= step
    for _ in range(3):
        number += 1
        truth.append((number, error_ms))
    offsets.append((seq + 5, {"source": "receiver", "offset_ms": last_ms, "believed": believed, "number": number}))
    dates = Dates(offsets)
    assert [dates.of_second(number) for number, _ in truth] == [error for _, error in truth]
    assert dates.of_record(seq + 6) == (last_ms if believed else 0)
    assert not Dates([]).corrected


