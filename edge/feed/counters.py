"""Cumulative counters -> true increments, through wrap, loss, repetition and board restarts. Nothing is invented.

The rules are those of the wire contract, tested in this order: restart, repetition, implausible step, gap in the
sequence. A sentence whose step can't be true is held until the next one: if that continues from it, both are good and
the step between the two lives of the counter is left out; otherwise the held one was damage that the CRC let through.
"""

from __future__ import annotations

from operator import sub
from typing import NamedTuple

from edge.feed.sentences import Counts

WORD = 0xFFFF
LONG = 0xFFFFFFFF
HALF = 1 << 31
RESTART_MS = 600_000
"""A step of the board's uptime longer than this can't be told from a restart by itself."""

FASTEST_PER_MS = 20
"""20 kHz: no impact, wheel or shaft input is faster."""


class CounterStep(NamedTuple):
    """What one good count sentence added.

    `ms`: exposure of the counts; `elapsed_ms`: board time that passed (differs where counts were left out);
    `levels`: mask of the on/off inputs in the sentence that closes the step; `counts`: increments per input.
    """

    ms: int
    elapsed_ms: int
    levels: int
    counts: list[int]
    restarted: bool = False


class CounterMark(NamedTuple):
    """A good sentence that steps are measured from."""

    seq: int
    ms: int
    counts: list[int]
    stamp_ms: int | None


_mark = tuple.__new__
"""Half the cost of calling the named tuple; used once a sentence."""


class Counters:
    """The life of one counter board's counts. `beams`: places whose count is blocked milliseconds."""

    def __init__(self, beams: frozenset[int] = frozenset()) -> None:
        self.beams = beams
        self.tick_ms = 100
        self.inputs: int | None = None
        self.good = self.malformed = self.missing = self.restarts = 0
        self.quick_ms = 0
        self._last: CounterMark | None = None
        self._held: tuple[Counts, int | None] | None = None

    @property
    def holding(self) -> bool:
        """Whether a sentence waits for the next one to prove or disprove it."""
        return self._held is not None

    def hello(self, inputs: int, tick_ms: int) -> None:
        """The board's own statement of how many inputs it counts and how often it speaks. No restart by itself."""
        self.inputs = inputs
        self.tick_ms = tick_ms

    def quick(self, seq: int, ms: int, counts: list[int], stamp_ms: int | None) -> list[int] | None:
        """The increments when the sentence plainly follows the last one: next in sequence, no wrap, under 1 kHz an input.

        None: nothing was taken, `take` must judge. This is the hot path: it holds for nearly every sentence.
        """
        last = self._last
        if last is None or self._held is not None or seq != last.seq + 1 or not len(counts) == self.inputs == len(last.counts):
            return None
        steps = list(map(sub, counts, last.counts))
        self.quick_ms = step_ms = ms - last.ms
        if min(steps) < 0 or not max(steps) <= step_ms <= RESTART_MS:
            return None
        self.good += 1
        self._last = _mark(CounterMark, (seq, ms, counts, stamp_ms))
        return steps

    def take(self, sentence: Counts, stamp_ms: int | None) -> CounterStep | None:
        """One decoded count sentence -> its step, or None (repeated, held or malformed).

        `stamp_ms` is the arrival stamp, None when stamps come from the board's own milliseconds.
        """
        if self.inputs is None:
            self.inputs = len(sentence.counts)
        elif len(sentence.counts) != self.inputs:
            self.malformed += 1
            return None
        last = self._last
        if last is None:
            return self._rebase(sentence, stamp_ms)
        if len(last.counts) != self.inputs:
            return self._other_inputs(last, sentence, stamp_ms)
        if self._held is not None:
            return self._settle(last, sentence, stamp_ms)
        seq, ms, levels, counts = sentence
        if seq == last.seq and ms == last.ms:
            self.good += 1
            return None
        step_ms = (ms - last.ms) & LONG
        steps = [(new - old) & LONG for new, old in zip(counts, last.counts, strict=True)]
        if not max(steps) <= step_ms <= RESTART_MS:  # slower than 1 kHz each: nothing to examine
            if self._is_restart(last, step_ms, steps, stamp_ms):
                self.restarts += 1
                return self._rebase(sentence, stamp_ms, restarted=True)
            if not self._is_plausible(step_ms, steps):
                self._held = (sentence, stamp_ms)
                return None
        self._count_missing(last.seq, seq)
        self.good += 1
        self._last = CounterMark(seq, ms, counts, stamp_ms)
        return CounterStep(step_ms, step_ms, levels, steps)

    def finish(self) -> None:
        """The input has ended: a sentence still held was followed by nothing that continues it."""
        if self._held is not None:
            self._held = None
            self.malformed += 1

    def _other_inputs(self, last: CounterMark, sentence: Counts, stamp_ms: int | None) -> CounterStep:
        """A hello announced another number of inputs: begin anew; only the uptime can say whether it was a restart."""
        self.finish()
        step_ms = (sentence.ms - last.ms) & LONG
        restarted = self._is_restart(last, step_ms, [0], stamp_ms)
        self.restarts += restarted
        return self._rebase(sentence, stamp_ms, restarted)

    def _rebase(self, sentence: Counts, stamp_ms: int | None, restarted: bool = False) -> CounterStep:
        self.good += 1
        self._last = CounterMark(sentence.seq, sentence.ms, sentence.counts, stamp_ms)
        return CounterStep(0, 0, sentence.levels, [0] * len(sentence.counts), restarted)

    def _count_missing(self, before: int, after: int) -> None:
        gap = (after - before) & WORD
        if 2 <= gap <= 32767:
            self.missing += gap - 1

    def _is_restart(self, last: CounterMark, step_ms: int, steps: list[int], stamp_ms: int | None) -> bool:
        if max(steps) > HALF:
            return True
        if step_ms <= RESTART_MS:
            return False
        if stamp_ms is None or last.stamp_ms is None:
            return True
        return step_ms > 2 * (stamp_ms - last.stamp_ms)

    def _is_plausible(self, step_ms: int, steps: list[int]) -> bool:
        for at, step in enumerate(steps):
            most = step_ms + self.tick_ms if at in self.beams else FASTEST_PER_MS * step_ms
            if step > most:
                return False
        return True

    def _settle(self, last: CounterMark, sentence: Counts, stamp_ms: int | None) -> CounterStep | None:
        """Decide about the held sentence now that the next one is here."""
        assert self._held is not None
        held, held_stamp_ms = self._held
        self._held = None
        mark = CounterMark(held.seq, held.ms, held.counts, held_stamp_ms)
        step_ms = (sentence.ms - held.ms) & LONG
        steps = [(new - old) & LONG for new, old in zip(sentence.counts, held.counts, strict=True)]
        continues = not self._is_restart(mark, step_ms, steps, stamp_ms) and self._is_plausible(step_ms, steps)
        if not continues:
            self.malformed += 1
            return self.take(sentence, stamp_ms)
        self._count_missing(last.seq, held.seq)
        self.good += 1
        self._last = mark
        step = self.take(sentence, stamp_ms)
        skipped_ms = (held.ms - last.ms) & LONG
        if step is None:  # the held one repeated, or another to be held: only its time has passed
            return CounterStep(0, skipped_ms, held.levels, [0] * len(held.counts))
        return step._replace(elapsed_ms=step.elapsed_ms + skipped_ms)
