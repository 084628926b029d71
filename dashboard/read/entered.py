"""The record's entries, for every screen that goes by them: in their order, each with its own time.

An entry that this version can't read (kept by another version, or damaged on the disk) is left out: what it said isn't
known here, and it must not take a whole screen away for good.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from typing import NamedTuple

import msgspec

from edge.contract import entries
from edge.contract.errors import EntryError

_KIND = "CASE WHEN json_valid(body) THEN json_extract(body, '$.entry') END"


class Entered(NamedTuple):
    """`seq`: its number in the record; `at_s`: epoch s, as told by the entry itself, else when it was kept."""

    seq: int
    at_s: float
    entry: entries.Entry


def entered(
    connection: sqlite3.Connection, only: Iterable[str] = (), without: Iterable[str] = (), newest_first: bool = False
) -> Iterator[Entered]:
    """Entries of some kinds (`only`), or of all but some (`without`)."""
    kinds = (*only, *without)
    where = f"AND {_KIND} {'IN' if only else 'NOT IN'} ({', '.join('?' * len(kinds))})" if kinds else ""
    order = "DESC" if newest_first else "ASC"
    asked = f"SELECT seq, at_ms, body FROM record WHERE kind = 'entry' {where} ORDER BY seq {order}"
    for seq, at_ms, body in connection.execute(asked, kinds):
        found = read(seq, at_ms, body)
        if found is not None:
            yield found


def read(seq: int, at_ms: int, body: str | bytes) -> Entered | None:
    """One kept entry; None when this version can't read it."""
    try:
        entry = entries.from_plain(msgspec.json.decode(body))
    except (EntryError, msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
    return Entered(seq, at_ms / 1000 if entry.at is msgspec.UNSET else entries.epoch_s(entry.at), entry)
