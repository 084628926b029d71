"""A database -> the data of one job's pack. Reads only, beside a kit that goes on writing.

What belongs to the job stands in full; everything between that does not (another client's job, a stop) is withheld: its
digest alone keeps the chain whole. Seconds are those that the job's own records bind.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import msgspec

from edge.contract.errors import StoreError, WrongInput
from edge.evidence.pack.document import Document, Position, Run, Seconds, coarse, tells_place
from edge.evidence.pack.edition import edition
from edge.evidence.pack.times import offset_min
from edge.keep import chain, jobs, minutes, readonly
from edge.keep.jobs import Job
from edge.keep.runs import safe_settings

_RECORDS_SQL = "SELECT seq, run, at_ms, kind, body, salt, hash FROM record WHERE seq BETWEEN ? AND ? ORDER BY seq"
_PLACE_DIGITS = 6
"""A tenth of a metre."""


def collect(database: Path, number: int, position: Position, public: bytes, made_ms: int) -> Document:
    """Everything a pack of job `number` holds. Raises WrongInput, StoreError."""
    try:
        with readonly.opened(database) as connection:
            connection.execute("BEGIN")  # one state of a database that is being written
            return _collect(connection, database, number, position, public, made_ms)
    except sqlite3.Error as fault:
        raise StoreError(f"{database}: can't be read as a database of ours ({fault})") from fault


def _collect(
    connection: sqlite3.Connection, database: Path, number: int, position: Position, public: bytes, made_ms: int
) -> Document:
    columns = {row[1] for row in connection.execute("PRAGMA table_info(record)")}
    if not {"salt", "hash"} <= columns:
        raise StoreError(f"{database}: kept by an older version, without a chain; start `tailgrain run` on it once")
    try:
        one = jobs.job(connection, number)
    except WrongInput as fault:
        raise WrongInput(f"{database.name}: {fault}") from fault
    rows, previous = _records(connection, one, position)
    bound = _bound(rows)
    gone = _given_up(connection, rows)
    if gone:
        raise WrongInput(
            f"{database}: {gone} seconds of job {number} are no longer kept (keep_days, disk floor or a database moved aside);"
            " allowed: a job whose seconds are all kept"
        )
    if not bound:
        raise WrongInput(f"{database}: job {number} holds no closed minute yet; allowed: a job with a minute of counts")
    runs = sorted({row[1] for row in rows if len(row) > 3} | {run for run, _, _ in bound})
    return Document(
        program=edition(),
        made_ms=made_ms,
        kit=_kit(connection, runs[-1]),
        position=position,
        public_key=public.hex(),
        job=number,
        previous=previous,
        records=rows,
        runs=[_run(connection, run) for run in runs],
        utc_offset_min=offset_min(one.started_ms / 1000),
        seconds=[_seconds(connection, run, bound, position) for run in sorted({one[0] for one in bound})],
    )


def _records(connection: sqlite3.Connection, one: Job, position: Position) -> tuple[list[list[Any]], str]:
    """Rows from the job's first record to its last, and the running hash before them."""
    newest = connection.execute("SELECT max(seq) FROM record").fetchone()[0]
    first = one.periods[0].from_seq
    last = min(max([*(period.last_seq for period in one.periods), *one.about_seqs]), newest)
    before = connection.execute("SELECT hash FROM record WHERE seq = ?", (first - 1,)).fetchone()
    previous = chain.FIRST.hex() if before is None else str(before[0])
    rows: list[list[Any]] = []
    own = _Own()
    for row in connection.execute(_RECORDS_SQL, (first, last)):
        shown = one.holds(row[0]) and own.takes(*row[2:5])
        if shown and position != "exact" and (row[3] == minutes.TRACK or tells_place(msgspec.json.decode(row[4]))):
            shown = False
        if shown:
            rows.append(list(row))
        else:
            rows.append([row[0], chain.digest(chain.Record(*row)).hex(), row[6]])
    return rows, previous


