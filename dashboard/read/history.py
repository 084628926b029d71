"""What has been: the ribbon's figures and marks out of the database, read only, opened for each question."""

from __future__ import annotations

import math
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec

from dashboard.read.asked import Question
from dashboard.read.entered import read, strikes
from edge.contract import entries
from edge.contract.errors import StoreError
from edge.keep import readonly

SPANS = (10, 30, 120)
"""Minutes a ribbon can show."""

MOST_BINS = 900
LIMIT_S = 2.0
STEPS_BETWEEN_LOOKS = 10_000
MOST_MARKS = 100
OLDER_IN_A_ROW = 200
"""A record's time may step back with the clock, so the search goes on a little after the first older row."""

COLUMNS = (
    "loss_kg_ha", "loss_low", "loss_high", "limit_kg_ha",
    # Outside steady work pulses say nothing of loss.
    "iif(state = 'working', separator_per_s, NULL)", "iif(state = 'working', cleaning_per_s, NULL)",
)  # fmt: skip
_LAST = "SELECT t FROM second ORDER BY run DESC, number DESC LIMIT 1"
_SECONDS = f"SELECT t, {', '.join(COLUMNS)} FROM second WHERE t > ? AND t <= ? ORDER BY t, run, number"
_RECORDS = "SELECT seq, kind, at_ms, body FROM record WHERE kind = ? ORDER BY seq DESC"


@contextmanager
def opened(path: Path) -> Iterator[sqlite3.Connection]:
    """The database, with a time limit. Raises StoreError."""
    with readonly.opened(path) as connection:
        deadline = time.monotonic() + LIMIT_S
        connection.set_progress_handler(lambda: time.monotonic() > deadline, STEPS_BETWEEN_LOOKS)
        try:
            yield connection
        except sqlite3.Error as fault:
            raise StoreError(f"{path}: can't be read now ({fault})") from fault


def ribbon_asked(question: Question) -> dict[str, Any]:
    """`ribbon` as a page asks for it. Raises WrongInput, StoreError."""
    return ribbon(question.store, question.one_of("minutes", SPANS))


def marks_asked(question: Question) -> dict[str, Any]:
    """`marks` as a page asks for it. Raises WrongInput, StoreError."""
    return marks(question.store, question.one_of("minutes", SPANS))


def ribbon(path: Path, minutes: int) -> dict[str, Any]:
    """The last minutes of figures in equal bins: times are bin ends in epoch s, unknown is null.

    `step_s`: width of a bin; `until`: the newest second; `filled`: seconds in the newest bin. kg/ha, and pulses/s of all
    loss points together in steady work. A bin's figures are means over its seconds that have them; its upper end is null
    when one of them was unknown. Where seconds are missing for longer than a bin, one bin of nulls stands: nobody knows what
    was lost then. Raises StoreError.
    """
    step_s = math.ceil(minutes * 60 / MOST_BINS)
    with opened(path) as connection:
        last = connection.execute(_LAST).fetchone()
        rows = [] if last is None else connection.execute(_SECONDS, (last[0] - minutes * 60, last[0])).fetchall()
    # A stepped clock may give one time twice: the later row of the record stands.
    seconds = {int(row[0]): row[1:] for row in rows}
    bins: dict[int, list[tuple[float | None, ...]]] = {}
    last_end = 0
    for t, figures in seconds.items():
        end = -(-t // step_s) * step_s
        if bins and end - last_end > step_s:
            bins[last_end + step_s] = []
        bins.setdefault(end, []).append(figures)
        last_end = end
    answer: dict[str, Any] = {
        "minutes": minutes,
        "step_s": step_s,
        "until": last[0] if last else None,
        "filled": len(bins[max(bins)]) if bins else 0,
        "t": list(bins),
    }
    names = ("kg_ha", "low", "high", "limit_kg_ha", "pulses_per_s")
    columns: dict[str, list[float | None]] = {name: [] for name in names}
    for inside in bins.values():
        for name, value in zip(names, _bin(inside), strict=True):
            columns[name].append(value)
    return answer | columns


def _bin(inside: list[tuple[float | None, ...]]) -> tuple[float | None, ...]:
    known = [row for row in inside if row[0] is not None]
    open_ended = any(row[2] is None for row in known)
    pulses = [sum(rates) for row in inside if (rates := [rate for rate in row[4:6] if rate is not None])]
    return (
        _mean([row[0] for row in known]),
        _mean([row[1] for row in known]),
        None if open_ended else _mean([row[2] for row in known]),
        _mean([row[3] for row in inside]),
        _mean(pulses),
    )


def _mean(values: list[Any]) -> float | None:
    given = [value for value in values if value is not None]
    return round(sum(given) / len(given), 3) if given else None


def marks(path: Path, minutes: int) -> dict[str, Any]:
    """What happened in the ribbon's minutes, oldest first.

    Each mark: `kind` `setting`, `tray` or `alert`, `at` (epoch s) and its words' parts. Raises StoreError.
    """
    found: list[dict[str, Any]] = []
    with opened(path) as connection:
        last = connection.execute(_LAST).fetchone()
        since_ms = 0 if last is None else (last[0] - minutes * 60) * 1000
        gone = strikes(connection)
        tests: set[int | None] = set()
        for seq, _, at_ms, body in _newer(connection, "entry", since_ms):
            one = None if seq in gone else read(seq, at_ms, body)
            if one is not None and isinstance(one.entry, entries.SettingEntry):
                found.append({"kind": "setting", "seq": seq, "at": one.at_s, **_setting(one.entry)})
        for seq, _, _, body in _newer(connection, "calibration", since_ms):
            test = msgspec.json.decode(body)
            own = test.get("entry_seq")
            if own is not None and (own in gone or own in tests):  # struck out, or judged again since
                continue
            tests.add(own)
            plain = {"number": test["number"], "used": test["used"], "why": test["why"]}
            found.append({"kind": "tray", "seq": seq, "at": test["at_s"], **plain})
        for seq, _, at_ms, body in _newer(connection, "alert", since_ms):
            alert = msgspec.json.decode(body)
            if alert["state"] == "raised":
                plain = {"severity": alert["severity"], "text": alert["text"]}
                found.append({"kind": "alert", "seq": seq, "at": at_ms / 1000, **plain})
    newest = sorted(found, key=lambda mark: mark["at"])[-MOST_MARKS:]
    return {"marks": newest}


def _newer(connection: sqlite3.Connection, kind: str, since_ms: int) -> Iterator[tuple[int, str, int, str]]:
    older = 0
    for row in connection.execute(_RECORDS, (kind,)):
        if row[2] > since_ms:
            older = 0
            yield row
        else:
            older += 1
            if older > OLDER_IN_A_ROW:
                return


def _setting(entry: entries.SettingEntry) -> dict[str, Any]:
    return {"what": entries.given(entry.name, entry.what), "from": entries.given(entry.from_), "to": entry.to}
