"""What binds the kept seconds to the record: each `minute` record (and the run's end) holds digests of the seconds before it.

    seconds_from, seconds_to   numbers of the first and last of them (seconds_to < seconds_from: none)
    seconds_kept               how many of them are in the database
    seconds_fixed              how many of those had a position
    seconds_sha256             SHA-256 over one line (ended by 0x0A) a second: canonical JSON (RFC 8785) of its row of `second`
    work_sha256                the same over the columns that sums follow from (`WORK_COLUMNS`): a pack carries these, not the
                               live figures, which are many times larger and follow from the counts
    counts_sha256              the same over its row of `counts`

Rows are objects by column name, of every column that the database has; `run`, `lat`, `lon` and unknown (null) values are
left out. So a pack may coarsen or leave out positions, a column added later leaves old digests right, and one that this
version does not know is still bound.

Positions are bound by a record of their own, `track`, right before the one that binds their seconds. A pack without exact
positions withholds it, so that nobody can try places against its digest; `seconds_fixed` says how many seconds had one.

    seconds_from, seconds_to   as above
    seconds_fixed              as above
    track_sha256               SHA-256 over a line `number lat lon` (six decimals, ended by 0x0A) a second with a position

And so that no record can be withheld from a pack without being missed, these records, and those at a job's opening and end,
say what was kept before them:

    records_since              number of the record before that did so; 0: none
    records                    how many of each kind came between the two, entries by what they tell (`entry tray`); `track`
                               records are not counted
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from hashlib import sha256
from typing import Any

import msgspec
import rfc8785

from edge.keep import seconds

NOT_BOUND = ("run", "lat", "lon")
WORK_COLUMNS = ("area_m2", "distance_m", "limit_kg_ha", "number", "returns_pct", "speed_kmh", "state", "t")
"""Columns of `second` that a job's sums follow from, in canonical order."""

COUNT_COLUMNS = ("ms", "number", "parts")
TRACK = "track"
BINDING = ("minute", "run end", "run broken off")
"""Kinds of records that bind the seconds before them."""

TELLING = (*BINDING, "job opening", "job figures")
"""Kinds of records that say what was kept before them."""

MOST_SECONDS = 1800
"""That one record binds: more are unbound only when minutes could not be kept, and a start may not wait for them."""

_SPAN = "run = ? AND number > ? AND number <= ?"
_COUNTS_SQL = f"SELECT {', '.join(COUNT_COLUMNS)} FROM counts WHERE {_SPAN} ORDER BY number"
_FIX = f"{_SPAN} AND lat IS NOT NULL AND lon IS NOT NULL"
_TRACK_SQL = f"SELECT number, lat, lon FROM second WHERE {_FIX} ORDER BY number"
_FIXED_SQL = f"SELECT count(*) FROM second WHERE {_FIX}"
_SINCE_SQL = f"""SELECT coalesce(max(seq), 0) FROM record WHERE kind IN ({", ".join(f"'{kind}'" for kind in TELLING)})"""
_TALLY_SQL = f"""SELECT kind || CASE kind WHEN 'entry' THEN ' ' || json_extract(body, '$.entry') ELSE '' END AS name, count(*)
    FROM record WHERE seq > ? AND kind != '{TRACK}' GROUP BY name ORDER BY name"""
_PLAIN_BELOW, _PLAIN_FROM = 1e16, 1e-5


def row_text(columns: Sequence[str], row: Sequence[Any]) -> bytes:
    """Canonical JSON of one row; `columns` in canonical order."""
    plain: dict[str, Any] = {}
    for name, value in zip(columns, row, strict=True):
        if value is None:
            continue
        if value.__class__ is float:
            size = abs(value)
            if size >= _PLAIN_BELOW or 0.0 < size < _PLAIN_FROM:  # msgspec writes these in its own way
                return _rare_row_text(columns, row)
            if value.is_integer():
                value = int(value)
        plain[name] = value
    return msgspec.json.encode(plain)


