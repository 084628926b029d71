"""What was judged: the course of a change's verdict, tray tests with the factor before and after, work done since a moment."""

from __future__ import annotations

import sqlite3
from math import inf
from typing import Any

import msgspec

from dashboard.read.asked import Question
from dashboard.read.entered import Entered, entered, told_strike
from dashboard.read.history import opened
from edge.reckon.fit import goodness
from edge.reckon.fit.factor import ENOUGH, PRIOR_DOF
from edge.reckon.statistics.budget import log_interval

MOST_VERDICTS = 180
MOST_TESTS = 12
WORTH_NARROWING = 0.1
"""A further tray test that narrows the factor's interval by less than this share is not worth the stop (from memory)."""

_OF_KIND = "SELECT seq, at_ms, body FROM record WHERE kind = ? ORDER BY seq DESC LIMIT ?"
_WORKED = "SELECT count(*) FROM second WHERE t > ? AND state = 'working'"


def verdicts(question: Question) -> dict[str, Any]:
    """The verdicts on the newest judged change, oldest first: when, ratio, interval, word. Raises StoreError."""
    with opened(question.store) as connection:
        rows = [row for row in _newest(connection, "verdict", MOST_VERDICTS) if "of_job" not in row[2]]  # those are for packs
    number = rows[-1][2]["setting"] if rows else None
    keys = ("verdict", "ratio", "low", "high")
    found = [{"at": at_ms / 1000, **{key: body[key] for key in keys}} for _, at_ms, body in rows if body["setting"] == number]
    return {"setting": number, "verdicts": found, "latest": rows[-1][2] if rows else None}


def worked(question: Question) -> dict[str, Any]:
    """Seconds of steady work since `since` (epoch s). Raises WrongInput, StoreError."""
    since = question.number("since", 0.0, 32_503_680_000.0)
    with opened(question.store) as connection:
        return {"seconds": connection.execute(_WORKED, (since,)).fetchone()[0]}


def tests(question: Question) -> dict[str, Any]:
    """The latest tray tests, oldest first, each with the factor before and after it, and whether another is worth it.

    `before`, `after`: mg per pulse of each point with its 90 % interval; None: no factor. `entry_seq`: the number of the
    test's entry, `struck` what struck it out. Raises StoreError.
    """
    with opened(question.store) as connection:
        rows = _newest(connection, "calibration", MOST_TESTS + 1)
        trays = list(entered(connection, only=("tray",), newest_first=True, with_struck=True)) if rows else []
    entry_of = _entries_of(rows, trays)
    found: list[dict[str, Any]] = []
    shown: set[int] = set()
    before: dict[str, Any] | None = None
    for seq, _, body in rows:
        own = entry_of.get(seq)
        if own is not None and own.seq in shown:  # judged again, because an entry before it was struck out
            found[:] = [one for one in found if one["entry_seq"] != own.seq]
        shown |= {own.seq} if own else set()
        after = body["after"]
        same_crop = before is not None and before["crop"] == body["crop"]
        found.append(
            {
                "seq": seq,
                "number": body["number"],
                "at": body["at_s"],
                "used": body["used"],
                "why": body["why"],
                "entry": body["entry"],
                "entry_seq": own.seq if own else None,
                "struck": told_strike(own.struck) if own else None,
                "state": after["state"],
                "state_why": after["why"],
                "before": factors(before["after"]) if before is not None and same_crop else None,
                "after": factors(after),
            }
        )
        before = body
    return {"tests": found[-MOST_TESTS:], "another": another(rows[-1][2]["after"]) if rows else another(None)}


def _entries_of(rows: list[tuple[int, int, dict[str, Any]]], trays: list[Entered]) -> dict[int, Entered]:
    """The entry that each test was made of, by the test's number in the record; where an older version's record doesn't name
    it, equal entries in their order."""
    by_seq = {one.seq: one for one in trays}
    left = [(msgspec.json.decode(msgspec.json.encode(one.entry)), one) for one in trays]
    found: dict[int, Entered] = {}
    for seq, _, body in reversed(rows):
        if body.get("entry_seq") in by_seq:
            found[seq] = by_seq[body["entry_seq"]]
            continue
        at = next((i for i, (plain, one) in enumerate(left) if one.seq < seq and plain == body["entry"]), None)
        if at is not None:
            found[seq] = left.pop(at)[1]
    return found


def factors(after: dict[str, Any]) -> dict[str, dict[str, float]]:
    """Factor and 90 % interval of each loss point, mg per pulse."""
    found = {}
    for point, k in after["factor_mg_per_pulse"].items():
        low, high = log_interval(k, after["u_relative"][point], _dof(after, point))
        found[point] = {"k": k, "low": low, "high": high}
    return found


def _dof(after: dict[str, Any], point: str) -> float:
    """Degrees of freedom of a factor; a record of an earlier version doesn't name them."""
    tests_used = int(after["tests"])
    usual = tests_used - 1 if tests_used >= ENOUGH else PRIOR_DOF + tests_used - 1
    found = after.get("dof", {}).get(point, usual)
    return inf if found is None else max(float(found), 1.0)


def another(after: dict[str, Any] | None) -> dict[str, Any]:
    """Whether a further tray test is worth it: `why` is `none`, `few`, `stale`, `wide` or `enough`.

    `now_pct`, `next_pct`: how far the widest factor's interval reaches either way now, and with one more test like the others.
    """
    if after is None or not after["factor_mg_per_pulse"]:
        return {"worth": True, "why": "none", "missing": ENOUGH, "now_pct": None, "next_pct": None}
    n = int(after["tests"])
    known = [(float(u), _dof(after, point)) for point, u in after["u_relative"].items()]
    u, dof = max(known, key=lambda one: goodness.either_way_pct(*one))
    now = goodness.either_way_pct(u, dof)
    following = goodness.either_way_pct(*goodness.with_one_more(u, dof, n)) if n >= ENOUGH else None
    plain = {"missing": max(0, ENOUGH - n), "now_pct": now, "next_pct": following}
    if after["state"] == "stale":
        return {"worth": True, "why": "stale", **plain}
    if following is None:
        return {"worth": True, "why": "few", **plain}
    worth = after["state"] == "rough" or following < (1 - WORTH_NARROWING) * now
    return {"worth": worth, "why": "wide" if worth else "enough", **plain}


def _newest(connection: sqlite3.Connection, kind: str, most: int) -> list[tuple[int, int, dict[str, Any]]]:
    """The newest records of a kind, oldest first."""
    rows = connection.execute(_OF_KIND, (kind, most)).fetchall()
    return [(seq, at_ms, msgspec.json.decode(body)) for seq, at_ms, body in reversed(rows)]
