"""How the kit is: counts, serial line, store, disk, clock, versions, key. Facts and what they mean; words are the page's."""

from __future__ import annotations

import os
import shutil
import sqlite3
import time
from importlib.metadata import version
from pathlib import Path
from typing import Any

import msgspec

from dashboard.read.asked import Question
from dashboard.read.history import opened
from dashboard.read.plainly import plainly
from edge.contract import settings as settings_module
from edge.contract.errors import StoreError
from edge.contract.settings import Settings

MINUTES = 10
FRESH_S = 5.0
BAD_SHARE, VERY_BAD_SHARE = 0.01, 0.1
"""Damaged or foreign lines: from a hundredth on the cable wants a look (from memory)."""

CLOCK_DAY_MS = 24 * 3600 * 1000
LOW_DISK_TIMES = 2.0
KINDS = ("good", "bad_crc", "malformed", "missing", "restarts")
LOOKED_BACK = 200


def facts(question: Question) -> dict[str, Any]:
    """`facts` as they are, and `checks`: each `part`, its `state` (good, notice, caution), the `key` of its words.

    A store that can't be read is a check of its own; nothing raises.
    """
    path, now_s = question.store, time.time()
    known: dict[str, Any] = {"now_ms": round(1000 * now_s), "version": version("tailgrain"), "store": str(path)}
    known |= _disk(path, question.settings)
    try:
        with opened(path) as connection:
            known |= _read(connection, now_s)
            known["store_fault"] = None
    except StoreError as fault:
        known["store_fault"] = plainly(fault, path)
    return {"facts": known, "checks": checks(known)}


def _disk(path: Path, settings: Settings) -> dict[str, Any]:
    folder = settings_module.state_directory(settings)
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    try:
        free = shutil.disk_usage(folder).free
    except OSError:
        return {"free_mb": None, "floor_mb": settings.store.disk_floor_mb}
    size = sum(os.path.getsize(one) for one in (path, path.with_name(path.name + "-wal")) if one.exists())
    return {"free_mb": round(free / 1e6), "floor_mb": settings.store.disk_floor_mb, "store_mb": round(size / 1e6, 1)}


def _read(connection: sqlite3.Connection, now_s: float) -> dict[str, Any]:
    newest = connection.execute("SELECT t FROM second ORDER BY run DESC, number DESC LIMIT 1").fetchone()
    oldest = connection.execute("SELECT min(t) FROM second").fetchone()
    run = connection.execute("SELECT run, started_ms, version FROM run ORDER BY run DESC LIMIT 1").fetchone()
    records = connection.execute("SELECT max(seq) FROM record").fetchone()
    begun = connection.execute("SELECT body FROM record WHERE kind = 'run start' ORDER BY seq DESC LIMIT 1").fetchone()
    key = (msgspec.json.decode(begun[0]).get("key") if begun else None) or {}
    step = connection.execute(
        "SELECT at_ms, body FROM record WHERE kind = 'clock step' AND at_ms > ? ORDER BY seq DESC LIMIT 1",
        (round(1000 * now_s) - CLOCK_DAY_MS,),
    ).fetchone()
    moved = msgspec.json.decode(step[1]) if step else None
    told: dict[str, Any] = {
        "newest_age_s": round(now_s - newest[0], 1) if newest else None,
        "oldest_t": oldest[0],
        "records": records[0] or 0,
        "run": run[0] if run else None,
        "run_started_ms": run[1] if run else None,
        "run_version": run[2] if run else None,
        "fingerprint": key.get("fingerprint"),
        "clock_step_s": round((moved["to_ms"] - moved["from_ms"]) / 1000, 1) if moved else None,
        "clock_step_at_ms": step[0] if step else None,
    }
    return told | {"lines": _lines(connection, run[0] if run else 0)}


