"""Where sentences come from: a serial device or pty, or a TCP address. Every read has a time limit.

`read()` returns what has arrived (empty after the limit) and raises OSError when the line is gone; `Reader` opens again.
A device that comes back under another name is found again: by a pattern in the settings (`/dev/ttyUSB*`), or by the
stable name that the system kept for it.
"""

from __future__ import annotations

import glob
import logging
import os
import socket
import termios
import threading
import time
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Protocol

import serial

from edge.contract.errors import PortError
from edge.feed.faultlog import FaultLog
from edge.feed.lines import LineSplitter

LOG = logging.getLogger("tailgrain.feed")

READ_LIMIT_S = 0.2
CONNECT_LIMIT_S = 3.0
FIRST_WAIT_S = 0.5
LONGEST_WAIT_S = 1.0
"""A line that is back is read within this; its first second takes up to 1.25 s to close and 0.95 s to lie on disk. Measuring
again within 5 s leaves a slow board 1.8 s. An open that fails costs next to nothing."""

SILENT_S = 10.0
"""A TCP peer that lost its power says nothing for ever; a counter speaks ten times a second, a receiver once."""

TCP_CHUNK = 16_384
STABLE_NAMES = (Path("/dev/serial/by-id"), Path("/dev/serial/by-path"))
"""Where the system keeps names that outlive a plug: by the device's own number, then by the socket it sits in."""


class Port(Protocol):
    """One open line."""

    def read(self) -> bytes:
        """Bytes that arrived, empty after the time limit. Raises OSError when the line is gone."""

    def close(self) -> None:
        """Let go of the line."""


class DevicePort:
    """A serial device or pty by pyserial, held for this program alone."""

    def __init__(self, spec: str, baud: int) -> None:
        port = serial.Serial(baudrate=baud, timeout=READ_LIMIT_S, write_timeout=1, exclusive=True)
        port.port = spec
        port.dtr = False  # many boards restart when this line moves
        try:
            port.open()
        except (OSError, ValueError, termios.error) as fault:  # SerialException is an OSError
            why = "held by another program" if "exclusively lock" in str(fault) else f"can't be opened ({fault})"
            raise PortError(f"{spec}: {why}") from fault
        self._port = port

    def read(self) -> bytes:
        """What has arrived; at least one byte or the time limit."""
        try:
            data: bytes = self._port.read(self._port.in_waiting or 1)
        except termios.error as fault:  # no OSError, although it is one
            raise OSError(*fault.args) from fault
        return data

    def close(self) -> None:
        """Close the device."""
        self._port.close()


class TcpPort:
    """A TCP address `socket://host:port`, read with recv (byte-wise readers cost 70 times as much)."""

    def __init__(self, spec: str, baud: int) -> None:
        host, _, port = spec.removeprefix("socket://").rpartition(":")
        if not host or not port.isdigit():
            raise PortError(f"{spec}: no TCP address; allowed: socket://host:port")
        try:
            self._socket = socket.create_connection((host.strip("[]"), int(port)), timeout=CONNECT_LIMIT_S)
        except (OSError, OverflowError) as fault:
            raise PortError(f"{spec}: can't be reached ({fault})") from fault
        self._socket.settimeout(READ_LIMIT_S)
        self._heard = time.monotonic()

    def read(self) -> bytes:
        """What has arrived; OSError when the other side closed, or said nothing for 10 s."""
        try:
            data = self._socket.recv(TCP_CHUNK)
        except TimeoutError:
            if time.monotonic() - self._heard > SILENT_S:
                raise ConnectionResetError(f"nothing heard for {SILENT_S:.0f} s") from None
            return b""
        self._heard = time.monotonic()
        if not data:
            raise ConnectionResetError("the other side closed the connection")
        return data

    def close(self) -> None:
        """Close the connection."""
        self._socket.close()


