"""Where sentences come from: a serial device or pty, or a TCP address. Every read has a time limit.

`read()` returns what has arrived (empty after the limit) and raises OSError when the line is gone; `Reader` opens again.
"""

from __future__ import annotations

import logging
import socket
import threading
from collections.abc import Callable
from importlib import import_module
from typing import Protocol

import serial

from edge.errors import PortError
from edge.feed.lines import LineSplitter

LOG = logging.getLogger("tailgrain.feed")

READ_LIMIT_S = 0.2
CONNECT_LIMIT_S = 3.0
FIRST_WAIT_S = 0.5
LONGEST_WAIT_S = 2.0


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
        except (OSError, ValueError) as fault:  # SerialException is an OSError
            raise PortError(f"{spec}: can't be opened ({fault})") from fault
        self._port = port

    def read(self) -> bytes:
        """What has arrived; at least one byte or the time limit."""
        data: bytes = self._port.read(self._port.in_waiting or 1)
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

    def read(self) -> bytes:
        """What has arrived; OSError when the other side closed."""
        try:
            data = self._socket.recv(65_536)
        except TimeoutError:
            return b""
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


class Reader(threading.Thread):
    """Reads one port and queues its lines, nothing else. Opens the port again when it is gone.

    `deliver(stamp_ms, lines)` gets the arrival stamp of a chunk and the lines it completed; `stamp()` gives it.
    """

    def __init__(
        self, spec: str, baud: int, stamp: Callable[[], int], deliver: Callable[[int, list[bytes]], None]
    ) -> None:
        super().__init__(name=f"reader {spec}", daemon=True)
        self._spec, self._baud, self._stamp, self._deliver = spec, baud, stamp, deliver
        self._stopping = threading.Event()

    def run(self) -> None:
        """Until stopped: open, read, wait a little, open again."""
        wait_s = FIRST_WAIT_S
        said = ""
        while not self._stopping.is_set():
            try:
                port = open_port(self._spec, self._baud)
            except PortError as fault:
                if str(fault) != said:
                    LOG.warning("%s; trying again", fault)
                    said = str(fault)
                self._stopping.wait(wait_s)
                wait_s = min(2 * wait_s, LONGEST_WAIT_S)
                continue
            LOG.info("%s: open", self._spec)
            wait_s, said = FIRST_WAIT_S, ""
            try:
                self._read(port)
            except OSError as fault:
                LOG.warning("%s: line lost (%s); opening it again", self._spec, fault)
            finally:
                port.close()
            self._stopping.wait(wait_s)

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
