"""The screen Morning: when the kit was last looked at, and the last good settings of each crop. Out of the record."""

from __future__ import annotations

import sqlite3
from typing import Any

import msgspec

from dashboard.asked import Question
from dashboard.history import opened
from edge import entries
from edge.reckon.crops import plain_name
from edge.reckon.inforce import InForce

_NEWEST = """SELECT at_ms, body FROM record WHERE kind = 'entry' AND json_extract(body, '$.entry') = ?
    ORDER BY seq DESC LIMIT 1"""
_SET = """SELECT at_ms, body FROM record WHERE kind = 'entry' AND json_extract(body, '$.entry') IN ('setting', 'crop')
    ORDER BY seq"""
_GOOD = "SELECT body FROM record WHERE kind = 'good set' ORDER BY seq"


def facts(question: Question) -> dict[str, Any]:
    """`last`: epoch s of the newest zero run, gauge check and used tray test (None: never); `settings` now in force as
    entered; `good`: the newest good set of each crop, the present crop's first. Raises StoreError."""
    now = InForce.from_settings(question.settings)
    with opened(question.store) as connection:
        last = {name: _at(connection, kind) for name, kind in (("zero", "idle_run"), ("gauge", "gauge"))}
        tray = connection.execute(
            "SELECT at_ms FROM record WHERE kind = 'calibration' AND json_extract(body, '$.used') ORDER BY seq DESC LIMIT 1"
        ).fetchone()
        for at_ms, body in connection.execute(_SET):
            now.learn(entries.from_plain(msgspec.json.decode(body)), at_ms / 1000)
        pages: dict[str, dict[str, Any]] = {}
        for (body,) in connection.execute(_GOOD):
            page = msgspec.json.decode(body)
            pages[plain_name(page["crop"])] = page
    mine = plain_name(now.crop) if now.crop else ""
    good = sorted(pages.values(), key=lambda page: (plain_name(page["crop"]) != mine, -page["at_s"]))
    return {
        "last": {**last, "tray": tray[0] / 1000 if tray else None},
        "crop": now.crop,
        "settings": {key: value for key, value in now.machine_settings.items() if isinstance(value, float)},
        "good": good,
    }


def _at(connection: sqlite3.Connection, kind: str) -> float | None:
    found = connection.execute(_NEWEST, (kind,)).fetchone()
    if found is None:
        return None
    at = msgspec.json.decode(found[1]).get("at")
    return float(found[0]) / 1000 if at is None else entries.epoch_s(at)
