"""Rows of a database as csv; by several helpers at once when there are many, because one processor writes too slowly.

`python -m edge.export.csvpart` is a helper: a task as JSON on standard input, rows into a file, the number of rows done so far
in lines on standard output. It asks for little of a processor that has other work (a kit that measures).
"""

from __future__ import annotations

import csv
import io
import os
import selectors
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import IO, Any

import msgspec

from edge.contract.errors import StoreError
from edge.engine.streams import STREAMS
from edge.keep import places, readonly

ROWS_AT_ONCE = 500
HELPED_FROM = 150_000
"""Rows from which helpers are worth their start."""

MOST_HELPERS = 4
SAID_EVERY = 20_000
TEXTS = tuple(stream.name for stream in STREAMS if stream.sql == "TEXT")
_CAREFUL = ('"', "\\", "null")


class Query(msgspec.Struct):
    """One span's rows: SQL, its parameters, and how many rows it may give."""

    sql: str
    values: list[int]
    rows: int


class Task(msgspec.Struct):
    """What one helper does."""

    database: str
    queries: list[Query]
    texts: list[int]
    out: str


def lines(db: sqlite3.Connection, query: Query, texts: Sequence[int]) -> Iterator[tuple[int, bytes]]:
    """Rows of one query in pieces: how many, and their csv. `texts`: places of the text columns."""
    encode = msgspec.json.Encoder().encode_lines
    cursor = db.execute(query.sql, query.values)
    while chunk := cursor.fetchmany(ROWS_AT_ONCE):
        yield len(chunk), _plain(chunk) if _needs_care(chunk, texts) else _quick(encode(chunk))


def _needs_care(chunk: list[tuple[Any, ...]], texts: Sequence[int]) -> bool:
    """Whether a text holds something that JSON and CSV write differently, or that reads like an unknown value."""
    told = " ".join({row[at] or "" for row in chunk for at in texts})
    return any(one in told for one in _CAREFUL) or not told.isprintable()


def _quick(encoded: bytes) -> bytes:
    """Rows out of their lines of JSON, which are made several times as fast as by `csv`."""
    return encoded[1:-2].replace(b"]\n[", b"\n").replace(b"null", b"") + b"\n"


def _plain(chunk: list[tuple[Any, ...]]) -> bytes:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(chunk)
    return text.getvalue().encode()


def add_places(db: sqlite3.Connection) -> None:
    """The functions that coarse positions are asked for with."""
    db.create_function("coarse_lat", 2, lambda lat, lon: places.coarse(lat, lon)[0], deterministic=True)
    db.create_function("coarse_lon", 2, lambda lat, lon: places.coarse(lat, lon)[1], deterministic=True)


def write(
    db: sqlite3.Connection, queries: Sequence[Query], texts: list[int], file: IO[bytes], on_rows: Callable[[int], None]
) -> int:
    """Write the rows of all queries in order; returns how many. `on_rows` hears how many so far, now and then."""
    whole = sum(query.rows for query in queries)
    helpers = min(MOST_HELPERS, os.cpu_count() or 1)
    if whole >= HELPED_FROM and helpers > 1:
        return _with_helpers(_path(db), _shared(queries, helpers, whole), texts, file, on_rows)
    count = 0
    for query in queries:
        for rows, text in lines(db, query, texts):
            file.write(text)
            count += rows
            on_rows(count)
    return count


def _path(db: sqlite3.Connection) -> str:
    return str(next(row[2] for row in db.execute("PRAGMA database_list") if row[1] == "main"))


def _shared(queries: Sequence[Query], helpers: int, whole: int) -> list[list[Query]]:
    """Shares of about equal size, in order; a query's last two values are the first and last number it asks for."""
    size = -(-whole // helpers)
    shares: list[list[Query]] = [[]]
    room = size
    for query in queries:
        *before, first, last = query.values
        while first <= last:
            if room <= 0:
                shares.append([])
                room = size
            end = min(last, first + room - 1)
            shares[-1].append(Query(query.sql, [*before, first, end], end - first + 1))
            room -= end - first + 1
            first = end + 1
    return shares


def _with_helpers(
    database: str, shares: list[list[Query]], texts: list[int], file: IO[bytes], on_rows: Callable[[int], None]
) -> int:
    with tempfile.TemporaryDirectory(prefix=".export-", dir=Path(file.name).parent) as folder:
        parts = [Path(folder) / str(number) for number in range(len(shares))]
        tasks = [Task(database, share, texts, str(part)) for share, part in zip(shares, parts, strict=True)]
        helpers = [_start(task) for task in tasks]
        try:
            counts = _listen(helpers, on_rows)
        finally:
            for helper in helpers:
                helper.kill()
                helper.wait()
                if helper.stdout is not None:
                    helper.stdout.close()
        for part in parts:
            with part.open("rb") as rows:
                shutil.copyfileobj(rows, file, 1 << 20)
            part.unlink()
    return sum(counts)


def _start(task: Task) -> subprocess.Popen[bytes]:
    helper = subprocess.Popen([sys.executable, "-m", "edge.export.csvpart"], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert helper.stdin is not None
    helper.stdin.write(msgspec.json.encode(task))
    helper.stdin.close()
    return helper


def _listen(helpers: list[subprocess.Popen[bytes]], on_rows: Callable[[int], None]) -> list[int]:
    """Hear all helpers to their end; rows written by each. Raises StoreError when one failed."""
    counts = [0] * len(helpers)
    with selectors.DefaultSelector() as selector:
        for number, helper in enumerate(helpers):
            assert helper.stdout is not None
            selector.register(helper.stdout, selectors.EVENT_READ, number)
        while selector.get_map():
            for key, _ in selector.select():
                line = key.fileobj.readline()  # type: ignore[union-attr]
                if not line:
                    selector.unregister(key.fileobj)
                    continue
                counts[key.data] = int(line)
                on_rows(sum(counts))
    for helper in helpers:
        if helper.wait() != 0:
            raise StoreError("export: a helper could not read or write its part; see the line above")
    return counts


def main() -> int:
    """One helper's work; returns its exit status."""
    os.nice(5)
    task = msgspec.json.decode(sys.stdin.buffer.read(), type=Task)
    try:
        count = _do(task)
    except (StoreError, sqlite3.Error, OSError) as fault:
        print(f"tailgrain: export: {fault}", file=sys.stderr)
        return 1
    print(count, flush=True)
    return 0


def _do(task: Task) -> int:
    count = said = 0
    with readonly.opened(Path(task.database)) as db, open(task.out, "wb") as file:
        add_places(db)
        for query in task.queries:
            for rows, text in lines(db, query, task.texts):
                file.write(text)
                count += rows
                if count - said >= SAID_EVERY:
                    said = count
                    print(count, flush=True)
    return count


if __name__ == "__main__":
    sys.exit(main())
