"""The jobs in a database, read from its records: whose, where, when, which seconds, and what they came to. Reads only.

A job's records are those between its `job_start` (or `job_reopen`) and what ends it: `job_finish`, or the start or reopening
of another job. Minutes are closed at these, so each belongs to one job. Time without work is in a job's seconds by state.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import msgspec

from edge.contract import entries
from edge.contract.errors import WrongInput
from edge.keep import minutes, strikes
from edge.reckon.sensors.workstate import STATES
from edge.reckon.tables.units import M2_PER_HA

_NAMES = ("client", "paddock", "machine", "operator")
_ENTRIES_SQL = f"""SELECT seq, run, at_ms, body FROM record WHERE kind = 'entry'
    AND json_extract(body, '$.entry') IN ({", ".join(f"'{name}'" for name in entries.OF_JOBS)}) ORDER BY seq"""
_BINDING_SQL = f"""SELECT run, body FROM record WHERE kind IN ({", ".join(f"'{kind}'" for kind in minutes.BINDING)})
    AND seq > ? AND seq < ? ORDER BY seq"""
_ABOUT_SQL = "SELECT seq, json_extract(body, '$.job') FROM record WHERE kind IN ('job figures', 'job correction') ORDER BY seq"
_NEVER = 2**62


class Period(NamedTuple):
    """Records of a job in one go, first and last inclusive; `to_seq`, `to_ms` None: still open.

    The last is its `job_finish`, or what lies before the start or reopening of another job that ended it.
    """

    from_seq: int
    from_ms: int
    to_seq: int | None
    to_ms: int | None

    @property
    def last_seq(self) -> int:
        """The last record in it, or a number beyond all."""
        return _NEVER if self.to_seq is None else self.to_seq


class Stretch(NamedTuple):
    """Seconds of one run that belong to a job: numbers, first and last inclusive."""

    run: int
    first: int
    last: int


@dataclass(slots=True)
class Job:
    """One job. `number` counts `job_start` entries from 1; names are as entered last, None when they never were.

    `reopened`: reasons. `harvested_t`, `area_ha`: from the weighbridge, the newest given. `about_seqs`: records about it
    that lie outside its periods: late tickets, its figures and corrections.
    """

    number: int
    client: str | None = None
    paddock: str | None = None
    machine: str | None = None
    operator: str | None = None
    harvested_t: float | None = None
    area_ha: float | None = None
    periods: list[Period] = field(default_factory=list)
    stretches: list[Stretch] = field(default_factory=list)
    reopened: list[str] = field(default_factory=list)
    about_seqs: list[int] = field(default_factory=list)

    @property
    def is_open(self) -> bool:
        """Whether it goes on."""
        return bool(self.periods) and self.periods[-1].to_seq is None

    @property
    def started_ms(self) -> int:
        """When it was first started, epoch ms."""
        return self.periods[0].from_ms

    @property
    def ended_ms(self) -> int | None:
        """When it was last finished, epoch ms; None while it is open."""
        return self.periods[-1].to_ms

    def holds(self, seq: int) -> bool:
        """Whether a record lies in it, its start, its finish and what its finish brought included."""
        return seq in self.about_seqs or any(one.from_seq <= seq <= one.last_seq for one in self.periods)


def jobs(db: sqlite3.Connection) -> list[Job]:
    """All jobs in the order in which they were started, with their periods and seconds."""
    found = jobs_bare(db)
    for one in found:
        one.stretches = _stretches(db, one)
    return found


def jobs_bare(db: sqlite3.Connection) -> list[Job]:
    """All jobs, without looking for their seconds."""
    found: list[Job] = []
    current: Job | None = None
    last: Job | None = None
    struck = strikes.struck(db)
    for seq, _, at_ms, body in db.execute(_ENTRIES_SQL):
        entry = msgspec.json.decode(body)
        if seq in struck:  # taken up again by a slip: what came since belongs to no job
            continue
        kind = entry["entry"]
        late = current is None and kind == "job_finish"
        if current is not None:
            current.periods[-1] = current.periods[-1]._replace(to_seq=seq if kind == "job_finish" else seq - 1, to_ms=at_ms)
            current, last = None, current
        if kind == "job_finish" and last is not None:
            _learn(last, entry)
            if late:  # the weighbridge ticket came afterwards
                last.about_seqs.append(seq)
        if kind == "job_start":
            current = Job(len(found) + 1)
            _learn(current, entry)
            found.append(current)
        elif kind == "job_reopen" and 1 <= entry["job"] <= len(found):
            current = found[entry["job"] - 1]
            current.reopened.append(entry["note"])
        if current is not None:
            current.periods.append(Period(seq, at_ms, None, None))
    for seq, number in db.execute(_ABOUT_SQL):
        if 1 <= number <= len(found):
            found[number - 1].about_seqs.append(seq)
    return found


def job(db: sqlite3.Connection, number: int) -> Job:
    """One job by its number. Raises WrongInput when there is no such job."""
    found = jobs_bare(db)
    if not 1 <= number <= len(found):
        raise WrongInput(f"job: found {number}; allowed: " + (f"1 to {len(found)}" if found else "none, no job was started"))
    one = found[number - 1]
    one.stretches = _stretches(db, one)
    return one


def _learn(one: Job, entry: dict[str, Any]) -> None:
    for name in (*_NAMES, "harvested_t", "area_ha"):
        if entry.get(name) is not None:
            setattr(one, name, entry[name])


def _stretches(db: sqlite3.Connection, one: Job) -> list[Stretch]:
    """Which seconds: those that the minutes of its periods bind; of an open job also those after the last minute."""
    found: list[Stretch] = []
    for period in one.periods:
        for run, body in db.execute(_BINDING_SQL, (period.from_seq, period.last_seq + 1)):
            bound = msgspec.json.decode(body)
            if bound.get("seconds_to", 0) >= bound.get("seconds_from", 1):
                _append(found, Stretch(run, bound["seconds_from"], bound["seconds_to"]))
    if one.is_open:
        run = db.execute("SELECT max(run) FROM run").fetchone()[0]
        last = db.execute("SELECT max(number) FROM second WHERE run = ?", (run,)).fetchone()[0] or 0
        bound_to = minutes.bound_to(db, run)
        if last > bound_to:
            _append(found, Stretch(run, bound_to + 1, last))
    return found


def _append(found: list[Stretch], new: Stretch) -> None:
    if found and found[-1].run == new.run and found[-1].last + 1 == new.first:
        found[-1] = found[-1]._replace(last=new.last)
    else:
        found.append(new)


def records_of(db: sqlite3.Connection, number: int, kinds: tuple[str, ...]) -> Iterator[tuple[int, str, int, dict[str, Any]]]:
    """Records of these kinds within a job: seq, kind, time in epoch ms, body. Nothing for a job that does not exist."""
    marks = ", ".join("?" * len(kinds))
    sql = f"SELECT seq, kind, at_ms, body FROM record WHERE kind IN ({marks}) AND seq >= ? AND seq <= ? ORDER BY seq"
    for one in jobs_bare(db):
        if one.number == number:
            for period in one.periods:
                for seq, kind, at_ms, body in db.execute(sql, (*kinds, period.from_seq, period.last_seq)):
                    yield seq, kind, at_ms, msgspec.json.decode(body)


def minutes_of(db: sqlite3.Connection, number: int) -> list[dict[str, Any]]:
    """Bodies of a job's `minute` records."""
    return [body for _, _, _, body in records_of(db, number, ("minute",))]


def totals(db: sqlite3.Connection, one: Job) -> dict[str, Any]:
    """Seconds by state, distance, area and times, out of the kept seconds. `missing_s`: no longer in the database."""
    seconds = dict.fromkeys(STATES, 0)
    distance_m = area_m2 = 0.0
    missing = 0
    for run, first, last in one.stretches:
        sql = """SELECT state, count(*), sum(distance_m), sum(area_m2) FROM second
            WHERE run = ? AND number BETWEEN ? AND ? GROUP BY state"""
        here = 0
        for state, count, metres, m2 in db.execute(sql, (run, first, last)):
            seconds[state] = seconds.get(state, 0) + count
            distance_m, area_m2, here = distance_m + (metres or 0.0), area_m2 + (m2 or 0.0), here + count
        missing += last - first + 1 - here
    return {"seconds": seconds, "distance_m": distance_m, "area_ha": area_m2 / M2_PER_HA, "missing_s": missing}
