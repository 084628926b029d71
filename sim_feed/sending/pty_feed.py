"""A simulated serial device: the slave side of a pseudo terminal."""

from __future__ import annotations

import os
import select
import shutil
import tempfile
import tty
from pathlib import Path

from sim_feed.run.simulation import Simulation
from sim_feed.sending.feed import POLL_S, Feed, OnEntry, Pace


class PtyFeed(Feed):
    """Feeds the slave side of a pty, raw, as a serial device would; `port` is its name.

    The kernel holds about 20 kB for a reader, and opening a serial port commonly flushes what is held: start the feed
    when the reader has the port open. A handle on the slave is kept, so the line outlives readers that come and go.

    The name is a link of the feed's own and ends with it: the kernel gives a terminal's number to the next one, and a reader
    that still looks for this feed would take a stranger's line.
    """

    def __init__(
        self,
        simulation: Simulation,
        pace: Pace = 1.0,
        on_entry: OnEntry | None = None,
        catch_up_epoch: float | None = None,
    ) -> None:
        super().__init__(simulation, pace, on_entry, catch_up_epoch)
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self._folder = Path(tempfile.mkdtemp(prefix="tailgrain-feed-"))
        link = self._folder / "counter"
        link.symlink_to(os.ttyname(self._slave))
        self._port = str(link)
        self._room = select.poll()
        self._room.register(self._master, select.POLLOUT)
        self._held = select.poll()
        self._held.register(self._slave, select.POLLIN)
        self._open = True

    @property
    def port(self) -> str:
        return self._port

    def _send(self, data: bytes) -> None:
        view = memoryview(data)
        while view and not self._stop.is_set():
            try:
                sent = os.write(self._master, view)
            except BlockingIOError:
                self._room.poll(POLL_S * 1000.0)
                continue
            self.sent_bytes += sent
            view = view[sent:]

    def _drained(self) -> bool:
        return not self._held.poll(0)

    def _release(self) -> None:
        if self._open:
            self._open = False
            shutil.rmtree(self._folder, ignore_errors=True)
            os.close(self._master)
            os.close(self._slave)
