"""What can go wrong between the counter board and the kit, each fault played on a real kit."""

from __future__ import annotations

import fcntl
import json
import os
import random
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from tests.kits.board import BROUGHT, Board, Pty, board_toml
from tests.kits.broker import Broker
from tests.kits.ears import Ear
from tests.kits.faults.forked import ForkedKit, Nursery
from tests.kits.faults.proc import resident_kb
from tests.kits.tools import passing, wait_until
from tests.kits.wire import rmc

BACK_WITHIN_S = 5.0
SAID_WITHIN_S = 12.0


class Place:
    """One kit on a board of its own, with an ear at the broker."""

    def __init__(
        self,
        nursery: Nursery,
        folder: Path,
        broker: Broker,
        name: str,
        pattern: str = "board",
        nmea_port: Path | None = None,
        opens: bool = True,
    ) -> None:
        folder.mkdir(parents=True)
        self._opens = opens
        self.folder, self.name = folder, name
        self.board = Board(folder / "board", hellos=True)
        toml = board_toml(name, folder / pattern, broker.port, folder / "state", nmea_port)
        self.kit = ForkedKit(nursery, folder, toml)
        self.ear = Ear(broker.port)

    def __enter__(self) -> Place:
        self.kit.start()
        if self._opens:
            # What a board said before is thrown away by the opening, and a busy disk may keep a new database waiting for
            # seconds: the account of ticks begins here.
            wait_until(lambda: "board: open" in self.kit.log, 20, lambda: f"{self.name}: the line open ({self.kit.log[-2000:]})")
        self.board.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.kit.kill()
        self.board.close()
        self.ear.close()

    def measuring(self) -> None:
        """Counts flow: a second with all ten sentences came out."""
        wait_until(self.is_measuring, 15, lambda: f"{self.name}: measuring ({self.kit.log[-2000:]})")

    def is_measuring(self) -> bool:
        rows = self.kit.query("SELECT state FROM second ORDER BY run DESC, number DESC LIMIT 1")
        return bool(rows) and rows[0][0] != "no data"

    def pulses(self) -> list[int]:
        """Everything that was kept, by input."""
        total = [0] * len(BROUGHT)
        for (parts,) in self.kit.query("SELECT parts FROM counts"):
            for _, _, _, counts in json.loads(parts):
                total = [a + b for a, b in zip(total, counts, strict=True)]
        return total

    def nothing_invented(self, lost_ticks: float) -> None:
        """All inputs counted the same ticks: as many as the board made, less what lay in its restarts and is still open."""
        counted = self.pulses()
        ticks = {count / one for count, one in zip(counted, BROUGHT, strict=True)}
        assert len(ticks) == 1, counted
        (found,) = ticks
        assert self.board.ticks - lost_ticks <= found <= self.board.ticks

    def said_once(self, rule: str) -> None:
        assert self.kit.alerts(rule).count("raised") == 1, self.kit.alerts(rule)

    def said(self, rule: str) -> bool:
        return "raised" in self.kit.alerts(rule)

    def shown(self, rule: str) -> dict[str, Any]:
        """The alert as it was first told at the broker."""
        return next(one.plain for one in self.ear.heard(f"{self.name}/alert/{rule}") if one.plain["state"] == "raised")


Scenario = Callable[[Nursery, Path, Broker], float]
"""Plays one fault; returns the seconds from its end until the kit measured again."""


def unplugged_and_back_under_another_name(nursery: Nursery, folder: Path, broker: Broker) -> float:
    with Place(nursery, folder, broker, "unplugged", pattern="board*") as place:
        place.measuring()
        place.board.unplug()
        wait_until(lambda: place.said("no-data"), SAID_WITHIN_S, "no-data said")
        place.board.plug(folder / "board7")
        back_s = passing(place.is_measuring, BACK_WITHIN_S, "measuring again")
        wait_until(lambda: place.kit.alerts("no-data")[-1] in ("returned", "cleared"), 15, "no-data over")
        place.said_once("no-data")
        assert "board*: no such device" in place.shown("no-data")["text"]
        place.nothing_invented(lost_ticks=80)
        assert place.kit.alive
    return back_s


