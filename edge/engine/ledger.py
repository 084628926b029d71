"""Every record that what is in force follows from, in order: what is gone through again when an entry is struck out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Literal, NamedTuple

from msgspec.structs import replace

from edge.contract.allowed import InWords
from edge.contract.entries import NEVER_STRUCK, Entry, StrikeOutEntry, given
from edge.contract.refusal import value_found
from edge.contract.struck import struck_out

Numbering = Literal["live", "capture", "capture into a store"]
"""What a strike-out may name: records of the kit, or the entries of a capture by their place. What a capture struck out of
another record can't be found: it is refused, or where records are kept, kept as what it is."""

BY_NUMBER = InWords(("the number of an entry's record",))


REPEATED = ("entry", "tray window", "calibration", "learned")
"""Kinds of records from which what is in force follows; the others are advice, and what it goes by."""


TELLING_NOTHING = ("note", "shelve")
"""Kinds of entries from which nothing follows."""


class Taint:
    """Whether what is found at a place in the record rests on an entry that was struck out later."""

    def __init__(self, struck: frozenset[int]) -> None:
        self._struck, self._on = struck, set[int]()

    def __bool__(self) -> bool:
        return bool(self._on)

    def passes(self, kind: str, body: dict[str, Any], seq: int) -> None:
        """The next record in order."""
        if kind != "entry":
            return
        if seq in self._struck and body.get("entry") not in TELLING_NOTHING:
            self._on.add(seq)
        self._on -= struck_out([body]).keys()


class LedgerRecord(NamedTuple):
    """One record. `seq`: its number, 0 where nobody refers to it; `happened`: how much of this run advice had seen by then."""

    seq: int
    kind: str
    at_ms: int
    body: dict[str, Any]
    happened: int = 0


class RecordLedger:
    """The records of earlier runs and of this one. `struck`: numbers of the entries that were struck out."""

    def __init__(self, numbering: Numbering, struck: frozenset[int]) -> None:
        self.struck = struck
        self._numbering = numbering
        self._records: list[LedgerRecord] = []
        self._places: dict[int, int] = {}

    def __iter__(self) -> Iterator[LedgerRecord]:
        return iter(self._records)

    def add(self, kind: str, at_ms: int, body: dict[str, Any], seq: int = 0, happened: int = 0) -> None:
        """Take in a record."""
        self._records.append(LedgerRecord(seq, kind, at_ms, body, happened))

    def add_entry(self, at_ms: int, body: dict[str, Any], seq: int, happened: int) -> None:
        """Take in an entry of this run: it has a place among its entries."""
        self._places[seq] = len(self._places) + 1
        self.add("entry", at_ms, body, seq, happened)
        self.struck |= frozenset(struck_out([body]))

    def _was_struck_since(self, seq: int) -> bool:
        """Whether anything was struck out after a record: taking the record back would take that out of the job's sight."""
        at = next(at for at, one in enumerate(self._records) if one.kind == "entry" and one.seq == seq)
        return any(struck_out([one.body]) for one in self._records[at:] if one.kind == "entry")

    def tells_nothing(self, seq: int) -> bool:
        """Whether nothing follows from an entry: a remark, an alert put aside."""
        return any(one.seq == seq and one.body.get("entry") in TELLING_NOTHING for one in self._records if one.kind == "entry")

    def is_before_opening(self, seq: int) -> bool:
        """Whether a record came before the last opening of a job."""
        opened = [at for at, one in enumerate(self._records) if one.body.get("entry") in ("job_start", "job_reopen")]
        at = next((at for at, one in enumerate(self._records) if one.kind == "entry" and one.seq == seq), 0)
        return bool(opened) and at < opened[-1]

    def in_a_recording(self, body: dict[str, Any]) -> dict[str, Any]:
        """An entry as a recording of this run has it: a strike-out names what stands in the recording by its place."""
        if body["entry"] != "strike_out" or body.get("elsewhere") or body["seq"] not in self._places:
            return body
        return {**{key: one for key, one in body.items() if key != "seq"}, "n": self._places[body["seq"]]}

    def admit(self, entry: StrikeOutEntry) -> StrikeOutEntry:
        """A strike-out that names a record which can be struck out. Raises EntryError."""
        seq = self._named(entry)
        if seq is None:
            return replace(entry, elsewhere=True)
        key, found = ("seq", seq) if given(entry.n) is None else ("n", entry.n)
        body = next((one.body for one in self._records if one.kind == "entry" and one.seq == seq), None)
        if body is None:
            raise entry.refused((key,), value_found(found), BY_NUMBER)
        if body["entry"] in NEVER_STRUCK:
            allowed = InWords(("any entry but " + ", ".join(NEVER_STRUCK),))
            raise entry.refused((key,), (f"{found} is a {body['entry']}",), allowed)
        if seq in self.struck:
            raise entry.refused((key,), (f"{found} was struck out already",), BY_NUMBER)
        if body["entry"] == "job_reopen" and self._was_struck_since(seq):
            words = f"{found} took a job up again in which entries were struck out since"
            raise entry.refused((key,), (words,), InWords(("any entry but that",)))
        job, after, now = self._jobs_of(seq)
        if job not in (0, now):
            raise entry.refused((key,), (f"{found} belongs to job {job}, which is finished",), InWords(("job_reopen first",)))
        if not job and after not in (0, now):
            words = f"job {after}, which is finished, began with what {found} says"
            raise entry.refused((key,), (words,), InWords(("job_reopen first",)))
        return StrikeOutEntry(why=entry.why, seq=seq, at=entry.at, by=entry.by, note=entry.note)

    def strikes_reopening(self, entry: Entry) -> bool:
        """Whether an admitted entry takes back that a job was taken up again."""
        seq = given(entry.seq) if isinstance(entry, StrikeOutEntry) and not entry.elsewhere else None
        return any(one.seq == seq and one.body.get("entry") == "job_reopen" for one in self._records if one.kind == "entry")

    def _named(self, entry: StrikeOutEntry) -> int | None:
        """The number of the record that is meant; None: it stands in another record."""
        n, seq = given(entry.n), given(entry.seq)
        if self._numbering == "live":
            if n is not None:
                raise entry.refused(("n",), value_found(n), InWords(("only in a capture; give seq, the number of the record",)))
            return int(seq)
        if n is not None:
            found = next((one for one, place in self._places.items() if place == n), None)
            if found is None:
                places = f"1 to {len(self._places)}" if self._places else "none yet"
                raise entry.refused(("n",), value_found(n), InWords((places,)))
            return found
        if self._numbering == "capture":
            raise entry.refused(("seq",), value_found(seq), InWords(("n, the place of an entry in this capture",)))
        return None

    def _jobs_of(self, seq: int) -> tuple[int, int, int]:
        """The job in which a record was made, the newest that was started after it, and the job that is open now; 0: none."""
        jobs = job = found = after = 0
        passed = False
        for one in self._records:
            if one.kind != "entry" or one.seq in self.struck:
                continue
            if one.body["entry"] == "job_start":
                jobs += 1
                job, after = jobs, jobs if passed else 0
            elif one.body["entry"] == "job_finish":
                job = 0
            elif one.body["entry"] == "job_reopen":
                job = int(one.body["job"])
            if one.seq == seq:
                found, passed = job, True
        return found, after, job
