"""Dates of a run, corrected by the offsets on its record. Nothing is rewritten: what was kept stays as it was kept.

A `clock offset` record of source `wall clock` ends a life of the clock: everything of the run before it is `offset_ms`
early. One of source `receiver` says how far a position receiver was ahead of the clock in the life it stands in; that
of the last life counts, when it was believed. So all of a run is dated by the clock that was in force at its end.
"""

from __future__ import annotations

import sqlite3
from typing import Any, NamedTuple

import msgspec

KIND = "clock offset"


class _ClockLife(NamedTuple):
    number: int
    seq: int
    offset_ms: int


class Dates:
    """Corrected times of one run."""

    def __init__(self, offsets: list[tuple[int, dict[str, Any]]]) -> None:
        """`offsets`: `seq` and body of the run's `clock offset` records, in order."""
        lives: list[tuple[int, int, int]] = []
        last_ms = 0
        for seq, body in offsets:
            if body["source"] == "wall clock":
                lives.append((int(body["number"]), seq, int(body["offset_ms"])))
                last_ms = 0
            elif body["believed"]:
                last_ms = int(body["offset_ms"])
            else:
                last_ms = 0
        self._last_ms = last_ms
        self._lives: list[_ClockLife] = []
        for number, seq, step_ms in reversed(lives):
            last_ms += step_ms
            self._lives.insert(0, _ClockLife(number, seq, last_ms))

    @classmethod
    def of_run(cls, connection: sqlite3.Connection, run: int) -> Dates:
        """The dates of a run in a database."""
        rows = connection.execute("SELECT seq, body FROM record WHERE run = ? AND kind = ? ORDER BY seq", (run, KIND))
        return cls([(seq, msgspec.json.decode(body)) for seq, body in rows])

    @property
    def corrected(self) -> bool:
        """Whether any time of the run is off."""
        return any(life.offset_ms for life in self._lives) or self._last_ms != 0

    def ends(self) -> list[int]:
        """Numbers of the seconds with which another life of the clock begins."""
        return [life.number + 1 for life in self._lives]

    def of_second(self, number: int) -> int:
        """ms to add to the time of a second, by its number in the run."""
        return next((life.offset_ms for life in self._lives if number <= life.number), self._last_ms)

    def of_record(self, seq: int) -> int:
        """ms to add to the time of a record, by its number."""
        return next((life.offset_ms for life in self._lives if seq < life.seq), self._last_ms)
