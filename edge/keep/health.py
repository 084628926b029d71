"""Is the database sound, and what becomes of it when it is not.

A damaged file is moved aside with its write-ahead log and shared memory, never deleted; what can still be read of the
log (records, answers, what waits for the broker) is taken over into a fresh one, so that recording goes on and nothing
answered is lost with a bad page of figures. After an unclean stop the file is checked: small ones before the start,
large ones beside it, because a start may not wait for a slow card.
"""

from __future__ import annotations

import logging
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from edge.contract.errors import StoreError
from edge.keep import readonly
from edge.keep.schema import chain_rest, open_writer

LOG = logging.getLogger("tailgrain.keep")

CHECKED_AT_START = 16 << 20
"""Bytes of a database that is checked before the start (a slow card reads 20 MB/s); a larger one is checked beside it."""

_DAMAGE = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
_TAKEN_OVER = (("run", "run"), ("record", "seq"), ("answer", "ask_id"), ("outbox", "id"))
"""Tables of the log and their keys, in the order of their references. Seconds stay in the moved file."""

_BEGIN = b"SQLite format 3\0"
_SIDE_FILES = ("-wal", "-shm", "-journal")


class Moved(NamedTuple):
    """A damaged database that was moved aside: where to, why, and how many records the new one took over."""

    to: Path
    why: str
    records: int


def is_damage(fault: BaseException) -> bool:
    """Whether SQLite says that the file itself is broken (not full, not locked, not read-only)."""
    code = getattr(fault, "sqlite_errorcode", None)
    return isinstance(code, int) and code & 0xFF in _DAMAGE


def was_closed_cleanly(connection: sqlite3.Connection) -> bool:
    """Whether the last run ended as it should; an empty database did."""
    row = connection.execute("SELECT closed_cleanly FROM run ORDER BY run DESC LIMIT 1").fetchone()
    return row is None or bool(row[0])


def first_fault(connection: sqlite3.Connection) -> str:
    """What `quick_check` finds first, or nothing. Raises sqlite3.Error when it can't even look."""
    row = connection.execute("PRAGMA quick_check(1)").fetchone()
    return "" if row is None or row[0] == "ok" else " ".join(str(row[0]).split())[:200]


def open_sound(path: Path, at_ms: int) -> tuple[sqlite3.Connection, Moved | None, bool]:
    """The writing connection to a sound database: the one at `path`, or a fresh one after moving a damaged one aside.

    Returns it with what was moved, and whether the rest of the file still wants a check beside the work. Raises
    sqlite3.Error for anything but damage (full, read-only), StoreError for a database of another program.
    """
    _end_renewal(path)
    if _is_no_database(path):  # SQLite would throw its write-ahead log away
        return *_replaced(path, at_ms, "file is not a database"), False
    try:
        connection = open_writer(path)
    except sqlite3.DatabaseError as fault:
        if not is_damage(fault):
            raise
        return *_replaced(path, at_ms, str(fault)), False
    try:
        unclean = not was_closed_cleanly(connection)
        small = path.stat().st_size <= CHECKED_AT_START
        why = first_fault(connection) if unclean and small else ""
    except sqlite3.DatabaseError as fault:
        if not is_damage(fault):
            connection.close()
            raise
        return *_replaced(path, at_ms, str(fault), connection), False
    if why:
        return *_replaced(path, at_ms, why, connection), False
    return connection, None, unclean and not small


def _is_no_database(path: Path) -> bool:
    """Whether there is something that does not begin like a database; an empty file is one that was never written."""
    try:
        with path.open("rb") as file:
            begin = file.read(len(_BEGIN))
    except FileNotFoundError:
        return False
    return begin not in (b"", _BEGIN)


def _replaced(path: Path, at_ms: int, why: str, old: sqlite3.Connection | None = None) -> tuple[sqlite3.Connection, Moved]:
    moved = renew(path, at_ms, why, old)
    return open_writer(path), moved


def renew(path: Path, at_ms: int, why: str, old: sqlite3.Connection | None = None) -> Moved:
    """Put a fresh database with the log of the damaged one in its place; `old` is the connection to that one.

    The fresh one is whole and on disk before the damaged one makes room, so a fault or a cut on the way (a full disk, most
    likely) leaves things as they were, to be tried again. Raises sqlite3.Error, OSError, StoreError.
    """
    _end_renewal(path)
    beside, building = _beside(path), _beside(path, "building")
    try:
        with closing(open_writer(building)) as fresh:
            records = take_over(path, fresh)
        building.rename(beside)
    except BaseException:
        with suppress(OSError):
            _remove(building)
        raise
    to = move_aside(path, at_ms, old)
    beside.rename(path)
    _sync_folder(path.parent)
    return Moved(to, why, records)


