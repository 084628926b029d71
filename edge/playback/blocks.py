"""A source (a capture or a database) -> a `Watch` that can be asked for verdicts. Reads only.

A capture runs through the same engine as live. A database gives the same seconds back: its counts pass the same dead
time, silence and background rules, its entries the same reckoner, so that all three sources agree.
"""

from __future__ import annotations

import sqlite3
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from edge.contract import entries
from edge.contract import settings as settings_module
from edge.contract.errors import StoreError
from edge.contract.settings import FILE_NAME, SERVICE_STATE, Settings
from edge.contract.struck import struck_out
from edge.engine.engine import Engine, Nowhere
from edge.feed.assembler import Part
from edge.judge.watch import Watch
from edge.keep import readonly
from edge.playback import recording
from edge.reckon.entered.inforce import InForce, SettingChange
from edge.reckon.reckoner import Reckoner

CAPTURE_NAMES = (".tgcap", ".tgcap.gz")
RESTORED = ("entry", "tray window", "calibration", "learned", "clock step")
AROUND_S = 12 * 3600
"""Seconds of a database that are looked at, at most."""

BEFORE_S = 2400


def is_database(source: Path) -> bool:
    """Whether a file is a database and no capture. Raises StoreError when it can't be read."""
    if source.name.endswith(CAPTURE_NAMES):
        return False
    try:
        with source.open("rb") as stream:
            return stream.read(len(recording.SQLITE_BEGINS)) == recording.SQLITE_BEGINS
    except OSError as fault:
        away = isinstance(fault, FileNotFoundError | PermissionError)
        usual = SERVICE_STATE / FILE_NAME
        service = f"; an installed service keeps its database in its [store] path, else in {usual}, for its own user"
        raise StoreError(f"{source}: can't be read ({fault.strerror or fault}){service if away else ''}") from fault


def read(source: Path, settings: Settings, n: int | None = None, on_refused: Callable[[str], None] | None = None) -> Watch:
    """The watch of a capture or database. `n`: only what change `n` needs (None: the newest half day).

    `on_refused` hears each refused entry of a capture in one line. Raises CaptureError, StoreError.
    """
    return read_database(source, settings, n) if is_database(source) else read_capture(source, settings, on_refused)


def read_capture(source: Path, settings: Settings, on_refused: Callable[[str], None] | None = None) -> Watch:
    """Run a capture through the engine. Raises CaptureError."""
    lines = recording.opened(source)
    engine = Engine(settings, Nowhere(), Nowhere(), advises=False, numbering="capture")
    recording.play(engine, lines, on_refused)
    return engine.watch


class _KeptSecond(NamedTuple):
    t: int
    state: str
    area_m2: float
    metres: float
    returns_pct: float | None
    parts: str


class _KeptRecord(NamedTuple):
    run: int
    at_ms: int
    kind: str
    body: dict[str, Any]
    seq: int


def read_database(source: Path, settings: Settings, n: int | None = None) -> Watch:
    """Read what change `n` (None: the newest half day) needs from a database. Raises StoreError.

    Wiring and lag come from each run's own settings, as they were when it was recorded.
    """
    try:
        with readonly.opened(source) as connection:
            return Database(connection, settings).of_change(n)
    except sqlite3.Error as fault:
        raise StoreError(f"{source}: can't be read as a database of ours ({fault})") from fault


