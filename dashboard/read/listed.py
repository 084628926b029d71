"""What was entered, newest first: the screen Job's list, where an entry can be taken back."""

from __future__ import annotations

from typing import Any

import msgspec

from dashboard.read.asked import Question
from dashboard.read.entered import strikes, told_strike
from dashboard.read.history import opened

MOST = 30

_NEWEST = "SELECT seq, at_ms, body FROM record WHERE kind = 'entry' ORDER BY seq DESC LIMIT ?"


def newest(question: Question) -> dict[str, Any]:
    """The last entries with what struck them out, if anything: `seq`, `kept` (epoch s), `entry`, `struck` (`seq`, `at`, `why`).

    An entry of a newer version stands here as it was kept. Raises StoreError.
    """
    with opened(question.store) as connection:
        gone = strikes(connection)
        rows = connection.execute(_NEWEST, (MOST,)).fetchall()
    told = []
    for seq, at_ms, body in rows:
        entry = _plain(body)
        if entry is not None:
            told.append({"seq": seq, "kept": at_ms / 1000, "entry": entry, "struck": told_strike(gone.get(seq))})
    return {"entered": told}


def _plain(body: str | bytes) -> dict[str, Any] | None:
    """A kept entry as data; None where the disk damaged it."""
    try:
        found = msgspec.json.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return None
    return found if isinstance(found, dict) and isinstance(found.get("entry"), str) else None
