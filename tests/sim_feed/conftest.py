"""A reader of the wire format written for these tests alone, and runs that several tests look at."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, NamedTuple

import pytest

from sim_feed.run.scenario import Simulation, Tick, load
from tests.kits.wire import crc16

WRAP = 1 << 32


class Count(NamedTuple):
    seq: int
    ms: int
    levels: int
    counts: list[int]


class Reading(NamedTuple):
    counts: list[Count]
    hellos: list[list[bytes]]
    periods: list[list[bytes]]
    nmea: list[bytes]
    bad_crc: int
    malformed: int

    def pulses(self) -> list[int]:
        """Modular sums; an uptime step over 600 s starts anew, and the same sentence twice adds nothing."""
        total = [0] * len(self.counts[0].counts)
        for before, after in zip(self.counts, self.counts[1:], strict=False):
            if (after.ms - before.ms) % WRAP > 600_000:
                continue
            for at, (old, new) in enumerate(zip(before.counts, after.counts, strict=True)):
                total[at] += (new - old) % WRAP
        return total


def read(lines: Iterable[bytes]) -> Reading:
    counts: list[Count] = []
    hellos: list[list[bytes]] = []
    periods: list[list[bytes]] = []
    nmea: list[bytes] = []
    bad_crc = malformed = 0
    for line in lines:
        assert line.endswith(b"\n")
        assert line.count(b"\n") == 1
        text = line[:-1].removesuffix(b"\r")
        if len(text) > 240:
            malformed += 1
        elif text[:1] == b"$" and text[-5:-4] == b"*":
            fields = text[1:-5].split(b",")
            if b"%04X" % crc16(text[1:-5]) != text[-4:]:
                bad_crc += 1
            elif fields[0] == b"TGC":
                assert fields[1] == b"1"
                counts.append(Count(int(fields[2]), int(fields[3]), int(fields[4], 16), [int(c) for c in fields[5:]]))
            else:
                {b"TGH": hellos, b"TGP": periods}[fields[0]].append(fields)
        elif text[:3] == b"$GP" and text[-3:-2] == b"*":
            check = 0
            for byte in text[1:-3]:
                check ^= byte
            if b"%02X" % check == text[-2:]:
                nmea.append(text)
            else:
                bad_crc += 1
        else:
            malformed += 1
    return Reading(counts, hellos, periods, nmea, bad_crc, malformed)


def all_lines(ticks: Iterable[Tick]) -> list[bytes]:
    return [line for tick in ticks for line in tick.lines]


class Run(NamedTuple):
    simulation: Simulation
    ticks: list[Tick]
    truth: dict[str, Any]

    @property
    def lines(self) -> list[bytes]:
        return all_lines(self.ticks)

    @property
    def entries(self) -> list[tuple[int, dict[str, Any]]]:
        return [(tick.ms, entry) for tick in self.ticks for entry in tick.entries]


def make_run(name: str, **changes: Any) -> Run:
    simulation = Simulation(load(name).with_(**changes))
    ticks = list(simulation)
    return Run(simulation, ticks, simulation.truth_summary())


@pytest.fixture(scope="session")
def run_of() -> Callable[..., Run]:
    return make_run


@pytest.fixture(scope="session")
def reader() -> Callable[[Iterable[bytes]], Reading]:
    return read


@pytest.fixture(scope="session")
def paddock() -> Run:
    return make_run("paddock")


@pytest.fixture(scope="session")
def bad_line() -> Run:
    return make_run("bad_line")


@pytest.fixture(scope="session")
def walkers() -> Run:
    return make_run("walkers")
