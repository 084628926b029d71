"""The record's entries, for every screen that goes by them: in their order, each with its own time.

An entry that this version can't read (kept by another version, or damaged on the disk) is left out: what it said isn't
known here, and it must not take a whole screen away for good. So is one that was struck out, save where a screen asks for it:
nothing rests on it, but it keeps its number.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple

import msgspec

from edge.contract import entries
from edge.contract.errors import EntryError
from edge.contract.struck import struck_out

_KIND = "CASE WHEN json_valid(body) THEN json_extract(body, '$.entry') END"


_STRIKES = f"SELECT seq, at_ms, body FROM record WHERE kind = 'entry' AND {_KIND} = 'strike_out' ORDER BY seq"


class Struck(NamedTuple):
    """Who struck an entry: the number of the entry `strike_out`, its time in epoch s, its reason."""

    seq: int
    at_s: float
    why: str


class Entered(NamedTuple):
    """`seq`: its number in the record; `at_s`: epoch s, as told by the entry itself, else when it was kept."""

    seq: int
    at_s: float
    entry: entries.Entry
    struck: Struck | None = None


def entered(
    connection: sqlite3.Connection,
    only: Iterable[str] = (),
    without: Iterable[str] = (),
    newest_first: bool = False,
    with_struck: bool = False,
) -> Iterator[Entered]:
    """Entries of some kinds (`only`), or of all but some (`without`); struck ones where they are asked for."""
    gone = strikes(connection)
    kinds = (*only, *without)
    where = f"AND {_KIND} {'IN' if only else 'NOT IN'} ({', '.join('?' * len(kinds))})" if kinds else ""
    order = "DESC" if newest_first else "ASC"
    asked = f"SELECT seq, at_ms, body FROM record WHERE kind = 'entry' {where} ORDER BY seq {order}"
    for seq, at_ms, body in connection.execute(asked, kinds):
        found = read(seq, at_ms, body)
        if found is not None and (with_struck or seq not in gone):
            yield found._replace(struck=gone.get(seq))


def strikes(connection: sqlite3.Connection) -> dict[int, Struck]:
    """Numbers of the entries that were struck out, and by what; a number of another record (`elsewhere`) names none here."""
    found: dict[int, Struck] = {}
    for seq, at_ms, body in connection.execute(_STRIKES):
        plain: dict[str, Any] = msgspec.json.decode(body)
        for struck, why in struck_out([plain]).items():
            found.setdefault(struck, Struck(seq, at_ms / 1000, why))
    return found


def told_strike(struck: Struck | None) -> dict[str, Any] | None:
    """A strike-out as the page is told of it."""
    return None if struck is None else {"seq": struck.seq, "at": struck.at_s, "why": struck.why}


def read(seq: int, at_ms: int, body: str | bytes) -> Entered | None:
    """One kept entry; None when this version can't read it."""
    try:
        entry = entries.from_plain(msgspec.json.decode(body))
    except (EntryError, msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
    return Entered(seq, at_ms / 1000 if entry.at is msgspec.UNSET else entries.epoch_s(entry.at), entry)
