"""The record gone through again after an entry was struck out: what is in force, the marks of verdicts, and advice."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from edge.contract import entries
from edge.engine.hindsight import Hindsight, Minute
from edge.engine.ledger import REPEATED, LedgerRecord, RecordLedger, Taint
from edge.judge.advice.adviser import Adviser
from edge.judge.watch import Watch
from edge.reckon.reckoner import Reckoner

Think = Callable[[Minute, Adviser], Any]


class Again:
    """One pass. `adviser`: as it would be; `before`: as it was right before the struck entry; `counted`: entries that count;
    `judged`: the last verdict that each job would have had on each change in the time that was lived through again."""

    def __init__(
        self, ledger: RecordLedger, reckoner: Reckoner, watch: Watch, hindsight: Hindsight, struck: int, adviser: Adviser
    ) -> None:
        self._ledger, self._reckoner, self._watch, self._hindsight = ledger, reckoner, watch, hindsight
        found = hindsight.before(struck)
        self._lived = None if found is None else found[0]
        self.adviser = adviser.without_past() if found is None else found[1]
        self.before = self.adviser.as_now() if found is not None else adviser.without_past()
        self.counted: list[entries.Entry] = []
        self.judged: dict[tuple[int, int], dict[str, Any]] = {}
        self._struck, self._taint = struck, Taint(ledger.struck)

    def go(self, think: Think) -> None:
        """Go through every record so far, and live the time since the struck entry again."""
        ledger, watch, whole = self._ledger, self._watch, self._watch.course
        marks = {mark.seq: mark for mark in whole.marks}
        self._reckoner.begin_again(ledger.struck)
        whole.marks.clear()
        passed = False
        for one in ledger:
            if passed and self._lived is not None:
                self._live(one.happened, think)
            self._take(one, passed)
            if one.kind == "entry" and one.seq not in ledger.struck:
                self.counted.append(entries.from_plain(one.body))
                if one.seq in marks:
                    watch.mark_again(self.counted[-1], marks[one.seq])
            passed = passed or (one.kind == "entry" and one.seq == self._struck)
        if self._lived is not None:
            self._live(self._hindsight.happened, think)
        else:
            self._judge_anew()

    def _take(self, one: LedgerRecord, passed: bool) -> None:
        reckoner, tests = self._reckoner, len(self._reckoner.calibration.tests)
        if one.kind in REPEATED:
            reckoner.restore(one.kind, one.body, one.at_ms, one.seq)
        counts = one.kind == "entry" and one.seq not in self._ledger.struck
        if self._lived is None:
            self._taint.passes(one.kind, one.body, one.seq)
            if counts or (one.kind not in REPEATED and not self._taint):
                self.adviser.restore(one.kind, one.body, one.at_ms, reckoner.now)
        elif passed and counts:
            self._hindsight.entry(one.seq, self.adviser, self._lived)
            self.adviser.learn(entries.from_plain(one.body), one.at_ms, reckoner.now)
        if (passed or self._lived is None) and len(reckoner.calibration.tests) > tests:
            self.adviser.tested(reckoner.calibration.tests[-1])

    def _live(self, until: int, think: Think) -> None:
        watch, whole = self._watch, self._watch.course
        assert self._lived is not None

        def thought(minute: Minute) -> None:
            watch.course = whole.as_of(minute.seconds)
            verdict = think(minute, self.adviser)[0]
            if verdict is not None:
                self.judged[self._reckoner.now.job, verdict["setting"]] = verdict
            watch.course = whole

        self._hindsight.again(self._lived, until, self.adviser, self._reckoner, thought)
        self._lived = max(self._lived, until)

    def _judge_anew(self) -> None:
        """Too long ago to live through again: the verdicts there are, anew by all that is known now."""
        for change in self._reckoner.now.changes:
            if change.n in self.before.verdicts:
                try:
                    self.adviser.verdict(change.n, {**self._watch.compare(change.n), "setting": change.n})
                except ValueError:
                    continue  # its seconds are no longer kept
