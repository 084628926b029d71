"""The database's tables, made and changed by numbered migrations. STRICT, WAL, one writer.

A migration is frozen once it is on main: it spells out what it makes, so that an old database and a fresh one go the same
way. Columns of new streams need none (see `seconds.follow_streams`). There is no way back: a database that a newer
version's migration has changed is refused, because what that one relies on can't be known here.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

from sqlite_utils import Database, Migrations

from edge.contract.errors import StoreError
from edge.keep import chain, seconds

if TYPE_CHECKING:
    from pathlib import Path

APPLICATION_ID = 0x7467_7261
"""Marks the file as ours (`tgra`)."""

LARGEST_WAL_BYTES = 8 << 20

migrations = Migrations("tailgrain")


@migrations()
def m001_first_tables(db: Database) -> None:
    """Runs, the record, seconds with counts and figures, answers, the outbox."""
    for statement in (
        """CREATE TABLE run (
            run INTEGER PRIMARY KEY, started_ms INTEGER NOT NULL, ended_ms INTEGER, closed_cleanly INTEGER NOT NULL,
            source TEXT NOT NULL, version TEXT NOT NULL, settings TEXT NOT NULL) STRICT""",
        """CREATE TABLE record (
            seq INTEGER PRIMARY KEY, run INTEGER NOT NULL REFERENCES run, at_ms INTEGER NOT NULL,
            kind TEXT NOT NULL, body TEXT NOT NULL, ask_id TEXT UNIQUE) STRICT""",
        "CREATE INDEX record_by_kind ON record (kind, seq)",
        """CREATE TABLE second (
            run INTEGER NOT NULL, number INTEGER NOT NULL, t INTEGER NOT NULL,
            state TEXT, speed_kmh REAL, area_rate_ha_h REAL,
            loss_kg_ha REAL, loss_low REAL, loss_high REAL, loss_pct REAL, loss_t_h REAL, loss_value_h REAL,
            loss_over_limit_p REAL,
            separator_kg_ha REAL, separator_low REAL, separator_high REAL, separator_left_share REAL, separator_per_s REAL,
            cleaning_kg_ha REAL, cleaning_low REAL, cleaning_high REAL, cleaning_left_share REAL, cleaning_per_s REAL,
            returns_pct REAL, returns_t_h REAL, calibration_state TEXT, lat REAL, lon REAL, distance_m REAL, area_m2 REAL,
            limit_kg_ha REAL, flags TEXT, shafts TEXT,
            PRIMARY KEY (run, number)) STRICT, WITHOUT ROWID""",
        "CREATE INDEX second_by_time ON second (t)",
        """CREATE TABLE counts (
            run INTEGER NOT NULL, number INTEGER NOT NULL, ms INTEGER NOT NULL, parts TEXT NOT NULL,
            PRIMARY KEY (run, number)) STRICT, WITHOUT ROWID""",
        "CREATE TABLE answer (ask_id TEXT PRIMARY KEY, at_ms INTEGER NOT NULL, body TEXT NOT NULL) STRICT, WITHOUT ROWID",
        "CREATE TABLE outbox (id INTEGER PRIMARY KEY, topic TEXT NOT NULL, payload BLOB NOT NULL) STRICT",
    ):
        db.execute(statement)


@migrations()
def m002_chain(db: Database) -> None:
    """Salt and running hash of each record, also of those kept so far; from then on a record stays as it is.

    The triggers keep mistakes out, ours and others'; against intent there is the chain. An empty hash: not chained yet
    (rows taken over from a damaged file of an older version).
    """
    db.execute("ALTER TABLE record ADD COLUMN salt TEXT NOT NULL DEFAULT ''")
    db.execute("ALTER TABLE record ADD COLUMN hash TEXT NOT NULL DEFAULT ''")
    for statement in (
        """CREATE TRIGGER record_stays_as_it_is BEFORE UPDATE ON record WHEN OLD.hash <> ''
            BEGIN SELECT RAISE(ABORT, 'a record stays as it is'); END""",
        """CREATE TRIGGER record_stays BEFORE DELETE ON record
            BEGIN SELECT RAISE(ABORT, 'a record stays'); END""",
    ):
        db.execute(statement)
    chain_rest(db.conn)


def chain_rest(connection: sqlite3.Connection) -> None:
    """Give the records that have no hash yet their salt and hash, in the caller's transaction."""
    before = connection.execute("SELECT hash FROM record WHERE hash <> '' ORDER BY seq DESC LIMIT 1").fetchone()
    previous = chain.FIRST if before is None else bytes.fromhex(before[0])
    rows = connection.execute("SELECT seq, run, at_ms, kind, body FROM record WHERE hash = '' ORDER BY seq").fetchall()
    chained = []
    for seq, run, at_ms, kind, body in rows:
        salt = chain.new_salt()
        previous = chain.link(previous, chain.digest(chain.Record(seq, run, at_ms, kind, body, salt)))
        chained.append((salt, previous.hex(), seq))
    connection.executemany("UPDATE record SET salt = ?, hash = ? WHERE seq = ?", chained)


def open_writer(path: Path) -> sqlite3.Connection:
    """The one writing connection: WAL, every commit on disk when it returns, tables up to date.

    Raises StoreError for a database of another program, or changed by a newer version, or with a column of another type;
    it is left as it is. Else sqlite3.Error: the caller decides whether the file is damaged.
    """
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, cached_statements=256)
    try:
        _check_ours(connection, path)
        _check_not_newer(connection, path)
        seconds.check_types(connection, path)
        if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0:
            connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA wal_autocheckpoint = 1000")
        connection.execute(f"PRAGMA journal_size_limit = {LARGEST_WAL_BYTES}")
        connection.execute("PRAGMA busy_timeout = 5000")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA recursive_triggers = ON")  # a REPLACE is a DELETE too
        connection.execute("PRAGMA cache_size = -4000")
        connection.execute("PRAGMA temp_store = MEMORY")
        migrations.apply(Database(connection, execute_plugins=False))
        seconds.follow_streams(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _check_ours(connection: sqlite3.Connection, path: Path) -> None:
    """Before anything is changed. Tables of ours under another mark are ours: the mark was damaged, or never written."""
    found = connection.execute("PRAGMA application_id").fetchone()[0]
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if found != APPLICATION_ID and tables and not {"run", "record", "second"} <= tables:
        raise StoreError(f"{path}: a database of another program (application id {found:#x}); allowed: a new file or ours")


def _check_not_newer(connection: sqlite3.Connection, path: Path) -> None:
    """Before anything is changed. A newer version's streams are no hindrance: they come without a migration."""
    with closing(sqlite3.connect(":memory:")) as empty:
        known = {one.name for one in migrations.pending(Database(empty, execute_plugins=False))}
    applied = [one.name for one in migrations.applied(Database(connection, execute_plugins=False))]
    unknown = [name for name in applied if name not in known]
    if unknown:
        raise StoreError(f"{path}: changed by a newer version ({', '.join(unknown)}); allowed: that version or a later one")
