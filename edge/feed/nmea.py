"""NMEA 0183 sentences of a position receiver: speed, position and time out of RMC, VTG and GGA.

The checksum (XOR of all bytes between `$` and `*`, two upper-case hex digits) is tested here; the fields are read by
pynmeagps. A sentence with a right checksum is valid even when its content is unknown or empty.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from functools import reduce
from operator import xor
from typing import Any, NamedTuple

from pynmeagps import NMEAReader
from pynmeagps.exceptions import NMEAMessageError, NMEAParseError, NMEAStreamError, NMEATypeError

KMH_PER_KNOT = 1.852
"""Exact: 1 knot is 1,852 m an hour."""

_NO_FIX_MODES = {"N", "E"}
"""Mode letters that carry no usable fix: N not valid, E estimated (dead reckoning)."""

_READER_FAULTS = (
    NMEAMessageError, NMEAParseError, NMEAStreamError, NMEATypeError,
    ValueError, TypeError, KeyError, IndexError, AttributeError, OverflowError,
)  # fmt: skip


class Fix(NamedTuple):
    """What one sentence told; `None` is unknown. speed in km/h, latitude and longitude in degrees, time in epoch ms."""

    speed_kmh: float | None = None
    lat: float | None = None
    lon: float | None = None
    utc_ms: int | None = None


NOTHING = Fix()


def is_framed(line: bytes) -> bool:
    """Whether the line has the outer form `$GP...*hh` or `$GN...*hh`."""
    return line[:3] in (b"$GP", b"$GN") and line[-3:-2] == b"*"


def decode(line: bytes) -> Fix | None:
    """The fix in a framed line, `None` when its checksum is wrong. Never raises."""
    if line[-2:] != b"%02X" % reduce(xor, line[1:-3], 0):
        return None
    kind = line[3:6]
    if kind not in (b"RMC", b"VTG", b"GGA"):
        return NOTHING
    try:
        message: Any = NMEAReader.parse(line + b"\r\n")
    except _READER_FAULTS:
        return NOTHING  # the checksum is right: a receiver's own dialect, not a damaged line
    return _read(kind, message)


def _read(kind: bytes, message: Any) -> Fix:
    if getattr(message, "posMode", "A") in _NO_FIX_MODES:
        return NOTHING
    if kind == b"VTG":
        kmh = _number(getattr(message, "sogk", None))
        knots = _number(getattr(message, "sogn", None))
        return Fix(speed_kmh=kmh if kmh is not None or knots is None else knots * KMH_PER_KNOT)
    if kind == b"GGA":
        return Fix(None, *_place(message)) if _number(getattr(message, "quality", 0)) else NOTHING
    if getattr(message, "status", "V") != "A":
        return NOTHING
    knots = _number(getattr(message, "spd", None))
    return Fix(None if knots is None else knots * KMH_PER_KNOT, *_place(message), _utc_ms(message))


def _number(value: object) -> float | None:
    if isinstance(value, (int, float)) and 0 <= value < 1e6:
        return float(value)
    return None


def _place(message: Any) -> tuple[float | None, float | None]:
    lat, lon = getattr(message, "lat", None), getattr(message, "lon", None)
    if not isinstance(lat, float) or not isinstance(lon, float) or abs(lat) > 90 or abs(lon) > 180:
        return None, None
    return lat, lon


def _utc_ms(message: Any) -> int | None:
    day, clock = getattr(message, "date", None), getattr(message, "time", None)
    if not isinstance(day, date) or not isinstance(clock, time):
        return None
    return round(datetime.combine(day, clock, UTC).timestamp() * 1000)
