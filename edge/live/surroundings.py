"""What goes on around the measuring: broker, disk, database, line and clock, looked at once a second.

Each is a standing condition for the alerts and, where times or the database are concerned, a record. Nothing here is
judged: the rules say when an alert is raised.
"""

from __future__ import annotations

import logging
from typing import Any, Protocol

from edge.engine.engine import Engine
from edge.engine.messages import rfc3339_ms
from edge.feed.assembler import Second
from edge.feed.ports import Reader
from edge.keep.dates import KIND
from edge.keep.store import Store
from edge.live.clock import Clock, ClockStep, ReceiverClock, Stamps
from edge.reckon.figures import Figures

LOG = logging.getLogger("tailgrain")

EVERY_S = 1.0
BROKER_AWAY_S = 30.0
"""A broker that restarts is back by then."""

LINE_LOST_S = 2.0
FIRST_DATA_S = 5.0
MOVED_SHOWN_S = 60.0
STEP_SHOWN_S = 3.0


class BrokerLink(Protocol):
    """What is asked about the broker."""

    @property
    def alive(self) -> bool:
        """Whether the voice's thread works."""

    @property
    def away_s(self) -> float:
        """Seconds since the broker was last there; 0 while it is."""

    @property
    def why_away(self) -> str:
        """Why the last try failed."""

    @property
    def twin(self) -> bool:
        """Whether another kit of the same name speaks there."""


class FixListener:
    """A keeper that hands everything on to the store and remembers the newest time a position receiver told."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.number = 0
        self.fix: tuple[int, int] | None = None

    def second(self, second: Second, figures: Figures) -> None:
        """One closed second."""
        self.number = second.number
        if second.fix is not None and second.fix.utc_ms is not None:
            self.fix = second.t * 1000, second.fix.utc_ms
        self._store.second(second, figures)

    def record(self, kind: str, at_ms: int, body: dict[str, Any], tell: str = "") -> None:
        """One record."""
        self._store.record(kind, at_ms, body, tell)

    def entry(self, at_ms: int, body: dict[str, Any], ask_id: str | None) -> int:
        """One entry; returns its number once it is on disk."""
        return self._store.entry(at_ms, body, ask_id)

    def proof(self, seq: int) -> dict[str, Any] | None:
        """The proof line that a kept record gives."""
        return self._store.proof(seq)

    def job_minutes(self, job: int) -> list[dict[str, Any]]:
        """Bodies of the minutes kept for a job."""
        return self._store.job_minutes(job)


class Surroundings:
    """Looks around for one kit. `stamps` and `reader` None: stamps come from the board, so neither clock nor line says
    anything that a replay would not."""

    def __init__(
        self, engine: Engine, store: Store, voice: BrokerLink, ear: FixListener, clock: Clock,
        stamps: Stamps | None, reader: Reader | None,
    ) -> None:  # fmt: skip
        self._engine, self._store, self._voice, self._ear = engine, store, voice, ear
        self._clock, self._stamps, self._reader = clock, stamps, reader
        self._receiver = ReceiverClock()
        self._began = self._looked = clock.monotonic()
        self._moved = store.moved
        self._moved_at = self._began
        self._stepped_at: float | None = None
        self._step_words = ""
        self._twin = False

    def look(self, now_ms: int, idle_s: float) -> None:
        """Look around, at most once a second. `now_ms`: this moment's stamp; `idle_s`: since the last bytes of the line.

        Raises RuntimeError when a part has died: a service manager starts the whole anew.
        """
        now = self._clock.monotonic()
        if now - self._looked < EVERY_S:
            return
        self._looked = now
        if not self._store.alive:
            raise RuntimeError(f"{self._store.path}: the writer has ended; only a new start helps")
        if not self._voice.alive:
            raise RuntimeError("the voice to the broker has ended; only a new start helps")
        # Seconds that close judge what is noted; before the first one it is judged here.
        at_ms = now_ms if self._engine.assembler.closed == 0 else None
        self._look_at_store(now)
        self._look_at_broker()
        if self._stamps is not None:
            self._look_at_clock(now, now_ms)
        if self._reader is not None:
            self._look_at_line(now, idle_s)
        self._engine.judge_notes(at_ms)

    def _look_at_store(self, now: float) -> None:
        note, disk = self._engine.judge.note, self._store.disk
        fault = self._store.fault
        if fault is not None:
            note("disk-low", "", True, f"Nothing can be kept: {fault}.")
        elif disk is not None:
            words = f"{disk.free_mb:.0f} MB free, {disk.floor_mb:.0f} wanted."
            note("disk-low", "", disk.low, words, round(disk.free_mb), disk.floor_mb)
        moved = self._store.moved
        if moved is not None and moved is not self._moved:
            self._moved, self._moved_at = moved, now
        if moved is not None:
            words = f"The damaged file lies beside the new one as {moved.to.name}; {moved.records} records were taken over."
            note("store-moved", "", now - self._moved_at < MOVED_SHOWN_S, words)

    def _look_at_broker(self) -> None:
        is_away = self._voice.away_s >= BROKER_AWAY_S
        self._engine.judge.note("broker-away", "", is_away, _sentence(self._voice.why_away))
        if self._voice.twin and not self._twin:
            self._store.record("twin kit", self._engine.assembler.stamp_ms or 0, {"kit": self._engine.settings.machine.kit})
        self._twin = self._voice.twin

    def _look_at_clock(self, now: float, now_ms: int) -> None:
        if self._ear.fix is not None:
            stamp_ms, utc_ms = self._ear.fix
            self._ear.fix = None
            found = self._receiver.step(stamp_ms, utc_ms)
            if found is not None:
                words = f"The position receiver says {rfc3339_ms(utc_ms)}, the kit {rfc3339_ms(stamp_ms)}."
                self._step(found, now_ms, words, self._ear.number)
        shown = self._stepped_at is not None and now - self._stepped_at < STEP_SHOWN_S
        self._engine.judge.note("clock-stepped", "", shown, self._step_words)

    def clock_stepped(self, now_ms: int) -> None:
        """The loop met the first stamp after a step of the wall clock; the open second still belongs to the time before."""
        if self._stamps is None:
            return
        assembler = self._engine.assembler
        number = assembler.closed + (assembler.earliest_ms is not None)
        for step in self._stamps.taken():
            self._receiver.forget()
            self._step(step, now_ms, f"It went {_span(step.offset_ms)}.", number)

    def _step(self, step: ClockStep, now_ms: int, words: str, number: int) -> None:
        LOG.warning("clock: %s", words)
        self._store.record(KIND, now_ms, {**step._asdict(), "number": number})
        self._stepped_at, self._step_words = self._clock.monotonic(), words

    def _look_at_line(self, now: float, idle_s: float) -> None:
        assert self._reader is not None
        words = ""
        if self._reader.fault and idle_s >= LINE_LOST_S:
            words = self._reader.fault
        elif self._engine.assembler.closed == 0 and now - self._began >= FIRST_DATA_S:
            words = "the line is open, but no good sentence has come yet"
        self._engine.judge.note("no-data", "", bool(words), _sentence(words))


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."


def _span(offset_ms: int) -> str:
    seconds = abs(offset_ms) / 1000
    way = "forward" if offset_ms > 0 else "back"
    for size, word in ((86_400, "days"), (3600, "hours"), (60, "minutes")):
        if seconds >= 2 * size:
            return f"{way} by {seconds / size:.1f} {word}"
    return f"{way} by {seconds:.1f} seconds"
