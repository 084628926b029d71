"""The seconds of a pack against its records: digests of each minute, and each minute's sums worked out anew. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import sha256
from math import isclose
from typing import Any, NamedTuple

import msgspec
import numpy as np

from edge.contract.errors import AnswerBad
from edge.evidence.pack.document import Document, Seconds, body_of
from edge.evidence.recount.material import Material
from edge.evidence.recount.sums import Counted, Whole, pieces
from edge.keep import minutes
from edge.keep.chain import Record
from edge.reckon.sensors.deadtime import SHORTEST_MS
from edge.reckon.sensors.workstate import STATES
from edge.reckon.tables.units import M2_PER_HA

PLACES = ("lat", "lon")
RARE = b""
_PART_SIGNS = {ord(sign): None for sign in "0123456789,[]-"}
SHORT_PART = 0.5
"""Part of a short second's pulses that the second before it may move."""

CLOSE = 1e-6
"""Relative difference of sums that rounding in another order may bring."""


class Bound(NamedTuple):
    """What a comparison found: seconds that fit, or the record at which something differs."""

    seconds: int = 0
    record: int | None = None
    fault: str | None = None


def digests(document: Document, records: list[Record]) -> Bound:
    """Compare the seconds of every run with the digests that the records hold."""
    total = 0
    rows = {one.run: _Texts(one) for one in document.seconds}
    if len(rows) != len(document.seconds):
        raise AnswerBad("the seconds of a run stand in the pack twice")
    taken = dict.fromkeys(rows, 0)
    last_of: dict[int, int] | None = None
    for record in records:
        if record.kind == "job opening":
            last_of = None  # a job taken up again: what lay between is not its own
        if record.kind not in minutes.BINDING:
            continue
        body = body_of(record)
        first, last = body.get("seconds_from"), body.get("seconds_to")
        if not isinstance(first, int) or not isinstance(last, int) or last < first or "work_sha256" not in body:
            continue
        if last_of is not None and first != last_of.get(record.run, 0) + 1:
            return Bound(total, record.seq, f"seconds up to {first - 1} of run {record.run} are the job's, and are withheld")
        last_of = {**(last_of or {}), record.run: last}
        texts = rows.get(record.run)
        begin, end = texts.span(first, last) if texts is not None else (0, 0)
        if end - begin != body["seconds_kept"]:
            return Bound(total, record.seq, f"it binds {body['seconds_kept']} kept seconds, the pack holds {end - begin} of them")
        if texts is not None:
            if begin != taken[record.run]:
                return Bound(total, record.seq, "seconds stand before those it binds that no record binds")
            taken[record.run] = end
            for key, lines, what in (
                ("counts_sha256", texts.counts, "pulse counts"), ("work_sha256", texts.work, "seconds (time, state, area, speed)")
            ):  # fmt: skip
                if sha256(b"".join(lines[begin:end])).hexdigest() != body[key]:
                    return Bound(total, record.seq, f"the {what} {first} to {last} of run {record.run} are not those it binds")
        total += end - begin
    for run, texts in rows.items():
        if taken[run] != len(texts.counts):
            raise AnswerBad(f"run {run}: {len(texts.counts) - taken[run]} seconds that no record binds")
    return Bound(total)


def positions(document: Document, records: list[Record]) -> Bound | None:
    """Compare the positions of an exact pack with the digests of the `track` records; of a coarse one count them.

    `seconds`: how many are bound. None: the kit kept no such digests (an earlier version), or the pack holds no positions.
    """
    if document.position == "none":
        return None
    rows = {one.run: _track_lines(one) for one in document.seconds}
    tracks = {
        (one.run, body.get("seconds_from"), body.get("seconds_to")): (one.seq, body)
        for one in records if one.kind == minutes.TRACK for body in (body_of(one),)
    }  # fmt: skip
    total, told = 0, False
    for record in records:
        body = body_of(record) if record.kind in minutes.BINDING else {}
        first, last, fixed = body.get("seconds_from"), body.get("seconds_to"), body.get("seconds_fixed")
        if not isinstance(fixed, int) or not isinstance(first, int) or not isinstance(last, int) or "work_sha256" not in body:
            continue
        told = True
        numbers, track_lines = rows.get(record.run, _NO_TRACK)
        begin, end = (int(at) for at in np.searchsorted(numbers, [first, last + 1]))
        lines = track_lines[begin:end]
        if len(lines) != fixed:
            return Bound(total, record.seq, f"{fixed} of its seconds had a position, the pack holds {len(lines)}")
        if document.position != "exact" or not fixed:
            continue
        seq, track = tracks.get((record.run, first, last), (record.seq, {}))
        if sha256(b"".join(lines)).hexdigest() != track.get("track_sha256"):
            return Bound(total, seq, f"the positions of seconds {first} to {last} of run {record.run} are not those on record")
        total += fixed
    return Bound(total) if told else None


