"""Entries of a database that were struck out. Reads only."""

from __future__ import annotations

import sqlite3

from edge.contract.struck import struck_out

_SQL = """SELECT json_extract(body, '$.seq'), json_extract(body, '$.why') FROM record WHERE kind = 'entry' AND json_valid(body)
    AND json_extract(body, '$.entry') = 'strike_out' AND json_extract(body, '$.elsewhere') IS NULL"""


def struck(db: sqlite3.Connection) -> dict[int, str]:
    """Numbers of the records whose entries were struck out, and why."""
    return struck_out({"entry": "strike_out", "seq": seq, "why": why} for seq, why in db.execute(_SQL) if seq is not None)
