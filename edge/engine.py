"""The one road: stamped lines and entries -> seconds -> figures -> kept and told. Live and replay drive this object.

    feed.Assembler.take(stamp, line) -> seconds
        reckon.Reckoner.step(second) -> figures
            judge.Judge.step(figures) -> changes of alerts
                keeper.second / keeper.record, teller.live / teller.minute / ...
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from edge import entries, messages
from edge.errors import EntryError, StoreError
from edge.feed.assembler import Assembler, Second
from edge.judge.adviser import Adviser
from edge.judge.alerts import Change, Judge
from edge.judge.guidance import guidance
from edge.judge.watch import Watch
from edge.reckon.figures import Figures
from edge.reckon.reckoner import Reckoner
from edge.reckon.traytests import test_record
from edge.settings import BeamInput, Settings


class Keeper(Protocol):
    """Where seconds and records go (the database, or nowhere)."""

    def second(self, second: Second, figures: Figures) -> None:
        """Keep one closed second."""

    def record(self, kind: str, at_ms: int, body: dict[str, Any], tell: str = "") -> None:
        """Keep one record; `tell`: the topic on which it is announced, with its number, once it is on disk."""

    def entry(self, at_ms: int, body: dict[str, Any], ask_id: str | None) -> int:
        """Keep one entry; returns its number once it is on disk."""


class Teller(Protocol):
    """Who hears what changes from second to second (the broker, or nobody)."""

    def live(self, figures: Figures) -> None:
        """The figures of one second."""

    def alert(self, change: Change) -> None:
        """An alert changed its state."""

    def state(self, name: str, message: dict[str, Any]) -> None:
        """A retained state by its topic's name: `verdict`, `advice`, `guidance`."""


class Nowhere:
    """Keeps and tells nothing; numbers entries from 1."""

    def __init__(self) -> None:
        self._seq = 0

    def second(self, second: Second, figures: Figures) -> None:
        """Nothing is kept."""

    def record(self, kind: str, at_ms: int, body: dict[str, Any], tell: str = "") -> None:
        """Nothing is kept."""

    def entry(self, at_ms: int, body: dict[str, Any], ask_id: str | None) -> int:
        """The next number."""
        self._seq += 1
        return self._seq

    def live(self, figures: Figures) -> None:
        """Nobody hears."""

    def alert(self, change: Change) -> None:
        """Nobody hears."""

    def state(self, name: str, message: dict[str, Any]) -> None:
        """Nobody hears."""


