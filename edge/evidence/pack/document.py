"""What a pack holds of one machine's job: records, runs with their settings, seconds as columns. Plain data, no database.

`Document` is what stands compressed in the file. A record is a row: [seq, run, at_ms, kind, body, salt, hash], or withheld
[seq, digest, hash]. Columns of seconds have one value a second, null where unknown; `parts` is each second's counts as
the database keeps them.
"""

from __future__ import annotations

from typing import Any, Literal

import msgspec
from msgspec import Struct

from edge.contract.errors import AnswerBad
from edge.keep.chain import Record, Withheld
from edge.keep.places import POSITIONS as POSITIONS
from edge.keep.places import Position as Position
from edge.keep.places import coarse as coarse
from edge.keep.places import told_in

FORMAT = "tailgrain evidence pack 1"

MOST_RECORDS, MOST_RUNS = 100_000, 1_000
"""A day of work brings some 2,000 records."""

PLACE_KEYS = frozenset({"lat", "lon", "latitude", "longitude", "position", "coordinates"})


class Run(Struct, forbid_unknown_fields=True):
    """One run of the kit: where its counts came from, the version that recorded it, its settings."""

    run: int
    source: str
    version: str
    settings: dict[str, Any]


class Seconds(Struct, forbid_unknown_fields=True):
    """Seconds of one run: `columns` by name, and `parts`."""

    run: int
    columns: dict[str, list[Any]]
    parts: list[str]


class Document(Struct, forbid_unknown_fields=True, kw_only=True):
    """One machine's job. `previous`: the running hash before the first record; `utc_offset_min`: the zone its
    times are printed in."""

    format: Literal["tailgrain evidence pack 1"] = FORMAT  # type: ignore[assignment]
    program: str
    made_ms: int
    kit: str
    position: Position
    public_key: str
    job: int
    previous: str
    records: list[list[Any]]
    runs: list[Run]
    seconds: list[Seconds]
    utc_offset_min: int = 0


def chained(document: Document) -> list[Record | Withheld]:
    """The records in order. Raises AnswerBad for a row that is none, and for more of them than any job brings."""
    if len(document.records) > MOST_RECORDS or len(document.runs) > MOST_RUNS:
        counts = f"{len(document.records)} records of {len(document.runs)} runs"
        raise AnswerBad(f"{counts} in one pack; allowed: {MOST_RECORDS} of {MOST_RUNS}")
    found: list[Record | Withheld] = []
    for at, row in enumerate(document.records):
        match row:
            case [int(), int(), int(), str(), str(), str(), str()]:
                found.append(Record(*row))
            case [int(), str(), str()]:
                found.append(Withheld(*row))
            case _:
                raise AnswerBad(f"record row {at + 1} of the pack is no record")
    return found


def body_of(record: Record) -> dict[str, Any]:
    """A record's body as data. Raises AnswerBad."""
    try:
        body = msgspec.json.decode(record.body)
    except (msgspec.DecodeError, RecursionError) as fault:
        raise AnswerBad(f"record {record.seq}: its body is no JSON ({fault})") from fault
    if not isinstance(body, dict):
        raise AnswerBad(f"record {record.seq}: its body is no object")
    return body


def tells_place(plain: Any) -> bool:
    """Whether something kept (a record's body) tells a place: a key for one, or text that looks like coordinates."""
    if isinstance(plain, dict):
        return any(key in PLACE_KEYS or tells_place(value) for key, value in plain.items())
    if isinstance(plain, list):
        return any(tells_place(one) for one in plain)
    return isinstance(plain, str) and told_in(plain)
