"""Each input's life sign: what it counted in the last seconds, in its own terms, out of the database."""

from __future__ import annotations

import time
from typing import Any

import msgspec

from dashboard.read.asked import Question
from dashboard.read.history import opened
from edge.contract.inputs import WiredInput
from edge.reckon.sensors.inputs import INPUTS

RECENT_S = 12
"""Closed seconds told at once: a page that asks each second and misses a few loses none."""

MEAN_S = 5

_ROWS = f"""SELECT run, number, t, state, ms, parts FROM second JOIN counts USING (run, number)
    ORDER BY run DESC, number DESC LIMIT {RECENT_S}"""


def recent(question: Question) -> dict[str, Any]:
    """Counts of the last closed seconds, oldest first, with what each input and level says.

    `seconds`: `key` (never used twice), `t` (epoch s), `state`, `ms` of exposure, `counts` by place. `inputs`: their
    settings, the `name` in words, `value` in `unit` over the last 5 s (None: unknown; shown with so many `digits`), `pulses`
    in all seconds told. `age_s` of the newest second by this board's clock. Raises StoreError.
    """
    with opened(question.store) as connection:
        rows = connection.execute(_ROWS).fetchall()[::-1]
    seconds, levels = [], None
    for run, number, t, state, ms, text in rows:
        parts = msgspec.json.decode(text)
        counts = [sum(each) for each in zip(*(part[3] for part in parts), strict=True)] if parts else []
        seconds.append({"key": f"{run}-{number}", "t": t, "state": state, "ms": ms, "counts": counts})
        levels = parts[-1][0] if parts else None
    return {
        "age_s": round(time.time() - rows[-1][2], 1) if rows else None,
        "seconds": seconds,
        "inputs": [_input(one, seconds) for one in sorted(question.settings.input, key=lambda one: one.at)],
        "levels": [
            {"means": one.means, "on": None if levels is None else bool(levels >> one.bit & 1) != one.inverted}
            for one in question.settings.level
        ],
    }


def _input(one: WiredInput, seconds: list[dict[str, Any]]) -> dict[str, Any]:
    sent = [second for second in seconds if one.at < len(second["counts"])]
    kind = INPUTS[one.reads]
    told = {**msgspec.to_builtins(one), "pulses": sum(second["counts"][one.at] for second in sent)}
    told |= {"name": kind.name(one), "unit": kind.unit, "digits": kind.digits, "rests_up_to": kind.rests_up_to}
    last = [second for second in sent if second["t"] > seconds[-1]["t"] - MEAN_S]
    ms = sum(second["ms"] for second in last)
    count = sum(second["counts"][one.at] for second in last)
    if any(second["counts"] for second in seconds) and not sent:
        return {**told, "life": "missing", "value": None}
    if not ms:
        return {**told, "life": "no counts", "value": None}
    return {**told, "life": "counts" if count else "quiet", "value": round(kind.value(one, count, ms / 1000), 3)}
