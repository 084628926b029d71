"""The store: one writer thread that owns the one writing connection. One full commit a second, an entry at once.

Callers put work on a queue and go on; only `entry` waits until its row is on disk.
"""

from __future__ import annotations

import fcntl
import logging
import queue
import sqlite3
import threading
import time
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from pathlib import Path
from typing import IO, Any, NamedTuple

import msgspec
import rfc8785

from edge.errors import StoreError
from edge.feed.assembler import Second
from edge.keep.schema import APPLICATION_ID, open_writer
from edge.messages import Told
from edge.reckon.figures import Figures
from edge.streams import STREAMS

LOG = logging.getLogger("tailgrain.keep")

FILE_NAME = "tailgrain.db"
COMMIT_EVERY_S = 1.0
ENTRY_WAIT_S = 10.0
QUEUE_LENGTH = 5000
_SECOND_SQL = f"INSERT INTO second VALUES ({', '.join('?' * (3 + len(STREAMS)))})"
_COUNTS_SQL = "INSERT INTO counts VALUES (?, ?, ?, ?)"
_RECORD_SQL = "INSERT INTO record (seq, run, at_ms, kind, body, ask_id) VALUES (?, ?, ?, ?, ?, ?)"
_OUTBOX_SQL = "INSERT INTO outbox (topic, payload) VALUES (?, ?)"


class _Work(NamedTuple):
    do: Callable[[sqlite3.Connection], Any]
    future: Future[Any] | None


