"""The writer: one thread that owns the one writing connection. One full commit a second, an entry at once.

Work that could not be committed (disk full, file system gone read-only) is owed: it is done again with the next try, in
order, so that a fault of minutes loses nothing. Damage moves the file aside and goes on in a fresh one.
"""

from __future__ import annotations

import logging
import os
import queue
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple, Protocol

from edge.contract.errors import StoreError
from edge.keep import health
from edge.keep.health import Moved
from edge.keep.schema import LARGEST_WAL_BYTES, open_writer
from edge.keep.upkeep import EVERY_S, Upkeep

LOG = logging.getLogger("tailgrain.keep")

Do = Callable[[sqlite3.Connection], Any]

COMMIT_EVERY_S = 0.9
"""Under a second, so that each second of live figures is on disk before the next one closes."""

GATHER_S = 0.05
"""What belongs to one closed second arrives within this time and is committed together."""

WAIT_S = 10.0
QUEUE_LENGTH = 5000
MOST_OWED = 4000
RETRY_S = 2.0
CHECKPOINT_EVERY_S = 1.0
CHECKPOINT_WAIT_MS = 100
BUSY_MS = 5000


class Damage(NamedTuple):
    """Found by the check beside the work."""

    why: str


class WriterTask(NamedTuple):
    """`is_second`: figures, the first thing given up. `reads`: changes nothing, needs no commit."""

    do: Do
    future: Future[Any] | None = None
    is_second: bool = False
    reads: bool = False


class Owner(Protocol):
    """Who keeps things in the database; every call comes from the writer's thread."""

    def committed(self) -> None:
        """Everything handed over so far is on disk."""

    def rolled_back(self) -> None:
        """What was done since the last commit is undone; it will be done again."""

    def moved_aside(self, db: sqlite3.Connection, moved: Moved) -> None:
        """The database was damaged and lies elsewhere; `db` is the fresh one, to be made ready for this run."""

    def lost(self, db: sqlite3.Connection, lost: dict[str, int]) -> None:
        """Seconds or records were lost for good; inside a transaction, so that it can be put on record."""


