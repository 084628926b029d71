"""The store of one kit: what is kept, and how it is asked for. All of it goes through the one writer.

Callers hand work over and go on; only `entry` waits until its row is on disk.
"""

from __future__ import annotations

import errno
import fcntl
import logging
import sqlite3
import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import IO, Any, NamedTuple

import msgspec

from edge.contract import entries
from edge.contract.errors import StoreAway, StoreError
from edge.contract.settings import FILE_NAME as FILE_NAME
from edge.engine.messages import OutboxRow
from edge.feed.assembler import Second
from edge.keep import chain, health, jobs, minutes, seconds, signing, strikes
from edge.keep.chain import Proof, Record
from edge.keep.chain import canonical as canonical
from edge.keep.health import Moved
from edge.keep.runs import settings_sha256
from edge.keep.schema import open_writer
from edge.keep.signing import Key
from edge.keep.upkeep import Disk, Upkeep
from edge.keep.writer import Do, Writer, WriterTask
from edge.reckon.figures import Figures
from edge.reckon.tables.units import M2_PER_HA

LOG = logging.getLogger("tailgrain.keep")

CHECK_AFTER_S = 5.0
"""A large file is read through beside the work once the start is over: a slow card can't serve both."""

_EVER = 2**53
_COUNTS_SQL = "INSERT INTO counts (run, number, ms, parts) VALUES (?, ?, ?, ?)"
_ANSWER_SQL = "INSERT OR IGNORE INTO answer (ask_id, at_ms, body) VALUES (?, ?, ?)"
_LAST_SQL = "SELECT seq, hash FROM record ORDER BY seq DESC LIMIT 1"
_RECORD_SQL = "INSERT INTO record (seq, run, at_ms, kind, body, salt, hash, ask_id) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
_RUN_SQL = "INSERT INTO run (run, started_ms, closed_cleanly, source, version, settings) VALUES (?, ?, 0, ?, ?, ?)"


class EarlierRecord(NamedTuple):
    """One record: its kind, time in epoch ms, body and number."""

    kind: str
    at_ms: int
    body: dict[str, Any]
    seq: int


