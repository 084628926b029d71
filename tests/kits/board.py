"""The one counter board that tests play: on a pty, true to its counts; a test can unplug, reboot, garble and freeze it."""

from __future__ import annotations

import os
import tempfile
import threading
import time
import tty
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from tests.kits.settings import beam, both_sides, ground, kit_toml
from tests.kits.wire import count_line, framed

TICK_S = 0.1
BROUGHT = (1, 2, 3, 1, 40, 2, 1)
"""Counts that each tick adds unless told otherwise; input 4 is the beam (ms blocked)."""


def board_toml(kit: str, port: Path, broker_port: int, store: Path, nmea_port: Path | None = None, **said: Any) -> str:
    """Settings of a kit on a board that brings `BROUGHT`."""
    inputs = [*both_sides("separator"), beam(at=4), ground(9.87, at=5)]
    serial = {"port": str(port)} | ({} if nmea_port is None else {"nmea_port": str(nmea_port)})
    return kit_toml(
        inputs, name="Older machine", cut_width_m=9.1, kit=kit, serial=serial, mqtt={"port": broker_port},
        store={"path": str(store), "disk_floor_mb": 0}, **said,
    )  # fmt: skip


class Pty:
    """A pty under a name of the test's choosing, or else under one that ends with it: the system gives its own number to the
    next pty, which a kit left over would take."""

    def __init__(self, link: Path | None = None) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="tailgrain-board-")) if link is None else None
        self.link = link if self._folder is None else self._folder / "counter"
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(self.slave))

    def write(self, data: bytes) -> int:
        """As much as there is room for, as a serial line does."""
        try:
            return os.write(self.master, data)
        except OSError:
            return 0

    def write_all(self, data: bytes) -> None:
        """Everything, as fast as it is read."""
        os.set_blocking(self.master, True)
        try:
            os.write(self.master, data)
        finally:
            os.set_blocking(self.master, False)

    def unplug(self) -> None:
        self.link.unlink(missing_ok=True)
        if self._folder is not None:
            self._folder.rmdir()
        for end in (self.master, self.slave):
            os.close(end)


class Board:
    """A board that ticks when it is told, or by itself every `every_s` from `start` on.

    A tick takes `tick_ms` of its own time, adds `brought` to its counts and says one sentence, with `hellos` also what it is,
    every now and then. `through` may change what goes out; `frozen` repeats the last sentence.
    """

    def __init__(
        self,
        link: Path | None = None,
        brought: Sequence[int] = BROUGHT,
        levels: int = 2,
        tick_ms: int = 100,
        every_s: float = TICK_S,
        hellos: bool = False,
    ) -> None:
        self.pty: Pty | None = Pty(link)
        self.brought, self.levels = list(brought), levels
        self.through: Callable[[bytes], bytes] = lambda line: line
        self.frozen = False
        self.counts = [0] * len(self.brought)
        self.seq = self.ms = self.ticks = 0
        self._tick_ms, self._every_s, self._hellos = tick_ms, every_s, hellos
        self._line = b""
        self._lock = threading.Lock()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    @property
    def port(self) -> str:
        assert self.pty is not None
        return str(self.pty.link)

    def start(self) -> None:
        self._thread.start()

    def _run(self) -> None:
        due = time.monotonic()
        while not self._over.wait(max(0.0, due - time.monotonic())):
            due += self._every_s
            self.tick()

    def tick(self) -> int:
        """One tick; returns how much of its sentence went out, nothing while it is unplugged."""
        with self._lock:
            return 0 if self.pty is None else self.pty.write(self.through(self._next()))

    def send(self, ticks: int, *first: int) -> None:
        """So many ticks as fast as they are read; `first` are counts of the first inputs in place of those usually brought."""
        for _ in range(ticks):
            assert self.pty is not None
            self.pty.write_all(self._next(first))

    def _next(self, first: Sequence[int] = ()) -> bytes:
        if self.frozen:
            return self._line
        self.seq, self.ms, self.ticks = (self.seq + 1) % 65_536, self.ms + self._tick_ms, self.ticks + 1
        for at, one in enumerate([*first, *self.brought[len(first) :]]):
            self.counts[at] += one
        self._line = count_line(self.seq, self.ms, *self.counts, levels=self.levels) + b"\n"
        hello = framed(f"TGH,1,test,1.0,{len(self.counts)},{self._tick_ms}") + b"\n"
        return hello + self._line if self._hellos and self.seq % 20 == 1 else self._line

    def reboot(self) -> None:
        """Power gone and back: everything counts from zero."""
        with self._lock:
            self.seq = self.ms = 0
            self.counts = [0] * len(self.brought)

    def unplug(self) -> None:
        with self._lock:
            assert self.pty is not None
            self.pty.unplug()
            self.pty = None

    def plug(self, link: Path) -> None:
        """Back under this name; the board was powered by the plug, so it starts from zero."""
        self.reboot()
        made = Pty(link)
        with self._lock:
            self.pty = made

    def close(self) -> None:
        self._over.set()
        if self._thread.ident is not None:
            self._thread.join()
        if self.pty is not None:
            self.pty.unplug()
            self.pty = None


def field_board() -> Board:
    """A board of `WIRED` that says each second of work in crop at 7.2 km/h in one sentence, as fast as it is read."""
    return Board(brought=(31, 20, 20), levels=3, tick_ms=1000)
