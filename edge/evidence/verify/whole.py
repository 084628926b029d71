"""Whether a pack shows all of its job that it must, and whether what stands around the records is theirs. Pure.

A withheld record keeps the chain whole, so the chain alone can't say that a tray test or a verdict was left out. But minutes,
a job's opening and its figures say how many records of each kind came before them (`minutes.tally`): what is not shown is
missed by its kind.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import msgspec

from edge.contract import entries
from edge.evidence.pack.document import Document, body_of, coarse
from edge.evidence.recount.facts import FIGURES
from edge.evidence.recount.material import OPENING
from edge.keep import minutes
from edge.keep.chain import Record, Withheld, canonical
from edge.keep.runs import settings_sha256

NEVER_SHOWN = ("advice", "good set")
"""They rest on all the kit has seen, other jobs too."""

RESTS_ON_MORE = ("verdict",)
"""Shown unless they rest on work before the job."""

OF_NEXT = ("entry job_start", "entry job_reopen")
"""What ended a job by beginning another stands before its figures."""

OF_MINUTE = ("seconds", "sums", "distance_m", "area_ha", "work_sha256", "counts_sha256", "seconds_fixed", "lines")
"""What every minute says, and the check goes by."""

SALT_DIGITS = 32
Rows = list[Record | Withheld]
Bodies = dict[int, dict[str, Any]]


@dataclass(slots=True)
class Whole:
    """`fault` at `record`: what is missing or false; `notes`: what was left out by right, in words."""

    fault: str | None = None
    record: int | None = None
    notes: list[str] = field(default_factory=list)
    told: bool = False


def check(document: Document, rows: Rows) -> Whole:
    """All that can be said of the records beside the chain. `told`: whether they say what was kept before them."""
    bodies = {one.seq: body_of(one) for one in rows if isinstance(one, Record)}
    for find in (_form, _header, _settings):
        fault = find(document, rows, bodies)
        if fault is not None:
            return Whole(fault[1], fault[0])
    return _Tallies(document, rows, bodies).found()


def _form(document: Document, rows: Rows, bodies: Bodies) -> tuple[int, str] | None:
    """One record, one reading: a body that can be read in two ways (a key twice) is none."""
    for one in rows:
        if isinstance(one, Record) and (len(one.salt) != SALT_DIGITS or not _is_canonical(one.body, bodies[one.seq])):
            return one.seq, "its body or salt is not in the form in which records are kept"
    return None


def _is_canonical(text: str, body: dict[str, Any]) -> bool:
    """Nearly all bodies are, letter by letter, what the quick writer makes of them; others are looked at again."""
    return msgspec.json.encode(body, order="sorted") == text.encode() or canonical(body) == text


def _header(document: Document, rows: Rows, bodies: Bodies) -> tuple[int | None, str] | None:
    """What the pack says of itself against its records."""
    shown = [one for one in rows if isinstance(one, Record)]
    openings = [one for one in shown if one.kind == OPENING]
    for one in openings:
        if bodies[one.seq].get("job") != document.job:
            return one.seq, f"it opens job {bodies[one.seq].get('job')}, the pack is of job {document.job}"
    starts = [one.seq for one in shown if one.kind == "entry" and bodies[one.seq].get("entry") == "job_start"]
    if len(starts) > 1:
        return starts[1], "a second job begins with it"
    if not starts or not openings:
        return rows[0].seq, "the start of the job or its opening is withheld"
    of_records = {one.run for one in shown}
    for run in document.runs:
        if run.run not in of_records:
            return None, f"no record is of the run {run.run} that it names"
    kits = {run.settings.get("machine", {}).get("kit", "kit1") for run in document.runs}
    if document.kit not in kits:
        return None, f"the pack names the kit {document.kit[:32]!r}, the settings in it another"
    return _places(document)


def _places(document: Document) -> tuple[None, str] | None:
    """Positions as coarse as the pack says."""
    for of in document.seconds:
        lat, lon = of.columns.get("lat"), of.columns.get("lon")
        if document.position == "exact" or (lat is None and lon is None):
            continue
        if document.position == "none":
            return None, "it says that positions are left out, and holds some"
        if lat is None or lon is None or any(
            (a, b) != coarse(a, b) for a, b in zip(lat, lon, strict=True) if a is not None and b is not None
        ):  # fmt: skip
            return None, "it says that positions are coarse, and holds finer ones"
    return None


def _settings(document: Document, rows: Rows, bodies: Bodies) -> tuple[int, str] | None:
    """The machine of each run against what the opening, and the start of a later run, say of it."""
    runs = {one.run: one for one in document.runs}
    for one in rows:
        if not isinstance(one, Record) or one.kind not in (OPENING, "run start") or one.run not in runs:
            continue
        body, settings = bodies[one.seq], runs[one.run].settings
        if one.kind == OPENING:
            for table, said in body.get("machine", {}).items():
                if canonical({"it": settings.get(table)}) != canonical({"it": said}):
                    return one.seq, f"it opened the job with another [{table}] than the settings in the pack"
        elif "settings_sha256" in body and body["settings_sha256"] != settings_sha256(settings):
            return one.seq, "its run began with other settings than those in the pack"
        elif body.get("version") != runs[one.run].version:
            return one.seq, "the version of its run is another than the pack says"
    return None


class _Tallies:
    """Goes from one record that tells what came before it to the next."""

    def __init__(self, document: Document, rows: Rows, bodies: Bodies) -> None:
        self._exact = document.position == "exact"
        self._rows, self._bodies = rows, bodies
        self._at = {one.seq: i for i, one in enumerate(rows)}
        self._left_out: Counter[str] = Counter()
        self._is_open = False
        self._told = False

    def found(self) -> Whole:
        """The first thing missing, or what was left out by right."""
        for one in self._rows:
            if not isinstance(one, Record) or one.kind not in minutes.TELLING:
                continue
            body = self._bodies[one.seq]
            if one.kind == OPENING:
                self._is_open = True
                self._told = self._told or "records_since" in body
                continue
            late = one.kind == FIGURES and not self._is_open
            if one.kind == FIGURES:
                self._is_open = False
            if not self._told or late:  # an earlier version; a weighbridge ticket after the job
                continue
            fault = self._compare(one, body)
            if fault:
                return Whole(fault, one.seq)
        if self._told and not self._is_open_or_ended():
            return Whole("what the job came to at its finish is withheld", self._rows[-1].seq)
        return Whole(notes=self._notes(), told=self._told)

    def _is_open_or_ended(self) -> bool:
        """A finish that is shown has its figures after it."""
        told = [body["entry"] for _, body in sorted(self._bodies.items()) if body.get("entry") in entries.OF_JOBS]
        return told[-1:] != ["job_finish"] or not self._is_open

    def _compare(self, one: Record, body: dict[str, Any]) -> str:
        lacking = [key for key in OF_MINUTE if key not in body] if one.kind == "minute" else []
        if lacking:
            return f"it lacks {', '.join(lacking)}"
        since, said = body.get("records_since"), body.get("records")
        if not isinstance(since, int) or not isinstance(said, dict):
            return "it does not say what was kept before it, as the job's opening does"
        at = self._at.get(since)
        before = None if at is None else self._rows[at]
        if at is None or not isinstance(before, Record) or before.kind not in minutes.TELLING:
            return f"it follows record {since}, which is withheld"
        between = self._rows[at + 1 : self._at[one.seq]]
        shown = Counter(_name(row, self._bodies[row.seq]) for row in between if isinstance(row, Record))
        tracks = shown.pop(minutes.TRACK, 0)
        missing = Counter({name: count for name, count in said.items() if isinstance(count, int)})
        missing.subtract(shown)
        if any(count < 0 for count in missing.values()):
            return "more records stand before it than it says"
        gone = sum(isinstance(row, Withheld) for row in between)
        wanted = int(bool(body.get("seconds_fixed"))) - tracks
        if gone != sum(missing.values()) + wanted:
            return f"{gone} records before it are withheld, it says {sum(missing.values()) + wanted}"
        missing = +missing
        for name, count in missing.items():
            if name in NEVER_SHOWN or (one.kind == FIGURES and name in OF_NEXT):
                continue
            if self._exact and name not in RESTS_ON_MORE:
                return f"{count} of the records of kind {name[:40]!r} before it are withheld"
            self._left_out[name] += count
        return ""

    def _notes(self) -> list[str]:
        return [f"{count} x {name[:40]} left out of the pack: {_why(name)}" for name, count in sorted(self._left_out.items())]


def _why(name: str) -> str:
    return "resting on work before the job" if name in RESTS_ON_MORE else "telling a place"


def _name(row: Record, body: dict[str, Any]) -> str:
    return f"entry {body.get('entry')}" if row.kind == "entry" else row.kind
