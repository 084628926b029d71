"""Captures, ptys and TCP: right stamps, no byte lost, entries at their place."""

from __future__ import annotations

import gzip
import json
import os
import socket
import threading
import time

import pytest
import serial

from sim_feed.parameters.errors import FeedError
from sim_feed.run.scenario import Simulation, load
from sim_feed.sending.emit import PtyFeed, TcpFeed, write_capture

LIMIT_S = 30.0


def lines_of(name: str, minutes: float) -> bytes:
    return b"".join(line for tick in Simulation(load(name).with_(minutes=minutes)) for line in tick.lines)


def test_capture_lines_and_stamps(tmp_path) -> None:
    path = tmp_path / "run.tgcap"
    epoch = 1_780_000_000.25
    count = write_capture(Simulation(load("paddock").with_(minutes=4)), path, epoch)
    content = path.read_bytes()
    assert content.endswith(b"\n")
    rows = content.split(b"\n")[:-1]
    assert len(rows) == count
    expected = []
    for tick in Simulation(load("paddock").with_(minutes=4)):
        stamp = f"{(1_780_000_000_250 + tick.ms) / 1000:.3f}".encode()
        expected += [stamp + b" " + line[:-1] for line in tick.lines]
        expected += [stamp + b" !" + json.dumps(entry).encode() for entry in tick.entries]
    assert rows == expected
    assert rows[0].startswith(b"1780000000.350 $TGH,1,kit1,")
    assert sum(row[15:16] == b"!" for row in rows) == 3


def test_capture_of_a_bad_line_keeps_every_byte(tmp_path) -> None:
    path = tmp_path / "run.tgcap"
    write_capture(Simulation(load("bad_line").with_(minutes=8)), path, 1_780_000_000.0)
    sentences = [row[15:] for row in path.read_bytes().split(b"\n")[:-1] if row[15:16] != b"!"]
    simulation = Simulation(load("bad_line").with_(minutes=8))
    assert sentences == [line[:-1] for tick in simulation for line in tick.lines]


def test_packed_capture_is_the_same_and_reproducible(tmp_path) -> None:
    plain, packed, again = (tmp_path / name for name in ("a.tgcap", "b.tgcap.gz", "c.tgcap.gz"))
    for path in (plain, packed, again):
        write_capture(Simulation(load("paddock").with_(minutes=2)), path, 1_780_000_000.0)
    assert gzip.decompress(packed.read_bytes()) == plain.read_bytes()
    assert packed.read_bytes() == again.read_bytes()
    assert sorted(each.name for each in tmp_path.iterdir()) == ["a.tgcap", "b.tgcap.gz", "c.tgcap.gz"]


def test_capture_that_fails_leaves_nothing(tmp_path) -> None:
    simulation = Simulation(load("paddock").with_(minutes=1))
    list(simulation)
    with pytest.raises(RuntimeError):
        write_capture(simulation, tmp_path / "run.tgcap", 0.0)
    assert list(tmp_path.iterdir()) == []


class Reader(threading.Thread):
    """Reads until it has the wanted number of bytes or nothing comes any more."""

    def __init__(self, read, wanted: int) -> None:
        super().__init__(daemon=True)
        self._read, self._wanted = read, wanted
        self.got = bytearray()
        self.start()

    def run(self) -> None:
        limit = time.monotonic() + LIMIT_S
        while len(self.got) < self._wanted and time.monotonic() < limit:
            try:
                self.got += self._read()
            except OSError:
                return  # the other end has hung up


def test_pty_at_full_speed_loses_no_byte() -> None:
    expected = lines_of("bad_line", 20)
    with PtyFeed(Simulation(load("bad_line")), "max") as feed:
        line = os.open(feed.port, os.O_RDONLY | os.O_NOCTTY)
        reader = Reader(lambda: os.read(line, 1000), len(expected))
        feed.start()
        assert feed.join(LIMIT_S)
        reader.join(LIMIT_S)
        os.close(line)
    assert len(reader.got) == len(expected) == feed.sent_bytes
    assert bytes(reader.got) == expected


