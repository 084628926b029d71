"""NMEA 0183 sentences (RMC, GGA, VTG) of a receiver on the machine, once a second.

The paddock is invented: its corner is a point in the open ocean, so that no real place is meant.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime

ORIGIN_LATITUDE = -30.0
ORIGIN_LONGITUDE = -20.0
METRES_PER_DEGREE = 111_195.0
"""On a sphere of 6371 km: 2 pi 6 371 000 / 360."""

KMH_PER_KNOT = 1.852


def sentence(body: str) -> bytes:
    """A body framed as NMEA 0183: `$`, `*` and the XOR of the body as two hex digits, carriage return, line feed."""
    check = 0
    for byte in body.encode("ascii"):
        check ^= byte
    return b"$%b*%02X\r\n" % (body.encode("ascii"), check)


def place(along_m: float, across_m: float) -> tuple[float, float]:
    """Latitude and longitude in degrees of a point of the paddock; passes run north, the next pass lies east."""
    latitude = ORIGIN_LATITUDE + along_m / METRES_PER_DEGREE
    longitude = ORIGIN_LONGITUDE + across_m / (METRES_PER_DEGREE * math.cos(math.radians(ORIGIN_LATITUDE)))
    return latitude, longitude


def sentences(epoch_s: float, along_m: float, across_m: float, kmh: float, course_deg: float) -> list[bytes]:
    """RMC, GGA and VTG for one moment."""
    latitude, longitude = place(along_m, across_m)
    when = datetime.fromtimestamp(epoch_s, UTC)
    clock = when.strftime("%H%M%S") + f".{when.microsecond // 10_000:02d}"
    spot = f"{_degrees(latitude, 2, 'NS')},{_degrees(longitude, 3, 'EW')}"
    knots = kmh / KMH_PER_KNOT
    return [
        sentence(f"GPRMC,{clock},A,{spot},{knots:.2f},{course_deg:.1f},{when:%d%m%y},,,A"),
        sentence(f"GPGGA,{clock},{spot},1,09,0.9,120.0,M,0.0,M,,"),
        sentence(f"GPVTG,{course_deg:.1f},T,,M,{knots:.2f},N,{kmh:.2f},K,A"),
    ]


def _degrees(value: float, digits: int, signs: str) -> str:
    # In ten-thousandths of a minute first, so that 59.99999 minutes never prints as 60.
    units = round(abs(value) * 600_000)
    degrees, minutes = divmod(units, 600_000)
    return f"{degrees:0{digits}d}{minutes / 10_000:07.4f},{signs[0] if value >= 0 else signs[1]}"
