"""The lines that `check` listens to: what arrives for a while, why nothing does, and what to do about it."""

from __future__ import annotations

import glob
import queue
import time
from dataclasses import dataclass, field

from edge.contract.errors import WrongInput
from edge.feed.assembler import Assembler, Second
from edge.feed.nmea import Fix
from edge.feed.ports import Reader

FAULT_S = 1.5
"""A line that is not open by then is not listened to any longer; a device that is plugged in is tried twice before."""

DEVICES = ("/dev/serial/by-id/*", "/dev/ttyUSB*", "/dev/ttyACM*", "/dev/ttyAMA*")
SHOWN_DEVICES = 6


@dataclass(slots=True)
class Heard:
    """What a line gave while it was listened to. `fault`: why it isn't open, empty while it is; `lines` by kind."""

    seconds: float = 0.0
    fault: str = ""
    counts: list[int] = field(default_factory=list)
    ms: int = 0
    levels: int | None = None
    fix: Fix | None = None
    lines: dict[str, int] = field(default_factory=dict)

    @property
    def arrived(self) -> int:
        """Lines of any kind."""
        return sum(self.lines.values())


class PortListener:
    """Reads one port in the background; `listen` sums what arrives from its call on."""

    def __init__(self, spec: str, baud: int, beams: frozenset[int] = frozenset()) -> None:
        self.spec, self.baud = spec, baud
        self._chunks: queue.Queue[tuple[int, list[bytes]]] = queue.Queue()
        self._assembler = Assembler(beams)
        self._closed_ms = 0
        self._levels: int | None = None
        self._fix: Fix | None = None
        self._reader = Reader(spec, baud, _wall_ms, self._arrived)
        self._reader.start()

    def _arrived(self, stamp_ms: int, lines: list[bytes]) -> None:
        self._chunks.put((stamp_ms, lines))

    def listen(self, seconds: float) -> Heard:
        """What arrives for so many seconds; less where the line does not open."""
        self._drain()  # what came while a person was reading or walking belongs to nothing
        self._fix = None
        before, ms, lines = self._assembler.total_pulses(), self._ms(), self._lines()
        began = time.monotonic()
        while (passed := time.monotonic() - began) < seconds:
            if self._reader.fault and passed >= FAULT_S:
                break
            try:
                stamp_ms, chunk = self._chunks.get(timeout=min(seconds - passed, 0.25))
            except queue.Empty:
                continue
            self._take(stamp_ms, chunk)
        after = self._assembler.total_pulses()
        parts = self._assembler.open_parts
        return Heard(
            seconds,
            self._reader.fault,
            [count - (before[at] if at < len(before) else 0) for at, count in enumerate(after)],
            self._ms() - ms,
            parts[-1].levels if parts else self._levels,
            self._fix,
            {kind: count - lines[kind] for kind, count in self._lines().items()},
        )

    def _drain(self) -> None:
        while True:
            try:
                self._take(*self._chunks.get_nowait())
            except queue.Empty:
                return

    def _take(self, stamp_ms: int, lines: list[bytes]) -> None:
        for line in lines:
            for second in self._assembler.take(stamp_ms, line):
                self._close(second)

    def _close(self, second: Second) -> None:
        self._fix = second.fix or self._fix
        for part in second.parts:
            self._closed_ms += part.ms
            self._levels = part.levels

    def _ms(self) -> int:
        return self._closed_ms + sum(part.ms for part in self._assembler.open_parts)

    def _lines(self) -> dict[str, int]:
        counted = self._assembler.lines
        return {"good": counted.good, "bad_crc": counted.bad_crc, "malformed": counted.malformed}

    def close(self) -> None:
        """Stop reading."""
        self._reader.stop()
        self._reader.join(timeout=3)


def trouble(line: PortListener, heard: Heard, key: str) -> str:
    """What is wrong with a line and what to do about it, in one line; empty where good sentences arrive.

    `key`: the settings' key that names the port. Raises WrongInput where it can't name one.
    """
    if "no TCP address" in heard.fault:
        raise WrongInput(f"check: {key}: found {heard.fault}")
    if heard.fault:
        return f"{_plain(line.spec, heard.fault)}; {_remedy(heard.fault, key)}"
    if not heard.arrived:
        return (
            f"{line.spec}: open, but nothing arrives in {heard.seconds:.0f} s; look at the sender's supply, plug and cable, "
            f"and at the speed of the line ({line.baud} baud)"
        )
    if not heard.lines["good"]:
        return (
            f"{line.spec}: {heard.arrived} lines arrive in {heard.seconds:.0f} s, none of them a good sentence; look at the "
            f"speed of the line ({line.baud} baud), its earth wire, and what sends there"
        )
    return ""


def _plain(spec: str, fault: str) -> str:
    """The system's words for the two commonest faults are not a person's."""
    if "No such file" in fault:
        return f"{spec}: no such device"
    return f"{spec}: no serial device" if "Inappropriate ioctl" in fault else fault


def _remedy(fault: str, key: str) -> str:
    if "held by another program" in fault:
        return "a running kit holds its line: stop `tailgrain run` or its service first, or look at the running kit's page"
    if "Permission denied" in fault or "Errno 13" in fault:
        return "your user may not open it: it must be in the device's group (often dialout), then log in again"
    if "can't be reached" in fault:
        return f"look at {key}, at the network, and whether the sender runs"
    if "line lost" in fault:
        return "look at plug and cable"
    there = sorted({name for pattern in DEVICES for name in glob.glob(pattern)})[:SHOWN_DEVICES]
    found = f"devices that are there: {', '.join(there)}" if there else "no serial device is there: look at the plug"
    return f"look at {key} ({found})"


def _wall_ms() -> int:
    return time.time_ns() // 1_000_000
