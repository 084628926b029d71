"""Entries of a database that were struck out. Reads only."""

from __future__ import annotations

import sqlite3
from collections.abc import Container, Sequence
from typing import Any

from edge.contract.struck import struck_out

Row = tuple[int, int, dict[str, Any]]
"""Number, time in epoch ms and body of a record."""

_SQL = """SELECT json_extract(body, '$.seq'), json_extract(body, '$.why') FROM record WHERE kind = 'entry' AND json_valid(body)
    AND json_extract(body, '$.entry') = 'strike_out' AND json_extract(body, '$.elsewhere') IS NULL"""


def counting(rows: Sequence[Row], struck: Container[int]) -> list[Row]:
    """Judged tray tests (`calibration` records, any order kept) that count: those of struck entries left out, and of a test that
    was judged again after a strike-out only the newest."""
    newest = {int(body.get("entry_seq") or -seq): seq for seq, _, body in sorted(rows, key=lambda row: row[0])}
    return [row for row in rows if int(row[2].get("entry_seq") or 0) not in struck and row[0] in newest.values()]


def struck(db: sqlite3.Connection) -> dict[int, str]:
    """Numbers of the records whose entries were struck out, and why."""
    return struck_out({"entry": "strike_out", "seq": seq, "why": why} for seq, why in db.execute(_SQL) if seq is not None)
