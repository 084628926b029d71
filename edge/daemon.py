"""The live loop: reader -> one queue -> engine -> writer and voice. Everything that takes time has a thread of its own."""

from __future__ import annotations

import logging
import os
import queue
import signal
import stat
import sys
import threading
from importlib.metadata import version
from pathlib import Path
from types import FrameType
from typing import Any

import msgspec

from edge import entries, messages
from edge import settings as settings_module
from edge.clock import Clock, SystemClock
from edge.engine import Engine
from edge.errors import EntryError, SettingsError, StoreError
from edge.feed.capture import Recorder
from edge.feed.ports import Reader
from edge.keep.store import FILE_NAME, Store
from edge.settings import Settings
from edge.tell.mqtt import Voice
from edge.tell.topics import ASK_ID

LOG = logging.getLogger("tailgrain")

TURN_S = 0.05
"""The loop looks at the clock at least this often, for the seconds that silence closes."""

QUEUE_CHUNKS = 2000
RESTORED = ("entry", "tray window", "calibration", "learned")
ENDS_WITH_STDIN = "TAILGRAIN_ENDS_WITH_STDIN"


class Daemon:
    """One kit, running. `epoch_ms`: stamps from the board's own milliseconds instead of arrival."""

    def __init__(
        self, settings: Settings, record: Path | None = None, epoch_ms: int | None = None, clock: Clock | None = None
    ) -> None:
        if settings.serial.port is None:
            raise SettingsError("serial.port: missing; required by `run`: a device or socket://host:port")
        self._settings = settings
        self._clock = clock or SystemClock()
        self._by_board = epoch_ms is not None
        self._queue: queue.Queue[tuple[str, int, Any]] = queue.Queue(QUEUE_CHUNKS)
        now_ms = self._clock.wall_ms()
        self._store = Store(settings_module.state_directory(settings) / FILE_NAME, self._told)
        try:
            self._recorder = Recorder(record) if record is not None else None
            name = version("tailgrain")
            self._voice = Voice(settings.mqtt, settings.machine.kit, name, now_ms, self._asked)
            on_stamped = self._recorder.write if self._recorder is not None else None
            self._engine = Engine(settings, self._store, self._voice, epoch_ms, on_stamped)
            for kind, at_ms, body in self._store.earlier_records(RESTORED):
                self._engine.restore(kind, at_ms, body)
            self._store.begin_run(now_ms, settings_module.to_plain(settings), settings.serial.port, name)
        except BaseException:
            self._store.close()
            raise
        self._last_chunk = (now_ms, self._clock.monotonic())
        self._readers = self._make_readers(settings)

    def _make_readers(self, settings: Settings) -> list[Reader]:
        wires = [(settings.serial.port, settings.serial.baud), (settings.serial.nmea_port, settings.serial.nmea_baud)]
        return [Reader(port, baud, self._clock.wall_ms, self._arrived) for port, baud in wires if port is not None]

    def run(self) -> None:
        """Until SIGTERM, SIGINT or `stop`."""
        self._voice.start(self._store)
        if not self._by_board or self._voice.connected.wait(timeout=5):
            LOG.info("recording into %s", self._store.path)
        for reader in self._readers:
            reader.start()
        try:
            while True:
                try:
                    kind, stamp_ms, detail = self._queue.get(timeout=TURN_S)
                except queue.Empty:
                    self._close_silent()
                    continue
                if kind == "stop":
                    break
                if kind == "lines":
                    self._take_lines(stamp_ms, detail)
                else:
                    self._answer(stamp_ms, detail)
        finally:
            self._end()

    def stop(self) -> None:
        """End after what is already queued. Safe from any thread and from a signal."""
        threading.Thread(target=self._queue.put, args=(("stop", 0, None),), daemon=True).start()

    def _arrived(self, stamp_ms: int, lines: list[bytes]) -> None:
        self._queue.put(("lines", stamp_ms, lines))

    def _asked(self, payload: bytes) -> None:
        self._queue.put(("ask", self._clock.wall_ms(), payload))

    def _told(self) -> None:
        self._voice.told()

    def _take_lines(self, stamp_ms: int, lines: list[bytes]) -> None:
        if self._by_board:
            for line in lines:
                self._engine.take_line(None, line)
            return
        self._last_chunk = (stamp_ms, self._clock.monotonic())
        stamp_ms = self._not_before_open(stamp_ms)
        for line in lines:
            self._engine.take_line(stamp_ms, line)

    def _not_before_open(self, stamp_ms: int) -> int:
        """A chunk stamped in a second that silence has just closed counts at the next one's begin, also when replayed."""
        earliest = self._engine.assembler.earliest_ms
        last = self._engine.assembler.stamp_ms
        if earliest is not None and last is not None and last <= stamp_ms < earliest:
            return earliest
        return stamp_ms

    def _close_silent(self) -> None:
        if self._recorder is not None:
            self._recorder.flush()
        if self._by_board:
            return
        stamp_ms, monotonic = self._last_chunk
        self._engine.close_silent(stamp_ms + round((self._clock.monotonic() - monotonic) * 1000))

    def _answer(self, stamp_ms: int, payload: bytes) -> None:
        """One question from the broker: the same id again gets the same answer."""
        try:
            question = msgspec.json.decode(payload)
            ask_id = question["id"]
            if not isinstance(ask_id, str) or not ASK_ID.fullmatch(ask_id):
                raise ValueError("id: allowed: 1 to 64 of A-Z a-z 0-9 _ -")
        except (msgspec.DecodeError, KeyError, TypeError, ValueError, RecursionError) as fault:
            LOG.warning("ask/entry: no usable question (%s)", fault)
            return
        try:
            answer = self._store.answered(ask_id) or self._keep(stamp_ms, ask_id, question.get("entry"))
        except StoreError as fault:
            answer = messages.encode({"id": ask_id, "ok": False, "why": str(fault)})
        self._voice.answer(ask_id, answer)

    def _keep(self, stamp_ms: int, ask_id: str, plain: Any) -> bytes:
        seq = self._store.entry_seq(ask_id)
        if seq is not None:  # kept, but the power went before the answer was
            return messages.encode({"id": ask_id, "ok": True, "seq": seq})
        try:
            entry = entries.from_plain(plain)
            answer = {"id": ask_id, "ok": True, **self._take_entry(stamp_ms, entry, ask_id)}
        except EntryError as fault:
            answer = {"id": ask_id, "ok": False, "why": str(fault)}
        body = messages.encode(answer)
        self._store.answer(ask_id, stamp_ms, body)
        return body

    def _take_entry(self, stamp_ms: int, entry: entries.AnyEntry, ask_id: str) -> dict[str, Any]:
        if self._by_board:
            return self._engine.take_entry(None, entry, ask_id)
        return self._engine.take_entry(self._not_before_open(stamp_ms), entry, ask_id)

    def _end(self) -> None:
        for reader in self._readers:
            reader.stop()
        self._engine.finish()
        self._voice.stop()
        if self._recorder is not None:
            self._recorder.close()
        self._store.end_run(self._clock.wall_ms())
        self._store.close()
        LOG.info("ended cleanly")


def run(config: Path, record: Path | None = None, epoch_ms: int | None = None) -> None:
    """The `run` command: until SIGTERM or SIGINT. Raises a TailgrainError when it can't start."""
    daemon = Daemon(settings_module.load(config), record, epoch_ms)

    def stop(number: int, frame: FrameType | None) -> None:
        daemon.stop()

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)
    if os.environ.get(ENDS_WITH_STDIN) and stat.S_ISFIFO(os.fstat(0).st_mode):
        threading.Thread(target=_watch_stdin, args=(daemon,), daemon=True).start()
    daemon.run()


def _watch_stdin(daemon: Daemon) -> None:
    """A child of the demo ends with its parent, however that one ended: the pipe closes."""
    while sys.stdin.buffer.read(4096):
        pass
    daemon.stop()
