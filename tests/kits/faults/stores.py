"""Databases filled through the real store, quickly."""

from __future__ import annotations

import dataclasses
import shutil
import sqlite3
from functools import lru_cache
from pathlib import Path

from edge.contract.settings import parse
from edge.feed.assembler import Part, Second
from edge.keep.store import FILE_NAME, Store, canonical
from edge.keep.upkeep import Upkeep
from edge.reckon.figures import Figures
from edge.reckon.reckoner import Reckoner
from sim_feed.run.scenario import load
from tests.kits.kit import rows

START_S = 1_793_600_000
AT_ONCE = 32_000
SETTINGS = load("paddock").settings_toml()


def opened(folder: Path, floor_mb: float = 0.0, keep_days: float = 400.0) -> Store:
    """A kit's own store with a run begun."""
    folder.mkdir(parents=True, exist_ok=True)
    store = Store(folder / FILE_NAME, None, Upkeep(folder, keep_days, floor_mb))
    store.begin_run(START_S * 1000, {"machine": "test"}, "test", "0")
    return store


@lru_cache(maxsize=1)
def _ordinary() -> tuple[Second, Figures]:
    second = Second(1, START_S, [Part(3, 100, 1000, [4, 3, 5, 2, 300, 19, 14])], 10, START_S * 1000, {}, None)
    return second, Reckoner(parse(SETTINGS)).step(second)


def one_second(store: Store, number: int, start_s: int = START_S) -> None:
    """Hand over one ordinary second; does not wait."""
    like, made = _ordinary()
    store.second(dataclasses.replace(like, number=number, t=start_s + number), made)


def fill(store: Store, seconds: int, first: int = 1, start_s: int = START_S, minutes: bool = True) -> None:
    """Seconds of one run, a minute's record after each sixty; all on disk afterwards."""
    for number in range(first, first + seconds):
        one_second(store, number, start_s)
        if minutes and number % 60 == 0:
            store.record("minute", (start_s + number) * 1000, {"t": number}, tell="minute")
    settle(store)


def grow(store: Store, seconds: int) -> None:
    """At least this many seconds of figures, by doubling a few inside the database."""
    fill(store, 1000, minutes=False)
    count = 1000

    def more(db: sqlite3.Connection, first: int) -> None:
        for table in ("second", "counts"):
            names = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
            moved = [f"{name} + {count}" if name in ("number", "t") else name for name in names]
            db.execute(
                f"INSERT INTO {table} SELECT {', '.join(moved)} FROM {table} "
                "WHERE run = ? AND number BETWEEN ? AND ? ORDER BY number",
                (store.run, first, first + AT_ONCE - 1),
            )

    while count < seconds:
        wanted = min(count, seconds - count) if seconds > 32 * AT_ONCE else count
        for first in range(1, wanted + 1, AT_ONCE):
            store.ask(lambda db, first=first: more(db, first))
        count += max(wanted, AT_ONCE * -(-wanted // AT_ONCE)) if count >= AT_ONCE else count


def season_of_records(store: Store, minutes: int = 24_000) -> None:
    """400 hours of minutes; a quarter as many entries (settings, notes), and as many verdicts, beside them."""
    minute = {
        "t": "2026-11-02T06:14:00.000Z",
        "seconds": {"working": 60, "turning": 0, "filling": 0, "idle": 0, "no data": 0},
        "distance_m": 120.0,
        "area_ha": 0.05,
        "loss": {"kg_ha": 41.2, "low": 33.0, "high": 50.1, "pct": 1.4},
        "points": {name: {"kg_ha": 20.6, "low": 16.5, "high": 25.0} for name in ("separator", "cleaning")},
        "returns_pct": 34.0,
        "lines": {"good": 610, "bad_crc": 0, "malformed": 0, "missing": 0, "restarts": 0, "entries": 0},
    }
    text, verdict = canonical(minute), canonical({"setting": 1, "verdict": "no detectable change", "words": "x" * 500})
    setting = canonical({"entry": "setting", "what": "fan_rpm", "to": 800.0})
    note = canonical({"entry": "note", "note": "Körner"})

    def write(db: sqlite3.Connection) -> None:
        for number in range(minutes):
            at_ms = (START_S + 60 * number) * 1000
            store._insert(db, 1, at_ms, "minute", text, None)
            if number % 4 == 0:
                store._insert(db, 1, at_ms, "entry", setting if number % 8 else note, None)
                store._insert(db, 1, at_ms, "verdict", verdict, None)

    store.ask(write)


def settle(store: Store) -> None:
    """Wait until everything handed over is on disk."""
    store.settle()


def sound(path: Path) -> bool:
    return rows(path, "PRAGMA integrity_check") == [("ok",)]


def copied(store: Store, to: Path) -> Path:
    """The files of an open store as a power cut would leave them: database and log, without the shared memory."""
    to.mkdir(parents=True, exist_ok=True)
    for suffix in ("", "-wal"):
        shutil.copyfile(store.path.with_name(store.path.name + suffix), to / (FILE_NAME + suffix))
    return to / FILE_NAME
