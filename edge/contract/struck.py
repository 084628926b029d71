"""Which entries were struck out: they stay in the record, readable, and count no more."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any


def struck_out(entries: Iterable[Mapping[str, Any]]) -> dict[int, str]:
    """Numbers of the records whose entries were struck out, and why, by the bodies of a record's entries."""
    return {
        int(body["seq"]): str(body["why"])
        for body in entries
        if body.get("entry") == "strike_out" and "seq" in body and not body.get("elsewhere")
    }