class Database:
    """Records and seconds of a database merged again into the order in which they came."""

    def __init__(self, connection: sqlite3.Connection, settings: Settings, for_next_run: bool = False) -> None:
        """`settings` of a database without a run; `for_next_run`: of the run that goes on from this database, which needs no
        tests, for it has restored them itself."""
        self._connection = connection
        kinds = ("entry", "learned", "clock step") if for_next_run else RESTORED
        marks = ", ".join("?" * len(kinds))
        sql = f"SELECT run, at_ms, kind, body, seq FROM record WHERE kind IN ({marks}) ORDER BY seq"
        found = connection.execute(sql, kinds).fetchall()
        records = [_KeptRecord(run, at_ms, kind, msgspec.json.decode(body), seq) for run, at_ms, kind, body, seq in found]
        self._struck = frozenset(struck_out(one.body for one in records if one.kind == "entry"))
        self.records = [one for one in records if not for_next_run or one.body.get("entry") not in ("tray", "tray_mark")]
        self._runs = connection.execute("SELECT run, settings FROM run ORDER BY run").fetchall()
        self._newest = settings if for_next_run or not self._runs else _of_run(self._runs[-1][1])

    def of_change(self, n: int | None) -> Watch:
        """What change `n` needs, or the newest half day."""
        return self.watch(*self._window(n))

    def watch(self, low: int, high: int) -> Watch:
        """All marks and the seconds from `low` to `high` (epoch s) through one watch, run by run.

        Its loss points are the newest run's; seconds of a run that was wired with others can't stand beside them.
        """
        watch = Watch(Reckoner(self._newest, self._struck))
        points = watch.course.points
        held = self._connection.execute("SELECT DISTINCT run FROM second WHERE t BETWEEN ? AND ?", (low, high)).fetchall()
        needed = {run for (run,) in held}
        told: list[_KeptRecord] = []
        for run, text in self._runs:
            if run in needed and (settings := _of_run(text)) != watch.reckoner.settings:
                self._begin(watch, settings, told)
            mine = [record for record in self.records if record.run == run]
            fits = run in needed and watch.reckoner.names == points
            self._feed(watch, mine, list(self._rows(run, low, high)) if fits else [])
            told += mine
        if watch.reckoner.settings != self._newest:
            self._begin(watch, self._newest, told)
        return watch

    def _begin(self, watch: Watch, settings: Settings, told: list[_KeptRecord]) -> None:
        watch.reckoner = Reckoner(settings, self._struck)
        for record in told:
            watch.reckoner.restore(record.kind, record.body, record.at_ms, record.seq)

    def open_since(self) -> tuple[float, float] | None:
        """Epoch seconds of the first change that pools with the open one, and of that one; None when none is open."""
        changes = iter(self._changes())
        told = [one for one in self._counting() if one.body["entry"] in ("crop", "setting")]
        ends = [None if one.body["entry"] == "crop" else next(changes) for one in told]
        ends = [one for one in ends if one is None or one.moves_machine]
        if not ends or ends[-1] is None:
            return None
        first = last = ends[-1]
        for one in reversed(ends):
            if one is None or one.key != last.key:
                break
            first = one
        return first.at_s, last.at_s

    def _counting(self) -> list[_KeptRecord]:
        """Entries that were not struck out, in order."""
        return [one for one in self.records if one.kind == "entry" and one.seq not in self._struck]

    def _changes(self) -> list[SettingChange]:
        """Every setting entry that counts as it was taken, in order."""
        now = InForce.from_settings(self._newest)
        for one in self.records:
            if one.kind == "entry" and one.body["entry"] == "setting":
                entry = entries.from_plain(one.body)
                if one.seq in self._struck:
                    now.skip(entry)
                else:
                    now.learn(entry, _at_s(one))
        return now.changes

    def _window(self, n: int | None) -> tuple[int, int]:
        """Epoch seconds of the rows wanted."""
        if n is None:
            newest = self._connection.execute("SELECT max(t) FROM second").fetchone()[0] or 0
            return newest - AROUND_S, newest
        changes = self._changes()
        place = next((at for at, one in enumerate(changes) if one.n == n), None)
        if place is None:
            return 0, -1
        # The whole run of changes of one setting that pools with this one; what moves nothing does not end it.
        mine = changes[place]
        pools = [one.key == mine.key or not one.moves_machine for one in changes]
        first = last = place
        while first > 0 and pools[first - 1]:
            first -= 1
        while last + 1 < len(pools) and pools[last + 1]:
            last += 1
        low = max(changes[first].at_s - BEFORE_S, mine.at_s - AROUND_S)
        high = changes[last + 1].at_s if last + 1 < len(changes) else changes[last].at_s + AROUND_S
        return int(low), int(min(high, mine.at_s + AROUND_S)) + 1

    def _feed(self, watch: Watch, records: list[_KeptRecord], rows: list[_KeptSecond]) -> None:
        backs = sum(row.t <= before.t for before, row in zip(rows, rows[1:], strict=False))
        # Behind a clock that was set back times begin anew: such a step holds later records up until its second comes.
        steps = [one for one in records if one.kind == "clock step" and one.body["to_ms"] < one.body["from_ms"]]
        barriers = steps[len(steps) - backs :] if backs else []
        waiting = deque(one for one in records if one.kind != "clock step" or one in barriers)
        newest: int | None = None
        for row in rows:
            back = newest is not None and row.t <= newest
            while waiting and (back if waiting[0].kind == "clock step" else waiting[0].at_ms <= row.t * 1000):
                back = back and waiting[0].kind != "clock step"
                self._tell(watch, waiting.popleft())
            self._take(watch, row, newest is None)
            newest = row.t
        for record in waiting:
            self._tell(watch, record)

    def _tell(self, watch: Watch, record: _KeptRecord) -> None:
        if record.kind == "clock step":
            return
        watch.reckoner.restore(record.kind, record.body, record.at_ms, record.seq)
        if record.kind == "entry" and record.seq not in self._struck:
            watch.learn(entries.from_plain(record.body), record.at_ms, record.seq)

    def _rows(self, run: int, low: int, high: int) -> Iterator[_KeptSecond]:
        sql = """SELECT t, state, area_m2, distance_m, returns_pct, parts
            FROM second JOIN counts USING (run, number) WHERE second.run = ? AND t BETWEEN ? AND ? ORDER BY number"""
        for row in self._connection.execute(sql, (run, low, high)):
            yield _KeptSecond(*row)

    def _take(self, watch: Watch, row: _KeptSecond, fresh: bool) -> None:
        parts = [Part(*one) for one in msgspec.json.decode(row.parts)]
        ms = sum([part.ms for part in parts])
        counts = parts[0].counts if parts else []
        if len(parts) > 1:
            counts = [sum(each) for each in zip(*(part.counts for part in parts), strict=True)]
        threshing_ms = sum([part.ms for part in parts if watch.reckoner.work.threshing_on(part)])
        for point in watch.reckoner.points:
            point.step(counts, ms, threshing_ms, row.state in ("working", "filling"))
        watch.take(row.t, row.state, ms, row.area_m2, row.metres, row.returns_pct, new_run=fresh and watch.course.count > 0)


def _of_run(text: str) -> Settings:
    return settings_module.from_plain(msgspec.json.decode(text))


def _at_s(record: _KeptRecord) -> float:
    at = record.body.get("at")
    return record.at_ms / 1000 if at is None else entries.epoch_s(at)
