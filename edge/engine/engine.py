"""The one road: stamped lines and entries -> seconds -> figures -> kept and told. Live and replay drive this object.

    feed.Assembler.take(stamp, line) -> seconds
        reckon.Reckoner.step(second) -> figures
            judge.Judge.step(figures) -> changes of alerts
                keeper.second / keeper.record, teller.live / teller.minute / ...
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple, Protocol

from edge.contract import entries
from edge.contract.errors import AskAgain, EntryError, StoreError
from edge.contract.settings import Settings
from edge.engine import jobrecords, messages
from edge.feed.assembler import Assembler, Second
from edge.judge.advice.adviser import Adviser
from edge.judge.alerts.judge import AlertChange, Judge
from edge.judge.speed.guidance import Guide
from edge.judge.verdict.course import Course
from edge.judge.watch import Watch
from edge.reckon.entries import ENTRIES
from edge.reckon.figures import Figures
from edge.reckon.fit.traytests import test_record
from edge.reckon.reckoner import Reckoner
from edge.reckon.sensors.inputs import dark_places

NO_DATA_S = 2
"""Seconds without a good count sentence that are a gap."""

CURVE_EVERY_S = 600
"""How often the curve of loss over speed is looked for anew in the steps driven so far."""


class Keeper(Protocol):
    """Where seconds and records go (the database, or nowhere)."""

    def second(self, second: Second, figures: Figures) -> None:
        """Keep one closed second."""

    def record(self, kind: str, at_ms: int, body: dict[str, Any], tell: str = "") -> None:
        """Keep one record; `tell`: the topic on which it is announced, with its number, once it is on disk."""

    def entry(self, at_ms: int, body: dict[str, Any], ask_id: str | None) -> int:
        """Keep one entry; returns its number once it is on disk."""

    def proof(self, seq: int) -> dict[str, Any] | None:
        """The proof line of a record on disk; None where nothing is kept."""


    def job_minutes(self, job: int) -> list[dict[str, Any]]:
        """Bodies of the minutes kept for a job so far; none where nothing is kept."""


class Teller(Protocol):
    """Who hears what changes from second to second (the broker, or nobody)."""

    def live(self, figures: Figures) -> None:
        """The figures of one second."""

    def alert(self, change: AlertChange) -> None:
        """An alert changed its state."""

    def state(self, name: str, message: dict[str, Any] | None) -> None:
        """A retained state by its topic's name: `verdict`, `advice`, `guidance`; None: nothing is in force any more."""


class Earlier(NamedTuple):
    """What earlier runs left for verdicts, advice and alerts: the time of their newest second, the newest seconds, the last
    second of work and the seconds of work of that day, and the newest record of each alert."""

    newest_t: int
    course: Course
    work_t: int | None
    worked_s: int
    alerts: list[dict[str, Any]]


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

    def proof(self, seq: int) -> dict[str, Any] | None:
        """There is none."""
        return None

    def job_minutes(self, job: int) -> list[dict[str, Any]]:
        """There are none."""
        return []

    def live(self, figures: Figures) -> None:
        """Nobody hears."""

    def alert(self, change: AlertChange) -> None:
        """Nobody hears."""

    def state(self, name: str, message: dict[str, Any] | None) -> None:
        """Nobody hears."""