class Store:
    """Database of one kit, opened for writing. A second writer on the same file is refused (StoreError).

    `on_told` is called from the writer's thread after a commit that put rows into the outbox. `upkeep`: a kit's own
    database: damage moves it aside (see `moved`), old seconds go when the disk or the settings want it. Without it a
    damaged file is refused.
    """

    def __init__(self, path: Path, on_told: Callable[[], None] | None = None, upkeep: Upkeep | None = None) -> None:
        self.path = path
        self.moved: Moved | None = None
        self.key: Key | None = None
        self.run = 0
        self._run_row: tuple[Any, ...] | None = None
        self._second_sql = seconds.insert_sql()
        self._on_told, self._upkeep = on_told, upkeep
        self._told = self._told_kept = self._at_ms = 0
        self._lock = _take_lock(path)
        try:
            connection, unchecked = self._opened()
        except (sqlite3.Error, OSError) as fault:
            self._lock.close()
            kind = StoreAway if self._upkeep is not None else StoreError
            raise kind(f"{path}: can't be opened as a database ({fault})") from fault
        except BaseException:
            self._lock.close()
            raise
        self._told = self._told_kept = connection.execute("SELECT coalesce(max(id), 0) FROM outbox").fetchone()[0]
        self._writer = Writer(path, connection, upkeep, self)
        self._writer.start()
        self._find_key()
        if unchecked:
            later = threading.Timer(CHECK_AFTER_S, self._check_beside)
            later.daemon = True
            later.start()

    def _find_key(self) -> None:
        """The kit's signing key, made at the first start. Without one everything but signing goes on."""
        try:
            self.key, made = signing.read_or_make(signing.path_beside(self.path))
        except StoreError as fault:
            LOG.error("%s; recording goes on, but nothing can be signed", fault)
            return
        LOG.info("signing key%s: fingerprint %s", " (made now)" if made else "", self.key.fingerprint)

    def _opened(self) -> tuple[sqlite3.Connection, bool]:
        if self._upkeep is None:
            return open_writer(self.path), False
        self._upkeep.look()
        connection, self.moved, unchecked = health.open_sound(self.path, time.time_ns() // 1_000_000)
        return connection, unchecked

    def _check_beside(self) -> None:
        why = health.check_beside(self.path)
        if why:
            self._writer.renew(why)

    @property
    def fault(self) -> str | None:
        """Why nothing can be kept at present; None: all is well."""
        return self._writer.fault

    @property
    def alive(self) -> bool:
        """Whether the writer works; when not, only a new start helps."""
        return self._writer.alive

    @property
    def disk(self) -> Disk | None:
        """The disk as it was last looked at; None for a database without upkeep."""
        return None if self._upkeep is None else self._upkeep.disk

    # ------------------------------------------------------------------ what callers do

    def holds_data(self) -> bool:
        """Whether any run is in the database."""
        return bool(self._read(lambda db: db.execute("SELECT EXISTS (SELECT 1 FROM run)").fetchone()[0]))

    def begin_run(
        self, at_ms: int, settings: dict[str, Any], source: str, version: str, hours: tuple[float, float] | None = None
    ) -> int:
        """Begin a run; returns its number. The settings in force stand in its row, `hours` of earlier work in its record."""
        text = canonical(settings)

        def do(db: sqlite3.Connection) -> int:
            if self.moved is None:
                self._end_broken_run(db)
            number: int = db.execute("SELECT coalesce(max(run), 0) + 1 FROM run").fetchone()[0]
            db.execute(_RUN_SQL, (number, at_ms, source, version, text))
            return number

        self.run = self._writer.run = self.ask(do)
        self._run_row = (self.run, at_ms, source, version, text)
        key = None if self.key is None else {"public_key": self.key.public.hex(), "fingerprint": self.key.fingerprint}
        body = {"run": self.run, "source": source, "version": version, "key": key, "settings_sha256": settings_sha256(settings)}
        self.record("run start", at_ms, body if hours is None else {**body, "hours": list(hours)})
        if self.moved is not None:
            self.record("store moved", at_ms, _moved_body(self.moved))
        return self.run

    def _end_broken_run(self, db: sqlite3.Connection) -> None:
        """The last run did not end itself (power, kill): its end goes on record now, with what it kept last."""
        last = db.execute("SELECT run, started_ms, closed_cleanly FROM run ORDER BY run DESC LIMIT 1").fetchone()
        if last is None or last[2]:
            return
        run, started_ms, _ = last
        newest = db.execute("SELECT t FROM second WHERE run = ? ORDER BY number DESC LIMIT 1", (run,)).fetchone()
        at_ms = started_ms if newest is None else newest[0] * 1000
        body = {"run": run, **self._bind(db, run, at_ms)}
        self._insert(db, run, at_ms, "run broken off", canonical(body), None)

    def second(self, second: Second, figures: Figures) -> None:
        """Keep one closed second: its figures and its counts per input."""
        run = self.run
        self._at_ms = second.t * 1000
        row, sql = seconds.row(run, second, figures), self._second_sql
        parts = msgspec.json.encode([(part.levels, part.first_ms, part.ms, part.counts) for part in second.parts])
        counts = (run, second.number, sum(part.ms for part in second.parts), parts.decode())

        def do(db: sqlite3.Connection) -> None:
            db.execute(sql, row)
            db.execute(_COUNTS_SQL, counts)

        self._writer.put(WriterTask(do, is_second=True))

    def record(self, kind: str, at_ms: int, body: dict[str, Any], tell: str = "") -> None:
        """Keep one record; with `tell` it goes into the outbox under that topic, its `seq` added.

        Kinds in `minutes.BINDING` also take in the digests of the seconds kept since the last record that did; those in
        `minutes.TELLING` say what was kept before them.
        """
        binds, tells = kind in minutes.BINDING, kind in minutes.TELLING
        text, run = "" if tells else canonical(body), self.run
        self._at_ms = at_ms

        def do(db: sqlite3.Connection) -> None:
            whole = body
            if tells:
                whole = {**body, **(self._bind(db, run, at_ms) if binds else minutes.tally(db))}
            proof = self._insert(db, run, at_ms, kind, text or canonical(whole), None)
            if tell:
                self._tell(db, proof, tell, whole)

        self._writer.put(WriterTask(do))

    def _bind(self, db: sqlite3.Connection, run: int, at_ms: int) -> dict[str, Any]:
        """The digests for a record about to be kept; the positions go into one of their own before it."""
        found = {**minutes.bind(db, run), **minutes.tally(db)}
        track = minutes.track(db, run, found["seconds_from"] - 1, found["seconds_to"]) if found["seconds_fixed"] else None
        if track is not None:
            self._insert(db, run, at_ms, minutes.TRACK, canonical(track), None)
        return found

    def entry(self, at_ms: int, body: dict[str, Any], ask_id: str | None) -> int:
        """Keep one entry and wait until it is on disk. Returns its number. Raises StoreError when it can't be kept."""
        try:
            text, run = canonical(body), self.run
        except ValueError as fault:
            raise StoreError(f"not kept: it can't be written as JSON ({fault})") from fault

        def do(db: sqlite3.Connection) -> int:
            proof = self._insert(db, run, at_ms, "entry", text, ask_id)
            self._tell(db, proof, "entry", body)
            return proof.seq

        seq: int = self.ask(do)
        return seq

    def answer(self, ask_id: str, at_ms: int, body: bytes) -> None:
        """Keep the answer given to an asked entry, so that the same id gets it again."""
        row = (ask_id, at_ms, body.decode())

        def do(db: sqlite3.Connection) -> None:
            db.execute(_ANSWER_SQL, row)

        self._writer.put(WriterTask(do))

    def settle(self) -> None:
        """Wait until everything handed over so far is on disk. Raises StoreError when it can't be now; it stays owed."""
        self.ask(lambda db: None)

    def answered(self, ask_id: str) -> bytes | None:
        """The answer once given to this id."""
        row = self._read(lambda db: db.execute("SELECT body FROM answer WHERE ask_id = ?", (ask_id,)).fetchone())
        return None if row is None else str(row[0]).encode()

    def entry_seq(self, ask_id: str) -> int | None:
        """The number under which an entry with this id was kept (its answer may have been lost with the power)."""
        row = self._read(lambda db: db.execute("SELECT seq FROM record WHERE ask_id = ?", (ask_id,)).fetchone())
        return None if row is None else int(row[0])

    def proof(self, seq: int) -> dict[str, Any] | None:
        """The proof line that a record on disk gives: its number and the running hash up to it."""
        row = self._read(lambda db: db.execute("SELECT hash FROM record WHERE seq = ?", (seq,)).fetchone())
        return None if row is None else Proof(seq, row[0]).to_plain()

    def job_minutes(self, job: int) -> list[dict[str, Any]]:
        """Bodies of the `minute` records kept for a job so far, in order."""
        found: list[dict[str, Any]] = self._read(lambda db: jobs.minutes_of(db, job))
        return found

    def mark_number(self, seq: int) -> int | None:
        """The number of the tray mark kept as record `seq`; None when that is no tray mark."""
        mark = "kind = 'entry' AND json_extract(body, '$.entry') = 'tray_mark'"
        sql = f"SELECT count(*) FROM record WHERE {mark} AND seq <= ? AND EXISTS (SELECT 1 FROM record WHERE seq = ? AND {mark})"
        number: int = self._read(lambda db: db.execute(sql, (seq, seq)).fetchone()[0])
        return number or None

    def waiting(self, after: int, most: int) -> list[OutboxRow]:
        """Outbox rows after an id, oldest first; only what is on disk is told."""
        sql = "SELECT id, topic, payload FROM outbox WHERE id > ? AND id <= ? ORDER BY id LIMIT ?"
        return [OutboxRow(*row) for row in self._read(lambda db: db.execute(sql, (after, self._told_kept, most)).fetchall())]

    def delivered(self, ids: Iterable[int]) -> None:
        """The broker has these rows."""
        rows = [(one,) for one in ids]
        self._writer.put(WriterTask(lambda db: db.executemany("DELETE FROM outbox WHERE id = ?", rows)))

    def earlier_records(self, kinds: tuple[str, ...]) -> list[EarlierRecord]:
        """Records of earlier runs of these kinds in order."""
        marks = ", ".join("?" * len(kinds))
        sql = f"SELECT kind, at_ms, body, seq FROM record WHERE kind IN ({marks}) ORDER BY seq"
        rows = self._read(lambda db: db.execute(sql, kinds).fetchall())
        return [EarlierRecord(kind, at_ms, msgspec.json.decode(body), seq) for kind, at_ms, body, seq in rows]

    def work_hours(self) -> tuple[float, float]:
        """Hours of work since the last used tray test and since the last gauge check, out of the minutes kept.

        Minutes before the last start stand summed in its record: a season is not summed at each start.
        """
        resets = (("calibration", "$.used", 1), ("entry", "$.entry", "gauge"))
        last = """SELECT seq FROM record WHERE kind = ? AND json_extract(body, ?) = ?
            AND coalesce(json_extract(body, '$.entry_seq'), seq) NOT IN ({struck}) ORDER BY seq DESC LIMIT 1"""
        base = "SELECT seq, json_extract(body, '$.hours') FROM record WHERE kind = 'run start' ORDER BY seq DESC LIMIT 1"
        minutes = """SELECT coalesce(sum(json_extract(body, '$.seconds.working')), 0) / 3600.0 FROM record
            WHERE kind = 'minute' AND seq > ?"""

        def look(db: sqlite3.Connection) -> list[float]:
            struck = strikes.struck(db)
            counts = last.format(struck=", ".join(map(str, struck)))
            summed = None if struck else db.execute(base).fetchone()  # what was summed may rest on what was struck out
            from_seq, known = summed if summed is not None and summed[1] is not None else (0, "[0, 0]")
            found = []
            for reset, earlier in zip(resets, msgspec.json.decode(known), strict=True):
                row = db.execute(counts, reset).fetchone()
                seq = 0 if row is None else int(row[0])
                since = db.execute(minutes, (max(seq, from_seq),)).fetchone()[0]
                found.append(float(since) + (float(earlier) if from_seq > seq else 0.0))
            return found

        tray_h, gauge_h = self._read(look)
        return tray_h, gauge_h

    def area_ha_since(self, epoch_s: float) -> float:
        """Hectares cut after a time: the minutes kept, and the seconds before the first and behind the last of them.

        Weeks of seconds would take a start too long.
        """
        minutes = """SELECT at_ms / 1000, json_extract(body, '$.area_ha') FROM record WHERE kind = 'minute' AND at_ms > :since
            AND seq > coalesce((SELECT max(seq) FROM record WHERE kind = 'entry' AND at_ms <= :since), 0) ORDER BY seq"""
        seconds = f"SELECT coalesce(sum(area_m2), 0) / {M2_PER_HA} FROM second WHERE t > ? AND t <= ?"

        def look(db: sqlite3.Connection) -> float:
            found = db.execute(minutes, {"since": epoch_s * 1000}).fetchall()
            ends = [(epoch_s, found[0][0]), (found[-1][0], _EVER)] if found else [(epoch_s, _EVER)]
            at_ends = sum(float(db.execute(seconds, end).fetchone()[0]) for end in ends)
            return at_ends + sum(float(area) for _, area in found[1:])

        return float(self._read(look))

    def ask(self, do: Do) -> Any:
        """Run a function on the writer's connection, commit, and return what it returned. Raises StoreError."""
        return self._writer.ask(do)

    def _read(self, do: Do) -> Any:
        return self._writer.ask(do, reads=True)

    def end_run(self, at_ms: int) -> None:
        """The run was closed cleanly."""
        run = self.run
        self.record("run end", at_ms, {"run": run})
        sql = "UPDATE run SET ended_ms = ?, closed_cleanly = 1 WHERE run = ?"
        self._writer.put(WriterTask(lambda db: db.execute(sql, (at_ms, run))))

    def close(self) -> None:
        """Finish the queue, checkpoint, close."""
        self._writer.close()
        self._lock.close()

    # ------------------------------------------------------------------ what the writer tells, in its thread

    def committed(self) -> None:
        """The outbox rows of this commit may be told."""
        if self._told > self._told_kept:
            self._told_kept = self._told
            if self._on_told is not None:
                self._on_told()

    def rolled_back(self) -> None:
        """Nothing of the last transaction may be told."""
        self._told = self._told_kept

    def moved_aside(self, db: sqlite3.Connection, moved: Moved) -> None:
        """A fresh database in the middle of a run: its run's row, and the record of what happened."""
        self.moved = moved
        self._told = self._told_kept = db.execute("SELECT coalesce(max(id), 0) FROM outbox").fetchone()[0]
        if self._run_row is None:
            return
        if db.execute("SELECT 1 FROM run WHERE run = ?", (self.run,)).fetchone() is None:
            db.execute(_RUN_SQL, self._run_row)
        self._insert(db, self.run, self._at_ms, "store moved", canonical(_moved_body(moved)), None)

    def lost(self, db: sqlite3.Connection, lost: dict[str, int]) -> None:
        """What could not be kept for too long is gone; the record says so."""
        self._insert(db, self.run, self._at_ms, "gap", canonical(dict(lost)), None)

    def _insert(self, db: sqlite3.Connection, run: int, at_ms: int, kind: str, text: str, ask_id: str | None) -> Proof:
        # The next number and the hash to go on from are read, not remembered: what was undone is then given again.
        last = db.execute(_LAST_SQL).fetchone()
        seq, previous = (1, chain.FIRST) if last is None else (int(last[0]) + 1, bytes.fromhex(last[1]))
        record = Record(seq, run, at_ms, kind, text, chain.new_salt())
        proof = Proof(seq, chain.link(previous, chain.digest(record)).hex())
        db.execute(_RECORD_SQL, (*record[:6], proof.hash, ask_id))
        return proof

    def _tell(self, db: sqlite3.Connection, proof: Proof, topic: str, body: dict[str, Any]) -> None:
        # The record's number is the row's: numbers of an emptied table would begin anew, and the voice goes by order.
        message = {**body, "seq": proof.seq}
        message.pop("sums", None)  # what means are made of is for the record
        if topic == "minute" or body.get("entry") in entries.OF_JOBS:
            message["proof"] = proof.to_plain()
        db.execute("INSERT INTO outbox (id, topic, payload) VALUES (?, ?, ?)", (proof.seq, topic, msgspec.json.encode(message)))
        self._told = proof.seq


def _moved_body(moved: Moved) -> dict[str, Any]:
    return {"to": moved.to.name, "why": moved.why, "records": moved.records}


def _take_lock(path: Path) -> IO[bytes]:
    """SQLite before 3.51.3 can corrupt a WAL database under two writers, so the file has one writer, by flock."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o750)
        lock = open(path.with_name(path.name + ".lock"), "ab")
    except OSError as fault:
        kind = StoreAway if fault.errno in (errno.ENOSPC, errno.EROFS, errno.EIO) else StoreError
        raise kind(f"{path}: can't be written ({fault.strerror or fault})") from fault
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as fault:
        lock.close()
        raise StoreError(f"{path}: another program writes to this database; allowed: one writer") from fault
    return lock
