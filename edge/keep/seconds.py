"""The table `second`: it follows the table of streams, wherever a stream stands there, and never loses a column.

Columns are known by name only. A database has at least those of the first migration; what was added later stands behind
them. Columns that no stream of today wants (of a newer version, or of a stream that is gone) are left alone and stay empty.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

from edge.contract.errors import StoreError
from edge.engine.streams import STREAMS
from edge.feed.assembler import Second
from edge.reckon.figures import Figures

_KEYS = ("run", "number", "t")


def columns(db: sqlite3.Connection) -> dict[str, str]:
    """Columns that a database has, each with its type; empty: there is no such table."""
    return {str(row[1]): str(row[2]) for row in db.execute("PRAGMA table_info(second)")}


def check_types(db: sqlite3.Connection, path: Path) -> None:
    """Raises StoreError for a column of another type: STRICT would refuse every second, and only the log would say so."""
    held = columns(db)
    for stream in STREAMS:
        if held.get(stream.name, stream.sql) != stream.sql:
            raise StoreError(
                f"{path}: column {stream.name} of its seconds is {held[stream.name]}, but this version keeps {stream.sql} in it;"
                " allowed: a database of this version, or one that lacks the column"
            )


def follow_streams(db: sqlite3.Connection, path: Path) -> None:
    """Add what the table of streams names and the database lacks. Raises StoreError as `check_types` does, sqlite3.Error."""
    check_types(db, path)
    held = columns(db)
    lacking = [stream for stream in STREAMS if stream.name not in held]
    if not lacking:
        return
    db.execute("BEGIN IMMEDIATE")
    try:
        for stream in lacking:
            db.execute(f"ALTER TABLE second ADD COLUMN {stream.name} {stream.sql}")
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


def insert_sql() -> str:
    """What keeps one `row`."""
    names = [*_KEYS, *(stream.name for stream in STREAMS)]
    return f"INSERT INTO second ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"


def row(run: int, second: Second, figures: Figures) -> tuple[Any, ...]:
    """The values of one second for `insert_sql`."""
    return (run, second.number, second.t, *(stream.read(figures) for stream in STREAMS))