def _track_lines(seconds: Seconds) -> tuple[Whole, list[bytes]]:
    """Numbers of the seconds that have a position, and `minutes.track_line` of each."""
    if any(name not in seconds.columns for name in PLACES):
        return _NO_TRACK
    spots = zip(seconds.columns["number"], *(seconds.columns[name] for name in PLACES), strict=True)
    known = [spot for spot in spots if spot[1] is not None and spot[2] is not None]
    return np.array([spot[0] for spot in known], dtype=np.int64), [minutes.track_line(*spot) for spot in known]


_NO_TRACK: tuple[Whole, list[bytes]] = (np.zeros(0, np.int64), [])


class _Texts:
    """The lines that digests are taken over, second by second."""

    def __init__(self, seconds: Seconds) -> None:
        n = len(seconds.parts)
        known = {*minutes.WORK_COLUMNS, "ms", *PLACES}
        if set(seconds.columns) - known or not {*minutes.WORK_COLUMNS, "ms"} <= set(seconds.columns):
            raise AnswerBad(f"run {seconds.run}: the columns of its seconds are not those of a pack")
        if any(len(column) != n for column in seconds.columns.values()):
            raise AnswerBad(f"run {seconds.run}: its columns are of different length")
        numbers = seconds.columns["number"]
        if any(one.__class__ is not int for one in numbers) or any(b <= a for a, b in zip(numbers, numbers[1:], strict=False)):
            raise AnswerBad(f"run {seconds.run}: its seconds are not in order")
        self._numbers = np.array(numbers, dtype=np.int64)
        self.work = _work_lines(seconds)
        self.counts = _count_lines(seconds)

    def span(self, first: int, last: int) -> tuple[int, int]:
        """Rows of the seconds numbered `first` to `last`."""
        begin, end = np.searchsorted(self._numbers, [first, last + 1])
        return int(begin), int(end)


def _work_lines(seconds: Seconds) -> list[bytes]:
    """The lines of `minutes.row_text`, whole columns at a time; rows with a number or a gap of a rare kind one by one."""
    columns: Sequence[list[Any]] = [seconds.columns[name] for name in minutes.WORK_COLUMNS]
    kept = [(name, column) for name, column in zip(minutes.WORK_COLUMNS, columns, strict=True) if any_known(column)]
    if not kept:
        return []
    texts = [_texts(column) for _, column in kept]
    form = b"{" + b",".join(b'"%b":%%b' % name.encode() for name, _ in kept) + b"}\n"
    lines = [form % row for row in zip(*texts, strict=True)]
    for at in {at for column in texts for at, text in enumerate(column) if text == RARE}:
        lines[at] = minutes.row_text(minutes.WORK_COLUMNS, [column[at] for column in columns]) + b"\n"
    return lines


def any_known(column: list[Any]) -> bool:
    """Whether any value of a column is known."""
    return any(one is not None for one in column)


def _texts(column: list[Any]) -> list[bytes]:
    """Each value as canonical JSON; `RARE` for a gap, for a number with an exponent and for minus nought."""
    text = msgspec.json.encode(column)[1:-1] + b","
    found = text.replace(b".0,", b",").split(b",")[:-1]
    if len(found) != len(column):  # a text with a comma in it: none of ours
        return [RARE] * len(column)
    if b"null" in text:
        found = [RARE if one == b"null" else one for one in found]
    if b'"' not in text and (b"e" in text or b"-0.0," in text):
        found = [RARE if b"e" in one or one == b"-0" else one for one in found]
    return found


