"""What the next run takes up from the database besides its records: the seconds that verdicts still need, the day's work, the
alerts as they stood. Reads only, and only so much that a start stays quick."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import msgspec

from edge.contract.errors import StoreError
from edge.contract.settings import Settings
from edge.engine.engine import Earlier
from edge.judge.watch import LOOKED_AT_S
from edge.keep import readonly
from edge.playback.blocks import BEFORE_S, Database

MOST_S = LOOKED_AT_S + BEFORE_S
"""Seconds of earlier runs that are read at most: a quarter of a second's work."""

WORK_S = 4 * 3600
ALERTS_S = 7 * 86_400
"""An alert that changed last so long ago is history."""


def earlier(path: Path, settings: Settings, verdicts_since_s: int) -> tuple[Earlier, list[dict[str, Any]]]:
    """What earlier runs left, and their verdicts of the last `verdicts_since_s` seconds, oldest first.

    Raises StoreError when the database can't be read.
    """
    try:
        with readonly.opened(path) as connection:
            newest = connection.execute("SELECT max(t) FROM second").fetchone()[0] or 0
            database = Database(connection, settings, for_next_run=True)
            course = database.watch(max(_low(database, newest), newest - MOST_S), newest).course
            found = Earlier(newest, course, *_work(connection, newest), _alerts(connection, newest))
            sql = "SELECT body FROM record WHERE kind = 'verdict' AND at_ms > ? ORDER BY seq"
            bodies = connection.execute(sql, (1000 * (newest - verdicts_since_s),)).fetchall()
            return found, [msgspec.json.decode(body) for (body,) in bodies]
    except sqlite3.Error as fault:
        raise StoreError(f"{path}: earlier seconds can't be read ({fault})") from fault


def _low(database: Database, newest: int) -> int:
    """From where seconds are needed: before the open change and those that pool with it, else before the next one."""
    since = database.open_since()
    if since is None or newest - since[1] > LOOKED_AT_S:
        return newest - BEFORE_S
    return int(min(since[0], newest)) - BEFORE_S


def _work(connection: sqlite3.Connection, newest: int) -> tuple[int | None, int]:
    """The last second of work, and the seconds of work in the hours up to it."""
    sql = "SELECT max(t), count(*) FROM second WHERE state = 'working' AND t > ?"
    last, seconds = connection.execute(sql, (newest - WORK_S,)).fetchone()
    return last, seconds


def _alerts(connection: sqlite3.Connection, newest: int) -> list[dict[str, Any]]:
    """The newest record of each alert."""
    sql = "SELECT body FROM record WHERE kind = 'alert' AND at_ms > ? ORDER BY seq"
    bodies = [msgspec.json.decode(body) for (body,) in connection.execute(sql, (1000 * (newest - ALERTS_S),))]
    return list({(body["rule"], body["object"]): body for body in bodies}.values())
