"""Sending a simulation to a reader, paced or as fast as it reads; what kind of line it is stands in the subclasses."""

from __future__ import annotations

import math
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from types import TracebackType
from typing import Literal, Self

from sim_feed.field.script import Entry
from sim_feed.parameters.errors import FeedError
from sim_feed.run.simulation import Simulation

Pace = float | Literal["max"]
OnEntry = Callable[[Entry, int], None]

BATCH_BYTES = 4096
"""At full speed ticks are written together up to this size; one with entries is never held back."""

POLL_S = 0.05
DRAIN_LIMIT_S = 30.0


class Feed(ABC):
    """A simulation being sent to a reader; see the subclasses.

    on_entry(entry, ms): called in the feed's thread at the entry's tick, once all bytes up to it are with the reader.
    catch_up_epoch: when given, the feed runs at full speed until that epoch + ms has reached the wall clock, then at
    `pace`. `error` holds what ended the run early, `finished` is set when it is over.
    """

    def __init__(
        self,
        simulation: Simulation,
        pace: Pace = 1.0,
        on_entry: OnEntry | None = None,
        catch_up_epoch: float | None = None,
    ) -> None:
        if pace != "max" and not (isinstance(pace, int | float) and 0 < pace < math.inf):
            raise FeedError(f"pace: found {pace!r}, a number over 0 or 'max' is wanted")
        self.simulation = simulation
        self.pace: Pace = pace
        self.on_entry = on_entry
        self.catch_up_epoch = catch_up_epoch
        self.error: Exception | None = None
        self.finished = threading.Event()
        self.sent_bytes = 0
        self.ms = 0
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        if catch_up_epoch is not None:
            simulation.epoch = catch_up_epoch

    @property
    @abstractmethod
    def port(self) -> str:
        """What the settings' `serial.port` has to be for this feed."""

    @abstractmethod
    def _send(self, data: bytes) -> None:
        """Hand all bytes to the kernel, waiting for room; returns early only when the feed is being closed."""

    @abstractmethod
    def _drained(self) -> bool:
        """Whether the reader has taken all bytes sent so far."""

    @abstractmethod
    def _release(self) -> None:
        """Close what the kernel lent."""

    def _wait_reader(self) -> None:  # noqa: B027 - a pty needs no reader to begin
        """Wait until somebody can read."""

    def start(self) -> Self:
        """Run in a thread of its own; returns the feed."""
        if self._thread is not None:
            raise FeedError("the feed has been started already")
        self._thread = threading.Thread(target=self._run_and_keep_error, name="sim-feed", daemon=True)
        self._thread.start()
        return self

    def _run_and_keep_error(self) -> None:
        try:
            self.run()
        except Exception as error:  # noqa: BLE001 - kept for the owner of the thread, who looks at `error`
            self.error = error

    def run(self) -> None:
        """Send the whole simulation; returns when the reader has taken all of it, or after `close()`."""
        try:
            self._wait_reader()
            self._send_all()
            self.wait_drained(DRAIN_LIMIT_S)
        finally:
            self.finished.set()

    def _send_all(self) -> None:
        began, at_ms = time.monotonic(), 0
        catching_up = self.catch_up_epoch is not None
        held: list[bytes] = []
        size = 0
        for tick in self.simulation:
            if self._stop.is_set():
                return
            if catching_up and (self.catch_up_epoch or 0.0) + tick.ms / 1000.0 >= time.time():
                catching_up = False
                began, at_ms = time.monotonic(), tick.ms
            held += tick.lines
            size += sum(map(len, tick.lines))
            paced = self.pace != "max" and not catching_up
            if paced:
                due = began + (tick.ms - at_ms) / 1000.0 / float(self.pace)
                self._stop.wait(max(0.0, due - time.monotonic()))
            if paced or tick.entries or size >= BATCH_BYTES:
                self._send(b"".join(held))
                held, size = [], 0
            self.ms = tick.ms
            if tick.entries and self.on_entry is not None:
                self.wait_drained(DRAIN_LIMIT_S)
                for entry in tick.entries:
                    self.on_entry(entry, tick.ms)
        self._send(b"".join(held))

    def wait_drained(self, within_s: float) -> bool:
        """Wait until the reader has taken all bytes; False when it has not in time or the feed is being closed."""
        limit = time.monotonic() + within_s
        while not self._drained():
            if self._stop.wait(0.001) or time.monotonic() > limit:
                return False
        return True

    def join(self, within_s: float | None = None) -> bool:
        """Wait for the end of a started run; raises what ended it early. False when it still runs."""
        over = self.finished.wait(within_s)
        if over and self._thread is not None:
            self._thread.join()
        if self.error is not None:
            raise self.error
        return over

    def close(self) -> None:
        """Stop sending and close the line; may be called twice."""
        self._stop.set()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join()
        self._release()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()
