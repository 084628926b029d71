"""NMEA sentences, read back by a reference library."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

import pytest
from pynmeagps import NMEAReader

from sim_feed.kit.gps import place, sentence, sentences
from sim_feed.run.scenario import Simulation, load


def test_checksum_of_a_published_sentence() -> None:
    # Example of the National Marine Electronics Association's 0183 format as commonly printed (from memory).
    body = "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    assert sentence(body) == b"$" + body.encode() + b"*47\r\n"


def test_reference_library_reads_position_speed_and_time() -> None:
    epoch = datetime(2026, 1, 2, 3, 4, 5, 200_000, UTC).timestamp()
    rmc, gga, vtg = (NMEAReader.parse(line) for line in sentences(epoch, 250.0, 91.0, 7.2, 180.0))
    latitude, longitude = place(250.0, 91.0)
    assert (rmc.lat, rmc.lon) == pytest.approx((latitude, longitude), abs=2e-6)
    assert (gga.lat, gga.lon) == pytest.approx((latitude, longitude), abs=2e-6)
    assert rmc.spd == pytest.approx(7.2 / 1.852, abs=0.01)
    assert vtg.sogk == pytest.approx(7.2)
    assert (rmc.date, rmc.time) == (date(2026, 1, 2), time(3, 4, 5, 200_000))


def test_metres_per_degree() -> None:
    # 1 degree of latitude on a sphere of 6371 km.
    north, _ = place(111_194.93, 0.0)
    assert north - place(0.0, 0.0)[0] == pytest.approx(1.0, abs=1e-5)


def test_one_triple_a_second_with_the_epochs_clock(walkers) -> None:
    simulation = Simulation(load("walkers").with_(minutes=1))
    simulation.epoch = 1_700_000_000.0
    lines = [line for tick in simulation for line in tick.lines if line.startswith(b"$GPRMC")]
    assert len(lines) == 60
    stamp = NMEAReader.parse(lines[-1])
    assert datetime.combine(stamp.date, stamp.time, UTC).timestamp() == 1_700_000_060.0
    speeds = [NMEAReader.parse(line).spd * 1.852 for line in lines[45:]]
    assert min(speeds) > 4.0