class _Own:
    """Leaves out what rests on other jobs: advice and good sets, and verdicts on settings, or with seconds, of before."""

    def __init__(self) -> None:
        self._count = self._opened_ms = 0
        self._known_ms: dict[int, int] = {}

    def takes(self, at_ms: int, kind: str, text: str) -> bool:
        """Whether the next record in order is this job's alone."""
        if kind in ("advice", "good set"):
            return False
        if kind == "job opening":
            count = msgspec.json.decode(text)["setting_changes"]
            if count != self._count or not self._opened_ms:  # else it goes on where it was: nothing came in between
                self._count, self._opened_ms = count, at_ms
        elif kind == "entry" and msgspec.json.decode(text)["entry"] == "setting":
            self._count += 1
            self._known_ms[self._count] = at_ms - self._opened_ms
        elif kind == "verdict":
            body = msgspec.json.decode(text)
            if body.get("again"):  # by all that the kit knows since, other jobs' seconds too; `of_job` stands beside it
                return False
            known_ms = self._known_ms.get(body["setting"])
            return known_ms is not None and bool(body["before"]["minutes"] * 60_000 <= known_ms)
        return True


def _given_up(connection: sqlite3.Connection, rows: list[list[Any]]) -> int:
    """How many seconds that the shown records bind are no longer in the database."""
    sql = "SELECT count(*) FROM second JOIN counts USING (run, number) WHERE second.run = ? AND number BETWEEN ? AND ?"
    gone = 0
    for row in rows:
        if len(row) > 3 and row[3] in minutes.BINDING:
            body = msgspec.json.decode(row[4])
            if "seconds_kept" in body and "work_sha256" in body:
                found = connection.execute(sql, (row[1], body["seconds_from"], body["seconds_to"])).fetchone()[0]
                gone += max(0, body["seconds_kept"] - found)
    return gone


def _bound(rows: list[list[Any]]) -> list[tuple[int, int, int]]:
    """Run and numbers (first, last) of the seconds that the shown records bind, in order."""
    found = []
    for row in rows:
        if len(row) > 3 and row[3] in minutes.BINDING:
            body = msgspec.json.decode(row[4])
            if body.get("seconds_to", 0) >= body.get("seconds_from", 1) and "work_sha256" in body:
                found.append((row[1], body["seconds_from"], body["seconds_to"]))
    return found


def _kit(connection: sqlite3.Connection, run: int) -> str:
    plain = msgspec.json.decode(connection.execute("SELECT settings FROM run WHERE run = ?", (run,)).fetchone()[0])
    return str(plain.get("machine", {}).get("kit", "kit1"))


def _run(connection: sqlite3.Connection, run: int) -> Run:
    source, made_by, settings = connection.execute("SELECT source, version, settings FROM run WHERE run = ?", (run,)).fetchone()
    kind = "capture" if str(source).startswith("capture") else "counter board"
    return Run(run, kind, made_by, safe_settings(msgspec.json.decode(settings)))


def _seconds(connection: sqlite3.Connection, run: int, bound: list[tuple[int, int, int]], position: Position) -> Seconds:
    names = [*minutes.WORK_COLUMNS, "lat", "lon"]
    wanted = ", ".join(f"second.{name}" for name in names)
    sql = f"""SELECT {wanted}, counts.ms, counts.parts FROM second JOIN counts USING (run, number)
        WHERE second.run = ? AND number BETWEEN ? AND ? ORDER BY number"""
    rows: list[tuple[Any, ...]] = []
    for of_run, first, last in bound:
        if of_run == run:
            rows += connection.execute(sql, (run, first, last)).fetchall()
    columns = {name: [row[at] for row in rows] for at, name in enumerate([*names, "ms"])}
    places = [_place(lat, lon, position) for lat, lon in zip(columns.pop("lat"), columns.pop("lon"), strict=True)]
    if position != "none" and any(lat is not None for lat, _ in places):
        columns["lat"], columns["lon"] = [lat for lat, _ in places], [lon for _, lon in places]
    return Seconds(run, columns, [row[-1] for row in rows])


def _place(lat: float | None, lon: float | None, position: Position) -> tuple[float | None, float | None]:
    if position == "none" or lat is None or lon is None:
        return None, None
    if position == "coarse":
        return coarse(lat, lon)
    return round(lat, _PLACE_DIGITS), round(lon, _PLACE_DIGITS)
