"""Real lines: a pty as serial device, a TCP connection; both lost and found again."""

from __future__ import annotations

import os
import queue
import socket
import time
import tty

import pytest

from edge.contract.errors import PortError
from edge.feed.ports import DevicePort, Reader, TcpPort, open_port


@pytest.fixture
def pty():
    """Ends of a raw pty: the board's side, and the name of the side that a reader opens."""
    board, kit = os.openpty()
    tty.setraw(board)
    tty.setraw(kit)
    yield board, os.ttyname(kit)
    for end in (board, kit):
        os.close(end)


@pytest.fixture
def server():
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(10)
    yield listener
    listener.close()


def spec_of(server) -> str:
    return f"socket://127.0.0.1:{server.getsockname()[1]}"


class Ear:
    """A running reader and the lines it delivered."""

    def __init__(self, spec: str) -> None:
        self.lines: queue.Queue[tuple[int, bytes]] = queue.Queue()
        self._stamps = iter(range(1, 1_000_000))
        self.reader = Reader(spec, 115_200, lambda: next(self._stamps), self._deliver)

    def _deliver(self, stamp_ms: int, lines: list[bytes]) -> None:
        for line in lines:
            self.lines.put((stamp_ms, line))

    def hear(self, count: int) -> list[bytes]:
        return [self.lines.get(timeout=10)[1] for _ in range(count)]

    def __enter__(self) -> Ear:
        self.reader.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.reader.stop()
        self.reader.join(timeout=5)
        assert not self.reader.is_alive(), "the reader ends within a read's time limit"


def test_lines_of_a_serial_device_arrive_whole(pty):
    board, name = pty
    port = DevicePort(name, 115_200)  # open before the board speaks: opening empties what is in the line
    try:
        os.write(board, b"$one\r\n$tw")
        found = b""
        while len(found) < 8 and (data := port.read()):
            found += data
        assert found == b"$one\r\n$tw"
    finally:
        port.close()


def test_a_read_without_data_ends_by_itself(pty, server):
    _, name = pty
    for port in (DevicePort(name, 115_200), TcpPort(spec_of(server), 0)):
        began = time.monotonic()
        assert port.read() == b""
        assert 0.05 < time.monotonic() - began < 2
        port.close()


def test_a_device_is_held_for_one_program(pty):
    _, name = pty
    port = DevicePort(name, 115_200)
    try:
        with pytest.raises(PortError, match=name) as fault:
            DevicePort(name, 115_200)
        assert "\n" not in str(fault.value)
    finally:
        port.close()


def test_a_reader_splits_lines_and_stamps_a_chunk_once(pty, eventually):
    board, name = pty
    with Ear(name) as ear:
        # The reader's opening empties the line, so the board repeats itself until it is heard.
        eventually(lambda: os.write(board, b"$hello\n") and not ear.lines.empty(), within=10)
        os.write(board, b"$a\n$b\r\n$c")
        os.write(board, b"d\nend\n")
        heard = []
        while heard[-1:] != [b"end"]:
            heard += ear.hear(1)
        assert [line for line in heard if line != b"$hello"] == [b"$a", b"$b\r", b"$cd", b"end"]


def test_tcp_lines_arrive_and_a_lost_connection_is_opened_again(server):
    with Ear(spec_of(server)) as ear:
        for round_ in (b"1", b"2"):
            peer, _ = server.accept()
            peer.sendall(b"$first" + round_ + b"\n$half")
            assert ear.hear(1) == [b"$first" + round_]
            peer.close()  # the half line is gone with its connection and is never joined to the next one's
        peer, _ = server.accept()
        peer.sendall(b"$third\n")
        assert ear.hear(1) == [b"$third"]
        peer.close()


def test_a_reader_waits_for_a_device_that_is_not_there_yet(tmp_path, pty, eventually):
    board, name = pty
    link = tmp_path / "tty"
    with Ear(str(link)) as ear:
        link.symlink_to(name)
        eventually(lambda: os.write(board, b"$here\n") and not ear.lines.empty(), within=10)
        assert ear.hear(1) == [b"$here"]


@pytest.mark.parametrize(
    "spec", ["socket://", "socket://host", "socket://:80", "socket://127.0.0.1:x", "socket://127.0.0.1:99999999"]
)
def test_no_tcp_address_is_one_clear_fault(spec):
    with pytest.raises(PortError) as fault:
        open_port(spec, 0)
    assert spec in str(fault.value) and "\n" not in str(fault.value)


def test_nobody_at_a_tcp_address_is_one_clear_fault(server):
    spec = spec_of(server)
    server.close()
    with pytest.raises(PortError, match="can't be reached"):
        open_port(spec, 0)


def test_a_file_that_is_no_device_is_one_clear_fault(tmp_path):
    for path in (tmp_path / "nothing", tmp_path):
        with pytest.raises(PortError, match="can't be opened") as fault:
            open_port(str(path), 9600)
        assert "\n" not in str(fault.value)