class Engine:
    """Feed, reckon and judge of one kit. `on_stamped` hears each line and entry with its stamp (the recorder)."""

    def __init__(
        self,
        settings: Settings,
        keeper: Keeper,
        teller: Teller,
        epoch_ms: int | None = None,
        on_stamped: Callable[[int, bytes], None] | None = None,
    ) -> None:
        self.settings = settings
        beams = frozenset(one.at for one in settings.inputs(BeamInput))
        self.assembler = Assembler(beams, epoch_ms, on_stamped)
        self.reckoner = Reckoner(settings)
        self.judge = Judge(settings)
        self.watch = Watch(self.reckoner)
        self.adviser = Adviser(settings)
        self._guided: dict[str, Any] = {}
        self.alerts: list[Change] = []
        self.on_figures: list[Callable[[Figures], None]] = []
        self._keeper, self._teller, self._on_stamped = keeper, teller, on_stamped
        self._minute_lines = self.assembler.lines
        self._minute_open_at: int | None = None
        self._tests_kept = 0
        self._windows_kept: set[int] = set()

    def take_line(self, stamp_ms: int | None, line: bytes) -> None:
        """One sentence line with its arrival stamp (None with board stamps)."""
        closed = self.assembler.take(stamp_ms, line)
        if closed:
            for second in closed:
                self._close(second)

    def take_malformed(self, stamp_ms: int | None) -> None:
        """A capture line that is no sentence and no entry."""
        for second in self.assembler.malformed_line(stamp_ms):
            self._close(second)

    def take_entry(self, stamp_ms: int | None, entry: entries.AnyEntry, ask_id: str | None = None) -> dict[str, Any]:
        """One checked entry. Returns what the answer says besides `ok`: its number, a mark. Raises EntryError."""
        at_ms, closed = self.assembler.advance(stamp_ms)
        for second in closed:
            self._close(second)
        try:
            self.judge.admit(entry)
            entry = self.reckoner.admit(entry, at_ms)
            plain = entries.to_plain(entry)
            seq = self._keeper.entry(at_ms, plain, ask_id)
        except (EntryError, StoreError):
            self.assembler.refuse_entry()
            raise
        if self._on_stamped is not None:
            self._on_stamped(at_ms, b"!" + messages.encode(plain))
        extra = self.reckoner.learn(entry, at_ms)
        self.watch.learn(entry, at_ms)
        self.adviser.learn(entry, at_ms, self.reckoner.now)
        if isinstance(entry, (entries.IdleRun, entries.ReturnsCatch, entries.Load)):
            self._keeper.record("learned", at_ms, self.reckoner.learned())
        self._changed(self.judge.learn(entry, at_ms))
        return {"seq": seq, **extra}

    def restore(self, kind: str, at_ms: int, body: dict[str, Any]) -> None:
        """Take up a record of an earlier run, in order of record, before the first line."""
        self.reckoner.restore(kind, body, at_ms)
        self.adviser.restore(kind, body, at_ms, self.reckoner.now)
        if kind == "entry":
            self.judge.restore(body)
        elif kind == "tray window":
            self._windows_kept.add(int(body["mark"]))
        self._tests_kept = len(self.reckoner.calibration.tests)

    def close_silent(self, now_ms: int) -> None:
        """Live only: close seconds that ended 250 ms ago."""
        for second in self.assembler.close_silent(now_ms):
            self._close(second)

    def judge_notes(self, at_ms: int | None) -> None:
        """Judge what was noted from outside, for as long as no second closes (None: seconds do it)."""
        if at_ms is not None:
            self._changed(self.judge.facts(at_ms))

    def finish(self) -> None:
        """The input has ended; nothing more is closed. The minute begun is kept with the seconds it has."""
        self.assembler.counters.finish()
        if self.assembler.stamp_ms is not None:
            self.reckoner.finish(self.assembler.stamp_ms)
            self._keep_tests(self.assembler.stamp_ms)
        if self._minute_open_at is not None:
            self._keep_minute(self._minute_open_at)

    def _close(self, second: Second) -> None:
        figures = self.reckoner.step(second)
        for event in second.events:
            self._keeper.record(event.kind, event.stamp_ms, dict(event.detail))
        self._keeper.second(second, figures)
        if self.reckoner.background_changed:
            self.reckoner.background_changed = False
            self._keeper.record("learned", second.t * 1000, self.reckoner.learned())
        self._keep_tests(second.t * 1000)
        changes = self.judge.step(figures, second)
        self.watch.step(second, figures)
        self.adviser.step(figures)
        self._teller.live(figures)
        self._changed(changes)
        words = guidance(figures)
        if words != self._guided:
            self._guided = words
            self._teller.state("guidance", words)
        for hear in self.on_figures:
            hear(figures)
        self._minute_open_at = second.t
        if second.t % 60 == 0:
            self._keep_minute(second.t)
            self._advise(second.t)

    def _changed(self, changes: list[Change]) -> None:
        for change in changes:
            self.alerts.append(change)
            self._keeper.record("alert", change.at_ms, change.to_plain())
            self._teller.alert(change)

    def _keep_minute(self, t: int) -> None:
        lines = self.assembler.lines
        body = messages.minute(self.reckoner, self.reckoner.take_minute(), t, self._minute_lines, lines)
        self._minute_lines, self._minute_open_at = lines, None
        self._keeper.record("minute", t * 1000, body, tell="minute")

    def _advise(self, t: int) -> None:
        """Once a minute: the open change's verdict, the advice in force, the book's page when it changed."""
        at_ms, time = t * 1000, messages.rfc3339_ms(t * 1000)
        due = self.watch.due()
        if due is not None:
            verdict = {**due[1], "setting": due[0]}
            self.adviser.verdict(due[0], verdict)
            self._keeper.record("verdict", at_ms, verdict)
            self._teller.state("verdict", verdict)
        gauge_h = self.judge.hours[1]
        advice, page = self.adviser.minute(self.reckoner.now, self.reckoner.sieves, self.judge.open, t, gauge_h)
        if page is not None:
            self._keeper.record("good set", at_ms, page.to_plain())
        if advice is not None:
            self._keeper.record("advice", at_ms, {**advice, "t": time})
            self._teller.state("advice", {**advice, "t": time})

    def _keep_tests(self, at_ms: int) -> None:
        for number, body in self.reckoner.tests.new_windows(self._windows_kept):
            self._windows_kept.add(number)
            self._keeper.record("tray window", at_ms, body)
        tests = self.reckoner.calibration.tests
        while self._tests_kept < len(tests):
            test = tests[self._tests_kept]
            if test.used and test.result.heads_given:
                width_m = self.settings.machine.cut_width_m * self.reckoner.now.width_used
                self.adviser.heads(10 * test.result.threshing_g_m / width_m if width_m else None)
            body = test_record(test)
            self._tests_kept += 1
            self._keeper.record("calibration", at_ms, {**body, "after": messages.calibration(self.reckoner, at_ms / 1000)})