def _beside(path: Path, what: str = "fresh") -> Path:
    return path.with_name(f"{path.stem}.{what}{path.suffix}")


def _remove(path: Path) -> None:
    for suffix in ("", *_SIDE_FILES):
        path.with_name(path.name + suffix).unlink(missing_ok=True)


def _end_renewal(path: Path) -> None:
    """The power went between moving the damaged database away and putting the fresh one in its place, or before."""
    _remove(_beside(path, "building"))
    if path.exists():
        _remove(_beside(path))
    elif _beside(path).exists():
        _beside(path).rename(path)


def move_aside(path: Path, at_ms: int, old: sqlite3.Connection | None = None) -> Path:
    """Rename a database with its side files, then close the connection to it; returns its new name. Raises OSError.

    Renamed first: closing would fold the write-ahead log into the damaged file and remove it.
    """
    when = datetime.fromtimestamp(at_ms // 1000, UTC).strftime("%Y%m%dT%H%M%SZ")
    for number in range(1, 1000):
        name = f"{path.stem}.damaged-{when}{f'-{number}' if number > 1 else ''}{path.suffix}"
        to = path.with_name(name)
        if not to.exists():
            break
    for side in _SIDE_FILES:  # first, so that a fresh database never meets an old log
        with suppress(FileNotFoundError):
            path.with_name(path.name + side).rename(to.with_name(to.name + side))
    path.rename(to)
    if old is not None:
        old.close()
    _sync_folder(path.parent)
    LOG.error("%s: damaged; moved aside as %s, recording goes on in a new file", path, to.name)
    return to


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def take_over(damaged: Path, fresh: sqlite3.Connection) -> int:
    """Copy what can be read of the log into the fresh database; returns how many records. Raises what the fresh one raises.

    Records are taken in order up to the first that can't be read, so their numbers have no gap.
    """
    try:
        old = readonly.connect(damaged)
    except (sqlite3.Error, StoreError) as fault:
        LOG.error("%s: nothing of its log can be read (%s)", damaged, fault)
        return 0
    with closing(old):
        fresh.execute("BEGIN IMMEDIATE")
        for table, key in _TAKEN_OVER:
            _copy_table(old, fresh, table, key)
        chain_rest(fresh)  # what an older version kept has no hash yet
        fresh.execute("COMMIT")
    count: int = fresh.execute("SELECT count(*) FROM record").fetchone()[0]
    return count


def _copy_table(old: sqlite3.Connection, fresh: sqlite3.Connection, table: str, key: str) -> None:
    columns = _columns(fresh, table)
    try:
        known = [name for name in columns if name in _columns(old, table)]
    except sqlite3.Error as fault:
        LOG.error("table %s: not taken over (%s)", table, fault)
        return
    if key not in known:
        return
    insert = f"INSERT OR IGNORE INTO {table} ({', '.join(known)}) VALUES ({', '.join('?' * len(known))})"
    rows = _readable(old, f"SELECT {', '.join(known)} FROM {table} NOT INDEXED ORDER BY {key}")
    for number, row in enumerate(rows, 1):
        if table == "record" and row[known.index(key)] != number:
            LOG.error("table record: not taken over from number %d on", number)
            return
        try:
            fresh.execute(insert, row)
        except sqlite3.OperationalError:  # the fresh one's disk
            raise
        except sqlite3.Error as fault:  # a row that breaks the table's rules came off a broken page
            LOG.error("table %s: not taken over from key %s on (%s)", table, row[known.index(key)], fault)
            return


def _columns(connection: sqlite3.Connection, table: str) -> list[str]:
    return [str(row[1]) for row in connection.execute(f"PRAGMA table_info({table})")]


def _readable(connection: sqlite3.Connection, sql: str) -> Iterator[tuple[object, ...]]:
    """Rows up to the first that can't be read."""
    try:
        with closing(connection.execute(sql)) as rows:
            yield from rows
    except sqlite3.Error as fault:
        LOG.error("reading a damaged database ends (%s)", fault)


def check_beside(path: Path) -> str:
    """`quick_check` through a reading connection of its own, for a thread beside the work; what is wrong, or nothing."""
    try:
        with closing(readonly.connect(path)) as connection:
            return first_fault(connection)
    except sqlite3.Error as fault:
        return str(fault) if is_damage(fault) else ""
    except StoreError as fault:
        LOG.warning("not checked: %s", fault)
        return ""
