"""A counter board on a pty that a test can unplug, reboot, garble and freeze; it knows exactly what it has counted."""

from __future__ import annotations

import os
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

from edge.feed.sentences import frame

TICK_S = 0.1
INPUTS = 7
BROUGHT = (1, 2, 3, 1, 40, 2, 1)
"""Counts that each tick adds; input 4 is the beam (ms blocked)."""

SETTINGS = """
[machine]
name = "Older machine"
cut_width_m = 9.1
kit = "{kit}"
[[input]]
at = 0
reads = "loss"
point = "separator"
side = "left"
[[input]]
at = 1
reads = "loss"
point = "separator"
side = "right"
[[input]]
at = 4
reads = "beam"
[[input]]
at = 5
reads = "ground"
pulses_per_m = 9.87
[[level]]
bit = 0
means = "front down"
[[level]]
bit = 1
means = "threshing on"
[serial]
port = "{port}"
{serial}
[mqtt]
port = {mqtt}
[store]
path = "{store}"
disk_floor_mb = 0
"""


class Pty:
    """A pty under a name of the test's choosing."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        link.unlink(missing_ok=True)
        link.symlink_to(os.ttyname(self.slave))

    def write(self, data: bytes) -> int:
        """As much as there is room for, as a serial line does."""
        try:
            return os.write(self.master, data)
        except OSError:
            return 0

    def unplug(self) -> None:
        self.link.unlink(missing_ok=True)
        for end in (self.master, self.slave):
            os.close(end)


class Board(threading.Thread):
    """Ticks ten times a second from `start` on. `through` may change what goes out; `frozen` repeats the last sentence."""

    def __init__(self, link: Path) -> None:
        super().__init__(daemon=True)
        self.pty: Pty | None = Pty(link)
        self.through: Callable[[bytes], bytes] = lambda line: line
        self.frozen = False
        self.silent = False
        self._lock = threading.Lock()
        self._over = threading.Event()
        self._seq = self._ms = 0
        self._counts = [0] * INPUTS
        self._line = b""
        self.brought = [0] * INPUTS
        self.ticks = 0

    def run(self) -> None:
        due = time.monotonic()
        while not self._over.wait(max(0.0, due - time.monotonic())):
            due += TICK_S
            with self._lock:
                if self.pty is not None and not self.silent:
                    self._tick()

    def _tick(self) -> None:
        assert self.pty is not None
        hello = b""
        if not self.frozen:
            self._seq = (self._seq + 1) % 65_536
            self._ms += round(1000 * TICK_S)
            self.ticks += 1
            for at, one in enumerate(BROUGHT):
                self._counts[at] += one
                self.brought[at] += one
            if self._seq % 20 == 1:
                hello = frame(f"TGH,1,test,1.0,{INPUTS},100")
            self._line = frame(f"TGC,1,{self._seq},{self._ms},2,{','.join(map(str, self._counts))}")
        self.pty.write(self.through(hello + self._line))

    def reboot(self) -> None:
        """Power gone and back: everything counts from zero."""
        with self._lock:
            self._seq = self._ms = 0
            self._counts = [0] * INPUTS

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
        self.join()
        if self.pty is not None:
            self.pty.unplug()
