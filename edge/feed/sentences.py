"""One line of bytes -> one decoded sentence. Never raises on any bytes.

The frame is `$` BODY `*` CRC with CRC-16/IBM-3740 (catalogue check value: "123456789" -> 29B1), which is what
`binascii.crc_hqx` computes from the start value 0xFFFF. NMEA 0183 sentences carry a two-digit XOR checksum instead.
"""

from __future__ import annotations

from binascii import crc_hqx
from typing import NamedTuple

from edge.feed import nmea

LONGEST = 240
"""Bytes of a sentence, line end left out."""

CRC_START = 0xFFFF
_WORD = 0xFFFF
_LONG = 0xFFFFFFFF
_HEX = frozenset(b"0123456789abcdefABCDEF")
_CRC_TEXT = [b"%04X" % crc for crc in range(_WORD + 1)]
_DIGITS_AND_COMMAS = b"0123456789,"


class Counts(NamedTuple):
    """`TGC`: sequence number (16 bits), board uptime in ms (32 bits), level mask, cumulative counts (32 bits)."""

    seq: int
    ms: int
    levels: int
    counts: list[int]


class Hello(NamedTuple):
    """`TGH`: kit name, firmware, number of inputs, tick in ms."""

    kit: str
    firmware: str
    inputs: int
    tick_ms: int


class Periods(NamedTuple):
    """`TGP`: board uptime in ms and, for each input, (at, whole periods, their time in microseconds)."""

    ms: int
    periods: tuple[tuple[int, int, int], ...]


class Fault(NamedTuple):
    """A line that can't be used: kind is `bad_crc` or `malformed`."""

    kind: str


BAD_CRC = Fault("bad_crc")
MALFORMED = Fault("malformed")

Sentence = Counts | Hello | Periods | nmea.Fix | Fault


def frame(body: str) -> bytes:
    """The wire form of a body: `$` BODY `*` CRC and a line feed. Body: ASCII text, at most 234 characters."""
    raw = body.encode("ascii")
    return b"$%b*%04X\n" % (raw, crc_hqx(raw, CRC_START))


def decode_plain_counts(line: bytes) -> tuple[int, int, int, list[int]] | None:
    """seq, ms, levels, counts of a count sentence in its usual form; None: `decode` must look at the line.

    The hot path, once a sentence: the same rules as `decode`, tested with the fewest steps.
    """
    if line[:7] != b"$TGC,1," or line[-5:-4] != b"*" or len(line) > LONGEST:
        return None
    body = line[1:-5]
    # What is left beside digits and commas must be the name: no sign, blank or underscore that int() would let through.
    if line[-4:] != _CRC_TEXT[crc_hqx(body, CRC_START)] or body.translate(None, _DIGITS_AND_COMMAS) != b"TGC":
        return None
    fields = body.split(b",")
    if len(fields) < 6 or len(fields[4]) != 1:
        return None
    try:
        numbers = list(map(int, fields[2:]))
    except ValueError:  # an empty field
        return None
    seq, ms, levels, *counts = numbers
    if seq > _WORD or ms > _LONG or max(counts) > _LONG:
        return None
    return seq, ms, levels, counts


def decode(line: bytes) -> Sentence:
    """Decode one line, its 0x0A already removed (a 0x0D at its end is accepted). Never raises.

    The field count of a count sentence is checked against the hello by the assembler, which knows it.
    """
    if line[-1:] == b"\r":
        line = line[:-1]
    if len(line) > LONGEST:
        return MALFORMED
    if line[-5:-4] != b"*" or line[:1] != b"$":
        return _decode_other(line)
    body = line[1:-5]
    if line[-4:] != _CRC_TEXT[crc_hqx(body, CRC_START)]:
        # A short NMEA sentence may hold a star five from its end inside a field; its own checksum decides.
        return _decode_other(line) if nmea.is_framed(line) else BAD_CRC
    fields = body.split(b",")
    if fields[0] == b"TGC":
        return _counts(fields)
    return _slow_kinds(fields)


def _decode_other(line: bytes) -> Sentence:
    if not nmea.is_framed(line):
        return MALFORMED
    fix = nmea.decode(line)
    return BAD_CRC if fix is None else fix


def _counts(fields: list[bytes]) -> Counts | Fault:
    # isdigit() keeps out what int() would let through: signs, blanks, underscores.
    if len(fields) < 6 or fields[1] != b"1" or not b"".join(fields[5:]).isdigit():
        return MALFORMED
    try:
        counts = list(map(int, fields[5:]))
        seq, ms, levels = int(fields[2]), int(fields[3]), int(fields[4], 16)
    except ValueError:
        return MALFORMED
    plain = fields[2].isdigit() and fields[3].isdigit() and (fields[4].isdigit() or _HEX.issuperset(fields[4]))
    if not plain or seq > _WORD or ms > _LONG or levels > _LONG or max(counts) > _LONG:
        return MALFORMED
    return Counts(seq, ms, levels, counts)


def _slow_kinds(fields: list[bytes]) -> Sentence:
    if len(fields) < 2 or fields[1] != b"1":
        return MALFORMED
    if fields[0] == b"TGH" and len(fields) == 6:
        return _hello(fields)
    if fields[0] == b"TGP" and len(fields) >= 6 and len(fields) % 3 == 0:
        return _periods(fields)
    return MALFORMED


def _hello(fields: list[bytes]) -> Hello | Fault:
    if not (fields[4].isdigit() and fields[5].isdigit()):
        return MALFORMED
    inputs, tick_ms = int(fields[4]), int(fields[5])
    if not 1 <= inputs <= 32 or not 1 <= tick_ms <= 60_000:
        return MALFORMED
    return Hello(fields[2].decode("ascii", "replace"), fields[3].decode("ascii", "replace"), inputs, tick_ms)


def _periods(fields: list[bytes]) -> Periods | Fault:
    if not b"".join(fields[2:]).isdigit():
        return MALFORMED
    try:
        numbers = list(map(int, fields[2:]))
    except ValueError:  # an empty field
        return MALFORMED
    at, edges, span_us = numbers[1::3], numbers[2::3], numbers[3::3]
    if max(numbers) > _LONG or max(at) > 31:
        return MALFORMED
    return Periods(numbers[0], tuple(zip(at, edges, span_us, strict=True)))
