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
from edge.contract.entries import given
from edge.contract.errors import AskAgain, EntryError, StoreError
from edge.contract.settings import Settings
from edge.engine import jobrecords, messages
from edge.engine.again import Again
from edge.engine.hindsight import Hindsight, Minute
from edge.engine.ledger import Numbering, RecordLedger, Taint
from edge.feed.assembler import Assembler, Second
from edge.judge.advice.advisedsecond import AdvisedSecond
from edge.judge.advice.adviser import Adviser
from edge.judge.advice.settingsbook import GoodSet
from edge.judge.alerts.judge import AlertChange, Judge
from edge.judge.speed.guidance import Guide
from edge.judge.verdict.course import Course
from edge.judge.watch import Watch
from edge.reckon.entries import ENTRIES, NOT_USED
from edge.reckon.figures import Figures
from edge.reckon.fit.calibration import Test
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
        numbering: Numbering = "live",
        struck: frozenset[int] = frozenset(),
    ) -> None:
        self.settings = settings
        self._ledger = RecordLedger(numbering, struck)
        self.assembler = Assembler(dark_places(settings), epoch_ms, on_stamped)
        self.reckoner = Reckoner(settings, struck)
        self.judge = Judge(settings)
        self.watch = Watch(self.reckoner)
        self.adviser, self._hindsight = Adviser(settings), Hindsight()
        self._taint = Taint(struck)
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
            if isinstance(entry, entries.StrikeOutEntry):
                entry = self._ledger.admit(entry)
            question = self.reckoner.question(entry, at_ms) if asks else None
            if question is not None:
                raise AskAgain(*question)
            plain = entries.to_plain(entry)
            if entries.kind_of(entry) in entries.OF_JOBS or self._ledger.strikes_reopening(entry):
                self._close_part_minute()  # a minute belongs to one job, or to none
            seq = self._keeper.entry(at_ms, plain, ask_id)
        except (EntryError, StoreError):
            self.assembler.refuse_entry()
            raise
        if self._on_stamped is not None:
            self._on_stamped(at_ms, b"!" + messages.encode(self._ledger.in_a_recording(plain)))
        self._ledger.add_entry(at_ms, plain, seq, self._hindsight.happened)
        if self._advises:
            self._hindsight.entry(seq, self.adviser)
        if isinstance(entry, entries.StrikeOutEntry):
            struck = int(given(entry.seq))
            if not entry.elsewhere and not self._ledger.tells_nothing(struck):
                self._begin_again(at_ms, struck)
            return {"seq": seq}
        learn_job = entries.kind_of(entry) in entries.OF_JOBS
        extra = self._learn_job(entry, at_ms, seq) if learn_job else self.reckoner.learn(entry, at_ms, seq)
        self.watch.learn(entry, at_ms, seq)
        self.adviser.learn(entry, at_ms, self.reckoner.now)
        self.judge.await_verdict(self._advises and self.adviser.awaits_verdict)
        if ENTRIES[entries.kind_of(entry)].teaches:
            used = not str(extra.get("note", "")).startswith(NOT_USED)
            self._keep("learned", at_ms, self.reckoner.take_learned(entries.kind_of(entry), used))
        self._changed(self.judge.learn(entry, at_ms))
        return {"seq": seq, **extra}

    def _begin_again(self, at_ms: int, struck: int) -> None:
        """An entry was struck out: all that follows from entries is worked out again without it."""
        was_tests = {test.seq: test_record(test) for test in self.reckoner.calibration.tests}
        was, newest = self.adviser, self.reckoner.calibration.last_used
        again = Again(self._ledger, self.reckoner, self.watch, self._hindsight, struck, was)
        again.go(self._think)
        self.adviser = again.adviser
        calibration = self.reckoner.calibration
        self.judge.begin_again(again.counted, calibration.used(), newest is not None and newest.seq == struck)
        self.judge.await_verdict(self._advises and self.adviser.awaits_verdict)
        self._exponent = self.watch.exponent()
        tests = calibration.tests
        for test in tests:
            record = {**test_record(test), "number": was_tests.get(test.seq, {}).get("number", test.number)}
            if was_tests.get(test.seq) != record:
                self._keep_test(test, at_ms)
        self._tests_kept = len(tests)
        if self._advises:
            self._tell_anew(at_ms, was, again)
        if self.reckoner.now.job and self._ledger.is_before_opening(struck):
            # What was in force when the job was opened is not so: from here on its records stand on this.
            opening = jobrecords.opening(self.reckoner, at_ms / 1000)
            self._keeper.record("job opening", at_ms, {**opening, "again": True})

    def _tell_anew(self, at_ms: int, was: Adviser, again: Again) -> None:
        """Verdicts, pages of the book and advice that are others than they were before the struck entry go on record again:
        what was recorded since it rests on it. A verdict `of_job` is what the job's own time gave, for its pack."""
        before = again.before
        for n, verdict in self.adviser.verdicts.items():
            if verdict != before.verdicts.get(n) or verdict != was.verdicts.get(n):
                self._keeper.record("verdict", at_ms, {**verdict, "setting": n, "again": True})
        for (job, _), verdict in again.judged.items():
            if job and job == self.reckoner.now.job:
                self._keeper.record("verdict", at_ms, {**verdict, "of_job": job})
        pages = self.adviser.book.pages
        for crop, page in pages.items():
            if page != before.book.pages.get(crop) or page != was.book.pages.get(crop):
                self._keep("good set", at_ms, page.to_plain())
        for crop in was.book.pages.keys() - pages.keys():
            self._keep("good set", at_ms, {"crop": crop, "taken_back": True})
        told = self.adviser.told
        if told is not None and (told != before.told or told != was.told):
            self._keep("advice", at_ms, told)
        if told != was.told:
            self._teller.state("advice", told)
        due = self.watch.due()
        self._tell_verdict(None if due is None else {**due[1], "setting": due[0]})

    def _think(self, minute: Minute, adviser: Adviser) -> tuple[dict[str, Any] | None, dict[str, Any] | None, GoodSet | None]:
        """A minute thought over: the open change's verdict, and the advice and the page of the book that are new."""
        due = self.watch.due()
        verdict = None if due is None else {**due[1], "setting": due[0]}
        if verdict is not None:
            adviser.verdict(verdict["setting"], verdict)
        now, time = self.reckoner.now, messages.rfc3339_ms(minute.t * 1000)
        advice, page = adviser.minute(now, self.reckoner.sieves, minute.open_alerts, minute.t, minute.gauge_h, time)
        return verdict, advice, page

    def _keep(self, kind: str, at_ms: int, body: dict[str, Any]) -> None:
        """A record from which what is in force, or advice, follows."""
        self._ledger.add(kind, at_ms, body, happened=self._hindsight.happened)
        self._keeper.record(kind, at_ms, body)

    def _learn_job(self, entry: entries.Entry, at_ms: int, seq: int) -> dict[str, Any]:
        """A job begins, ends or is taken up again: what is in force, or what it came to, goes on record."""
        reckoner, was = self.reckoner, self.reckoner.now.job
        ends = was or (reckoner.now.last_job if isinstance(entry, entries.JobFinishEntry) else 0)
        try:
            minutes, proof = self._keeper.job_minutes(ends) if ends else [], self._keeper.proof(seq)
        except StoreError:  # the entry itself is on disk; what it sums up can be read again later
            return reckoner.learn(entry, at_ms, seq)
        totals = jobrecords.total(reckoner.names, minutes)
        before = jobrecords.yield_and_percent(reckoner, totals)
        extra = reckoner.learn(entry, at_ms, seq)
        if isinstance(entry, entries.JobFinishEntry):
            found = jobrecords.correction(reckoner, entry, ends, before, totals)
            if found is not None:
                self._keeper.record("job correction", at_ms, found)
            told = jobrecords.area_note(found) if found is not None else ""
            notes = [extra.get("note", ""), told, jobrecords.mean_note(reckoner, totals, minutes) if was else ""]
            extra |= {"note": "; ".join(note for note in notes if note)} if any(notes) else {}
        if ends:
            self._keeper.record("job figures", at_ms, jobrecords.figures(reckoner, ends, totals, at_ms / 1000))
        if reckoner.now.job:
            self._keeper.record("job opening", at_ms, jobrecords.opening(reckoner, at_ms / 1000))
        return {**extra, **({"proof": proof} if proof is not None else {})}

    def restore(self, kind: str, at_ms: int, body: dict[str, Any], seq: int = 0) -> None:
        """Take up a record of an earlier run and its number, in order of record, before the first line."""
        self._taint.passes(kind, body, seq)
        self.reckoner.restore(kind, body, at_ms, seq)
        self._ledger.add(kind, at_ms, body, seq)
        if kind == "entry" and seq in self._ledger.struck:
            return
        # What was found while an entry counted that was struck out later is not so; a verdict of a job is for its pack.
        if kind == "entry" or not (self._taint or "of_job" in body):
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
            self._keep("learned", second.t * 1000, self.reckoner.take_learned())
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
        self._hindsight.second(AdvisedSecond.of(figures))
        words = self._guide.step(figures, self._exponent)
        if words != self._guided:
            self._guided = words
            self._teller.state("guidance", words)

    def _advise(self, t: int) -> None:
        """Once a minute: the open change's verdict, the advice in force, the book's page when it changed."""
        at_ms, time = t * 1000, messages.rfc3339_ms(t * 1000)
        if t % CURVE_EVERY_S == 0:
            self._exponent = self.watch.exponent()
        minute = Minute(t, self.watch.course.count, tuple(self.judge.open), self.judge.hours[1])
        self._hindsight.minute(minute)
        waited = self.adviser.awaits_verdict
        verdict, advice, page = self._think(minute, self.adviser)
        if verdict is not None:
            self._keeper.record("verdict", at_ms, verdict)
            self._tell_verdict(verdict)
        elif waited or not self.watch.is_open:  # nobody is told to wait for what doesn't come
            self._tell_verdict(None)
        self.judge.await_verdict(self.adviser.awaits_verdict)
        if page is not None:
            self._keep("good set", at_ms, page.to_plain())
        if advice is not None:
            self._keep("advice", at_ms, {**advice, "t": time})
            self._teller.state("advice", {**advice, "t": time})

    def _tell_verdict(self, verdict: dict[str, Any] | None) -> None:
        if verdict is not None or self._verdict_told:
            self._teller.state("verdict", verdict)
        self._verdict_told = verdict is not None

    def _keep_tests(self, at_ms: int) -> None:
        for number, body in self.reckoner.rows.new_windows(self._windows_kept):
            self._windows_kept.add(number)
            self._keep("tray window", at_ms, body)
        tests = self.reckoner.calibration.tests
        while self._tests_kept < len(tests):
            test = tests[self._tests_kept]
            self.adviser.tested(test)
            self._tests_kept += 1
            self._keep_test(test, at_ms)

    def _keep_test(self, test: Test, at_ms: int) -> None:
        self._keep("calibration", at_ms, {**test_record(test), "after": messages.calibration(self.reckoner, at_ms / 1000)})
