"""The kept seconds of a database, a span at a time, each with its job and the offset of its clock. Reads only."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from edge.contract.errors import StoreError, WrongInput
from edge.engine.streams import STREAMS
from edge.export.csvpart import ROWS_AT_ONCE, Query, add_places
from edge.keep import jobs, readonly, seconds
from edge.keep.dates import Dates
from edge.keep.places import Position

OnProgress = Callable[[int, int], None]
"""Hears rows done and rows in all."""


class Span(NamedTuple):
    """Consecutive seconds of one run, first and last inclusive, in one job (None: in none) and by one clock."""

    run: int
    first: int
    last: int
    job: int | None
    offset_ms: int


class Source:
    """A database opened for an export. `position`: what becomes of latitude and longitude; `job`: only that one's seconds."""

    def __init__(self, db: sqlite3.Connection, position: Position = "exact", job: int | None = None) -> None:
        self.db, self.position, self._held = db, position, seconds.columns(db)
        found = [jobs.job(db, job)] if job is not None else jobs.jobs(db)
        self.spans = [one for one in _spans(db, found) if job is None or one.job == job]
        if position == "coarse":
            add_places(db)

    @property
    def rows(self) -> int:
        """About how many rows there are."""
        return sum(one.last - one.first + 1 for one in self.spans)

    def names(self) -> list[str]:
        """Names of all columns, in order."""
        left_out = ("lat", "lon") if self.position == "none" else ()
        return ["time", "run", "number", "t", "job", *(one.name for one in STREAMS if one.name not in left_out)]

    def chunks(
        self, names: Sequence[str], on_progress: OnProgress | None = None, at_once: int = ROWS_AT_ONCE
    ) -> Iterator[tuple[Span, list[tuple[Any, ...]]]]:
        """Rows of these columns in order, some at a time."""
        done, whole = 0, self.rows
        for span in self.spans:
            query = self.query(span, names)
            cursor = self.db.execute(query.sql, query.values)
            while rows := cursor.fetchmany(at_once):
                yield span, rows
                done += len(rows)
                if on_progress is not None:
                    on_progress(done, whole)

    def query(self, span: Span, names: Sequence[str]) -> Query:
        """What asks for these columns of a span."""
        asked = ", ".join(self._sql(name, span) for name in names)
        sql = f"SELECT {asked} FROM second WHERE run = ? AND number BETWEEN ? AND ? ORDER BY number"
        return Query(sql, [span.run, span.first, span.last], span.last - span.first + 1)

    def _sql(self, name: str, span: Span) -> str:
        if name == "time":
            return f"strftime('%Y-%m-%dT%H:%M:%fZ', (t * 1000 + {span.offset_ms}) / 1000.0, 'unixepoch')"
        if name == "time_ms":
            return f"t * 1000 + {span.offset_ms}"
        if name == "job":
            return "NULL" if span.job is None else str(span.job)
        if name in ("lat", "lon") and self.position != "exact":
            return "NULL" if self.position == "none" else f"coarse_{name}(lat, lon)"
        return name if name in self._held else "NULL"  # an older version did not keep it


@contextmanager
def opened(path: Path, position: Position = "exact", job: int | None = None) -> Iterator[Source]:
    """A database for an export. Raises StoreError when it can't be read, WrongInput for a job it does not have."""
    try:
        with readonly.opened(path) as db:
            yield Source(db, position, job)
    except sqlite3.Error as fault:
        raise StoreError(f"{path}: can't be read as a database of ours ({fault})") from fault


def _spans(db: sqlite3.Connection, found: Sequence[jobs.Job]) -> list[Span]:
    """All kept seconds, cut where a job begins or ends and where the clock was set."""
    spans = []
    for run, first, last in db.execute("SELECT run, min(number), max(number) FROM second GROUP BY run ORDER BY run"):
        inside = sorted((one.first, one.last, job.number) for job in found for one in job.stretches if one.run == run)
        dates = Dates.of_run(db, run)
        cuts = {first, *dates.ends()} | {begin for begin, _, _ in inside} | {end + 1 for _, end, _ in inside}
        begins = sorted(cut for cut in cuts if first <= cut <= last)
        for begin, after in zip(begins, [*begins[1:], last + 1], strict=True):
            number = next((job for low, high, job in inside if low <= begin <= high), None)
            spans.append(Span(run, begin, after - 1, number, dates.of_second(begin)))
    return spans


def kit_name(db: sqlite3.Connection) -> str:
    """The kit's name by the newest run's settings; `kit1` when they don't say it."""
    row = db.execute("SELECT settings FROM run ORDER BY run DESC LIMIT 1").fetchone()
    if row is None:
        raise WrongInput("export: SOURCE: no run was ever recorded in it")
    machine = msgspec.json.decode(row[0]).get("machine", {})
    return str(machine.get("kit", "kit1"))


def lags(db: sqlite3.Connection) -> Iterator[tuple[int, int, float]]:
    """When which lag came into force: run, epoch ms, lag in s. In order; each run begins with what its settings say."""
    entered: float | None = None
    sql = """SELECT run, at_ms, json_extract(body, '$.to') FROM record WHERE kind = 'entry'
        AND json_extract(body, '$.entry') = 'setting' AND json_extract(body, '$.what') = 'lag_s' ORDER BY seq"""
    changes = db.execute(sql).fetchall()
    for run, settings in db.execute("SELECT run, settings FROM run ORDER BY run").fetchall():
        own = float(msgspec.json.decode(settings).get("machine", {}).get("lag_s", 10.0))
        yield run, 0, own if entered is None else entered
        for of_run, at_ms, lag in changes:
            if of_run == run:
                entered = float(lag)
                yield run, at_ms, entered
