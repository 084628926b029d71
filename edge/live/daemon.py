"""The live loop: reader -> one queue -> engine -> writer and voice. Everything that takes time has a thread of its own."""

from __future__ import annotations

import logging
import os
import queue
import signal
import stat
import sys
import threading
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from types import FrameType
from typing import Any

import msgspec

from edge.contract import entries
from edge.contract import settings as settings_module
from edge.contract.errors import AskAgain, EntryError, SettingsError, StoreError, TailgrainError
from edge.contract.settings import Settings
from edge.contract.struck import struck_out
from edge.engine import messages
from edge.engine.engine import Engine
from edge.engine.preview import preview
from edge.feed.capture import Recorder
from edge.feed.faultlog import FaultLog
from edge.feed.ports import Reader
from edge.judge.advice.adviser import TRIED_S
from edge.keep.store import EarlierRecord, Store
from edge.keep.upkeep import Upkeep
from edge.live.clock import Clock, Stamps, SystemClock
from edge.live.earlier import earlier
from edge.live.surroundings import FixListener, Surroundings
from edge.tell.mqtt import Voice
from edge.tell.topics import ASK, ASK_ID, PREVIEW

LOG = logging.getLogger("tailgrain")

TURN_S = 0.05
"""The loop looks at the clock at least this often, for the seconds that silence closes."""

QUEUE_CHUNKS = 400
"""Chunks that may wait: over half a minute of a full line. Then the readers wait too, and memory stays bounded."""

TWIN = "another kit of this name speaks on the broker and would keep it too; allowed: a `machine.kit` of its own for each"
RESTORED = ("entry", "tray window", "calibration", "learned", "good set", "advice")
UNUSABLE = (TailgrainError, ArithmeticError, AttributeError, LookupError, TypeError, ValueError)
"""What a record of another version, or a damaged one, may raise where it is taken up."""