def _rare_row_text(columns: Sequence[str], row: Sequence[Any]) -> bytes:
    known = {name: value for name, value in zip(columns, row, strict=True) if value is not None}
    return rfc8785.dumps({name: value for name, value in known.items() if value not in (math.inf, -math.inf)})


def rows_sha256(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Hex digest over rows in order, `columns` (canonical order) of each. `parts` is the JSON text as it is kept."""
    whole = sha256()
    for row in rows:
        whole.update(row_text(columns, row))
        whole.update(b"\n")
    return whole.hexdigest()


def bound_columns(names: Iterable[str]) -> list[str]:
    """Which of these columns of `second` its digest covers, in canonical order."""
    return sorted(set(names) - set(NOT_BOUND))


def seconds_sha256(given: Sequence[Mapping[str, Any]]) -> str:
    """`seconds_sha256` of seconds given by column name, positions or not, in order of `number`."""
    names = bound_columns(name for one in given for name in one)
    return rows_sha256(names, ([one.get(name) for name in names] for one in given))


def counts_sha256(counts: Iterable[Mapping[str, Any]]) -> str:
    """`counts_sha256` of rows of `counts` given by column name, in order of `number`."""
    return rows_sha256(COUNT_COLUMNS, ([row.get(name) for name in COUNT_COLUMNS] for row in counts))


def track_line(number: int, lat: float, lon: float) -> bytes:
    """What a `track` record binds of one second, degrees."""
    return b"%d %.6f %.6f\n" % (number, lat, lon)


def track(db: sqlite3.Connection, run: int, after: int, to: int) -> dict[str, Any] | None:
    """Body of the `track` record over the seconds (after, to] of a run; None: none of them had a position."""
    whole, fixed = sha256(), 0
    for row in db.execute(_TRACK_SQL, (run, after, to)):
        whole.update(track_line(*row))
        fixed += 1
    if not fixed:
        return None
    return {"seconds_from": after + 1, "seconds_to": to, "seconds_fixed": fixed, "track_sha256": whole.hexdigest()}


def digests(db: sqlite3.Connection, run: int, after: int, to: int) -> dict[str, Any]:
    """What a record that binds the seconds (after, to] of a run says about them, from what the database holds of them."""
    names = bound_columns(seconds.columns(db))
    work = [names.index(name) for name in WORK_COLUMNS]
    rows = db.execute(f"SELECT {', '.join(names)} FROM second WHERE {_SPAN} ORDER BY number", (run, after, to)).fetchall()
    return {
        "seconds_from": after + 1,
        "seconds_to": to,
        "seconds_kept": len(rows),
        "seconds_fixed": int(db.execute(_FIXED_SQL, (run, after, to)).fetchone()[0]),
        "seconds_sha256": rows_sha256(names, rows),
        "work_sha256": rows_sha256(WORK_COLUMNS, ([row[at] for at in work] for row in rows)),
        "counts_sha256": rows_sha256(COUNT_COLUMNS, db.execute(_COUNTS_SQL, (run, after, to))),
    }


def tally(db: sqlite3.Connection) -> dict[str, Any]:
    """What a record that is about to be kept says about those before it."""
    since = int(db.execute(_SINCE_SQL).fetchone()[0])
    return {"records_since": since, "records": dict(db.execute(_TALLY_SQL, (since,)).fetchall())}


def bind(db: sqlite3.Connection, run: int) -> dict[str, Any]:
    """The digests of all seconds of a run that no record binds yet; of the newest half hour, when there are more."""
    last = int(db.execute("SELECT coalesce(max(number), 0) FROM second WHERE run = ?", (run,)).fetchone()[0])
    after = max(bound_to(db, run), last - MOST_SECONDS)
    return digests(db, run, after, max(after, last))


def bound_to(db: sqlite3.Connection, run: int) -> int:
    """Number of the last second of a run that a record binds; 0: none."""
    found = 0
    for kind in BINDING:
        row = db.execute("SELECT run, body FROM record WHERE kind = ? ORDER BY seq DESC LIMIT 1", (kind,)).fetchone()
        if row is not None and row[0] == run:
            found = max(found, int(msgspec.json.decode(row[1]).get("seconds_to", 0)))
    return found
