"""Reading a database that somebody else may be writing. The one way in for dashboard, compare, report and export."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from urllib.parse import quote

from edge.contract.errors import StoreError


def connect(path: Path) -> sqlite3.Connection:
    """A read-only connection: `mode=ro`; if that fails and no non-empty WAL lies beside it, `immutable=1`.

    Raises StoreError when the file is missing, no database, or can only be read as a copy (see `opened`).
    """
    if not path.is_file():
        raise StoreError(f"{path}: no such database")
    wal = path.with_name(path.name + "-wal")
    tries = ["mode=ro"]
    if not wal.exists() or wal.stat().st_size == 0:
        tries.append("mode=ro&immutable=1")
    fault: sqlite3.Error | None = None
    for options in tries:
        try:
            connection = sqlite3.connect(f"file:{quote(str(path.resolve()))}?{options}", uri=True, timeout=5)
        except sqlite3.Error as error:
            fault = error
            continue
        try:
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
            connection.execute("PRAGMA query_only = ON")
        except sqlite3.Error as error:
            connection.close()
            fault = error
            continue
        return connection
    raise StoreError(f"{path}: can't be read as a database ({fault})") from fault


@contextmanager
def opened(path: Path) -> Iterator[sqlite3.Connection]:
    """A read-only connection for one task; a database that can't be opened in place is copied away with its WAL."""
    try:
        connection = connect(path)
    except StoreError:
        if not path.is_file():
            raise
        with tempfile.TemporaryDirectory(prefix="tailgrain-") as folder:
            yield from _copy(path, Path(folder))
        return
    try:
        yield connection
    finally:
        connection.close()


def _copy(path: Path, folder: Path) -> Iterator[sqlite3.Connection]:
    copy = folder / path.name
    try:
        shutil.copy2(path, copy)
        wal = path.with_name(path.name + "-wal")
        if wal.exists():
            shutil.copy2(wal, folder / wal.name)
        connection = sqlite3.connect(copy)
    except (OSError, sqlite3.Error) as fault:
        raise StoreError(f"{path}: can't be read as a database ({fault})") from fault
    with closing(connection):
        try:
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.Error as fault:
            raise StoreError(f"{path}: can't be read as a database ({fault})") from fault
        yield connection
