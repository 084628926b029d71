"""The chain under the record: each record's digest, and the running hash over all digests. Pure.

    digest(n) = SHA-256 of the RFC 8785 canonical JSON of {"at_ms", "body", "kind", "run", "salt", "seq"}
    hash(n)   = SHA-256(hash(n - 1) || digest(n)), hash(0) = 32 zero bytes

Two levels, so that a record can be withheld: its digest stands in for it, and its salt keeps it from being guessed.
A proof line is the number and hash of one record; it covers that record and every one before it. Once a copy of it has
left the kit, none of them can be changed, dropped or put in without the copy telling. It can't tell invented data from
true data: who owns the kit can write an invented record from the start.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from hashlib import sha256
from typing import Any, NamedTuple

import msgspec
import rfc8785

FIRST = bytes(32)
"""What stands before the first record."""

SALT_BYTES = 16


class Record(NamedTuple):
    """One record as it is kept. `body`: canonical JSON text; `hash`: hex as kept, empty: not known, so not compared."""

    seq: int
    run: int
    at_ms: int
    kind: str
    body: str
    salt: str
    hash: str = ""


class Withheld(NamedTuple):
    """A record that is not shown: its number and digest (hex). `hash` as in `Record`."""

    seq: int
    digest: str
    hash: str = ""


class Proof(NamedTuple):
    """A proof line: number and hash (hex) of one record."""

    seq: int
    hash: str

    def to_plain(self) -> dict[str, Any]:
        """As it stands in messages: `{"seq": 7, "hash": "..."}`."""
        return {"seq": self.seq, "hash": self.hash}


class Broken(NamedTuple):
    """The first record at which the chain does not hold, and what differs, in words."""

    seq: int
    what: str


def canonical(body: dict[str, Any]) -> str:
    """Canonical JSON (RFC 8785) of a record's body; tuples become lists, infinite degrees of freedom null.

    Raises ValueError for what JSON can't carry, such as a whole number beyond 2^53.
    """
    return rfc8785.dumps(msgspec.json.decode(msgspec.json.encode(body))).decode()


def new_salt() -> str:
    """Random hex that makes a record's digest impossible to guess from its content."""
    return secrets.token_hex(SALT_BYTES)


def digest(record: Record) -> bytes:
    """The 32 bytes that stand for one record. Its body is canonical already, so it is put in as it is."""
    kind, salt = rfc8785.dumps(record.kind).decode(), rfc8785.dumps(record.salt).decode()
    text = (
        f'{{"at_ms":{record.at_ms},"body":{record.body},"kind":{kind},"run":{record.run},"salt":{salt},"seq":{record.seq}}}'
    )
    return sha256(text.encode()).digest()


def link(previous: bytes, of_record: bytes) -> bytes:
    """The running hash after a record, from the hash before it and the record's digest."""
    return sha256(previous + of_record).digest()


def check(
    records: Iterable[Record | Withheld], previous: bytes = FIRST, first: int = 1, proofs: Iterable[Proof] = ()
) -> Broken | None:
    """Follow the chain through records in order; None when all of it holds.

    `previous`: the hash before the record `first`. `proofs`: proof lines held elsewhere; each must be met on the way.
    Without them a chain that was cut short, or written anew from some record on, can't be told from a whole one.
    """
    held: dict[int, str] = {}
    for proof in proofs:
        known = held.setdefault(proof.seq, proof.hash.lower())
        if known != proof.hash.lower():
            return Broken(proof.seq, "two proof lines of this number differ")
    expected = first
    for one in records:
        if one.seq != expected:
            return Broken(min(one.seq, expected), _misplaced(one.seq, expected))
        try:
            of_record = digest(one) if isinstance(one, Record) else bytes.fromhex(one.digest)
        except ValueError:
            return Broken(one.seq, "its digest is no hexadecimal number")
        previous = link(previous, of_record)
        if one.hash and one.hash != previous.hex():
            name = f"the {one.kind} record" if isinstance(one, Record) else "the withheld record"
            return Broken(one.seq, f"{name} and what comes before it give another hash than is kept with it")
        if held.pop(one.seq, previous.hex()) != previous.hex():
            return Broken(one.seq, "the proof line held for it has another hash: it, or one before it, was changed")
        expected += 1
    if held:
        seq = min(held)
        return Broken(seq, f"a proof line is held for it, but the records run from {first} to {expected - 1}")
    return None


def _misplaced(found: int, expected: int) -> str:
    if found > expected:
        return f"record {found} stands where {expected} should: {expected} is missing or out of order"
    return f"record {found} stands where {expected} should: it is there twice or out of order"


def last_hash(records: Iterable[Record | Withheld], previous: bytes = FIRST) -> bytes:
    """The running hash after these records, taken as they are."""
    for one in records:
        previous = link(previous, digest(one) if isinstance(one, Record) else bytes.fromhex(one.digest))
    return previous