PORTS: dict[str, tuple[str, str]] = {
    "socket://": ("edge.feed.ports", "TcpPort"),
    "": ("edge.feed.ports", "DevicePort"),
}
"""Prefix of a port's name -> module and class, imported when asked for."""


def open_port(spec: str, baud: int) -> Port:
    """Open a port by its name. Raises PortError."""
    module, name = next(place for prefix, place in PORTS.items() if spec.startswith(prefix))
    port: Port = getattr(import_module(module), name)(spec, baud)
    return port


def candidates(spec: str) -> list[str]:
    """Names that a port's name stands for now: itself, or all devices that match its pattern, sorted."""
    if spec.startswith("socket://") or not glob.has_magic(spec) or os.path.exists(spec):
        return [spec]
    return sorted(glob.glob(spec))


def stable_names(device: str, folders: tuple[Path, ...] = STABLE_NAMES) -> list[str]:
    """The system's stable names of a device that is there now."""
    real = os.path.realpath(device)
    names: list[str] = []
    for folder in folders:
        try:
            names += sorted(str(link) for link in folder.iterdir() if os.path.realpath(link) == real)
        except OSError:  # a system without such names
            continue
    return [name for name in names if name != device]


class Reader(threading.Thread):
    """Reads one port and queues its lines, nothing else. Opens the port again when it is gone.

    `deliver(stamp_ms, lines)` gets the arrival stamp of a chunk and the lines it completed; `stamp()` gives it. `fault`
    says why the line is not open, empty while it is; `folders` hold the system's stable names.
    """

    def __init__(
        self,
        spec: str,
        baud: int,
        stamp: Callable[[], int],
        deliver: Callable[[int, list[bytes]], None],
        folders: tuple[Path, ...] = STABLE_NAMES,
    ) -> None:
        super().__init__(name=f"reader {spec}", daemon=True)
        self._spec, self._baud, self._stamp, self._deliver = spec, baud, stamp, deliver
        self._folders = folders
        self._known_as: list[str] = []
        self._stopping = threading.Event()
        self.fault = f"{spec}: not open yet"

    def run(self) -> None:
        """Until stopped: open, read, wait a little, open again."""
        wait_s = FIRST_WAIT_S
        said, opened = FaultLog(LOG), ""
        while not self._stopping.is_set():
            try:
                name, port = self._open()
            except PortError as fault:
                self.fault = str(fault)
                said.say(f"{fault}; trying again")
                self._stopping.wait(wait_s)
                wait_s = min(2 * wait_s, LONGEST_WAIT_S)
                continue
            wait_s, self.fault = FIRST_WAIT_S, ""
            if name != opened:
                LOG.info("%s: open", name)
                opened = name
            try:
                self._read(port)
            except (OSError, ValueError) as fault:  # ValueError: more open files than `select` can name
                self.fault = f"{name}: line lost ({fault})"
                said.say(f"{self.fault}; opening it again")
            finally:
                port.close()
            self._stopping.wait(wait_s)

    def _open(self) -> tuple[str, Port]:
        """The first of the port's names that opens. Raises the first name's PortError."""
        names = candidates(self._spec)
        if not any(map(os.path.exists, names)):
            names += [name for name in self._known_as if os.path.exists(name)]
        if not names:
            raise PortError(f"{self._spec}: no such device")
        first: PortError | None = None
        for name in names:
            try:
                port = open_port(name, self._baud)
            except PortError as fault:
                first = first or fault
                continue
            if not name.startswith("socket://"):
                self._known_as = stable_names(name, self._folders) or self._known_as
            return name, port
        assert first is not None
        raise first

    def _read(self, port: Port) -> None:
        splitter = LineSplitter()
        while not self._stopping.is_set():
            data = port.read()
            if data:
                lines = splitter.feed(data)
                if lines:
                    self._deliver(self._stamp(), lines)

    def stop(self) -> None:
        """Ask the thread to end; it does within one read's time limit."""
        self._stopping.set()