def _count_lines(seconds: Seconds) -> list[bytes]:
    ms, numbers, parts = seconds.columns["ms"], seconds.columns["number"], seconds.parts
    plain = all(one.__class__ is int for one in ms) and not "".join(parts).translate(_PART_SIGNS)
    if plain:
        return [b'{"ms":%d,"number":%d,"parts":"%b"}\n' % (a, b, c.encode()) for a, b, c in zip(ms, numbers, parts, strict=True)]
    return [minutes.row_text(minutes.COUNT_COLUMNS, row) + b"\n" for row in zip(ms, numbers, parts, strict=True)]


def sums(material: Material) -> Bound | None:
    """Each minute's seconds by state, distance, area and pulses against what its record says; None when all fit."""
    counted = {one.rows.run: one for one in material.counted}
    for one in material.of_kind(*minutes.BINDING):
        body = one.body
        first, last = body.get("seconds_from", 1), body.get("seconds_to", 0)
        part = counted.get(one.run)
        if part is None or last < first or "seconds" not in body:
            continue
        begin, end = np.searchsorted(part.rows.number, [first, last + 1])
        differs = _differs(part, int(begin), int(end), body, material.names)
        if differs:
            return Bound(0, one.seq, f"its {differs}, worked out from the seconds it binds, is another than it says")
    return None


def _differs(part: Counted, begin: int, end: int, body: dict[str, Any], names: tuple[str, ...]) -> str:
    rows = part.rows
    states = np.bincount(rows.state[begin:end], minlength=len(STATES))
    if end - begin == body.get("seconds_kept"):
        for state, count in zip(STATES, states, strict=True):
            if int(count) != body["seconds"].get(state):
                return f"time {state}"
        for name, values, said in (
            ("distance", rows.metres, body["distance_m"]), ("area", rows.area_m2, body["area_ha"] * M2_PER_HA)
        ):  # fmt: skip
            if not isclose(float(values[begin:end].sum()), said, rel_tol=CLOSE, abs_tol=1e-4):
                return name
        pulses = _pulses(body.get("sums"), names)
        if pulses is not None:
            for i, name in enumerate(names):
                column = part.pulses[begin:end, i]
                # Before the first cut of its run a kit sums no pulses; of a later start the pack does not know.
                since = column[np.cumsum(part.rows.area_m2[begin:end]) > 0]
                found = [float(one.sum()) for one in (column, since)]
                if any(isclose(one, pulses[i], rel_tol=CLOSE, abs_tol=1e-3) for one in found):
                    continue
                unsure = 1e-3 + _unsure(part, begin, end, i)  # looked at only where it can matter: it costs
                if not any(isclose(one, pulses[i], rel_tol=CLOSE, abs_tol=unsure) for one in found):
                    return f"{name} pulses"
    return ""


def _unsure(part: Counted, begin: int, end: int, i: int) -> float:
    """Pulses of a point in which a kit that worked before the job may differ: its dead time of a short second borrows from the
    second before, and a side may have been silent since before."""
    rows, unsure = part.rows, 0.0
    has_sides = bool((part.sides[:, 2 * i : 2 * i + 2] > 0).any(axis=0).all() or part.half_blind[:, i].any())
    for first, last in pieces(rows.number):
        if rows.number[first] == 1 or last <= begin or first >= end:
            continue
        pulses = part.pulses[first:last, i]
        sides = part.sides[first:last, 2 * i : 2 * i + 2]
        short = np.cumprod(rows.ms[first:last] < SHORTEST_MS).astype(bool)
        silent = (np.cumsum(sides, axis=0) == 0).any(axis=1) & ~part.half_blind[first:last, i] & has_sides
        here = slice(max(begin, first) - first, min(last, end) - first)
        unsure += float(pulses[here][short[here]].sum()) * SHORT_PART + float(pulses[here][silent[here]].sum())
    return unsure


def _pulses(said: Any, names: tuple[str, ...]) -> list[float] | None:
    """Pulses of each point as the minute's record has them; None where it has none."""
    if not isinstance(said, dict):
        return None
    try:
        crops = msgspec.convert(said["crops"], dict[str, dict[str, Any]])
        return [sum(float(crop["points"][name][0]) for crop in crops.values()) for name in names]
    except (KeyError, IndexError, TypeError, ValueError):
        return None
