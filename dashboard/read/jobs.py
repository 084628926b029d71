"""Jobs as the record tells them: who, where, when, open or finished, what they came to, and what was cut so far."""

from __future__ import annotations

import sqlite3
from typing import Any

import msgspec

from dashboard.read.asked import Question
from dashboard.read.history import opened
from edge.contract.errors import WrongInput
from edge.keep.jobs import Job, jobs_bare
from edge.reckon.tables.units import M2_PER_HA

MOST_JOBS = 60
NAMES = ("client", "paddock", "machine", "operator", "harvested_t", "area_ha")
_FIGURES = "SELECT body FROM record WHERE kind = 'job figures' ORDER BY seq DESC LIMIT ?"
_CUT = (
    "SELECT coalesce(sum(area_m2), 0), coalesce(sum(state = 'working'), 0), "
    "sum(loss_kg_ha * area_m2), sum(iif(loss_kg_ha IS NULL, 0, area_m2)) FROM second WHERE t > ? AND t <= ?"
)
_HASH = "SELECT hash FROM record WHERE seq = ?"
_EVER = 32_503_680_000.0


def jobs(question: Question) -> dict[str, Any]:
    """The latest jobs, oldest first, and the number of the open one. Raises StoreError.

    `figures`: what a finished job came to (area, loss with its interval), null while it is open; `proofs`: the proof lines
    at its starts and finishes (number of the record, running hash), for others to copy.
    """
    with opened(question.store) as connection:
        found = jobs_bare(connection)
        figures = _figures(connection)
        told = [
            _plain(one) | {"figures": figures.get(one.number), "proofs": _proofs(connection, one)} for one in found[-MOST_JOBS:]
        ]
    return {
        "jobs": told,
        "open": next((one.number for one in found if one.is_open), None),
    }


def cut(question: Question) -> dict[str, Any]:
    """Of one job: hectares cut, seconds of steady work, mean of the live loss over the area. Raises WrongInput, StoreError."""
    number = int(question.number("job", 1, 1e9))
    with opened(question.store) as connection:
        found = jobs_bare(connection)
        if number > len(found):
            raise WrongInput(f"job: found {number}; allowed: 1 to {len(found)}")
        sums = [0.0, 0.0, 0.0, 0.0]
        for since, until in _plain(found[number - 1])["periods"]:
            row = connection.execute(_CUT, (since, _EVER if until is None else until)).fetchone()
            sums = [total + (value or 0.0) for total, value in zip(sums, row, strict=True)]
    area_m2, worked_s, lost, known_m2 = sums
    loss = lost / known_m2 if known_m2 else None
    return {"job": number, "area_ha": area_m2 / M2_PER_HA, "worked_s": int(worked_s), "loss_kg_ha": loss}


def _plain(one: Job) -> dict[str, Any]:
    names = {name: value for name in NAMES if (value := getattr(one, name)) is not None}
    periods = [[part.from_ms / 1000, None if part.to_ms is None else part.to_ms / 1000] for part in one.periods]
    return {"n": one.number, **names, "periods": periods, "reopened": one.reopened}


def _proofs(connection: sqlite3.Connection, one: Job) -> list[dict[str, Any]]:
    """Empty for a record that an older version kept without a chain."""
    if not any(row[1] == "hash" for row in connection.execute("PRAGMA table_info(record)")):
        return []
    found = []
    for part in one.periods:
        for end, seq, at_ms in (("start", part.from_seq, part.from_ms), ("finish", part.to_seq, part.to_ms)):
            row = None if seq is None else connection.execute(_HASH, (seq,)).fetchone()
            if row is not None and row[0] and at_ms is not None:
                found.append({"end": end, "at": at_ms / 1000, "seq": seq, "hash": row[0]})
    return found


def _figures(connection: sqlite3.Connection) -> dict[int, dict[str, Any]]:
    """The newest figures of each job."""
    found: dict[int, dict[str, Any]] = {}
    for (body,) in connection.execute(_FIGURES, (2 * MOST_JOBS,)):
        plain = msgspec.json.decode(body)
        found.setdefault(int(plain["job"]), {"area_ha": plain["area_ha"], "loss": plain["loss"]})
    return found
