"""A whole database checked: the chain from its first record, each kept second against the record that binds it. Reads only."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import msgspec

from edge.contract.errors import StoreError
from edge.keep import chain, minutes, readonly
from edge.keep.chain import Broken, Proof, Record

_RECORDS_SQL = "SELECT seq, run, at_ms, kind, body, salt, hash FROM record WHERE seq >= ? ORDER BY seq"


def records(db: sqlite3.Connection, first: int = 1) -> Iterator[Record]:
    """Records in order. Raises StoreError for a database that was never opened by a version with a chain."""
    _want_chain(db)
    for row in db.execute(_RECORDS_SQL, (first,)):
        yield Record(*row)


def proof_line(db: sqlite3.Connection) -> Proof | None:
    """The proof line of the last record; None: there is no record yet. Raises StoreError without a chain."""
    _want_chain(db)
    row = db.execute("SELECT seq, hash FROM record ORDER BY seq DESC LIMIT 1").fetchone()
    return None if row is None else Proof(int(row[0]), str(row[1]))


def check_database(path: Path, proofs: Iterable[Proof] = ()) -> Broken | None:
    """Check all that can be checked in a database; None when all of it holds. `proofs`: proof lines held elsewhere.

    Raises StoreError when it can't be read.
    """
    try:
        with readonly.opened(path) as db:
            broken = chain.check(records(db), proofs=proofs)
            return broken if broken is not None else _check_seconds(db)
    except sqlite3.Error as fault:
        raise StoreError(f"{path}: can't be read as a database of ours ({fault})") from fault


def _want_chain(db: sqlite3.Connection) -> None:
    if "hash" not in [row[1] for row in db.execute("PRAGMA table_info(record)")]:
        raise StoreError("the records have no chain yet; `tailgrain run` on this database adds it")


def _check_seconds(db: sqlite3.Connection) -> Broken | None:
    """Each record that binds seconds against those kept. Seconds given up for room went oldest first: no fault."""
    oldest = db.execute("SELECT run, number FROM second ORDER BY run, number LIMIT 1").fetchone()
    kinds = (*minutes.BINDING, minutes.TRACK)
    marks = ", ".join("?" * len(kinds))
    sql = f"SELECT seq, kind, run, body FROM record WHERE kind IN ({marks}) ORDER BY seq"
    for seq, kind, run, text in db.execute(sql, kinds):
        body: dict[str, Any] = msgspec.json.decode(text)
        if kind == minutes.TRACK:
            first = (run, body["seconds_from"])
            if oldest is not None and first >= tuple(oldest) and minutes.track(db, run, first[1] - 1, body["seconds_to"]) != body:
                return Broken(seq, f"positions of seconds {first[1]} to {body['seconds_to']} of run {run} are not those kept")
            continue
        if "seconds_sha256" not in body or oldest is None or (run, body["seconds_from"]) < tuple(oldest):
            continue
        found = minutes.digests(db, run, body["seconds_from"] - 1, body["seconds_to"])
        where = f"seconds {body['seconds_from']} to {body['seconds_to']} of run {run}, bound by this {kind} record"
        if found["seconds_kept"] != body["seconds_kept"]:
            gone = body["seconds_kept"] - found["seconds_kept"]
            return Broken(seq, f"{where}: {gone} of its {body['seconds_kept']} are missing")
        for key, what in (("seconds_sha256", "figures"), ("counts_sha256", "counts")):
            if found[key] != body[key]:
                return Broken(seq, f"{where}: their {what} are not those that were kept")
    return None