def held_by_another_program(nursery: Nursery, folder: Path, broker: Broker) -> float:
    folder.mkdir(parents=True)
    place = Place(nursery, folder / "kit", broker, "held", opens=False)
    other = os.open(os.path.realpath(place.board.pty.link), os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(other, fcntl.LOCK_EX)
    try:
        with place:
            wait_until(lambda: place.said("no-data"), SAID_WITHIN_S, "no-data said before the first second")
            assert "held by another program" in place.shown("no-data")["text"]
            assert place.kit.query("SELECT count(*) FROM second") == [(0,)]
            fcntl.flock(other, fcntl.LOCK_UN)
            back_s = passing(place.is_measuring, BACK_WITHIN_S, lambda: f"measuring ({place.kit.log})")
            place.said_once("no-data")
            assert place.kit.log.count("held by another program") == 1
            return back_s
    finally:
        os.close(other)


def read_by_another_program_too(nursery: Nursery, folder: Path, broker: Broker) -> float:
    with Place(nursery, folder, broker, "stolen") as place:
        place.measuring()
        thief = os.open(os.path.realpath(place.board.pty.link), os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            began = time.monotonic()
            stolen = 0
            pause = threading.Event()
            # Until it took a chunk between the kit's look and its read, which a busy machine may put off.
            while (over := time.monotonic() - began) < 4 or (place.kit.log.count("line lost") == 0 and over < 30):
                try:
                    stolen += len(os.read(thief, 40))
                except BlockingIOError:
                    pause.wait(0.02)
        finally:
            os.close(thief)
        assert stolen > 100
        assert place.kit.log.count("line lost") == 1
        back_s = passing(place.is_measuring, BACK_WITHIN_S, "measuring again")
        done = place.board.ticks
        wait_until(lambda: place.pulses()[0] >= done - 12, BACK_WITHIN_S, "counts caught up")
        place.nothing_invented(lost_ticks=30)
    return back_s


def half_lines_and_noise(nursery: Nursery, folder: Path, broker: Broker) -> float:
    chance = random.Random(1)

    def garble(line: bytes) -> bytes:
        kind = chance.randrange(5)
        noise = chance.randbytes(chance.randrange(1, 400))
        half = chance.randrange(len(line))
        return (line[:half], noise, line[half:], noise + line, line[: half // 2] + noise + line[half:])[kind]

    with Place(nursery, folder, broker, "noisy") as place:
        place.measuring()
        place.board.through = garble
        wait_until(lambda: place.board.ticks > 80, 20, "eight seconds of noise")
        place.board.through = lambda line: line
        back_s = passing(place.is_measuring, BACK_WITHIN_S, "measuring again")
        done = place.board.ticks
        wait_until(lambda: place.pulses()[0] >= done - 12, BACK_WITHIN_S, "counts caught up")
        place.nothing_invented(lost_ticks=30)
        assert place.kit.alerts("board-restarted") == []
    return back_s


def flooded(nursery: Nursery, folder: Path, broker: Broker) -> float:
    """Far more than a full line at 115,200 baud (11.5 kB/s): as much as the pty takes, for six seconds."""
    chance = random.Random(2)
    chunks = [chance.randbytes(3000), b"\n" * 3000, b"$TGC,1," * 400, b"ab\n" * 1000]
    with Place(nursery, folder, broker, "flooded") as place:
        place.measuring()
        sent = 0
        until = time.monotonic() + 6
        pause = threading.Event()
        while time.monotonic() < until:
            wrote = place.board.pty.write(chunks[sent % len(chunks)])
            sent += wrote
            if not wrote:
                pause.wait(0.002)
        assert sent > 11_520 * 6
        back_s = passing(place.is_measuring, BACK_WITHIN_S, "measuring again")
        done = place.board.ticks
        wait_until(lambda: place.pulses()[0] >= done - 12, BACK_WITHIN_S, "counts caught up")
        place.nothing_invented(lost_ticks=30)
        assert resident_kb(place.kit.pid) < 250_000
    return back_s


def a_stuck_sender(nursery: Nursery, folder: Path, broker: Broker) -> float:
    with Place(nursery, folder, broker, "stuck") as place:
        place.measuring()
        place.board.frozen = True
        wait_until(lambda: place.said("no-data"), SAID_WITHIN_S, "no-data said")
        place.board.frozen = False
        back_s = passing(place.is_measuring, BACK_WITHIN_S, "measuring again")
        wait_until(lambda: place.kit.alerts("no-data")[-1] in ("returned", "cleared"), 15, "no-data over")
        place.said_once("no-data")
        place.nothing_invented(lost_ticks=30)
    return back_s


def a_board_that_reboots_every_few_seconds(nursery: Nursery, folder: Path, broker: Broker) -> float:
    with Place(nursery, folder, broker, "rebooting") as place:
        place.measuring()
        for number in range(1, 3):
            ticks = place.board.ticks
            wait_until(lambda ticks=ticks: place.board.ticks >= ticks + 33, 10, "three seconds of one life")
            place.board.reboot()
            restarts = number
            back_s = passing(lambda n=restarts: len(place.kit.bodies("restart")) == n, BACK_WITHIN_S, "restart on record")
        wait_until(lambda: place.said("board-restarted"), SAID_WITHIN_S, "board-restarted said")  # a commit may lie between
        place.said_once("board-restarted")
        assert not place.said("no-data")
        place.nothing_invented(lost_ticks=40)
    return back_s


def a_receiver_that_falls_silent_and_then_lies(nursery: Nursery, folder: Path, broker: Broker) -> float:
    receiver = Pty(_made(folder) / "receiver")
    place = Place(nursery, folder / "kit", broker, "receiver", nmea_port=receiver.link)
    over = threading.Event()
    shift = [timedelta()]
    speaking = [True]

    def speak() -> None:
        while not over.wait(0.5):
            if speaking[0]:
                receiver.write(rmc(datetime.now(UTC) + shift[0]))

    speaker = threading.Thread(target=speak)
    speaker.start()
    try:
        with place:
            place.measuring()
            wait_until(lambda: place.kit.query("SELECT count(*) FROM second WHERE lat IS NOT NULL")[0][0] > 1, 10, "positions")
            speaking[0] = False
            wait_until(lambda: place.kit.query("SELECT lat FROM second ORDER BY number DESC LIMIT 1")[0][0] is None, 15, "silent")
            assert place.is_measuring()
            shift[0] = timedelta(days=-1024 * 7)  # the weeks of the position system have rolled over
            speaking[0] = True
            wait_until(lambda: place.said("clock-stepped"), 20, "the difference said")
            (body,) = place.kit.bodies("clock offset")
            assert body["source"] == "receiver" and body["believed"] is False
            assert abs(body["offset_ms"] + 1024 * 7 * 86_400_000) < 3000
            assert place.is_measuring()
            times = [row[0] for row in place.kit.query("SELECT t FROM second ORDER BY number")]
            assert times == list(range(times[0], times[0] + len(times)))  # our own stamps did not follow it
            place.said_once("clock-stepped")
            place.nothing_invented(lost_ticks=30)
            return 0.0  # it never stopped measuring
    finally:
        over.set()
        speaker.join()
        receiver.unplug()


def _made(folder: Path) -> Path:
    folder.mkdir(parents=True)
    return folder


SCENARIOS: dict[str, Scenario] = {
    one.__name__: one
    for one in (
        unplugged_and_back_under_another_name,
        held_by_another_program,
        read_by_another_program_too,
        half_lines_and_noise,
        flooded,
        a_stuck_sender,
        a_board_that_reboots_every_few_seconds,
        a_receiver_that_falls_silent_and_then_lies,
    )
}
