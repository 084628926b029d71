"""The screen Morning: when the kit was last looked at, the best settings of the crop in force, and what the present ones
give. Out of the record."""

from __future__ import annotations

import sqlite3
from typing import Any

import msgspec

from dashboard.read.asked import Question
from dashboard.read.entered import entered, strikes
from dashboard.read.history import opened
from edge.reckon.entered.inforce import InForce
from edge.reckon.tables.crops import plain_name

_GOOD = "SELECT body FROM record WHERE kind = 'good set' ORDER BY seq"
_MINUTES = "SELECT body FROM record WHERE kind = 'minute' AND at_ms >= ? ORDER BY seq DESC LIMIT ?"
_VERDICT = """SELECT body FROM record WHERE kind = 'verdict' AND json_extract(body, '$.of_job') IS NULL
    ORDER BY seq DESC LIMIT 1"""

PRESENT_MINUTES = 15
SETTLED_MS = 90_000
"""A minute that ends so long after a change was worked wholly under it: half a minute of lag and settling, and its own."""


def facts(question: Question) -> dict[str, Any]:
    """`last`: epoch s of the newest zero run, gauge check and used tray test (None: never); `settings` now in force as
    entered; `good`: the best set of the crop in force, if any; `present`: what the settings in force give. Raises
    StoreError."""
    now, since_ms = InForce.from_settings(question.settings), 0
    with opened(question.store) as connection:
        last = {name: _at(connection, kind) for name, kind in (("zero", "idle_run"), ("gauge", "gauge"))}
        tray = connection.execute(
            f"""SELECT at_ms FROM record WHERE kind = 'calibration' AND json_extract(body, '$.used')
            AND coalesce(json_extract(body, '$.entry_seq'), 0) NOT IN ({", ".join(map(str, strikes(connection)))})
            ORDER BY seq DESC LIMIT 1"""
        ).fetchone()
        for _, at_s, entry, _ in entered(connection, only=("setting", "crop")):
            was = now.crop_number, _changes(now)
            now.learn(entry, at_s)
            since_ms = since_ms if was == (now.crop_number, _changes(now)) else round(1000 * at_s)
        pages = [msgspec.json.decode(body) for (body,) in connection.execute(_GOOD)]
        present = _present(connection, now, since_ms)
    mine = plain_name(now.crop) if now.crop else ""
    good = [page for page in [page for page in pages if plain_name(page["crop"]) == mine][-1:] if not page.get("taken_back")]
    return {
        "last": {**last, "tray": tray[0] / 1000 if tray else None},
        "crop": now.crop,
        "settings": {key: value for key, value in now.machine_settings.items() if isinstance(value, float)},
        "good": good,
        "present": present,
    }


def _changes(now: InForce) -> int:
    """Changes of the machine: neither of the kit's own lag, nor what only says where a setting stands."""
    return sum(change.moves_machine for change in now.changes)


def _present(connection: sqlite3.Connection, now: InForce, since_ms: int) -> dict[str, Any]:
    """Machine loss and minutes of work under the settings and the crop in force (the newest quarter of an hour), and the
    verdict on the newest change; None is unknown."""
    bodies = [msgspec.json.decode(body) for (body,) in connection.execute(_MINUTES, (since_ms + SETTLED_MS, PRESENT_MINUTES))]
    worked = [body for body in bodies if body["loss"]["kg_ha"] is not None and body["area_ha"] > 0]
    area_ha = sum(body["area_ha"] for body in worked)
    newest = connection.execute(_VERDICT).fetchone()
    verdict = msgspec.json.decode(newest[0]) if newest else {}
    last = next((change.n for change in reversed(now.changes) if change.moves_machine), 0)
    return {
        "loss_kg_ha": sum(body["loss"]["kg_ha"] * body["area_ha"] for body in worked) / area_ha if worked else None,
        "minutes": sum(body["seconds"]["working"] for body in worked) / 60,
        "verdict": verdict["verdict"] if verdict.get("setting") == last else None,
    }


def _at(connection: sqlite3.Connection, kind: str) -> float | None:
    return next((one.at_s for one in entered(connection, only=(kind,), newest_first=True)), None)