class Writer:
    """Owns the connection to the database at `path`; `owner` hears what became of its work."""

    def __init__(self, path: Path, connection: sqlite3.Connection, upkeep: Upkeep | None, owner: Owner) -> None:
        self.path = path
        self.fault: str | None = None
        self.run = 0
        self._connection: sqlite3.Connection | None = connection
        self._upkeep, self._owner = upkeep, owner
        self._queue: queue.Queue[WriterTask | Damage | None] = queue.Queue(QUEUE_LENGTH)
        self._owed: deque[WriterTask] = deque()
        self._in_transaction = False
        self._lost: dict[str, int] = {}
        self._committed_at = self._kept_at = self._checkpointed_at = time.monotonic()
        self._retry_at = self._renew_at = 0.0
        self._damage: str | None = None
        self._moved: Moved | None = None
        self._seconds = 0
        self._thread = threading.Thread(target=self._work, name="store", daemon=True)

    def start(self) -> None:
        """Begin to work."""
        self._thread.start()

    def put(self, work: WriterTask) -> None:
        """Hand over work; waits only when the queue is full."""
        self._queue.put(work)

    def ask(self, do: Do, reads: bool = False) -> Any:
        """Run a function on the connection, commit unless it only reads, and return what it returned.

        Raises StoreError: then nothing of it was kept.
        """
        future: Future[Any] = Future()
        self.put(WriterTask(do, future, reads=reads))
        try:
            try:
                return future.result(timeout=WAIT_S)
            except TimeoutError:
                if not future.cancel():  # it runs at this moment: what it does decides
                    return future.result(timeout=WAIT_S)
                raise
        except TimeoutError as fault:
            raise StoreError(f"{self.path}: the writer did not answer in {WAIT_S:.0f} s") from fault
        except (sqlite3.Error, OSError) as fault:
            raise StoreError(f"{self.path}: not kept ({fault})") from fault

    @property
    def alive(self) -> bool:
        """Whether the thread works; it ends only when told to, or by a fault of ours."""
        return self._thread.is_alive()

    def close(self) -> None:
        """Finish the queue, checkpoint, close."""
        if self._thread.is_alive():
            self._queue.put(None)
            self._thread.join(timeout=30)

    # ------------------------------------------------------------------ the thread

    def _work(self) -> None:
        due = 0.0
        while True:
            try:
                work = self._queue.get(timeout=max(0.0, due - time.monotonic()) if self._in_transaction else EVERY_S)
            except queue.Empty:
                self._guarded(self._commit, self._keep_up)
                continue
            if work is None:
                break
            if isinstance(work, Damage):
                self._guarded(self._roll_back, partial(self._renew, work.why))
                continue
            if not self._in_transaction:
                due = max(time.monotonic() + GATHER_S, self._committed_at + COMMIT_EVERY_S)
            self._guarded(partial(self._take, work))
            if self._in_transaction and time.monotonic() >= due:
                self._guarded(self._commit, self._keep_up)
        self._guarded(self._end)

    def _guarded(self, *steps: Callable[[], None]) -> None:
        """A fault of our own may not end the only thread that keeps anything: it is said, undone and tried again."""
        try:
            for step in steps:
                step()
        except Exception as fault:
            LOG.exception("a fault of the writer itself")
            self.fault = f"{type(fault).__name__}: {fault}"
            self._retry_at = time.monotonic() + RETRY_S
            with suppress(Exception):
                self._roll_back()

    def _take(self, work: WriterTask) -> None:
        if work.future is not None:
            self._answer(work, work.future)
            return
        if work.is_second:
            self._seconds += 1
        if not self._in_transaction and self._owed and time.monotonic() < self._retry_at:
            self._owe(work)  # the last try failed a moment ago
            return
        try:
            self._begin()
            self._do(work)
            self._owe(work)
        except Exception as fault:  # noqa: BLE001 - one piece of work may not end the writer
            self._failed(fault, work)

    def _answer(self, work: WriterTask, future: Future[Any]) -> None:
        if not future.set_running_or_notify_cancel():
            return
        for last_try in (False, True):
            try:
                if work.reads:
                    result = work.do(self._open())
                else:
                    self._begin()
                    result = self._do(work)
                    self._commit_now()
            except Exception as fault:  # noqa: BLE001 - handed to whoever asked
                self._failed(fault, None)
                if last_try or not health.is_damage(fault):
                    future.set_exception(fault)
                    return
            else:
                future.set_result(result)
                return

    def _open(self) -> sqlite3.Connection:
        if self._damage is not None and not self._in_transaction:
            if time.monotonic() < self._renew_at:
                raise sqlite3.OperationalError(self.fault or self._damage)
            self._replace(self._damage)
        if self._connection is None:
            self._connection = open_writer(self.path)
        if self._moved is not None:
            self._owner.moved_aside(self._connection, self._moved)
            self._moved = None
        return self._connection

    def _begin(self) -> None:
        """Into a transaction, with everything owed done in it."""
        if self._in_transaction:
            return
        db = self._open()
        db.execute("BEGIN IMMEDIATE")
        self._in_transaction = True
        for work in list(self._owed):
            try:
                self._do(work)
            except Exception as fault:
                if _is_outside(fault):
                    raise
                LOG.error("given up: %s", fault)  # this piece can never be done; the rest can
                self._owed.remove(work)
        if self._lost:
            self._owner.lost(db, self._lost)

    def _do(self, work: WriterTask) -> Any:
        """One piece of work, undone alone when it fails. The transaction may be gone after a fault of the disk."""
        db = self._open()
        db.execute("SAVEPOINT work")
        try:
            result = work.do(db)
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK TO work")
                db.execute("RELEASE work")
            raise
        db.execute("RELEASE work")
        return result

    def _owe(self, work: WriterTask) -> None:
        self._owed.append(work)
        if len(self._owed) > MOST_OWED and not self._in_transaction:
            oldest = next((number for number, one in enumerate(self._owed) if one.is_second), 0)
            kind = "seconds" if self._owed[oldest].is_second else "records"
            del self._owed[oldest]
            self._lost[kind] = self._lost.get(kind, 0) + 1

    def _commit(self) -> None:
        if not self._in_transaction:
            return
        try:
            self._commit_now()
        except (sqlite3.Error, OSError) as fault:
            self._failed(fault, None)

    def _commit_now(self) -> None:
        db = self._open()
        if not db.in_transaction:
            raise sqlite3.OperationalError(self.fault or "the transaction was lost")
        db.execute("COMMIT")
        self._in_transaction = False
        self._owed.clear()
        self._lost = {}
        self._committed_at = time.monotonic()
        self._retry_at = 0.0
        if self.fault is not None:
            LOG.info("kept again")
            self.fault = None
        self._owner.committed()
        self._bound_wal()

    def _failed(self, fault: Exception, work: WriterTask | None) -> None:
        """Something was not kept: keep it owed, or leave it when it can never be kept; after damage go on elsewhere."""
        if health.is_damage(fault):
            self._roll_back()
            self._owe_if(work)
            self._renew(str(fault))
            return
        if _is_outside(fault):
            if self.fault != str(fault):
                LOG.error("not kept: %s", fault)
            self.fault = str(fault)
            self._roll_back()
            self._owe_if(work)
            self._retry_at = time.monotonic() + RETRY_S
        elif work is not None:
            LOG.error("given up: %s", fault)

    def _owe_if(self, work: WriterTask | None) -> None:
        if work is not None:
            self._owe(work)

    def _roll_back(self) -> None:
        if self._connection is not None and self._connection.in_transaction:
            try:
                self._connection.execute("ROLLBACK")
            except sqlite3.Error as fault:
                LOG.error("roll back failed: %s", fault)
        self._in_transaction = False
        self._owner.rolled_back()

    # ------------------------------------------------------------------ upkeep

    def renew(self, why: str) -> None:
        """The check beside the work found damage. Safe from any thread."""
        self._queue.put(Damage(why))

    def _renew(self, why: str) -> None:
        self._damage, self._renew_at = why, 0.0
        try:
            self._open()
        except (sqlite3.Error, OSError, StoreError) as fault:
            LOG.error("no fresh database: %s", fault)
            self.fault = str(fault)
            self._retry_at = time.monotonic() + RETRY_S

    def _replace(self, why: str) -> None:
        """A fresh database in the damaged one's place; when that fails, the next piece of work tries again."""
        self._renew_at = time.monotonic() + RETRY_S
        moved = health.renew(self.path, time.time_ns() // 1_000_000, why, self._connection)
        self._connection, self._damage, self._moved = None, None, moved

    def _bound_wal(self) -> None:
        """SQLite's own checkpoints can't start the log anew while readers follow each other closely: insist, now and then."""
        now = time.monotonic()
        wal = self.path.with_name(self.path.name + "-wal")
        if now - self._checkpointed_at < CHECKPOINT_EVERY_S or _size(wal) <= LARGEST_WAL_BYTES:
            return
        self._checkpointed_at = now
        db = self._open()
        db.execute(f"PRAGMA busy_timeout = {CHECKPOINT_WAIT_MS}")
        try:
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        except sqlite3.Error as fault:
            LOG.warning("checkpoint failed: %s", fault)
        finally:
            db.execute(f"PRAGMA busy_timeout = {BUSY_MS}")

    def _keep_up(self) -> None:
        """Between commits: look at the disk, give up old seconds where the settings say so, say what was lost."""
        now = time.monotonic()
        if now - self._kept_at < EVERY_S or self._in_transaction:
            return
        self._kept_at = now
        if self._upkeep is None:
            return
        upkeep = self._upkeep
        upkeep.look()
        since, self._seconds = self._seconds, 0
        if not since and not upkeep.disk.low and not self._owed:
            return
        try:
            self._begin()
            given_up = upkeep.step(self._open(), self.run, since)
            self._commit_now()
            upkeep.shrink(self._open())
        except (sqlite3.Error, OSError) as fault:
            self._failed(fault, None)
            return
        if given_up and upkeep.disk.low:
            LOG.warning("%.0f MB free: the oldest %d seconds given up", upkeep.disk.free_mb, given_up)

    def _end(self) -> None:
        if self._owed and not self._in_transaction:
            try:
                self._begin()
            except (sqlite3.Error, OSError) as fault:
                self._failed(fault, None)
        self._commit()
        if self._connection is None:
            return
        try:
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        except sqlite3.Error as fault:
            LOG.warning("last checkpoint failed: %s", fault)
        self._connection.close()


def _is_outside(fault: Exception) -> bool:
    """Whether the disk or the file is at fault, so that the same work may succeed later; else the work itself is."""
    return isinstance(fault, (sqlite3.OperationalError, OSError)) or health.is_damage(fault)


def _size(path: Path) -> int:
    try:
        return os.stat(path).st_size
    except OSError:
        return 0