class Engine:
    """Feed, reckon and judge of one kit. `on_stamped` hears each line and entry with its stamp (the recorder).

    `advises` False: verdicts, advice and guidance are not worked out, because nobody keeps or hears them.
    """

    def __init__(
        self,
        settings: Settings,
        keeper: Keeper,
        teller: Teller,
        epoch_ms: int | None = None,
        on_stamped: Callable[[int, bytes], None] | None = None,
        advises: bool = True,
    ) -> None:
        self.settings = settings
        self.assembler = Assembler(dark_places(settings), epoch_ms, on_stamped)
        self.reckoner = Reckoner(settings)
        self.judge = Judge(settings)
        self.watch = Watch(self.reckoner)
        self.adviser = Adviser(settings)
        self._advises, self._verdict_told = advises, False
        self._guide, self._guided = Guide(), dict[str, Any]()
        self._exponent: float | None = None
        self.alerts: list[AlertChange] = []
        self.on_figures: list[Callable[[Figures], None]] = []
        self._keeper, self._teller, self._on_stamped = keeper, teller, on_stamped
        self._minute_lines = self.assembler.lines
        self._tests_kept = 0
        self._windows_kept: set[int] = set()
        self._closed_t: int | None = None
        self._empty_s = 0

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

    def take_entry(
        self, stamp_ms: int | None, entry: entries.Entry, ask_id: str | None = None, asks: bool = False
    ) -> dict[str, Any]:
        """One checked entry. Returns what the answer says besides `ok`: its number, a mark. Raises EntryError, and with `asks`
        AskAgain where it is hardly meant so; what stands in a recording was meant."""
        at_ms, closed = self.assembler.advance(stamp_ms)
        for second in closed:
            self._close(second)
        try:
            self.judge.admit(entry)
            entry = self.reckoner.admit(entry, at_ms)
            question = self.reckoner.question(entry, at_ms) if asks else None
            if question is not None:
                raise AskAgain(*question)
            plain = entries.to_plain(entry)
            if entries.kind_of(entry) in entries.OF_JOBS:
                self._close_part_minute()  # a minute belongs to one job, or to none
            seq = self._keeper.entry(at_ms, plain, ask_id)
        except (EntryError, StoreError):
            self.assembler.refuse_entry()
            raise
        if self._on_stamped is not None:
            self._on_stamped(at_ms, b"!" + messages.encode(plain))
        learn_job = entries.kind_of(entry) in entries.OF_JOBS
        extra = self._learn_job(entry, at_ms, seq) if learn_job else self.reckoner.learn(entry, at_ms)
        self.watch.learn(entry, at_ms)
        self.adviser.learn(entry, at_ms, self.reckoner.now)
        self.judge.await_verdict(self._advises and self.adviser.awaits_verdict)
        if ENTRIES[entries.kind_of(entry)].teaches:
            self._keeper.record("learned", at_ms, self.reckoner.take_learned())
        self._changed(self.judge.learn(entry, at_ms))
        return {"seq": seq, **extra}

    def _learn_job(self, entry: entries.Entry, at_ms: int, seq: int) -> dict[str, Any]:
        """A job begins, ends or is taken up again: what is in force, or what it came to, goes on record."""
        reckoner, was = self.reckoner, self.reckoner.now.job
        ends = was or (reckoner.now.last_job if isinstance(entry, entries.JobFinishEntry) else 0)
        try:
            minutes, proof = self._keeper.job_minutes(ends) if ends else [], self._keeper.proof(seq)
        except StoreError:  # the entry itself is on disk; what it sums up can be read again later
            return reckoner.learn(entry, at_ms)
        totals = jobrecords.total(reckoner.names, minutes)
        before = jobrecords.yield_and_percent(reckoner, totals)
        extra = reckoner.learn(entry, at_ms)
        if isinstance(entry, entries.JobFinishEntry):
            found = jobrecords.correction(reckoner, entry, ends, before, totals)
            if found is not None:
                self._keeper.record("job correction", at_ms, found)
                notes = [extra.get("note", ""), jobrecords.area_note(found)]
                extra |= {"note": "; ".join(note for note in notes if note)} if any(notes) else {}
        if ends:
            self._keeper.record("job figures", at_ms, jobrecords.figures(reckoner, ends, totals, at_ms / 1000))
        if reckoner.now.job:
            self._keeper.record("job opening", at_ms, jobrecords.opening(reckoner, at_ms / 1000))
        return {**extra, **({"proof": proof} if proof is not None else {})}

    def restore(self, kind: str, at_ms: int, body: dict[str, Any]) -> None:
        """Take up a record of an earlier run, in order of record, before the first line."""
        self.reckoner.restore(kind, body, at_ms)
        self.adviser.restore(kind, body, at_ms, self.reckoner.now)
        if kind == "entry":
            self.judge.restore(body)
        elif kind == "tray window":
            self._windows_kept.add(int(body["mark"]))
        self._tests_kept = len(self.reckoner.calibration.tests)

    def take_up(self, earlier: Earlier, now_ms: int) -> None:
        """After `restore`: go on from the seconds, the day's work and the open alerts of earlier runs, and tell again what
        is in force."""
        now_ms = max(now_ms, 1000 * earlier.newest_t)  # a board without a clock of its own begins in the past
        self.watch.take_up(earlier.course)
        self._exponent = self.watch.exponent()
        for change in self.judge.restore_alerts(earlier.alerts, now_ms):
            self._teller.alert(change)
        due = self.watch.due()
        if due is not None:
            self._tell_verdict({**due[1], "setting": due[0]})
        advice = self.adviser.take_up(earlier.work_t, earlier.worked_s, now_ms // 1000)
        if advice is not None:
            self._teller.state("advice", advice)

    def close_silent(self, now_ms: int) -> None:
        """Live only: close seconds that ended 250 ms ago."""
        for second in self.assembler.close_silent(now_ms):
            self._close(second)

    def judge_notes(self, at_ms: int | None) -> None:
        """Judge what was noted from outside, for as long as no second closes (None: seconds do it)."""
        if at_ms is not None:
            self._changed(self.judge.facts(at_ms))

    def finish(self) -> None:
        """The input has ended; nothing more is closed."""
        self.assembler.counters.finish()
        if self.assembler.stamp_ms is not None:
            self.reckoner.finish(self.assembler.stamp_ms)
            self._keep_tests(self.assembler.stamp_ms)
        self._keep_gap(self._closed_t)
        self._close_part_minute()

    def _close(self, second: Second) -> None:
        figures = self.reckoner.step(second)
        for event in second.events:
            self._keeper.record(event.kind, event.stamp_ms, dict(event.detail))
        if second.data and self._empty_s:
            self._keep_gap(self._closed_t)
        elif not second.data and second.last_data_ms is not None:
            self._empty_s += 1
        self._closed_t = second.t
        self._keeper.second(second, figures)
        if self.reckoner.has_news:
            self._keeper.record("learned", second.t * 1000, self.reckoner.take_learned())
        self._keep_tests(second.t * 1000)
        changes = self.judge.step(figures, second)
        self.watch.step(second, figures)
        self._teller.live(figures)
        self._changed(changes)
        if self._advises:
            self._tell_guidance(figures)
        for hear in self.on_figures:
            hear(figures)
        if second.t % 60 == 0:
            self._close_minute(second.t)
            if self._advises:
                self._advise(second.t)

    def _changed(self, changes: list[AlertChange]) -> None:
        for change in changes:
            self.alerts.append(change)
            self._keeper.record("alert", change.at_ms, change.to_plain())
            self._teller.alert(change)

    def _keep_gap(self, last_t: int | None) -> None:
        """Silence of two seconds and more goes on record once, when it is over."""
        seconds, self._empty_s = self._empty_s, 0
        if last_t is not None and seconds >= NO_DATA_S:
            body = {"from": messages.rfc3339(last_t - seconds), "to": messages.rfc3339(last_t), "seconds": seconds}
            self._keeper.record("no data", last_t * 1000, body)

    def _close_part_minute(self) -> None:
        """A minute ends early: a job's minutes are its own, and the last one of a run is not lost."""
        if self._closed_t is not None and self.reckoner.minute_begun:
            self._close_minute(self._closed_t)

    def _close_minute(self, t: int) -> None:
        lines, sums = self.assembler.lines, self.reckoner.take_minute()
        body = messages.minute(self.reckoner, sums, t, self._minute_lines, lines)
        body["sums"] = jobrecords.sums(sums, self.reckoner.dispersion)
        self._minute_lines = lines
        self._keeper.record("minute", t * 1000, body, tell="minute")

    def _tell_guidance(self, figures: Figures) -> None:
        self.adviser.step(figures)
        words = self._guide.step(figures, self._exponent)
        if words != self._guided:
            self._guided = words
            self._teller.state("guidance", words)

    def _advise(self, t: int) -> None:
        """Once a minute: the open change's verdict, the advice in force, the book's page when it changed."""
        at_ms, time = t * 1000, messages.rfc3339_ms(t * 1000)
        if t % CURVE_EVERY_S == 0:
            self._exponent = self.watch.exponent()
        due = self.watch.due()
        if due is not None:
            verdict = {**due[1], "setting": due[0]}
            self.adviser.verdict(due[0], verdict)
            self._keeper.record("verdict", at_ms, verdict)
            self._tell_verdict(verdict)
        elif not self.watch.is_open:
            self._tell_verdict(None)
        gauge_h = self.judge.hours[1]
        advice, page = self.adviser.minute(self.reckoner.now, self.reckoner.sieves, self.judge.open, t, gauge_h)
        self.judge.await_verdict(self.adviser.awaits_verdict)
        if page is not None:
            self._keeper.record("good set", at_ms, page.to_plain())
        if advice is not None:
            self._keeper.record("advice", at_ms, {**advice, "t": time})
            self._teller.state("advice", {**advice, "t": time})

    def _tell_verdict(self, verdict: dict[str, Any] | None) -> None:
        if verdict is not None or self._verdict_told:
            self._teller.state("verdict", verdict)
        self._verdict_told = verdict is not None

    def _keep_tests(self, at_ms: int) -> None:
        for number, body in self.reckoner.tests.new_windows(self._windows_kept):
            self._windows_kept.add(number)
            self._keeper.record("tray window", at_ms, body)
        tests = self.reckoner.calibration.tests
        while self._tests_kept < len(tests):
            test = tests[self._tests_kept]
            if test.used and test.result.heads_given:
                width_m = test.seen.area_m2 / test.seen.metres if test.seen.metres else 0.0
                self.adviser.heads(10 * test.result.threshing_g_m / width_m if width_m else None)
            body = test_record(test)
            self._tests_kept += 1
            self._keeper.record("calibration", at_ms, {**body, "after": messages.calibration(self.reckoner, at_ms / 1000)})
