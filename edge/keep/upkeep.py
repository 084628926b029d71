"""What keeps the database within its disk: age, free space, the length of the outbox. Only seconds are ever given up.

Seconds go oldest first, in the order they were recorded, a little at a time between commits. The `record` table is
never touched: it is small, and it is the proof.
"""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path
from typing import NamedTuple

EVERY_S = 10.0
SECONDS_AT_ONCE = 600
NEWEST_KEPT = 7200
"""Seconds of the present run that are never given up: the longest ribbon shows two hours."""

PAGES_AT_ONCE = 512
OUTBOX_LONGEST = 100_000
"""About ten weeks of minutes; older ones stand in the record and are not sent any more."""

ENOUGH = 1.1
"""The alert ends when this many times the floor is free, so that it does not come and go."""

MB = 1_000_000


class Disk(NamedTuple):
    """State of the disk that holds the database. `low`: under its floor, and not yet well above it again."""

    free_mb: float
    floor_mb: float
    low: bool


class Upkeep:
    """Rules of one database. `keep_days` and `disk_floor_mb` as in the settings."""

    def __init__(self, folder: Path, keep_days: float = 400.0, disk_floor_mb: float = 500.0) -> None:
        self._folder, self._keep_s, self._floor_mb = folder, keep_days * 86_400, disk_floor_mb
        self.disk = Disk(0.0, disk_floor_mb, False)
        if folder.is_dir():
            self.look()

    def look(self) -> Disk:
        """Look at the disk. One that can't be looked at counts as low: something is wrong with it."""
        try:
            found = os.statvfs(self._folder)
        except OSError:
            self.disk = Disk(0.0, self._floor_mb, True)
            return self.disk
        free_mb = found.f_bavail * found.f_frsize / MB
        bar = self._floor_mb * ENOUGH if self.disk.low else self._floor_mb
        self.disk = Disk(free_mb, self._floor_mb, free_mb < bar)
        return self.disk

    def step(self, db: sqlite3.Connection, run: int, kept_since: int) -> int:
        """One round inside a transaction; `kept_since`: seconds recorded since the last one. Returns the seconds given up.

        By age two old seconds go for each new one at most: a clock in a wrong year can't empty the database, and it ends
        when the clock is right again.
        """
        if self.disk.free_mb < self._floor_mb:
            given_up = self._give_up(db, run, SECONDS_AT_ONCE, None)
        else:
            given_up = self._give_up(db, run, 2 * kept_since, self._keep_s)
        db.execute("DELETE FROM outbox WHERE id <= (SELECT max(id) FROM outbox) - ?", (OUTBOX_LONGEST,))
        return given_up

    def shrink(self, db: sqlite3.Connection) -> None:
        """Give free pages back to the disk, outside a transaction; only when the disk wants them."""
        if self.disk.free_mb < self._floor_mb and db.execute("PRAGMA freelist_count").fetchone()[0] > PAGES_AT_ONCE:
            db.executescript(f"PRAGMA incremental_vacuum({PAGES_AT_ONCE})")  # `execute` would give one page back and stop

    def _give_up(self, db: sqlite3.Connection, run: int, most: int, keep_s: float | None) -> int:
        last = db.execute("SELECT number, t FROM second WHERE run = ? ORDER BY number DESC LIMIT 1", (run,)).fetchone()
        number, t = last if last is not None else (0, None)
        oldest = db.execute(
            "SELECT run, number, t FROM second WHERE (run, number) <= (?, ?) ORDER BY run, number LIMIT ?",
            (run, number - NEWEST_KEPT, most),
        ).fetchall()
        if keep_s is None:
            if oldest:
                for table in ("second", "counts"):
                    db.execute(f"DELETE FROM {table} WHERE (run, number) <= (?, ?)", oldest[-1][:2])
            return len(oldest)
        # By age each by itself: a wrong clock may have dated some of them ahead.
        keys = [row[:2] for row in oldest if t is not None and row[2] < t - keep_s]
        for table in ("second", "counts"):
            db.executemany(f"DELETE FROM {table} WHERE run = ? AND number = ?", keys)
        return len(keys)