def test_pty_through_pyserial_with_entries_in_their_place() -> None:
    """At each entry the reader has all bytes up to it and none behind it."""
    scenario = load("paddock").with_(minutes=17)
    before, sent = {}, 0
    for tick in Simulation(scenario):
        sent += sum(map(len, tick.lines))
        if tick.entries:
            before[tick.ms] = sent
    seen: list[tuple[int, int, str]] = []
    with PtyFeed(Simulation(scenario), "max") as feed, serial.Serial(feed.port, 115200, timeout=0.2) as port:
        reader = Reader(lambda: port.read(port.in_waiting or 1), sent)
        feed.on_entry = lambda entry, ms: seen.append((ms, feed.sent_bytes, str(entry["entry"])))
        feed.start()
        assert feed.join(LIMIT_S)
        reader.join(LIMIT_S)
    assert len(reader.got) == sent
    assert [(ms, size) for ms, size, _ in seen] == list(before.items())
    assert [kind for _, _, kind in seen] == ["job_start", "idle_run", "tray", "tray_mark", "tray", "tray", "setting"]


def test_pty_waits_for_a_slow_reader_and_close_frees_it() -> None:
    feed = PtyFeed(Simulation(load("paddock").with_(minutes=None)), "max")
    feed.start()
    assert not feed.finished.wait(0.3), "nobody reads: the kernel's 20 kB are full and the feed waits"
    assert feed.sent_bytes < 200_000
    feed.close()
    assert feed.finished.is_set()
    feed.close()


def test_pace_follows_the_clock() -> None:
    scenario = load("paddock").with_(minutes=0.5)
    expected = lines_of("paddock", 0.5)
    with PtyFeed(Simulation(scenario), 60.0) as feed:
        line = os.open(feed.port, os.O_RDONLY | os.O_NOCTTY)
        reader = Reader(lambda: os.read(line, 4096), len(expected))
        start = time.monotonic()
        feed.run()
        took = time.monotonic() - start
        reader.join(LIMIT_S)
        os.close(line)
    assert bytes(reader.got) == expected
    assert 0.45 <= took < 3.0


def test_catching_up_runs_fast_until_the_stamps_reach_the_clock() -> None:
    epoch = time.time() - 600.0
    feed = PtyFeed(Simulation(load("paddock").with_(minutes=None)), 1.0, catch_up_epoch=epoch)
    line = os.open(feed.port, os.O_RDONLY | os.O_NOCTTY)
    reader = Reader(lambda: os.read(line, 4096), 400_000)
    with feed.start():
        limit = time.monotonic() + LIMIT_S
        while feed.ms < 600_000 and time.monotonic() < limit:
            feed.finished.wait(0.01)
        ahead = epoch + feed.ms / 1000.0 - time.time()
        assert not feed.finished.wait(0.35)
        later = epoch + feed.ms / 1000.0 - time.time()
    os.close(line)
    assert -2.0 < ahead < 0.3
    assert -2.0 < later < 0.3
    assert len(reader.got) > 300_000


def test_tcp_loses_no_byte() -> None:
    expected = lines_of("bad_line", 20)
    told: list[str] = []
    with TcpFeed(Simulation(load("bad_line")), "max", lambda entry, ms: told.append(str(entry["entry"]))) as feed:
        assert feed.port == f"socket://127.0.0.1:{feed.address[1]}"
        feed.start()
        with socket.create_connection(feed.address, timeout=LIMIT_S) as client:
            got = bytearray()
            while chunk := client.recv(3000):
                got += chunk
        assert feed.join(LIMIT_S)
    assert bytes(got) == expected
    assert told == ["job_start", "tray", "setting", "note"]


def test_tcp_goes_on_with_the_next_client() -> None:
    feed = TcpFeed(Simulation(load("paddock").with_(minutes=None)), "max")
    with feed.start():
        for _ in range(2):
            with socket.create_connection(feed.address, timeout=LIMIT_S) as client:
                got = b""
                while got.count(b"$TGC") < 50:
                    got += client.recv(3000)
    assert feed.error is None


def test_errors_are_plain() -> None:
    simulation = Simulation(load("paddock").with_(minutes=0.1))
    for pace in (0, -1, float("nan"), float("inf"), "fast"):
        with pytest.raises(FeedError, match="pace"):
            PtyFeed(simulation, pace)
    with TcpFeed(simulation) as first, pytest.raises(FeedError, match="can't listen"):
        TcpFeed(simulation, tcp_port=first.address[1])
    with PtyFeed(simulation, "max") as feed:
        feed.start()
        with pytest.raises(FeedError, match="already"):
            feed.start()
