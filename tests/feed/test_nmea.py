"""NMEA 0183: checksums and values of published sentences."""

from __future__ import annotations

import hypothesis.strategies as st
import pytest
from hypothesis import given

from edge.feed import nmea
from edge.feed.sentences import Fault, decode
from tests.kits.wire import nmea_line

# Sentences with right checksums out of the test suites and documentation of public decoders (pynmea2, nmea0183-checksum,
# em38, gps_chksum); the last two are the format's usual textbook sentences, from memory, checksum worked out anew.
GOOD = (
    b"$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D",
    b"$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68",
    b"$GPRMC,123519.00,A,4807.038,N,01131.000,E,,,230394,,*33",
    b"$GPRMC,123519.00,V,4807.038,N,01131.000,E,,,230394,,*24",
    b"$GPVTG,108.53,T,,M,0.04,N,0.07,K,A*31",
    b"$GPGLL,4916.45,N,12311.12,W,225444,A,*1D",
    b"$GPGSA,A,3,02,,,07,,09,24,26,,,,,1.6,1.6,1.0*3D",
    b"$GPGGA,015808.00,2726.53758,S,15126.05255,E,1,08,1.0,365.1,M,39.5,M,,*79",
    b"$GPGGA,000003.071,7900.56904,N,16607.52019,W,1,09,0.8,4.64,M,,,,*26",
    b"$GNGLL,2239.37849,N,11400.75600,E,123254.00,A,A*7F",
    b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
)


@pytest.mark.parametrize("line", GOOD, ids=lambda line: line[:12].decode())
def test_published_sentences_are_valid(line):
    assert not isinstance(decode(line), Fault)
    assert not isinstance(decode(line + b"\r"), Fault)
    assert nmea_line(line[1:-3].decode()) == line  # the checksum worked out here agrees with the published one


@pytest.mark.parametrize("line", GOOD, ids=lambda line: line[:12].decode())
def test_one_damaged_byte_makes_a_bad_crc(line):
    for where in range(4, len(line) - 3):
        hurt = line[:where] + bytes([line[where] ^ 1]) + line[where + 1 :]
        assert decode(hurt) in (Fault("bad_crc"), Fault("malformed"))
    assert decode(line[:-2] + b"00") == Fault("bad_crc")


def test_values_of_the_published_sentences():
    place = decode(GOOD[0])
    assert place.lat == pytest.approx(-(19 + 29.045 / 60)) and place.lon == pytest.approx(24 + 10.506 / 60)
    assert place.speed_kmh is None
    moving = decode(GOOD[1])
    assert moving.speed_kmh == pytest.approx(0.5 * 1.852)  # a knot is 1.852 km/h by definition
    assert (moving.lat, moving.lon) == (pytest.approx(49 + 16.45 / 60), pytest.approx(-(123 + 11.12 / 60)))
    assert moving.utc_ms == 785_285_686_000  # 1994-11-19T22:54:46Z
    assert decode(GOOD[4]).speed_kmh == pytest.approx(0.07)
    assert decode(GOOD[11]).speed_kmh == pytest.approx(22.4 * 1.852)


def test_what_is_not_told_is_unknown_and_not_zero():
    assert decode(GOOD[2]).speed_kmh is None  # an empty speed field
    assert decode(GOOD[3]) == nmea.NOTHING  # status V: no fix
    assert decode(nmea_line("GPGGA,,,,,,0,00,,,M,,M,,")) == nmea.NOTHING
    assert decode(nmea_line("GPVTG,,,,,,,,,N")) == nmea.NOTHING
    assert decode(nmea_line("GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W,N")) == nmea.NOTHING
    assert decode(nmea_line("GPVTG,,T,,M,10.0,N,,K,A")).speed_kmh == pytest.approx(18.52)


def test_impossible_values_are_unknown():
    assert decode(nmea_line("GPRMC,123519,A,9907.038,N,01131.000,E,022.4,084.4,230394,003.1,W")).lat is None
    assert decode(nmea_line("GPRMC,123519,A,4807.038,N,01131.000,E,-22.4,084.4,230394,003.1,W")).speed_kmh is None


@given(
    st.text(st.characters(codec="ascii", exclude_characters="*\n\r"), max_size=80), st.sampled_from(["RMC", "VTG", "GGA", "GSV"])
)
def test_any_content_under_a_right_checksum_is_valid_and_never_raises(content, kind):
    line = nmea_line(f"GP{kind},{content}")
    found = decode(line)
    assert not isinstance(found, Fault), line
    assert found.speed_kmh is None or found.speed_kmh >= 0
