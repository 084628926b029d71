"""Jobs as entries tell them: who, where, when, open or finished, and what was cut meanwhile."""

from __future__ import annotations

import sqlite3
from typing import Any

import msgspec

from dashboard.asked import Question
from dashboard.history import opened
from dashboard.packs import can_pack
from edge import entries
from edge.errors import EntryError, WrongInput

MOST_JOBS = 60
WHO = ("client", "paddock", "machine", "operator")
_ENTRIES = (
    "SELECT seq, at_ms, body FROM record WHERE kind = 'entry' "
    "AND json_extract(body, '$.entry') IN ('job_start', 'job_finish', 'job_reopen') ORDER BY seq"
)
_CUT = (
    "SELECT coalesce(sum(area_m2), 0), coalesce(sum(state = 'working'), 0), sum(loss_kg_ha * area_m2) / "
    "nullif(sum(iif(loss_kg_ha IS NULL, NULL, area_m2)), 0) FROM second WHERE t > ? AND t <= ?"
)
_EVER = 32_503_680_000.0


def jobs(question: Question) -> dict[str, Any]:
    """The latest jobs, oldest first, and the number of the open one. Raises StoreError."""
    with opened(question.store) as connection:
        found, open_job = _read(connection)
    return {"jobs": found[-MOST_JOBS:], "open": open_job, "pack": can_pack()}


def cut(question: Question) -> dict[str, Any]:
    """Of one job: hectares cut, seconds of steady work, mean of the live loss over the area. Raises WrongInput, StoreError."""
    number = int(question.number("job", 1, 1e9))
    with opened(question.store) as connection:
        found, _ = _read(connection)
        if number > len(found):
            raise WrongInput(f"job: found {number}; allowed: 1 to {len(found)}")
        area_m2, worked_s, weighted = 0.0, 0, 0.0
        for since, until in found[number - 1]["periods"]:
            area, seconds, mean = connection.execute(_CUT, (since, _EVER if until is None else until)).fetchone()
            area_m2, worked_s, weighted = area_m2 + area, worked_s + seconds, weighted + (mean or 0.0) * area
    return {
        "job": number,
        "area_ha": area_m2 / 10_000,
        "worked_s": worked_s,
        "loss_kg_ha": weighted / area_m2 if area_m2 and weighted else None,
    }


def _read(connection: sqlite3.Connection) -> tuple[list[dict[str, Any]], int | None]:
    """Every job, and which is open. The start or the reopening of another job ends one that was not finished."""
    found: list[dict[str, Any]] = []
    now: dict[str, Any] | None = None
    for seq, at_ms, body in connection.execute(_ENTRIES):
        try:
            entry = entries.from_plain(msgspec.json.decode(body))
        except (EntryError, msgspec.DecodeError):
            continue
        at = at_ms / 1000 if entry.at is msgspec.UNSET else entries.epoch_s(entry.at)
        if now is not None and not (isinstance(entry, entries.JobReopen) and entry.job == now["n"]):
            now["periods"][-1][1] = at
        plain = entries.to_plain(entry)
        match entry:
            case entries.JobStart():
                now = {"n": len(found) + 1, "seq": seq, "periods": [[at, None]], "reopened": []}
                found.append(now)
            case entries.JobReopen() if entry.job <= len(found):
                if now is not found[entry.job - 1]:
                    now = found[entry.job - 1]
                    now["periods"].append([at, None])
                now["reopened"].append(plain["note"])
        if now is not None:
            now |= {key: plain[key] for key in (*WHO, "harvested_t", "area_ha") if key in plain}
        if isinstance(entry, entries.JobFinish):
            now = None
    return found, None if now is None else int(now["n"])