NOTE_SILENCE_MS = 540_000
SILENCE = {"entry": "note", "by": "kit", "note": "The line is silent."}
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
        self._queue: queue.Queue[tuple[str, int, int, Any]] = queue.Queue(QUEUE_CHUNKS)
        self._sayer = FaultLog(LOG)
        self._stamps = Stamps(self._clock)
        self._new_life = False
        self._life = 0
        now_ms = self._stamps.now()
        self._store = _open_store(settings, self._told)
        try:
            self._recorder = Recorder(record) if record is not None else None
            name = version("tailgrain")
            self._voice = Voice(settings.mqtt, settings.machine.kit, name, now_ms, self._asked)
            on_stamped = self._record if self._recorder is not None else None
            ear = FixListener(self._store)
            earlier = self._store.earlier_records(RESTORED)
            struck = frozenset(struck_out(one.body for one in earlier if one.kind == "entry"))
            self._engine = Engine(settings, ear, self._voice, epoch_ms, on_stamped, struck=struck)
            hours = self._take_up(earlier)
            self._go_on(now_ms if epoch_ms is None else epoch_ms)
            self._store.begin_run(now_ms, settings_module.to_plain(settings), settings.serial.port, name, hours)
        except BaseException:
            self._store.close()
            raise
        self._last_chunk = (now_ms, self._clock.monotonic())
        self._recorded_ms = now_ms
        self._readers = self._make_readers(settings)
        outside = (None, None) if self._by_board else (self._stamps, self._readers[0])
        self._facts = Surroundings(self._engine, self._store, self._voice, ear, self._clock, *outside)

    def _take_up(self, records: list[EarlierRecord]) -> tuple[float, float]:
        """What earlier runs were told and learned; returns their hours of work. A record that can't be taken up must not
        keep a kit from starting."""
        for kind, at_ms, body, seq in records:
            try:
                self._engine.restore(kind, at_ms, body, seq)
            except UNUSABLE as fault:
                LOG.warning("%s of %s: not taken up (%s: %s)", kind, messages.rfc3339_ms(at_ms), type(fault).__name__, fault)
        kit = self._engine.reckoner.kit
        if kit.now.loads.since_s is not None:
            kit.carry_area(self._store.area_ha_since(kit.now.loads.since_s))
        hours = self._store.work_hours()
        self._engine.judge.restore_hours(*hours)
        return hours

    def _go_on(self, now_ms: int) -> None:
        """Take up what earlier runs left beside their records."""
        try:
            found, verdicts = earlier(self._store.path, self._settings, TRIED_S)
        except UNUSABLE as fault:
            LOG.warning("verdicts begin anew: %s", fault)
            return
        for verdict in verdicts:
            self._engine.restore("verdict", now_ms, verdict)
        self._engine.take_up(found, now_ms)

    def _make_readers(self, settings: Settings) -> list[Reader]:
        wires = [(settings.serial.port, settings.serial.baud), (settings.serial.nmea_port, settings.serial.nmea_baud)]
        return [Reader(port, baud, self._stamps.now, self._arrived) for port, baud in wires if port is not None]

    def run(self) -> None:
        """Until SIGTERM, SIGINT or `stop`."""
        self._voice.start(self._store)
        if not self._by_board or self._voice.connected.wait(timeout=5):
            LOG.info("recording into %s", self._store.path)
        for reader in self._readers:
            reader.start()
        try:
            while self._turn():
                self._facts.look(*self._moment())
        finally:
            self._end()

    def _turn(self) -> bool:
        """One thing out of the queue, or the seconds that silence closes; False ends the loop."""
        try:
            kind, stamp_ms, life, detail = self._queue.get(timeout=TURN_S)
        except queue.Empty:
            if not all(one.is_alive() for one in self._readers):
                raise RuntimeError("a reader has ended; only a new start helps") from None
            self._close_silent()
            return True
        if kind == "lines":
            self._take_lines(self._in_order(stamp_ms, life), detail)
        elif kind == ASK.name:
            self._answer(self._in_order(stamp_ms, life), detail)
        elif kind == PREVIEW.name:
            self._preview(stamp_ms, detail)
        return kind != "stop"

    def _in_order(self, stamp_ms: int, life: int) -> int:
        """Threads may overtake each other between stamp and queue; only a step of the clock sends stamps back."""
        self._new_life = life > self._life
        if self._new_life:
            self._life = life
            self._facts.clock_stepped(stamp_ms)
        elif self._engine.assembler.stamp_ms is not None and not self._by_board:
            stamp_ms = max(stamp_ms, self._engine.assembler.stamp_ms)
        return stamp_ms

    def _moment(self) -> tuple[int, float]:
        """This moment's stamp, and the seconds since the last bytes."""
        stamp_ms, monotonic = self._last_chunk
        idle_s = self._clock.monotonic() - monotonic
        return stamp_ms + round(idle_s * 1000), idle_s

    def stop(self) -> None:
        """End after what is already queued. Safe from any thread and from a signal."""
        threading.Thread(target=self._queue.put, args=(("stop", 0, 0, None),), daemon=True).start()

    def _arrived(self, stamp_ms: int, lines: list[bytes]) -> None:
        self._queue.put(("lines", stamp_ms, self._stamps.life, lines))

    def _asked(self, topic: str, payload: bytes) -> None:
        stamp_ms = self._stamps.now()
        try:
            self._queue.put_nowait((topic, stamp_ms, self._stamps.life, payload))
        except queue.Full:  # the network thread may not wait; whoever asked hears nothing, and nothing is kept
            self._sayer.say(f"{topic}: too much waits already; a question was dropped")

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
        if not self._new_life and earliest is not None and last is not None and last <= stamp_ms < earliest:
            return earliest
        return stamp_ms

    def _close_silent(self) -> None:
        if self._recorder is not None:
            try:
                self._recorder.flush()
            except OSError as fault:
                self._end_recording(fault)
        if not self._by_board:
            self._engine.close_silent(self._moment()[0])
            if self._recorder is not None and self._engine.assembler.closed:
                self._note_silence(self._moment()[0])

    def _note_silence(self, now_ms: int) -> None:
        """A recording whose stamps jump by over 600 s shows a step of the clock, where silence was: a note stands in it."""
        if now_ms - self._recorded_ms < NOTE_SILENCE_MS:
            return
        self._recorded_ms = now_ms
        try:
            self._engine.take_entry(self._not_before_open(now_ms), entries.from_plain(SILENCE))
        except StoreError as fault:
            LOG.warning("the recording lacks a note of the silence: %s", fault)

    def _record(self, stamp_ms: int, line: bytes) -> None:
        self._recorded_ms = stamp_ms
        if self._recorder is not None:
            try:
                self._recorder.write(stamp_ms, line)
            except OSError as fault:
                self._end_recording(fault)

    def _end_recording(self, fault: OSError | None = None) -> None:
        """The capture is for looking into; a full disk ends it and nothing else."""
        recorder, self._recorder = self._recorder, None
        if fault is not None:
            LOG.error("the recording ends here: %s", fault)
        if recorder is not None:
            try:
                recorder.close()
            except OSError as other:
                LOG.error("the recording lacks its end: %s", other)

    def _question(self, topic: str, payload: bytes) -> tuple[str, Any] | None:
        """Id and entry of a question from the broker, None where it is none."""
        try:
            question = msgspec.json.decode(payload)
            ask_id = question["id"]
            if not isinstance(ask_id, str) or not ASK_ID.fullmatch(ask_id):
                raise ValueError("id: allowed: 1 to 64 of A-Z a-z 0-9 _ -")
        except (msgspec.DecodeError, KeyError, TypeError, ValueError, RecursionError) as fault:
            self._sayer.say(f"{topic}: no usable question ({fault})", "no usable question")
            return None
        return ask_id, question.get("entry")

    def _preview(self, stamp_ms: int, payload: bytes) -> None:
        """What an entry would do: nothing is kept, and the answer is not remembered."""
        question = self._question(PREVIEW.name, payload)
        if question is None:
            return
        ask_id, plain = question
        try:
            last_ms = self._engine.assembler.stamp_ms if self._by_board else None
            told = preview(self._engine, entries.from_plain(plain), stamp_ms if last_ms is None else last_ms)
        except EntryError as fault:
            told = {"ok": False, "why": str(fault)}
        except UNUSABLE as fault:  # whatever is asked about, the measuring goes on
            told = {"ok": False, "why": f"what it would do can't be worked out ({type(fault).__name__})"}
        self._voice.answer(ask_id, messages.encode({"id": ask_id, **told}))

    def _answer(self, stamp_ms: int, payload: bytes) -> None:
        """One question from the broker: the same id again gets the same answer, save where it was only asked again."""
        question = self._question(ASK.name, payload)
        if question is None:
            return
        ask_id, plain = question
        try:
            answer = self._store.answered(ask_id)
            if answer is None and self._voice.twin:
                answer = messages.encode({"id": ask_id, "ok": False, "why": TWIN})
            elif answer is None:
                answer = self._keep(stamp_ms, ask_id, plain)
        except StoreError as fault:
            answer = messages.encode({"id": ask_id, "ok": False, "why": str(fault)})
        self._voice.answer(ask_id, answer)

    def _keep(self, stamp_ms: int, ask_id: str, plain: Any) -> bytes:
        seq = self._store.entry_seq(ask_id)
        if seq is not None:  # kept, but the power went before the answer was
            mark = self._store.mark_number(seq)
            proof = self._store.proof(seq) if isinstance(plain, dict) and plain.get("entry") in entries.OF_JOBS else None
            more = {"mark": mark, "proof": proof}
            return messages.encode({"id": ask_id, "ok": True, "seq": seq, **{key: one for key, one in more.items() if one}})
        try:
            entry = entries.from_plain(plain)
            answer = {"id": ask_id, "ok": True, **self._take_entry(stamp_ms, entry, ask_id)}
        except AskAgain as asked:  # not remembered: the same id comes again, meant
            return messages.encode({"id": ask_id, "ok": False, "ask_again": True, "why": str(asked), "suggest": asked.suggest})
        except EntryError as fault:
            answer = {"id": ask_id, "ok": False, "why": str(fault)}
        body = messages.encode(answer)
        self._store.answer(ask_id, stamp_ms, body)
        try:
            self._store.settle()  # the answer, and what the entry taught, survive a cut as the entry itself does
        except StoreError as fault:
            LOG.warning("answered, but: %s", fault)
        return body

    def _take_entry(self, stamp_ms: int, entry: entries.Entry, ask_id: str) -> dict[str, Any]:
        if self._by_board:
            return self._engine.take_entry(None, entry, ask_id, asks=True)
        return self._engine.take_entry(self._not_before_open(stamp_ms), entry, ask_id, asks=True)

    def _end(self) -> None:
        for reader in self._readers:
            reader.stop()
        self._engine.finish()
        self._voice.stop()
        self._end_recording()
        self._store.end_run(self._clock.wall_ms())
        self._store.close()
        LOG.info("ended cleanly")


def _open_store(settings: Settings, on_told: Callable[[], None]) -> Store:
    path = settings_module.database(settings)
    return Store(path, on_told, Upkeep(path.parent, settings.store.keep_days, settings.store.disk_floor_mb))


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