def _lines(connection: sqlite3.Connection, run: int) -> dict[str, Any]:
    """Lines by kind over the last minutes of this run, as the minutes of the record tell them; `minutes`: how much recording
    they cover, since the first and the last of a run are short."""
    sums = dict.fromkeys(KINDS, 0)
    covered_s = 0
    rows = connection.execute(
        "SELECT body FROM record WHERE kind = 'minute' AND run = ? ORDER BY seq DESC LIMIT ?", (run, MINUTES)
    ).fetchall()
    for (body,) in rows:
        minute = msgspec.json.decode(body)
        covered_s += sum(minute["seconds"].values())
        for kind in KINDS:
            sums[kind] += minute["lines"][kind]
    return {"minutes": max(1, round(covered_s / 60)) if rows else 0, **sums}


def checks(known: dict[str, Any]) -> list[dict[str, Any]]:
    """What the facts mean, part by part; `values` go into the words."""
    if known["store_fault"] is not None:
        found = [_check("store", "caution", "store_fault", why=known["store_fault"])]
    else:
        found = [_counts(known), _line(known), _store(known)]
        found.append(_clock(known))
        found.append(_versions(known))
    return [*found, _disk_check(known)]


def _check(part: str, state: str, key: str, **values: Any) -> dict[str, Any]:
    return {"part": part, "state": state, "key": key, "values": values}


def _counts(known: dict[str, Any]) -> dict[str, Any]:
    age = known["newest_age_s"]
    if age is None:
        return _check("counts", "caution", "counts_none")
    if age > FRESH_S:
        return _check("counts", "caution", "counts_old", age_s=age)
    return _check("counts", "good", "counts_good", age_s=max(0.0, age))


def _line(known: dict[str, Any]) -> dict[str, Any]:
    lines = known["lines"]
    arrived = lines["good"] + lines["bad_crc"] + lines["malformed"]
    wrong = lines["bad_crc"] + lines["malformed"] + lines["missing"]
    values = {**lines, "pct": round(100 * wrong / (arrived + lines["missing"]), 1) if arrived else None}
    if not lines["minutes"]:
        return _check("serial", "notice", "serial_unknown")
    if not lines["good"]:
        return _check("serial", "caution", "serial_none", **values)
    share = wrong / (arrived + lines["missing"])
    if lines["restarts"]:
        return _check("serial", "caution", "serial_restarts", **values)
    if share >= VERY_BAD_SHARE:
        return _check("serial", "caution", "serial_bad", **values)
    if share >= BAD_SHARE:
        return _check("serial", "notice", "serial_some", **values)
    return _check("serial", "good", "serial_good", **values)


def _store(known: dict[str, Any]) -> dict[str, Any]:
    values = {"mb": known.get("store_mb"), "records": known["records"], "since_t": known["oldest_t"], "path": known["store"]}
    return _check("store", "good", "store_good" if known["oldest_t"] is not None else "store_empty", **values)


def _clock(known: dict[str, Any]) -> dict[str, Any]:
    age = known["newest_age_s"]
    if age is not None and age < -FRESH_S:
        return _check("clock", "caution", "clock_ahead", s=round(-age))
    if known["clock_step_s"] is not None:
        return _check("clock", "notice", "clock_stepped", s=known["clock_step_s"], at_ms=known["clock_step_at_ms"])
    return _check("clock", "good", "clock_good")


def _versions(known: dict[str, Any]) -> dict[str, Any]:
    page, kit = known["version"], known["run_version"]
    if kit is None:
        return _check("version", "notice", "version_never", page=page)
    if kit != page:
        return _check("version", "caution", "version_differs", page=page, kit=kit)
    return _check("version", "good", "version_good", page=page, started_ms=known["run_started_ms"], run=known["run"])


def _disk_check(known: dict[str, Any]) -> dict[str, Any]:
    free, floor = known["free_mb"], known["floor_mb"]
    if free is None:
        return _check("disk", "caution", "disk_unknown")
    values = {"free_gb": round(free / 1000, 1), "floor_gb": round(floor / 1000, 1)}
    if free < floor:
        return _check("disk", "caution", "disk_low", **values)
    if free < LOW_DISK_TIMES * floor:
        return _check("disk", "notice", "disk_near", **values)
    return _check("disk", "good", "disk_good", **values)
