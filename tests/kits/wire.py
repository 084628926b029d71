"""Sentences written by these tests alone, with a CRC worked out bit by bit from its definition."""

from __future__ import annotations

from datetime import datetime
from functools import reduce
from operator import xor

LONG = 1 << 32
START_MS = 1_790_000_000_000


def _shifted(crc: int) -> int:
    for _ in range(8):
        crc = ((crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


_SHIFTED = [_shifted(byte << 8) for byte in range(256)]


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740: polynomial 0x1021, start 0xFFFF, not reflected, no final exclusive or."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc << 8) & 0xFFFF ^ _SHIFTED[crc >> 8 ^ byte]
    return crc


def framed(body: bytes | str) -> bytes:
    """`$` BODY `*` CRC without the line end."""
    raw = body.encode() if isinstance(body, str) else body
    return b"$%b*%04X" % (raw, crc16(raw))


def count_line(seq: int, ms: int, *counts: int, levels: int = 3) -> bytes:
    """A count sentence; everything wraps as on the board."""
    fields = [seq % 65536, ms % LONG, f"{levels:X}", *(count % LONG for count in counts)]
    return framed("TGC,1," + ",".join(map(str, fields)))


def nmea_line(body: str) -> bytes:
    """`$` BODY `*` with the exclusive or of all bytes between."""
    return b"$%b*%02X" % (body.encode(), reduce(xor, body.encode(), 0))


def rmc(when: datetime) -> bytes:
    """A receiver's sentence with its time, with the line end."""
    return nmea_line(f"GPRMC,{when:%H%M%S}.00,A,3457.000,S,13830.000,E,3.50,054.7,{when:%d%m%y},,,A") + b"\r\n"
