"""Stamped lines -> closed seconds. Live and replay run the same object, so they agree to the last digit.

A line stamped t first closes every whole second before t, then is taken in: a second is left open, right closed and
named by its end. Nothing here calls a clock. Durations come from the board's own milliseconds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from operator import add
from typing import Literal, NamedTuple

from edge.feed.counters import Counters, CounterStep
from edge.feed.nmea import Fix
from edge.feed.sentences import Counts, Fault, Hello, Periods, decode, decode_plain_counts

CLOCK_STEP_MS = 600_000
"""Stamps that jump forward by more than this at once are a step of the clock, not silence."""


_NONE: list[Second] = []
"""No second closed; shared by nearly every line and never changed."""


class Part(NamedTuple):
    """Consecutive count sentences of one second with the same levels.

    `first_ms`: board ms of the first step; `ms`: exposure of all; `counts`: increments per input.
    """

    levels: int
    first_ms: int
    ms: int
    counts: list[int]


class Event(NamedTuple):
    """Something the record must show: `restart`, `clock step`, `hello`."""

    kind: Literal["restart", "clock step", "hello"]
    stamp_ms: int
    detail: dict[str, object]


@dataclass(slots=True)
class Second:
    """One closed second.

    `number` counts closed seconds of the run from 1; `t` is its end in epoch seconds; `data` counts the good count
    sentences in it; `last_data_ms` is the stamp of the last one so far (None: none yet); `periods` maps a place to
    (whole periods, microseconds); `fix` holds the newest speed and position told in this second.
    """

    number: int
    t: int
    parts: list[Part]
    data: int
    last_data_ms: int | None
    periods: dict[int, tuple[int, int]]
    fix: Fix | None
    events: list[Event] = field(default_factory=list)


@dataclass(slots=True)
class Lines:
    """Sentences by kind, as the summary names them."""

    good: int = 0
    bad_crc: int = 0
    malformed: int = 0
    missing: int = 0
    restarts: int = 0
    entries: int = 0


class Assembler:
    """Takes stamped lines, returns the seconds they close.

    `beams`: places of the beam inputs. `epoch_ms`: when given, stamps are this epoch plus the board's unwrapped ms
    and the stamps passed in are ignored. `on_stamped` hears every line with the stamp it was given (the recorder).
    """

    def __init__(
        self,
        beams: frozenset[int] = frozenset(),
        epoch_ms: int | None = None,
        on_stamped: Callable[[int, bytes], None] | None = None,
    ) -> None:
        self.counters = Counters(beams)
        self.stamp_ms: int | None = None
        self.closed = 0
        self.pulses: list[int] = []
        self._epoch_ms = epoch_ms
        self._board_ms: int | None = None
        self._early: list[bytes] = []
        self._on_stamped = on_stamped
        self._good = self._bad_crc = self._malformed = self._entries = 0
        self._open: int | None = None
        self._last_data_ms: int | None = None
        self._kit: str | None = None
        self._reset()

    def _reset(self) -> None:
        self._parts: list[Part] = []
        self._levels = -1
        self._first_ms = self._ms = self._data = 0
        self._counts: list[int] = []
        self._periods: dict[int, tuple[int, int]] = {}
        self._fix: Fix | None = None
        self._events: list[Event] = []

    @property
    def lines(self) -> Lines:
        """Sentences by kind so far; one still waiting for its proof counts as malformed."""
        counters = self.counters
        return Lines(
            good=self._good + counters.good,
            bad_crc=self._bad_crc,
            malformed=self._malformed + counters.malformed + counters.holding + len(self._early),
            missing=counters.missing,
            restarts=counters.restarts,
            entries=self._entries,
        )

    @property
    def open_parts(self) -> list[Part]:
        """What the still open second holds; totals include it although no figure does."""
        return [*self._parts, *self._running()]

    def take(self, stamp_ms: int | None, line: bytes) -> list[Second]:
        """Take in one line (no 0x0A). Returns the seconds it closed, oldest first. Never raises on any bytes."""
        if self._epoch_ms is not None:
            return self._take_by_board(line)
        assert stamp_ms is not None
        plain = decode_plain_counts(line)
        if plain is not None:
            seq, ms, levels, counts = plain
            steps = self.counters.quick(seq, ms, counts, stamp_ms)
            if steps is not None:
                return self._take_quick(stamp_ms, line, levels, steps)
        sentence = decode(line)
        if type(sentence) is Counts:
            return self._take_counts(stamp_ms, line, self.counters.take(sentence, stamp_ms))
        return self._take_other(stamp_ms, line, sentence)

    def advance(self, stamp_ms: int | None) -> tuple[int, list[Second]]:
        """An entry arrived: close what lies before it. Returns the stamp it counts at, and the closed seconds."""
        if self._epoch_ms is not None:
            stamp_ms = self.stamp_ms if self.stamp_ms is not None else self._epoch_ms
        assert stamp_ms is not None
        closed = self._close_before(stamp_ms)
        self._entries += 1
        return stamp_ms, closed

    def refuse_entry(self) -> None:
        """The entry just advanced to was refused: it is not counted."""
        self._entries -= 1

    def malformed_line(self, stamp_ms: int | None = None) -> list[Second]:
        """A capture line that is no sentence at all (no stamp, broken entry)."""
        self._malformed += 1
        return [] if stamp_ms is None else self._close_before(stamp_ms)

    def close_silent(self, now_ms: int) -> list[Second]:
        """Live only: close the seconds that ended 250 ms ago although no line came after them."""
        closed: list[Second] = []
        while self._open is not None and self._open * 1000 + 250 <= now_ms:
            closed.append(self._close())
        if closed and self._open is not None and self.stamp_ms is not None:
            # Time has come this far without a line: a stamp from before it is a step of the clock.
            self.stamp_ms = max(self.stamp_ms, (self._open - 1) * 1000)
        return closed

    @property
    def earliest_ms(self) -> int | None:
        """Live only: the first stamp that still falls into the open second."""
        return None if self._open is None else (self._open - 1) * 1000 + 1

    def _take_by_board(self, line: bytes) -> list[Second]:
        sentence = decode(line)
        if self.stamp_ms is None:
            assert self._epoch_ms is not None
            if type(sentence) is not Counts:
                self._early.append(line)  # no board time yet: such lines share the first count's stamp
                return []
            first_ms = self._epoch_ms + sentence.ms
            early, self._early = self._early, []
            for other in early:
                self._take_other(first_ms, other, decode(other))
            return self._take_counts(first_ms, line, self.counters.take(sentence, None))
        step = self.counters.take(sentence, None) if type(sentence) is Counts else None
        stamp_ms = self.stamp_ms
        if step is not None:
            stamp_ms += self.counters.tick_ms if step.restarted else step.elapsed_ms
        if type(sentence) is Counts:
            return self._take_counts(stamp_ms, line, step)
        return self._take_other(stamp_ms, line, sentence)

    def _take_quick(self, stamp_ms: int, line: bytes, levels: int, steps: list[int]) -> list[Second]:
        """The hot path of `_take_counts`: a plain step of a plain sentence."""
        if self._on_stamped is not None:
            self._on_stamped(stamp_ms, line)
        closed = _NONE
        if self.stamp_ms is not None and self._open is not None and self.stamp_ms <= stamp_ms <= self._open * 1000:
            self.stamp_ms = stamp_ms
        else:
            closed = self._close_before(stamp_ms)
        self._last_data_ms = stamp_ms
        self._data += 1
        step_ms = self.counters.quick_ms
        if levels == self._levels:
            self._ms += step_ms
            self._counts = list(map(add, self._counts, steps))
        else:
            self._parts.extend(self._running())
            self._levels, self._first_ms, self._ms, self._counts = levels, step_ms, step_ms, steps
        return closed

    def _take_counts(self, stamp_ms: int, line: bytes, step: CounterStep | None) -> list[Second]:
        if self._on_stamped is not None:
            self._on_stamped(stamp_ms, line)
        last = self.stamp_ms
        quiet = self._open is not None and last is not None and last <= stamp_ms <= self._open * 1000
        if quiet:
            self.stamp_ms = stamp_ms
            closed: list[Second] = []
        else:
            closed = self._close_before(stamp_ms)
        if step is None:
            return closed
        if self._open is None:
            self._open = -(-stamp_ms // 1000)
        if step.restarted:
            self._events.append(Event("restart", stamp_ms, {}))
        self._last_data_ms = stamp_ms
        self._data += 1
        if step.levels == self._levels and len(step.counts) == len(self._counts):
            self._ms += step.ms
            self._counts = list(map(add, self._counts, step.counts))
        else:
            self._parts.extend(self._running())
            self._levels, self._first_ms, self._ms, self._counts = step.levels, step.ms, step.ms, step.counts
        return closed

    def _take_other(
        self, stamp_ms: int, line: bytes, sentence: Fault | Hello | Periods | Fix | Counts
    ) -> list[Second]:
        if self._on_stamped is not None:
            self._on_stamped(stamp_ms, line)
        closed = self._close_before(stamp_ms)
        if isinstance(sentence, Fault):
            if sentence.kind == "bad_crc":
                self._bad_crc += 1
            else:
                self._malformed += 1
            return closed
        self._good += 1
        if self._open is None:
            self._open = -(-stamp_ms // 1000)
        if isinstance(sentence, Hello):
            self._take_hello(stamp_ms, sentence)
        elif isinstance(sentence, Periods):
            for at, edges, span_us in sentence.periods:
                self._periods[at] = (edges, span_us)
        elif isinstance(sentence, Fix):
            known = {name: value for name, value in sentence._asdict().items() if value is not None}
            self._fix = (self._fix or Fix())._replace(**known)
        return closed

    def _take_hello(self, stamp_ms: int, hello: Hello) -> None:
        self.counters.hello(hello.inputs, hello.tick_ms)
        if hello.kit != self._kit:
            self._kit = hello.kit
            self._events.append(Event("hello", stamp_ms, {"kit": hello.kit, "firmware": hello.firmware}))

    def _close_before(self, stamp_ms: int) -> list[Second]:
        last, self.stamp_ms = self.stamp_ms, stamp_ms
        if self._open is None:
            return []
        closed: list[Second] = []
        if last is not None and not 0 <= stamp_ms - last <= CLOCK_STEP_MS:
            becomes = -(-stamp_ms // 1000)
            if self._last_data_ms is not None:
                self._last_data_ms += stamp_ms - last  # how long ago data came does not change with the clock
            if becomes != self._open:
                closed.append(self._close())
                self._open = becomes
            # It belongs to the second that begins behind it: what came before knows nothing of the new time.
            self._events.append(Event("clock step", stamp_ms, {"from_ms": last, "to_ms": stamp_ms}))
            return closed
        while self._open * 1000 < stamp_ms:
            closed.append(self._close())
        return closed

    def _running(self) -> list[Part]:
        return [Part(self._levels, self._first_ms, self._ms, self._counts)] if self._levels >= 0 else []

    def _close(self) -> Second:
        assert self._open is not None
        self.closed += 1
        parts = self.open_parts
        self._sum_up(parts)
        second = Second(
            self.closed, self._open, parts, self._data, self._last_data_ms, self._periods, self._fix, self._events
        )
        self._open += 1
        self._reset()
        return second

    def _sum_up(self, parts: list[Part]) -> None:
        for part in parts:
            if len(part.counts) > len(self.pulses):
                self.pulses += [0] * (len(part.counts) - len(self.pulses))
            for at, count in enumerate(part.counts):
                self.pulses[at] += count

    def total_pulses(self) -> list[int]:
        """Raw pulses per input between the first and the last good count sentence, the open second included."""
        totals = list(self.pulses)
        for part in self.open_parts:
            totals += [0] * (len(part.counts) - len(totals))
            for at, count in enumerate(part.counts):
                totals[at] += count
        return totals