class Store:
    """Database of one kit, opened for writing. A second writer on the same file is refused (StoreError).

    `on_told` is called from the writer thread after a commit that put rows into the outbox.
    """

    def __init__(self, path: Path, on_told: Callable[[], None] | None = None) -> None:
        self.path = path
        self._lock = _take_lock(path)
        try:
            self._connection = open_writer(path)
            _check_ours(self._connection, path)
        except sqlite3.Error as fault:
            self._lock.close()
            raise StoreError(f"{path}: can't be opened as a database ({fault})") from fault
        except BaseException:
            self._lock.close()
            raise
        self.run = 0
        self._seq: int = self._connection.execute("SELECT coalesce(max(seq), 0) FROM record").fetchone()[0]
        self._on_told = on_told
        self._told = False
        self._in_transaction = False
        self.fault: str | None = None
        self._queue: queue.Queue[_Work | None] = queue.Queue(QUEUE_LENGTH)
        self._thread = threading.Thread(target=self._work, name="store", daemon=True)
        self._thread.start()

    # ------------------------------------------------------------------ what callers do

    def holds_data(self) -> bool:
        """Whether any run is in the database."""
        return bool(self.ask(lambda db: db.execute("SELECT EXISTS (SELECT 1 FROM run)").fetchone()[0]))

    def begin_run(self, at_ms: int, settings: dict[str, Any], source: str, version: str) -> int:
        """Begin a run; returns its number. The settings in force stand in its row."""

        def do(db: sqlite3.Connection) -> int:
            text = canonical(settings)
            db.execute(
                "INSERT INTO run (started_ms, closed_cleanly, source, version, settings) VALUES (?, 0, ?, ?, ?)",
                (at_ms, source, version, text),
            )
            number: int = db.execute("SELECT max(run) FROM run").fetchone()[0]
            return number

        self.run = self.ask(do)
        self.record("run start", at_ms, {"run": self.run, "source": source, "version": version})
        return self.run

    def second(self, second: Second, figures: Figures) -> None:
        """Keep one closed second: its figures and its counts per input."""
        row = (self.run, second.number, second.t, *(stream.read(figures) for stream in STREAMS))
        parts = msgspec.json.encode([(part.levels, part.first_ms, part.ms, part.counts) for part in second.parts])
        counts = (self.run, second.number, sum(part.ms for part in second.parts), parts.decode())

        def do(db: sqlite3.Connection) -> None:
            db.execute(_SECOND_SQL, row)
            db.execute(_COUNTS_SQL, counts)

        self._put(do)

    def record(self, kind: str, at_ms: int, body: dict[str, Any], tell: str = "") -> None:
        """Keep one record; with `tell` it goes into the outbox under that topic, its `seq` added."""
        text, run = canonical(body), self.run

        def do(db: sqlite3.Connection) -> None:
            seq = self._next(db, run, at_ms, kind, text, None)
            if tell:
                self._tell(db, tell, {**body, "seq": seq})

        self._put(do)

    def entry(self, at_ms: int, body: dict[str, Any], ask_id: str | None) -> int:
        """Keep one entry and wait until it is on disk. Returns its number. Raises StoreError when it can't be kept."""
        text, run = canonical(body), self.run

        def do(db: sqlite3.Connection) -> int:
            seq = self._next(db, run, at_ms, "entry", text, ask_id)
            self._tell(db, "entry", {**body, "seq": seq})
            return seq

        seq: int = self.ask(do)
        return seq

    def answer(self, ask_id: str, at_ms: int, body: bytes) -> None:
        """Keep the answer given to an asked entry, so that the same id gets it again."""
        self._put(lambda db: db.execute("INSERT OR IGNORE INTO answer VALUES (?, ?, ?)", (ask_id, at_ms, body.decode())))

    def answered(self, ask_id: str) -> bytes | None:
        """The answer once given to this id."""
        row = self.ask(lambda db: db.execute("SELECT body FROM answer WHERE ask_id = ?", (ask_id,)).fetchone())
        return None if row is None else str(row[0]).encode()

    def entry_seq(self, ask_id: str) -> int | None:
        """The number under which an entry with this id was kept (its answer may have been lost with the power)."""
        row = self.ask(lambda db: db.execute("SELECT seq FROM record WHERE ask_id = ?", (ask_id,)).fetchone())
        return None if row is None else int(row[0])

    def waiting(self, after: int, most: int) -> list[Told]:
        """Outbox rows after an id, oldest first."""
        sql = "SELECT id, topic, payload FROM outbox WHERE id > ? ORDER BY id LIMIT ?"
        return [Told(*row) for row in self.ask(lambda db: db.execute(sql, (after, most)).fetchall())]

    def delivered(self, ids: Iterable[int]) -> None:
        """The broker has these rows."""
        rows = [(one,) for one in ids]
        self._put(lambda db: db.executemany("DELETE FROM outbox WHERE id = ?", rows))

    def earlier_records(self, kinds: tuple[str, ...]) -> list[tuple[str, int, dict[str, Any]]]:
        """Records of earlier runs of these kinds in order: kind, time in epoch ms, body."""
        marks = ", ".join("?" * len(kinds))
        sql = f"SELECT kind, at_ms, body FROM record WHERE kind IN ({marks}) ORDER BY seq"
        rows = self.ask(lambda db: db.execute(sql, kinds).fetchall())
        return [(kind, at_ms, msgspec.json.decode(body)) for kind, at_ms, body in rows]

    def ask(self, do: Callable[[sqlite3.Connection], Any]) -> Any:
        """Run a function on the writer's connection, commit, and return what it returned. Raises StoreError."""
        future: Future[Any] = Future()
        self._put(do, future)
        try:
            return future.result(timeout=ENTRY_WAIT_S)
        except sqlite3.Error as fault:
            raise StoreError(f"{self.path}: not kept ({fault})") from fault
        except TimeoutError as fault:
            raise StoreError(f"{self.path}: the writer did not answer in {ENTRY_WAIT_S:.0f} s") from fault

    def end_run(self, at_ms: int) -> None:
        """The run was closed cleanly."""
        run = self.run
        self.record("run end", at_ms, {"run": run})
        self._put(lambda db: db.execute("UPDATE run SET ended_ms = ?, closed_cleanly = 1 WHERE run = ?", (at_ms, run)))

    def close(self) -> None:
        """Finish the queue, checkpoint, close."""
        if self._thread.is_alive():
            self._queue.put(None)
            self._thread.join(timeout=30)
        self._lock.close()

    # ------------------------------------------------------------------ the writer thread

    def _put(self, do: Callable[[sqlite3.Connection], Any], future: Future[Any] | None = None) -> None:
        self._queue.put(_Work(do, future))

    def _work(self) -> None:
        due = time.monotonic() + COMMIT_EVERY_S
        while True:
            try:
                work = self._queue.get(timeout=max(0.0, due - time.monotonic()) if self._in_transaction else None)
            except queue.Empty:
                self._commit([])
                continue
            if work is None:
                break
            if not self._in_transaction:
                due = time.monotonic() + COMMIT_EVERY_S
            self._run(work)
            if time.monotonic() >= due:
                self._commit([])
        self._commit([])
        try:
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except sqlite3.Error as fault:
            LOG.warning("last checkpoint failed: %s", fault)
        self._connection.close()

    def _run(self, work: _Work) -> None:
        try:
            if not self._in_transaction:
                self._connection.execute("BEGIN IMMEDIATE")
                self._in_transaction = True
            self._connection.execute("SAVEPOINT work")
            try:
                result = work.do(self._connection)
            except BaseException:
                self._connection.execute("ROLLBACK TO work")
                raise
            finally:
                self._connection.execute("RELEASE work")
        except (sqlite3.Error, ValueError) as fault:
            self._failed(fault)
            if work.future is not None:
                work.future.set_exception(fault)
            return
        if work.future is not None:
            self._commit([(work.future, result)])

    def _commit(self, futures: list[tuple[Future[Any], Any]]) -> None:
        try:
            if self._in_transaction:
                self._connection.execute("COMMIT")
                self._in_transaction = False
                self.fault = None
        except sqlite3.Error as fault:
            self._failed(fault)
            self._roll_back()
            for future, _ in futures:
                future.set_exception(fault)
            return
        for future, result in futures:
            future.set_result(result)
        if self._told and self._on_told is not None:
            self._told = False
            self._on_told()

    def _roll_back(self) -> None:
        try:
            self._connection.execute("ROLLBACK")
        except sqlite3.Error as fault:
            LOG.error("roll back failed: %s", fault)
        self._in_transaction = False
        self._seq = self._connection.execute("SELECT coalesce(max(seq), 0) FROM record").fetchone()[0]

    def _failed(self, fault: Exception) -> None:
        if self.fault != str(fault):
            LOG.error("not kept: %s", fault)
        self.fault = str(fault)

    def _next(self, db: sqlite3.Connection, run: int, at_ms: int, kind: str, text: str, ask_id: str | None) -> int:
        seq = self._seq + 1
        db.execute(_RECORD_SQL, (seq, run, at_ms, kind, text, ask_id))
        self._seq = seq
        return seq

    def _tell(self, db: sqlite3.Connection, topic: str, payload: dict[str, Any]) -> None:
        db.execute(_OUTBOX_SQL, (topic, msgspec.json.encode(payload)))
        self._told = True


def canonical(body: dict[str, Any]) -> str:
    """Canonical JSON (RFC 8785) of a record's body; tuples become lists, infinite degrees of freedom null."""
    return rfc8785.dumps(msgspec.json.decode(msgspec.json.encode(body))).decode()


def _check_ours(connection: sqlite3.Connection, path: Path) -> None:
    found = connection.execute("PRAGMA application_id").fetchone()[0]
    if found != APPLICATION_ID:
        connection.close()
        raise StoreError(f"{path}: a database of another program (application id {found:#x}); allowed: a new file or ours")


def _take_lock(path: Path) -> IO[bytes]:
    """SQLite before 3.51.3 can corrupt a WAL database under two writers, so the file has one writer, by flock."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o750)
        lock = open(path.with_name(path.name + ".lock"), "ab")
    except OSError as fault:
        raise StoreError(f"{path}: can't be written ({fault.strerror or fault})") from fault
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as fault:
        lock.close()
        raise StoreError(f"{path}: another program writes to this database; allowed: one writer") from fault
    return lock
